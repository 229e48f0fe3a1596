"""Sums of squared differences from the products of phase with itself.

The square of a difference is a sum of products of phase at two points. Over all terms these are the lagged
products ``Σ z_i z_{i+k}`` less those of points near either end that some term lacks: for thousands of
averaging factors from one Fourier transform of the record, for some from one pass over a block for each k,
half the work of taking the differences. For the modified statistics z are the running sums of phase. What
the differences cancel also cancels between the products, so that digits are lost where the differences are
small beside z: a polynomial that the differences annihilate is removed first, and no sum is returned whose
rounding error could exceed a tolerance. These are mostly those at small factors, which other ways give.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial import Legendre
from scipy import fft

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.sums.end_products import products_near_start
from evenbeat.deviations.sums.exact_sums import exact_sums, largest_of, less_line
from evenbeat.deviations.sums.kernels import running_sums
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.quantities import FloatArray

TOLERANCE = 2e-12
"""Largest bound on the relative rounding error of a sum, twice that of the deviation."""
TRIED_TOGETHER = 256
"""Factors after whose failure smaller ones are not tried."""
FEWEST_TERMS = 1 << 13
"""Terms in a block below which taking the differences is as quick, and exact for whole numbers."""
SHORT = 3
"""If more than so many factors fit into a block, products are formed only once for all pairs of points."""
DOTS_START = 10_000
ENDS_TOGETHER = 8_000
"""The products near the ends are formed for all factors together where one by one they would take longer: as
long as ``DOTS_START`` multiplications for each factor to start with, against so many for all up to it."""
FEWEST_IN_RECORD = 1 << 19
"""Points of a record of which the products as it stands are formed."""
PART = 1 << 16
LOOKED_AT = 1 << 10
"""Terms from which the sum of all is foretold."""
_UNIT = 2.0**-53


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """With which weights products make up the square of a difference taken ``times`` times.

    Attributes
    ----------
    squares
        Those of the squares of its points.
    apart
        Those of the products of points 1, 2, … ``times`` factors apart, all of them together.
    ends
        Of the points nearest to either end that some terms lack: how many factors apart they are, by how
        many factors the first begins after the end, and the weight.
    pairs
        Any two points of a term, and the weight of their product.
    """

    times: int
    squares: tuple[float, ...]
    apart: tuple[float, ...]
    pairs: tuple[tuple[int, int, float], ...]
    ends: tuple[tuple[int, int, float], ...]

    @classmethod
    @lru_cache(maxsize=8)
    def of(cls, times: int) -> Pattern:
        """Return the weights of a difference taken so many times."""
        points = [float((-1) ** k * math.comb(times, k)) for k in range(times + 1)]

        def together(apart: int, first: int) -> float:
            later = points[first + apart :]
            return sum(one * other for one, other in zip(points[first:], later, strict=False))

        return cls(
            times=times,
            squares=tuple(weight**2 for weight in points),
            apart=tuple(together(apart, 0) for apart in range(1, times + 1)),
            pairs=tuple(
                (first, second, points[first] * points[second])
                for second in range(times + 1)
                for first in range(second)
            ),
            ends=tuple(
                (apart, first, together(apart, first + 1))
                for apart in range(1, times)
                for first in range(times - apart)
            ),
        )

    def at_ends(self, values: FloatArray, factor: int) -> float:
        """Return the weighted products of points near either end of the values that some term lacks."""
        total, last = 0.0, len(values)
        for apart, first, weight in self.ends:
            here, there, end = first * factor, (first + apart) * factor, last - first * factor
            total += weight * float(values[here : here + factor].dot(values[there : there + factor]))
            there = end - apart * factor
            total += weight * float(values[end - factor : end].dot(values[there - factor : there]))
        return total

    def at_all_ends(self, values: FloatArray, largest: int) -> FloatArray:
        """Return the same for all factors from 0 to the largest."""
        total, weights = np.zeros(largest + 1), {(apart, first): weight for apart, first, weight in self.ends}
        for (apart, first), weight in weights.items():
            change = weight - weights.get((apart, first + 1), 0.0)
            for row in (values, values[::-1]):
                total += change * products_near_start(row, largest, reach=first + 1, apart=apart)
        return total

    def rounding(self, length: int, squares: float) -> float:
        """Return the rounding error to be expected at most of sums over products of so many values."""
        return _UNIT * math.log2(length + 1) * 4**self.times * squares


def sums_by_lagged_products(
    samples: PhasePoints, factors: IntArray, order: int, *, averaged: bool
) -> FloatArray:
    """Return the sums of squares of the overlapping terms, NaN where they would not be exact enough.

    Parameters are those of :func:`evenbeat.deviations.sums.gap_free.sums_without_gaps`.
    """
    phase = np.empty(samples.points)
    samples.fill_points(phase, 0)
    values = less_line(phase, np.arange(len(phase), dtype=float), np.empty(len(phase)))
    times = order + averaged
    if averaged:
        sums = exact_sums(values, [np.empty(len(values) + 1) for _ in range(5)])
        values = sums.coarse + sums.rest
    totals = np.full(len(factors), np.nan)
    products = _Transformed(values, times, factors)
    for end in range(len(factors), 0, -TRIED_TOGETHER):
        some = slice(max(0, end - TRIED_TOGETHER), end)
        totals[some] = products.sums(factors[some])
        if np.isnan(totals[some]).all():
            break
    return totals / factors.astype(float) ** 2 if averaged else totals


class _Transformed:
    """Sums of squared differences of some values, all lagged products by one transform.

    Parameters
    ----------
    values
        Shape (n,).
    times
        How many times differences are taken.
    factors
        Averaging factors that will be asked for.
    """

    def __init__(self, values: FloatArray, times: int, factors: IntArray) -> None:
        self._pattern, self._scale = Pattern.of(times), largest_of(values) or 1.0
        place = np.linspace(-1.0, 1.0, len(values))
        trend = Legendre.fit(place, values / self._scale, times - 1, domain=[-1, 1])
        self._values = values / self._scale - trend(place)
        length = fft.next_fast_len(2 * len(values), real=True)
        spectrum = fft.rfft(self._values, length)
        self._lagged = fft.irfft(spectrum.real**2 + spectrum.imag**2, length)[: len(values)]
        buffers = (np.empty(len(values)), np.empty(len(values)))
        self._squares = np.concatenate([[0.0], running_sums(self._values**2, 0.0, buffers)[0]])
        self._rounding = self._pattern.rounding(length, float(self._squares[-1]))
        many = len(factors) * DOTS_START + float(factors.sum()) > ENDS_TOGETHER * int(factors.max())
        self._ends = self._pattern.at_all_ends(self._values, int(factors.max())) if many else None

    def sums(self, factors: IntArray) -> FloatArray:
        """Return the sums at some factors, NaN where rounding could exceed ``TOLERANCE``."""
        pattern, times = self._pattern, self._pattern.times
        terms = len(self._values) - times * factors
        total = np.zeros(len(factors))
        for k, weight in enumerate(pattern.squares):
            total += weight * (self._squares[k * factors + terms] - self._squares[k * factors])
        for apart, weight in enumerate(pattern.apart, 1):
            total += 2 * weight * self._lagged[apart * factors]
        if self._ends is None:
            total -= 2 * np.array([pattern.at_ends(self._values, factor) for factor in factors.tolist()])
        else:
            total -= 2 * self._ends[factors]
        # the values themselves are rounded to four units of the largest
        inherited = 2 * 2**times * 4 * _UNIT * np.sqrt(terms * np.maximum(total, 0.0))
        firm = self._rounding + inherited < TOLERANCE * total
        return np.where(firm, total, np.nan) * self._scale**2


class BlockProducts:
    """Sums of squared differences of the values of one block after the other, one pass for each product.

    A factor at which a sum was not exact enough is not tried again, until told to.

    Parameters
    ----------
    lags
        Averaging factors.
    times
        How many times differences are taken.
    tolerance
        Largest relative rounding error of a sum that is let pass.
    beyond
        Factors up to this one are not tried at all.
    """

    def __init__(self, lags: Sequence[int], times: int, tolerance: float, *, beyond: int = 0) -> None:
        self._lags, self._pattern, self._tolerance = lags, Pattern.of(times), tolerance
        self._never = [lag for lag in lags if lag <= beyond]
        self._hopeless = set(self._never)
        self._places: tuple[tuple[int, int], IntArray, IntArray] | None = None

    def try_all_again(self) -> None:
        """Forget at which factors sums were not exact enough."""
        self._hopeless = set(self._never)

    def sums(
        self, values: FloatArray, count: int, free: FloatArray, otherwise: Callable[[int, int], float]
    ) -> Iterator[float]:
        """Yield the sums over at most ``count`` terms for each factor.

        Parameters
        ----------
        values
            Shape (n,).
        count
            Number of terms, fewer where the values end.
        free
            Shape (n,): a buffer, used only before the first sum is returned.
        otherwise
            Gives the sum at a factor over so many terms, zero for none, that would not be exact enough.
        """
        times = self._pattern.times
        terms = [min(count, len(values) - times * lag) for lag in self._lags]
        if terms[0] < FEWEST_TERMS:
            yield from map(otherwise, self._lags, terms)
            return
        rows = self._sums_of_squares(values, count, free)
        for lag, number, squares in zip(self._lags, terms, rows, strict=True):
            found = math.nan
            if number > 0 and lag not in self._hopeless:
                way = self._around if SHORT * lag < number else self._within
                found = way(values[: number + times * lag], lag, squares)
                if math.isnan(found):
                    self._hopeless.add(lag)
            if math.isnan(found):
                found = otherwise(lag, number)
            yield found

    def _around(self, values: FloatArray, lag: int, squares: list[float]) -> float:
        """Return the sum from the products of all values so far apart, less those near the ends."""
        found = 0.0
        for apart, weight in enumerate(self._pattern.apart, 1):
            found += weight * float(values[: -apart * lag].dot(values[apart * lag :]))
        return self._firm(found - self._pattern.at_ends(values, lag), squares, len(values))

    def _within(self, values: FloatArray, lag: int, squares: list[float]) -> float:
        """Return the sum from the products of any two points of all terms."""
        terms = len(values) - self._pattern.times * lag
        points = [values[k * lag : k * lag + terms] for k in range(self._pattern.times + 1)]
        found = 0.0
        for first, second, weight in self._pattern.pairs:
            found += weight * float(points[first].dot(points[second]))
        return self._firm(found, squares, len(values))

    def _firm(self, products: float, squares: list[float], length: int) -> float:
        """Return the sum of squares and twice the products, NaN where it is not exact enough."""
        pattern = self._pattern
        total = 2 * products + sum(
            weight * some for weight, some in zip(pattern.squares, squares, strict=False)
        )
        firm = pattern.rounding(length, squares[-1]) < self._tolerance * total
        return total if firm else math.nan

    def _sums_of_squares(self, values: FloatArray, count: int, free: FloatArray) -> list[list[float]]:
        """Return for each lag the sums of squares of the first, second … points of all terms, and of all."""
        places, where = self._borders(len(values), count)
        squares = np.multiply(values, values, out=free[: len(values)])
        parts = np.add.reduceat(squares[: places[-1]], places[:-1])
        upto = np.concatenate([[0.0], np.cumsum(parts)])[where]
        times = self._pattern.times
        found = upto[:, times + 1 :] - upto[:, : times + 1]
        return np.column_stack([found, upto[:, -1]]).tolist()

    def _borders(self, length: int, count: int) -> tuple[IntArray, IntArray]:
        """Return where the points of all terms begin and end, in order, and which of these for each lag."""
        if self._places is None or self._places[0] != (length, count):
            times, lags = self._pattern.times, np.array(self._lags, dtype=np.int64)
            terms = np.maximum(np.minimum(count, length - times * lags), 0)
            begins = np.minimum(np.multiply.outer(lags, np.arange(times + 1)), length)
            ends = np.minimum(begins + terms[:, np.newaxis], length)
            borders = np.column_stack([begins, ends])
            places, where = np.unique(borders, return_inverse=True)
            self._places = ((length, count), places, where.reshape(borders.shape))
        return self._places[1], self._places[2]


class RecordProducts:
    """Sums of squared differences over long factors from products of a record in memory, as it stands.

    Two places are read from memory for each factor where taking the differences reads three and writes two.
    Nothing is removed from the phase, so that this serves where no offset and no slope hide its noise.

    Parameters
    ----------
    samples
        Phase without gaps.
    lags
        Averaging factors; those of them that promise to be exact enough are kept in ``lags``.
    times
        How many times differences are taken.
    tolerance
        Largest relative rounding error of a sum that is let pass.
    """

    def __init__(self, samples: PhasePoints, lags: Sequence[int], times: int, tolerance: float) -> None:
        self._phase, self._pattern, self._tolerance = samples.phase_s, Pattern.of(times), tolerance
        readable = self._phase.dtype == np.float64 and self._phase.flags.c_contiguous
        readable = readable and samples.mapping is None and samples.points >= FEWEST_IN_RECORD
        self._squares = self._sums_of_squares() if readable and lags else np.zeros(1)
        self.lags = [lag for lag in lags if self._promises(lag)] if readable else []

    def _sums_of_squares(self) -> FloatArray:
        """Return the sums of squares before every ``PART`` and before the end."""
        parts = [self._phase[begin : begin + PART] for begin in range(0, len(self._phase), PART)]
        return np.cumsum([0.0, *(float(part.dot(part)) for part in parts)])

    def _promises(self, lag: int) -> bool:
        """Return whether some of the terms are large enough for all to be expected to be."""
        times, points = self._pattern.times, len(self._phase)
        terms = points - times * lag
        step = max(1, terms // LOOKED_AT)
        found = np.zeros(len(range(0, terms, step)))
        for k in range(times + 1):
            found += (-1) ** k * math.comb(times, k) * self._phase[k * lag : k * lag + terms : step]
        total = float(found.dot(found)) / len(found) * terms
        return 2 * self._pattern.rounding(points, float(self._squares[-1])) < self._tolerance * total

    def in_span(self, span: tuple[int, int], block: int) -> FloatArray:
        """Return for each lag the products of points so far apart, twice as far … that begin in a span."""
        phase, found = self._phase, np.zeros((len(self.lags), self._pattern.times))
        for begin in range(*span, block):
            first = phase[begin : min(begin + block, span[1])]
            for number, lag in enumerate(self.lags):
                for apart in range(found.shape[1]):
                    later = phase[begin + (apart + 1) * lag :][: len(first)]
                    if len(later):
                        found[number, apart] += float(first[: len(later)].dot(later))
        return found

    def sums(self, products: FloatArray) -> FloatArray:
        """Return the sums of squares from the products of all spans, NaN where they are not exact enough."""
        return np.array([self._sum(lag, row) for lag, row in zip(self.lags, products, strict=True)])

    def _sum(self, lag: int, products: FloatArray) -> float:
        pattern, points = self._pattern, len(self._phase)
        terms = points - pattern.times * lag
        total = -2 * pattern.at_ends(self._phase, lag) + 2 * float(np.dot(pattern.apart, products))
        for k, weight in enumerate(pattern.squares):
            total += weight * (self._squares_before(k * lag + terms) - self._squares_before(k * lag))
        firm = pattern.rounding(points, float(self._squares[-1])) < self._tolerance * total
        return total if firm else math.nan

    def _squares_before(self, place: int) -> float:
        begin = place // PART * PART
        some = self._phase[begin:place]
        return float(self._squares[place // PART]) + float(some.dot(some))
