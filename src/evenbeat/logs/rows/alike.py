"""Rows that differ in their digits only, read many at once: eight digits of all rows in a few operations.

A row serves as the template: its digits may be any digits, every other character has to be the same. Rows of
equal length are compared with it eight characters at a time, and those that fit are decoded together. A text
with a row that fits no template after a few attempts is left to the parsers that take rows as they come.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import JOINED_MOMENT, MISSING_TEXTS, is_comment
from evenbeat.logs.layout import Form
from evenbeat.logs.rows.decimals import LARGEST_EXPONENT, scaled
from evenbeat.logs.rows.lines import no_row, row_in
from evenbeat.logs.rows.single import part_by_line
from evenbeat.logs.rows.stamps import IntArray, Moments, Stamp, moments_of, stamp_in
from evenbeat.logs.rows.wanted import Part, Wanted, one_scale
from evenbeat.quantities import FloatArray

Places = npt.NDArray[np.intp]
Unsigned = npt.NDArray[np.unsignedinteger]

_WORD = 8
_MOST_DIGITS = 18
_MOST_TEMPLATES = 40
_MOST_LENGTHS = 40
_MOST_ODD = 200
_LONGEST = 1024
_LARGEST_WHOLE = 9_000_000_000_000_000_000
_HIGH_BITS = np.uint64(0x8080808080808080)
_ZEROS = bytes.maketrans(b"123456789", b"000000000")
_CELL = re.compile(rb"[^ \t]+")
_JOINED = re.compile(JOINED_MOMENT.encode())
_NUMBERS = {
    mark: re.compile(rb"([+-]?)(\d*)(?:" + re.escape(mark.encode()) + rb"(\d*))?(?:[eEdD]([+-]?)(\d{1,3}))?")
    for mark in ".,"
}
_LADDER: dict[int, tuple[tuple[int, int, int], ...]] = {
    2: ((2561, 8, 0),),
    4: ((2561, 8, 0x00FF00FF), (6553601, 16, 0)),
    8: ((2561, 8, 0x00FF00FF00FF00FF), (6553601, 16, 0x0000FFFF0000FFFF), (42949672960001, 32, 0)),
}
"""Factor, shift and mask that join neighbouring digits to pairs, pairs to fours, fours to eights."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Rows:
    """Rows of equal length, ``stride`` bytes apart, with at least eight bytes before the first."""

    buffer: bytes | npt.NDArray[np.uint8]
    first: int
    stride: int
    count: int

    def load(self, offset: int, size: int) -> Unsigned:
        """Return the bytes of every row at an offset as one unsigned number, shape (rows,)."""
        return np.ndarray(
            (self.count,), f"<u{size}", buffer=self.buffer, offset=self.first + offset, strides=(self.stride,)
        )

    def digits(self, start: int, stop: int) -> Unsigned:
        """Return the number that up to eight digits state, shape (rows,)."""
        width = stop - start
        size = 2 if width <= 2 else 4 if width <= 4 else _WORD
        kind = np.dtype(f"<u{size}").type
        word = self.load(stop - size, size) ^ kind(int.from_bytes(b"0" * size, "little"))
        if width < size:
            word &= kind((1 << 8 * size) - (1 << 8 * (size - width)))
        for factor, shift, mask in _LADDER[size]:
            word *= kind(factor)
            word >>= kind(shift)
            if mask:
                word &= kind(mask)
        return word

    def whole(self, start: int, stop: int) -> IntArray:
        """Return the number that up to nineteen digits state, shape (rows,)."""
        first = start + (stop - start - 1) % _WORD + 1
        total = self.digits(start, first).astype(np.uint64)
        for begin in range(first, stop, _WORD):
            total *= np.uint64(10**_WORD)
            total += self.digits(begin, begin + _WORD)
        return total.view(np.int64)


@dataclass(frozen=True, kw_only=True)
class Number:
    """Where the digits of a number stand; each span is empty where it has none."""

    negative: bool
    whole: tuple[int, int]
    fraction: tuple[int, int]
    exponent: tuple[int, int]
    exponent_negative: bool

    def digits_of(self, rows: Rows) -> tuple[IntArray, int]:
        """Return all digits before the exponent as whole numbers, and how many of them are decimals."""
        decimals = self.fraction[1] - self.fraction[0]
        if self.whole[1] == self.whole[0]:
            return rows.whole(*self.fraction), decimals
        total = rows.whole(*self.whole)
        if decimals:
            total *= 10**decimals
            total += rows.whole(*self.fraction)
        return total, decimals

    def read(self, rows: Rows) -> FloatArray | None:
        """Return the numbers as float64 of the nearest value, shape (rows,); ``None`` beyond its reach."""
        total, decimals = self.digits_of(rows)
        exponent: int | IntArray = -decimals
        if self.exponent[1] > self.exponent[0]:
            stated = rows.digits(*self.exponent).astype(np.int64)
            stated = (-stated if self.exponent_negative else stated) - decimals
            low, high = int(stated.min()), int(stated.max())
            if max(-low, high) > LARGEST_EXPONENT:
                return None
            exponent = low if low == high else stated
        values = scaled(total, exponent)
        return np.negative(values, out=values) if self.negative else values


@dataclass(frozen=True, kw_only=True)
class Template:
    """How a row is written: its characters, and where the digits stand that are wanted.

    Parameters
    ----------
    words
        Offset, characters with zeros for digits, and what added to a digit below ten or to an equal
        character stays below 128.
    numbers
        Position to the place of a number, ``None`` where the cell holds no reading.
    """

    length: int
    words: tuple[tuple[int, int, int, int], ...]
    numbers: tuple[tuple[int, Number | None], ...]
    exact: Number | None = None
    stamp: Stamp | None = None

    def fits(self, rows: Rows) -> npt.NDArray[np.bool_] | None:
        """Return which rows are written so, ``None`` where all are."""
        wrong = None
        for offset, text, headroom, mask in self.words:
            word = rows.load(offset, _WORD) ^ np.uint64(text)
            if mask != (1 << 64) - 1:
                word &= np.uint64(mask)
            word |= word + np.uint64(headroom)
            wrong = word if wrong is None else np.bitwise_or(wrong, word, out=wrong)
        if wrong is None:
            return None
        if not int(np.bitwise_or.reduce(wrong)) & int(_HIGH_BITS):
            return None
        return (wrong & _HIGH_BITS) == 0

    def read(self, rows: Rows) -> Part | None:
        """Return the columns of rows that are written so, ``None`` where a digit states something odd."""
        numbers: dict[int, FloatArray] = {}
        for index, number in self.numbers:
            values = np.full(rows.count, np.nan) if number is None else number.read(rows)
            if values is None:
                return None
            numbers[index] = values
        part = Part(
            rows=rows.count,
            finite=all(number is not None for _, number in self.numbers),
            numbers=numbers,
        )
        if self.exact is not None:
            start, stop = self.exact.fraction
            whole = rows.whole(*self.exact.whole)
            if int(whole.max()) >= _LARGEST_WHOLE or int(whole.min()) < 0:
                return None
            fraction = scaled(rows.whole(start, stop), start - stop) if stop > start else None
            part = part.with_exact(whole, fraction)
        if self.stamp is not None:
            moments = moments_of(self.stamp, rows.digits)
            return None if moments is None else part.with_moments(moments)
        return part


def template_of(row: bytes, form: Form, wanted: Wanted) -> Template | None:
    """Return how a row, its line end included, is written; ``None`` where it is no plain row."""
    line = row[:-1].decode(errors="replace")
    if not line.strip() or b"#" in row or is_comment(line, form.separator) or no_row(line, form):
        return None
    spans = _cell_spans(row[:-1], form)
    if spans is None or len(spans) > form.columns:
        return None
    spans += [(0, 0)] * (form.columns - len(spans))
    places = [_number_at(row, spans[i], form) for i in wanted.numbers]
    exact = None if wanted.exact is None else _number_at(row, spans[wanted.exact], form)
    stamp = None
    if wanted.moment is not None:
        start, stop = spans[wanted.moment]
        stamp = stamp_in(row[start:stop], start)
    if None in places or (stamp is None and wanted.moment is not None):
        return None
    if wanted.exact is not None and not _is_exact(exact):
        return None
    numbers = tuple(place if isinstance(place, Number) else None for place in places)
    return Template(
        length=len(row),
        words=_words(row),
        numbers=tuple(zip(wanted.numbers, numbers, strict=True)),
        exact=exact if isinstance(exact, Number) else None,
        stamp=stamp,
    )


def _is_exact(number: Number | str | None) -> bool:
    """Return whether a number is one of time: without sign or exponent, not longer than 64 bits hold."""
    if not isinstance(number, Number) or number.negative or number.exponent[1] > number.exponent[0]:
        return False
    return 0 < number.whole[1] - number.whole[0] <= 19


def _cell_spans(line: bytes, form: Form) -> list[tuple[int, int]] | None:
    """Return where the cells of a line begin and end, blanks and quotation marks left out."""
    if form.joined_moment:
        joined = _JOINED.sub(rb"\1T\2", line)
        if len(joined) != len(line):
            return None
        line = joined
    if form.separator == " ":
        if line.translate(None, b"\v\f\r\x1a") != line:
            return None
        spans = [match.span() for match in _CELL.finditer(line)]
    else:
        edges = [-1, *(i for i, code in enumerate(line) if code == ord(form.separator)), len(line)]
        spans = [(a + 1, b) for a, b in itertools.pairwise(edges)]
    return [_trimmed(line, a, b) for a, b in spans]


def _trimmed(line: bytes, start: int, stop: int) -> tuple[int, int]:
    for outer in (b" \t", b'"', b" \t"):
        while start < stop and line[start] in outer:
            start += 1
        while start < stop and line[stop - 1] in outer:
            stop -= 1
    return start, stop


def _number_at(row: bytes, span: tuple[int, int], form: Form) -> Number | str | None:
    """Return where the digits of a number stand, a word where the cell holds no reading, else ``None``."""
    start, stop = span
    cell = row[start:stop]
    if cell.decode(errors="replace").lower() in MISSING_TEXTS:
        return "missing"
    match = _NUMBERS[form.decimal].fullmatch(cell)
    if match is None or (not form.fortran and b"d" in cell.lower()):
        return None
    whole, fraction, exponent = (_moved(match.span(group), start) for group in (2, 3, 5))
    digits = whole[1] - whole[0] + fraction[1] - fraction[0]
    if not 0 < digits <= _MOST_DIGITS and not (digits == 19 and fraction[1] == fraction[0]):
        return None
    return Number(
        negative=match.group(1) == b"-",
        whole=whole,
        fraction=fraction,
        exponent=exponent,
        exponent_negative=match.group(4) == b"-",
    )


def _moved(span: tuple[int, int], by: int) -> tuple[int, int]:
    return (0, 0) if span[0] < 0 else (span[0] + by, span[1] + by)


def _words(row: bytes) -> tuple[tuple[int, int, int, int], ...]:
    """Return the row in words of eight characters; the last may reach back into the one before."""
    zeros = row.translate(_ZEROS)
    headroom = bytes(0x76 if code == ord("0") else 0x7F for code in zeros)
    words = []
    for offset in [*range(0, len(row) - _WORD + 1, _WORD), *([len(row) - _WORD] if len(row) % _WORD else [])]:
        before = max(-offset, 0)  # bytes that belong to the row above
        text = bytes(before) + zeros[max(offset, 0) : offset + _WORD]
        room = bytes(before) + headroom[max(offset, 0) : offset + _WORD]
        mask = (1 << 64) - (1 << 8 * before)
        words.append((offset, int.from_bytes(text, "little"), int.from_bytes(room, "little"), mask))
    return tuple(words)


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
        if start < _WORD or body[stop - 1] != ord("\n"):
            body = bytes(_WORD) + body[start:stop].rstrip(b"\n") + b"\n"
            start, stop = _WORD, len(body)
        row = body[start : body.index(b"\n", start) + 1]
        template = self._template(row)
        if template is not None and (stop - start) % template.length == 0:
            count = (stop - start) // template.length
            rows = Rows(buffer=body, first=start, stride=len(row), count=count)
            if template.fits(rows) is None:
                return template.read(rows)
        return self._uneven(_lines_in(body, start, stop), first)

    def stamps(self, start: int, stop: int) -> Moments | None:
        """Return the moments in the first cells of lines whatever stands behind them, or ``None``."""
        if start < _WORD or self.wanted.moment != 0:
            return None
        lines = _lines_in(self.log.text, start, stop)
        width = lines.row(0).find(self.form.separator.encode())
        stamp = stamp_in(lines.row(0)[:width], 0) if width > 0 else None
        if stamp is None or not len(lines.starts) or int(lines.lengths.min()) <= width + 1:
            return None
        rows = _rows_of(_even(lines.body, lines.starts, width + 1))
        cells = Template(length=width + 1, words=_words(lines.row(0)[: width + 1]), numbers=())
        return moments_of(stamp, rows.digits) if cells.fits(rows) is None else None

    def _template(self, row: bytes) -> Template | None:
        shape = row.translate(_ZEROS)
        if shape not in self._known:
            self._known[shape] = template_of(row, self.form, self.wanted)
        return self._known[shape]

    def _uneven(self, lines: _Lines, first: int) -> Part | None:
        """Return the columns of lines of several lengths."""
        distinct = np.flatnonzero(np.bincount(lines.lengths)) if len(lines.starts) else np.empty(0, int)
        if not len(distinct) or len(distinct) > _MOST_LENGTHS or int(distinct[-1]) > _LONGEST:
            return None
        found: list[tuple[Places, Part]] = []
        odd: list[int] = []
        for length in distinct.tolist():
            if not self._peel(lines, np.flatnonzero(lines.lengths == length), length, (found, odd)):
                return None
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
        matrix = _even(lines.body, lines.starts[places], length)
        while len(places):
            template = self._template(matrix[1, :length].tobytes())
            if template is None:
                odd.append(int(places[0]))
                matrix, places = matrix[1:], places[1:]
            else:
                fits = template.fits(_rows_of(matrix))
                taken = matrix if fits is None else matrix[np.concatenate([[True], fits])]
                part = template.read(_rows_of(taken))
                if part is None:
                    return False
                found.append((places if fits is None else places[fits], part))
                if fits is None:
                    return True
                matrix, places = matrix[np.concatenate([[True], ~fits])], places[~fits]
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
    rows = Rows(buffer=bytes(_WORD) + cell, first=_WORD, stride=len(cell), count=1)
    return moments_of(stamp, rows.digits)


def _even(body: bytes, starts: IntArray, length: int) -> npt.NDArray[np.uint8]:
    """Return rows of equal length one below the other, an empty row above them."""
    words = -(-length // _WORD)
    matrix = np.zeros((len(starts) + 1, words), dtype="<u8")
    source = np.ndarray((len(body) - _WORD + 1,), "<u8", buffer=body, strides=(1,))
    for j in range(words):
        if (j + 1) * _WORD <= length:
            matrix[1:, j] = source[starts + j * _WORD]
        else:  # not beyond the end of the text
            shift = (j + 1) * _WORD - length
            matrix[1:, j] = source[starts + (j * _WORD - shift)] >> np.uint64(8 * shift)
    return matrix.view(np.uint8)


def _rows_of(matrix: npt.NDArray[np.uint8]) -> Rows:
    count, stride = matrix.shape
    return Rows(buffer=matrix.reshape(-1), first=stride, stride=stride, count=count - 1)


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
