"""The functions of ``_compiled.c`` in numpy, for a machine without a compiler: same arguments, same sums.

What each does stands there beside it; a test holds the two together to 1e-12.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.quantities import FloatArray

TERMS = 1 << 15
GROUPS_AT_ONCE = 64


def squares(
    x: FloatArray,
    rest: FloatArray | None,
    known: IntArray | None,
    lags: IntArray,
    needs: IntArray,
    order: int,
    shift: int,
    begin: int,
    end: int,
    totals: FloatArray,
    terms: IntArray,
    /,
) -> None:
    """Add to totals and terms the squares of the differences that begin in begin … end, for each lag."""
    for first in range(begin, end, TERMS):
        for k, (lag, need) in enumerate(zip(lags.tolist(), needs.tolist(), strict=True)):
            count = min(TERMS, end - first, len(x) - order * lag - first)
            if count <= 0:
                continue
            found = _differences(x, first, count, lag, order)
            if rest is not None:
                found = found + _differences(rest, first, count, lag, order)
            if known is not None:
                there = known[first : first + count]
                if order:
                    reach = order * lag - shift
                    there = known[first + reach : first + reach + count] - there
                found = found[there == need]
            total = float(found.dot(found))
            if math.isnan(total):
                found = found[~np.isnan(found)]
                total = float(found.dot(found))
            totals[k] += total
            terms[k] += len(found)


def _differences(x: FloatArray, first: int, count: int, lag: int, order: int) -> FloatArray:
    """Return ``count`` differences from the first on, neighbours subtracted first."""
    if lag <= count:
        row = x[first : first + count + order * lag]
        for _ in range(order):
            row = row[lag:] - row[:-lag]
        return row
    rows = [x[first + k * lag : first + k * lag + count] for k in range(order + 1)]
    while len(rows) > 1:
        rows = [later - earlier for earlier, later in pairwise(rows)]
    return rows[0]


def running_sums(
    x: FloatArray,
    level: float,
    slope: float,
    coarse: FloatArray,
    rest: FloatArray,
    known: IntArray | None,
    /,
) -> None:
    """Write the running sums of x less a line, NaN counting as zero, in two parts."""
    row = x - (level + slope * np.arange(len(x)))
    if known is not None:
        there = ~np.isnan(row)
        known[0] = 0
        np.cumsum(there, out=known[1:])
        row[~there] = 0.0
    exponent, length = math.frexp(max(row.max(), -row.min()))[1], math.frexp(len(x))[1]
    shift = math.ldexp(1.5, exponent + length + 2)  # all sums stay below 2**50 of its last digit
    whole = row + shift
    whole -= shift
    row -= whole
    coarse[0] = rest[0] = 0.0
    np.cumsum(whole, out=coarse[1:])
    np.cumsum(row, out=rest[1:])


def moving_sums(
    x: FloatArray,
    stride: int,
    order: int,
    levels: FloatArray,
    slope: float,
    state: FloatArray,
    out: FloatArray,
    known: IntArray | None,
    /,
) -> None:
    """Go on with the sums of as many differences as the stretches of x are apart."""
    line = slope * np.arange(len(out))
    rows = [x[k * stride : k * stride + len(out)] - (levels[k] + line) for k in range(order + 2)]
    if known is not None:
        there = (~np.isnan(rows[-1])).astype(np.int64) - ~np.isnan(rows[0])
        np.add(np.cumsum(there), int(state[2]), out=known)
        state[2] = known[-1]
        rows = [np.where(np.isnan(row), 0.0, row) for row in rows]
    while len(rows) > 1:
        rows = [later - earlier for earlier, later in pairwise(rows)]
    for first in range(0, len(out), TERMS):
        part = out[first : first + TERMS]
        np.cumsum(rows[0][first : first + TERMS], out=part)
        kept, change = float(state[0]), float(part[-1])
        part += kept + state[1]
        state[0] = kept + change
        state[1] += math.fsum((kept, change, -state[0]))  # the rounding error


def of_parts(
    x: FloatArray,
    known: IntArray | None,
    lag: int,
    order: int,
    whole: int,
    least: int,
    length: int,
    needed: int,
    begin: int,
    state: FloatArray,
    used: BoolArray,
    /,
) -> float:
    """Return the sum of the squares of means of what is known of each; ``used`` tells which are."""

    def differences(first: int, count: int) -> FloatArray:
        rows = np.empty((order, count))
        for number, row in enumerate(rows):
            start = first + number * lag
            np.subtract(x[start + lag : start + lag + count], x[start : start + count], out=row)
            if known is not None:
                there = known[start + lag : start + lag + count] - known[start : start + count]
                row[there < least] = np.nan
                partial = (there >= least) & (there < whole)
                row[partial] *= whole / there[partial]
        return np.asarray(np.diff(rows, order - 1, axis=0)[0])

    entering = differences(begin + length - 1, len(used))
    if length == 1:
        np.invert(np.isnan(entering), out=used)
        return float(np.sum(entering[used] ** 2))
    if begin == 0:
        first = differences(0, length - 1)
        state[0], state[2] = np.nansum(first), np.count_nonzero(~np.isnan(first))
        leaving = np.concatenate([[np.nan], differences(0, len(used) - 1)])
    else:
        leaving = differences(begin - 1, len(used))
    counts = np.cumsum(np.isnan(leaving).astype(np.int64) - np.isnan(entering)) + int(state[2])
    changes = np.cumsum(np.nan_to_num(entering) - np.nan_to_num(leaving))
    sums, kept = changes + (state[0] + state[1]), float(state[0])
    state[0] = kept + changes[-1]
    state[1] += math.fsum((kept, changes[-1], -state[0]))  # the rounding error
    state[2] = counts[-1]
    np.greater_equal(counts, needed, out=used)
    return float(np.sum((sums[used] / counts[used]) ** 2))


def movements(
    x: FloatArray, factors: IntArray, high: FloatArray, low: FloatArray, largest: FloatArray, /
) -> None:
    """Raise largest to the peak-to-peak values within windows of factor + 1 points, for rising factors."""
    unknown = np.isnan(x)
    np.copyto(high, np.where(unknown, np.inf, x))
    np.copyto(low, np.where(unknown, -np.inf, x))
    length = 1
    for k, factor in enumerate(factors.tolist()):
        count = len(x) - factor
        if count < 1:
            break
        while 2 * length <= factor + 1:
            reach = len(x) - 2 * length + 1
            np.maximum(high[:reach], high[length : length + reach], out=high[:reach])
            np.minimum(low[:reach], low[length : length + reach], out=low[:reach])
            length *= 2
        shift = factor + 1 - length
        moved = np.maximum(high[:count], high[shift : shift + count])
        moved -= np.minimum(low[:count], low[shift : shift + count])
        largest[k] = _larger(largest[k], moved)


def _larger(largest: float, moved: FloatArray) -> float:
    """Return the larger of a value and those of some that are finite."""
    most = float(moved.max())
    if math.isinf(most):
        most = float(np.max(moved, where=np.isfinite(moved), initial=-math.inf))
    return max(largest, most)


def movement_in_groups(
    x: FloatArray,
    factor: int,
    size: int,
    order: IntArray,
    bounds: FloatArray,
    high: FloatArray,
    low: FloatArray,
    space: FloatArray,  # noqa: ARG001 numpy takes its own
    largest: float,
    /,
) -> float:
    """Return the same for one factor and long windows, those that begin in the groups named in order."""
    for first in range(0, len(order), GROUPS_AT_ONCE):
        if bounds[first] <= largest:
            break
        groups = order[first : first + GROUPS_AT_ONCE, np.newaxis]
        starts = x[groups * size + np.arange(size)]
        at_end = (groups + factor // size) * size + np.arange(size + factor % size)
        ends = x[np.minimum(at_end, len(x) - 1)]
        outside = at_end >= len(x)
        up = np.where(np.isnan(ends) | outside, np.inf, ends)
        down = np.where(np.isnan(ends) | outside, -np.inf, ends)
        up = np.maximum.accumulate(up, axis=1)[:, -size:]
        down = np.minimum.accumulate(down, axis=1)[:, -size:]
        unknown = np.isnan(starts)
        top = np.where(unknown, np.inf, starts)[:, ::-1]
        bottom = np.where(unknown, -np.inf, starts)[:, ::-1]
        np.maximum(up, np.maximum.accumulate(top, axis=1)[:, ::-1], out=up)
        np.minimum(down, np.minimum.accumulate(bottom, axis=1)[:, ::-1], out=down)
        np.maximum(up, high[groups + 1], out=up)
        np.minimum(down, low[groups + 1], out=down)
        up -= down
        largest = _larger(largest, up)
    return largest
