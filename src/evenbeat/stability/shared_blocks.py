"""Sums of squares at many averaging factors shorter than a block, from one reading of the record.

Every block is read once and serves all factors. Plain differences are taken of its phase as it stands. For
the modified statistics a straight line is removed first, exactly: its level and slope are whole multiples of
the spacing of numbers near the largest phase, so that the line is never rounded, and what is left is
rounded, if at all, relative to itself. The rest is split into whole multiples of a quantum, coarse enough
for all their running sums to be exact, and a remainder some 2⁻³⁵ times as large. One pair of running sums
then serves every factor: its difference over the factor is a moving sum of phase, and the differences of
that the moving sums of differences.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenbeat.quantities import FloatArray
from evenbeat.stability.kernels import BLOCK, running_sums, sum_of_products
from evenbeat.stability.samples import PhasePoints

ROUNDING_SHARE = 2.0**-42
"""Bound on the rounding of moving sums, relative to their root mean square, that is let pass."""


@dataclass(frozen=True, eq=False, kw_only=True)
class _RunningSums:
    """Running sums from zero of phase less a line: exact ones of its coarse part, those of the rest.

    ``largest`` is the largest absolute value of what was summed.
    """

    coarse: FloatArray
    rest: FloatArray
    largest: float


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
        self._ramp = np.arange(self._length, dtype=float) if self.averaged else np.empty(0)

    def sums(self, begin: int, end: int) -> FloatArray:
        """Return for each lag the sum of squares of the terms whose first point is in ``begin`` … ``end``."""
        totals = np.zeros(len(self.lags))
        for first in range(begin, end, self.block):
            totals += self._block_sums(first, min(self.block, end - first))
        return totals

    def _block_sums(self, begin: int, count: int) -> FloatArray:
        phase = self._rows[0][: min(self._length, self.samples.points - begin)]
        self.samples.fill_points(phase, begin)
        sums = self._running_sums(phase) if self.averaged else None
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

    def _squares_of_means(self, sums: _RunningSums, lag: int, count: int) -> float:
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

    def _running_sums(self, phase: FloatArray) -> _RunningSums:
        _, coarse, rest, work, spare, _ = self._rows
        count = len(phase)
        self._remove_line(phase, work[:count])
        largest = float(max(phase.max(), -phase.min()))
        # all sums of multiples of 2**power stay below 2**(power + 53)
        power = math.frexp(largest)[1] + count.bit_length() - 52
        shift = 1.5 * 2.0 ** (power + 52)
        np.add(phase, shift, out=work[:count])
        np.subtract(work[:count], shift, out=work[:count])
        np.subtract(phase, work[:count], out=self._rows[5][:count])
        coarse[0] = rest[0] = 0.0
        running_sums(work[:count], 0.0, (coarse[1:], spare))
        running_sums(self._rows[5][:count], 0.0, (rest[1:], spare))
        return _RunningSums(coarse=coarse[: count + 1], rest=rest[: count + 1], largest=largest)

    def _remove_line(self, phase: FloatArray, line: FloatArray) -> None:
        """Subtract a line through the first and the last point, without rounding it."""
        step = 4 * np.spacing(max(phase.max(), -phase.min()))
        slope = round((phase[-1] - phase[0]) / (step * max(len(phase) - 1, 1))) * step
        np.multiply(self._ramp[: len(phase)], slope, out=line)
        line += round(phase[0] / step) * step
        phase -= line


def _differenced(values: FloatArray, lag: int, times: int, rows: Sequence[FloatArray]) -> FloatArray:
    """Return differences over ``lag`` taken so many times, in one of two rows, neither that of the values."""
    now, spare = values, list(rows)
    for _ in range(times):
        length = len(now) - lag
        now = np.subtract(now[lag:], now[:length], out=spare[0][:length])
        spare.reverse()
    return now
