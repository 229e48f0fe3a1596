"""Which power-law noise dominates at an averaging time.

Lag-1 autocorrelation r₁ (Riley and Greenhall, 18th EFTF 2004): the frequency averages over the averaging
time are differenced until ``δ = r₁/(1 + r₁)`` is below 1/4; after d differences counted from the phase the
exponent is ``α = 2 - 2(δ + d)``. Two things are done beyond the paper: the value that each noise gives in
expectation (a sampled continuous flicker FM gives -1.45, not -1) is taken from the generalized covariance
and inverted, and white and flicker PM are told apart on *averaged* phase, because decimated flicker PM
looks white. Below 30 averages the ratio of the ordinary to the Allan variance, B1, decides (NIST SP 1065,
bias function B1), between white PM, flicker PM and white FM that of the modified to the Allan variance,
both overlapping (NIST SP 1065, ratio R(n); Lesage and Ayi 1984).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.deviations.covariance import LONGEST_DISCRETE_AVERAGE, term_covariance
from evenbeat.deviations.levels.responses import mean_square_difference
from evenbeat.deviations.sums.kernels import sum_of_squared_averages, sum_of_squared_differences
from evenbeat.deviations.sums.samples import KEPT_BYTES, PhasePoints, Samples
from evenbeat.intake import let_go
from evenbeat.quantities import FloatArray

FEWEST_FOR_AUTOCORRELATION = 30
FEWEST_FOR_RATIO = 8
FEWEST_FOR_PHASE_MEANS = 200
SHORTEST_FOR_RATIO = 4
AVERAGES_AT_ANCHOR = 50
MOST_IDENTIFIED = 128
STARTS = 16
COVERAGE = 0.5
"""Share of its samples that a mean of phase must rest on where some are missing. Noises of phase and white FM
differ in how much means of many samples vary, for which half of these will do."""
STRETCHES = 8
LONGEST_STRETCH = 1 << 13
SAMPLES_PER_MEAN = 64
SAMPLES_PER_RATIO = 64
_DIFFERENCES = {2: 1, 1: 1, 0: 1, -1: 2, -2: 2, -3: 3, -4: 3}


def noise_exponents(samples: Samples, factors: IntArray, *, order: int) -> FloatArray:
    """Return the exponent α at each averaging factor, shape (n,), NaN where it cannot be told.

    Of power laws the one that dominates at a longer averaging time never has the higher exponent, so
    that a weak identification (few averages) may lower that of a shorter averaging time, the one with
    fifty averages among them, but not raise it. In a list of more than 128 factors some are looked at
    and the others take that of the next shorter one.
    """
    count = len(factors)
    looked_at = np.unique(np.geomspace(1, count, min(count, MOST_IDENTIFIED)).round().astype(int)) - 1
    told = [noise_type(samples, int(factors[i]), order=order) for i in looked_at]
    exponents = np.array([noise.exponent for noise in told])
    weak = np.array([not noise.firm for noise in told])
    if weak.any():
        anchor = noise_type(samples, max(1, (samples.points - 1) // AVERAGES_AT_ANCHOR), order=order)
        firm = [*exponents[~weak][-1:], *([anchor.exponent] if anchor.firm else [])]
        exponents[weak] = np.minimum(exponents[weak], np.nanmin([math.inf, *firm]))
    return exponents[np.searchsorted(looked_at, np.arange(count), side="right") - 1]


def with_last_inherited(told: FloatArray) -> FloatArray:
    """Return the exponents, those missing after the last known one taken from it."""
    known = np.flatnonzero(~np.isnan(told))
    inherited = told.copy()
    if len(known):
        inherited[known[-1] + 1 :] = told[known[-1]]
    return inherited


@dataclass(frozen=True, kw_only=True)
class NoiseType:
    """The noise at one averaging time.

    Attributes
    ----------
    exponent
        Whole-number α of S_y; NaN where it cannot be told.
    firm
        Whether it rests on at least 30 averages.
    """

    exponent: float
    firm: bool


def noise_type(samples: Samples, factor: int, *, order: int) -> NoiseType:
    """Return the dominating noise at one averaging factor.

    Parameters
    ----------
    samples
        The record.
    factor
        Averaging factor.
    order
        2 for the Allan statistics (α from 2 to -2), 3 for the Hadamard statistics (to -4).

    Returns
    -------
    NoiseType
        Its exponent is NaN where fewer than eight averages are left or nothing varies.

    Notes
    -----
    Not valid for mixtures: the answer is the law nearest to the mixture at this averaging time. Below
    30 averages flicker FM is taken for a neighbour in about one case out of three, white and random-walk FM
    in one out of ten to five, white and flicker PM hardly ever.
    """
    stretches = _frequency_averages(samples, factor)
    known = _known_in(stretches)
    firm = known >= FEWEST_FOR_AUTOCORRELATION
    if known < FEWEST_FOR_RATIO:
        exponent = math.nan
    elif firm:
        exponent = _from_autocorrelation(stretches, factor, order)
    else:
        exponent = _from_variance_ratio(stretches[0])
    few = known < FEWEST_FOR_PHASE_MEANS and factor >= SHORTEST_FOR_RATIO
    if exponent >= 0 and (few or not firm):
        exponent = _from_modified_ratio(samples, factor, exponent)
    elif exponent >= 1:
        exponent = _from_averaged_phase(samples, factor, exponent)
    return NoiseType(exponent=exponent, firm=firm)


def _frequency_averages(samples: Samples, factor: int) -> list[FloatArray]:
    """Return the phase advances over adjacent averaging times, of a long record in several stretches.

    Where more than half of them are unknown, gaps may be in step with the averaging time: then from the start
    that leaves the most.
    """
    found = _averages_from(samples, factor, 0)
    if samples.has_gaps and 2 * _known_in(found) < sum(len(stretch) for stretch in found):
        starts = np.unique(np.linspace(0, factor - 1, min(factor, STARTS)).astype(int)).tolist()
        found = max((_averages_from(samples, factor, start) for start in starts), key=_known_in)
    return found


def _averages_from(samples: Samples, factor: int, start: int) -> list[FloatArray]:
    points = samples.decimated(factor, start)
    count = points.points - 1
    advances: list[FloatArray] = []
    for begin, length in _stretches(count):
        advance = np.empty(length)
        points.fill_advances(advance, begin, 1)
        advances.append(advance)
    return advances


def _known_in(stretches: list[FloatArray]) -> int:
    return sum(int(np.count_nonzero(~np.isnan(stretch))) for stretch in stretches)


def _stretches(count: int) -> list[tuple[int, int]]:
    if count <= STRETCHES * LONGEST_STRETCH:
        return [(0, max(count, 0))]
    begins = np.linspace(0, count - LONGEST_STRETCH, STRETCHES).astype(int)
    return [(int(begin), LONGEST_STRETCH) for begin in begins]


def _from_autocorrelation(stretches: list[FloatArray], factor: int, order: int) -> float:
    series = [_without_line(stretch) for stretch in stretches]
    for differences in range(1, order + 1):
        r1 = _lag_one(series)
        if not math.isfinite(r1):
            return math.nan
        delta = r1 / (1 + r1) if r1 > -1 else -math.inf
        if delta < 0.25 or differences == order:
            break
        series = [np.diff(stretch) for stretch in series]
    found = max(-10.0, min(10.0, 2 - 2 * (delta + differences)))
    expected, exponents = _expectations(factor)
    nearest = round(float(np.interp(found, expected, exponents)))
    return float(max(nearest, -2 if order < 3 else -4))


@lru_cache(maxsize=512)
def _expectations(factor: int) -> tuple[FloatArray, FloatArray]:
    """Return what the estimate is in expectation for each noise, in rising order, and the exponents."""
    pairs = []
    for exponent, differences in _DIFFERENCES.items():
        delta = _expected_lag_one(factor, exponent, differences, averaged=False)
        delta = delta / (1 + delta)
        pairs.append((2 - 2 * (delta + differences), float(exponent)))
    pairs.sort()
    return np.array([pair[0] for pair in pairs]), np.array([pair[1] for pair in pairs])


def _expected_lag_one(factor: int, exponent: int, differences: int, *, averaged: bool) -> float:
    covariance = term_covariance(
        np.array([0, factor]), factor, exponent=exponent, order=differences, averaged=averaged
    )
    return float(covariance[1] / covariance[0])


def _from_averaged_phase(samples: Samples, factor: int, exponent: float) -> float:
    """Return 2, 1 or 0 from the first differences of the phase averaged over each averaging time."""
    if factor == 1 or not isinstance(samples, PhasePoints):
        return exponent
    means = _phase_means(samples, factor)
    r1 = _lag_one([_without_line(np.diff(means))])
    if not math.isfinite(r1):
        return exponent
    nominal = min(factor, LONGEST_DISCRETE_AVERAGE)
    expected = {alpha: _expected_lag_one(nominal, alpha, 1, averaged=True) for alpha in (2, 1, 0)}
    return float(min(expected, key=lambda alpha: abs(r1 - expected[alpha])))


def _from_modified_ratio(samples: Samples, factor: int, exponent: float) -> float:
    """Return 2, 1 or 0 from the modified over the Allan variance, both overlapping.

    Few averages leave these far more degrees of freedom than averages side by side. Of a long record they
    are formed of block means, a ``SAMPLES_PER_RATIO``-th of the averaging time each.
    """
    if factor == 1 or not isinstance(samples, PhasePoints):
        return exponent
    block = max(1, factor // SAMPLES_PER_RATIO)
    means = samples if block == 1 else PhasePoints.of(_phase_means(samples, block))
    nominal = factor // block
    if means.points < 3 * nominal:
        return exponent
    averaged = _square_of_means(means, nominal)
    plain = sum_of_squared_differences(means, nominal, 2)
    if plain.terms == 0 or not averaged > 0:
        return exponent
    ratio = math.log(averaged / (plain.total / plain.terms))
    expected = _expected_modified_ratio(nominal)
    return float(min(expected, key=lambda alpha: abs(ratio - expected[alpha])))


def _square_of_means(samples: PhasePoints, factor: int) -> float:
    """Return the mean square of second differences of overlapping means of phase over ``factor`` samples.

    With gaps each mean is that of the samples known, if these are half of them; NaN without any term.
    """
    if not samples.has_gaps:
        terms = sum_of_squared_averages(samples, factor, 2)
        return terms.total / terms.terms
    flat = _without_line(samples.phase_s)
    known = ~np.isnan(flat)
    sums, counts = (np.concatenate([[0.0], np.cumsum(row)]) for row in (np.where(known, flat, 0.0), known))
    count = counts[factor:] - counts[:-factor]
    means = (sums[factor:] - sums[:-factor]) / np.where(count >= COVERAGE * factor, count, np.nan)
    second = means[2 * factor :] - 2 * means[factor:-factor] + means[: -2 * factor]
    squares = second[~np.isnan(second)] ** 2
    return float(squares.mean()) if len(squares) else math.nan


@lru_cache(maxsize=256)
def _expected_modified_ratio(factor: int) -> dict[int, float]:
    """Return the logarithm of the modified over the Allan variance under each of the flattest noises."""
    return {
        alpha: math.log(
            mean_square_difference(alpha, factor, order=2, averaged=True)
            / mean_square_difference(alpha, factor, order=2, averaged=False)
        )
        for alpha in (2, 1, 0)
    }


def _phase_means(samples: PhasePoints, factor: int) -> FloatArray:
    """Return means of the phase over adjacent averaging times, from at most 127 samples of each.

    NaN where less than half of these are known.
    """
    phase = samples.phase_s
    count = min(len(phase) // factor, LONGEST_STRETCH)
    stride = max(1, factor // SAMPLES_PER_MEAN)
    windows = np.lib.stride_tricks.sliding_window_view(phase, factor)  # no copy, whatever the layout
    groups = windows[: count * factor : factor, ::stride]
    means = np.empty(count)
    at_once = count if samples.mapping is None else max(1, KEPT_BYTES // (factor * phase.itemsize))
    for begin in range(0, count, at_once):
        end = begin + at_once
        means[begin:end] = groups[begin:end].mean(axis=1, dtype=float)
        partial = begin + np.flatnonzero(np.isnan(means[begin:end]))
        known = ~np.isnan(groups[partial])
        counts = np.count_nonzero(known, axis=1)
        sums = np.sum(groups[partial], axis=1, where=known, dtype=float)
        means[partial] = np.where(counts >= COVERAGE * groups.shape[1], sums / np.maximum(counts, 1), np.nan)
        let_go(samples.mapping)
    return means


def _without_line(series: FloatArray) -> FloatArray:
    """Return the series less its least-squares line, NaN kept."""
    known = _known(series)
    time, values = np.arange(len(series), dtype=float), series[known]
    if len(values) < 3:
        return np.full(len(series), np.nan)
    time -= time[known].mean()
    level = values.mean()
    slope = float(time[known].dot(values - level))
    slope /= float(time[known].dot(time[known]))
    time *= slope
    flat = series - level
    flat -= time
    return flat


def _known(series: FloatArray) -> BoolArray | slice:
    """Return where the series is known; the whole of it, which takes no copy, where that is everywhere."""
    if not math.isnan(series.sum()):
        return slice(None)
    return ~np.isnan(series)


def _lag_one(series: list[FloatArray]) -> float:
    """Return the lag-1 autocorrelation of several stretches together, their means removed."""
    products = squares = 0.0
    pairs = singles = 0
    for stretch in series:
        known = _known(stretch)
        values = stretch[known]
        if len(values) == 0:
            continue
        centred = stretch - values.mean()
        both = known if isinstance(known, slice) else known[1:] & known[:-1]
        later, earlier, present = centred[1:][both], centred[:-1][both], centred[known]
        products += float(later.dot(earlier))
        squares += float(present.dot(present))
        pairs, singles = pairs + len(later), singles + len(present)
    if pairs == 0 or squares == 0:
        return math.nan
    # the usual estimator divides both sums by the same number; with gaps fewer pairs than singles remain
    return products / squares * (singles / pairs) * ((singles - len(series)) / singles)


def _from_variance_ratio(averages: FloatArray) -> float:
    """Return α from B1, the ratio of the ordinary to the Allan variance of the averages."""
    known = averages[~np.isnan(averages)]
    changes = np.diff(averages)
    changes = changes[~np.isnan(changes)]
    if len(changes) == 0 or not changes.any():
        return math.nan
    ratio = float(np.var(known, ddof=1) / (0.5 * np.mean(changes**2)))
    n = len(known)
    expected = {
        1.0: 2 / 3 * (1 + 1 / n),
        0.0: 1.0,
        -1.0: n * math.log(n) / (2 * (n - 1) * math.log(2)),
        -2.0: n / 2,
    }
    return min(expected, key=lambda exponent: abs(math.log(ratio / expected[exponent])))
