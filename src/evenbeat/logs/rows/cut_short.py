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
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from evenbeat.errors import LogError
from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import cell_kind, measured_parts, shape_of, split_line
from evenbeat.logs.form.detect import PROBE_LINES
from evenbeat.logs.rows.lines import REJECT, Rejected, row_in, row_lines, shown
from evenbeat.logs.rows.tables import Columns, first_cells, read_columns
from evenbeat.logs.rows.wanted import KEPT_STARTS, Alike, Wanted
from evenbeat.logs.terms import Form

_FEWEST = 5  # rows beside which one more is looked at
_HUNDRED = 100  # rows that make a habit certain
_RARE = 0.01  # share of the rows; what is more frequent is a habit of the writer
_FEW = 3
_DROPPED = 0.1  # share of random readings that end in a zero, which some writers leave out
_IMPROBABLE = 1e-3
_FAR_FEWER = 3  # decimals; one reading in a thousand ends in so many zeros
_TIGHT = 1e-3  # spread over size of readings that all begin alike
_FAR = 1.5  # times the others, or by this factor smaller
_SOME = 2000  # readings from which their usual size is told
_REMEMBERED = 200  # ways to begin and end
_NEIGHBOURS = 1 << 16  # bytes before the last line
_SHARED = 0.05  # of the rows end as the last line does
_FULL_DIGITS = 15  # as many as float64 surely holds: what may be lost behind them is rounding
_NUMBERS = {
    mark: re.compile(rf"[+-]?(\d*)(?:{re.escape(mark)}(\d*))?(?:[eEdD]([+-]?\d+))?", re.ASCII)
    for mark in ".,"
}
_CUT = "as where a line was cut short"
_JOINED = "as where two lines run into one"


class _Number(NamedTuple):
    """A number as text and its parts; decimals and exponent are ``None`` where it has none."""

    text: str
    whole: str
    decimals: str | None
    exponent: str | None

    @property
    def ending(self) -> tuple[str, int]:
        """What stands before its last digits, and how many these are."""
        if self.exponent is not None:
            return "e", len(self.exponent.lstrip("+-"))
        return ("", len(self.whole)) if self.decimals is None else (".", len(self.decimals))

    @property
    def digits(self) -> int:
        """How many digits it has before the exponent."""
        return len(self.whole) + len(self.decimals or "")


@dataclass(frozen=True, eq=False, kw_only=True)
class Seen:
    """Rows of a log that were read before: by how they begin and end, and some of their last cells."""

    alike: tuple[Alike, ...] = ()
    cells: tuple[str, ...] = ()

    def with_rows(self, log: LogText, form: Form, columns: Columns) -> Seen:
        """Return what was seen when the rows of one more part of the log were read."""
        counts: Counter[str] = Counter()
        for group in (*self.alike, *columns.alike):
            counts[shape_of(group.line)] += group.count
        alike = tuple(Alike(line=line, count=count) for line, count in counts.most_common(_REMEMBERED))
        cells = self.cells or tuple(first_cells(log, form, form.columns - 1, PROBE_LINES))
        return Seen(alike=alike, cells=cells)


def read_whole_rows(
    log: LogText, form: Form, wanted: Wanted, *, reject: bool = False, before: Seen | None = None
) -> Columns:
    """Return the columns at the given positions, of rows that were not cut short.

    Parameters
    ----------
    reject
        Pass over lines that cannot be read or were cut short, and count them. In a log without times a
        row that was cut short keeps its place, where its readings are missing.
    before
        What was read of the log before this part of it.

    Raises
    ------
    LogError
        If a row cannot be read or was cut short, naming its line.
    """
    columns = read_columns(log, form, wanted, reject=reject)
    surely, perhaps = _Judge(log, form, wanted, columns, before or Seen()).verdict()
    if surely and not reject:
        line = next(text for number, text in row_lines(log, form) if number == surely[0].line)
        msg = f"{surely[0].reason}: {shown(line)}; {REJECT}"
        raise LogError(msg, path=log.path, line=surely[0].line)
    held = [] if wanted.time is not None else [line for line in columns.rejected if line.cut]
    if surely or held:
        missing = form.separator.join(["nan"] * form.columns) if wanted.time is None else ""
        lost = {rejected.line for rejected in (*surely, *held)}
        lines = enumerate(log.text.split(b"\n"), 1)
        text = b"\n".join(missing.encode() if number in lost else line for number, line in lines)
        rest = replace(log, text=text, first_rows={})
        columns = read_columns(rest, form, wanted, reject=True)
        left_out = {rejected.line for rejected in columns.rejected}
        kept = [number for number, _ in row_lines(rest, form) if number not in left_out]
        rejected = sorted((*columns.rejected, *surely, *held), key=lambda line: line.line)
        columns = replace(columns, lines=np.array(kept, dtype=np.int64), rejected=tuple(rejected))
    return replace(columns, doubtful=perhaps)


class _Judge:
    """Looks at the rows that begin or end otherwise than nearly all others."""

    def __init__(self, log: LogText, form: Form, wanted: Wanted, columns: Columns, before: Seen) -> None:
        self.log, self.form, self.wanted, self.columns, self.before = log, form, wanted, columns, before
        self.last = form.columns - 1
        groups = [(_cells(group.line, form), group) for group in (*before.alike, *columns.alike)]
        self.groups = [(cells, group) for cells, group in groups if len(cells) == form.columns]
        self.rows = sum(group.count for _, group in self.groups)
        self.few = max(_FEW, min(int(_RARE * self.rows), KEPT_STARTS))
        self.certain = self.rows >= _HUNDRED
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

    @cached_property
    def _sample(self) -> list[_Number]:
        """The last numbers of the first rows."""
        cells = first_cells(self.log, self.form, self.last, PROBE_LINES)
        numbers = (_number(cell, self.form) for cell in (*self.before.cells, *cells))
        return [number for number in numbers if number is not None]

    def _rows(self, groups: Iterable[Alike]) -> Iterator[tuple[int, list[str]]]:
        """Yield line and cells of the rows in some groups."""
        text = self.log.text
        for start in (start for group in groups for start in group.starts):
            stop = text.find(b"\n", start)
            line = row_in(text[start : stop if stop >= 0 else None], self.form)
            cells = _cells(line, self.form) if line else []
            if len(cells) == self.form.columns:
                yield text.count(b"\n", 0, start) + 1, cells

    def _numbers(self, groups: Iterable[Alike]) -> Iterator[tuple[int, _Number]]:
        """Yield line and last number of the rows in some groups."""
        for line, cells in self._rows(groups):
            number = _number(cells[-1], self.form)
            if number is not None:
                yield line, number

    def _judge_stamps(self) -> None:
        """Find time stamps that are written as nearly all others begin."""
        counts: Counter[str] = Counter()
        for cells, group in self.groups:
            counts[shape_of(cells[-1])] += group.count
        usual, _ = counts.most_common(1)[0]
        rare = {shape for shape, count in counts.items() if usual.startswith(shape) and count <= self.few}
        groups = [group for cells, group in self.groups if shape_of(cells[-1]) in rare - {usual}]
        for line, cells in self._rows(groups):
            self._tell(line, f"its last cell '{cells[-1]}' is how a time begins, {_CUT}", surely=self.certain)

    def _judge_endings(self) -> None:
        """Find numbers whose last digits are fewer than those of nearly all others."""
        stated: Counter[tuple[str, int]] = Counter()
        plain: Counter[tuple[str, int]] = Counter()
        groups: dict[tuple[str, int], list[Alike]] = {}
        for cells, group in self.groups:
            number = _number(cells[-1], self.form)
            if number is not None:
                (plain if number.exponent is None else stated)[number.ending] += group.count
                groups.setdefault(number.ending, []).append(group)
        if rare := [end for end, count in stated.items() if count <= self.few]:
            usual = {number.exponent for number in self._sample if number.exponent is not None}
            for line, number in self._numbers(group for end in rare for group in groups[end]):
                cut = number.exponent or ""
                if any(whole.startswith(cut) and whole != cut for whole in usual):
                    self._tell(line, f"its last number has the exponent {cut}, {_CUT}", surely=True)
        if plain and plain.total() >= stated.total():
            self._judge_decimals(plain, groups)
        elif plain.total() <= self.few:
            self._judge_mantissas(group for end in plain for group in groups[end])

    def _judge_mantissas(self, groups: Iterable[Alike]) -> None:
        """Find numbers that lost the exponent which the others have: they look like what stands before it."""
        wholes = {number.whole for number in self._sample if number.exponent is not None}
        widths, leading = {len(whole) for whole in wholes}, all(whole.strip("0") for whole in wholes)
        for line, number in self._numbers(groups):
            if len(number.whole) in widths and bool(number.whole.strip("0")) == leading:
                reason = f"its last number '{number.text}' has no exponent where the others have one, {_CUT}"
                self._tell(line, reason, surely=self.certain)

    def _judge_decimals(
        self, ends: Counter[tuple[str, int]], groups: dict[tuple[str, int], list[Alike]]
    ) -> None:
        """Find fewer decimals where the writer shows trailing zeros, elsewhere a number with far fewer."""
        (mark, usual), _ = ends.most_common(1)[0]
        decimals = {end: end[1] if end[0] else 0 for end in ends}
        if mark:
            shorter = [end for end in ends if decimals[end] < usual]
        else:
            shorter = [end for end in ends if not end[0] and end[1] < usual]
        count = sum(ends[end] for end in shorter)
        shows_zeros = 0 < count <= self.few and self._shows_zeros(mark, usual, count)
        if count > self.few and mark:
            lowest, second, *_ = sorted(ends, key=lambda end: decimals[end])
            lone = ends[lowest] == 1 and decimals[lowest] + _FAR_FEWER <= decimals[second]
            shorter = [lowest] if lone else []
        elif count != 1 and not shows_zeros:
            shorter = []
        alike = [number for number in self._sample if number.ending == (mark, usual)] if shorter else []
        widest, most = (
            max((len(n.whole) for n in alike), default=0),
            max((n.digits for n in alike), default=0),
        )
        found = dict(self._numbers(group for end in shorter for group in groups[end]))
        for line, number in found.items():
            if any(all(line + k in found for k in near) for near in ((-2, -1), (-1, 1), (1, 2))):
                continue  # a stretch that was written so
            if mark and len(number.whole) > widest and number.digits >= most:
                continue  # the writer shows so many digits in all
            if not (mark or self._begins_as_others(float(number.whole))):
                continue
            digits = len(number.decimals or "") if mark else len(number.whole)
            has = f"{digits} {'decimal' if mark else 'digit'}{'s' * (digits != 1)}"
            reason = f"its last number '{number.text}' has {has} where the others have {usual}, {_CUT}"
            self._tell(line, reason, surely=bool(mark) and shows_zeros and self.certain)

    def _shows_zeros(self, mark: str, usual: int, count: int) -> bool:
        """Return whether the writer shows trailing zeros: one is seen, or so few without are improbable."""
        different = {number.text for number in self._sample if number.ending == (mark, usual)}
        if mark and any(text.endswith("0") for text in different):
            return True
        n, p = len(different), _DROPPED
        chance = sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(min(count, n) + 1))
        return chance < _IMPROBABLE

    def _bounds(self, index: int) -> tuple[float, float]:
        """Return between which sizes nearly all readings of a column lie."""
        values = self.columns.numbers[index]
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
        values = self.columns.numbers[index]
        ends = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
        if ends[0] * ends[1] > 0 and all(low / _FAR < abs(end) < _FAR * high for end in ends):
            return
        far = np.flatnonzero((np.abs(values) < low / _FAR) | (np.abs(values) > _FAR * high))
        for line, cells in self._rows_at(far.tolist()) if len(far) <= self.few else ():
            number = _number(cells[index], self.form)
            if number is None or number.exponent is not None or not number.whole:
                continue
            tails = [float(number.whole[start:]) for start in range(1, len(number.whole))]
            if index == self.last and self._begins_as_others(float(number.whole)):
                reason = f"its last number '{number.text}' is how readings such as {low:.15g} begin, {_CUT}"
                self._tell(line, reason, surely=self.certain)
            elif index == 0 and any((1 - _TIGHT) * low < tail + 1 < (1 + _TIGHT) * high for tail in tails):
                reason = f"its first number '{number.text}' ends as readings such as {low:.15g} do, {_JOINED}"
                self._tell(line, reason, surely=self.certain)

    def _rows_at(self, rows: Sequence[int]) -> Iterator[tuple[int, list[str]]]:
        """Yield line and cells of some rows."""
        lines = self.columns.lines
        wanted = set(rows if lines is None else lines[list(rows)].tolist())
        for place, (number, line) in enumerate(row_lines(self.log, self.form)):
            if (place if lines is None else number) in wanted:
                yield number, _cells(line, self.form)

    def _judge_first_mantissas(self) -> None:
        """Find two lines in one by the digits before the point, where all numbers have an exponent."""
        widths: Counter[int] = Counter()
        wider: dict[int, list[Alike]] = {}
        for cells, group in self.groups:
            number = _number(cells[0], self.form)
            if number is not None and number.exponent is not None:
                widths[len(number.whole)] += group.count
                wider.setdefault(len(number.whole), []).append(group)
        usual = max(widths, key=lambda width: widths[width], default=0)
        if not self.certain or widths[usual] < self.rows - self.few:
            return
        for line, cells in self._rows(group for width in widths if width > usual for group in wider[width]):
            reason = f"its first number '{cells[0]}' has more digits before its point than others, {_JOINED}"
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

    Parameters
    ----------
    before
        What stands in the log before this part of it.

    Returns
    -------
    log, rejected, doubtful
        The line where it is left out, and where it is kept with a doubt.
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
    above = (before[-_NEIGHBOURS:] + text[max(0, start - _NEIGHBOURS) : start]).split(b"\n")[1:-1]
    rows = [row for raw in above if (row := _cells(row_in(raw, form), form)) and len(row) == form.columns]
    if len(rows) < 2:
        return log, (), ()
    why = "the last line has no line end"
    if len(cells) < form.columns:
        why += f" and {len(cells)} of {form.columns} cells"
        return replace(log, text=text[:start]), (Rejected(line=number, reason=why, cut=True),), ()
    whole = _is_whole(cells[-1], [row[-1] for row in rows], form)
    why += f", and nothing says that '{cells[-1]}' is whole"
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
    kinds = {mark for mark, _ in ends}
    mark, digits = number.ending
    if mark != ("e" if "e" in kinds else "." if "." in kinds else ""):
        return False
    if digits >= max((count for kind, count in ends if kind == mark), default=digits + 1):
        return True
    full = number.digits >= _FULL_DIGITS and ends[number.ending] >= _SHARED * ends.total()
    return None if full else False
