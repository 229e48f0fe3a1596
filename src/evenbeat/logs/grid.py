"""Rows with time stamps → positions on a regular grid, or epochs of their own where they follow none.

The stamps of a logging computer jitter and drift; readings are nevertheless one interval apart. A
running origin follows slow drift, so that only real gaps move a reading to a later cell.
"""

from __future__ import annotations

import numpy as np
import scipy

from evenbeat.epochs import (
    CLEAR_STEP,
    LARGEST_GROWTH,
    Grid,
    IntArray,
    gap_finding,
    irregular,
    mean_interval,
    reported_interval,
)
from evenbeat.errors import RowError
from evenbeat.findings import Finding, caution
from evenbeat.logs.times import Times, blocks_of_rows
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

_BLOCK = 64
_SHORT_SPAN = 64
_WIDE_SPAN = 4096
_STATED_TOLERANCE = 0.05
_EVEN_STEP = 1e-6
_TOLERATED_JITTER = 0.15
_REPEATED = 0.1  # a step this much shorter than the interval is no step
_SAME_CELL = 0.5  # of an interval
_SAME_MOMENT = 1e-3  # of the usual interval; rows of one moment are doubled, not fine
_FINER = 0.6  # of the usual interval
_STRETCH = 10  # rows at another interval that make a change of it
_MOST_DOUBLED = 0.05
_MOST_LATE = 0.2
_ON_THE_GRID = 0.05  # median distance from the nearest cell
_EVEN_SPREAD = 0.24  # median distance from the nearest cell; 0.25 for times without any grid
_LEAVE_OUT = "leave the time column out with --column time=none and --interval (columns={'time': None})"


class _NoGridError(RowError):
    """The times follow no grid."""


def grid_from_times(times: Times, *, stated_s: float | None, exact: bool = False) -> Grid:
    """Return where rows with time stamps go: on a grid if they follow one, else to epochs of their own.

    With an interval ``stated_s`` there is a grid. ``exact`` times are those of the readings, which no delay
    of a computer moves: a grid that does not hold all of them is none.
    """
    try:
        grid = _regular(times.seconds, stated_s=stated_s)
        if stated_s is not None or not exact:
            return grid
        if float(np.abs(grid.late(times.seconds, slice(None))).max()) <= _ON_THE_GRID * grid.interval_s:
            return grid
    except _NoGridError:
        if stated_s is not None:
            raise
    epochs = times.since_first_ns
    stuck = np.diff(epochs) <= 0
    if stuck.any():
        row = int(np.argmax(stuck)) + 1
        back_s = float(epochs[row - 1] - epochs[row]) / 1e9
        what = f"runs backwards by {duration_text(back_s)}" if back_s > 0 else "is that of the row before"
        msg = (
            f"the time {what}, where no two rows of a log without a regular interval may share a time; "
            "correct it, or reject such rows with --set bad_lines=reject (bad_lines='reject')"
        )
        raise RowError(msg, row)
    _check_jump(np.diff(times.seconds))
    return irregular(times.seconds, epochs, name="the time")


def _regular(seconds: FloatArray, *, stated_s: float | None) -> Grid:
    """Return the grid that times follow."""
    whole_cells = _whole_cells(seconds)
    if whole_cells is not None and (stated_s is None or whole_cells[0] is None):
        positions, last = whole_cells
        spacing = float((seconds[-1] - seconds[0]) / last)
        _check_stated(spacing, stated_s)
        interval, found = reported_interval(spacing, np.zeros(1), last, stated_s)
        found = found if positions is None else (*found, *gap_finding(positions, interval))
        return Grid(positions=positions, cells=last + 1, interval_s=interval, findings=found)
    steps = np.diff(seconds)
    spacing = _typical_spacing(seconds, steps)
    _check_order(steps, spacing)
    counts = steps / (stated_s or spacing)
    whole = (np.rint(counts) >= 1) & (np.abs(counts - np.rint(counts)) < CLEAR_STEP)
    if stated_s is not None and np.mean(whole) >= 1 - _MOST_DOUBLED:
        spacing = stated_s if abs(spacing / stated_s - 1) > _STATED_TOLERANCE else spacing
    else:
        _check_one_interval(steps)
    _check_stated(spacing, stated_s)
    if (seconds[-1] - seconds[0]) / spacing > LARGEST_GROWTH * len(seconds) + 1000:
        _check_jump(steps)  # where one jump makes it so, a time is wrong
        msg = f"readings fill next to nothing of a grid of {duration_text(spacing)}"
        raise _NoGridError(msg, int(np.argmax(steps)) + 1)
    cells, residual = _nearest_cells(seconds, steps, spacing)
    if not _orderly(cells, residual, steps, spacing):  # a gap in most long spans makes their mean too long
        spacing = float(np.median(steps[steps > 0]))
        cells, residual = _nearest_cells(seconds, steps, spacing)
    spread: tuple[Finding, ...] = ()
    if not _orderly(cells, residual, steps, spacing):
        _check_order(steps, spacing, least=0.5)
        repeated = int(np.count_nonzero(steps == 0))
        if repeated > _MOST_DOUBLED * len(steps):  # such as a log of several devices
            msg = (
                f"{repeated} repeated rows state the time of the row before; keep one row for each time, "
                f"reject the others with --set bad_lines=reject (bad_lines='reject'), or {_LEAVE_OUT}"
            )
            raise RowError(msg, int(np.argmax(steps == 0)) + 1)
        row = int(np.argmax(np.abs(residual)))
        msg = (
            f"the time stamps are too uneven for a grid of {duration_text(spacing)} (here by "
            f"{abs(residual[row]):.2f} intervals); leave --interval (interval_s) out to keep every reading "
            f"at its own time, or {_LEAVE_OUT} if the readings are even"
        )
        raise _NoGridError(msg, row)
    if (np.diff(cells) < 1).any():
        _check_doubles(seconds, cells, residual, spacing)
        cells, spread = _spread(cells, residual)
    cells -= cells[0]
    interval, measured = reported_interval(
        mean_interval(seconds, cells), residual * spacing, int(cells[-1]), stated_s
    )
    return Grid(
        positions=cells,
        cells=int(cells[-1]) + 1,
        interval_s=interval,
        findings=(*measured, *gap_finding(cells, interval), *spread),
    )


def _orderly(cells: IntArray, residual: FloatArray, steps: FloatArray, spacing: float) -> bool:
    """Return whether nearly every row has a cell of its own and most lie near to it.

    Where most lie on the grid, more rows may share a cell with the next one: those answered late.
    """
    doubled = np.diff(cells) < 1
    repeated = doubled & (steps <= _REPEATED * spacing)
    off = float(np.median(np.abs(residual)))
    most = _MOST_LATE if off <= _ON_THE_GRID else _MOST_DOUBLED
    return off <= _EVEN_SPREAD and bool(doubled.mean() <= most and repeated.mean() <= _MOST_DOUBLED)


def rows_in_order(seconds: FloatArray) -> IntArray:
    """Return the rows whose time is later than that of all rows before.

    A lone time ahead of several rows behind it is left out itself. After rows that were left out the time
    has to go on by half an interval: where clocks were put back, the next row may be stamped anew by chance.
    """
    if len(seconds) < 3 or (seconds[1:] > seconds[:-1]).all():
        return np.flatnonzero(np.diff(seconds, prepend=-np.inf) > 0).astype(np.int64)
    ahead = np.zeros(len(seconds), dtype=bool)
    ahead[:-2] = (seconds[:-2] >= seconds[1:-1]) & (seconds[:-2] >= seconds[2:])
    ahead[1:-2] &= seconds[:-3] < seconds[2:-1]
    rows = np.flatnonzero(~ahead)
    times = seconds[rows]
    latest = np.maximum.accumulate(times)
    kept = np.concatenate([[True], times[1:] > latest[:-1]])
    after = np.flatnonzero(kept[1:] & ~kept[:-1]) + 1
    steps = np.diff(times[kept])
    if len(steps):
        kept[after] = times[after] - latest[after - 1] >= _SAME_CELL * float(np.median(steps))
    return rows[kept].astype(np.int64)


def _whole_cells(seconds: FloatArray) -> tuple[IntArray | None, int] | None:
    """Return the cells of rows that are exactly one interval apart, or several where rows are missing.

    Beside them the last one; ``None`` instead of cells where no row is missing. A long log is looked at block
    by block: nothing but the cells is as long as it is.
    """
    cells: IntArray | None = None
    interval, ones = 0.0, 0
    for block in blocks_of_rows(len(seconds) - 1):
        steps = np.diff(seconds[block.start : block.stop + 1])
        interval = interval or float(np.median(steps))
        counts = np.rint(steps / interval) if interval > 0 else steps
        if not (counts.min() >= 1 and (np.abs(steps - counts * interval) <= _EVEN_STEP * interval).all()):
            return None
        ones += int(np.count_nonzero(counts == 1))
        if cells is None and ones <= block.start + len(counts) - 1:
            cells = np.ones(len(seconds), dtype=np.int64)
        if cells is not None:
            cells[block.start + 1 : block.stop + 1] = counts
    if cells is None:
        return None, len(seconds) - 1
    cells[0] = 0
    np.cumsum(cells, out=cells)
    usual = 2 * ones > len(cells) and cells[-1] <= LARGEST_GROWTH * len(cells)
    return (cells, int(cells[-1])) if usual else None


def _check_stated(spacing: float, stated_s: float | None) -> None:
    if stated_s is not None and abs(spacing / stated_s - 1) > _STATED_TOLERANCE:
        msg = (
            f"the interval is stated as {stated_s:g} s but the time stamps are {spacing:.6g} s apart; "
            "correct --interval (interval_s) or the time column"
        )
        raise RowError(msg, 1)


def _typical_spacing(seconds: FloatArray, steps: FloatArray) -> float:
    """Return the spacing of neighbours: the median step, made exact by the median over many rows."""
    rising = steps[steps > 0]
    if not len(rising):
        msg = f"the time never advances; {_LEAVE_OUT}"
        raise RowError(msg, min(1, len(seconds) - 1))
    spacing = float(np.median(rising))
    span = min(_SHORT_SPAN, len(seconds) // 4)
    if span > 1:  # most short spans hold no gap, and jitter divides by their length
        wide = float(np.median(seconds[span:] - seconds[:-span])) / span
        if abs(wide / spacing - 1) < 0.3:
            spacing = wide
    return spacing


def _check_one_interval(steps: FloatArray) -> None:
    """Refuse a log that goes on at a finer interval than its usual one: that one belongs on the grid.

    Rows that a stalled computer stamps in a burst make up for rows that came late, and are no such change.
    """
    spacing = float(np.median(steps[steps > 0]))
    finer = (steps > _SAME_MOMENT * spacing) & (steps < _FINER * spacing)
    if np.count_nonzero(finer) < _STRETCH:
        return
    edges = np.flatnonzero(np.diff(np.concatenate([[False], finer, [False]]).astype(np.int8)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        part = steps[begin:end]
        step = float(np.median(part))
        around = steps[max(0, begin - len(part)) : end + len(part)]
        surplus = len(around) - float(around.sum()) / spacing
        alike = np.abs(part - step).max() < 0.1 * step
        if len(part) >= _STRETCH and alike and surplus > (1 - _FINER) * 0.9 * len(part):
            msg = (
                f"the interval between rows changes from {duration_text(spacing)} to {duration_text(step)}; "
                f"state the finer one with --interval '{duration_text(step)}' (interval_s={step:.6g}), so "
                "that the other rows keep gaps between them, or cut the log there"
            )
            raise RowError(msg, int(begin) + 1)


def _check_order(steps: FloatArray, spacing: float, least: float = 1.5) -> None:
    """Refuse times that run backwards by more than so many intervals."""
    if steps.min() < -least * spacing:
        row = int(np.argmax(steps < -least * spacing))
        hour = bool(abs(spacing - steps[row] - 3600) < 120)
        changed = hour * ", as when clocks are changed (state the zone with --set time_zone=… or time_zone)"
        msg = (
            f"the time runs backwards by {duration_text(-steps[row])} where rows are "
            f"{duration_text(spacing)} apart{changed}; sort the "
            "log, cut it there, or reject rows that are late with --set bad_lines=reject (bad_lines='reject')"
        )
        raise RowError(msg, row + 1)


def _check_jump(steps: FloatArray) -> None:
    """Refuse a single jump that is far longer than all other steps."""
    row = int(np.argmax(steps))
    others = np.delete(steps, row)
    if len(others) and steps[row] > (LARGEST_GROWTH * len(steps) + 1000) * float(others.max()):
        near = duration_text(float(others.max()))
        msg = (
            f"the time jumps by {duration_text(steps[row])} where other rows are at most {near} apart; "
            "cut the log there, or give readings at even spacing"
        )
        raise RowError(msg, row + 1)


def _nearest_cells(seconds: FloatArray, steps: FloatArray, spacing: float) -> tuple[IntArray, FloatArray]:
    """Return the nearest cell of each row and its distance from it in intervals."""
    counts = steps / spacing
    whole = np.rint(counts)
    if np.abs(counts - whole).max() < CLEAR_STEP and whole.min() >= 1:
        cells = np.concatenate([[0], np.cumsum(whole.astype(np.int64))])
        slope = float((seconds[-1] - seconds[0]) / cells[-1])
        return cells, np.zeros(len(seconds)) + (seconds - seconds[0]) / slope - cells
    cells, residual = _tracked(seconds, spacing)
    span = max(1, min(_WIDE_SPAN, len(seconds) // 4))
    rows = cells[span:] - cells[:-span]
    refined = float(np.median((seconds[span:] - seconds[:-span]) / np.maximum(rows, 1)))
    return _tracked(seconds, refined) if 0 < abs(refined / spacing - 1) < 0.01 else (cells, residual)


def _tracked(seconds: FloatArray, spacing: float) -> tuple[IntArray, FloatArray]:
    """Return the nearest cell of each row and its distance from it, the origin following slow drift."""
    cells = np.empty(len(seconds), dtype=np.int64)
    residual = np.empty(len(seconds))
    origin = float(np.median(seconds[:9] - np.arange(9) * spacing)) if len(seconds) > 9 else 0.0
    origin = origin if abs(origin) <= 0.5 * spacing else 0.0
    for begin in range(0, len(seconds), _BLOCK):
        part = slice(begin, begin + _BLOCK)
        distance = (seconds[part] - origin) / spacing
        cells[part] = np.rint(distance)
        residual[part] = distance - cells[part]
        origin += 0.5 * float(np.median(residual[part])) * spacing
    return cells, residual


def _check_doubles(seconds: FloatArray, cells: IntArray, residual: FloatArray, spacing: float) -> None:
    """Refuse doubled rows unless the stamps are too coarse or too jittery to tell neighbours apart."""
    steps = np.diff(seconds)
    coarse = spacing < 2.5 and bool(np.all(np.abs(steps - np.rint(steps)) < 1e-6))
    jittery = float(np.percentile(np.abs(residual), 90)) > _TOLERATED_JITTER
    repeated = steps <= _REPEATED * spacing
    row = int(np.argmax(repeated)) + 1
    if repeated.any() and not (coarse or jittery):
        msg = (
            f"the time advances by {steps[row - 1]:.6g} s where rows are "
            f"{duration_text(spacing)} apart; remove repeated rows, or reject them with "
            "--set bad_lines=reject (bad_lines='reject')"
        )
        raise RowError(msg, row)
    surplus = len(cells) - (int(cells[-1] - cells[0]) + 1)
    if surplus > max(2, 1e-3 * len(cells)):
        msg = (
            f"{surplus} rows more than there are intervals of {duration_text(spacing)}; remove repeated rows"
        )
        raise (RowError if repeated.any() else _NoGridError)(msg, row)


def _spread(cells: IntArray, residual: FloatArray) -> tuple[IntArray, tuple[Finding, ...]]:
    """Return strictly increasing cells nearest to the stamps (least squares under the order)."""
    running = np.arange(len(cells))
    doubled = int(np.count_nonzero(np.diff(cells) < 1))
    excess = scipy.optimize.isotonic_regression(cells + residual - running).x
    spread = running + np.rint(excess).astype(np.int64)
    worst = int(np.argmax(np.abs(spread - cells - residual)))
    shift = float(abs(spread[worst] - cells[worst] - residual[worst]))
    if shift > 3.5:
        msg = (
            f"the time stamps are off by {shift:.1f} intervals around this row; correct or cut the log there"
        )
        raise _NoGridError(msg, worst)
    sentence = (
        f"{doubled} rows are stamped in the same interval as the row before, as a busy logging computer "
        "does; the rows were kept in their order, one per interval."
    )
    return spread, (
        caution("IRREGULAR_TIMES", sentence, doubled_stamps=doubled, largest_shift_intervals=round(shift, 3)),
    )
