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
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from evenbeat.ledger import Rejected
from evenbeat.logs.cells import UNIT, Scan, cell_kind, measured_parts, row_in, shape_of, shown, split_line
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
_MARKS = {"": 0, ".": 1, "e": 2, "time": 3, "other": 4, "sign": 5}


class Ending(NamedTuple):
    """How a row ends: what stands before its last digits, how many these are, and how many begin the row.

    The mark is ``.`` for decimals, ``e`` for an exponent, nothing for a whole number; a row that ends in its
    time has as many digits as the time has characters. The front counts only where a reading begins the row.
    """

    mark: str
    digits: int
    front: int = 0


class _Number(NamedTuple):
    """A number as text and its parts; decimals and exponent are ``None`` where it has none."""

    text: str
    whole: str
    decimals: str | None
    exponent: str | None

    @property
    def ending(self) -> Ending:
        """How it ends."""
        if self.exponent is not None:
            return Ending("e", len(self.exponent.lstrip("+-")))
        return Ending("", len(self.whole)) if self.decimals is None else Ending(".", len(self.decimals))

    @property
    def digits(self) -> int:
        """How many digits it has before the exponent."""
        return len(self.whole) + len(self.decimals or "")


@dataclass(frozen=True, eq=False, kw_only=True)
class Endings:
    """How often rows end in which way, and the lines of the first few of each: number and text."""

    counts: Mapping[Ending, int] = field(default_factory=dict)
    rows: Mapping[Ending, tuple[tuple[int, str], ...]] = field(default_factory=dict)

    def and_others(self, *others: Endings) -> Endings:
        """Return the endings of these rows and of later ones."""
        counts: Counter[Ending] = Counter(self.counts)
        rows = dict(self.rows)
        for other in others:
            counts.update(other.counts)
            for ending, lines in other.rows.items():
                rows[ending] = (*rows.get(ending, ()), *lines)[:_KEPT]
        return Endings(counts=counts, rows=rows)

    def before(self) -> Endings:
        """Return the endings of an earlier part of a log, beside which later rows are judged."""
        rows = {ending: ((0, lines[0][1]),) for ending, lines in self.rows.items()}
        return Endings(counts=self.counts, rows=rows)

    def and_rows(self, rows: Sequence[tuple[int, str]], form: Form, wanted: Wanted) -> Endings:
        """Return the endings of these rows and of some given as line number and text."""
        last = form.columns - 1
        if not (wanted.holds(last) or wanted.begins_with_reading):
            return self
        found: dict[Ending, list[tuple[int, str]]] = {}
        for row in rows:
            found.setdefault(_ending_of(row[1], form, wanted), []).append(row)
        counts = {ending: len(lines) for ending, lines in found.items()}
        return self.and_others(Endings(counts=counts, rows={e: tuple(lines) for e, lines in found.items()}))


def _ending_of(line: str, form: Form, wanted: Wanted) -> Ending:
    cells = _cells(line, form)
    last = cells[-1] if len(cells) == form.columns else ""
    if form.columns - 1 == wanted.moment:
        return Ending("time", len(line.rsplit(None if form.separator == " " else form.separator, 1)[-1]))
    number, first = _number(last, form), _number(cells[0], form)
    front = len(first.whole) if first is not None and wanted.begins_with_reading else 0
    return Ending("other", 0) if number is None else Ending(*number.ending[:2], front)


def endings_of(
    scan: Scan, places: npt.NDArray[np.intp], first_line: int, form: Form, wanted: Wanted
) -> Endings:
    """Return how the lines at some places of a text end, the first of all being that line of the log."""
    last = form.columns - 1
    if not len(places) or not (wanted.holds(last) or wanted.begins_with_reading):
        return Endings()
    every = len(places) == len(scan.ends)
    ends, firsts, starts = (
        column if every else column[places] for column in (scan.ends, scan.firsts, scan.starts)
    )
    stops = scan.marks[ends]
    kinds = np.full(256, _MARKS["other"])
    kinds[[ord(code) for code in f"{form.separator} \t\n"]] = _MARKS[""]
    kinds[[ord(form.decimal), ord("+"), ord("-")]] = _MARKS["."], _MARKS["sign"], _MARKS["sign"]
    kinds[[ord(code) for code in "eEdD"]] = _MARKS["e"]
    if last == wanted.moment:
        separators = np.maximum.reduceat(np.where(scan.separates, scan.marks, -1), scan.firsts)
        digits = stops - np.maximum(separators[places], starts - 1) - 1
        mark = np.full(len(places), _MARKS["time"])
    else:
        before = np.where(ends == firsts, starts - 1, scan.marks[ends - 1])
        digits = stops - before - 1
        mark = kinds[scan.codes[ends - 1]]
        mark[ends == firsts] = _MARKS[""]
        signed = np.flatnonzero(mark == _MARKS["sign"])
        if len(signed):
            behind = ends[signed] - 2
            stated = (scan.marks[behind] == before[signed] - 1) & (kinds[scan.codes[behind]] == _MARKS["e"])
            mark[signed] = np.where(stated, _MARKS["e"], _MARKS[""])
    code = mark * _MOST_DIGITS + np.minimum(digits, _MOST_DIGITS - 1)
    code *= _MOST_DIGITS
    if wanted.begins_with_reading:
        begins = scan.marks[firsts]
        signed = (begins == starts) & (kinds[scan.codes[firsts]] == _MARKS["sign"])
        code += np.minimum(scan.marks[firsts + signed] - starts - signed, _MOST_DIGITS - 1)
    size = _MOST_DIGITS
    counts, rows = {}, {}
    names = {number: name for name, number in _MARKS.items()}
    often = np.bincount(code)
    for key in np.flatnonzero(often).tolist():
        ending = Ending(names[key // size // size], key // size % size, key % size)
        counts[ending] = int(often[key])
        some = np.flatnonzero(code == key)[:_KEPT] if often[key] <= _KEPT else [int(np.argmax(code == key))]
        rows[ending] = tuple(
            (first_line + int(places[at]), scan.line(int(places[at])).replace(form.separator + UNIT, ""))
            for at in some
        )
    return Endings(counts=counts, rows=rows)


class Judge:
    """Looks at the rows that begin or end otherwise than nearly all others."""

    def __init__(
        self,
        form: Form,
        wanted: Wanted,
        endings: Endings,
        *,
        sample: Sequence[str],
        numbers: Mapping[int, FloatArray],
        rows_at: Callable[[Sequence[int]], Iterable[tuple[int, str]]],
    ) -> None:
        self.form, self.wanted, self.numbers, self.rows_at = form, wanted, numbers, rows_at
        self.endings, self.last = endings, form.columns - 1
        self.rows = sum(endings.counts.values()) - endings.counts.get(Ending("other", 0), 0)
        self.few = max(_FEW, min(int(_RARE * self.rows), _KEPT))
        self.certain = self.rows >= _HUNDRED
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
        if not line:  # of an earlier part of the log
            return
        into = self.surely if surely else self.perhaps
        into.setdefault(line, Rejected(line=line, reason=reason, cut=True))

    def _lines(self, endings: Iterable[Ending]) -> Iterator[tuple[int, list[str]]]:
        """Yield line and cells of the rows of some endings."""
        for line, text in (row for ending in endings for row in self.endings.rows.get(ending, ())):
            cells = _cells(text, self.form)
            if len(cells) == self.form.columns:
                yield line, cells

    def _numbers(self, endings: Iterable[Ending]) -> Iterator[tuple[int, _Number]]:
        """Yield line and last number of the rows of some endings."""
        for line, cells in self._lines(endings):
            number = _number(cells[-1], self.form)
            if number is not None:
                yield line, number

    def _judge_stamps(self) -> None:
        """Find time stamps that are written as nearly all others begin."""
        counts = self.endings.counts
        usual = max(counts, key=lambda ending: counts[ending])
        shapes = {shape_of(cells[-1]) for _, cells in self._lines([usual])}
        rare = [e for e, count in counts.items() if e.digits < usual.digits and count <= self.few]
        for line, cells in self._lines(rare):
            if any(shape.startswith(shape_of(cells[-1])) for shape in shapes):
                reason = f"its last cell {shown(cells[-1])} is how a time begins, {_CUT}"
                self._tell(line, reason, surely=self.certain)

    def _judge_endings(self) -> None:
        """Find numbers whose last digits are fewer than those of nearly all others."""
        stated: Counter[Ending] = Counter()
        plain: Counter[Ending] = Counter()
        of: dict[Ending, list[Ending]] = {}
        for ending, count in self.endings.counts.items():
            if ending.mark != "other":
                end = ending._replace(front=0)
                (stated if end.mark == "e" else plain)[end] += count
                of.setdefault(end, []).append(ending)
        if rare := [end for end, count in stated.items() if count <= self.few]:
            usual = {number.exponent for number in self.sample if number.exponent is not None}
            for line, number in self._numbers(ending for end in rare for ending in of[end]):
                cut = number.exponent or ""
                if any(whole.startswith(cut) and whole != cut for whole in usual):
                    self._tell(line, f"its last number has the exponent {cut}, {_CUT}", surely=True)
        if plain and plain.total() >= stated.total():
            self._judge_decimals(plain, of)
        elif plain.total() <= self.few:
            self._judge_mantissas(ending for end in plain for ending in of[end])

    def _judge_mantissas(self, endings: Iterable[Ending]) -> None:
        """Find numbers that lost the exponent which the others have: they look like what stands before it."""
        wholes = {number.whole for number in self.sample if number.exponent is not None}
        widths, leading = {len(whole) for whole in wholes}, all(whole.strip("0") for whole in wholes)
        for line, number in self._numbers(endings):
            if len(number.whole) in widths and bool(number.whole.strip("0")) == leading:
                reason = (
                    f"its last number {shown(number.text)} has no exponent where the others have one, {_CUT}"
                )
                self._tell(line, reason, surely=self.certain)

    def _judge_decimals(self, ends: Counter[Ending], of: Mapping[Ending, list[Ending]]) -> None:
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
        alike = [number for number in self.sample if number.ending == usual] if shorter else []
        widest = max((len(number.whole) for number in alike), default=0)
        most = max((number.digits for number in alike), default=0)
        found = dict(self._numbers(ending for end in shorter for ending in of[end]))
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

    def _shows_zeros(self, usual: Ending, count: int) -> bool:
        """Return whether the writer shows trailing zeros: one is seen, or so few without are improbable."""
        different = {number.text for number in self.sample if number.ending == usual}
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
        for line, text in self.rows_at(far.tolist()) if 0 < len(far) <= self.few else ():
            number = _number(_cells(text, self.form)[index], self.form)
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
        endings = self.endings.counts
        first = {e: _number(cells[0], self.form) for e in endings for _, cells in self._lines([e])}
        widths: Counter[int] = Counter()
        for ending, number in first.items():
            if number is not None and number.exponent is not None:
                widths[ending.front] += self.endings.counts[ending]
        usual = max(widths, key=lambda width: widths[width], default=0)
        if not self.certain or widths[usual] < self.rows - self.few:
            return
        for line, cells in self._lines(ending for ending in first if ending.front > usual):
            reason = (
                f"its first number {shown(cells[0])} has more digits before its point than others, {_JOINED}"
            )
            self._tell(line, reason, surely=True)


def _cells(line: str, form: Form) -> list[str]:
    return split_line(line, form.separator, joined_moment=form.joined_moment)


def _number(cell: str, form: Form) -> _Number | None:
    """Return the parts of a cell that holds a number."""
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
    cells = _cells(line, form)
    above = (before[-NEIGHBOURS:] + text[max(0, start - NEIGHBOURS) : start]).split(b"\n")[1:-1]
    rows = [row for raw in above if (row := _cells(row_in(raw, form), form)) and len(row) == form.columns]
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
    number = _number(cell, form)
    if number is None:
        measured = measured_parts(cell, form.decimal)
        if measured is not None:
            return measured[1] in [
                parts[1] for text in others if (parts := measured_parts(text, form.decimal))
            ]
        shapes = {shape_of(text) for text in others}
        return shape_of(cell) in shapes and not any(
            s.startswith(shape_of(cell)) for s in shapes - {shape_of(cell)}
        )
    ends = Counter(other.ending for text in others if (other := _number(text, form)))
    kinds = {ending.mark for ending in ends}
    mark, digits, _ = number.ending
    if mark != ("e" if "e" in kinds else "." if "." in kinds else ""):
        return False
    if digits >= max((end.digits for end in ends if end.mark == mark), default=digits + 1):
        return True
    full = number.digits >= _FULL_DIGITS and ends[number.ending] >= _SHARED * ends.total()
    return None if full else False
