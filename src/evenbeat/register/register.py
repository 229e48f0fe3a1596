"""``Register``: instruments, calibrations, events and assessments in one file that only grows.

Lay the file on a local disk: SQLite relies on file locks, which network drives and synchronised folders
grant wrongly often enough to damage a file. Copy it elsewhere only while nobody writes. Text is UTF-8,
times are UTC. Hashes: FIPS 180-4 (SHA-256).
"""

from __future__ import annotations

import getpass
import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from evenbeat import __version__
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.errors import InputError, LogError, OutputError
from evenbeat.findings import caution
from evenbeat.plain import Plain
from evenbeat.quantities import number_text
from evenbeat.record import Source
from evenbeat.register.facts import (
    FACTS,
    OFFSETS,
    Calibration,
    Event,
    Fact,
    Instrument,
    KeptAssessment,
    Kind,
    Status,
    What,
    day_of,
    fact_of,
    file_sha256,
    history_of,
    status_on,
    with_units,
)
from evenbeat.register.store import SCHEMA_VERSION, check_file, create_file, note_head, reading, writing

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = (
    "number",
    "kind",
    "instrument",
    "content",
    "corrects",
    "reason",
    "who",
    "role",
    "written_at",
    "software",
    "former_hash",
    "hash",
)
SOFTWARE = f"evenbeat {__version__}"
FORMAT = "all of a register"
_INSERT = f"INSERT INTO entries ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"  # noqa: S608
_cells = attrgetter(*COLUMNS)
_SELECT = f"SELECT {', '.join(COLUMNS)} FROM"
F = TypeVar("F", Instrument, Calibration, Event, KeptAssessment)


@dataclass(frozen=True, kw_only=True)
class Entry(Plain):
    """One row, from number 1 on without a gap.

    ``content`` is the JSON of the fact, ``None`` where the entry that it ``corrects`` is withdrawn. ``who``
    is the person who made it, as stated, ``account NAME`` where nobody was. Times are UTC, ISO; ``software``
    is what wrote it, with its version. The hashes are SHA-256 of the row before, and of this one with that.
    """

    number: int
    kind: Kind
    instrument: str
    content: str | None
    corrects: int | None
    reason: str | None
    who: str
    role: str
    written_at: str
    software: str
    former_hash: str
    hash: str

    @property
    def fact(self) -> Fact | None:
        """What it states; ``None`` for a withdrawal. ``LogError`` where it was changed and cannot be read."""
        return None if self.content is None else stated_fact(self.number, self.kind, self.content)

    def computed_hash(self) -> str:
        """Return the hash that this row must have."""
        return chained_hash(self.row[:-1])

    @property
    def row(self) -> tuple[int | str | None, ...]:
        """Its cells, in the order of the columns."""
        return _cells(self)

    def _facts(self) -> Mapping[str, object]:
        fact = self.fact
        return {**super()._facts(), "content": None if fact is None else fact.to_dict()}


def stated_fact(number: int, kind: Kind, content: str) -> Fact:
    """Return what an entry states, or raise ``LogError`` naming it: it was changed after it was written."""
    try:
        return fact_of(kind, json.loads(content))
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError) as error:
        msg = f"entry {number} cannot be used: {error}"
        raise LogError(msg) from error


canonical_text = json.JSONEncoder(
    ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False
).encode
"""The JSON of a fact: keys in order, no blanks, so that the same fact is the same text."""
_compact = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode


def chained_hash(parts: tuple[int | str | None, ...]) -> str:
    """Return the SHA-256 of everything a row says, the hash of the row before included.

    The parts are written as one JSON array, so that no text can pass for another: UTF-8, no blanks.
    """
    return hashlib.sha256(_compact(parts).encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A fact on its way into the register, perhaps in the place of an earlier entry."""

    fact: Fact | None
    corrects: int | None = None
    reason: str | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Holdings:
    """What stands in a register at one moment, corrections applied, by the name of the instrument.

    Instruments in order of their names, calibrations and events of each in order of time, assessments in the
    order they were written. ``head`` is ``number:hash`` of the last row.
    """

    instruments: Mapping[str, Instrument]
    calibrations: Mapping[str, list[Calibration]]
    events: Mapping[str, list[Event]]
    assessments: Mapping[str, list[KeptAssessment]]
    head: str

    @classmethod
    def of(cls, facts: Iterable[Fact], head: str) -> Holdings:
        """Sort facts by what they are and whom they are about."""
        by_kind: dict[str, dict[str, list[Any]]] = {kind: {} for kind in FACTS}
        for fact in facts:
            by_kind[fact.kind].setdefault(fact.instrument, []).append(fact)
        for kind in ("calibration", "event"):
            for own in by_kind[kind].values():
                own.sort(key=lambda one: one.moment)
        return cls(
            instruments={name: own[0] for name, own in sorted(by_kind["instrument"].items())},
            calibrations=dict(sorted(by_kind["calibration"].items())),
            events=by_kind["event"],
            assessments=by_kind["assessment"],
            head=head,
        )


@dataclass(frozen=True)
class Register:
    """A register on disk; get one from :meth:`open` or :meth:`create`.

    Every call opens the file for itself, so one object may be used by several threads and processes, and
    nothing has to be closed. A call that writes keeps all that it was given, or nothing.

    Parameters
    ----------
    path
        The SQLite file, on a local disk.
    who, role
        Who writes, and in what role: kept with every entry. Without a name the account of the computer is.
    """

    path: Path
    who: str = ""
    role: str = ""

    @classmethod
    def create(cls, path: str | Path, *, who: str = "", role: str = "") -> Register:
        """Make a new, empty register.

        Raises
        ------
        OutputError
            If the file exists or cannot be written.
        """
        create_file(Path(path))
        return cls(Path(path), who, role)

    @classmethod
    def open(cls, path: str | Path, *, who: str = "", role: str = "") -> Register:
        """Open a register.

        Raises
        ------
        LogError
            If the file is no register, is damaged, has a version that is not known, or holds what no
            register has.
        """
        check_file(Path(path))
        return cls(Path(path), who, role)

    def add_instrument(self, name: str, **parts: Any) -> Entry:
        """Add an instrument.

        Parameters
        ----------
        parts
            ``oscillator_class``, ``tolerance``, ``nominal_frequency_hz``, ``serial_number``, ``model``,
            ``place``, ``remark``: see :class:`evenbeat.register.facts.Instrument`.

        Raises
        ------
        InputError
            If a value cannot be used or there is an instrument of this name.
        """
        return self.append([Draft(fact=fact_of("instrument", {"name": name, **parts}))])[0]

    def add_calibration(self, instrument: str, *, date: str, **parts: Any) -> Entry:
        """Add a calibration.

        Offsets and uncertainties are fractions, or texts with a unit, ``"12 ppb"`` or, for an instrument with
        a nominal frequency, ``"0.1 Hz"``; what was typed is kept beside the fraction.

        Parameters
        ----------
        date
            ISO date, or date and time in UTC.
        parts
            ``as_found``, ``as_left``, ``standard_uncertainty``, ``as_left_uncertainty``, ``adjusted``,
            ``reference``, ``valid_until``, ``certificate``, ``certificate_sha256``, ``remark``: see
            :class:`evenbeat.register.facts.Calibration`.

        Raises
        ------
        InputError
            If it contradicts itself, instrument or reference is not known, or the instrument has one of this
            date already.
        """
        return self._added("calibration", instrument, {"date": date, **parts})

    def add_event(self, instrument: str, what: What, *, date: str, **parts: Any) -> Entry:
        """Add a repair, a move, an adjustment or a new status.

        Parameters
        ----------
        date
            ISO date, or date and time in UTC.
        parts
            ``change``, ``standard_uncertainty``, ``place``, ``remark``: see
            :class:`evenbeat.register.facts.Event`.

        Raises
        ------
        InputError
            If it contradicts itself or the instrument is not known.
        """
        return self._added("event", instrument, {"what": what, "date": date, **parts})

    def _added(self, kind: Kind, instrument: str, parts: Mapping[str, Any]) -> Entry:
        """Add a fact whose offsets may come with units."""
        typed = any(isinstance(parts.get(name), str) for name in (*OFFSETS, "change"))
        nominal = self.instrument(instrument).nominal_frequency_hz if typed else None
        fact = fact_of(kind, {"instrument": instrument, **with_units(parts, nominal)})
        return self.append([Draft(fact=fact)])[0]

    def add_assessment(self, assessment: KeptAssessment) -> Entry:
        """Add what an assessment said.

        Raises
        ------
        InputError
            If the instrument is not known.
        """
        return self.append([Draft(fact=assessment)])[0]

    def correct(self, number: int, *, because: str, **changes: Any) -> Entry:
        """Add a corrected copy of an entry, which stays where it is.

        Parameters
        ----------
        number
            Of the entry; of the last correction where it was corrected before.
        because
            The reason, kept with the correction.
        changes
            Parts of the fact with their new values.

        Raises
        ------
        InputError
            If there is no such entry, it was corrected before, or nothing changes.
        """
        with reading(self.path) as connection:
            former = _entry(connection, number)
        fact = former.fact
        if fact is None:
            msg = f"entry {number} is a withdrawal; add the fact again instead of correcting it"
            raise InputError(msg)
        content = {**fact.to_dict(), **changes}
        if isinstance(fact, Calibration):
            if not fact.adjusted and "as_left" not in changes:
                content["as_left"] = None  # it follows as_found
            if set(OFFSETS) & set(changes):
                content["as_entered"] = ""
        if not isinstance(fact, Instrument) and {*OFFSETS, "change"} & set(changes):
            content |= with_units(changes, self.instrument(str(content["instrument"])).nominal_frequency_hz)
        corrected = fact_of(former.kind, content)
        if corrected == fact:
            msg = f"nothing would change in entry {number}"
            raise InputError(msg)
        return self.append([Draft(fact=corrected, corrects=number, reason=because)])[0]

    def withdraw(self, number: int, *, because: str) -> Entry:
        """Add that an entry no longer stands; it stays where it is.

        Raises
        ------
        InputError
            If there is no such entry, or it was corrected before.
        """
        return self.append([Draft(fact=None, corrects=number, reason=because)])[0]

    def append(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        """Add facts in one transaction: all of them or none.

        Raises
        ------
        InputError
            If one of them does not fit what the register holds.
        OutputError
            If the file cannot be written.
        """
        written_at = datetime.now(UTC).replace(microsecond=0, tzinfo=None).isoformat() + "Z"
        signed = {"who": self.who.strip() or account(), "role": self.role.strip(), "written_at": written_at}
        with writing(self.path) as connection:
            held = _Held(connection)
            added = tuple(held.add(draft, signed) for draft in drafts)
            held.check_kept(added)
        if added:
            note_head(self.path, f"{added[-1].number}:{added[-1].hash}")
        return added

    @classmethod
    def from_lines(cls, path: str | Path, text: str, *, who: str = "", role: str = "") -> Register:
        """Make a new register that holds what :meth:`to_lines` wrote, every entry with its number and hash.

        Raises
        ------
        LogError
            If the text is no such export, or not as it was written; the sentence names the line.
        OutputError
            If the file exists or cannot be written.
        """
        return cls._holding(path, _entries_in(text), who=who, role=role)

    @classmethod
    def upgraded(cls, path: str | Path, old: str | Path, *, who: str = "", role: str = "") -> Register:
        """Make a new register of one of version 1, which stays as it is.

        Every entry keeps its number, content, reason, moment and software. Nobody signed one then: its role
        says who upgraded it, and keeps the SHA-256 of the old file.

        Raises
        ------
        LogError
            If the old file is no register of version 1, or its rows are not as they were written.
        OutputError
            If the new file exists or cannot be written.
        """
        first, digest = Path(old), file_sha256(old)
        check_file(first, version=1)
        by = ", ".join(filter(None, (who.strip() or account(), role.strip())))
        signed = {"who": "not stated", "role": f"upgraded from version 1 by {by}; old file SHA-256 {digest}"}
        names = tuple(name for name in COLUMNS if name not in signed)
        with reading(first) as connection:
            rows = connection.execute(f"SELECT {', '.join(names)} FROM entries ORDER BY number").fetchall()  # noqa: S608
        entries: list[Entry] = []
        former = ""
        for at, row in enumerate(rows, start=1):
            held = dict(zip(names, row, strict=True))
            if (held["number"], held["former_hash"], held["hash"]) != (at, former, chained_hash(row[:-1])):
                msg = f"entry {at} is not as it was written; go on with a copy from before"
                raise LogError(msg, path=first)
            former = held["hash"]
            follows = {"former_hash": entries[-1].hash if entries else "", "hash": ""}
            entry = Entry(**{**held, **signed, **follows})
            try:
                _ = entry.fact
            except LogError as error:
                msg = f"{error}; correct it with the evenbeat that wrote it"
                raise LogError(msg, path=first) from error
            entries.append(replace(entry, hash=entry.computed_hash()))
        return cls._holding(path, entries, who=who, role=role)

    @classmethod
    def _holding(cls, path: str | Path, entries: Sequence[Entry], *, who: str, role: str) -> Register:
        """Make a new register of entries as they are: all of them, or no file."""
        made = cls.create(path, who=who, role=role)
        try:
            with writing(made.path) as connection:
                held = _Held(connection)
                for entry in entries:
                    held.keep(entry)
                held.check_kept(entries)
        except BaseException:
            made.path.unlink(missing_ok=True)
            raise
        note_head(made.path, made.head())
        return made

    def to_lines(self, *, upto: int | None = None) -> str:
        """Return everything that the register holds, one entry a line as JSON, after a line about the whole.

        :meth:`from_lines` makes the same register of it: corrections, reasons, assessments, people and hashes
        included.

        Parameters
        ----------
        upto
            Number of the last entry, for the register as it was then; the last of all by default.
        """
        with reading(self.path) as connection:
            entries = [dict(zip(COLUMNS, row, strict=True)) for row in each_row(connection)][:upto]
        head = f"{entries[-1]['number']}:{entries[-1]['hash']}" if entries else "0:"
        whole = {"format": FORMAT, "version": SCHEMA_VERSION, "entries": len(entries), "head": head}
        return "".join(f"{json.dumps(line)}\n" for line in (whole, *entries))

    def entries(self, instrument: str | None = None) -> tuple[Entry, ...]:
        """Return all rows in the order they were written, or those of one instrument."""
        with reading(self.path) as connection:
            return tuple(map(_entry_of, each_row(connection, instrument)))

    def head(self) -> str:
        """Return ``number:hash`` of the last row, to be noted elsewhere: it shows later what was cut off."""
        with reading(self.path) as connection:
            return _head(connection)

    def holdings(self) -> Holdings:
        """Return all that stands, read at one moment."""
        with reading(self.path) as connection:
            entries = map(_entry_of, connection.execute(f"{_SELECT} standing_entries ORDER BY number"))
            return Holdings.of([fact for one in entries if (fact := one.fact)], _head(connection))

    def instruments(self) -> tuple[Instrument, ...]:
        """Return the instruments in order of their names, corrections applied."""
        return tuple(sorted(self._standing(Instrument), key=lambda one: one.name))

    def instrument(self, name: str) -> Instrument:
        """Return one instrument.

        Raises
        ------
        InputError
            If there is none of this name.
        """
        for one in self._standing(Instrument, name):
            return one
        raise InputError(unknown_instrument(name, self.path))

    def calibrations(self, instrument: str | None = None) -> tuple[Calibration, ...]:
        """Return calibrations by instrument and date, corrections applied, withdrawn ones left out."""
        found = self._standing(Calibration, instrument)
        return tuple(sorted(found, key=lambda one: (one.instrument, one.moment)))

    def events(self, instrument: str | None = None) -> tuple[Event, ...]:
        """Return repairs, moves, adjustments and changes of status by instrument and date."""
        return tuple(sorted(self._standing(Event, instrument), key=lambda one: (one.instrument, one.moment)))

    def status(self, instrument: str, *, on: str | date | None = None) -> tuple[Status, str | None]:
        """Return the status of an instrument on a day (today, UTC), and the date it has had it since.

        Raises
        ------
        InputError
            If the instrument is not known.
        """
        self.instrument(instrument)
        return status_on(self.events(instrument), datetime.now(UTC).date() if on is None else day_of(on))

    def assessments(self, instrument: str | None = None) -> tuple[KeptAssessment, ...]:
        """Return what was kept of assessments, in the order it was written."""
        return tuple(self._standing(KeptAssessment, instrument))

    def history(self, instrument: str) -> CalibrationHistory:
        """Return the calibrations of an instrument for :func:`evenbeat.fit_history`.

        Raises
        ------
        InputError
            If the instrument is not known or has no calibration, or none since it was repaired.

        Notes
        -----
        A repair begins the history anew; a move or an adjustment between calibrations makes the offset jump:
        see :func:`evenbeat.register.facts.history_of`.
        """
        self.instrument(instrument)
        found = list(self.calibrations(instrument))
        if not found:
            msg = f"{instrument} has no calibration in {self.path}"
            raise InputError(msg)
        return history_of(found, instrument, self.events(instrument))

    def question(self, instrument: str, *, on: str | date | None = None) -> dict[str, Any]:
        """Return what :func:`evenbeat.assess_history` is asked about an instrument, as its keywords.

        Its status is that on a day, today (UTC) by default. History, tolerance and class of the instrument;
        the reference of its last calibration with the day its own is due; and the register with the hash of
        its head as the input.

        Raises
        ------
        InputError
            If the instrument is not known, has no calibration, or none since it was repaired.
        """
        about, history = self.instrument(instrument), self.history(instrument)
        status, since = self.status(instrument, on=on)
        if status != "in use":
            sentence = f"{instrument} is {status} since {since}: nothing is due until it is in use again."
            idle = caution("NOT_IN_USE", sentence)
            history = replace(history, findings=(*history.findings, idle))
        asked: dict[str, Any] = {"table": history, "oscillator_class": about.oscillator_class}
        if about.tolerance is not None:
            asked["tolerance"] = about.tolerance
        last = self.calibrations(instrument)[-1]
        if last.reference:
            described, own = self.instrument(last.reference), None
            for one in self.calibrations(last.reference):
                own = one if one.moment <= last.moment else own
            said = [last.reference, f"No. {described.serial_number}" if described.serial_number else ""]
            if own is not None:
                said.append(f"calibrated {own.date}" + (f" ({own.certificate})" if own.certificate else ""))
                if own.as_left is not None:
                    said.append(f"offset {number_text(own.as_left, own.left_uncertainty)}")
                asked["reference_due"] = own.valid_until
            asked["reference"] = ", ".join(filter(None, said))
        number, _, digest = self.head().partition(":")
        asked["inputs"] = (
            Source(
                path=f"{self.path} (head {number})",
                sha256=digest,
                size_bytes=self.path.stat().st_size,
                rows=len(history),
            ),
        )
        return asked

    def to_frame(self) -> pd.DataFrame:
        """Return one row per standing calibration, with what is known of its instrument."""
        import pandas as pd

        held = self.holdings()
        rows = []
        for name, own in held.calibrations.items():
            about = held.instruments[name]
            described = {"oscillator_class": about.oscillator_class, "tolerance": about.tolerance}
            rows += [{**one.to_dict(), **described} for one in own]
        return pd.DataFrame(rows)

    def _standing(self, made: type[F], instrument: str | None = None) -> list[F]:
        where = "" if instrument is None else " AND instrument = ?"
        values = (made.kind,) if instrument is None else (made.kind, instrument)
        query = f"{_SELECT} standing_entries WHERE kind = ?{where} ORDER BY number"
        with reading(self.path) as connection:
            rows = connection.execute(query, values).fetchall()
        return [fact for row in rows if isinstance(fact := _entry_of(row).fact, made)]


class _Held:
    """What the register holds, as far as a new row has to fit it; used within one transaction."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        number, _, self._hash = _head(connection).partition(":")
        self._first = self._number = int(number)
        self._known: dict[str, bool] = {}
        self._dates: dict[str, dict[str, int]] = {}

    def add(self, draft: Draft, signed: Mapping[str, str]) -> Entry:
        """Add one row at the end of the chain."""
        former = None if draft.corrects is None else _entry(self._connection, draft.corrects)
        fact = draft.fact
        if former is not None:
            self._check_correction(draft, former)
            self._forget(former)
        about = former if fact is None else fact
        kind, name = about.kind, about.instrument  # type: ignore[union-attr]
        if fact is not None:
            self._check_fit(fact)
        content = None if fact is None else canonical_text(fact.to_dict())
        reason = None if draft.reason is None else draft.reason.strip()
        row = (self._number + 1, kind, name, content, draft.corrects, reason)
        said = (*row, signed["who"], signed["role"], signed["written_at"], SOFTWARE, self._hash)
        entry = _entry_of((*said, chained_hash(said)))
        self.keep(entry)
        self._remember(entry, fact)
        return entry

    def keep(self, entry: Entry) -> None:
        """Write one row as it is."""
        self._connection.execute(_INSERT, entry.row)
        self._number, self._hash = entry.number, entry.hash

    def check_kept(self, added: Sequence[Entry]) -> None:
        """Read again what was written: a trigger may have swallowed it."""
        rows = self._connection.execute(f"{_SELECT} entries WHERE number > ?", (self._first,))
        there = {row[0]: row for row in rows}
        for entry in added:
            if there.get(entry.number) != entry.row:
                msg = f"the register did not keep entry {entry.number} as it was given; nothing was added"
                raise OutputError(msg)

    def _check_correction(self, draft: Draft, former: Entry) -> None:
        found = self._connection.execute("SELECT number FROM entries WHERE corrects = ?", (former.number,))
        fact, later, name = draft.fact, found.fetchone(), former.instrument
        wrong = ""
        if fact is None and former.kind == "instrument" and self._dates_of(name):
            wrong = (
                f"{name} still has calibrations; withdraw them first, or retire it with the event 'retired'"
            )
        elif not (draft.reason or "").strip():
            wrong = f"a correction of entry {former.number} needs a reason; say why with because"
        elif later is not None:
            wrong = f"entry {former.number} was corrected by entry {later[0]} already; correct that one"
        elif fact is not None and fact.kind != former.kind:
            wrong = f"entry {former.number} is of kind {former.kind}, not {fact.kind}"
        elif isinstance(fact, Instrument) and fact.name != name:
            wrong = (
                f"{name} cannot be renamed, for its calibrations are filed under this name; withdraw it and "
                "add the other"
            )
        if wrong:
            raise InputError(wrong)

    def _check_fit(self, fact: Fact) -> None:
        if isinstance(fact, Instrument):
            if self._knows(fact.name):
                msg = f"there is an instrument {fact.name!r} already; correct its entry instead"
                raise InputError(msg)
            return
        if not self._knows(fact.instrument):
            raise InputError(unknown_instrument(fact.instrument))
        if isinstance(fact, Calibration):
            if fact.reference and not self._knows(fact.reference):
                raise InputError(unknown_instrument(fact.reference))
            there = self._dates_of(fact.instrument).get(fact.date)
            if there is not None:
                msg = (
                    f"{fact.instrument} has a calibration of {fact.date} already (entry {there}); correct "
                    "that entry, or give the time of day as well"
                )
                raise InputError(msg)

    def _forget(self, former: Entry) -> None:
        """Take what is corrected out of the way of its own correction."""
        if isinstance(former.fact, Instrument):
            self._known[former.instrument] = False
        elif isinstance(former.fact, Calibration):
            self._dates_of(former.instrument).pop(former.fact.date, None)

    def _remember(self, entry: Entry, fact: Fact | None) -> None:
        if isinstance(fact, Instrument):
            self._known[fact.name] = True
            if entry.corrects is None:  # who is new has no calibration
                self._dates.setdefault(fact.name, {})
        elif isinstance(fact, Calibration):
            self._dates_of(fact.instrument)[fact.date] = entry.number

    def _knows(self, name: str) -> bool:
        if name not in self._known:
            query = "SELECT 1 FROM standing_entries WHERE kind = 'instrument' AND instrument = ?"
            self._known[name] = self._connection.execute(query, (name,)).fetchone() is not None
        return self._known[name]

    def _dates_of(self, name: str) -> dict[str, int]:
        if name not in self._dates:
            rows = self._connection.execute(
                "SELECT date, number FROM calibrations WHERE instrument = ?", (name,)
            )
            self._dates[name] = dict(rows.fetchall())
        return self._dates[name]


def _entries_in(text: str) -> list[Entry]:
    """Return the entries of an export, each checked, and that they are all of it."""
    entries: list[Entry] = []
    head, said = "0:", "nothing"
    for number, line in enumerate(text.splitlines()):
        wrong = ""
        try:
            found = json.loads(line)
            if number == 0:
                said = f"{found['entries']} entries, head {found['head']}"
                if (found["format"], found["version"]) != (FORMAT, SCHEMA_VERSION):
                    wrong = f"it says {found['format']!r}, version {found['version']}"
            else:
                entry = Entry(**found)
                if f"{entry.number - 1}:{entry.former_hash}" != head:
                    wrong = f"entry {entry.number} does not follow the one before"
                elif entry.computed_hash() != entry.hash or (entry.content and not entry.fact):
                    wrong = f"entry {entry.number} is not as it was written"
                entries.append(entry)
                head = f"{entry.number}:{entry.hash}"
        except (ValueError, TypeError, LookupError, AttributeError) as error:
            wrong = str(error)
        if wrong:
            msg = f"line {number + 1} is none of a whole register of version {SCHEMA_VERSION}: {wrong}"
            raise LogError(msg)
    if said != f"{len(entries)} entries, head {head}":
        msg = f"the text says {said}, but holds {len(entries)} entries; give all of a whole register"
        raise LogError(msg)
    return entries


def account() -> str:
    """Return ``account NAME``, of whoever is logged in."""
    try:
        return f"account {getpass.getuser()}"
    except (OSError, KeyError, ImportError):
        return "account unknown"


def each_row(connection: sqlite3.Connection, instrument: str | None = None) -> Iterable[Any]:
    """Return the rows in order, those of one instrument only if one is named."""
    if instrument is None:
        return connection.execute(f"{_SELECT} entries ORDER BY number")
    return connection.execute(f"{_SELECT} entries WHERE instrument = ? ORDER BY number", (instrument,))


def _head(connection: sqlite3.Connection) -> str:
    """Return ``number:hash`` of the last row."""
    found = connection.execute("SELECT number, hash FROM entries ORDER BY number DESC LIMIT 1").fetchone()
    return "0:" if found is None else f"{found[0]}:{found[1]}"


def _entry(connection: sqlite3.Connection, number: int) -> Entry:
    row = connection.execute(f"{_SELECT} entries WHERE number = ?", (number,)).fetchone()
    if row is None:
        last = connection.execute("SELECT coalesce(max(number), 0) FROM entries").fetchone()[0]
        msg = f"there is no entry {number}; the register holds entries 1 to {last}"
        raise InputError(msg)
    return _entry_of(row)


def _entry_of(row: Sequence[Any]) -> Entry:
    return Entry(**dict(zip(COLUMNS, row, strict=True)))


def unknown_instrument(name: str, path: Path | None = None) -> str:
    """Return the sentence about an instrument that is not in a register."""
    where = "the register" if path is None else str(path)
    return f"there is no instrument {name!r} in {where}; add it first"
