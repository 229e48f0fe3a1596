"""Heads of registers, kept outside of them: they show rows cut off and chains computed anew.

After every write and every verification that found nothing, ``number:hash`` of the last row is noted in a
file of the account, one for each path of a register. A chain of hashes that holds and still has the row noted
last has every row that was ever noted. Whoever may change that file, too, can hide a change: heads on due
lists and audit records, on paper or with another person, are the proof against him.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from evenbeat.disk import write_whole
from evenbeat.plain import Plain

LONGEST, KEPT = 64_000, 100
"""A file of more bytes is cut to its last lines, so many."""


@dataclass(frozen=True, kw_only=True)
class SeenHead(Plain):
    """The last row of a register as it was once.

    Attributes
    ----------
    number, hash
        Of that row.
    seen_at
        UTC, ISO.
    """

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
