"""A log with the meaning of its columns and the columns themselves, of the oscillator that was asked for."""

from __future__ import annotations

import functools
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace

import numpy as np

from evenbeat.epochs import IntArray
from evenbeat.errors import LogError
from evenbeat.findings import Finding, note
from evenbeat.ledger import Ledger, RejectedLines, reasons_of
from evenbeat.logs.cells import cells_at, measured_parts, number_in, row_lines
from evenbeat.logs.files import LogText
from evenbeat.logs.form import PROBE_LINES, assign_columns
from evenbeat.logs.headers import comment_statements
from evenbeat.logs.rows import Columns, first_cells
from evenbeat.logs.terms import Form, Layout, Options, Wanted
from evenbeat.logs.times import Times, exact_decimals, looks_like_days, looks_like_time
from evenbeat.quantities import FloatArray
from evenbeat.units import counted

FEWEST_ROWS = 3
"""Two readings have a difference, three the first spread of differences."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Sheet:
    """A log, opened: where it came from, what its columns mean, and what they hold."""

    log: LogText
    layout: Layout
    table: Columns
    scale: str = "UTC"  # name of the time scale of its moments
    kind: str = "text table"  # what kind of file it is, as people say it
    exact_times: bool = False  # the times are those of the readings, and not when a computer wrote them down
    findings: tuple[Finding, ...] = ()
    left_out: int = 0  # how many lines hold readings that were not asked for
    # how many lines were read for its rows, where these are means of several; all others are its header
    several_lines: int | None = None

    def locate(self, row: int) -> int:
        """Return the one-based line of a row, in a binary file its number."""
        return int(self.table.row_lines[row])

    @property
    def lines(self) -> IntArray:
        """Shape (rows,): one-based lines of all rows, in a binary file their numbers."""
        return self.table.row_lines

    def ledger(self, late: IntArray | None = None) -> Ledger | None:
        """Return what became of each line, ``None`` for a binary file; ``late`` ones have an earlier time."""
        if not self.log.text:
            return None
        table = self.table
        late = np.empty(0, dtype=np.int64) if late is None else late
        told = RejectedLines(late, reasons=[("its time does not advance", False)])
        rejected = RejectedLines.joined(table.rejected, told)
        held = int(np.isin(rejected.lines, self.lines).sum()) if table.held else 0
        accepted, header = table.rows - held, table.header
        if self.several_lines is not None:
            accepted = self.several_lines - len(late)
            header = self.log.lines - accepted - len(rejected) - self.left_out
        return Ledger(
            lines=self.log.lines,
            accepted=accepted,
            left_out=self.left_out,
            rejected=len(rejected),
            comments=table.comments,
            blank=table.blank,
            header=header,
            reasons=reasons_of(rejected),
        )

    def kept(self, rows: IntArray) -> Sheet:
        """Return the sheet with some of its rows."""
        return replace(self, table=self.table.kept(rows))


def layout_of(
    log: LogText, form: Form, options: Options, *, first: Callable[[int], FloatArray | None] | None = None
) -> Layout:
    """Return what the columns mean; ``first`` gives the first samples of a column where these are no text."""
    first = first or functools.partial(probe, log, form)
    statements = comment_statements(form.comments)
    rises = days = False  # whether the first column does as time does, or two are MJD and second of the day
    numbers = sum(kind in ("number", "measured") for kind in form.kinds)
    if form.kinds[0] == "number" and numbers > 1 and (values := first(0)) is not None:
        rises = "moment" not in form.kinds and looks_like_time(values)
        seconds = first(1) if form.columns > 2 and form.kinds[1] == "number" else None
        days = seconds is not None and looks_like_days(values, seconds)
    layout = assign_columns(
        form,
        statements,
        quantity=options.quantity or statements.quantity,
        columns=options.columns,
        time_first=rises,
        days_first=days,
    )
    return replace(layout, stated=asdict(options))


def probe(log: LogText, form: Form, index: int) -> FloatArray | None:
    """Return the first numbers in a column, ``None`` where some cell is none."""
    cells = first_cells(log, form, index, PROBE_LINES)
    try:
        return np.array([number_in(cell, form.decimal) for cell in cells])
    except ValueError:
        return None


def wanted_columns(log: LogText, layout: Layout) -> Wanted:
    """Return which columns the record needs, and as what."""
    form, time = layout.form, layout.time
    numbers = (layout.value, *(covariate.index for covariate in layout.covariates))
    wanted = Wanted(numbers=numbers, time=time)
    if layout.time_of_day is not None and time is not None:
        wanted = replace(wanted, numbers=(*numbers, time, layout.time_of_day))
    elif time is not None and form.kinds[time] in ("moment", "text"):
        wanted = replace(wanted, moment=time)
    elif time is not None:
        decimals = exact_decimals(first_cells(log, form, time, PROBE_LINES), form.decimal)
        if decimals is None:
            wanted = replace(wanted, numbers=(*numbers, time))
        else:
            wanted = replace(wanted, exact=time, decimals=decimals)
    units = []
    for index in wanted.numbers:
        if form.kinds[index] == "measured":
            cells = first_cells(log, form, index, PROBE_LINES)
            parts = [(cell, measured_parts(cell, form.decimal)) for cell in cells]
            units += [(index, cell[len(found[0]) :]) for cell, found in parts if found is not None][:1]
    return replace(wanted, units=tuple(units))


_LABEL = re.compile(r"\b(?:ch|chan|channel|clock|dut|device|id|input|label|name|osc|oscillator|source)\b")
_MOST_LABELS = 8
_MOST_IN_TURN = 3
_FEWEST_TURNS = 8
_FAR = 10  # times the change from one row of an oscillator to its next
_CYCLES = 0.95  # share of rows that follow the turn
_SOME_ROWS = 20_000
_ALL = "state that all rows are of one with --set every=1 (every=1)"


def chosen_rows(
    sheet: Sheet, times: Times | None, options: Options, *, quantity: str | None
) -> tuple[Sheet, Times | None, tuple[Finding, ...]]:
    """Return the rows of the oscillator that was asked for."""
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
        msg = (
            f"only {counted(len(rows), 'row is', 'rows are')} {' and '.join(told)}; at least "
            f"{FEWEST_ROWS} are needed"
        )
        raise LogError(msg)
    count = sheet.table.rows
    kept = sheet.kept(rows)
    others = np.setdiff1d(sheet.lines, np.concatenate([kept.lines, sheet.table.rejected.lines]))
    kept = replace(kept, left_out=sheet.left_out + len(others))
    if times is not None:
        times = times.kept(rows)
    if options.every is None:
        _refuse_levels(kept, quantity)
    sentence = (
        f"Read were the {len(rows)} of {count} rows {' and '.join(told)}, as was asked for; the other "
        f"{count - len(rows)} were left out."
    )
    return kept, times, (note("CHOSEN_ROWS", sentence, rows=len(rows), left_out=count - len(rows)),)


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


def label_columns(sheet: Sheet) -> dict[int, list[str]]:
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
    """Return the column that holds a label and is not read otherwise."""
    columns = label_columns(sheet)
    index = next((i for i, cells in columns.items() if label in cells), None)
    if index is None:
        known = sorted({cell for cells in columns.values() for cell in cells})
        told = f"the labels are {', '.join(known)}" if known else "no column holds labels"
        msg = f"no row is labelled '{label}' (select); {told}"
        raise LogError(msg)
    return index


def labelled_rows(sheet: Sheet, index: int, label: str) -> IntArray:
    """Return the rows with a label in a column."""
    form, wanted = sheet.layout.form, set(sheet.lines.tolist())
    lines = [line for number, line in row_lines(sheet.log, form) if number in wanted]
    cells = cells_at(lines, index, form)
    return np.flatnonzero(np.array([cell == label for cell in cells]))


def _refuse_labels(sheet: Sheet) -> None:
    """Refuse rows whose labels take turns, or change often between levels that lie far apart."""
    readings = sheet.table.numbers[sheet.layout.value]
    for index, cells in label_columns(sheet).items():
        names = np.array(cells)
        if sheet.table.lines is not None or len(names) > len(readings):
            continue
        labels = [label for label, _ in Counter(cells).most_common()]
        known = ~np.isnan(readings[: len(names)])
        levels = {label: readings[: len(names)][known & (names == label)] for label in labels}
        if min(map(len, levels.values())) < FEWEST_ROWS:
            continue
        changes = int(np.count_nonzero(names[1:] != names[:-1]))
        turn = len(labels)
        follows = float(np.mean(names[turn:] == names[:-turn])) if len(names) > turn else 0.0
        in_turn = follows > _CYCLES and changes > _CYCLES * (len(names) - 1)
        middles = [float(np.median(level)) for level in levels.values()]
        scatter = max(float(np.median(np.abs(np.diff(level)))) for level in levels.values())
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
            raise LogError(msg, line=sheet.layout.form.first_line)


def _refuse_levels(sheet: Sheet, quantity: str | None) -> None:
    """Refuse readings that alternate between levels far apart; ticks of a pendulum do so by themselves."""
    if quantity in ("count", "period", "interval_error"):
        return
    readings = sheet.table.numbers[sheet.layout.value][:_SOME_ROWS]
    distinct = np.unique(readings[np.isfinite(readings)])
    step = float(np.diff(distinct).min()) if len(distinct) > 1 else 0.0
    for turn in range(2, _MOST_IN_TURN + 1):
        if len(readings) < _FEWEST_TURNS * turn:
            return
        own, local = (np.abs(readings[lag:] - readings[:-lag]) for lag in (turn, 1))
        own, local = own[~np.isnan(own)], local[~np.isnan(local)]
        parts = [part[~np.isnan(part)] for part in (readings[k::turn] for k in range(turn))]
        if not all(map(len, (own, local, *parts))):
            continue
        levels = [float(np.median(part)) for part in parts]
        gap = np.diff(np.sort(levels)).min()
        noise = max(float(np.quantile(own, 0.9)), step)
        if not (gap > _FAR * noise and np.mean(local > gap / 2) >= _CYCLES):
            continue
        told = " and ".join(_level(level, levels) for level in levels)
        choices = " or ".join(f"--set every={turn} --set row_offset={k}" for k in range(turn))
        msg = (
            f"the readings of column {sheet.layout.form.label(sheet.layout.value)} alternate from row to row "
            f"between {told}, as where {turn} oscillators are logged in turn; read one with {choices} "
            f"(every={turn}, offset=0 …), or {_ALL}"
        )
        raise LogError(msg, line=sheet.layout.form.first_line)


def _level(level: float, levels: list[float]) -> str:
    """Return a level with the digits that tell it from the others."""
    gap = float(np.diff(np.sort(levels)).min())
    digits = 3 if gap <= 0 or not level else max(3, int(np.ceil(np.log10(abs(level) / gap))) + 3)
    return f"{level:.{min(digits, 15)}g}"
