"""Sums of squares at many averaging factors shorter than a block, from one reading of the record.

Every block is read once and serves all factors. Less a line, its products with itself give the sums, and
where these would not be exact enough its differences do. For the modified statistics one pair of running
sums, exact in effect, serves every factor: its difference over the factor is a moving sum of phase, and the
differences of that the moving sums of differences.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from evenbeat.deviations.sums.exact_sums import ExactSums, exact_sums, largest_of, less_line
from evenbeat.deviations.sums.kernels import BLOCK
from evenbeat.deviations.sums.lagged_products import TOLERANCE, BlockProducts
from evenbeat.deviations.sums.moving_sums import MovingSums, steps_to
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.quantities import FloatArray

ROUNDING_SHARE = 2.0**-42
"""Bound on the rounding of moving sums, relative to their root mean square, that is let pass."""

SMALLER = 1 / 16
"""What a line must leave of the phase to be removed before plain differences are taken: small numbers beside
larger ones of a parabola would be rounded by it."""
SHORT = 128
"""Averaging factors of which so many and more fit into a block have moving sums made of each other."""
MOST_INDEPENDENT = 25
"""Blocks whose rounding errors are taken to be independent of each other."""
_UNIT = 2.0**-53


def best_differenced(phase: FloatArray, flat: FloatArray) -> FloatArray:
    """Return the phase, or the phase less a line where that leaves little of it, to take differences of."""
    return flat if largest_of(flat) <= SMALLER * largest_of(phase) else phase


class SharedBlocks:
    """Sums over the blocks of a record, with buffers for one thread.

    To be used where linear algebra starts no threads of its own.

    Parameters
    ----------
    samples
        Phase without gaps.
    lags
        Averaging factors, in rising order.
    order
        Order of the differences.
    averaged
        Whether a term is the mean of ``lag`` consecutive differences.
    block
        Number of terms worked on at once.
    """

    def __init__(
        self, samples: PhasePoints, lags: Sequence[int], order: int, *, averaged: bool, block: int = BLOCK
    ) -> None:
        self.samples, self.lags, self.order, self.block = samples, lags, order, block
        self.averaged = averaged and lags[-1] > 1
        self._times = order + self.averaged
        self._rounded: set[int] = set()
        self._length = min(samples.points, block + self._times * lags[-1])
        self._rows = [np.empty(self._length + 1) for _ in range(7 if self.averaged else 4)]
        self._ramp = np.arange(self._length, dtype=float)
        steps = steps_to([lag for lag in lags if lag <= block // SHORT]) if self.averaged else {}
        self._steps, self._reach = steps, self._times * max(steps, default=0)
        self._moving_sums = MovingSums(steps, min(self._length, block + self._reach))
        blocks = min(max(1, samples.points // block), MOST_INDEPENDENT)
        tolerance = TOLERANCE * math.sqrt(blocks)
        self._products = BlockProducts(lags, self._times, tolerance, beyond=max(steps, default=0))

    def sums(self, begin: int, end: int) -> FloatArray:
        """Return for each lag the sum of squares of the terms whose first point is in ``begin`` … ``end``."""
        self._products.try_all_again()
        self._rounded.clear()
        totals = np.zeros(len(self.lags))
        for first in range(begin, end, self.block):
            totals += self._block_sums(first, min(self.block, end - first))
        return totals

    def _block_sums(self, begin: int, count: int) -> FloatArray:
        phase = self._rows[0][: min(self._length, self.samples.points - begin)]
        self.samples.fill_points(phase, begin)
        flat = less_line(phase, self._ramp[: len(phase)], self._rows[1][: len(phase)])
        found = self._moving(flat, count) if self.averaged else self._plain(phase, flat, count)
        return np.array(found)

    def _plain(self, phase: FloatArray, flat: FloatArray, count: int) -> list[float]:
        chosen: FloatArray | None = None

        def by_differences(lag: int, terms: int) -> float:
            nonlocal chosen
            if terms < 1:
                return 0.0
            if chosen is None:
                chosen = best_differenced(phase, flat)
            return self._squares(chosen, lag, terms)

        return list(self._products.sums(flat, count, self._rows[2], by_differences))

    def _squares(self, phase: FloatArray, lag: int, terms: int) -> float:
        found = _differenced(phase[: terms + self.order * lag], lag, self.order, self._rows[-2:])
        return float(found.dot(found))

    def _moving(self, flat: FloatArray, count: int) -> list[float]:
        sums = exact_sums(flat, self._rows[2:])
        together = np.add(sums.coarse, sums.rest, out=self._rows[0][: len(sums.coarse)])
        largest = largest_of(together)

        def by_differences(lag: int, terms: int) -> float:
            if terms < 1:
                return 0.0
            if lag == 1:
                return self._squares(flat, lag, terms)
            if lag in self._steps and lag not in self._rounded:
                total = self._squares_by_steps(lag, terms, sums.largest)
                if not math.isnan(total):
                    return total
                self._rounded.add(lag)
            elif lag not in self._rounded:
                bound = 2 ** (self.order + 1) * _UNIT * largest
                found = _differenced(together[: terms + self._times * lag], lag, self._times, self._rows[-2:])
                total = float(found.dot(found))
                if terms * bound**2 <= ROUNDING_SHARE**2 * total:
                    return total
                self._rounded.add(lag)
            return self._squares_of_sums(sums, lag, terms)

        self._moving_sums.begin(flat[: count + self._reach])
        found = list(self._products.sums(together, count, self._rows[4], by_differences))
        return [total / lag**2 for total, lag in zip(found, self.lags, strict=True)]

    def _squares_by_steps(self, lag: int, terms: int, largest: float) -> float:
        """Return the same from moving sums made of each other, NaN where these are rounded too much."""
        sums = self._moving_sums.over(lag)[: terms + self.order * lag]
        means = _differenced(sums, lag, self.order, self._rows[-2:])
        total = float(means.dot(means))
        bound = 2**self.order * (self._steps[lag].rounding + self.order) * _UNIT * lag * largest
        return total if terms * bound**2 <= ROUNDING_SHARE**2 * total else math.nan

    def _squares_of_sums(self, sums: ExactSums, lag: int, terms: int) -> float:
        """Return the same from the moving sums of both parts, exact where one of them would be rounded."""
        reach = self._times * lag
        coarse, rest = sums.coarse[: terms + reach], sums.rest[: terms + reach]
        one, two, three = self._rows[-3:]
        means = _differenced(coarse, lag, 1, [one, two])
        means += _differenced(rest, lag, 1, [two, one])
        means = _differenced(means, lag, self.order, [two, three])
        total = float(means.dot(means))
        bound = self.order * 2 ** (self.order - 1) * 2 * _UNIT * lag * sums.largest
        if terms * bound**2 > ROUNDING_SHARE**2 * total:
            total = self._exact_squares(coarse, rest, lag)
        return total

    def _exact_squares(self, coarse: FloatArray, rest: FloatArray, lag: int) -> float:
        """Return the same from differences of both parts, those of the coarse one being exact."""
        one, two, three = self._rows[-3:]
        found = _differenced(coarse, lag, self._times, [one, two])
        free = two if found.base is one else one
        found += _differenced(rest, lag, self._times, [free, three])
        return float(found.dot(found))


def _differenced(values: FloatArray, lag: int, times: int, rows: Sequence[FloatArray]) -> FloatArray:
    """Return differences over ``lag`` taken so many times, in one of two rows, neither that of the values."""
    now, spare = values, list(rows)
    for _ in range(times):
        length = len(now) - lag
        now = np.subtract(now[lag:], now[:length], out=spare[0][:length])
        spare.reverse()
    return now
