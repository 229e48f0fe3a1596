"""The file of a register: tables, triggers that refuse changes, views for any SQLite tool; and transactions.

Nothing in the file may be updated or deleted, and a row can only be added at the end of the chain:
triggers refuse everything else, ``INSERT OR REPLACE`` included. Whoever removes the triggers first can
still change rows; the chain of hashes then tells (:mod:`evenbeat.register.verification`).

Every write is one transaction that holds the file for itself.
A rollback journal is used, not a write-ahead log: the register stays one file, and a process that dies in
the middle of a write leaves a journal from which the next one to open the file restores it. Writers wait
for each other (``BEGIN IMMEDIATE`` with a busy timeout).
"""

from __future__ import annotations

import gc
import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from evenbeat.disk import write_whole
from evenbeat.errors import InputError, LogError, OutputError
from evenbeat.plain import Plain

SCHEMA_VERSION = 2
APPLICATION_ID = 0x45424254
"""Marks the file as a register of ours (SQLite's ``application_id``; the letters EBBT)."""

ENTRIES = """
CREATE TABLE entries (
  number      INTEGER PRIMARY KEY CHECK (number > 0),
  kind        TEXT NOT NULL CHECK (kind IN ('instrument', 'calibration', 'event', 'assessment')),
  instrument  TEXT NOT NULL CHECK (length(instrument) > 0),
  content     TEXT CHECK (content IS NULL OR json_valid(content)),
  corrects    INTEGER UNIQUE REFERENCES entries (number),
  reason      TEXT,
  who         TEXT NOT NULL CHECK (length(who) > 0),
  role        TEXT NOT NULL,
  written_at  TEXT NOT NULL,
  software    TEXT NOT NULL,
  former_hash TEXT NOT NULL,
  hash        TEXT NOT NULL UNIQUE CHECK (length(hash) = 64),
  CHECK (corrects IS NULL OR corrects < number),
  CHECK ((corrects IS NULL) = (reason IS NULL)),
  CHECK (content IS NOT NULL OR corrects IS NOT NULL)
)
"""

INDEX = "CREATE INDEX entries_of_instrument ON entries (instrument, kind)"

NO_UPDATE = """
CREATE TRIGGER entries_never_change BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'the register only grows: add a correction instead of changing an entry'); END
"""

NO_DELETE = """
CREATE TRIGGER entries_never_vanish BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'the register only grows: add a withdrawal instead of deleting an entry'); END
"""

ONLY_AT_THE_END = """
CREATE TRIGGER entries_follow_each_other BEFORE INSERT ON entries
WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
  OR NEW.former_hash IS NOT coalesce((SELECT hash FROM entries ORDER BY number DESC LIMIT 1), '')
BEGIN SELECT RAISE(ABORT, 'the register only grows at its end: number and former hash must follow'); END
"""

STANDING = """
CREATE VIEW standing_entries AS
SELECT * FROM entries AS entry
WHERE content IS NOT NULL AND NOT EXISTS (SELECT 1 FROM entries AS later WHERE later.corrects = entry.number)
"""

CALIBRATIONS = """
CREATE VIEW calibrations AS
SELECT number, instrument,
       json_extract(content, '$.date') AS date,
       json_extract(content, '$.as_found') AS as_found,
       json_extract(content, '$.as_left') AS as_left,
       json_extract(content, '$.standard_uncertainty') AS standard_uncertainty,
       json_extract(content, '$.as_left_uncertainty') AS as_left_uncertainty,
       json_extract(content, '$.adjusted') AS adjusted,
       json_extract(content, '$.reference') AS reference,
       json_extract(content, '$.valid_until') AS valid_until,
       json_extract(content, '$.certificate') AS certificate,
       json_extract(content, '$.certificate_sha256') AS certificate_sha256,
       json_extract(content, '$.remark') AS remark
FROM standing_entries WHERE kind = 'calibration' ORDER BY instrument, date
"""

STATEMENTS = (ENTRIES, INDEX, NO_UPDATE, NO_DELETE, ONLY_AT_THE_END, STANDING, CALIBRATIONS)

PATIENCE_S = 20.0
"""How long one process waits for another that is writing."""


def is_database(path: str | Path) -> bool:
    """Return whether a file begins as one of SQLite does; ``False`` where it cannot be read."""
    try:
        with Path(path).open("rb") as file:
            return file.read(16) == b"SQLite format 3\x00"
    except OSError:
        return False


def create_file(path: Path) -> None:
    """Make an empty register."""
    if path.exists() and path.stat().st_size > 0:
        msg = f"{path} exists already; open it, or choose another name for a new register"
        raise OutputError(msg)
    try:
        with closing(_connected(path, mode="rwc")) as connection, transaction(connection):
            if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                msg = f"{path} was made by somebody else at the same moment; open it"
                raise OutputError(msg)
            for statement in STATEMENTS:
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    except sqlite3.Error as error:
        msg = f"{path} cannot be made: {error}; choose a folder on a local disk that can be written to"
        raise OutputError(msg) from error


def foreign_objects(connection: sqlite3.Connection) -> list[str]:
    """Return tables, triggers and views that no register has, such as a trigger that swallows rows."""
    held = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    known = {statement.strip() for statement in STATEMENTS}
    return [f"{kind} {name}" for kind, name, sql in held if sql not in known]


def check_file(path: Path, *, whole: bool = True, version: int = SCHEMA_VERSION) -> None:
    """Refuse a file that is no register, of another version, or holds what no register has (``whole``)."""
    if not path.is_file():
        msg = f"{path} is no register: there is no such file; make one with Register.create"
        raise LogError(msg)
    with reading(path) as connection:
        mark = connection.execute("PRAGMA application_id").fetchone()[0]
        found = connection.execute("PRAGMA user_version").fetchone()[0]
        foreign = foreign_objects(connection) if whole and mark == APPLICATION_ID else []
    if mark != APPLICATION_ID:
        msg = f"{path} is an SQLite file, but no register; give one made by 'evenbeat register create'"
        raise LogError(msg)
    if found != version:
        how = "a newer evenbeat wrote it: use that one"
        if found <= SCHEMA_VERSION:
            how = (
                "there is nothing to upgrade" if version == 1 else "make a new one of it: 'register upgrade'"
            )
        msg = f"{path} has register version {found}, not {version}; {how}"
        raise LogError(msg)
    if foreign and version == SCHEMA_VERSION:
        msg = (
            f"{path} holds what no register has ({', '.join(foreign)}): somebody changed its form; look at "
            "it with 'evenbeat register verify' and go on with a copy from before"
        )
        raise LogError(msg)


@contextmanager
def uncollected() -> Iterator[None]:
    """Pause the collection of cycles while many small objects are made that stay.

    None of them is in a cycle; looking at all of them again and again takes a quarter of the time.
    """
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Give a connection whose reads all see the same moment."""
    try:
        # opened for writing, too: what a killed writer left behind is put right by whoever comes next
        with closing(_connected(path, mode="rw")) as connection:
            connection.execute("BEGIN")
            yield connection
            connection.execute("COMMIT")
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # its complaint quotes what is damaged
        msg = f"{path} cannot be read as a register: {' '.join(str(error).split())}"
        raise LogError(msg) from error


@contextmanager
def writing(path: Path) -> Iterator[sqlite3.Connection]:
    """Give a connection that nobody else writes beside; all of it is kept, or nothing."""
    try:
        with closing(_connected(path, mode="rw")) as connection, transaction(connection):
            yield connection
    except sqlite3.IntegrityError as error:
        msg = f"the register refuses this entry: {error}"
        raise InputError(msg) from error
    except sqlite3.Error as error:
        held = f"; somebody else has held it for {PATIENCE_S:.0f} s" if "locked" in str(error) else ""
        msg = f"{path} cannot be written to: {error}{held}; nothing was added"
        raise OutputError(msg) from error


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Keep everything done inside, or nothing of it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _connected(path: Path, *, mode: str) -> sqlite3.Connection:
    name = path.absolute().as_uri()
    connection = sqlite3.connect(f"{name}?mode={mode}", uri=True, timeout=PATIENCE_S, isolation_level=None)
    connection.text_factory = lambda text: text.decode("utf-8", "surrogateescape")  # bits may have flipped
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = EXTRA")  # a power cut after a commit takes nothing back
    except BaseException:
        connection.close()
        raise
    return connection


LONGEST, KEPT = 64_000, 100
"""A file of more bytes is cut to its last lines, so many."""


@dataclass(frozen=True, kw_only=True)
class SeenHead(Plain):
    """The last row of a register as it was once: number, hash, and when it was seen (UTC, ISO)."""

    number: int
    hash: str
    seen_at: str


def heads_file(register: Path) -> Path:
    """Return where the heads of a register are noted.

    ``EVENBEAT_STATE`` names the folder; else it is ``evenbeat`` in ``XDG_STATE_HOME`` (``~/.local/state``),
    and in ``LOCALAPPDATA`` where there is one.
    """
    stated = os.environ.get("EVENBEAT_STATE")
    base = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_STATE_HOME") or Path.home() / ".local/state"
    folder = Path(stated) if stated else Path(base) / "evenbeat"
    path = register.resolve()
    digest = hashlib.sha256(str(path).encode("utf-8", "surrogateescape")).hexdigest()
    return folder / "heads" / f"{path.stem}-{digest[:16]}.txt"


def note_head(register: Path, head: str) -> bool:
    """Note a head; return whether that could be done: a register works without."""
    number, _, digest = head.partition(":")
    if not digest:
        return True
    try:
        seen = seen_heads(register)
        if seen and (seen[-1].number, seen[-1].hash) == (int(number), digest):
            return True
        path = heads_file(register)
        path.parent.mkdir(parents=True, exist_ok=True)
        line = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ} {head}\n".encode()
        # one write at the end of the file: lines of several processes do not mix
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            os.write(descriptor, line)
        finally:
            os.close(descriptor)
        if path.stat().st_size > LONGEST:
            write_whole(path, b"".join(path.read_bytes().splitlines(keepends=True)[-KEPT:]))
    except (OSError, RuntimeError):  # no folder of the account, or not to be written to
        return False
    return True


def seen_heads(register: Path) -> tuple[SeenHead, ...]:
    """Return the heads that were noted of a register, in order; a line that was cut off is none."""
    try:
        text = heads_file(register).read_text(encoding="utf-8", errors="replace")
    except (OSError, RuntimeError):
        return ()
    found = []
    for line in text.splitlines():
        moment, _, head = line.partition(" ")
        number, _, digest = head.partition(":")
        if number.isdigit() and len(digest) == 64:
            found.append(SeenHead(number=int(number), hash=digest, seen_at=moment))
    return tuple(found)
