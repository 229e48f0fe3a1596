"""The members of a fleet: instruments with their rows, from a register, a table or a frame; logs of a folder.

Nothing of a row is judged here but where it belongs: that is work for the many processes, and a row that
cannot be used must not stop the others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from evenbeat.clock.calibration_points import need_calibrations
from evenbeat.errors import LogError
from evenbeat.findings import Finding, note
from evenbeat.register.facts import Calibration, Event, Instrument
from evenbeat.register.register import Holdings, Register
from evenbeat.register.store import is_database
from evenbeat.register.tables import FIELDS
from evenbeat.register.verification import intact_holdings
from evenbeat.tables import Row, TableLike, read_table


@dataclass(frozen=True, kw_only=True)
class Member:
    """One instrument of a fleet.

    ``about`` is what the register states of it (a table says it row by row), ``rows`` its calibrations in any
    order. ``overdue_reference`` says what is wrong with the reference of the last one, ``log`` is the file
    where it is known from a log.
    """

    name: str
    rows: tuple[Calibration | Row, ...] = ()
    events: tuple[Event, ...] = ()
    overdue_reference: str = ""
    about: Instrument | None = None
    log: str | None = None


def members_of(
    source: Register | TableLike, date_order: str | None = None, nominal_frequency_hz: float | None = None
) -> tuple[list[Member], dict[str, str], tuple[Finding, ...], Holdings | None]:
    """Return the members of a fleet, what the source is, what was assumed, and what a register holds."""
    if isinstance(source, Register):
        held, name = intact_holdings(source), source.path.name
        sentence = f"Made from the register {name} with head {held.head}."
        made = note("REGISTER_HEAD", sentence)
        return _register_members(held), {"name": name, "head": held.head}, (made,), held
    if not isinstance(source, str | Path):
        members, assumed = table_members(source, date_order, nominal_frequency_hz)
        return members, {"name": "a table in memory"}, assumed, None
    path = Path(source)
    if path.is_dir():
        return log_members(path), {"name": path.resolve().name}, (), None
    if is_database(path):
        return members_of(Register.open(path))
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        msg = f"cannot be read: {error.strerror}; give a register, a table or a folder of logs"
        raise LogError(msg, path=path) from error
    members, assumed = table_members(path, date_order, nominal_frequency_hz)
    return members, {"name": path.name, "sha256": digest}, assumed, None


def _register_members(held: Holdings) -> list[Member]:
    """Return the instruments of a register with their standing calibrations, in order of their names."""
    return [
        Member(
            name=name,
            rows=tuple(held.calibrations.get(name, ())),
            events=tuple(held.events.get(name, ())),
            overdue_reference=_overdue_reference(held.calibrations.get(name), held.calibrations),
            about=one,
        )
        for name, one in held.instruments.items()
    ]


def _overdue_reference(own: list[Calibration] | None, every: Mapping[str, list[Calibration]]) -> str:
    """Say which reference was itself overdue when the last calibration was made against it."""
    last = own[-1] if own else None
    if last is None or not last.reference:
        return ""
    before = [one for one in every.get(last.reference, ()) if one.moment <= last.moment]
    if not before:
        return f"{last.reference} had no calibration when it served as reference on {last.date}."
    until = before[-1].valid_until
    if until is None or until >= last.date[:10]:
        return ""
    return f"{last.reference} was due on {until}, before it served as reference on {last.date}."


def table_members(
    table: TableLike, date_order: str | None = None, nominal_frequency_hz: float | None = None
) -> tuple[list[Member], tuple[Finding, ...]]:
    """Return the instruments of a table with their rows, in order of their names, and what was assumed."""
    read = read_table(
        table,
        FIELDS,
        what="table",
        needed=("instrument",),
        date_order=date_order,
        nominal_frequency_hz=nominal_frequency_hz,
        torn_rows="keep",
    )
    need_calibrations(read)
    source = Path(read.path).name if read.path else "the table"
    named = replace(read.rows[0].writing, path=source if read.path else None)  # a list says no folder
    members: dict[str, list[Row]] = {}
    for row in read.rows:
        members.setdefault(row.text("instrument"), []).append(replace(row, writing=named))
    found = [
        Member(name=name or f"without a name ({own[0].place})", rows=tuple(own))
        for name, own in sorted(members.items())
    ]
    return found, read.findings


def log_members(folder: str | Path) -> list[Member]:
    """Return the logs of a folder, one instrument each, in order of their names."""
    files = sorted(path for path in Path(folder).iterdir() if path.is_file() and path.name[0] != ".")
    if not files:
        msg = f"{folder} holds no log"
        raise LogError(msg)
    return [Member(name=path.name.split(".")[0], log=str(path)) for path in files]
