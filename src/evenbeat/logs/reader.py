"""A table on disk → record, with every assumption as a finding."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from evenbeat.errors import InputError, LogError
from evenbeat.logs.columns import assign_columns
from evenbeat.logs.conversion import Converted, Statement, agreed, convert, turned
from evenbeat.logs.detect import PROBE_LINES, detect_form
from evenbeat.logs.display import display_step, printed_step
from evenbeat.logs.files import LogText, load_text
from evenbeat.logs.grid import Grid, grid_from_times, regular_grid
from evenbeat.logs.headers import comment_statements
from evenbeat.logs.layout import Form, Layout, Statements
from evenbeat.logs.remarks import form_findings
from evenbeat.logs.tables import Columns, first_cells, line_of_row, read_columns
from evenbeat.logs.timestamps import Times, looks_like_time, times_from_numbers, times_from_text
from evenbeat.record import Record, Source

FEWEST_ROWS = 3
"""Two readings have a difference, three the first spread of differences."""


def read_log(
    path: str | Path,
    *,
    quantity: str | None = None,
    unit: str | None = None,
    nominal_frequency_hz: float | None = None,
    interval_s: float | None = None,
    gate_s: float | None = None,
    columns: Mapping[str, str | int] | None = None,
    time_zone: str | None = None,
    reading_of: str | None = None,
) -> Record:
    """Return the record in a text table, plain or gzip.

    Parameters
    ----------
    path
        Cells separated by comma, semicolon, tab, bar or blanks; a header and comment lines (``#``,
        ``%``, ``;``, ``//``) are optional, ``key: value`` comments are understood.
    quantity
        ``frequency``, ``fractional_frequency``, ``frequency_ratio`` (to nominal), ``phase`` or
        ``time_interval`` (time error, positive when the device under test is ahead), ``period``.
    unit
        ``Hz`` to ``GHz``, ``s`` to ``fs``, ``ppm``, ``ppb`` or a multiplier such as ``1e-11``; a
        negative multiplier turns the sign.
    nominal_frequency_hz
        What the frequency should be.
    interval_s
        Spacing of the rows in seconds; needed where the log has no time column.
    gate_s
        Length of the counter's gate in seconds, where it is shorter than the interval.
    columns
        ``value``, ``time`` or a covariate's name to a header name or zero-based position.
    time_zone
        Name of the zone of time stamps that state none, such as ``Europe/Oslo``.
    reading_of
        ``device`` (default): the device under test was measured against the reference.
        ``reference``: a counter that runs on the device measured the reference, so that a reading
        above nominal means that the device is slow; the sign is turned.

    Returns
    -------
    Record
        On a regular grid, gaps NaN; what was assumed is in its findings.

    Raises
    ------
    LogError
        If the log cannot be read without a guess; the sentence names the line or the option.
    """
    log = load_text(path)
    layout = _layout(log, detect_form(log), quantity, columns)
    said = layout.statements
    stated = replace(
        said,
        nominal_frequency_hz=_positive(nominal_frequency_hz, "nominal_frequency_hz")
        or said.nominal_frequency_hz,
        interval_s=_positive(interval_s, "interval_s") or said.interval_s,
        gate_s=_positive(gate_s, "gate_s") or said.gate_s,
        time_zone=time_zone or said.time_zone,
        reading_of=reading_of or said.reading_of or "device",
    )
    if stated.reading_of not in ("device", "reference"):
        msg = f"reading_of is {reading_of!r}; it must be 'device' or 'reference'"
        raise InputError(msg)
    table = _table(log, layout)
    converted = _converted(
        log, layout, table, quantity=quantity, unit=unit, nominal_frequency_hz=stated.nominal_frequency_hz
    )
    converted = turned(converted) if stated.reading_of == "reference" else converted
    _check_finite(log, layout, table, converted)
    times = _times(log, layout, table, stated)
    grid = _grid(log, layout, table, times, stated.interval_s)
    return _record(log, layout, table, converted=converted, times=times, grid=grid, stated=stated)


def _positive(value: float | None, name: str) -> float | None:
    if value is not None and not (math.isfinite(value) and value > 0):
        msg = f"{name} is {value}; it must be a positive number"
        raise InputError(msg)
    return value


def _layout(
    log: LogText, form: Form, quantity: str | None, columns: Mapping[str, str | int] | None
) -> Layout:
    try:
        statements = comment_statements(form.comments)
    except InputError as error:
        raise LogError(str(error), path=log.path) from None
    return assign_columns(
        form,
        statements,
        quantity=quantity or statements.quantity,
        columns=columns,
        path=log.path,
        time_first=_first_column_rises(log, form),
    )


def _first_column_rises(log: LogText, form: Form) -> bool:
    """Return whether the first of several columns of numbers rises as time does."""
    if form.kinds[0] != "number" or "moment" in form.kinds:
        return False
    if sum(kind in ("number", "measured") for kind in form.kinds) < 2:
        return False
    cells = first_cells(log, form, 0, PROBE_LINES)
    try:
        return looks_like_time(np.array([float(cell.replace(",", ".")) for cell in cells]))
    except ValueError:
        return False


def _table(log: LogText, layout: Layout) -> Columns:
    """Return the columns the record needs, checked for enough readings."""
    numbers = [layout.value, *(covariate.index for covariate in layout.covariates)]
    texts: list[int] = []
    if layout.time is not None:
        moment = layout.form.kinds[layout.time] in ("moment", "text")
        (texts if moment else numbers).append(layout.time)
    table = read_columns(log, layout.form, numbers=numbers, texts=texts)
    readings = int(np.count_nonzero(~np.isnan(table.numbers[layout.value])))
    label = layout.form.label(layout.value)
    if not readings:
        msg = f"all {table.rows} readings in column {label} are missing; there is nothing to analyse"
        raise LogError(msg, path=log.path)
    if readings < FEWEST_ROWS:
        msg = f"column {label} holds {readings} usable reading(s); at least {FEWEST_ROWS} are needed"
        raise LogError(msg, path=log.path)
    return table


def _converted(
    log: LogText,
    layout: Layout,
    table: Columns,
    *,
    quantity: str | None,
    unit: str | None,
    nominal_frequency_hz: float | None,
) -> Converted:
    said, label = layout.statements, layout.form.label(layout.value)
    statements = (
        Statement(where="the option --quantity or --unit", quantity=quantity, unit=unit),
        Statement(
            where=f"the name of column {label}", quantity=layout.value_quantity, unit=layout.value_unit
        ),
        Statement(where=f"a cell of column {label}", quantity=None, unit=table.cell_units.get(layout.value)),
        Statement(where="a comment line", quantity=said.quantity, unit=said.unit),
    )
    agreed_quantity, agreed_unit = agreed(statements, log.path)
    return convert(
        table.numbers[layout.value],
        quantity=agreed_quantity,
        unit=agreed_unit,
        nominal_frequency_hz=nominal_frequency_hz,
        column=label,
        path=log.path,
    )


def _check_finite(log: LogText, layout: Layout, table: Columns, converted: Converted) -> None:
    """Refuse readings that have no frequency, such as a period of zero."""
    bad = ~np.isfinite(converted.values) & ~np.isnan(table.numbers[layout.value])
    if bad.any():
        row = int(np.argmax(bad))
        msg = (
            f"the reading {table.numbers[layout.value][row]:g} in column {layout.form.label(layout.value)} "
            "cannot be converted; write a missing reading as NaN"
        )
        raise LogError(msg, path=log.path, line=line_of_row(log, layout.form, row))


def _times(log: LogText, layout: Layout, table: Columns, stated: Statements) -> Times | None:
    if layout.time is None:
        return None
    locate = partial(line_of_row, log, layout.form)
    if layout.time in table.texts:
        return times_from_text(
            table.texts[layout.time], time_zone=stated.time_zone, path=log.path, locate=locate
        )
    values = table.numbers[layout.time]
    times = times_from_numbers(
        values, words=layout.time_words, unit=layout.time_unit, path=log.path, locate=locate
    )
    counted = layout.time_assumed and times.form == "elapsed" and np.median(np.diff(values)) == 1
    if counted and stated.interval_s is not None:  # numbers of the rows, not seconds
        times = replace(times, seconds=times.seconds * stated.interval_s)
    if times.start is None and stated.start is not None:
        first = round(float(values[0]) * 1e9) if abs(float(values[0])) < 9e9 else 0
        start = np.datetime64(stated.start.removesuffix("Z"), "ns") + np.timedelta64(first, "ns")
        times = replace(times, start=start)
    return times


def _grid(
    log: LogText, layout: Layout, table: Columns, times: Times | None, interval_s: float | None
) -> Grid:
    if times is not None:
        locate = partial(line_of_row, log, layout.form)
        return grid_from_times(times.seconds, stated_s=interval_s, path=log.path, locate=locate)
    if interval_s is None:
        msg = (
            "the log has no time column and states no interval; give the spacing of its rows with --interval "
            "(interval_s)"
        )
        raise LogError(msg, path=log.path)
    return regular_grid(table.rows, interval_s)


def _record(
    log: LogText,
    layout: Layout,
    table: Columns,
    *,
    converted: Converted,
    times: Times | None,
    grid: Grid,
    stated: Statements,
) -> Record:
    if stated.gate_s is not None and stated.gate_s > grid.interval_s * (1 + 1e-6):
        msg = f"the gate of {stated.gate_s:g} s is longer than the interval of {grid.interval_s:g} s"
        raise LogError(msg, path=log.path)
    covariates = {
        covariate.name: grid.place(table.numbers[covariate.index] * covariate.scale + covariate.offset)
        for covariate in layout.covariates
        if not np.isnan(table.numbers[covariate.index]).all()
    }
    form = layout.form
    printed = printed_step(first_cells(log, form, layout.value, PROBE_LINES))
    step = display_step(table.numbers[layout.value], printed)
    return Record(
        kind=converted.kind,
        values=grid.place(converted.values),
        interval_s=grid.interval_s,
        gate_s=stated.gate_s if converted.kind == "frequency" else None,
        start=None if times is None else times.start,
        nominal_frequency_hz=converted.nominal_frequency_hz,
        covariates=covariates,
        reference=stated.reference,
        counter_weighting=stated.counter_weighting if converted.kind == "frequency" else None,
        resolution=None if step is None else step * converted.step_factor,
        findings=(
            *form_findings(layout, table),
            *converted.findings,
            *(() if times is None else times.findings),
            *grid.findings,
        ),
        source=Source(path=log.path, sha256=log.sha256, size_bytes=log.size_bytes, rows=table.rows),
    ).treated("read_log", path=Path(log.path).name)
