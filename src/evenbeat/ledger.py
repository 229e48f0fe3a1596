"""The account of a text log: each line is accepted, left out, rejected, a comment, blank or header."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from evenbeat.plain import UNLISTED, Plain
from evenbeat.results import Column, Result

_QUOTED = re.compile(r"'[^']*'?|[\d.]+")
_SHOWN = 3
_NAMED = 2
_WIDTH = 50
_REMEMBERED = 1000  # lines of one reason


@dataclass(frozen=True, kw_only=True)
class Rejected(Plain):
    """A line that is no row of the log, and why.

    Parameters
    ----------
    cut
        Whether it is the beginning of a row.
    """

    line: int
    reason: str
    cut: bool = False

    def __str__(self) -> str:
        return f"line {self.line}: {self.reason}"


@dataclass(frozen=True, kw_only=True)
class Reason(Plain):
    """Lines that were rejected for one kind of reason, which is given as for the first of them.

    Of more than a thousand lines the numbers of the first thousand are kept; all of them are counted.
    """

    reason: str
    count: int
    lines: tuple[int, ...]
    rejected: tuple[Rejected, ...] = field(metadata=UNLISTED)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Ledger(Result):
    """What became of each line of a text log: ``lines`` is the sum of all other counts.

    Attributes
    ----------
    lines
        Number of lines of the text that was read.
    accepted
        Rows whose readings were taken, a reading that is missing (NaN) included.
    left_out
        Rows that were not asked for: those of other oscillators, clocks or signals.
    rejected
        Lines that are no rows, or rows whose time or reading cannot be used; ``reasons`` names them.
    comments, blank
        Comment lines, and lines without any character but blanks.
    header
        Text above the first row: names of the columns, units, titles.
    reasons
        Why lines were rejected, the most frequent first, with their numbers.
    """

    lines: int
    accepted: int
    left_out: int = 0
    rejected: int = 0
    comments: int = 0
    blank: int = 0
    header: int = 0
    reasons: tuple[Reason, ...] = ()

    _row_objects = "reasons"

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("reason", heading="rejected because", form=_short),
            Column("count", heading="lines"),
            Column("lines", heading="which", form=_some),
        )

    def _headline(self) -> str:
        return f"Of {self.lines} line{'s' * (self.lines != 1)} {self.counts}"

    @property
    def counts(self) -> str:
        """What became of the lines, in one phrase; what there was none of is not said."""
        why = ", ".join(f"{reason.count} × {_short(reason.reason)}" for reason in self.reasons[:_NAMED])
        more = sum(reason.count for reason in self.reasons[_NAMED:])
        why += f", {more} for other reasons" if more else ""
        named = (
            (self.left_out, "not asked for"),
            (self.rejected, f"rejected ({why})"),
            (self.comments, f"comment{'s' * (self.comments != 1)}"),
            (self.blank, "blank"),
            (self.header, "header"),
        )
        return ", ".join(
            [f"{self.accepted} accepted", *(f"{count} {what}" for count, what in named if count)]
        )

    def and_later(self, other: Ledger, after: int) -> Ledger:
        """Return the account of these lines and of later ones, which were counted from one again.

        Parameters
        ----------
        after
            How many lines stand before those.
        """
        kinds = {_kind(reason.reason): reason for reason in self.reasons}
        for reason in other.reasons:
            before = kinds.get(_kind(reason.reason))
            rejected = [replace(line, line=line.line + after) for line in reason.rejected]
            told = (*(() if before is None else before.rejected), *rejected)[:_REMEMBERED]
            kinds[_kind(reason.reason)] = Reason(
                reason=told[0].reason,
                count=reason.count + (0 if before is None else before.count),
                lines=tuple(line.line for line in told),
                rejected=told,
            )
        names = ("lines", "accepted", "left_out", "rejected", "comments", "blank", "header")
        counts = {name: getattr(self, name) + getattr(other, name) for name in names}
        return Ledger(**counts, reasons=tuple(sorted(kinds.values(), key=lambda reason: -reason.count)))

    def told(self) -> list[str]:
        """Return the rejected lines, at most three of each reason and how many more there are."""
        told = []
        for reason in self.reasons:
            told += [str(line) for line in reason.rejected[:_SHOWN]]
            if reason.count > _SHOWN:
                told.append(f"… and {reason.count - _SHOWN} more like line {reason.lines[0]}")
        return told


def reasons_of(rejected: Sequence[Rejected]) -> tuple[Reason, ...]:
    """Return rejected lines by their kind of reason: what is quoted in it, and its numbers, do not count."""
    kinds: dict[str, list[Rejected]] = {}
    for line in rejected:
        kinds.setdefault(_kind(line.reason), []).append(line)
    found = [
        Reason(
            reason=lines[0].reason,
            count=len(lines),
            lines=tuple(line.line for line in lines[:_REMEMBERED]),
            rejected=tuple(lines[:_REMEMBERED]),
        )
        for lines in kinds.values()
    ]
    return tuple(sorted(found, key=lambda reason: -reason.count))


@lru_cache(maxsize=1024)
def _kind(reason: str) -> str:
    return _QUOTED.sub("", reason)


def _short(text: str) -> str:
    return text if len(text) <= _WIDTH else f"{text[: _WIDTH - 1]}…"


def _some(lines: Sequence[int]) -> str:
    return ", ".join(map(str, lines[:_SHOWN])) + (", …" if len(lines) > _SHOWN else "")
