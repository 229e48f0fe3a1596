"""A row as a template: where its digits stand, and how all rows that differ in digits only are decoded."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.logs.form.cells import JOINED_MOMENT, MISSING_TEXTS, is_comment
from evenbeat.logs.rows.decimals import LARGEST_EXPONENT, scaled
from evenbeat.logs.rows.lines import no_row
from evenbeat.logs.rows.stamps import IntArray, Stamp, moments_of, stamp_in
from evenbeat.logs.rows.wanted import Alike, Part, Wanted
from evenbeat.logs.terms import Form
from evenbeat.quantities import FloatArray

Unsigned = npt.NDArray[np.unsignedinteger]

WORD = 8
_MOST_DIGITS = 18
_MOST_WHOLE_DIGITS = 19
_LARGEST_WHOLE = 9_000_000_000_000_000_000
_HIGH_BITS = np.uint64(0x8080808080808080)
ZEROS = bytes.maketrans(b"123456789", b"000000000")
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
        size = 2 if width <= 2 else 4 if width <= 4 else WORD
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
        first = start + (stop - start - 1) % WORD + 1
        total = self.digits(start, first).astype(np.uint64)
        for begin in range(first, stop, WORD):
            total *= np.uint64(10**WORD)
            total += self.digits(begin, begin + WORD)
        return total.view(np.int64)


@dataclass(frozen=True, kw_only=True)
class Number:
    """Where the digits of a number stand; each span is empty where it has none."""

    negative: bool
    whole: tuple[int, int]
    fraction: tuple[int, int]
    exponent: tuple[int, int]
    exponent_negative: bool

    @property
    def digits(self) -> int:
        """How many digits it has before the exponent."""
        return self.whole[1] - self.whole[0] + self.fraction[1] - self.fraction[0]

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
    line
        The row that serves as template.
    """

    line: str
    length: int
    words: tuple[tuple[int, int, int, int], ...]
    numbers: tuple[tuple[int, Number | None], ...]
    exact: Number | None = None
    stamp: Stamp | None = None

    @property
    def most_digits(self) -> int:
        """How many digits the longest of its numbers has."""
        return max((number.digits for _, number in self.numbers if number is not None), default=0)

    def fits(self, rows: Rows) -> npt.NDArray[np.bool_] | None:
        """Return which rows are written so, ``None`` where all are."""
        wrong = None
        for offset, text, headroom, mask in self.words:
            word = rows.load(offset, WORD) ^ np.uint64(text)
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
            alike=(Alike(line=self.line, count=rows.count),),
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
    if spans is None or not form.fewest <= len(spans) <= form.columns:
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
    if any(isinstance(place, Number) and place.digits > _MOST_DIGITS for place in places):
        return None
    numbers = tuple(place if isinstance(place, Number) else None for place in places)
    return Template(
        line=line,
        length=len(row),
        words=words_of(row),
        numbers=tuple(zip(wanted.numbers, numbers, strict=True)),
        exact=exact if isinstance(exact, Number) else None,
        stamp=stamp,
    )


def _is_exact(number: Number | str | None) -> bool:
    """Return whether a number is one of time: without sign or exponent, not longer than 64 bits hold."""
    if not isinstance(number, Number) or number.negative or number.exponent[1] > number.exponent[0]:
        return False
    decimals = number.fraction[1] - number.fraction[0]
    return 0 < number.digits - decimals <= _MOST_WHOLE_DIGITS and decimals <= _MOST_DIGITS


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
    number = Number(
        negative=match.group(1) == b"-",
        whole=whole,
        fraction=fraction,
        exponent=exponent,
        exponent_negative=match.group(4) == b"-",
    )
    return number if number.digits else None


def _moved(span: tuple[int, int], by: int) -> tuple[int, int]:
    return (0, 0) if span[0] < 0 else (span[0] + by, span[1] + by)


def words_of(row: bytes) -> tuple[tuple[int, int, int, int], ...]:
    """Return the row in words of eight characters; the last may reach back into the one before."""
    zeros = row.translate(ZEROS)
    headroom = bytes(0x76 if code == ord("0") else 0x7F for code in zeros)
    words = []
    for offset in [*range(0, len(row) - WORD + 1, WORD), *([len(row) - WORD] if len(row) % WORD else [])]:
        before = max(-offset, 0)  # bytes that belong to the row above
        text = bytes(before) + zeros[max(offset, 0) : offset + WORD]
        room = bytes(before) + headroom[max(offset, 0) : offset + WORD]
        mask = (1 << 64) - (1 << 8 * before)
        words.append((offset, int.from_bytes(text, "little"), int.from_bytes(room, "little"), mask))
    return tuple(words)
