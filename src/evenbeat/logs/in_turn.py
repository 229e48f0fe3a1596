"""Two or three oscillators logged in turn: noticed by their levels or labels, and one of them chosen."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import numpy as np

from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.form.cells import cells_at
from evenbeat.logs.form.detect import PROBE_LINES
from evenbeat.logs.options import Options
from evenbeat.logs.rows.lines import row_lines
from evenbeat.logs.rows.stamps import IntArray
from evenbeat.logs.rows.tables import first_cells
from evenbeat.logs.sheet import FEWEST_ROWS, Sheet
from evenbeat.logs.times.timestamps import Times
from evenbeat.quantities import FloatArray

_LABEL = re.compile(r"\b(?:ch|chan|channel|clock|dut|device|id|input|label|name|osc|oscillator|source)\b")
_MOST_LABELS = 8
_MOST_IN_TURN = 3
_FEWEST_TURNS = 8
_FAR = 10  # times the change from one row of an oscillator to its next
_CYCLES = 0.95  # share of rows that follow the turn
_SOME = 20_000
_ALL = "state that all rows are of one with --set every=1 (every=1)"


def chosen_rows(
    sheet: Sheet, times: Times | None, options: Options, *, quantity: str | None
) -> tuple[Sheet, Times | None, tuple[Finding, ...]]:
    """Return the rows of the oscillator that was asked for.

    Raises
    ------
    LogError
        If several seem to be logged in turn and none was chosen, or no row is of the one that was.
    """
    rows: IntArray | None = None
    told: list[str] = []
    if options.select is not None:
        rows = labelled_rows(sheet, label_column(sheet, options.select), options.select)
        told.append(f"labelled '{options.select}'")
    if options.every is not None and options.every > 1:
        places = _places(sheet.table.rows, times)
        places = places if rows is None else np.arange(len(rows))
        chosen = np.flatnonzero(places % options.every == options.offset)
        rows = chosen if rows is None else rows[chosen]
        told.append(f"every {options.every} rows from row {options.offset} on")
    if rows is None:
        if options.every is None:
            _refuse_labels(sheet)
            _refuse_levels(sheet, quantity)
        return sheet, times, ()
    if len(rows) < FEWEST_ROWS:
        msg = f"only {len(rows)} row(s) are {' and '.join(told)}; at least {FEWEST_ROWS} are needed"
        raise LogError(msg, path=sheet.log.path)
    count = sheet.table.rows
    kept = sheet.kept(rows)
    others = np.setdiff1d(sheet.lines, [*kept.lines.tolist(), *(line.line for line in sheet.table.rejected)])
    kept = replace(kept, left_out=sheet.left_out + len(others))
    if times is not None:
        times = times.kept(rows)
    if options.every is None:
        _refuse_levels(kept, quantity)
    sentence = (
        f"Read were the {len(rows)} of {count} rows {' and '.join(told)}, as was asked for; the other "
        f"{count - len(rows)} were left out."
    )
    values = {"rows": len(rows), "left_out": count - len(rows)}
    return kept, times, (Finding(code="CHOSEN_ROWS", severity="note", sentence=sentence, values=values),)


def _places(rows: int, times: Times | None) -> IntArray:
    """Return the number of each row, one that is missing counted where even times show it."""
    numbers = np.arange(rows)
    if times is None or rows < FEWEST_ROWS:
        return numbers
    steps = np.diff(times.seconds)
    unit = float(np.median(steps))
    if unit <= 0 or (np.abs(steps / unit - np.rint(steps / unit)) > 0.3).any():
        return numbers
    return np.concatenate([[0], np.cumsum(np.rint(steps / unit))]).astype(np.int64)


def _label_columns(sheet: Sheet) -> dict[int, list[str]]:
    """Return the columns that may say of which oscillator a row is, with the cells of the first rows."""
    layout, form = sheet.layout, sheet.layout.form
    used = {layout.value, layout.time, layout.time_of_day, *(c.index for c in layout.covariates)}
    found: dict[int, list[str]] = {}
    for index in range(form.columns if sheet.log.text else 0):
        if index not in used and (form.kinds[index] == "text" or _LABEL.search(form.label(index).lower())):
            cells = first_cells(sheet.log, form, index, PROBE_LINES)
            if 1 < len(set(cells)) <= _MOST_LABELS:
                found[index] = cells
    return found


def label_column(sheet: Sheet, label: str) -> int:
    """Return the column that holds a label and is not read otherwise.

    Raises
    ------
    LogError
        If there is none among the first rows.
    """
    columns = _label_columns(sheet)
    index = next((i for i, cells in columns.items() if label in cells), None)
    if index is None:
        known = sorted({cell for cells in columns.values() for cell in cells})
        told = f"the labels are {', '.join(known)}" if known else "no column holds labels"
        msg = f"no row is labelled '{label}' (select); {told}"
        raise LogError(msg, path=sheet.log.path)
    return index


def labelled_rows(sheet: Sheet, index: int, label: str) -> IntArray:
    """Return the rows with a label in a column."""
    form, wanted = sheet.layout.form, set(sheet.lines.tolist())
    lines = [line for number, line in row_lines(sheet.log, form) if number in wanted]
    cells = cells_at(lines, index, form.separator, joined_moment=form.joined_moment)
    return np.flatnonzero(np.array([cell == label for cell in cells]))


def _refuse_labels(sheet: Sheet) -> None:
    """Refuse rows whose labels take turns, or change often between levels that lie far apart."""
    readings = sheet.table.numbers[sheet.layout.value]
    for index, cells in _label_columns(sheet).items():
        names = np.array(cells)
        often = Counter(cells)
        if min(often.values()) < FEWEST_ROWS or sheet.table.lines is not None or len(names) > len(readings):
            continue
        labels = [label for label, _ in often.most_common()]
        levels = {label: readings[: len(names)][names == label] for label in labels}
        changes = int(np.count_nonzero(names[1:] != names[:-1]))
        turn = len(labels)
        follows = float(np.mean(names[turn:] == names[:-turn])) if len(names) > turn else 0.0
        in_turn = follows > _CYCLES and changes > _CYCLES * (len(names) - 1)
        middles = [float(np.nanmedian(level)) for level in levels.values()]
        scatter = max(float(np.nanmedian(np.abs(np.diff(level)))) for level in levels.values())
        apart = np.diff(np.sort(middles)).min() > _FAR * scatter and changes >= _FEWEST_TURNS
        if in_turn or apart:
            told = " and ".join(
                f"{_level(middle, middles)} ('{label}')"
                for label, middle in zip(labels, middles, strict=True)
            )
            msg = (
                f"column {sheet.layout.form.label(index)} labels the rows of several oscillators, which read "
                f"{told}; choose one with --set select={labels[0]} (select='{labels[0]}'), or {_ALL}"
            )
            raise LogError(msg, path=sheet.log.path, line=sheet.layout.form.first_line)


def _refuse_levels(sheet: Sheet, quantity: str | None) -> None:
    """Refuse readings that alternate between levels far apart; ticks of a pendulum do so by themselves."""
    if quantity in ("count", "period", "interval_error"):
        return
    readings = sheet.table.numbers[sheet.layout.value][:_SOME]
    step = _smallest_step(readings)
    for turn in range(2, _MOST_IN_TURN + 1):
        if len(readings) < _FEWEST_TURNS * turn:
            return
        own = np.abs(readings[turn:] - readings[:-turn])
        levels = [float(np.nanmedian(readings[k::turn])) for k in range(turn)]
        gaps = np.diff(np.sort(levels))
        local = np.abs(np.diff(readings))
        noise = max(float(np.nanquantile(own, 0.9)), step)
        if np.isnan(levels).any() or not gaps.min() > _FAR * noise:
            continue
        if float(np.nanmean(local > gaps.min() / 2)) < _CYCLES:
            continue
        told = " and ".join(_level(level, levels) for level in levels)
        choices = " or ".join(f"--set every={turn} --set row_offset={k}" for k in range(turn))
        msg = (
            f"the readings of column {sheet.layout.form.label(sheet.layout.value)} alternate from row to row "
            f"between {told}, as where {turn} oscillators are logged in turn; read one with {choices} "
            f"(every={turn}, offset=0 …), or {_ALL}"
        )
        raise LogError(msg, path=sheet.log.path, line=sheet.layout.form.first_line)


def _smallest_step(readings: FloatArray) -> float:
    """Return the smallest difference between two readings that are not the same."""
    distinct = np.unique(readings[np.isfinite(readings)])
    return float(np.diff(distinct).min()) if len(distinct) > 1 else 0.0


def _level(level: float, levels: list[float]) -> str:
    """Return a level with the digits that tell it from the others."""
    gap = float(np.diff(np.sort(levels)).min())
    digits = 3 if gap <= 0 or not level else max(3, int(np.ceil(np.log10(abs(level) / gap))) + 3)
    return f"{level:.{min(digits, 15)}g}"
