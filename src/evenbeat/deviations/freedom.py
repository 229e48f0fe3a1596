"""What a statistic is in expectation, how it scatters and is distributed, under any mixture of noises.

A mean of M squared Gaussian terms with covariance c(k) at lag k has the expectation c(0) and the variance
``2 Σ n(k) c(k)²/M²``, where n(k) is the number of pairs of terms k apart and the sum runs over lags of both
signs; it is distributed nearly as chi-squared with ``edf = 2 E²/Var`` (Greenhall and Riley 2003). Under
levels h_α the covariance is ``Σ h_α c_α(k)``, so that the sums over lags of ``c_α c_β`` are all that a
mixture needs. With gaps n(k) is the autocorrelation of the whole mask of valid terms
(:mod:`evenbeat.deviations.sums.pairs`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import linalg

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.quantities import FloatArray

REACH = 30
REACH_WITH_GAPS = 10
"""Lags beyond this many averaging times are left out: what remains is below 1e-4 of the sum."""
FINEST_STEPS = 12
GROWTH = 1.1
BINS = 256
"""Bins in a long averaging time, at least, in which lags are taken together. Degrees of freedom are then
right to 0.2 %, under flicker PM to 7 % where gaps recur within a bin."""
MOST_TERMS = 112
MOST_AVERAGING_TIMES = 32
LARGEST_FREEDOM = 100.0
STEEPEST = 4.0
MOST_STEPS, CLOSE = 30, 1e-9
NEARLY_ALL = 0.1
"""Relative scatter of the numbers of terms in stretches up to which they count as equal."""
LONGEST_TABLE = 1 << 15


@dataclass(frozen=True, eq=False, kw_only=True)
class Moments:
    """Expectation and scatter of one statistic at one averaging factor, per unit of the levels.

    Attributes
    ----------
    expected
        Shape (noises,): what the statistic is in expectation; NaN without any term.
    aimed_at
        Shape (noises,): the variance that it estimates, in the same unit.
    products
        Shape (noises, noises): under levels h the variance of the statistic is ``2 hᵀ products h``.
    """

    expected: FloatArray
    aimed_at: FloatArray
    products: FloatArray

    def freedom(self, levels: FloatArray) -> float:
        """Return the equivalent degrees of freedom under these levels, at least one."""
        return at_least_one(float((self.expected @ levels) ** 2 / (levels @ self.products @ levels)))

    @property
    def least_freedom(self) -> FloatArray:
        """Levels of the one noise under which there are the fewest, shape (noises,)."""
        fewest = int(np.argmin(self.expected**2 / np.diag(self.products)))
        return np.eye(len(self.expected))[fewest]


def moments_of_terms(
    terms: TermSum,
    factor: int,
    covariances: Callable[[IntArray], FloatArray],
    *,
    spans: int,
    overlapping: bool,
    known: FloatArray | None = None,
) -> Moments:
    """Return those of a mean of squared terms linear in phase, each of which spans so many averaging times.

    ``covariances`` gives those of two terms that many terms apart, (noises, lags); ``known`` are the same at
    :func:`overlapping_lags`, where they have been computed before.
    """
    at_zero = covariances(np.zeros(1, dtype=np.int64))[:, 0] if known is None else known[:, 0]
    if terms.terms == 0:
        nothing = np.full(len(at_zero), np.nan)
        return Moments(expected=nothing, aimed_at=nothing, products=np.outer(nothing, nothing))
    if terms.terms == 1:
        return Moments(expected=at_zero, aimed_at=at_zero, products=np.outer(at_zero, at_zero))
    if not terms.complete:
        at, weights = _pairs_with_gaps(terms, factor, covariances, spans, known, overlapping=overlapping)
    else:
        lags = _lags(factor, spans, overlapping=overlapping, possible=terms.possible)
        weights = lag_weights(lags) * (terms.possible - lags)
        if known is None:
            at = covariances(lags)
        elif len(lags) == known.shape[1]:
            at = known
        else:
            at = np.column_stack([known[:, : len(lags) - 1], covariances(lags[-1:])])
    products = (at * weights) @ at.T / float(terms.terms) ** 2
    return Moments(expected=at_zero, aimed_at=at_zero, products=products)


def at_least_one(edf: float) -> float:
    """Return degrees of freedom, one where rounding left less; NaN stays NaN."""
    return 1.0 if edf < 1 else edf


def _lags(factor: int, spans: int, *, overlapping: bool, possible: int) -> IntArray:
    if not overlapping:
        return np.arange(min(possible, REACH), dtype=np.int64)
    lags = overlapping_lags(factor, spans)
    if lags[-1] < possible:
        return lags
    inside = lags[lags < possible]
    return inside if inside[-1] == possible - 1 else np.append(inside, possible - 1)


@lru_cache(maxsize=512)
def overlapping_lags(factor: int, order: int) -> IntArray:
    """Return lags up to ``REACH`` averaging times, dense where the covariance has corners.

    These are at multiples of the factor up to ``order`` of them.
    """
    distance = _distances(REACH * factor)
    corners = [np.arange(1, dtype=np.int64)]
    for corner in range(order + 1):
        beyond = distance if corner == order else distance[distance <= factor]
        corners += [corner * factor + beyond, np.abs(corner * factor - distance[distance <= factor])]
    lags = np.unique(np.concatenate(corners))
    lags.flags.writeable = False
    return lags


def _distances(largest: int) -> IntArray:
    count = int(np.log(max(largest, 1)) / np.log(GROWTH)) + 2
    grown = np.round(FINEST_STEPS * GROWTH ** np.arange(count)).astype(np.int64)
    distances = np.unique(np.concatenate([np.arange(FINEST_STEPS), grown]))
    return np.append(distances[distances < largest], largest)


def lag_weights(lags: IntArray) -> FloatArray:
    """Return weights that turn values of an even function at some lags into the sum over all, both signs."""
    if len(lags) == 1:
        return np.ones(1)
    gaps = np.diff(lags).astype(float)
    weights = np.ones(len(lags))
    weights[1:-1] = 0.0
    weights[:-1] += gaps
    weights[1:] += gaps
    weights[0] -= 1
    return weights


def _pairs_with_gaps(
    terms: TermSum,
    factor: int,
    covariances: Callable[[IntArray], FloatArray],
    spans: int,
    known: FloatArray | None,
    *,
    overlapping: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return covariances at some lags, and how many pairs of both signs each of them stands for.

    Every lag is counted, since n(k) jumps from lag to lag where gaps are regular. At long averaging times
    lags are taken together in bins of a small share of one, except the corners of the covariance: under
    noise of phase c(k) stands out there from its neighbours.
    """
    width = max(1, factor // BINS) if overlapping else 1
    last = min(terms.possible - 1, REACH_WITH_GAPS * (factor if overlapping else 1))
    pairs = terms.pairs(width, last // width + 1)
    both_signs = 2.0 * pairs
    both_signs[0] = pairs[0]
    if not overlapping:
        return covariances(np.arange(last + 1, dtype=np.int64)), both_signs
    lags = overlapping_lags(factor, spans)
    if width == 1:
        before, part = _between(factor, spans, last)
        weights: FloatArray = np.asarray(np.bincount(before, both_signs * (1 - part), len(lags)), dtype=float)
        weights += np.bincount(before + 1, both_signs * part, len(lags))
        return (covariances(lags) if known is None else known), weights
    weights = _weights_of_bins(lags, width, both_signs)
    where = np.searchsorted(lags, factor * np.arange(spans + 1))
    binned = weights[where]
    for place, lag in zip(where.tolist(), lags[where].tolist(), strict=True):
        alone = terms.pairs_apart(lag) * (1 + (lag > 0))
        weights[place] += alone
        weights[abs(place - 1)] -= 0.5 * alone
        weights[place + 1] -= 0.5 * alone
    # what stands out at a corner is not part of the straight lines that the bins are summed over
    for place, weight in zip(where.tolist(), binned.tolist(), strict=True):
        weights[place] -= weight
        weights[abs(place - 1)] += 0.5 * weight
        weights[place + 1] += 0.5 * weight
    return (covariances(lags) if known is None else known), weights


@lru_cache(maxsize=64)
def _between(factor: int, spans: int, last: int) -> tuple[IntArray, FloatArray]:
    """Return before which of the usual lags each lag up to the last lies, and how far on to the next."""
    lags, every = overlapping_lags(factor, spans), np.arange(last + 1)
    before = np.searchsorted(lags, every, side="right") - 1
    return before, (every - lags[before]) / np.diff(lags)[before]


def _weights_of_bins(lags: IntArray, width: int, pairs: FloatArray) -> FloatArray:
    """Return how many pairs each lag stands for, of pairs counted in bins of lags, the first centred at zero.

    The mean over a bin is that of straight lines between the lags: shares of it are integrals of hats.
    """
    borders = np.minimum(np.append(0.0, (np.arange(len(pairs)) + 0.5) * width), lags[-1])
    size = np.diff(lags).astype(float)
    before = np.minimum(np.searchsorted(lags, borders, side="right") - 1, len(lags) - 2)
    part = (borders - lags[before]) / size[before]
    share = pairs / width
    share[0] *= 2
    # ∫ from the first lag to a border of hat j, times what the bins on either side of the border differ by
    steps = np.append(share, 0.0) - np.append(0.0, share)
    upto = np.zeros(len(lags))
    np.add.at(upto, before, -steps * size[before] * (part - 0.5 * part**2))
    np.add.at(upto, before + 1, -steps * size[before] * 0.5 * part**2)
    # whole intervals before the one that holds the border
    beyond = np.zeros(len(lags))
    np.add.at(beyond, before, -steps)
    whole = np.cumsum(beyond[::-1])[::-1] - beyond
    weights = upto
    weights[:-1] += 0.5 * size * whole[:-1]
    weights[1:] += 0.5 * size * whole[:-1]
    return weights


def has_weights(averaging_times: float, edf: float) -> bool:
    """Return whether a record this long and a statistic of so many degrees of freedom need weights."""
    return averaging_times <= MOST_AVERAGING_TIMES and 1 < edf < LARGEST_FREEDOM


def weights_of_terms(
    terms: TermSum, overlap: int, edf: float, covariance: Callable[[IntArray], FloatArray]
) -> FloatArray | None:
    """Return the weights, largest first and their sum one, of a mean of squared terms linear in phase.

    These are the eigenvalues of the covariance of the terms, of which ``overlap`` begin within one averaging
    time and which is given up to a factor. Of the terms at long averaging times, which overlap for the most
    part, evenly spread ones are enough; with gaps, the valid ones in each stretch of so many count as so many
    at their mean place, unless all stretches have nearly equal numbers of them. Where the record holds many
    averaging times, or many terms are independent, chi-squared itself is good to half a point of probability,
    and of a single term it is exact: then ``None``.
    """
    if terms.terms == 1 or not has_weights(terms.possible / overlap, edf):
        return None
    stride = -(-terms.possible // MOST_TERMS)
    count = -(-terms.possible // stride)
    evenly = terms.complete
    if not evenly:
        places, counts = terms.stretches(stride if terms.terms > MOST_TERMS else 1)
        evenly = len(counts) == count and bool(np.std(counts[:-1]) < NEARLY_ALL * np.mean(counts))
    if evenly:
        row = covariance(np.arange(count, dtype=np.int64) * stride)
        return _raised(_toeplitz_eigenvalues(row / row[0]), edf)
    apart = np.abs(places[:, np.newaxis] - places)
    if terms.possible <= LONGEST_TABLE:  # far fewer distances than pairs
        some = np.zeros(terms.possible, dtype=bool)
        some[apart] = True
        at = np.zeros(terms.possible)
        at[some] = covariance(np.flatnonzero(some))
        matrix = at[apart]
    else:
        matrix = covariance(apart.ravel()).reshape(apart.shape)
    matrix *= np.sqrt(np.outer(counts, counts))
    return _raised(linalg.eigvalsh(matrix / matrix[0, 0]), edf)


def _toeplitz_eigenvalues(row: FloatArray) -> FloatArray:
    """Return the eigenvalues of the symmetric Toeplitz matrix with this first row.

    Its vectors are even or odd about the middle: half the size, an eighth of the work each (Cantoni and
    Butler 1976, Linear Algebra and its Applications 13).
    """
    half, odd = divmod(len(row), 2)
    near = linalg.toeplitz(row[:half]) if half else np.zeros((0, 0))
    far = row[len(row) - 1 - np.add.outer(np.arange(half), np.arange(half))]
    even = near + far
    if odd:
        middle = math.sqrt(2) * row[half:0:-1]
        even = np.block([[even, middle[:, np.newaxis]], [middle, row[:1]]])
    return np.concatenate([linalg.eigvalsh(even), linalg.eigvalsh(near - far) if half else np.zeros(0)])


def _raised(values: FloatArray, edf: float) -> FloatArray | None:
    """Return eigenvalues as weights, raised to the power that makes the degrees of freedom these.

    The power is near one: they are those of some of the terms. ``None`` where no power does it.
    """
    ordered = np.maximum(np.sort(values)[::-1], 0.0)
    return raised_to_freedom(ordered / ordered.sum(), edf)


def raised_to_freedom(weights: FloatArray, edf: float) -> FloatArray | None:
    """Return weights raised to a common power, their sum one, so that ``1/Σ w²`` is ``edf``."""
    logarithms = np.log(weights[weights > 0] / weights[0])
    power = 1.0
    for _ in range(MOST_STEPS):  # Newton's, of the logarithm of Σ w² / (Σ w)²
        powers = np.exp(power * logarithms)
        total, squares = powers.sum(), powers @ powers
        excess = math.log(edf * squares / total**2)
        if abs(excess) < CLOSE:
            return np.pad(powers / total, (0, len(weights) - len(powers)))
        slope = 2 * (logarithms @ powers**2 / squares - logarithms @ powers / total)
        power = min(max(power - excess / slope, power / 2), 2 * power) if slope else math.inf
        if not 1 / STEEPEST <= power <= STEEPEST:
            return None
    return None
