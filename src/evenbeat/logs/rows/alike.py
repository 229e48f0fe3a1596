"""Rows that differ in their digits only, read many at once: eight digits of all rows in a few operations.

A row serves as the template: its digits may be any digits, every other character has to be the same. Rows of
equal length are compared with it eight characters at a time, and those that fit are decoded together. A text
with a row that fits no template after a few attempts is left to the parsers that take rows as they come.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.logs.files import LogText
from evenbeat.logs.rows.lines import row_in
from evenbeat.logs.rows.single import part_by_line
from evenbeat.logs.rows.stamps import IntArray, Moments, moments_of, stamp_in
from evenbeat.logs.rows.template import WORD, ZEROS, Rows, Template, template_of, words_of
from evenbeat.logs.rows.wanted import KEPT_STARTS, Part, Wanted, one_scale
from evenbeat.logs.terms import Form

Places = npt.NDArray[np.intp]

_MOST_DIGITS = 15  # of a reading; where float64 would round, the C parser of pandas is quicker and as exact
_MOST_TEMPLATES = 40
_MOST_LENGTHS = 40
_MOST_ODD = 200
_LONGEST = 1024


class AlikeReader:
    """Reads pieces of one text, and remembers how their rows are written."""

    def __init__(self, log: LogText, form: Form, wanted: Wanted, *, reject: bool = False) -> None:
        self.log = log
        self.form = form
        self.wanted = wanted
        self.reject = reject
        self._known: dict[bytes, Template | None] = {}

    def read(self, start: int, stop: int) -> Part | None:
        """Return the columns of the lines from ``start`` to ``stop``, or ``None`` where they differ too much.

        Raises
        ------
        LogError
            If one of few odd lines cannot be read and is not to be passed over.
        """
        body, first = self.log.text, start
        if start < WORD or body[stop - 1] != ord("\n"):
            body = bytes(WORD) + body[start:stop].rstrip(b"\n") + b"\n"
            start, stop = WORD, len(body)
        row = body[start : body.index(b"\n", start) + 1]
        template = self._template(row)
        if template is not None and template.most_digits > _MOST_DIGITS:
            return None
        if template is not None and (stop - start) % template.length == 0:
            count = (stop - start) // template.length
            rows = Rows(buffer=body, first=start, stride=len(row), count=count)
            if template.fits(rows) is None:
                part = template.read(rows)
                return part and part.with_starts(first + len(row) * np.arange(min(count, KEPT_STARTS)))
        return self._uneven(_lines_in(body, start, stop), first)

    def stamps(self, start: int, stop: int) -> Moments | None:
        """Return the moments in the first cells of lines whatever stands behind them, or ``None``."""
        if start < WORD or self.wanted.moment != 0:
            return None
        lines = _lines_in(self.log.text, start, stop)
        width = lines.row(0).find(self.form.separator.encode())
        stamp = stamp_in(lines.row(0)[:width], 0) if width > 0 else None
        if stamp is None or not len(lines.starts) or int(lines.lengths.min()) <= width + 1:
            return None
        rows = _rows_of(_even(lines.body, lines.starts, width + 1))
        cells = Template(line="", length=width + 1, words=words_of(lines.row(0)[: width + 1]), numbers=())
        return moments_of(stamp, rows.digits) if cells.fits(rows) is None else None

    def _template(self, row: bytes) -> Template | None:
        shape = row.translate(ZEROS)
        if shape not in self._known:
            self._known[shape] = template_of(row, self.form, self.wanted)
        return self._known[shape]

    def _uneven(self, lines: _Lines, first: int) -> Part | None:
        """Return the columns of lines of several lengths, the first of which begins at ``first``."""
        distinct = np.flatnonzero(np.bincount(lines.lengths)) if len(lines.starts) else np.empty(0, int)
        if not len(distinct) or len(distinct) > _MOST_LENGTHS or int(distinct[-1]) > _LONGEST:
            return None
        found: list[tuple[Places, Part]] = []
        odd: list[int] = []
        for length in distinct.tolist():
            if not self._peel(lines, np.flatnonzero(lines.lengths == length), length, (found, odd)):
                return None
        moved = first - int(lines.starts[0])
        found = [(places, part.with_starts(lines.starts[places] + moved)) for places, part in found]
        kept = np.ones(len(lines.starts), dtype=bool)
        if odd:
            places = np.sort(np.array(odd))
            before = self.log.text.count(b"\n", 0, first) + 1
            one_by_one = self._odd_part(lines, places, before)
            if one_by_one is None:
                return None
            numbers = lines.numbers[places] + before
            taken = np.isin(numbers, [] if one_by_one.lines is None else one_by_one.lines)
            kept[places[~taken]] = False
            if taken.any() or not found:
                found.append((places[taken], one_by_one))
            if one_by_one.rejected:
                part = _in_order(found, kept)
                rejected = one_by_one.rejected
                return part and replace(part, rejected=rejected, lines=(lines.numbers + before)[kept])
        return _in_order(found, kept)

    def _peel(
        self, lines: _Lines, places: Places, length: int, into: tuple[list[tuple[Places, Part]], list[int]]
    ) -> bool:
        """Read rows of equal length, those first that are written as the first of them; tell of success."""
        found, odd = into
        even = _even(lines.body, lines.starts[places], length)
        while len(places):
            template = self._template(even[0].tobytes()[WORD:])
            if template is None:
                odd.append(int(places[0]))
                even, places = even[1:], places[1:]
            else:
                fits = template.fits(_rows_of(even))
                chosen = None if fits is None else np.flatnonzero(fits)
                part = template.read(_rows_of(even if chosen is None else even[chosen]))
                if part is None:
                    return False
                found.append((places if chosen is None else places[chosen], part))
                if fits is None:
                    return True
                others = np.flatnonzero(~fits)
                even, places = even[others], places[others]
            if len(odd) > _MOST_ODD or len(found) > _MOST_TEMPLATES:
                return False
        return True

    def _odd_part(self, lines: _Lines, places: Places, before: int) -> Part | None:
        """Return rows that are like no other, read one by one."""
        rows = [
            (int(lines.numbers[place]) + before, line)
            for place in places.tolist()
            if (line := row_in(lines.row(place), self.form))
        ]
        plain = dict.fromkeys(self.wanted.numbers, "")
        part = part_by_line(rows, self.form, self.wanted, reject=self.reject, path=self.log.path, units=plain)
        if part.stamps is None or not part.rows:
            return part
        moments = [_moment_in(word) for word in part.stamps]
        known = [moment for moment in moments if moment is not None]
        if len(known) < len(moments) or len({moment.zoned for moment in known}) > 1:
            return None
        ns = np.concatenate([moment.ns for moment in known])
        return replace(part, stamps=None, moments=Moments(ns=ns, zoned=known[0].zoned))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Lines:
    """Lines that are not empty: where they begin, how long they are, and how many stand above each."""

    body: bytes
    starts: IntArray
    lengths: IntArray
    numbers: IntArray

    def row(self, place: int) -> bytes:
        if place >= len(self.starts):
            return b""
        start = int(self.starts[place])
        return self.body[start : start + int(self.lengths[place])]


def _lines_in(body: bytes, start: int, stop: int) -> _Lines:
    text = np.frombuffer(body, np.uint8, stop - start, start)
    ends = np.flatnonzero(text == ord("\n"))
    lengths = np.diff(ends, prepend=-1)
    numbers = np.arange(len(ends))
    starts = ends - lengths + 1 + start
    if (filled := lengths > 1).all():
        return _Lines(body=body, starts=starts, lengths=lengths, numbers=numbers)
    return _Lines(body=body, starts=starts[filled], lengths=lengths[filled], numbers=numbers[filled])


def _moment_in(word: object) -> Moments | None:
    """Return the moment that one text states."""
    cell = word.encode() if isinstance(word, str) else b""
    stamp = stamp_in(cell, 0)
    if stamp is None:
        return None
    rows = Rows(buffer=bytes(WORD) + cell, first=WORD, stride=len(cell), count=1)
    return moments_of(stamp, rows.digits)


def _even(body: bytes, starts: IntArray, length: int) -> npt.NDArray[np.void]:
    """Return rows of equal length one below the other, each with the eight bytes before it."""
    width = length + WORD
    source = np.ndarray((len(body) - width + 1,), f"V{width}", buffer=body, strides=(1,))
    return source[starts - WORD]


def _rows_of(even: npt.NDArray[np.void]) -> Rows:
    stride = even.dtype.itemsize
    return Rows(buffer=even.view(np.uint8), first=WORD, stride=stride, count=len(even))


def _in_order(found: list[tuple[Places, Part]], kept: npt.NDArray[np.bool_]) -> Part | None:
    """Return parts of rows that lie among each other as one."""
    parts = [part for _, part in found]
    if not one_scale([part for part in parts if part.rows]):
        return None

    def merged(columns: Sequence[Any]) -> Any:
        if len(columns) == 1:
            return columns[0]
        whole = np.empty(len(kept), dtype=columns[0].dtype)
        for (places, _), column in zip(found, columns, strict=True):
            whole[places] = column
        return whole if kept.all() else whole[kept]

    rows = int(np.count_nonzero(kept))
    part = Part(
        rows=rows,
        finite=all(part.finite for part in parts),
        alike=tuple(alike for part in parts for alike in part.alike),
        numbers={i: merged([part.numbers[i] for part in parts]) for i in parts[0].numbers},
    )
    if parts[0].whole is not None:
        fractions = [np.zeros(part.rows) if part.fraction is None else part.fraction for part in parts]
        some = any(part.fraction is not None for part in parts)
        part = part.with_exact(merged([part.whole for part in parts]), merged(fractions) if some else None)
    moments = [part.moments for part in parts if part.moments is not None]
    if len(moments) == len(parts):
        ns = merged([moment.ns for moment in moments])
        part = part.with_moments(Moments(ns=ns, zoned=moments[0].zoned))
    return part
