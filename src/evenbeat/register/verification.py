"""Whether a register is as it was written: the chain of hashes, the triggers, and every row by itself.

A changed, exchanged, inserted or removed row breaks the chain at that row. Rows cut off at the end do
not, nor does a chain that somebody computed anew: heads seen before show both. The account keeps those that
it saw (:mod:`evenbeat.register.store`); due lists and audit records print theirs, to be given to
:func:`verify_register`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding, caution, good, note, stop
from evenbeat.register.facts import Fact
from evenbeat.register.register import Holdings, Register, chained_hash, each_row, stated_fact
from evenbeat.register.store import (
    STATEMENTS,
    SeenHead,
    foreign_objects,
    heads_file,
    note_head,
    reading,
    seen_heads,
    uncollected,
)
from evenbeat.result import Result

MOST_SHOWN = 20
WRITTEN = frozenset({int, str, type(None)})
"""What a cell of a register may be."""


@dataclass(frozen=True, kw_only=True, repr=False)
class Verification(Result):
    """The result of :func:`verify_register`.

    Attributes
    ----------
    entries
        Number of rows looked at.
    head
        ``number:hash`` of the last row, to be noted elsewhere.
    seen
        Heads that this account saw before, in order.
    findings
        What does not hold (at most 20 of a kind); only a good one where everything holds.
    """

    entries: int
    head: str
    seen: tuple[SeenHead, ...] = ()

    _also = ("intact",)

    @property
    def intact(self) -> bool:
        """Whether everything holds."""
        return all(finding.severity != "stop" for finding in self.findings)

    def _headline(self) -> str:
        state = "Consistent with itself" if self.intact else "NOT as it was written"
        last = "none"
        if self.seen:
            seen = self.seen[-1]
            last = f"{len(self.seen)}, the last {seen.number}:{seen.hash[:12]}… of {seen.seen_at}"
        return f"{state}: {self.entries} entries, head {self.head}; heads seen before: {last}"


def verify_register(register: Register, *, noted_head: str | None = None) -> Verification:
    """Look at every row of a register.

    Parameters
    ----------
    register
        From :meth:`Register.open` or :meth:`Register.create`.
    noted_head
        ``number:hash`` that :meth:`Register.head` gave earlier, or a due list shows: that row must still be
        there, as must those of the heads that this account saw before.

    Returns
    -------
    Verification
        Whether every row is as it was written; findings say what is not.

    Raises
    ------
    InputError
        If the noted head has another form.
    LogError
        If the file cannot be read.

    Examples
    --------
    >>> import evenbeat as eb, tempfile, pathlib
    >>> folder = tempfile.TemporaryDirectory()
    >>> register = eb.Register.create(pathlib.Path(folder.name) / "workshop.sqlite")
    >>> done = eb.register.import_table(register, eb.demo_data("fleet-history.csv"))
    >>> eb.register.verify_register(register).findings[0].code
    'CHAIN_HOLDS'
    >>> folder.cleanup()

    References
    ----------
    Formula: hash of each row over its content and the hash before
    Source: FIPS 180-4 (SHA-256)
    Tests: tests/register/test_register.py
    """
    return _looked_through(register, noted_head)[0]


@uncollected()
def _looked_through(register: Register, noted_head: str | None) -> tuple[Verification, list[Fact]]:
    """Return what was found, and all that stands."""
    noted = {} if noted_head is None else dict([_noted(noted_head)])
    facts: dict[int, Fact] = {}
    seen = seen_heads(register.path)  # first: whoever writes meanwhile only adds rows
    with reading(register.path) as connection:
        found = [*_file_findings(connection)]
        former, expected = "", 1
        hashes = {0: ""}
        broken: list[Finding] = []
        for row in each_row(connection):
            number, corrects = row[0], row[4]
            wrong, fact = _row_findings(row, former, expected)
            broken += wrong
            if fact is not None:
                facts[number] = fact
            if corrects is not None:
                facts.pop(corrects, None)
            former, expected = row[-1], number + 1
            hashes[number] = former
        count = connection.execute("SELECT count(*) FROM entries").fetchone()[0]
    found += broken[:MOST_SHOWN]
    for number, digest in noted.items():
        if hashes.get(number) != digest:
            sentence = f"Entry {number} is not the one whose hash was noted: rows were removed or replaced."
            found.append(stop("HEAD_NOT_FOUND", sentence))
    gone = [one for one in seen if hashes.get(one.number) != one.hash]
    if gone:
        sentence = (
            f"Entry {gone[0].number} is not the one that this account saw last on {gone[0].seen_at} (hash "
            f"{gone[0].hash[:12]}…): rows were cut off, or all was computed anew. If an earlier file was "
            f"put back on purpose, remove {heads_file(register.path)}."
        )
        found.append(stop("HEAD_NOT_FOUND", sentence, heads=len(gone)))
    if not found:
        sentence = "Every row follows from the one before it, and none is missing between first and last."
        found.append(good("CHAIN_HOLDS", sentence))
        if not noted and not seen:
            sentence = (
                "That rows were cut off at the end, or all of it was computed anew, shows only beside a head "
                "seen before, and this account has seen none: give one that a due list shows (--head or "
                "noted_head)."
            )
            found.append(note("NO_HEAD_NOTED", sentence))
        if not note_head(register.path, f"{expected - 1}:{former}"):
            sentence = f"This head could not be noted in {heads_file(register.path)}: note it elsewhere."
            found.append(caution("HEAD_NOT_KEPT", sentence))
    head = f"{expected - 1}:{former}"
    return Verification(entries=count, head=head, seen=seen, findings=tuple(found)), list(facts.values())


def opened_intact(path: str | Path) -> Register:
    """Open a register whose rows are as they were written."""
    register = Register.open(path)
    intact_holdings(register)
    return register


def intact_holdings(register: Register) -> Holdings:
    """Return all that stands in a register, or refuse it where its rows are not as they were written."""
    verified, facts = _looked_through(register, None)
    if not verified.intact:
        wrong = next(finding for finding in verified.findings if finding.severity == "stop")
        msg = (
            f"the register is not as it was written: {wrong.sentence[0].lower()}{wrong.sentence[1:-1]}; "
            "'evenbeat register verify' tells all"
        )
        raise LogError(msg, path=register.path)
    return Holdings.of(facts, verified.head)


def _noted(head: str) -> tuple[int, str]:
    number, colon, digest = head.strip().partition(":")
    if not (colon and number.isdigit() and len(digest) in (0, 64)):
        msg = f"the noted head is {head!r}; it has the form number:hash, as a verification shows it"
        raise InputError(msg)
    return int(number), digest


def _file_findings(connection: sqlite3.Connection) -> Iterator[Finding]:
    """Yield what is wrong with the file itself: pages, tables, triggers."""
    state = " ".join(connection.execute("PRAGMA integrity_check(1)").fetchone()[0].split())
    if state != "ok":
        yield stop("FILE_DAMAGED", f"The file is damaged: {state}.")
    held = {sql for (sql,) in connection.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")}
    for name in foreign_objects(connection):
        sentence = f"The file holds what no register has: {name}."
        yield stop("FORM_CHANGED", sentence)
    for statement in STATEMENTS:
        if statement.strip() not in held:
            name = " ".join(statement.split()[:3])
            sentence = f"The file lacks what this version made it with ({name} …): somebody changed its form."
            yield stop("FORM_CHANGED", sentence)


def _row_findings(row: tuple[Any, ...], former: str, expected: int) -> tuple[list[Finding], Fact | None]:
    """Return what is wrong with a row, and what it states."""
    number, kind, instrument, content, *_, former_hash, digest = row
    if not WRITTEN.issuperset(map(type, row)):
        sentence = f"Entry {number} holds what no register writes: it was changed after it was written."
        return [stop("ENTRY_CHANGED", sentence, entry=number)], None
    found: list[Finding] = []
    if number != expected:
        sentence = f"Entry {expected} is missing: entry {number} follows."
        found.append(stop("ENTRY_MISSING", sentence, entry=number))
    if former_hash != former:
        sentence = f"Entry {number} does not follow the entry before it."
        found.append(stop("CHAIN_BROKEN", sentence, entry=number))
    if chained_hash(row[:-1]) != digest:
        sentence = f"Entry {number} ({kind} of {instrument}) was changed after it was written."
        found.append(stop("ENTRY_CHANGED", sentence, entry=number))
        return found, None
    reason, fact = "", None
    try:
        fact = None if content is None else stated_fact(number, kind, content)
    except LogError as error:
        reason = str(error)
    if fact is not None and fact.instrument != instrument:
        reason = f"entry {number} is filed under {instrument}, but states {fact.instrument}"
    if reason:
        sentence = f"E{reason[1:]}."
        found.append(stop("ENTRY_UNUSABLE", sentence, entry=number))
    return found, fact
