"""Sums of squares at many averaging factors shorter than a block, from one reading of the record.

Every block is read once and serves all factors, less a line where the slope makes up most of its phase. For
the modified statistics one pair of running sums, exact in effect, serves every factor: its difference over
the factor is a moving sum of phase, and the differences of that the moving sums of differences.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenbeat.quantities import FloatArray
from evenbeat.stability.exact_sums import ExactSums, exact_sums, largest_of, remove_line
from evenbeat.stability.kernels import BLOCK, sum_of_products
from evenbeat.stability.samples import PhasePoints

ROUNDING_SHARE = 2.0**-42
"""Bound on the rounding of moving sums, relative to their root mean square, that is let pass."""

SMALLER = 1 / 16
"""What a line must leave of the phase to be removed before plain differences are taken: small numbers beside
larger ones of a parabola would be rounded by it."""


class SharedBlocks:
    """Sums over the blocks of a record, with buffers for one thread.

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
        self._length = min(samples.points, block + (order + averaged) * lags[-1])
        self._rows = [np.empty(self._length + 1) for _ in range(6 if self.averaged else 3)]
        self._ramp = np.arange(self._length, dtype=float)

    def sums(self, begin: int, end: int) -> FloatArray:
        """Return for each lag the sum of squares of the terms whose first point is in ``begin`` … ``end``."""
        totals = np.zeros(len(self.lags))
        for first in range(begin, end, self.block):
            totals += self._block_sums(first, min(self.block, end - first))
        return totals

    def _block_sums(self, begin: int, count: int) -> FloatArray:
        phase = self._rows[0][: min(self._length, self.samples.points - begin)]
        self.samples.fill_points(phase, begin)
        before = largest_of(phase)
        remove_line(phase, self._ramp, self._rows[1][: len(phase)])
        if not self.averaged and largest_of(phase) > SMALLER * before:
            self.samples.fill_points(phase, begin)
        sums = exact_sums(phase, self._rows[1:]) if self.averaged else None
        return np.array(
            [
                self._squares(phase, lag, count)
                if lag == 1 or sums is None
                else self._squares_of_means(sums, lag, count)
                for lag in self.lags
            ]
        )

    def _squares(self, phase: FloatArray, lag: int, count: int) -> float:
        terms = min(count, len(phase) - self.order * lag)
        if terms < 1:
            return 0.0
        found = _differenced(phase[: terms + self.order * lag], lag, self.order, self._rows[-2:])
        return sum_of_products(found, found)

    def _squares_of_means(self, sums: ExactSums, lag: int, count: int) -> float:
        reach = (self.order + 1) * lag
        terms = min(count, len(sums.coarse) - reach)
        if terms < 1:
            return 0.0
        coarse, rest = sums.coarse[: terms + reach], sums.rest[: terms + reach]
        one, two, three = self._rows[-3:]
        means = _differenced(coarse, lag, 1, [one, two])
        means += _differenced(rest, lag, 1, [two, one])
        means = _differenced(means, lag, self.order, [two, three])
        total = sum_of_products(means, means)
        bound = self.order * 2 ** (self.order - 1) * np.finfo(float).eps * lag * sums.largest
        if terms * bound**2 > ROUNDING_SHARE**2 * total:
            total = self._exact_squares(coarse, rest, lag)
        return total / lag**2

    def _exact_squares(self, coarse: FloatArray, rest: FloatArray, lag: int) -> float:
        """Return the same from differences of both parts, those of the coarse one being exact."""
        one, two, three = self._rows[-3:]
        found = _differenced(coarse, lag, self.order + 1, [one, two])
        free = two if found.base is one else one
        found += _differenced(rest, lag, self.order + 1, [free, three])
        return sum_of_products(found, found)


def _differenced(values: FloatArray, lag: int, times: int, rows: Sequence[FloatArray]) -> FloatArray:
    """Return differences over ``lag`` taken so many times, in one of two rows, neither that of the values."""
    now, spare = values, list(rows)
    for _ in range(times):
        length = len(now) - lag
        now = np.subtract(now[lag:], now[:length], out=spare[0][:length])
        spare.reverse()
    return now
