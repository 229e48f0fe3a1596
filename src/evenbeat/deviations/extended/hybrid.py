"""Théo1 joined with the overlapping Allan deviation: one curve to three quarters of the record.

Up to a tenth of the record it is the overlapping Allan deviation, beyond it Théo1 with its bias removed (NIST
SP 1065, 5.2.16; Taylor and Howe, FCS 2010).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from evenbeat.deviations.averaging import Averaging, Factors, IntArray, chosen_factors
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.extended.curves import Points, about_bias, check_no_gaps, computed_points
from evenbeat.deviations.extended.form import Bias, gap_free_phase, variance_of
from evenbeat.deviations.extended.forms import EXTENDED, white_phase_allan
from evenbeat.deviations.extended.measured_ratio import corrected_moments, expected_misfit, measured_ratio
from evenbeat.deviations.freedom import Moments, moments_of_differences
from evenbeat.deviations.noise_mixture import Law, NoiseMixture
from evenbeat.deviations.noise_search import mixture_of
from evenbeat.deviations.remarks import about_noise, about_record, about_rounding, about_variation
from evenbeat.deviations.sums.kernels import Progress, TermSum, sums_of_squares
from evenbeat.deviations.sums.samples import PhasePoints, Samples, samples_of
from evenbeat.deviations.term_weights import raised_to_freedom, weights_of_differences
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding
from evenbeat.powerlaw import NoiseLevels
from evenbeat.record import Record
from evenbeat.units import duration_text

HYBRID = "theo1_hybrid"
TITLE = "Théo1 hybrid deviation"
JOINED_AT = 0.1
LARGEST_MISFIT = 0.3
FEWEST_POINTS = 91
_THEO1 = EXTENDED["theo1"]


def hybrid_curve(
    record: Record,
    averaging: Averaging,
    *,
    minimum_coverage: float,
    bias: Bias,
    noise: NoiseLevels | str | None,
    progress: Progress | None = None,
) -> StabilityCurve:
    """Return the hybrid; parameters are those of :func:`evenbeat.stability`.

    Beyond the join the averaging factors are multiples of three samples, because Théo1 of an even span that
    is a multiple of four has its effective averaging time there. With ``bias="published"`` the ratio is the
    measured one of the handbook, with ``exact`` that of the noise told, with ``none`` one.

    With ``bias="published"`` the degrees of freedom count the scatter of the measured ratio. Not valid for
    these intervals under white or flicker PM, where one ratio does not fit all averaging times; a finding
    then says by how much (tests/coverage/stability_coverage.md has the shares).
    """
    samples = samples_of(record, minimum_coverage)
    check_no_gaps(record, samples, TITLE)
    if samples.points < FEWEST_POINTS:
        needed = FEWEST_POINTS - (record.kind == "frequency")
        msg = f"the {TITLE} needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    join = int(JOINED_AT * (samples.points - 1))
    chosen = _factors(record, samples.points, averaging, join)
    short = chosen.factors[chosen.factors <= join]
    spans = chosen.factors[chosen.factors > join] // 3 * 4
    mixture = mixture_of(samples, record.interval_s, noise, order=2)
    allan, moments = _allan_points(samples, short)
    tell = _counted_on(progress, len(short), len(chosen.factors))
    theo1 = computed_points(samples, _THEO1, spans, bias, mixture, progress=tell)
    moments += [
        _THEO1.form.moments(term, samples.points, int(span), bias)
        for term, span in zip(theo1.terms, spans, strict=True)
    ]
    if bias == "published" and len(spans):
        # of terms that the mean ratio divides nothing is aimed at but themselves
        moments[len(short) :] = [
            corrected_moments(
                samples.points, int(span), theo1.law.levels, replace(each, aimed_at=each.expected)
            )
            for span, each in zip(spans, moments[len(short) :], strict=True)
        ]
        whole = PhasePoints(phase_s=gap_free_phase(samples), has_gaps=False)
        theo1 = replace(theo1, bias=np.full(len(spans), measured_ratio(whole)))
    law = Law.of(mixture, moments)
    times = chosen.factors * record.interval_s
    variances = np.array([term.total for term in (*allan, *theo1.terms)])
    ratio = np.concatenate([np.ones(len(short)), theo1.bias])
    deviation = np.sqrt(variances / ratio) / record.interval_s
    weights = [
        *(
            weights_of_differences(
                term, int(m), edf, levels=law.levels, order=2, averaged=False, overlapping=True
            )
            for term, m, edf in zip(allan, short, law.edf.tolist(), strict=False)
        ),
        *(
            None if some is None else raised_to_freedom(some, edf)
            for some, edf in zip(theo1.weights, law.edf[len(short) :].tolist(), strict=True)
        ),
    ]
    response = np.array([math.sqrt(white_phase_allan(int(m)) / 12) for m in chosen.factors])
    return StabilityCurve(
        statistic=HYBRID,
        title=TITLE,
        symbol="σ_y(τ)",
        unit="",
        interval_s=record.interval_s,
        averaging_factor=chosen.factors,
        averaging_time_s=times,
        deviation=deviation,
        terms=np.array([term.terms for term in (*allan, *theo1.terms)], dtype=np.int64),
        edf=law.edf,
        distribution=law.distribution(weights),
        noise_exponent=law.exponent,
        noise=mixture,
        expected=np.sqrt(np.concatenate([law.aimed_at[: len(short)] / (2.0 * short**2), theo1.expected]))
        / record.interval_s,
        record_name="" if record.source is None else record.source.name,
        record_sha256="" if record.source is None else record.source.sha256,
        findings=(
            *chosen.findings,
            *about_record(record),
            *about_variation(deviation),
            *about_rounding(samples, deviation, response / record.interval_s),
            *about_noise(law, times, stated=noise is not None),
            _about_join(join, record.interval_s),
            *(_about_bias(theo1, bias) if len(spans) else ()),
            *(_about_misfit(samples.points, spans, law, mixture) if bias == "published" else ()),
        ),
    )


def _counted_on(progress: Progress | None, before: int, count: int) -> Progress | None:
    """Tell that those before are done, and return what counts the others on."""
    if progress is None:
        return None
    for done in range(1, before + 1):
        progress(done, count)
    return lambda done, _: progress(before + done, count)


def _factors(record: Record, points: int, averaging: Averaging, join: int) -> Factors:
    largest = (points - 1) // 4 * 3
    chosen = chosen_factors(averaging, largest=largest, samples=len(record), interval_s=record.interval_s)
    rounded = np.where(
        chosen.factors <= join, chosen.factors, np.maximum(chosen.factors // 3, join // 3 + 1) * 3
    )
    rounded = np.unique(rounded[rounded <= largest])
    moved = np.setdiff1d(chosen.factors, rounded)
    if isinstance(averaging, str) or len(moved) == 0:
        return Factors(factors=rounded, findings=chosen.findings)
    listed = ", ".join(str(factor) for factor in moved)
    if len(rounded) == 0:
        msg = f"beyond factor {join} the {TITLE} has only multiples of 3, none of {listed}"
        raise InputError(msg)
    sentence = (
        f"Beyond factor {join} the {TITLE} exists at multiples of 3; in place of {listed} stand the nearest "
        "below."
    )
    finding = Finding(
        code="FACTORS_MOVED", severity="note", sentence=sentence, values={"factors": listed, "join": join}
    )
    return Factors(factors=rounded, findings=(*chosen.findings, finding))


def _allan_points(samples: Samples, factors: IntArray) -> tuple[list[TermSum], list[Moments]]:
    """Return the overlapping Allan variances in units of the sampling interval."""
    sums = sums_of_squares(samples, factors, 2)
    found = [
        variance_of(terms.total / (2.0 * float(factor) ** 2 * terms.terms), terms.terms)
        for factor, terms in zip(factors.tolist(), sums, strict=True)
    ]
    moments = [
        moments_of_differences(terms, factor, order=2, averaged=False, overlapping=True)
        for factor, terms in zip(factors.tolist(), sums, strict=True)
    ]
    return found, moments


def _about_misfit(
    points: int, spans: IntArray, law: Law, mixture: NoiseMixture | None
) -> tuple[Finding, ...]:
    """Return where one ratio for all averaging times is wrong for the noises of the record."""
    if len(spans) == 0 or mixture is None:
        return ()
    misfits = np.array([expected_misfit(points, int(span), mixture.levels_for(5)) for span in spans])
    # a variance off by this share of its standard uncertainty √(2/edf) costs two points of coverage
    off = np.abs(misfits) > LARGEST_MISFIT * np.sqrt(2 / law.edf[-len(spans) :])
    if not off.any():
        return ()
    low, high = float(misfits[off].min()), float(misfits[off].max())
    sentence = (
        f"At {np.count_nonzero(off)} averaging time(s) the one ratio measured in the record does not fit its "
        f"noises: the variances are {low:+.0%} to {high:+.0%} off in expectation, and the "
        'intervals hold the truth less often than they say; bias="exact" has neither fault.'
    )
    values: dict[str, float | int | str] = {
        "averaging_times": int(np.count_nonzero(off)),
        "smallest_misfit": low,
        "largest_misfit": high,
    }
    return (Finding(code="RATIO_DOES_NOT_FIT", severity="caution", sentence=sentence, values=values),)


def _about_join(join: int, interval_s: float) -> Finding:
    sentence = (
        f"Up to {duration_text(join * interval_s)} this is the overlapping Allan deviation, beyond it Théo1 "
        "at its effective averaging time."
    )
    values: dict[str, float | int | str] = {"join_s": join * interval_s}
    return Finding(code="JOINED", severity="note", sentence=sentence, values=values)


def _about_bias(points: Points, bias: Bias) -> tuple[Finding, ...]:
    if bias != "published":
        return about_bias(_THEO1, points, bias)
    ratio = float(points.bias[0])
    sentence = (
        f"The bias of Théo1 against the Allan variance, {ratio:.3g}, was measured at averaging times that "
        "both have and removed."
    )
    values: dict[str, float | int | str] = {"bias": bias, "smallest_factor": ratio, "largest_factor": ratio}
    return (Finding(code="BIAS_REMOVED", severity="note", sentence=sentence, values=values),)
