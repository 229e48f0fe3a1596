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
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Self

import numpy as np

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.deviations.sums.pairs import pairs_of_bins, stretches_of_runs
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
MOST_WEIGHTS = 160
"""As a form written out has at most, its points less what it does not see."""
MOST_AVERAGING_TIMES = 32
LARGEST_FREEDOM = 100.0
STEEPEST = 4.0
MOST_STEPS, CLOSE = 30, 1e-9
NEARLY_ALL = 0.1
"""Relative scatter of the numbers of terms in stretches up to which they count as equal."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Moments:
    """Expectation and scatter of statistics at n averaging factors, per unit of the levels.

    ``expected`` (n, noises) is NaN without any term; ``aimed_at`` the variance that is estimated; under
    levels h the variance of a statistic is ``2 hᵀ products h``, ``products`` being (n, noises, noises).
    """

    expected: FloatArray
    aimed_at: FloatArray
    products: FloatArray

    @classmethod
    def joined(cls, parts: Sequence[Moments]) -> Self:
        """Return those of all parts, one after the other."""
        names = (item.name for item in fields(cls))
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})

    def freedom(self, levels: FloatArray) -> FloatArray:
        """Return the equivalent degrees of freedom under these levels, (noises,) or a row each, at least one.

        By sums along the last axes: a row is the same to the last bit whatever other rows there are.
        """
        pairs = levels[..., :, np.newaxis] * levels[..., np.newaxis, :]
        edf = np.sum(self.expected * levels, axis=-1) ** 2 / np.sum(self.products * pairs, axis=(-2, -1))
        return np.maximum(edf, 1.0)  # rounding may leave less; NaN stays NaN

    @property
    def of_unit_phase_errors(self) -> FloatArray:
        """What independent phase errors of unit variance make them: white PM of density 2 per sample."""
        return self.expected[:, 0] * 8 * math.pi**2

    @property
    def least_freedom(self) -> FloatArray:
        """Levels of the one noise under which there are the fewest, shape (n, noises)."""
        of_each = self.expected**2 / np.diagonal(self.products, axis1=1, axis2=2)
        return np.eye(self.expected.shape[1])[np.argmin(of_each, axis=1)]


def at_least_one(edf: float) -> float:
    """Return degrees of freedom, one where rounding left less; NaN stays NaN."""
    return 1.0 if edf < 1 else edf


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


def lags_among_gaps(terms: TermSum, factor: int, spans: int) -> tuple[IntArray, FloatArray]:
    """Return the usual lags, and how many pairs of both signs each of them stands for.

    Every lag is counted, since n(k) jumps from lag to lag where gaps are regular. At long averaging times
    lags are taken together in bins of a small share of one, except the corners of the covariance: under
    noise of phase c(k) stands out there from its neighbours.
    """
    width = max(1, factor // BINS)
    last, mask, lags = (
        min(terms.possible - 1, REACH_WITH_GAPS * factor),
        terms.mask,
        overlapping_lags(factor, spans),
    )
    pairs = 2.0 * pairs_of_bins(mask, width, last // width + 1)
    pairs[0] /= 2
    # S(l) = Σ (l - k) n(k) over k < l, whose second divided differences are the numbers under triangles
    if width == 1:
        at, sums = np.minimum(lags, last + 1), np.cumsum(np.append(0.0, np.cumsum(pairs)))
        upto = sums[at] + (lags - at) * pairs.sum()
    else:
        borders = np.append(0.0, (np.arange(len(pairs)) + 0.5) * width)
        counts, size = np.append(0.0, np.cumsum(pairs)), np.diff(borders)
        sums = np.append(0.0, np.cumsum(size * (counts[:-1] + 0.5 * pairs)))
        bins = np.searchsorted(borders, lags, side="right") - 1
        inside = lags - borders[bins]
        upto = sums[bins] + inside * (counts[bins] + 0.5 * np.append(pairs / size, 0.0)[bins] * inside)
    weights = np.diff(np.concatenate([[0.0], np.diff(upto) / np.diff(lags), [pairs.sum()]]))
    if width > 1:  # what stands out at a corner is not part of the straight lines that bins are summed over
        corners = factor * np.arange(spans + 1)
        alone = np.array([pairs_apart(mask, lag) * (1 + (lag > 0)) for lag in corners.tolist()])
        where = np.searchsorted(lags, corners)
        more = alone - weights[where]
        for place, share in ((where, 1.0), (np.abs(where - 1), -0.5), (where + 1, -0.5)):
            np.add.at(weights, place, share * more)
    return lags, weights


def pairs_apart(mask: BoolArray, lag: int) -> int:
    """Return how many pairs of used terms are ``lag`` terms apart, counted one by one."""
    return int(np.count_nonzero(mask[lag:] & mask[: max(0, len(mask) - lag)]))


def has_weights(averaging_times: float, edf: float) -> bool:
    """Return whether a record this long and a statistic of so many degrees of freedom need weights."""
    return averaging_times <= MOST_AVERAGING_TIMES and 1 < edf < LARGEST_FREEDOM


def spread_terms(terms: TermSum) -> tuple[IntArray, FloatArray | None]:
    """Return places of terms that stand for all of them, and for how many each; ``None`` if all for as many.

    Of the terms at long averaging times, which overlap for the most part, evenly spread ones are enough; with
    gaps, the valid ones in each stretch of so many count as so many at their mean place, unless all stretches
    have nearly equal numbers of them.
    """
    stride = -(-terms.possible // MOST_TERMS)
    evenly = np.arange(-(-terms.possible // stride), dtype=np.int64) * stride
    # numbers whose relative scatter is 0.1 leave out a hundredth of the terms at least
    if terms.possible - terms.terms < NEARLY_ALL**2 * terms.possible:
        return evenly, None
    places, counts = stretches_of_runs(terms.runs, stride if terms.terms > MOST_TERMS else 1, terms.possible)
    if len(counts) == len(evenly) and np.std(counts[:-1]) < NEARLY_ALL * np.mean(counts):
        return evenly, None
    return places, counts


def halves(row: FloatArray) -> FloatArray:
    """Return two matrices, of one size for all, that together have the eigenvalues of a Toeplitz matrix.

    Its vectors are even or odd about the middle: half the size, an eighth of the work each (Cantoni and
    Butler 1976, Linear Algebra and its Applications 13). ``row`` is its first row.
    """
    half, odd = divmod(len(row), 2)
    found = np.zeros((2, MOST_TERMS // 2, MOST_TERMS // 2))
    index = np.arange(half)
    near = row[np.abs(index[:, np.newaxis] - index)]
    far = row[len(row) - 1 - index[:, np.newaxis] - index]
    found[0, :half, :half], found[1, :half, :half] = near + far, near - far
    if odd:
        found[0, half, :half] = found[0, :half, half] = math.sqrt(2) * row[half:0:-1]
        found[0, half, half] = row[0]
    return found


def weights_of(weighing: Sequence[FloatArray | None], edf: FloatArray) -> FloatArray:
    """Return the eigenvalues of each stack of matrices, raised to these degrees of freedom, shape (n, many).

    The largest come first, zeros stand beyond the last; NaN where there are none.
    """
    values = np.zeros((len(weighing), MOST_WEIGHTS))
    shapes = [() if some is None else some.shape for some in weighing]
    for shape in {shape for shape in shapes if shape}:
        places = [place for place, other in enumerate(shapes) if other == shape]
        found = np.linalg.eigvalsh(np.array([weighing[place] for place in places])).reshape(len(places), -1)
        values[places, : found.shape[1]] = np.maximum(found, 0.0)
    some = values.any(axis=1)
    raised = np.full_like(values, np.nan)
    raised[some] = raised_to_freedom(np.sort(values[some])[:, ::-1], edf[some])
    return raised


def raised_to_freedom(weights: FloatArray, edf: FloatArray) -> FloatArray:
    """Return rows of weights, largest first, raised so that ``1/Σ w²`` is ``edf`` and Σ w one.

    The power is near one: they are those of some of the terms. NaN where no power does it.
    """
    there = weights > 0
    logarithms = np.log(np.where(there, weights, 1.0) / weights[:, :1])
    power, edf = np.ones((len(weights), 1)), edf[:, np.newaxis]
    for _ in range(MOST_STEPS):  # Newton's, of the logarithm of Σ w² / (Σ w)²
        powers = np.where(there, np.exp(power * logarithms), 0.0)
        total, squares = (np.sum(some, axis=1, keepdims=True) for some in (powers, powers**2))
        excess = np.log(edf * squares / total**2)
        near = np.abs(excess) < CLOSE
        lost = ~near & ((power < 1 / STEEPEST) | (power > STEEPEST))
        if np.all(near | lost):
            break
        slope = 2 * (
            np.sum(logarithms * powers**2, axis=1, keepdims=True) / squares
            - np.sum(logarithms * powers, axis=1, keepdims=True) / total
        )
        with np.errstate(divide="ignore", invalid="ignore"):  # equal weights have no slope, and are near
            moved = np.clip(power - excess / slope, power / 2, 2 * power)
        power = np.where(near | lost, power, moved)
    return np.asarray(np.where(near, powers / total, np.nan))
