"""Comma-separated tables in and out of a register: all rows of a table, or none.

A table with a column ``date`` holds calibrations, one a row: ``instrument``, ``date``, ``as_found``,
``as_left``, ``standard_uncertainty``, ``adjusted`` and, if you like, ``certificate`` and ``remark``.
Columns ``oscillator_class``, ``tolerance`` and ``nominal_frequency_hz`` beside them describe an
instrument that the register does not know yet. A table without ``date`` holds instruments. Lines that
begin with ``#`` are remarks.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding
from evenbeat.register.facts import Calibration, Instrument, checked_name, fact_of, iso_moment
from evenbeat.register.register import Draft, Register
from evenbeat.tables import order_of_dates

CALIBRATION_COLUMNS = ("instrument", "date", "as_found", "as_left", "standard_uncertainty", "adjusted")
EXTRA_COLUMNS = ("certificate", "remark")
INSTRUMENT_COLUMNS = ("oscillator_class", "tolerance", "nominal_frequency_hz")
Cells = Mapping[str, str]
TORN = "what is wrong with the row"


@dataclass(frozen=True, kw_only=True)
class Imported:
    """What a table brought into a register.

    Attributes
    ----------
    instruments, calibrations
        Entries added.
    repeated
        Rows that the register held already, word for word, and that were not added again.
    findings
        What was assumed.
    """

    instruments: int
    calibrations: int
    repeated: int
    findings: tuple[Finding, ...] = ()

    def __str__(self) -> str:
        said = f"{self.instruments} instrument(s) and {self.calibrations} calibration(s) added"
        if self.repeated:
            said += f", {self.repeated} row(s) were there already"
        return "\n".join([said, *(f"[{finding.severity}] {finding.sentence}" for finding in self.findings)])


def import_table(register: Register, path: str | Path, *, date_order: str | None = None) -> Imported:
    """Bring a comma-separated table into a register.

    Parameters
    ----------
    date_order
        ``day-first`` or ``month-first`` for dates such as 03/04/2026, where no date of the table says so.

    Raises
    ------
    LogError
        If the table cannot be read, its dates may be read in two ways, or a row cannot be used; the sentence
        names the line, and nothing is added.

    References
    ----------
    Source: ISO/IEC 17025:2017, 7.5 (technical records)
    Tests: tests/register/test_register.py
    """
    columns, rows = table_rows(path)
    rows, findings = with_iso_dates(rows, date_order)
    broken = next(((number, torn(cells)) for number, cells in rows if torn(cells)), None)
    if broken is not None:
        raise LogError(broken[1], path=path, line=broken[0])
    drafts, repeated = (
        _calibrations(register, path, columns, rows)
        if "date" in columns
        else _instruments(register, path, columns, rows)
    )
    try:
        register.append(drafts)
    except InputError as error:
        raise LogError(str(error), path=path) from error
    made = [draft.fact for draft in drafts]
    return Imported(
        instruments=sum(isinstance(fact, Instrument) for fact in made),
        calibrations=sum(isinstance(fact, Calibration) for fact in made),
        repeated=repeated,
        findings=findings,
    )


def with_iso_dates(
    rows: list[tuple[int, dict[str, str]]], date_order: str | None = None
) -> tuple[list[tuple[int, dict[str, str]]], tuple[Finding, ...]]:
    """Return rows with their dates as ISO; one whose date cannot be read says so (see :func:`torn`)."""
    order = order_of_dates([cells.get("date", "") for _, cells in rows], date_order)
    read = []
    for number, cells in rows:
        row = cells
        if "date" in cells and not torn(cells):
            try:
                moment = order.moment(cells["date"])
            except InputError as error:
                row = {**cells, TORN: str(error)}
            else:
                day = moment.time() == dt.time() and ":" not in cells["date"]
                row = {**cells, "date": iso_moment(moment.date() if day else moment)}
        read.append((number, row))
    return read, order.findings


def table_rows(
    path: str | Path, *, torn_rows: Literal["refuse", "keep"] = "refuse"
) -> tuple[tuple[str, ...], list[tuple[int, dict[str, str]]]]:
    """Return the columns of a table and its rows, each with its line number.

    Parameters
    ----------
    torn_rows
        What becomes of a row with too many or too few cells: it refuses the table, or is kept with what is
        wrong with it (see :func:`torn`).

    Raises
    ------
    LogError
        If it cannot be read, has no rows, names a column twice, or a row has too many or too few cells.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        msg = f"the table cannot be read: {reason}"
        raise LogError(msg, path=path) from error
    lines = _rows_of(text)
    _, first, _ = next(lines, (0, [], ""))
    columns = tuple(cell.strip() for cell in first)
    if "instrument" not in columns:
        msg = f"the table has no column 'instrument'; calibrations need {', '.join(CALIBRATION_COLUMNS)}"
        raise LogError(msg, path=path)
    twice = [name for name in columns if columns.count(name) > 1]
    if twice:
        msg = f"column {twice[0]!r} occurs twice"
        raise LogError(msg, path=path)
    rows = []
    for number, cells, broken in lines:
        wrong = broken
        if not broken and len(cells) != len(columns):
            wrong = f"{len(cells)} cells where the header has {len(columns)} columns"
        if wrong and torn_rows == "refuse":
            raise LogError(wrong, path=path, line=number)
        row = dict(zip(columns, (cell.strip() for cell in cells), strict=False))
        rows.append((number, {**row, TORN: wrong} if wrong else row))
    if not rows:
        msg = "the table holds no row"
        raise LogError(msg, path=path)
    return columns, rows


def torn(cells: Cells) -> str:
    """Return what is wrong with the cells of a row as such; empty where nothing is."""
    return cells.get(TORN, "")


def _rows_of(text: str) -> Iterator[tuple[int, list[str], str]]:
    """Yield line number, cells and what is wrong with them of every row that is neither empty nor a remark.

    A row in quotation marks may go over several lines; one whose marks do not close is its first line alone.
    """
    lines = list(io.StringIO(text, newline=""))
    columns, first = 0, 0
    while first < len(lines):
        reader, begin = csv.reader(lines[first:], strict=True), first
        try:
            for cells in reader:
                end = first + reader.line_num
                if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#"):
                    columns = columns or len(cells)
                    if end > begin + 1 and len(cells) != columns:
                        msg = f"a quotation mark closes only in line {end}"
                        raise csv.Error(msg)  # noqa: TRY301 - goes on below as any other
                    yield begin + 1, cells, ""
                begin = end
        except csv.Error as error:
            wrong = f"{error}; cells with commas or quotes stand in double quotes"
            yield begin + 1, lines[begin].rstrip("\r\n").split(","), wrong
        first = begin + 1


def check_columns(columns: tuple[str, ...], path: str | Path) -> None:
    """Refuse a table of calibrations without a column that it needs, or with one that nobody knows."""
    missing = [name for name in CALIBRATION_COLUMNS if name not in columns]
    if missing:
        msg = f"the table has no column {missing[0]!r}; calibrations need {', '.join(CALIBRATION_COLUMNS)}"
        raise LogError(msg, path=path)
    known = (*CALIBRATION_COLUMNS, *EXTRA_COLUMNS, *INSTRUMENT_COLUMNS)
    _check_known(columns, known, path)


def _check_known(columns: tuple[str, ...], known: tuple[str, ...], path: str | Path) -> None:
    strange = [name for name in columns if name not in known]
    if strange:
        msg = f"column {strange[0]!r} is not known; columns are {', '.join(known)}"
        raise LogError(msg, path=path)


def calibration_of(cells: Cells) -> Calibration:
    """Return the calibration in a row of a table; the columns of the instrument are left out."""
    names = [name for name in (*CALIBRATION_COLUMNS, *EXTRA_COLUMNS) if name in cells]
    return Calibration(**{name: cells[name] for name in names})  # type: ignore[arg-type]


def instrument_of(cells: Cells, name: str) -> Instrument:
    """Return the instrument that a row of a table describes; empty cells count as not given."""
    given = {part: cells[part] for part in INSTRUMENT_COLUMNS if cells.get(part)}
    return Instrument(name=name, **given)  # type: ignore[arg-type]


def _calibrations(
    register: Register, path: str | Path, columns: tuple[str, ...], rows: list[tuple[int, dict[str, str]]]
) -> tuple[list[Draft], int]:
    check_columns(columns, path)
    known = {one.name for one in register.instruments()}
    there = {(one.instrument, one.date): one for one in register.calibrations()}
    drafts, repeated = [], 0
    lines: dict[tuple[str, str], int] = {}
    for number, cells in rows:
        try:
            one = calibration_of(cells)
            if one.instrument not in known:
                drafts.append(Draft(fact=instrument_of(cells, one.instrument)))
                known.add(one.instrument)
        except InputError as error:
            raise LogError(str(error), path=path, line=number) from error
        key = (one.instrument, one.date)
        if key in lines:
            msg = f"{one.instrument} has a calibration of {one.date} in line {lines[key]} already"
            raise LogError(msg, path=path, line=number)
        lines[key] = number
        if there.get(key) == one:
            repeated += 1
            continue
        if key in there:
            msg = (
                f"the register holds another calibration of {one.instrument} on {one.date}; use 'correct' "
                "to say why it changes"
            )
            raise LogError(msg, path=path, line=number)
        drafts.append(Draft(fact=one))
    return drafts, repeated


def _instruments(
    register: Register, path: str | Path, columns: tuple[str, ...], rows: list[tuple[int, dict[str, str]]]
) -> tuple[list[Draft], int]:
    _check_known(columns, ("instrument", *INSTRUMENT_COLUMNS, "remark"), path)
    there = {one.name: one for one in register.instruments()}
    drafts, repeated = [], 0
    for number, cells in rows:
        try:
            name = checked_name(cells["instrument"])
            given = {part: cell for part, cell in cells.items() if part != "instrument" and cell}
            one = fact_of("instrument", {"name": name, **given})
        except InputError as error:
            raise LogError(str(error), path=path, line=number) from error
        if there.get(name) == one:
            repeated += 1
            continue
        if name in there:
            msg = f"there is another instrument {name!r} already; use 'correct' to say why it changes"
            raise LogError(msg, path=path, line=number)
        there[name] = one  # type: ignore[assignment]
        drafts.append(Draft(fact=one))
    return drafts, repeated


def export_table(register: Register) -> str:
    """Return the standing calibrations with their instruments as comma-separated text.

    Another register that imports it holds the same instruments and calibrations, but for instruments
    without a calibration; those stand in :func:`export_instruments`.
    """
    known = {one.name: one for one in register.instruments()}
    columns = (*CALIBRATION_COLUMNS, *EXTRA_COLUMNS, *INSTRUMENT_COLUMNS)
    rows = []
    for one in register.calibrations():
        about = known.get(one.instrument)
        described = {} if about is None else about.to_dict()
        content = {**{part: described.get(part) for part in INSTRUMENT_COLUMNS}, **one.to_dict()}
        rows.append([_cell(content[name]) for name in columns])
    return _table_text(columns, rows)


def export_instruments(register: Register) -> str:
    """Return the instruments as comma-separated text."""
    columns = ("instrument", *INSTRUMENT_COLUMNS, "remark")
    rows = []
    for one in register.instruments():
        content = {"instrument": one.name, **one.to_dict()}
        rows.append([_cell(content[name]) for name in columns])
    return _table_text(columns, rows)


def _table_text(columns: tuple[str, ...], rows: list[list[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else str(value)
