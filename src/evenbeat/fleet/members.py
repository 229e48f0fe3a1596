"""The members of a fleet: instruments with their rows, from a register, a table or a frame; logs of a folder.

Nothing of a row is judged here but where it belongs: that is work for the many processes, and a row that
cannot be used must not stop the others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, cast

from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding
from evenbeat.register.facts import Calibration
from evenbeat.register.register import Register
from evenbeat.register.tables import check_columns, table_rows, with_iso_dates
from evenbeat.register.verification import opened_intact

if TYPE_CHECKING:
    import pandas as pd

SQLITE_BEGINS = b"SQLite format 3\x00"
Row = tuple[str, Calibration | Mapping[str, str]]
"""Where it stands (``line 7``), and what it says: checked already, or as text."""


@dataclass(frozen=True, kw_only=True)
class Member:
    """One instrument of a fleet.

    Attributes
    ----------
    source
        Name of the register or table that its rows stand in.
    described
        ``oscillator_class`` and ``tolerance``, where the register states them; a table says them row by row.
    rows
        Its calibrations in any order.
    log
        The file, where it is known from a log.
    """

    name: str
    rows: tuple[Row, ...] = ()
    source: str = ""
    described: Mapping[str, object] | None = None
    log: str | None = None


def members_of(
    source: Register | str | Path | pd.DataFrame, date_order: str | None = None
) -> tuple[list[Member], dict[str, str], tuple[Finding, ...]]:
    """Return the members of a fleet, what the source is, and what was assumed of it.

    Raises
    ------
    LogError
        If the source as a whole cannot be read.
    """
    if isinstance(source, Register):
        return register_members(source), {"name": source.path.name, "head": source.head()}, ()
    if not isinstance(source, str | Path):
        members, assumed = table_members(source, date_order)
        return members, {"name": "a table in memory"}, assumed
    path = Path(source)
    if path.is_dir():
        return log_members(path), {"name": path.resolve().name}, ()
    try:
        with path.open("rb") as file:
            begins = file.read(len(SQLITE_BEGINS))
            if begins == SQLITE_BEGINS:
                return members_of(opened_intact(path), date_order)
            file.seek(0)
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        msg = f"cannot be read: {error.strerror}; give a register, a table or a folder of logs"
        raise LogError(msg, path=path) from error
    members, assumed = table_members(path, date_order)
    return members, {"name": path.name, "sha256": digest}, assumed


def register_members(register: Register) -> list[Member]:
    """Return the instruments of a register with their standing calibrations, in order of their names."""
    rows: dict[str, list[Row]] = {one.name: [] for one in register.instruments()}
    for calibration in register.calibrations():
        rows.setdefault(calibration.instrument, []).append((calibration.date, calibration))
    described = {one.name: one.to_dict() for one in register.instruments()}
    return [
        Member(name=name, rows=tuple(own), source=register.path.name, described=described.get(name))
        for name, own in sorted(rows.items())
    ]


def table_members(
    table: str | Path | pd.DataFrame, date_order: str | None = None
) -> tuple[list[Member], tuple[Finding, ...]]:
    """Return the instruments of a table with their rows, in order of their names, and what was assumed.

    Parameters
    ----------
    date_order
        ``day-first`` or ``month-first`` for dates such as 03/04/2026, where no date of the table says so.

    Raises
    ------
    LogError
        If the table cannot be read or has no column that it needs.
    """
    if hasattr(table, "columns"):
        source, counted = "the table", "row"
        columns, rows = _rows_of_frame(cast("pd.DataFrame", table))
    else:
        source, counted = Path(table).name, "line"
        columns, rows = table_rows(table, torn_rows="keep")
    check_columns(columns, source if counted == "row" else str(table))
    rows, findings = with_iso_dates(rows, date_order)
    members: dict[str, list[Row]] = {}
    for number, cells in rows:
        members.setdefault(cells.get("instrument", "").strip(), []).append((f"{counted} {number}", cells))
    found = [
        Member(name=name or f"without a name ({own[0][0]})", rows=tuple(own), source=source)
        for name, own in sorted(members.items())
    ]
    return found, findings


def _rows_of_frame(frame: pd.DataFrame) -> tuple[tuple[str, ...], list[tuple[int, dict[str, str]]]]:
    columns = tuple(str(name) for name in frame.columns)
    if frame.empty:
        msg = "the table holds no row"
        raise LogError(msg)
    texts = [
        ["" if missing else str(cell) for cell, missing in zip(frame[name], frame[name].isna(), strict=True)]
        for name in frame.columns
    ]
    rows = [dict(zip(columns, cells, strict=True)) for cells in zip(*texts, strict=True)]
    return columns, list(enumerate(rows, start=1))


def log_members(folder: str | Path) -> list[Member]:
    """Return the logs of a folder, one instrument each, in order of their names.

    Raises
    ------
    LogError
        If the folder holds no file.
    """
    files = sorted(path for path in Path(folder).iterdir() if path.is_file() and path.name[0] != ".")
    if not files:
        msg = f"{folder} holds no log"
        raise LogError(msg)
    return [Member(name=path.name.split(".")[0], log=str(path)) for path in files]


def stated(member: Member, name: str) -> object:
    """Return what is said of an instrument, in the register or in all rows of a table alike.

    Raises
    ------
    InputError
        If two rows differ.
    """
    if member.described is not None:
        return member.described.get(name)
    found: dict[str, str] = {}
    for label, cells in member.rows:
        said = cells.get(name, "").strip() if isinstance(cells, Mapping) else ""
        if said:
            found.setdefault(said, label)
    if len(found) > 1:
        (one, first), (other, second) = list(found.items())[:2]
        msg = f"{member.source}: {first} says {name} {one}, {second} says {other}; say the same in every row"
        raise InputError(msg)
    return next(iter(found), None)
