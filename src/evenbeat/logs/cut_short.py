"""Rows that were cut short: a torn write leaves a shorter number, or two lines in one.

Whatever stands before a separator is whole. Only the last cell of a line that ends early can hold a number
cut short, and only the first cell of one that runs into the next a number too long. So rows are counted by
how they begin and end while they are read, and the few that differ from all others are looked at. The last
decimals of a writer that leaves out trailing zeros, and digits of whole numbers of any length, can be lost
without a trace.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from evenbeat.epochs import IntArray
from evenbeat.ledger import Rejected
from evenbeat.logs.cells import Scan, cell_kind, measured_parts, row_cells, row_in, shape_of, shown
from evenbeat.logs.files import LogText
from evenbeat.logs.terms import Form, Wanted
from evenbeat.quantities import FloatArray

_FEWEST = 5  # rows beside which one more is looked at
_HUNDRED = 100  # rows that make a habit certain
_RARE = 0.01  # share of the rows; what is more frequent is a habit of the writer
_FEW = 3
_KEPT = 50  # rows of one ending that are remembered; more of them are no odd ones
_DROPPED = 0.1  # share of random readings that end in a zero, which some writers leave out
_IMPROBABLE = 1e-3
_FAR_FEWER = 3  # decimals; one reading in a thousand ends in so many zeros
_TIGHT = 1e-3  # spread over size of readings that all begin alike
_FAR = 1.5  # times the others, or by this factor smaller
_SOME = 2000  # readings from which their usual size is told
NEIGHBOURS = 1 << 16  # bytes before the last line
_SHARED = 0.05  # of the rows end as the last line does
_FULL_DIGITS = 15  # as many as float64 surely holds: what may be lost behind them is rounding
_NUMBERS = {
    mark: re.compile(rf"[+-]?(\d*)(?:{re.escape(mark)}(\d*))?(?:[eEdD]([+-]?\d+))?", re.ASCII)
    for mark in ".,"
}
_CUT = "as where a line was cut short"
_JOINED = "as where two lines run into one"
_MOST_DIGITS = 64
_MARKS = ("", ".", "e", "time", "other", "sign")


class End(NamedTuple):
    """How a row ends: what stands before its last digits, and how many these are.

    The mark is ``.`` for decimals, ``e`` for an exponent, nothing for a whole number; a row that ends in its
    time has as many digits as the time has characters.
    """

    mark: str
    digits: int


class _Number(NamedTuple):
    """A number as text and its parts; decimals and exponent are ``None`` where it has none."""

    text: str
    whole: str
    decimals: str | None
    exponent: str | None

    @property
    def end(self) -> End:
        """How it ends."""
        if self.exponent is not None:
            return End("e", len(self.exponent.lstrip("+-")))
        return End("", len(self.whole)) if self.decimals is None else End(".", len(self.decimals))

    @property
    def digits(self) -> int:
        """How many digits it has before the exponent."""
        return len(self.whole) + len(self.decimals or "")


def ends_of(scan: Scan, places: IntArray, form: Form, wanted: Wanted) -> npt.NDArray[np.uint16]:
    """Return a code for how each of some lines ends, shape (rows,); see :func:`end_of`."""
    every = len(places) == len(scan.ends)
    ends, firsts, starts = (
        column if every else column[places] for column in (scan.ends, scan.firsts, scan.starts)
    )
    stops = scan.marks[ends]
    if form.columns - 1 == wanted.moment:
        separators = np.maximum.reduceat(np.where(scan.separates, scan.marks, -1), scan.firsts)
        mark: Any = _MARKS.index("time")
        digits = stops - np.maximum(separators[places], starts - 1) - 1
    else:
        kinds = _kinds(form)
        before = np.where(ends == firsts, starts - 1, scan.marks[ends - 1])
        digits = stops - before - 1
        mark = kinds[scan.codes[ends - 1]]
        mark[ends == firsts] = 0
        signed = np.flatnonzero(mark == _MARKS.index("sign"))
        if len(signed):
            behind, stated = ends[signed] - 2, _MARKS.index("e")
            glued = (scan.marks[behind] == before[signed] - 1) & (kinds[scan.codes[behind]] == stated)
            mark[signed] = np.where(glued, stated, 0)
    return (mark * _MOST_DIGITS + np.minimum(digits, _MOST_DIGITS - 1).astype(np.uint16)).astype(np.uint16)


def end_of(code: int) -> End:
    """Return how a row with that code ends."""
    return End(_MARKS[code // _MOST_DIGITS], code % _MOST_DIGITS)


def fronts_of(scan: Scan, places: IntArray, form: Form) -> npt.NDArray[np.uint16]:
    """Return how many digits begin each of some lines, shape (rows,)."""
    firsts, starts = scan.firsts[places], scan.starts[places]
    signed = scan.marks[firsts] == starts
    signed &= _kinds(form)[scan.codes[firsts]] == _MARKS.index("sign")
    return np.minimum(scan.marks[firsts + signed] - starts - signed, _MOST_DIGITS - 1).astype(np.uint16)


def _kinds(form: Form) -> npt.NDArray[np.uint16]:
    """Return which mark each character is."""
    kinds = np.full(256, _MARKS.index("other"), dtype=np.uint16)
    for mark, characters in (
        ("", f"{form.separator} \t\n"),
        (".", form.decimal),
        ("sign", "+-"),
        ("e", "eEdD"),
    ):
        kinds[[ord(character) for character in characters]] = _MARKS.index(mark)
    return kinds


class Judge:
    """Looks at the rows that begin or end otherwise than nearly all others.

    Beside the codes of :func:`ends_of` and :func:`fronts_of` (``None`` where they tell nothing) it is given
    how often ``earlier`` rows end in which way, last cells of the first rows, and what looks up lines.
    """

    def __init__(
        self,
        form: Form,
        wanted: Wanted,
        *,
        ends: npt.NDArray[np.uint16] | None,
        fronts: npt.NDArray[np.uint16] | None,
        earlier: Mapping[End, int],
        sample: Sequence[str],
        numbers: Mapping[int, FloatArray],
        texts: Callable[[IntArray], Iterable[tuple[int, str]]],
    ) -> None:
        self.form, self.wanted, self.numbers, self.texts = form, wanted, numbers, texts
        self.ends, self.fronts, self.last = ends, fronts, form.columns - 1
        self.counts = counts_of(ends) + Counter(earlier)
        first = next(iter(numbers.values()), np.empty(0))
        self.rows = len(first) + sum(earlier.values()) - self.counts.pop(End("other", 0), 0)
        self.few = max(_FEW, min(int(_RARE * self.rows), _KEPT))
        self.certain = self.rows >= _HUNDRED
        self.cells = sample
        self.sample = [number for cell in sample if (number := _number(cell, form)) is not None]
        self.surely: dict[int, Rejected] = {}
        self.perhaps: dict[int, Rejected] = {}

    def verdict(self) -> tuple[tuple[Rejected, ...], tuple[Rejected, ...]]:
        """Return the lines that were cut short or run into the next, and those where it may be so."""
        if self.rows >= _FEWEST:
            if self.last == self.wanted.moment:
                self._judge_stamps()
            elif self.wanted.holds(self.last):
                self._judge_endings()
            if self.wanted.begins_with_reading:
                self._judge_first_mantissas()
            for index in {0, self.last} & set(self.wanted.numbers) - {self.wanted.time}:
                self._judge_sizes(index)
        surely = tuple(self.surely[line] for line in sorted(self.surely))
        return surely, tuple(self.perhaps[line] for line in sorted(self.perhaps) if line not in self.surely)

    def _tell(self, line: int, reason: str, *, surely: bool) -> None:
        into = self.surely if surely else self.perhaps
        into.setdefault(line, Rejected(line=line, reason=reason, cut=True))

    def _lines(self, ends: Iterable[End]) -> Iterator[tuple[int, list[str]]]:
        """Yield line and cells of the first rows of some ends."""
        for end in ends if self.ends is not None else ():
            code = _MARKS.index(end.mark) * _MOST_DIGITS + end.digits
            yield from self._cells_at(np.flatnonzero(self.ends == code)[:_KEPT])

    def _cells_at(self, rows: IntArray) -> Iterator[tuple[int, list[str]]]:
        """Yield line and cells of some rows, whole ones."""
        for line, text in self.texts(rows):
            cells = row_cells(row_in(text.encode(), self.form), self.form)
            if len(cells) == self.form.columns:
                yield line, cells

    def _numbers(self, ends: Iterable[End]) -> Iterator[tuple[int, _Number]]:
        """Yield line and last number of the first rows of some ends."""
        for line, cells in self._lines(ends):
            number = _number(cells[-1], self.form)
            if number is not None:
                yield line, number

    def _judge_stamps(self) -> None:
        """Find time stamps that are written as nearly all others begin."""
        usual, _ = self.counts.most_common(1)[0]
        shapes = {shape for shape, _ in Counter(map(shape_of, self.cells)).most_common(2)}
        rare = [e for e, count in self.counts.items() if e.digits < usual.digits and count <= self.few]
        for line, cells in self._lines(rare):
            if any(shape.startswith(shape_of(cells[-1])) for shape in shapes):
                reason = f"its last cell {shown(cells[-1])} is how a time begins, {_CUT}"
                self._tell(line, reason, surely=self.certain)

    def _judge_endings(self) -> None:
        """Find numbers whose last digits are fewer than those of nearly all others."""
        stated = Counter({end: count for end, count in self.counts.items() if end.mark == "e"})
        plain = Counter({end: n for end, n in self.counts.items() if end.mark not in ("e", "other")})
        if rare := [end for end, count in stated.items() if count <= self.few]:
            usual = {number.exponent for number in self.sample if number.exponent is not None}
            for line, number in self._numbers(rare):
                cut = number.exponent or ""
                if any(whole.startswith(cut) and whole != cut for whole in usual):
                    self._tell(line, f"its last number has the exponent {cut}, {_CUT}", surely=True)
        if plain and plain.total() >= stated.total():
            self._judge_decimals(plain)
        elif plain.total() <= self.few:
            self._judge_mantissas(plain)

    def _judge_mantissas(self, ends: Iterable[End]) -> None:
        """Find numbers that lost the exponent which the others have: they look like what stands before it."""
        wholes = {number.whole for number in self.sample if number.exponent is not None}
        widths, leading = {len(whole) for whole in wholes}, all(whole.strip("0") for whole in wholes)
        for line, number in self._numbers(ends):
            if len(number.whole) in widths and bool(number.whole.strip("0")) == leading:
                reason = (
                    f"its last number {shown(number.text)} has no exponent where the others have one, {_CUT}"
                )
                self._tell(line, reason, surely=self.certain)

    def _judge_decimals(self, ends: Counter[End]) -> None:
        """Find fewer decimals where the writer shows trailing zeros, elsewhere a number with far fewer."""
        usual, _ = ends.most_common(1)[0]
        decimals = {end: end.digits if end.mark else 0 for end in ends}
        if usual.mark:
            shorter = [end for end in ends if decimals[end] < usual.digits]
        else:
            shorter = [end for end in ends if not end.mark and end.digits < usual.digits]
        count = sum(ends[end] for end in shorter)
        shows_zeros = 0 < count <= self.few and self._shows_zeros(usual, count)
        if count > self.few and usual.mark:
            lowest, second, *_ = sorted(ends, key=lambda end: decimals[end])
            lone = ends[lowest] == 1 and decimals[lowest] + _FAR_FEWER <= decimals[second]
            shorter = [lowest] if lone else []
        elif count != 1 and not shows_zeros:
            shorter = []
        alike = [number for number in self.sample if number.end == usual] if shorter else []
        widest = max((len(number.whole) for number in alike), default=0)
        most = max((number.digits for number in alike), default=0)
        found = dict(self._numbers(shorter))
        for line, number in found.items():
            if any(all(line + k in found for k in near) for near in ((-2, -1), (-1, 1), (1, 2))):
                continue  # a stretch that was written so
            if usual.mark and len(number.whole) > widest and number.digits >= most:
                continue  # the writer shows so many digits in all
            if not (usual.mark or self._begins_as_others(float(number.whole))):
                continue
            digits = len(number.decimals or "") if usual.mark else len(number.whole)
            has = f"{digits} {'decimal' if usual.mark else 'digit'}{'s' * (digits != 1)}"
            reason = (
                f"its last number {shown(number.text)} has {has} where the others have {usual.digits}, {_CUT}"
            )
            self._tell(line, reason, surely=bool(usual.mark) and shows_zeros and self.certain)

    def _shows_zeros(self, usual: End, count: int) -> bool:
        """Return whether the writer shows trailing zeros: one is seen, or so few without are improbable."""
        different = {number.text for number in self.sample if number.end == usual}
        if usual.mark and any(text.endswith("0") for text in different):
            return True
        n, p = len(different), _DROPPED
        chance = sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(min(count, n) + 1))
        return chance < _IMPROBABLE

    def _bounds(self, index: int) -> tuple[float, float]:
        """Return between which sizes nearly all readings of a column lie."""
        values = self.numbers[index]
        some = np.abs(values[:: max(1, len(values) // _SOME)])
        some = some[np.isfinite(some)]
        low, high = np.quantile(some, [0.02, 0.98]).tolist() if len(some) else (math.nan, math.nan)
        return low, high

    def _begins_as_others(self, size: float) -> bool:
        """Return whether more digits behind a whole number would make it one of the last readings."""
        low, high = self._bounds(self.last)
        reach = high - low + low * _TIGHT
        scales = (10.0**power for power in range(1, 20))
        return size > 0 and any(size * s < high + reach and (size + 1) * s > low - reach for s in scales)

    def _judge_sizes(self, index: int) -> None:
        """Find the beginning of a reading where all begin alike, and one behind the head of another."""
        low, high = self._bounds(index)
        if not 0 < low <= high <= (1 + _TIGHT) * low:
            return
        sizes = np.abs(self.numbers[index])
        far = np.flatnonzero((sizes < low / _FAR) | (sizes > _FAR * high))
        for line, cells in self._cells_at(far) if 0 < len(far) <= self.few else ():
            number = _number(cells[index], self.form)
            if number is None or number.exponent is not None or not number.whole:
                continue
            told = shown(number.text)
            tails = [float(number.whole[start:]) for start in range(1, len(number.whole))]
            if index == self.last and self._begins_as_others(float(number.whole)):
                reason = f"its last number {told} is how readings such as {low:.15g} begin, {_CUT}"
                self._tell(line, reason, surely=self.certain)
            elif index == 0 and any((1 - _TIGHT) * low < tail + 1 < (1 + _TIGHT) * high for tail in tails):
                reason = f"its first number {told} ends as readings such as {low:.15g} do, {_JOINED}"
                self._tell(line, reason, surely=self.certain)

    def _judge_first_mantissas(self) -> None:
        """Find two lines in one by the digits before the point, where all numbers have an exponent."""
        if self.fronts is None or not self.certain:
            return
        widths = np.bincount(self.fronts)
        usual = int(np.argmax(widths))
        rows = self._cells_at(np.flatnonzero(self.fronts == usual)[:1])
        number = next((_number(cells[0], self.form) for _, cells in rows), None)
        if number is None or number.exponent is None or widths[usual] < len(self.fronts) - self.few:
            return
        for line, cells in self._cells_at(np.flatnonzero(self.fronts > usual)[:_KEPT]):
            reason = (
                f"its first number {shown(cells[0])} has more digits before its point than others, {_JOINED}"
            )
            self._tell(line, reason, surely=True)


def counts_of(ends: npt.NDArray[np.uint16] | None) -> Counter[End]:
    """Return how often rows end in which way."""
    often = np.bincount(ends) if ends is not None else np.empty(0, dtype=np.int64)
    return Counter({end_of(code): int(often[code]) for code in np.flatnonzero(often).tolist()})


def _number(cell: str, form: Form) -> _Number | None:
    """Return the parts of a cell that holds a number."""
    cell = next(iter(measured_parts(cell, form.decimal) or (cell,)))
    match = _NUMBERS[form.decimal].fullmatch(cell) if cell_kind(cell, form.decimal) == "number" else None
    return None if match is None else _Number(cell, *match.groups())


def without_torn_end(
    log: LogText, form: Form, before: bytes = b""
) -> tuple[LogText, tuple[Rejected, ...], tuple[Rejected, ...]]:
    """Return a log without a last line that has no line end, unless it is as whole as its neighbours.

    Behind it the line where it was left out, and where it is kept with a doubt; ``before`` stands above this
    part.
    """
    text = log.text
    if text.endswith(b"\n"):
        return log, (), ()
    start = text.rfind(b"\n") + 1
    number = text.count(b"\n", 0, start) + 1
    line = row_in(text[start:], form)
    if not line or (number <= form.first_line and not before):
        return log, (), ()
    cells = row_cells(line, form)
    above = (before[-NEIGHBOURS:] + text[max(0, start - NEIGHBOURS) : start]).split(b"\n")[1:-1]
    rows = [row for raw in above if (row := row_cells(row_in(raw, form), form)) and len(row) == form.columns]
    if len(rows) < 2:
        return log, (), ()
    why = "the last line has no line end"
    if len(cells) < form.columns:
        why += f" and {len(cells)} of {form.columns} cells"
        return replace(log, text=text[:start]), (Rejected(line=number, reason=why, cut=True),), ()
    whole = _is_whole(cells[-1], [row[-1] for row in rows], form)
    why += f", and nothing says that {shown(cells[-1])} is whole"
    line_ = Rejected(line=number, reason=why, cut=True)
    if whole is None:
        return log, (), (line_,)
    return (log, (), ()) if whole else (replace(log, text=text[:start]), (line_,), ())


def _is_whole(cell: str, others: Sequence[str], form: Form) -> bool | None:
    """Return whether the last cell of a file goes as far as those above, ``None`` if but for rounding."""
    if measured := measured_parts(cell, form.decimal):
        return measured[1] in [parts[1] for text in others if (parts := measured_parts(text, form.decimal))]
    number, shape = _number(cell, form), shape_of(cell)
    if number is None:
        shapes = {shape_of(text) for text in others}
        return shape in shapes and not any(other.startswith(shape) for other in shapes - {shape})
    ends = Counter(other.end for text in others if (other := _number(text, form)))
    kinds = {ending.mark for ending in ends}
    mark, digits = number.end
    if mark != ("e" if "e" in kinds else "." if "." in kinds else ""):
        return False
    if digits >= max((end.digits for end in ends if end.mark == mark), default=digits + 1):
        return True
    full = number.digits >= _FULL_DIGITS and ends[number.end] >= _SHARED * ends.total()
    return None if full else False
