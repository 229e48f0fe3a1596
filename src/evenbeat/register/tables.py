"""Tables in and out of a register: all rows of a table, or none.

A table with a column ``date`` holds calibrations, one a row: ``instrument``, ``date``, ``as_found``,
``as_left``, ``standard_uncertainty``, ``adjusted`` and, if you like, ``as_left_uncertainty``, ``reference``,
``valid_until``, ``certificate``, ``certificate_sha256`` and ``remark``. Columns ``oscillator_class``,
``tolerance``, ``nominal_frequency_hz``, ``serial_number``, ``model`` and ``place`` beside them describe an
instrument that the register does not know yet; of one that it knows they must say the same. A table without
``date`` holds instruments, with ``status`` and ``status_since`` if you like. Lines that begin with ``#`` are
remarks. Events, corrections, reasons and assessments have no columns: :meth:`Register.to_lines` writes
everything.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from dataclasses import dataclass
from pathlib import Path

from evenbeat.clock.calibration_points import FIELDS as OF_CALIBRATIONS
from evenbeat.clock.calibration_points import NEEDED, calibration_in, need_calibrations
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding, caution
from evenbeat.register.facts import Calibration, Event, Instrument, iso_moment, status_on
from evenbeat.register.register import Draft, Register
from evenbeat.register.store import uncollected
from evenbeat.tables import Field, Row, Table, guarded, read_table
from evenbeat.units import counted

OF_CALIBRATION = ("instrument", "date", "as_found", "as_left", "standard_uncertainty", "adjusted")
TEXTS = ("certificate", "remark", "reference", "certificate_sha256", "as_entered")
OF_INSTRUMENT = ("oscillator_class", "tolerance", "nominal_frequency_hz", "serial_number", "model", "place")
FIELDS = (
    *OF_CALIBRATIONS,
    Field(name="oscillator_class", also=("class",)),
    Field(name="tolerance", unit="1"),
    *(Field(name=name) for name in (*TEXTS, "valid_until", *OF_INSTRUMENT[3:], "status", "status_since")),
)
"""What a table may say of calibrations and of their instruments."""
_NUMBERS = ("as_found", "as_left", "standard_uncertainty", "as_left_uncertainty", "tolerance")


@dataclass(frozen=True, kw_only=True)
class Imported:
    """What a table brought into a register: entries added, of events only changes of status.

    Rows ``repeated`` were there already, word for word, and not added again.
    """

    instruments: int
    calibrations: int
    repeated: int
    events: int = 0
    findings: tuple[Finding, ...] = ()

    def __str__(self) -> str:
        said = (
            f"{counted(self.instruments, 'instrument')} and {counted(self.calibrations, 'calibration')} added"
        )
        if self.events:
            said += f", {self.events} of the instruments with another status"
        if self.repeated:
            said += f", {counted(self.repeated, 'row was', 'rows were')} there already"
        return "\n".join([said, *(f"[{finding.severity}] {finding.sentence}" for finding in self.findings)])


@uncollected()
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
    register, path
        Where to, and the table: of calibrations, as :meth:`evenbeat.CalibrationHistory.from_table` reads it.
    date_order, nominal_frequency_hz
        As for :meth:`evenbeat.CalibrationHistory.from_table`.

    Returns
    -------
    Imported
        How many instruments and calibrations came in.

    Raises
    ------
    LogError
        If the table cannot be read, its dates may be read in two ways, a row cannot be used, or it says
        another tolerance, class or identity of an instrument than the register; the sentence names the line,
        and nothing is added.

    Examples
    --------
    >>> import evenbeat as eb, tempfile, pathlib
    >>> folder = tempfile.TemporaryDirectory()
    >>> register = eb.Register.create(pathlib.Path(folder.name) / "workshop.sqlite")
    >>> done = eb.register.import_table(register, eb.demo_data("fleet-history.csv"))
    >>> done.calibrations
    114
    >>> folder.cleanup()

    References
    ----------
    Source: RFC 4180 (comma-separated values)
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
        drafts, repeated, findings = _calibrations(register, read)
    else:
        findings = []
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
        events=sum(isinstance(fact, Event) for fact in made),
        findings=(*read.findings, *findings),
    )


def calibration_of(row: Row) -> Calibration:
    """Return the calibration in a row of a table."""
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
            as_left_uncertainty=one.as_left_uncertainty,
            adjusted=one.adjusted,
            valid_until=row.moment("valid_until").date().isoformat() if row.given("valid_until") else None,
            **{name: row.text(name) for name in TEXTS},
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
            **{name: row.text(name) for name in OF_INSTRUMENT[3:]},
            **further,
        )
    except InputError as error:
        raise row.error(error) from error


def _calibrations(register: Register, read: Table) -> tuple[list[Draft], int, list[Finding]]:
    there = {(one.instrument, one.date): one for one in register.calibrations()}
    new, findings = _new_instruments(register, read)
    drafts, repeated = [Draft(fact=one) for one in new], 0
    lines: dict[tuple[str, str], str] = {}
    for row in read.rows:
        one = calibration_of(row)
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
    return drafts, repeated, findings


def _new_instruments(register: Register, read: Table) -> tuple[list[Instrument], list[Finding]]:
    """Return the instruments of a table of calibrations that are new, with all that its rows say of them.

    What the table says of others beyond the register is a finding.
    """
    known = {one.name: one for one in register.instruments()}
    parts = [name for name in OF_INSTRUMENT if name in read.columns]
    said: dict[str, dict[str, tuple[object, Row]]] = {}
    looked_at = set()
    findings: list[Finding] = []
    for row in read.rows:
        if row.wrong:
            raise row.error(row.wrong)
        cells = tuple(row.text(name) for name in ("instrument", *parts))
        if cells in looked_at:
            continue
        looked_at.add(cells)
        one = instrument_of(row)
        own = said.setdefault(one.name, {})
        for part in parts:
            value = getattr(one, part)
            if value in (None, ""):
                continue
            former, before = own.setdefault(part, (value, row))
            if not _same(value, former):
                msg = (
                    f"{part} of {one.name} is {value}, in {before.place} it is {former}; say the same in "
                    "every row"
                )
                raise row.error(msg)
            held = getattr(known[one.name], part) if one.name in known else value
            if held in (None, ""):
                sentence = (
                    f"{row.where}: {part} of {one.name} is {value}, which the register does not state; it "
                    "was not taken over: use 'correct' to add it."
                )
                if before is row:
                    findings.append(caution("NOT_TAKEN_OVER", sentence))
            elif not _same(value, held):
                msg = (
                    f"{part} of {one.name} is {value}, in the register it is {held}; use 'correct' to say "
                    "why it changes, or leave it out"
                )
                raise row.error(msg)
    new = [
        Instrument(name=name, **{part: value for part, (value, _) in own.items()})  # type: ignore[arg-type]
        for name, own in said.items()
        if name not in known
    ]
    return new, findings


def _same(one: object, other: object) -> bool:
    """Return whether two cells say the same; numbers may have been written in other units."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9)
    return one == other


def _instruments(register: Register, read: Table) -> tuple[list[Draft], int]:
    there = {one.name: one for one in register.instruments()}
    drafts, repeated = [], 0
    for row in read.rows:
        one = instrument_of(row, remark=row.text("remark"))
        status = row.text("status").lower() or "in use"
        if there.get(one.name) == one:
            held = register.status(one.name)[0]
            if row.given("status") and status != held:
                msg = (
                    f"{one.name} is {status}, in the register it is {held}; use 'add-event' to say since when"
                )
                raise row.error(msg)
            repeated += 1
            continue
        if one.name in there:
            msg = f"there is another instrument {one.name!r} already; use 'correct' to say why it changes"
            raise row.error(msg)
        there[one.name] = one
        drafts.append(Draft(fact=one))
        if status != "in use":
            if not row.given("status_since"):
                msg = f"{one.name} is {status}, but not since when; give status_since"
                raise row.error(msg)
            since = row.moment("status_since").date().isoformat()
            try:
                drafts.append(Draft(fact=Event(instrument=one.name, what=status, date=since)))  # type: ignore[arg-type]
            except InputError as error:
                raise row.error(error) from error
    return drafts, repeated


def export_table(register: Register) -> str:
    """Return the standing calibrations with their instruments as comma-separated text.

    Another register that imports it holds the same calibrations and their instruments; those without a
    calibration stand in :func:`export_instruments`. A text of which a spreadsheet would make a formula gets
    an apostrophe in front, which importing takes away. Nothing at all is lost by :meth:`Register.to_lines`.
    """
    held = register.holdings()
    columns = (
        *(*OF_CALIBRATION, *TEXTS[:2], *OF_INSTRUMENT[:3], "as_left_uncertainty", "reference"),
        *("valid_until", *TEXTS[3:], *OF_INSTRUMENT[3:]),
    )
    rows = []
    for name, own in held.calibrations.items():
        described = {part: getattr(held.instruments[name], part) for part in OF_INSTRUMENT}
        rows += [{**described, **one.to_dict()} for one in own]
    return _table_text(columns, rows)


def export_instruments(register: Register) -> str:
    """Return the instruments with their status as comma-separated text."""
    columns = ("instrument", *OF_INSTRUMENT[:3], "remark", *OF_INSTRUMENT[3:], "status", "status_since")
    held = register.holdings()
    rows = []
    for name, one in held.instruments.items():
        status, since = status_on(held.events.get(name, ()), dt.date.max)
        day = None if since is None else since[:10]
        rows.append({"instrument": name, **one.to_dict(), "status": status, "status_since": day})
    return _table_text(columns, rows)


def _table_text(columns: tuple[str, ...], rows: list[dict[str, object]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(name, row[name]) for name in columns] for row in rows)
    return text.getvalue()


def _cell(name: str, value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and name not in _NUMBERS:
        return guarded(value)
    return repr(value) if isinstance(value, float) else str(value)
