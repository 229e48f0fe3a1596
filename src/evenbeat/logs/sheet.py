"""A log with the meaning of its columns and the columns themselves, whatever kind of file it came from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding
from evenbeat.ledger import Ledger, reasons_of
from evenbeat.logs.exchange.kinds import open_exchange
from evenbeat.logs.files import LogText, RawFile, load_raw, text_of
from evenbeat.logs.form.cells import measured_parts, number_in
from evenbeat.logs.form.columns import assign_columns
from evenbeat.logs.form.detect import PROBE_LINES
from evenbeat.logs.form.dialogue import dialogue_in
from evenbeat.logs.form.headers import comment_statements
from evenbeat.logs.form.rewriting import readable_cells
from evenbeat.logs.layout import Layout
from evenbeat.logs.options import Options
from evenbeat.logs.rows.cut_short import without_torn_end
from evenbeat.logs.rows.lines import HARMLESS, Rejected, shown
from evenbeat.logs.rows.stamps import IntArray
from evenbeat.logs.rows.tables import Columns, first_cells, read_columns
from evenbeat.logs.terms import Candidate, Form, Wanted
from evenbeat.logs.times.numbers import looks_like_days, looks_like_time, many_digits
from evenbeat.quantities import FloatArray

FEWEST_ROWS = 3
"""Two readings have a difference, three the first spread of differences."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Sheet:
    """A log, opened: where it came from, what its columns mean, and what they hold.

    Parameters
    ----------
    scale
        Name of the time scale of its moments.
    kind
        What kind of file it is, as people say it.
    exact_times
        The times are those of the readings, and not when a computer wrote them down.
    left_out
        How many lines hold readings that were not asked for.
    several_lines
        How many lines were read for its rows, where these are means of several; all others are its header.
    """

    log: LogText
    layout: Layout
    table: Columns
    scale: str = "UTC"
    kind: str = "text table"
    exact_times: bool = False
    findings: tuple[Finding, ...] = ()
    left_out: int = 0
    several_lines: int | None = None

    def locate(self, row: int) -> int:
        """Return the one-based line of a row, in a binary file its number."""
        return int(self.table.row_lines[row])

    @property
    def lines(self) -> IntArray:
        """Shape (rows,): one-based lines of all rows, in a binary file their numbers."""
        return self.table.row_lines

    def ledger(self, late: Sequence[int] = ()) -> Ledger | None:
        """Return what became of each line, ``None`` for a binary file.

        Parameters
        ----------
        late
            Lines of rows that were rejected because their time does not advance.
        """
        if not self.log.text:
            return None
        table = self.table
        told = [Rejected(line=line, reason="its time does not advance") for line in late]
        rejected = sorted((*table.rejected, *told), key=lambda rejected: rejected.line)
        lost = np.isin(self.lines, [line.line for line in rejected])
        accepted, header = int(np.count_nonzero(~lost)), table.header
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

    def without(self, rows: IntArray, reason: str) -> Sheet:
        """Return the sheet without some of its rows, which are counted among the rejected lines."""
        return replace(self, table=self.table.without_rows(rows, reason))


def open_sheet(path: str | Path, options: Options, wanted: Candidate | None = None) -> Sheet:
    """Return a log with its columns.

    Parameters
    ----------
    wanted
        How a written layout says that the rows are written.

    Raises
    ------
    LogError
        If the log cannot be read without a guess.
    """
    raw = load_raw(path, partial=options.partial)
    exchanged = _exchanged(raw, options)
    if exchanged is not None:
        _check_readings(exchanged)
        return exchanged
    log = text_of(raw, partial=options.partial)
    exchanged = _exchanged(log, options)
    if exchanged is not None:
        _check_readings(exchanged)
        return exchanged
    return open_text(log, options, wanted)


def open_text(log: LogText, options: Options, wanted: Candidate | None = None) -> Sheet:
    """Return a table of text with its columns; see :func:`open_sheet`."""
    if options.clock is not None:
        msg = "a clock is chosen by name in RINEX clock files only; choose a column with --column value=…"
        raise LogError(msg, path=log.path)
    if options.signal is not None:
        msg = "a signal is chosen by its code in CGGTTS files only; leave signal out"
        raise LogError(msg, path=log.path)
    dialogue, aside = dialogue_in(log), list[tuple[int, str]]()
    if dialogue is not None:
        text, aside = dialogue.of(log.text)
        log = replace(log, text=text, first_rows={})
    log, form = readable_cells(log, wanted)
    if wanted is not None and form.columns != wanted.columns:
        msg = (
            f"the log has {form.columns} column(s) where the layout has {wanted.columns}; read it without "
            "the layout"
        )
        raise LogError(msg, path=log.path, line=form.first_line)
    log, torn, doubtful = without_torn_end(log, form)
    layout = layout_of(log, form, options, first=lambda index: probe(log, form, index))
    table = read_columns(log, form, wanted_columns(log, layout), reject=options.reject)
    spoken = [Rejected(line=line, reason=reason) for line, reason in aside]
    rejected = sorted((*table.rejected, *torn, *spoken), key=lambda rejected: rejected.line)
    table = replace(table, rejected=tuple(rejected), doubtful=(*table.doubtful, *doubtful))
    sheet = Sheet(log=log, layout=layout, table=table, findings=log.findings)
    _check_readings(sheet)
    _check_share(sheet)
    return sheet


def _exchanged(source: RawFile | LogText, options: Options) -> Sheet | None:
    """Return the sheet of a file that is no plain table, ``None`` for a plain one."""
    opened = open_exchange(source, clock=options.clock, signal=options.signal, reject=options.reject)
    if opened is None:
        return None
    first = {index: values[:PROBE_LINES] for index, values in opened.columns.numbers.items()}
    layout = layout_of(opened.log, opened.form, options, first=first.get)
    table = opened.taken(layout)
    return Sheet(
        log=opened.log,
        layout=layout,
        table=table,
        scale=opened.scale,
        kind=opened.kind,
        exact_times=opened.exact_times,
        findings=(*opened.log.findings, *opened.findings),
        left_out=opened.left_out,
        several_lines=opened.several_lines if opened.several_lines is not None else table.rows,
    )


def layout_of(
    log: LogText, form: Form, options: Options, *, first: Callable[[int], FloatArray | None]
) -> Layout:
    """Return what the columns mean.

    Parameters
    ----------
    first
        Position to the first samples of a column of numbers.

    Raises
    ------
    LogError
        If that cannot be told.
    """
    try:
        statements = comment_statements(form.comments)
    except InputError as error:
        raise LogError(str(error), path=log.path) from None
    layout = assign_columns(
        form,
        statements,
        quantity=options.quantity or statements.quantity,
        columns=options.columns,
        path=log.path,
        time_first=_first_column_rises(form, first),
        days_first=_first_columns_are_days(form, first),
    )
    return replace(layout, stated=asdict(options))


def probe(log: LogText, form: Form, index: int) -> FloatArray | None:
    """Return the first numbers in a column, ``None`` where some cell is none."""
    cells = first_cells(log, form, index, PROBE_LINES)
    try:
        return np.array([number_in(cell, form.decimal) for cell in cells])
    except ValueError:
        return None


def _first_column_rises(form: Form, first: Callable[[int], FloatArray | None]) -> bool:
    """Return whether the first of several columns of numbers rises as time does."""
    if form.kinds[0] != "number" or "moment" in form.kinds:
        return False
    if sum(kind in ("number", "measured") for kind in form.kinds) < 2:
        return False
    values = first(0)
    return values is not None and looks_like_time(values)


def _first_columns_are_days(form: Form, first: Callable[[int], FloatArray | None]) -> bool:
    """Return whether the first two columns are MJD and second of the day."""
    if form.columns < 3 or form.kinds[:2] != ("number", "number"):
        return False
    days, seconds = first(0), first(1)
    return days is not None and seconds is not None and looks_like_days(days, seconds)


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
        cells = first_cells(log, form, time, PROBE_LINES)
        if many_digits(cells):
            fractions = any(form.decimal in cell for cell in cells)
            wanted = replace(wanted, exact=time, fractions=fractions)
        else:
            wanted = replace(wanted, numbers=(*numbers, time))
    units = []
    for index in wanted.numbers:
        if form.kinds[index] == "measured":
            cells = first_cells(log, form, index, PROBE_LINES)
            parts = [(cell, measured_parts(cell, form.decimal)) for cell in cells]
            units += [(index, cell[len(found[0]) :]) for cell, found in parts if found is not None][:1]
    return replace(wanted, units=tuple(units))


def _check_share(sheet: Sheet) -> None:
    """Refuse a log most of whose lines are no readings: the others may be the ones that are meant."""
    others = [rejected for rejected in sheet.table.rejected if rejected.reason not in HARMLESS]
    rows = sheet.table.rows
    if len(others) <= rows:
        return
    text = sheet.log.text.split(b"\n")
    some = [others[k] for k in (0, len(others) // 2, len(others) - 1)]
    told = ", ".join(f"line {one.line} {shown(text[one.line - 1].decode(errors='replace'))}" for one in some)
    msg = (
        f"only {rows} of {rows + len(others)} lines are readings; others are {told}: keep the lines that are "
        "meant in a file of their own, or say with --bench (layout) how they are written"
    )
    raise LogError(msg, path=sheet.log.path, line=others[0].line)


def _check_readings(sheet: Sheet) -> None:
    """Refuse a log without readings."""
    layout, table = sheet.layout, sheet.table
    readings = int(np.count_nonzero(~np.isnan(table.numbers[layout.value])))
    label = layout.form.label(layout.value)
    if not readings:
        msg = f"all {table.rows} readings in column {label} are missing; there is nothing to analyse"
        raise LogError(msg, path=sheet.log.path)
    if readings < FEWEST_ROWS:
        msg = f"column {label} holds {readings} usable reading(s); at least {FEWEST_ROWS} are needed"
        raise LogError(msg, path=sheet.log.path)
