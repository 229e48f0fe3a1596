"""The largest peak-to-peak value in any window, in little memory.

Short windows: piece by piece, the extremes over twice as many points from those over so many, and a window
from two that overlap. Long windows: those that begin in the same group of points share all groups between
the first and the last one they touch. The extremes of all groups touched bound their peak-to-peak values;
only where this bound exceeds the largest value found so far is the group looked at point by point. A
missing point counts as infinite, so that windows which hold one are told and left out.
"""

from __future__ import annotations

import math

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.sums import kernels
from evenbeat.intake import blocks, let_go, mapping_of
from evenbeat.quantities import FloatArray

GROUP = 1 << 9
PIECE = 1 << 16
FEWEST_GROUPS = 32
"""Groups touched by a window that is called long: shorter ones take less time point by point."""


def largest_movements(phase: FloatArray, factors: IntArray) -> FloatArray:
    """Return the largest peak-to-peak value within windows of ``factor + 1`` points, for rising factors.

    Parameters
    ----------
    phase
        Shape (points,), NaN where missing; any number type.
    factors
        Shape (n,): from 1 on.

    Returns
    -------
    array
        Shape (n,); NaN where every window has a missing point, or none is so short.
    """
    factors = np.asarray(factors, dtype=np.int64)
    whole = np.full(len(factors), np.nan)
    factors = factors[factors < len(phase)]
    found = np.full(len(factors), -math.inf)
    near = int(np.searchsorted(factors, FEWEST_GROUPS * GROUP))
    if near:
        short, reach = factors[:near], int(factors[near - 1])
        space = np.empty((2, PIECE + reach))
        for begin in range(0, len(phase) - int(factors[0]), PIECE):
            piece = np.ascontiguousarray(phase[begin : begin + PIECE + reach], dtype=float)
            kernels.loops.movements(
                piece, short, space[0, : len(piece)], space[1, : len(piece)], found[:near]
            )
            let_go(mapping_of(phase))
    if near < len(factors):
        high, low = _of_groups(np.maximum, phase, math.inf), _of_groups(np.minimum, phase, -math.inf)
        for number, factor in enumerate(factors[near:].tolist(), near):
            found[number] = _in_groups(phase, factor, high, low)
            let_go(mapping_of(phase))
    whole[: len(found)] = np.where(np.isinf(found), np.nan, found)
    return whole


def complete_windows(phase: FloatArray, factors: IntArray) -> IntArray:
    """Return how many windows of ``factor + 1`` points hold no missing one, shape (n,)."""
    missing = np.concatenate([np.isnan(block) for block in blocks(phase)])
    borders = np.flatnonzero(np.diff(missing, prepend=False, append=False))
    begins, ends = borders[::2], borders[1::2]
    found = np.maximum(len(phase) - factors, 0)
    for number, factor in enumerate(factors.tolist()):
        # a run of missing points spoils the windows that begin at most a factor before it, or in it
        last = np.minimum(ends - 1, len(phase) - 1 - factor)
        first = np.maximum(begins - factor, np.concatenate([[0], last[:-1] + 1]))
        found[number] = max(0, int(found[number]) - int(np.maximum(last - first + 1, 0).sum()))
    return found


def _in_groups(phase: FloatArray, factor: int, high: FloatArray, low: FloatArray) -> float:
    """Return the largest peak-to-peak value within ``factor + 1`` points, at least four groups."""
    starts = np.arange(0, len(phase) - factor, GROUP)
    last = np.minimum(starts + GROUP - 1, len(phase) - factor - 1) + factor
    touched = int(np.max(last // GROUP - starts // GROUP)) + 1
    bounds = (_over(np.maximum, high, touched) - _over(np.minimum, low, touched))[: len(starts)]
    order = np.argsort(-bounds, kind="stable")
    bounds = bounds[order]
    between = factor // GROUP - 1  # whole groups inside every window that begins in a group
    high, low = _over(np.maximum, high, between), _over(np.minimum, low, between)
    space = np.empty(2 * GROUP)
    search = kernels.loops.movement_in_groups
    if phase.dtype == np.float64 and phase.flags.c_contiguous and phase.dtype.isnative:
        return search(phase, factor, GROUP, order, bounds, high, low, space, -math.inf)
    found, only = -math.inf, np.zeros(1, dtype=np.int64)
    for group, bound in zip(order.tolist(), bounds, strict=True):
        if bound <= found:
            break
        begin, end = group * GROUP, (group + factor // GROUP) * GROUP
        tail = phase[end : min(begin + factor + GROUP, len(phase))]
        both = np.concatenate([phase[begin : begin + GROUP], tail], dtype=float)
        found = search(
            both,
            GROUP + factor % GROUP,
            GROUP,
            only,
            np.array([bound]),
            high[group : group + 2],
            low[group : group + 2],
            space,
            found,
        )
    return found


def _over(larger: np.ufunc, extremes: FloatArray, count: int) -> FloatArray:
    """Return the extremes over ``count`` groups from each on, fewer at the end."""
    found, length = extremes, 1
    while 2 * length <= count:
        found = _widened(larger, found, length)
        length *= 2
    return _widened(larger, found, count - length)


def _of_groups(larger: np.ufunc, phase: FloatArray, missing: float) -> FloatArray:
    """Return the extremes of groups, the last of which may be shorter."""
    parts = [larger.reduceat(block, np.arange(0, len(block), GROUP)) for block in blocks(phase)]
    found = np.concatenate(parts, dtype=float)
    return np.where(np.isnan(found), missing, found)


def _widened(larger: np.ufunc, extremes: FloatArray, shift: int) -> FloatArray:
    """Return the extremes of two at a time, ``shift`` apart; at the end there is only one."""
    found = extremes.copy()
    if shift:
        larger(extremes[:-shift], extremes[shift:], out=found[:-shift])
    return found
