"""From a record to the curve of one statistic: drift, factors, variances, bias, intervals and findings."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from evenbeat.deviations.averaging import MOST_OF_EVERY, Averaging, IntArray, chosen_factors
from evenbeat.deviations.counter_weighting import about_counter_weighting
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.forms.whole import WholeForm
from evenbeat.deviations.freedom import Moments, weights_of
from evenbeat.deviations.noise_mixture import Law, NoiseMixture, mixture_of
from evenbeat.deviations.statistics import Statistic
from evenbeat.deviations.sums.kernels import Progress, TermSum
from evenbeat.deviations.sums.samples import PhasePoints, Samples, samples_of
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution, note
from evenbeat.intake import blocks
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import FloatArray
from evenbeat.record import Record, Treatment
from evenbeat.units import SECONDS_PER_DAY, counted, duration_text, percent

FEWEST = 4
LAW = "linear drift"


def without_drift(record: Record) -> tuple[Record, Finding]:
    """Return the record less a constant drift, and a finding that says which.

    Raises
    ------
    TooShortError
        If fewer than four samples are known.

    Notes
    -----
    A parabola is fitted to phase by least squares: best under white PM, and 1.2 times as uncertain as the
    best under white FM (own derivation: the share 0.7 of the variance, from ``u(1 - u)(1 - 2u)`` beside
    ``1 - 2u``). Frequency is fitted by a straight line with weights ``u(1 - u)``, u the share of the record,
    which is the same estimate. Known steps are subtracted for the fit, and stay in the record.
    """
    values = record.usable_values(without_steps=True)
    known = np.concatenate([~np.isnan(block) for block in blocks(values)])
    present = int(np.count_nonzero(known))
    if present < FEWEST:
        msg = f"a drift needs at least {FEWEST} known samples; the record has {present}"
        raise TooShortError(msg, needed=FEWEST, available=present)
    count, phase = len(values), record.kind == "phase"
    # places of samples, or of the middles of frequencies, from -1 to 1
    place = (2 * np.arange(count) + (0 if phase else 1)) / (count - phase) - 1
    order = 2 if phase else 1
    weight = np.ones(present) if phase else np.sqrt((1 - place[known]) * (1 + place[known]))
    level = float(values[np.flatnonzero(known)[0]])
    column = np.asarray(values[known], dtype=float) - level
    fit = np.polynomial.Legendre.fit(place[known], column, order, domain=[-1, 1], w=weight)
    half = 0.5 * (count - phase) * record.interval_s
    bend = float(fit.coef[order])
    # P₂ = (3u² - 1)/2, so that x bends by 3c in units of half the record; P₁ = u
    drift = 3 * bend / half**2 if phase else bend / half
    trend = bend * (1.5 * place**2 - 0.5) if phase else bend * place
    steady = replace(
        record,
        values=np.asarray(record.values, dtype=float) - trend,
        history=(*record.history, Treatment(operation="remove_drift", arguments={"per_s": drift})),
    )
    sentence = (
        f"A {LAW} of {drift * SECONDS_PER_DAY:+.3g} per day was fitted by least squares and taken out before "
        "the statistic; with it goes some of the noise, so that deviations beyond about a tenth of the "
        "record come out low."
    )
    finding = note("DRIFT_REMOVED", sentence, drift_per_s=drift, law=LAW)
    return steady, finding


ROUNDING_MARGIN = 5.0
SURE = 0.8
"""Share of the mixtures in keeping with the record in which the same noise is the strongest."""


def about_record(record: Record) -> tuple[Finding, ...]:
    """Return what was done about steps, whether readings leave dead time, how the counter weights edges."""
    found = [finding for finding in record.findings if finding.code == "DEAD_TIME"]
    if record.steps:
        count = len(record.steps)
        sentence = f"{count} known step{'s were' if count > 1 else ' was'} subtracted before the analysis."
        found.append(note("STEPS_REMOVED", sentence, steps=count))
    gate = record.gate_s
    if record.kind == "frequency" and gate is not None and gate < record.interval_s * (1 - 1e-9):
        sentence = (
            f"Each gate of {duration_text(gate)} is followed by dead time until the next reading after "
            f"{duration_text(record.interval_s)}; the values are used as they are, and short averaging times "
            "are biased (white PM most: it looks like white FM)."
        )
        found.append(caution("DEAD_TIME", sentence, gate_s=gate, interval_s=record.interval_s))
    return (*found, *about_counter_weighting(record))


def about_gaps(
    samples: Samples, sums: list[TermSum], times: FloatArray, minimum_coverage: float
) -> tuple[Finding, ...]:
    """Return what gaps cost."""
    if not samples.has_gaps:
        return ()
    lost = sum(term.possible - term.terms for term in sums) / sum(term.possible for term in sums)
    found = [
        note(
            "GAPS_SKIPPED",
            f"Terms that touch a missing or excluded sample were left out ({percent(lost, 2)} of all).",
            terms_left_out_share=lost,
        )
    ]
    if minimum_coverage < 1:
        sentence = (
            f"Averages with at least {percent(minimum_coverage)} of their samples were used as if complete; "
            "white and flicker PM come out too large where samples are missing."
        )
        found.append(note("PARTIAL_AVERAGES", sentence, minimum_coverage=minimum_coverage))
    empty = [float(time) for time, term in zip(times, sums, strict=True) if term.terms == 0]
    if empty:
        sentence = (
            f"Gaps leave no complete term at {_these(empty).removesuffix(',')}; of frequency records a lower "
            "minimum_coverage admits averages with missing samples."
        )
        found.append(
            caution("NO_COMPLETE_TERMS", sentence, averaging_times=len(empty), shortest_s=min(empty))
        )
    return tuple(found)


def _these(times: npt.ArrayLike) -> str:
    """Return averaging times in words, with a comma behind several."""
    shortest = duration_text(float(np.min(times)))
    if np.size(times) == 1:
        return f"an averaging time of {shortest}"
    return f"{np.size(times)} averaging times, the shortest of them {shortest},"


def about_variation(deviation: FloatArray) -> tuple[Finding, ...]:
    """Return a caution where readings do not vary."""
    silent = int(np.count_nonzero(deviation == 0))
    if silent == 0:
        return ()
    sentence = (
        f"The deviation is exactly zero at {counted(silent, 'averaging time')}: the readings do not vary, so "
        "that the display and not the oscillator limits the result."
    )
    return (caution("NO_VARIATION", sentence, averaging_times=silent),)


def about_rounding(samples: Samples, deviation: FloatArray, response: FloatArray) -> tuple[Finding, ...]:
    """Return a caution where a deviation is hardly above what the rounding of stored phase makes.

    ``response`` is the deviation that white phase errors spread over one second would make.
    """
    rounding = samples.rounding_s if isinstance(samples, PhasePoints) else 0.0
    hidden = (deviation > 0) & (deviation < ROUNDING_MARGIN * rounding * response)
    count = int(np.count_nonzero(hidden))
    if count == 0:
        return ()
    sentence = (
        f"At {counted(count, 'averaging time')} the deviation is less than {ROUNDING_MARGIN:.0f} times what "
        f"rounding of the stored phase to {rounding:.1e} s makes; store the phase less its mean slope, in "
        "double precision."
    )
    return (caution("ROUNDING_LIMITS", sentence, averaging_times=count, rounding_s=rounding),)


def about_noise(law: Law, times: FloatArray, *, stated: bool) -> tuple[Finding, ...]:
    """Return how surely the noise is known behind bias and intervals."""
    if stated:
        sentence = "The noise was stated; bias and intervals are for it and not for what the record shows."
        return (note("NOISE_STATED", sentence),)
    known = ~np.isnan(law.exponent)
    if not known.any():
        sentence = (
            "The kind of noise could not be told (too few readings, or no variation); "
            "the intervals are for the noise that makes them widest."
        )
        return (caution("NOISE_TYPE_UNKNOWN", sentence),)
    unsure = known & (law.surely < SURE)
    if not unsure.any():
        return ()
    sentence = (
        f"At {_these(times[unsure])} the record does not show clearly which noise makes the "
        "largest part; the intervals take in what others would make of them."
    )
    return (
        note(
            "NOISE_NOT_SURE",
            sentence,
            averaging_times=int(np.count_nonzero(unsure)),
            shortest_s=float(times[unsure][0]),
        ),
    )


Bias = Literal["exact", "published", "none"]
Value = TypeVar("Value")
_REMEMBERED: WeakKeyDictionary[Record, dict[Hashable, Any]] = WeakKeyDictionary()
"""Of each record, as long as it is in use: its mixture of noises, and moments and weights at each factor."""


@dataclass(frozen=True, kw_only=True)
class Looked:
    """A record as a statistic looks at it, and what the kernels read of it."""

    record: Record
    samples: Samples
    minimum_coverage: float

    def remembered(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """Return what was made of this record before, or make it."""
        known = _REMEMBERED.setdefault(self.record, {})
        whole = (self.minimum_coverage, key)
        if whole not in known:
            known[whole] = make()
        found: Value = known[whole]
        return found

    def mixture(self, noise: NoiseLevels | str | None, *, order: int) -> NoiseMixture | None:
        """Return the noise that was stated, or that of the record."""
        if noise is not None:
            return NoiseMixture.stated(noise, self.record.interval_s)
        return self.remembered(order, lambda: mixture_of(self.samples, self.record.interval_s, order=order))


@dataclass(frozen=True, eq=False, kw_only=True)
class Points:
    """What a statistic gives at some averaging factors.

    ``terms`` hold the variance as ``total``, in units of the sampling interval, to be divided by ``bias``;
    ``expected`` is what it is then in expectation under the mean mixture; ``moments`` expectation and scatter
    per unit of each level, ``law`` how the variances are distributed under the mixture, with the ``weights``
    of the chi-squared variables behind each.
    """

    terms: list[TermSum]
    bias: FloatArray
    expected: FloatArray
    moments: Moments
    law: Law
    weights: FloatArray


def curve_of(
    record: Record,
    kind: Statistic,
    averaging: Averaging,
    *,
    minimum_coverage: float,
    bias: Bias,
    noise: NoiseLevels | str | None,
    progress: Progress | None,
) -> StabilityCurve:
    """Return the curve of a statistic; parameters are those of :func:`evenbeat.stability`."""
    samples = samples_of(record, minimum_coverage)
    if not kind.form.takes_gaps:
        check_no_gaps(record, samples, kind.title)
    looked = Looked(record=record, samples=samples, minimum_coverage=minimum_coverage)
    factors, findings = _possible_factors(record, samples, kind, averaging)
    mixture = looked.mixture(noise, order=kind.form.order)
    points = computed_points(looked, kind, factors, mixture, bias, progress=progress)
    about: list[Finding] = []
    if (share := kind.form.effective_share) != 1:
        sentence = (
            f"The averaging factor is the span of the {kind.title} in samples; the averaging time is the "
            f"effective one, {share:g} of the span."
        )
        about.append(note("EFFECTIVE_TIME", sentence, effective_share=share))
    about += about_bias(kind, points, bias)
    return made_curve(
        looked,
        kind,
        factors,
        [points],
        points.law,
        mixture,
        stated=noise is not None,
        about=(findings, about),
    )


def made_curve(
    looked: Looked,
    kind: Statistic,
    factors: IntArray,
    parts: Sequence[Points],
    law: Law,
    mixture: NoiseMixture | None,
    *,
    stated: bool,
    about: tuple[Sequence[Finding], Sequence[Finding]],
) -> StabilityCurve:
    """Return the curve of the points of all parts, of known law; ``about``: its first and last findings."""
    record, samples, interval = looked.record, looked.samples, looked.record.interval_s
    times = factors * interval * kind.form.effective_share
    terms = [term for part in parts for term in part.terms]
    variances = np.array([term.total for term in terms])
    bias, expected = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("bias", "expected")
    )
    deviation = kind.deviation(variances / bias, times, interval)
    errors = np.concatenate([part.moments.of_unit_phase_errors for part in parts])
    return StabilityCurve(
        statistic=kind.name,
        title=kind.title,
        symbol=kind.symbol,
        unit=kind.unit,
        interval_s=interval,
        averaging_factor=factors,
        averaging_time_s=times,
        deviation=deviation,
        terms=np.array([term.terms for term in terms], dtype=np.int64),
        edf=law.edf,
        distribution=law.distribution(np.concatenate([part.weights for part in parts])),
        noise_exponent=law.exponent,
        noise=mixture,
        expected=kind.deviation(expected, times, interval),
        record_name="" if record.source is None else record.source.name,
        record_sha256="" if record.source is None else record.source.sha256,
        findings=(
            *about[0],
            *about_record(record),
            *about_gaps(samples, terms, times, looked.minimum_coverage),
            *about_variation(deviation),
            # rounding spreads evenly over one unit: a twelfth of its square
            *about_rounding(samples, deviation, kind.deviation(errors / 12, times, interval)),
            *about_noise(law, times, stated=stated),
            *about[1],
        ),
    )


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


def _possible_factors(
    record: Record, samples: Samples, kind: Statistic, averaging: Averaging
) -> tuple[IntArray, tuple[Finding, ...]]:
    """Return the factors from the smallest possible one in steps that the statistic has."""
    form, largest = kind.form, kind.form.largest(samples.points)
    if largest < form.smallest:
        intervals = next(n for n in range(2, 100) if form.largest(n) >= form.smallest) - 1
        needed = intervals + (record.kind == "phase")
        msg = f"the {kind.title} needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    factors, findings = chosen_factors(
        averaging, largest=largest, samples=len(record), interval_s=record.interval_s
    )
    fits = (factors >= form.smallest) & (factors % form.step == 0)
    if fits.all():
        return factors, findings
    if isinstance(averaging, str):
        rounded = factors // form.step * form.step
        fitting = np.unique(rounded[rounded >= form.smallest])
        # a short record may hold none of the grid: then the shortest that there is
        return fitting if len(fitting) else np.array([form.smallest], dtype=np.int64), findings
    refused = ", ".join(str(factor) for factor in factors[~fits])
    allowed = f"even numbers from {form.smallest} to {largest} are possible with this record"
    if not fits.any():
        msg = f"the {kind.title} has no averaging factor {refused}; {allowed}"
        raise InputError(msg)
    sentence = (
        f"The averaging factors {refused} were asked for, but the {kind.title} has none such; {allowed}."
    )
    finding = caution("FACTORS_NOT_COMPUTED", sentence, factors=refused, largest_factor=largest)
    return factors[fits], (*findings, finding)


def computed_points(
    looked: Looked,
    kind: Statistic,
    factors: IntArray,
    mixture: NoiseMixture | None,
    bias: Bias,
    *,
    progress: Progress | None = None,
) -> Points:
    """Return variances, bias and distribution at these factors under the noise of the record.

    Moments and weights depend on length, gaps, factor and noise alone and are remembered with the record.
    """
    form, points, whole = kind.form, looked.samples.points, factors.tolist()

    def computed() -> tuple[list[TermSum], Moments]:
        terms = form.variances(
            looked.samples, factors, minimum_coverage=looked.minimum_coverage, progress=progress
        )
        return terms, form.moments(terms, points, whole)

    few = len(factors) <= MOST_OF_EVERY
    terms, moments = looked.remembered((form, factors.tobytes()), computed) if few else computed()
    law = Law.of(mixture, moments)
    rows = zip(terms, whole, law.levels, law.edf, moments.expected, strict=True)
    weighing = [
        form.weighing(term, points, factor, *row) if term.terms else None for term, factor, *row in rows
    ]
    removed: FloatArray = np.ones(len(factors))
    if bias == "exact" and mixture is not None:
        removed = law.bias
    elif bias == "published" and mixture is not None and isinstance(form, WholeForm):
        removed = np.array(
            [
                1.0 if math.isnan(alpha) else form.published_bias(points, factor, round(alpha))
                for factor, alpha in zip(whole, law.exponent, strict=True)
            ]
        )
    return Points(
        terms=terms,
        bias=removed,
        expected=law.aimed_at * law.bias if bias == "none" else law.aimed_at,
        moments=moments,
        law=law,
        weights=weights_of(weighing, law.edf),
    )


_WAYS = {
    "exact": "its exact expectation under the noises of the record",
    "published": "the published factor of the noise that is strongest at each averaging time",
}


def about_bias(kind: Statistic, points: Points, bias: Bias) -> tuple[Finding, ...]:
    """Return what was done about the bias."""
    if not kind.estimates:
        return ()
    if bias == "none":
        sentence = (
            f"The bias of the {kind.title} was left in: its square differs in expectation from the "
            f"{kind.estimates}."
        )
        return (note("BIAS_LEFT_IN", sentence, bias=bias),)
    low, high = float(points.bias.min()), float(points.bias.max())
    values: dict[str, float | int | str] = {"bias": bias, "smallest_factor": low, "largest_factor": high}
    sentence = (
        f"The bias against the {kind.estimates} was removed by {_WAYS[bias]}: the variances were divided by "
        f"{low:.3g} to {high:.3g}."
    )
    found = [note("BIAS_REMOVED", sentence, **values)]
    unknown = int(np.count_nonzero(np.isnan(points.law.exponent)))
    if unknown:
        sentence = (
            f"At {counted(unknown, 'averaging time')} the noise could not be told and the bias against the "
            f"{kind.estimates} was left in."
        )
        found.append(caution("BIAS_NOT_TOLD", sentence, averaging_times=unknown))
    return tuple(found)
