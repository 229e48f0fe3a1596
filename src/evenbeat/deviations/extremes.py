"""The largest peak-to-peak value in any window of a record without gaps, in little memory.

Short windows: piece by piece, the extremes over twice as many samples from those over so many, and a window
from two that overlap. Long windows: those that begin in the same group of samples share all groups between
the first and the last one they touch. The extremes of all groups touched bound their peak-to-peak values;
only where this bound exceeds the largest value found so far is the group looked at sample by sample.
"""

from __future__ import annotations

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.intake import blocks
from evenbeat.quantities import FloatArray

GROUP = 1 << 9
PIECE = 1 << 16
FEWEST_GROUPS = 4
"""Groups touched by a window that is called long."""


def largest_movements(phase: FloatArray, factors: IntArray) -> list[float]:
    """Return the largest peak-to-peak value within windows of ``factor + 1`` samples, for rising factors.

    Parameters
    ----------
    phase
        Shape (points,): no NaN; any float type.
    factors
        Shape (n,): from 1 to points - 1.
    """
    near = int(np.searchsorted(factors, FEWEST_GROUPS * GROUP))
    found = _in_short_windows(phase, factors[:near])
    if near < len(factors):
        groups = _Groups(phase)
        found += [groups.largest_movement(int(factor)) for factor in factors[near:]]
    return found


def _in_short_windows(phase: FloatArray, factors: IntArray) -> list[float]:
    largest = np.zeros(len(factors))
    if len(factors) == 0:
        return []
    reach = int(factors[-1])
    for begin in range(0, len(phase) - int(factors[0]), PIECE):
        piece = np.asarray(phase[begin : begin + PIECE + reach], dtype=float)
        np.maximum(largest, _movements(piece, factors), out=largest)
    return [float(value) for value in largest]


def _movements(piece: FloatArray, factors: IntArray) -> FloatArray:
    """Return the largest peak-to-peak values in the windows within one piece, zero where it is shorter."""
    highest, lowest, length = piece, piece, 1
    found = np.zeros(len(factors))
    for number, factor in enumerate(factors.tolist()):
        count = len(piece) - factor
        if count < 1:
            break
        while 2 * length <= factor + 1:
            highest = np.maximum(highest[:-length], highest[length:])
            lowest = np.minimum(lowest[:-length], lowest[length:])
            length *= 2
        shift = factor + 1 - length
        movement = np.maximum(highest[:count], highest[shift : shift + count])
        movement -= np.minimum(lowest[:count], lowest[shift : shift + count])
        found[number] = movement.max()
    return found


class _Groups:
    """Extremes of groups of ``GROUP`` neighbouring samples; the last group may be shorter."""

    def __init__(self, phase: FloatArray) -> None:
        self._phase = phase
        self._high, self._low = _reduced(np.maximum, phase), _reduced(np.minimum, phase)

    def largest_movement(self, factor: int) -> float:
        """Return the largest peak-to-peak value within ``factor + 1`` samples, at least four groups."""
        starts = np.arange(0, len(self._phase) - factor, GROUP)
        last = np.minimum(starts + GROUP - 1, len(self._phase) - factor - 1) + factor
        touched = int(np.max(last // GROUP - starts // GROUP)) + 1
        bound = self._over(np.maximum, self._high, touched) - self._over(np.minimum, self._low, touched)
        bound = bound[: len(starts)]
        largest = 0.0
        for group in np.argsort(-bound, kind="stable").tolist():
            if bound[group] <= largest:
                break
            largest = max(largest, self._in_group(group, factor))
        return largest

    @staticmethod
    def _over(larger: np.ufunc, extremes: FloatArray, count: int) -> FloatArray:
        """Return the extremes over ``count`` groups from each on, fewer at the end."""
        found, length = extremes, 1
        while 2 * length <= count:
            found = _widened(larger, found, length)
            length *= 2
        return _widened(larger, found, count - length)

    def _in_group(self, group: int, factor: int) -> float:
        """Return the largest peak-to-peak value of the windows that begin in a group."""
        begin = group * GROUP
        count = min(GROUP, len(self._phase) - factor - begin)
        edge = (begin + factor) // GROUP
        between = slice(group + 1, edge)
        early = np.asarray(self._phase[begin : begin + GROUP], dtype=float)
        rest = np.asarray(self._phase[edge * GROUP : begin + factor + 1], dtype=float)
        ends = np.asarray(self._phase[begin + factor : begin + factor + count], dtype=float)
        high = np.maximum(_from_end(np.maximum, early)[:count], np.maximum.accumulate(ends))
        low = np.minimum(_from_end(np.minimum, early)[:count], np.minimum.accumulate(ends))
        np.maximum(high, max(self._high[between].max(), rest.max()), out=high)
        np.minimum(low, min(self._low[between].min(), rest.min()), out=low)
        return float((high - low).max())


def _reduced(larger: np.ufunc, phase: FloatArray) -> FloatArray:
    """Return the extremes of groups."""
    parts = [larger.reduceat(block, np.arange(0, len(block), GROUP)) for block in blocks(phase)]
    return np.concatenate(parts).astype(float)


def _widened(larger: np.ufunc, extremes: FloatArray, shift: int) -> FloatArray:
    """Return the extremes of two at a time, ``shift`` apart; at the end there is only one."""
    found = extremes.copy()
    if shift:
        larger(extremes[:-shift], extremes[shift:], out=found[:-shift])
    return found


def _from_end(larger: np.ufunc, values: FloatArray) -> FloatArray:
    return np.asarray(larger.accumulate(values[::-1])[::-1])
