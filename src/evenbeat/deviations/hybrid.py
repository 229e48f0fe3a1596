"""Théo1 joined with the overlapping Allan deviation: one curve to three quarters of the record.

Up to a tenth of the record it is the overlapping Allan deviation, beyond it Théo1 with its bias removed (NIST
SP 1065, 5.2.16). The handbook measures that bias in the record itself: the mean
ratio of the Allan variance at 9 + 3i samples to Théo1 at span 12 + 4i, for i up to N/30 - 3, of long records
at ``RATIOS`` of these places spread evenly.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from evenbeat.deviations.averaging import Averaging, IntArray, chosen_factors
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.freedom import Moments
from evenbeat.deviations.noise_mixture import Law
from evenbeat.deviations.points import (
    Bias,
    Looked,
    Points,
    about_bias,
    check_no_gaps,
    computed_points,
    made_curve,
)
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.kernels import Progress, sum_of_squared_differences
from evenbeat.deviations.sums.samples import Samples, samples_of
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution, note
from evenbeat.powerlaw import NoiseLevels
from evenbeat.record import Record
from evenbeat.units import duration_text

HYBRID = "theo1_hybrid"
TITLE = "Théo1 hybrid deviation"
JOINED_AT = 0.1
FEWEST_POINTS = 91
RATIOS = 24
_ALLAN, _THEO1 = STATISTICS["overlapping_allan"], STATISTICS["theo1"]
_JOINED = replace(_ALLAN, name=HYBRID, title=TITLE)


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
    """
    samples = samples_of(record, minimum_coverage)
    check_no_gaps(record, samples, TITLE)
    if samples.points < FEWEST_POINTS:
        needed = FEWEST_POINTS - (record.kind == "frequency")
        msg = f"the {TITLE} needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    join = int(JOINED_AT * (samples.points - 1))
    factors, findings = _factors(record, samples.points, averaging, join)
    short, spans = factors[factors <= join], factors[factors > join] // 3 * 4
    looked = Looked(record=record, samples=samples, minimum_coverage=minimum_coverage)
    mixture = looked.mixture(noise, order=2)
    parts = [computed_points(looked, _ALLAN, short, mixture, bias)] if len(short) else []
    if len(spans):
        tell = _counted_on(progress, len(short), len(factors))
        theo1 = computed_points(looked, _THEO1, spans, mixture, bias, progress=tell)
        if bias == "published":
            theo1 = replace(theo1, bias=np.full(len(spans), measured_ratio(samples)))
        parts.append(theo1)
    law = Law.of(mixture, Moments.joined([part.moments for part in parts]))
    sentence = (
        f"Up to {duration_text(join * record.interval_s)} this is the overlapping Allan deviation, beyond it "
        "Théo1 at its effective averaging time."
    )
    about = [note("JOINED", sentence, join_s=join * record.interval_s)]
    if len(spans):
        about += _about_bias(theo1, bias)
    return made_curve(
        looked,
        _JOINED,
        factors,
        parts,
        law,
        mixture,
        stated=noise is not None,
        about=(findings, about),
    )


def _counted_on(progress: Progress | None, before: int, count: int) -> Progress | None:
    """Tell that those before are done, and return what counts the others on."""
    if progress is None:
        return None
    for done in range(1, before + 1):
        progress(done, count)
    return lambda done, _: progress(before + done, count)


def _factors(
    record: Record, points: int, averaging: Averaging, join: int
) -> tuple[IntArray, tuple[Finding, ...]]:
    largest = (points - 1) // 4 * 3
    factors, findings = chosen_factors(
        averaging, largest=largest, samples=len(record), interval_s=record.interval_s
    )
    rounded = np.where(factors <= join, factors, np.maximum(factors // 3, join // 3 + 1) * 3)
    rounded = np.unique(rounded[rounded <= largest])
    moved = np.setdiff1d(factors, rounded)
    if isinstance(averaging, str) or len(moved) == 0:
        return rounded, findings
    listed = ", ".join(str(factor) for factor in moved)
    if len(rounded) == 0:
        msg = f"beyond factor {join} the {TITLE} has only multiples of 3, none of {listed}"
        raise InputError(msg)
    sentence = (
        f"Beyond factor {join} the {TITLE} exists at multiples of 3; in place of {listed} stand the nearest "
        "below."
    )
    return rounded, (*findings, note("FACTORS_MOVED", sentence, factors=listed, join=join))


def _about_bias(points: Points, bias: Bias) -> tuple[Finding, ...]:
    if bias != "published":
        return about_bias(_THEO1, points, bias)
    ratio = float(points.bias[0])
    sentence = (
        f"The bias of Théo1 against the Allan variance, {ratio:.3g}, was measured at averaging times that "
        "both have and removed. It scatters with the record, which the intervals do not count, and under "
        'white or flicker PM one ratio does not fit all averaging times; bias="exact" has neither fault.'
    )
    return (caution("BIAS_REMOVED", sentence, bias=bias, smallest_factor=ratio, largest_factor=ratio),)


def ratio_places(points: int) -> IntArray:
    """Return the places i at which the ratio is formed, shape (n,)."""
    last = math.floor(points / 30 - 3)
    return np.unique(np.linspace(0, last, min(last + 1, RATIOS)).round().astype(np.int64))


def measured_ratio(samples: Samples) -> float:
    """Return Théo1 over the Allan variance, from the mean ratio of the latter to it where both exist."""
    ratios = []
    for place in ratio_places(samples.points).tolist():
        factor = 9 + 3 * place
        terms = sum_of_squared_differences(samples, factor, 2)
        allan = terms.total / (2.0 * float(factor) ** 2 * terms.terms)
        ratios.append(allan / _THEO1.form.variances(samples, np.array([12 + 4 * place]))[0].total)
    return 1.0 / float(np.mean(ratios))
