"""Tables in and out of a register: all rows of a table, or none.

A table with a column ``date`` holds calibrations, one a row: ``instrument``, ``date``, ``as_found``,
``as_left``, ``standard_uncertainty``, ``adjusted`` and, if you like, ``certificate`` and ``remark``.
Columns ``oscillator_class``, ``tolerance`` and ``nominal_frequency_hz`` beside them describe an
instrument that the register does not know yet. A table without ``date`` holds instruments. Lines that
begin with ``#`` are remarks.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from evenbeat.clock.calibration_points import FIELDS as OF_CALIBRATIONS
from evenbeat.clock.calibration_points import NEEDED, calibration_in, need_calibrations
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding
from evenbeat.register.facts import Calibration, Instrument, iso_moment
from evenbeat.register.register import Draft, Register
from evenbeat.tables import Field, Row, Table, guarded, read_table

CALIBRATION_COLUMNS = ("instrument", "date", "as_found", "as_left", "standard_uncertainty", "adjusted")
EXTRA_COLUMNS = ("certificate", "remark")
INSTRUMENT_COLUMNS = ("oscillator_class", "tolerance", "nominal_frequency_hz")
FIELDS = (
    *OF_CALIBRATIONS,
    Field(name="oscillator_class", also=("class",)),
    Field(name="tolerance", unit="1"),
    Field(name="certificate"),
    Field(name="remark"),
)
"""What a table may say of calibrations and of their instruments."""
_TEXTS = ("instrument", "certificate", "remark")


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


def import_table(
    register: Register,
    path: str | Path,
    *,
    date_order: str | None = None,
    nominal_frequency_hz: float | None = None,
) -> Imported:
    """Bring a table into a register.

    Parameters
    ----------
    date_order, nominal_frequency_hz
        As for :meth:`evenbeat.CalibrationHistory.from_table`.

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
    read = read_table(
        path,
        FIELDS,
        what="table",
        needed=("instrument",),
        date_order=date_order,
        nominal_frequency_hz=nominal_frequency_hz,
    )
    if set(NEEDED) & set(read.columns):
        need_calibrations(read)
        drafts, repeated = _calibrations(register, read)
    else:
        drafts, repeated = _instruments(register, read)
    try:
        register.append(drafts)
    except InputError as error:
        raise LogError(str(error), path=path) from error
    made = [draft.fact for draft in drafts]
    return Imported(
        instruments=sum(isinstance(fact, Instrument) for fact in made),
        calibrations=sum(isinstance(fact, Calibration) for fact in made),
        repeated=repeated,
        findings=read.findings,
    )


def calibration_of(row: Row) -> Calibration:
    """Return the calibration in a row of a table.

    Raises
    ------
    LogError
        If it cannot be used; the sentence names the line.
    """
    if row.wrong:
        raise row.error(row.wrong)
    one = calibration_in(row)
    try:
        return Calibration(
            instrument=row.text("instrument"),
            date=iso_moment(one.date if ":" in row.text("date") else one.date.date()),
            as_found=one.state or one.as_found,
            as_left=one.as_left,
            standard_uncertainty=one.standard_uncertainty,
            adjusted=one.adjusted,
            **{name: row.text(name) for name in EXTRA_COLUMNS},
        )
    except InputError as error:
        raise row.error(error) from error


def instrument_of(row: Row, **further: str) -> Instrument:
    """Return the instrument that a row of a table describes; empty cells count as not given."""
    nominal, described = row.number_in("nominal_frequency_hz", positive=True), row.text("oscillator_class")
    try:
        return Instrument(
            name=row.text("instrument"),
            **({"oscillator_class": described} if described else {}),
            tolerance=row.limits("tolerance"),  # type: ignore[arg-type]
            nominal_frequency_hz=nominal,
            **further,
        )
    except InputError as error:
        raise row.error(error) from error


def _calibrations(register: Register, read: Table) -> tuple[list[Draft], int]:
    known = {one.name for one in register.instruments()}
    there = {(one.instrument, one.date): one for one in register.calibrations()}
    drafts, repeated = [], 0
    lines: dict[tuple[str, str], str] = {}
    for row in read.rows:
        one = calibration_of(row)
        if one.instrument not in known:
            drafts.append(Draft(fact=instrument_of(row)))
            known.add(one.instrument)
        key = (one.instrument, one.date)
        if key in lines:
            msg = f"{one.instrument} has a calibration of {one.date} in {lines[key]} already"
            raise row.error(msg)
        lines[key] = row.place
        if there.get(key) == one:
            repeated += 1
            continue
        if key in there:
            msg = (
                f"the register holds another calibration of {one.instrument} on {one.date}; use 'correct' "
                "to say why it changes"
            )
            raise row.error(msg)
        drafts.append(Draft(fact=one))
    return drafts, repeated


def _instruments(register: Register, read: Table) -> tuple[list[Draft], int]:
    there = {one.name: one for one in register.instruments()}
    drafts, repeated = [], 0
    for row in read.rows:
        one = instrument_of(row, remark=row.text("remark"))
        if there.get(one.name) == one:
            repeated += 1
            continue
        if one.name in there:
            msg = f"there is another instrument {one.name!r} already; use 'correct' to say why it changes"
            raise row.error(msg)
        there[one.name] = one
        drafts.append(Draft(fact=one))
    return drafts, repeated


def export_table(register: Register) -> str:
    """Return the standing calibrations with their instruments as comma-separated text.

    Another register that imports it holds the same instruments and calibrations, but for instruments
    without a calibration; those stand in :func:`export_instruments`. A name, certificate or remark of which
    a spreadsheet would make a formula gets an apostrophe in front, which importing takes away.
    """
    known = {one.name: one for one in register.instruments()}
    columns = (*CALIBRATION_COLUMNS, *EXTRA_COLUMNS, *INSTRUMENT_COLUMNS)
    rows = []
    for one in register.calibrations():
        about = known.get(one.instrument)
        described = {} if about is None else about.to_dict()
        content = {**{part: described.get(part) for part in INSTRUMENT_COLUMNS}, **one.to_dict()}
        rows.append([_cell(name, content[name]) for name in columns])
    return _table_text(columns, rows)


def export_instruments(register: Register) -> str:
    """Return the instruments as comma-separated text."""
    columns = ("instrument", *INSTRUMENT_COLUMNS, "remark")
    rows = []
    for one in register.instruments():
        content = {"instrument": one.name, **one.to_dict()}
        rows.append([_cell(name, content[name]) for name in columns])
    return _table_text(columns, rows)


def _table_text(columns: tuple[str, ...], rows: list[list[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue()


def _cell(name: str, value: object) -> str:
    if name in _TEXTS:
        return guarded(str(value or ""))
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else str(value)
