"""The account of a text log: each line is accepted, left out, rejected, a comment, blank or header."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import overload

import numpy as np
import numpy.typing as npt

from evenbeat.plain import UNLISTED, Plain
from evenbeat.result import Column, Result

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


class RejectedLines(Sequence[Rejected]):
    """Rejected lines in their order, a few bytes each.

    Of a thousand different reasons of one kind each is kept word for word, of later ones without what they
    quote.

    Parameters
    ----------
    lines, codes
        Shape (n,): their numbers, and which reason each has.
    reasons
        Texts, each with whether such a line is the beginning of a row.
    """

    def __init__(
        self,
        lines: npt.ArrayLike = (),
        codes: npt.ArrayLike | None = None,
        reasons: Sequence[tuple[str, bool]] = (),
    ) -> None:
        numbers = np.asarray(lines, dtype=np.int64)
        places = (
            np.zeros(len(numbers), dtype=np.int32) if codes is None else np.asarray(codes, dtype=np.int32)
        )
        if (numbers[1:] < numbers[:-1]).any():
            order = np.argsort(numbers, kind="stable")
            numbers, places = numbers[order], places[order]
        self.lines, self.codes, self.reasons = numbers, places, tuple(reasons)

    @classmethod
    def of(cls, rejected: Collection[Rejected]) -> RejectedLines:
        """Return some lines as one list."""
        codes, reasons = _coded((line.reason, line.cut) for line in rejected)
        return cls([line.line for line in rejected], codes, reasons)

    @classmethod
    def joined(cls, *parts: RejectedLines) -> RejectedLines:
        """Return the lines of several lists as one."""
        parts = tuple(part for part in parts if len(part)) or (cls(),)
        if len(parts) == 1:
            return parts[0]
        numbers, reasons = _coded(reason for part in parts for reason in part.reasons)
        firsts = np.cumsum([0, *(len(part.reasons) for part in parts)])
        codes = [numbers[first + part.codes] for first, part in zip(firsts, parts, strict=False)]
        return cls(np.concatenate([part.lines for part in parts]), np.concatenate(codes), reasons)

    @property
    def counts(self) -> Counter[str]:
        """How often each reason was given, in the order of the first line of each."""
        often = np.bincount(self.codes, minlength=len(self.reasons)).tolist()
        counts: Counter[str] = Counter()
        for code in dict.fromkeys(self.codes.tolist()):
            counts[self.reasons[code][0]] += often[code]
        return counts

    def of_reasons(self, wanted: Iterable[bool]) -> RejectedLines:
        """Return the lines whose reasons are marked."""
        chosen = np.fromiter(wanted, dtype=bool, count=len(self.reasons))[self.codes]
        return RejectedLines(self.lines[chosen], self.codes[chosen], self.reasons)

    def __len__(self) -> int:
        return len(self.lines)

    @overload
    def __getitem__(self, place: int) -> Rejected: ...

    @overload
    def __getitem__(self, place: slice) -> RejectedLines: ...

    def __getitem__(self, place: int | slice) -> Rejected | RejectedLines:
        if isinstance(place, slice):
            return RejectedLines(self.lines[place], self.codes[place], self.reasons)
        reason, cut = self.reasons[self.codes[place]]
        return Rejected(line=int(self.lines[place]), reason=reason, cut=cut)


def _coded(reasons: Iterable[tuple[str, bool]]) -> tuple[npt.NDArray[np.int32], tuple[tuple[str, bool], ...]]:
    """Return a number for each reason, and the different ones; of each kind not too many are told apart."""
    told: dict[tuple[str, bool], int] = {}
    kinds: Counter[str] = Counter()
    codes = []
    for reason, cut in reasons:
        text = reason
        if (reason, cut) not in told:
            kinds[_kind(reason)] += 1
            if kinds[_kind(reason)] > _REMEMBERED:
                text = _QUOTED.sub("'…'", reason)  # of the same kind
        codes.append(told.setdefault((text, cut), len(told)))
    return np.array(codes, dtype=np.int32), tuple(told)


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
        """What became of the lines and why, in one phrase; what there was none of is not said."""
        why = ", ".join(f"{reason.count} × {_short(reason.reason)}" for reason in self.reasons[:_NAMED])
        more = sum(reason.count for reason in self.reasons[_NAMED:])
        return self._phrase(f" ({why}{f', {more} for other reasons' if more else ''})")

    def _phrase(self, why: str = "") -> str:
        named = (
            (self.left_out, "not asked for"),
            (self.rejected, f"rejected{why}"),
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
        """Return the counts, then rejected lines: at most three of a reason, and how many more there are."""
        told = [f"Of {self.lines} line{'s' * (self.lines != 1)} {self._phrase()}."]
        for reason in self.reasons:
            told += [f"  {line}" for line in reason.rejected[:_SHOWN]]
            if reason.count > _SHOWN:
                told.append(f"  … and {reason.count - _SHOWN} more like line {reason.lines[0]}")
        return told


def reasons_of(rejected: RejectedLines) -> tuple[Reason, ...]:
    """Return rejected lines by their kind of reason: what is quoted in it, and its numbers, do not count."""
    numbers: dict[str, int] = {}
    kinds = [numbers.setdefault(_kind(reason), len(numbers)) for reason, _ in rejected.reasons]
    kind = np.array(kinds, dtype=np.int32)[rejected.codes] if kinds else rejected.codes
    order = np.argsort(kind, kind="stable")
    stops = np.cumsum(np.bincount(kind, minlength=len(numbers)))
    groups = [places for places in np.split(order, stops[:-1]) if len(places)]
    found = []
    for places in sorted(groups, key=lambda places: (-len(places), int(places[0]))):
        told = tuple(rejected[place] for place in places[:_REMEMBERED].tolist())
        lines = tuple(line.line for line in told)
        found.append(Reason(reason=told[0].reason, count=len(places), lines=lines, rejected=told))
    return tuple(found)


@lru_cache(maxsize=1024)
def _kind(reason: str) -> str:
    return _QUOTED.sub("", reason)


def _short(text: str) -> str:
    return text if len(text) <= _WIDTH else f"{text[: _WIDTH - 1]}…"


def _some(lines: Sequence[int]) -> str:
    return ", ".join(map(str, lines[:_SHOWN])) + (", …" if len(lines) > _SHOWN else "")
