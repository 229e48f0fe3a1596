"""A log on disk → record, with every assumption as a finding."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from evenbeat.bench import Bench
from evenbeat.epochs import EXACT_STAMPS, Grid, IntArray, spans_of
from evenbeat.errors import LogError, NoTimeError, RowError, blamed
from evenbeat.findings import Finding, caution
from evenbeat.intake import LARGEST, blocks, let_go, mapping_of
from evenbeat.ledger import RejectedLines
from evenbeat.logs.cells import cell_kind, numbered, shown
from evenbeat.logs.conversion import Converted, Statement, agreed, convert, phase_of_counts, turned
from evenbeat.logs.cut_short import NEIGHBOURS, End, counts_of, without_torn_end
from evenbeat.logs.display import display_step, printed_step, relative_step
from evenbeat.logs.exchange import open_binary, open_exchange
from evenbeat.logs.files import LogText, load_raw, text_of
from evenbeat.logs.form import PROBE_LINES
from evenbeat.logs.grid import grid_from_times, rows_in_order
from evenbeat.logs.remarks import form_findings, prediction_findings
from evenbeat.logs.rewriting import Dialogue, Rewriting, dialogue_in, readable_cells
from evenbeat.logs.rows import HARMLESS, first_cells, read_columns
from evenbeat.logs.sheet import FEWEST_ROWS as FEWEST_ROWS  # noqa: PLC0414
from evenbeat.logs.sheet import Sheet, chosen_rows, layout_of, wanted_columns
from evenbeat.logs.terms import Candidate, Choice, Layout, Options, Statements, chosen_layout
from evenbeat.logs.times import (
    Times,
    blocks_of_rows,
    floats_of,
    times_from_days,
    times_from_moments,
    times_from_numbers,
)
from evenbeat.plausible import far_offset, implausible
from evenbeat.quantities import FloatArray
from evenbeat.record import Record, Source
from evenbeat.units import counted

_PREFIXES = ("k", "M", "G")


def read_log(
    path: str | Path,
    *,
    quantity: str | None = None,
    unit: str | None = None,
    nominal_frequency_hz: float | None = None,
    interval_s: float | None = None,
    gate_s: float | None = None,
    columns: Mapping[str, Choice] | None = None,
    time_zone: str | None = None,
    time_unit: str | None = None,
    reading_of: str | None = None,
    date_order: str | None = None,
    clock: str | None = None,
    signal: str | None = None,
    counter_weighting: str | None = None,
    bad_lines: str | None = None,
    partial: bool | None = None,
    select: str | None = None,
    every: int | None = None,
    offset: int | None = None,
    layout: str | Path | Layout | Bench | None = None,
) -> Record:
    """Return the record in a log.

    Parameters
    ----------
    path
        A table of text, plain or packed (gzip, xz, bzip2, zip with one member): cells separated by
        comma, semicolon, tab, bar or blanks, columns of fixed width, ``name=value`` pairs, flat JSON
        objects line by line, or numbers after their names (``offset 23 freq -7``); header and comment
        lines (``#``, ``%``, ``;``, ``//``) are optional, ``key: value`` comments are understood. Or a
        RINEX clock file, a CGGTTS file, Parquet, HDF5 or NumPy ``.npy``.
    quantity
        ``frequency``, ``fractional_frequency``, ``frequency_ratio`` (to nominal),
        ``frequency_difference`` (from nominal, in hertz), ``phase`` or
        ``time_interval`` (time error, positive when the device under test is ahead), ``period``,
        ``interval_error`` (by how much each interval was too long) or ``count`` (running total of
        cycles).
    unit
        ``Hz`` to ``GHz``, ``s`` to ``fs``, ``ppm``, ``ppb``, a multiplier such as ``1e-11``, or one with
        a unit such as ``0.1 ns``; a minus in front turns the sign.
    nominal_frequency_hz
        What the frequency should be.
    interval_s
        Spacing of the rows in seconds; needed where the log has no time column.
    gate_s
        Length of the counter's gate in seconds, where it is shorter than the interval.
    columns
        ``value``, ``time`` or a covariate's name to a header name or zero-based position;
        ``{'time': None}`` leaves the time column out.
    time_zone
        Name of the zone of time stamps that state none, such as ``Europe/Oslo``.
    time_unit
        Unit of a time column of numbers: ``ns``, ``us``, ``ms``, ``s``, ``min``, ``h`` or ``d``.
    reading_of
        ``device`` (default): the device under test was measured against the reference.
        ``reference``: a counter that runs on the device measured the reference, so that a reading
        above nominal means that the device is slow; the sign is turned.
    date_order
        ``day-first`` or ``month-first``, for dates such as 03/04/2026.
    clock
        Name of the clock in a file that holds several.
    signal
        Code of the signal in a CGGTTS file that holds several, such as ``L3P``: their delays differ.
    counter_weighting
        How the counter averages within its gate: ``plain``, ``triangular`` or ``regression`` (Π, Λ, Ω);
        for readings of frequency.
    bad_lines
        ``refuse`` (default) a log with a line that cannot be read or was cut short, or ``reject`` such lines
        and rows whose time is missing, not understood or does not advance; they are counted in a finding
        with their line numbers. A last line without a line end is left out either way, unless it is as
        whole as those above it; a last number without all digits of a column that always shows them was
        cut short, as was a row with fewer cells than its neighbours.
    partial
        Read the complete lines of a file that is cut off or still being written.
    select
        Label of the rows that are read, where a column of labels says of which oscillator each row is.
    every, offset
        Read every so many rows only, from the row ``offset`` on (from 0): one of several oscillators that
        were logged in turn. ``interval_s`` is the spacing of these rows. ``every=1`` states that all rows
        are of one oscillator, however they alternate.
    layout
        A bench file, or the layout that :func:`evenbeat.inspect_log` found, so that nothing is detected.
        What is stated beside it wins, a default too.

    Returns
    -------
    Record
        On a regular grid, gaps NaN; where the times follow none, at epochs of their own. What was assumed is
        in its findings.

    Raises
    ------
    LogError
        If the log cannot be read without a guess; the sentence names the line or the option.

    Examples
    --------
    >>> import evenbeat as eb
    >>> record = eb.read_log(eb.demo_data("fulmar-evening.csv"))
    >>> record.kind, record.interval_s
    ('frequency', 10.0)

    References
    ----------
    Formula: y = (f - f₀)/f₀; y = f_ref/f_read - 1 where the reference was read
    Source: IEEE Std 1139 (definitions); ISO 8601 (times); RINEX Clock, CGGTTS (formats)
    Tests: tests/logs/test_formats.py
    """
    stated = {name: value for name, value in locals().items() if name not in ("path", "layout")}
    written, options = chosen_layout(layout, stated)
    return record_of(open_sheet(path, options, written), options)


def open_sheet(path: str | Path, options: Options, wanted: Candidate | None = None) -> Sheet:
    """Return a log with its columns, read as a written layout says if it is ``wanted``."""
    with blamed(path):
        log = load_raw(path, partial=options.partial)
        sheet = open_binary(log, options)
        if sheet is None:
            log = text_of(log, partial=options.partial)
            sheet = open_exchange(log, options)
        if sheet is None:
            return open_text(log, options, wanted)
        _check_readings(sheet)
        return sheet


def open_text(log: LogText, options: Options, wanted: Candidate | None = None) -> Sheet:
    """Return a table of text with its columns; see :func:`open_sheet`."""
    if options.clock is not None:
        msg = "a clock is chosen by name in RINEX clock files only; choose a column with --column value=…"
        raise LogError(msg)
    if options.signal is not None:
        msg = "a signal is chosen by its code in CGGTTS files only; leave signal out"
        raise LogError(msg)
    sheet = TableReader(options, wanted).sheet(log)
    _check_readings(sheet)
    _check_share(sheet)
    return sheet


class TableReader:
    """Opens a table of text, whole or part after part; later parts are read as the first one shows."""

    def __init__(self, options: Options, wanted: Candidate | None = None) -> None:
        self._options, self._candidate = options, wanted
        self._layout: Layout | None = None
        self._dialogue: Dialogue | None = None
        self._rewritings: tuple[Rewriting, ...] = ()
        self._lines, self._before = 0, b""  # of earlier parts, and the end of the last of them
        self._ends, self._last = Counter[End](), np.empty(0, dtype=np.uint16)  # how earlier rows end
        self._sample: list[str] = []

    def sheet(self, log: LogText) -> Sheet:
        """Return the columns of the next part of a log."""
        options, layout, aside, lines = self._options, self._layout, RejectedLines(), log.lines
        if layout is None:
            self._dialogue = dialogue_in(log)
        if self._dialogue is not None:
            text, aside = self._dialogue.of(log.text)
            log = replace(log, text=text, first_rows={})
        if layout is None:
            log, form, self._rewritings = readable_cells(log, self._candidate)
            if self._candidate is not None and form.columns != self._candidate.columns:
                msg = (
                    f"the log has {counted(form.columns, 'column')} where the layout has "
                    f"{self._candidate.columns}; read it without the layout"
                )
                raise LogError(msg, line=form.first_line)
        else:
            form = replace(layout.form, first_line=1, lead_in=0, header_line=None)
            for rewriting in self._rewritings:
                log = replace(log, text=rewriting.of(log.text, self._lines + 1))
        log, torn, doubtful = without_torn_end(log, form, self._before)
        if layout is None:
            layout = layout_of(log, form, options)
            self._layout, self._wanted = layout, wanted_columns(log, layout)
            self._sample = first_cells(log, form, form.columns - 1, PROBE_LINES)
        self._ends += counts_of(self._last)
        how: dict[str, Any] = {"earlier": self._ends, "sample": self._sample}
        table = read_columns(log, form, self._wanted, reject=options.reject, **how)
        self._last = self._last[:0] if table.ends is None else table.ends
        self._lines, self._before = self._lines + lines, log.text[-NEIGHBOURS:]
        rejected = RejectedLines.joined(table.rejected, RejectedLines.of(torn), aside)
        comments, doubtful = table.comments - len(aside), (*table.doubtful, *doubtful)
        table = replace(table, rejected=rejected, comments=comments, doubtful=doubtful)
        return Sheet(log=log, layout=replace(layout, form=form), table=table, findings=log.findings)


def _check_share(sheet: Sheet) -> None:
    """Refuse a log most of whose lines are no readings: the others may be the ones that are meant."""
    others = sheet.table.rejected
    others = others.of_reasons(reason not in HARMLESS for reason, _ in others.reasons)
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
    raise LogError(msg, line=others[0].line)


def _check_readings(sheet: Sheet) -> None:
    """Refuse a log without readings."""
    layout, table = sheet.layout, sheet.table
    readings = sum(int(np.count_nonzero(~np.isnan(block))) for block in blocks(table.numbers[layout.value]))
    label = layout.form.label(layout.value)
    if not readings:
        msg = f"all {table.rows} readings in column {label} are missing; there is nothing to analyse"
        raise LogError(msg)
    if readings < FEWEST_ROWS:
        msg = f"column {label} holds {counted(readings, 'usable reading')}; at least {FEWEST_ROWS} are needed"
        raise LogError(msg)


def record_of(sheet: Sheet, options: Options) -> Record:
    """Return the record in an opened log."""
    path, layout = sheet.log.path, sheet.layout
    stated = options.with_statements(layout.statements)
    with blamed(path):
        quantity, unit = stated_quantity(sheet, options)
    sheet, times = understood_times(sheet, stated, options)
    let_go(mapping_of(sheet.table.numbers[layout.value]))
    late = np.empty(0, dtype=np.int64)
    if times is not None and options.reject:
        kept = rows_in_order(times.seconds)
        if len(kept) < len(times.seconds):
            late = np.setdiff1d(sheet.lines, sheet.lines[kept])
            sheet, times = sheet.kept(kept), times.kept(kept)
    with blamed(path, sheet.locate):
        sheet, times, chosen = chosen_rows(sheet, times, options, quantity=quantity)
    sheet = replace(sheet, findings=(*sheet.findings, *chosen))
    with blamed(path, sheet.locate):
        converted = None if quantity == "count" else converted_readings(sheet, quantity, unit, stated)
        if times is not None:
            grid = grid_from_times(times, stated_s=stated.interval_s, exact=sheet.exact_times)
        elif stated.interval_s is not None:
            grid = Grid(cells=sheet.table.rows, interval_s=stated.interval_s)
        else:
            msg = (
                "the log has no time column and states no interval; give the spacing of its rows with "
                "--interval (interval_s)"
            )
            raise LogError(msg)
        if converted is None:
            converted = phase_of_counts(
                sheet.table.numbers[layout.value], grid=grid, nominal_frequency_hz=stated.nominal_frequency_hz
            )
            converted = turned(converted) if stated.reading_of == "reference" else converted
        converted = replace(converted, values=grid.place(converted.values))
        return _record(sheet, converted=converted, times=times, grid=grid, stated=stated, late=late)


def stated_quantity(sheet: Sheet, options: Options) -> tuple[str | None, str | None]:
    """Return quantity and unit on which options, header, cells and comments agree."""
    layout, said = sheet.layout, sheet.layout.statements
    label = layout.form.label(layout.value)
    cell_unit, unit = sheet.table.cell_units.get(layout.value), options.unit
    if cell_unit in _PREFIXES:
        if not any(
            (unit, options.quantity, layout.value_unit, layout.value_quantity, said.unit, said.quantity)
        ):
            msg = (
                f"the cells of column {label} end in '{cell_unit}', a prefix without its unit; say it with "
                f"--unit {cell_unit}Hz (unit)"
            )
            raise LogError(msg, line=layout.form.first_line)
        cell_unit += "Hz"
        unit = cell_unit if unit == "Hz" else unit
    of_name = layout.value_quantity, layout.value_unit, layout.form.header_line
    statements = (
        Statement("the option --quantity or --unit", options.quantity, unit),
        Statement(f"the name of column {label}", *of_name),
        Statement(f"a cell of column {label}", None, cell_unit),
        Statement("a comment line", said.quantity, said.unit),
    )
    return agreed(statements)


def converted_readings(sheet: Sheet, quantity: str | None, unit: str | None, stated: Statements) -> Converted:
    """Return the readings in SI, turned where the reference was read."""
    layout, readings = sheet.layout, sheet.table.numbers[sheet.layout.value]
    converted = convert(
        readings,
        quantity=quantity,
        unit=unit,
        nominal_frequency_hz=stated.nominal_frequency_hz,
        column=layout.form.label(layout.value),
        interval_s=stated.gate_s or stated.interval_s,
    )
    converted = turned(converted) if stated.reading_of == "reference" else converted
    parts = [(np.fmin.reduce(block), np.fmax.reduce(block)) for block in blocks(converted.values)]
    low, high = np.fmin.reduce(parts)[0], np.fmax.reduce(parts)[1]
    holes = converted.values is not readings
    holes = holes and bool(
        np.count_nonzero(np.isnan(converted.values)) > np.count_nonzero(np.isnan(readings))
    )
    if holes or not (np.isnan(low) or -LARGEST <= low <= high <= LARGEST):
        row = int(np.argmax(~(np.abs(converted.values) <= LARGEST) & ~np.isnan(readings)))
        msg = (
            f"the reading {readings[row]:g} in column {layout.form.label(layout.value)} "
            "cannot be converted; write a missing reading as NaN"
        )
        raise RowError(msg, row)
    return converted


def understood_times(sheet: Sheet, stated: Statements, options: Options) -> tuple[Sheet, Times | None]:
    """Return the sheet with the times of its rows; those without a time are left out where that is wanted."""
    while True:
        with blamed(sheet.log.path, sheet.locate):
            try:
                return sheet, row_times(sheet, stated, options)
            except NoTimeError as error:
                if not options.reject or sheet.table.rows - len(error.rows) < FEWEST_ROWS:
                    raise
                why = "its time is missing or not understood"
                sheet = replace(sheet, table=sheet.table.without_rows(np.array(error.rows), why))


def row_times(sheet: Sheet, stated: Statements, options: Options) -> Times | None:
    """Return when the rows were written, ``None`` where the log has no time."""
    layout, table = sheet.layout, sheet.table
    if layout.time is None:
        return None
    if table.moments is not None:
        return times_from_moments(
            table.moments, time_zone=stated.time_zone, date_order=options.date_order, scale=sheet.scale
        )
    if layout.time_of_day is not None:
        return times_from_days(
            table.numbers[layout.time], table.numbers[layout.time_of_day], words=layout.time_words
        )
    values = table.numbers[layout.time]
    times = times_from_numbers(
        values,
        decimals=table.decimals,
        words=layout.time_words,
        unit=options.time_unit or layout.time_unit,
        stated=options.time_unit is not None,
    )
    if times.form != "elapsed":
        return times
    floats = floats_of(values, table.decimals)
    counted = layout.time_assumed and np.median(np.diff(floats)) == 1
    if counted and stated.interval_s is not None:  # numbers of the rows, not seconds
        times = replace(times, seconds=times.seconds * stated.interval_s)
    if stated.start is not None:
        first = round(float(floats[0]) * 1e9) if abs(float(floats[0])) < 9e9 else 0
        start = np.datetime64(stated.start.removesuffix("Z"), "ns") + np.timedelta64(first, "ns")
        times = replace(times, start=start)
    return times


def _record(
    sheet: Sheet, *, converted: Converted, times: Times | None, grid: Grid, stated: Statements, late: IntArray
) -> Record:
    layout, table, log = sheet.layout, sheet.table, sheet.log
    if stated.gate_s is not None and stated.gate_s > grid.interval_s * (1 + 1e-6):
        msg = f"the gate of {stated.gate_s:g} s is longer than the interval of {grid.interval_s:g} s"
        raise LogError(msg)
    covariates = {
        covariate.name: grid.place(covariate.of(table.numbers[covariate.index]))
        for covariate in layout.covariates
        if not np.isnan(table.numbers[covariate.index]).all()
    }
    cells = first_cells(log, layout.form, layout.value, PROBE_LINES)
    cells = [cell for cell in cells if cell_kind(cell, layout.form.decimal) != "missing"]
    readings = table.numbers[layout.value]
    step, coarse = display_step(readings, printed_step(cells)), relative_step(readings, cells)
    step = step if coarse is None else coarse
    spans, spanned = spans_of(converted.kind, grid, gate_s=stated.gate_s, spans_s=None)
    values = converted.values
    start = None if times is None else times.start
    doubts = implausible(converted.kind, values, grid.spacing_s, start)
    size = far_offset(converted.kind, values, grid.spacing_s)
    if size is not None and layout.stated.get("unit") is None:
        msg = (
            f"the readings of column {layout.form.label(layout.value)} mean that the clock is off by "
            f"{size:.2g} of its frequency, as no oscillator is; check the unit of the readings and of the "
            "time and state them with --unit and --set time_unit=… (unit, time_unit)"
        )
        raise LogError(msg, line=layout.form.first_line if log.text else None)
    told: list[Finding] = []
    if len(late):
        sentence = (
            f"{counted(len(late), 'row')} rejected, as was asked for, since the time does not advance: "
        )
        sentence += f"{numbered(late)}."
        told.append(caution("LATE_ROWS", sentence, rows=len(late)))
    if coarse is not None:
        size = coarse * converted.step_factor
        sentence = (
            f"The readings are printed with so few digits, as {cells[0]}, that their step grows with their "
            f"size; the step of the largest, {size:.2g}, was taken as the resolution."
        )
        told.append(caution("RELATIVE_RESOLUTION", sentence, resolution=size))
    return Record(
        kind=converted.kind,
        values=values,
        epochs_ns=grid.epochs_ns,
        spans_s=spans,
        interval_s=grid.interval_s,
        gate_s=stated.gate_s if converted.kind == "frequency" else None,
        start=start,
        nominal_frequency_hz=converted.nominal_frequency_hz,
        covariates=covariates,
        reference=stated.reference,
        counter_weighting=stated.counter_weighting if converted.kind == "frequency" else None,
        resolution=None if step is None else step * converted.step_factor,
        stamp_offset_s=None if times is None else _stamp_offset(times, grid),
        findings=(
            *sheet.findings,
            *form_findings(layout, table),
            *told,
            *converted.findings,
            *(() if times is None else times.findings),
            *grid.findings,
            *spanned,
            *doubts,
            *prediction_findings(log, layout),
        ),
        source=Source(
            path=log.path, sha256=log.sha256, size_bytes=log.size_bytes, rows=table.rows + len(late)
        ),
        ledger=sheet.ledger(late),
    ).treated("read_log", path=Path(log.path).name)


def _stamp_offset(times: Times, grid: Grid) -> FloatArray | None:
    """Return by how much each stamp lies after its place on the grid; ``None`` where none does."""
    if grid.epochs_ns is not None:
        return None
    moments = times.seconds if times.ns is None else times.ns
    for block in blocks_of_rows(len(moments)):
        late = np.abs(grid.late(moments, block)).max()
        let_go(mapping_of(moments))
        if late > EXACT_STAMPS * grid.interval_s:
            return grid.place(grid.late(moments, slice(None)))
    return None
