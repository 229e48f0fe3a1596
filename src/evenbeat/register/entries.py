"""One row of the register, and the hash that chains it to the row before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass

from evenbeat.plain import Plain
from evenbeat.register.facts import Fact, Kind, fact_of

Row = tuple[int, str, str, str | None, int | None, str | None, str, str, str, str]
COLUMNS = (
    "number",
    "kind",
    "instrument",
    "content",
    "corrects",
    "reason",
    "written_at",
    "software",
    "former_hash",
    "hash",
)


@dataclass(frozen=True, kw_only=True)
class Entry(Plain):
    """One row.

    Attributes
    ----------
    number
        From 1, without a gap.
    content
        JSON of the fact; ``None`` where the entry that it corrects is withdrawn.
    corrects, reason
        Number of the entry that this one replaces, and why.
    written_at
        UTC, ISO.
    software
        What wrote it, with its version.
    former_hash, hash
        SHA-256 of the row before, and of this one with that.
    """

    number: int
    kind: Kind
    instrument: str
    content: str | None
    corrects: int | None
    reason: str | None
    written_at: str
    software: str
    former_hash: str
    hash: str

    @property
    def fact(self) -> Fact | None:
        """What it states; ``None`` for a withdrawal."""
        return None if self.content is None else fact_of(self.kind, json.loads(self.content))

    def computed_hash(self) -> str:
        """Return the hash that this row must have."""
        return chained_hash(
            (
                self.number,
                self.kind,
                self.instrument,
                self.content,
                self.corrects,
                self.reason,
                self.written_at,
                self.software,
                self.former_hash,
            )
        )

    def _facts(self) -> Mapping[str, object]:
        return {**super()._facts(), "content": None if self.content is None else json.loads(self.content)}


def chained_hash(parts: tuple[int | str | None, ...]) -> str:
    """Return the SHA-256 of everything a row says, the hash of the row before included.

    The parts are written as one JSON array, so that no text can pass for another: UTF-8, no blanks.
    """
    text = json.dumps(parts, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def canonical_text(content: dict[str, object]) -> str:
    """Return the JSON of a fact: keys in order, no blanks, so that the same fact is the same text."""
    return json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
