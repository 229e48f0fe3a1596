"""Curves of the total family, Théo1, its hybrid and the parabolic deviation."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from evenbeat.deviations.averaging import Averaging, Factors, IntArray, chosen_factors
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.extended.form import Bias
from evenbeat.deviations.extended.forms import EXTENDED, Extended
from evenbeat.deviations.noise_mixture import Law, NoiseMixture
from evenbeat.deviations.noise_search import mixture_of
from evenbeat.deviations.remarks import about_gaps, about_noise, about_record, about_rounding, about_variation
from evenbeat.deviations.sums.kernels import Progress, TermSum
from evenbeat.deviations.sums.samples import Samples, samples_of
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import FloatArray
from evenbeat.record import Record

BIASES = ("exact", "published", "none")
FEWEST_SAMPLES_FOR_THREADS = 1 << 12


@dataclass(frozen=True, eq=False, kw_only=True)
class Points:
    """What a statistic gives at some averaging factors.

    Attributes
    ----------
    terms
        Sums with the variance as ``total``, in units of the sampling interval, before bias removal.
    bias
        Shape (n,): what the variances are divided by.
    expected
        Shape (n,): what the variances are in expectation once this is removed, under the mean mixture.
    law
        How they are distributed.
    weights
        Of the chi-squared variables behind each variance.
    """

    terms: list[TermSum]
    bias: FloatArray
    expected: FloatArray
    law: Law
    weights: list[FloatArray | None]


def extended_curve(
    record: Record,
    statistic: str,
    averaging: Averaging,
    *,
    minimum_coverage: float,
    bias: Bias,
    noise: NoiseLevels | str | None,
    progress: Progress | None = None,
) -> StabilityCurve:
    """Return the curve of a statistic in :data:`evenbeat.deviations.extended.forms.EXTENDED`.

    Parameters are those of :func:`evenbeat.stability`.
    """
    kind = EXTENDED[statistic]
    samples = samples_of(record, minimum_coverage)
    if kind.name != "parabolic":
        check_no_gaps(record, samples, kind.title)
    chosen = _possible_factors(record, samples, kind, averaging)
    mixture = mixture_of(samples, record.interval_s, noise, order=kind.order)
    points = computed_points(samples, kind, chosen.factors, bias, mixture, progress=progress)
    times = chosen.factors * record.interval_s * kind.form.effective_share
    scale = times / math.sqrt(3) if kind.unit == "s" else np.ones(len(times))
    variances = np.array([term.total for term in points.terms])
    deviation = np.sqrt(variances / points.bias) / record.interval_s * scale
    response = np.array([math.sqrt(kind.form.white_phase_variance(int(m)) / 12) for m in chosen.factors])
    return StabilityCurve.of_record(
        record,
        kind,
        averaging_factor=chosen.factors,
        averaging_time_s=times,
        deviation=deviation,
        terms=np.array([term.terms for term in points.terms], dtype=np.int64),
        edf=points.law.edf,
        distribution=points.law.distribution(points.weights),
        noise_exponent=points.law.exponent,
        noise=mixture,
        expected=np.sqrt(points.expected) / record.interval_s * scale,
        findings=(
            *chosen.findings,
            *about_record(record),
            *about_gaps(samples, points.terms, times, minimum_coverage),
            *about_variation(deviation),
            *about_rounding(samples, deviation, response / record.interval_s * scale),
            *about_noise(points.law, times, stated=noise is not None),
            *about_effective_times(kind),
            *about_bias(kind, points, bias),
        ),
    )


def check_bias(bias: str) -> None:
    """Refuse an unknown way of bias removal."""
    if bias not in BIASES:
        msg = f"bias is {bias!r}; it must be 'exact', 'published' or 'none'"
        raise InputError(msg)


def check_no_gaps(record: Record, samples: Samples, title: str) -> None:
    """Refuse a record with gaps, naming its longest stretch without any."""
    if not samples.has_gaps:
        return
    missing = np.flatnonzero(np.isnan(np.asarray(record.usable_values(without_steps=True), dtype=float)))
    bounds = np.concatenate([[-1], missing, [len(record)]])
    longest = int(np.argmax(np.diff(bounds)))
    first, last = int(bounds[longest]) + 1, int(bounds[longest + 1])
    msg = (
        f"the {title} extends or weights the record as a whole and needs a stretch without gaps; "
        f"{len(missing)} of {len(record)} samples are missing or excluded; take the longest stretch without, "
        f"record.between({first * record.interval_s:g}, {last * record.interval_s:g}), or a statistic that "
        "skips gaps such as 'overlapping_allan'"
    )
    raise InputError(msg)


def _possible_factors(record: Record, samples: Samples, kind: Extended, averaging: Averaging) -> Factors:
    """Return the factors from the smallest possible one in steps that the statistic has."""
    form, largest = kind.form, kind.form.largest(samples.points)
    if largest < form.smallest:
        intervals = next(n for n in range(2, 100) if form.largest(n) >= form.smallest) - 1
        needed = intervals + (record.kind == "phase")
        msg = f"the {kind.title} needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    chosen = chosen_factors(averaging, largest=largest, samples=len(record), interval_s=record.interval_s)
    fits = (chosen.factors >= form.smallest) & (chosen.factors % form.step == 0)
    if fits.all():
        return chosen
    if isinstance(averaging, str):
        rounded = chosen.factors // form.step * form.step
        fitting = np.unique(rounded[rounded >= form.smallest])
        # a short record may hold none of the grid: then the shortest that there is
        fitting = fitting if len(fitting) else np.array([form.smallest], dtype=np.int64)
        return Factors(factors=fitting, findings=chosen.findings)
    refused = ", ".join(str(factor) for factor in chosen.factors[~fits])
    allowed = f"even numbers from {form.smallest} to {largest} are possible with this record"
    if not fits.any():
        msg = f"the {kind.title} has no averaging factor {refused}; {allowed}"
        raise InputError(msg)
    sentence = (
        f"The averaging factors {refused} were asked for, but the {kind.title} has none such; {allowed}."
    )
    finding = Finding(
        code="FACTORS_NOT_COMPUTED",
        severity="caution",
        sentence=sentence,
        values={"factors": refused, "largest_factor": largest},
    )
    return Factors(factors=chosen.factors[fits], findings=(*chosen.findings, finding))


def computed_points(
    samples: Samples,
    kind: Extended,
    factors: IntArray,
    bias: Bias,
    mixture: NoiseMixture | None,
    *,
    progress: Progress | None = None,
) -> Points:
    """Return variances, bias and distribution at these factors under the noise of the record."""
    terms = _in_parallel(samples, kind, factors, bias, progress)
    moments = [
        kind.form.moments(term, samples.points, int(factor), bias)
        for term, factor in zip(terms, factors, strict=True)
    ]
    law = Law.of(mixture, moments)
    weights = [
        kind.form.weights(term, samples.points, int(factor), found, law.levels) if term.terms else None
        for term, factor, found in zip(terms, factors, moments, strict=True)
    ]
    removed: FloatArray = np.ones(len(factors))
    if bias == "exact" and mixture is not None:
        removed = law.bias
    elif bias == "published" and mixture is not None:
        removed = np.array(
            [
                1.0 if math.isnan(alpha) else kind.form.published_bias(samples.points, int(m), round(alpha))
                for m, alpha in zip(factors, law.exponent, strict=True)
            ]
        )
    expected = law.aimed_at * law.bias if bias == "none" else law.aimed_at
    return Points(terms=terms, bias=removed, expected=expected, law=law, weights=weights)


def _in_parallel(
    samples: Samples, kind: Extended, factors: IntArray, bias: Bias, progress: Progress | None
) -> list[TermSum]:
    def one(factor: int) -> TermSum:
        return kind.form.terms(samples, factor, bias)

    longest_first, found = factors.tolist()[::-1], []  # they take longest
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        threads = samples.points >= FEWEST_SAMPLES_FOR_THREADS
        for terms in pool.map(one, longest_first) if threads else map(one, longest_first):
            found.append(terms)
            if progress is not None:
                progress(len(found), len(factors))
    return found[::-1]


def about_effective_times(kind: Extended) -> tuple[Finding, ...]:
    """Return that the averaging times are shorter than the spans."""
    share = kind.form.effective_share
    if share == 1:
        return ()
    sentence = (
        f"The averaging factor is the span of the {kind.title} in samples; the averaging time is the "
        f"effective one, {share:g} of the span."
    )
    values: dict[str, float | int | str] = {"effective_share": share}
    return (Finding(code="EFFECTIVE_TIME", severity="note", sentence=sentence, values=values),)


_WAYS = {
    "exact": "its exact expectation under the noises of the record",
    "published": "the published factor of the noise that is strongest at each averaging time",
}


def about_bias(kind: Extended, points: Points, bias: Bias) -> tuple[Finding, ...]:
    """Return what was done about the bias."""
    if not kind.estimates:
        return ()
    if bias == "none":
        sentence = (
            f"The bias of the {kind.title} was left in: its square differs in expectation from the "
            f"{kind.estimates}."
        )
        return (Finding(code="BIAS_LEFT_IN", severity="note", sentence=sentence, values={"bias": bias}),)
    low, high = float(points.bias.min()), float(points.bias.max())
    values: dict[str, float | int | str] = {"bias": bias, "smallest_factor": low, "largest_factor": high}
    sentence = (
        f"The bias against the {kind.estimates} was removed by {_WAYS[bias]}: the variances were divided by "
        f"{low:.3g} to {high:.3g}."
    )
    found = [Finding(code="BIAS_REMOVED", severity="note", sentence=sentence, values=values)]
    unknown = int(np.count_nonzero(np.isnan(points.law.exponent)))
    if unknown:
        sentence = (
            f"At {unknown} averaging time(s) the noise could not be told and the bias against the "
            f"{kind.estimates} was left in."
        )
        values = {"averaging_times": unknown}
        found.append(Finding(code="BIAS_NOT_TOLD", severity="caution", sentence=sentence, values=values))
    return tuple(found)
