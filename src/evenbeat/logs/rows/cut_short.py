"""Rows that were cut short: a torn write leaves a shorter number, or two lines in one.

Whatever stands before a separator is whole. Only the last cell of a line that ends early can hold a number
cut short, and only the first cell of one that runs into the next a number too long. So rows are counted by
how they begin and end while they are read, and the few that differ from all others are looked at.
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
from evenbeat.logs.rows.tables import Columns, first_cells, line_of_row, read_columns
from evenbeat.logs.rows.wanted import Alike, Wanted
from evenbeat.logs.terms import Form

_RARE = 0.01  # share of the rows; what is more frequent is a habit of the writer
_FEW = 3
_FEWEST = 5  # rows beside which one more is looked at
_HUNDRED = 100  # rows that make a habit certain
_DROPPED = 0.1  # share of random readings that end in a zero, which some writers leave out
_IMPROBABLE = 1e-3
_FAR_FEWER = 3  # decimals; one reading in a thousand ends in so many zeros
_TIGHT = 1e-3  # spread over size of readings that all begin alike
_SOME = 20_000
_NEIGHBOURS = 1 << 16  # bytes before the last line
_NUMBERS = {
    mark: re.compile(rf"([+-]?)(\d*)(?:{re.escape(mark)}(\d*))?(?:[eEdD]([+-]?\d+))?", re.ASCII)
    for mark in ".,"
}
_CUT = "as where a line was cut short"


class _Number(NamedTuple):
    """The parts of a number as text; decimals and exponent are ``None`` where it has none."""

    text: str
    sign: str
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
        lines = log.text.split(b"\n")
        text = b"\n".join(missing.encode() if n in lost else line for n, line in enumerate(lines, 1))
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
        self.few = max(_FEW, int(_RARE * self.rows))
        self.surely: dict[int, Rejected] = {}
        self.perhaps: dict[int, Rejected] = {}

    @cached_property
    def sample(self) -> list[_Number]:
        """The last numbers of the first rows."""
        cells = first_cells(self.log, self.form, self.last, PROBE_LINES)
        numbers = (_number(cell, self.form) for cell in (*self.before.cells, *cells))
        return [number for number in numbers if number is not None]

    def verdict(self) -> tuple[tuple[Rejected, ...], tuple[Rejected, ...]]:
        """Return the lines that were cut short or run into the next, and those where it may be so."""
        if self.rows >= _FEWEST:
            if self.last == self.wanted.moment:
                self._judge_stamps()
            elif self.wanted.holds(self.last):
                self._judge_endings()
                self._judge_sizes()
            if self.wanted.begins_with_reading:
                self._judge_beginnings()
        surely = tuple(self.surely[line] for line in sorted(self.surely))
        return surely, tuple(self.perhaps[line] for line in sorted(self.perhaps) if line not in self.surely)

    def _tell(self, line: int, reason: str, *, surely: bool) -> None:
        into = self.surely if surely else self.perhaps
        into.setdefault(line, Rejected(line=line, reason=reason, cut=True))

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
        """A time stamp is cut short where it is written as nearly all others begin."""
        counts: Counter[str] = Counter()
        for cells, group in self.groups:
            counts[shape_of(cells[-1])] += group.count
        usual, _ = counts.most_common(1)[0]
        rare = {shape for shape, count in counts.items() if usual.startswith(shape) and count <= self.few}
        groups = [group for cells, group in self.groups if shape_of(cells[-1]) in rare - {usual}]
        for line, cells in self._rows(groups):
            reason = f"its last cell '{cells[-1]}' is the beginning of a time, {_CUT}"
            self._tell(line, reason, surely=self.rows >= _HUNDRED)

    def _judge_endings(self) -> None:
        """A number is cut short where its last digits are fewer than those of nearly all others."""
        ends: Counter[tuple[str, int]] = Counter()
        groups: dict[tuple[str, int], list[Alike]] = {}
        for cells, group in self.groups:
            number = _number(cells[-1], self.form)
            if number is not None:
                ends[number.ending] += group.count
                groups.setdefault(number.ending, []).append(group)
        stated = {end: count for end, count in ends.items() if end[0] == "e"}
        plain = {end: count for end, count in ends.items() if end[0] != "e"}
        if rare := [end for end, count in stated.items() if count <= self.few]:
            usual = {number.exponent for number in self.sample if number.exponent is not None}
            for line, number in self._numbers(group for end in rare for group in groups[end]):
                cut = number.exponent or ""
                if any(whole.startswith(cut) and whole != cut for whole in usual):
                    self._tell(line, f"its last number has the exponent {cut}, {_CUT}", surely=True)
        if sum(stated.values()) > sum(plain.values()):
            if sum(plain.values()) <= self.few:
                self._judge_mantissas(group for end in plain for group in groups[end])
        elif plain:
            self._judge_decimals(plain, groups)

    def _judge_mantissas(self, groups: Iterable[Alike]) -> None:
        """A number without exponent, where the others have one, lost it if it looks like what is before it."""
        wholes = {number.whole for number in self.sample if number.exponent is not None}
        widths, leading = {len(whole) for whole in wholes}, all(whole.strip("0") for whole in wholes)
        for line, number in self._numbers(groups):
            if len(number.whole) in widths and bool(number.whole.strip("0")) == leading:
                reason = f"its last number '{number.text}' has no exponent where the others have one, {_CUT}"
                self._tell(line, reason, surely=self.rows >= _HUNDRED)

    def _judge_decimals(
        self, ends: dict[tuple[str, int], int], groups: dict[tuple[str, int], list[Alike]]
    ) -> None:
        """Fewer decimals are a cut where the writer shows trailing zeros, or would have had some to leave out."""
        mark, usual = max(ends, key=lambda end: ends[end])
        decimals = {end: end[1] if end[0] else 0 for end in ends}
        if mark:
            shorter = [end for end in ends if decimals[end] < usual]
        else:
            shorter = [end for end in ends if not end[0] and end[1] < usual]
        count = sum(ends[end] for end in shorter)
        likely = self._keeps_zeros(mark, usual, count) if 0 < count <= self.few else False
        if count > self.few and mark:
            lowest, second, *_ = sorted(ends, key=lambda end: decimals[end])
            shorter = [lowest] if ends[lowest] == 1 and decimals[lowest] + _FAR_FEWER <= decimals[second] else []
        elif not likely and count != 1:
            shorter = []
        same = [number for number in self.sample if number.ending == (mark, usual)]
        widest, most = max((len(n.whole) for n in same), default=0), max((n.digits for n in same), default=0)
        for line, number in self._numbers(group for end in shorter for group in groups[end]):
            if mark and len(number.whole) > widest and number.digits >= most:
                continue  # the writer shows so many digits in all
            if not mark and not self._begins_as_others(float(number.whole)):
                continue
            what, shows = ("decimals", len(number.decimals or "")) if mark else ("digits", len(number.whole))
            reason = f"its last number '{number.text}' has fewer {what} ({shows}) than the others ({usual}), {_CUT}"
            self._tell(line, reason, surely=bool(mark) and likely and self.rows >= _HUNDRED)

    def _keeps_zeros(self, mark: str, usual: int, count: int) -> bool:
        """Return whether the writer shows trailing zeros: one is seen, or so few without are improbable."""
        different = {number.text for number in self.sample if number.ending == (mark, usual)}
        if mark and any(text.endswith("0") for text in different):
            return True
        n, p = len(different), _DROPPED
        chance = sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(min(count, n) + 1))
        return chance < _IMPROBABLE

    def _bounds(self, index: int) -> tuple[float, float]:
        """Return between which sizes nearly all readings of a column lie."""
        values = self.columns.numbers.get(index, np.empty(0))
        some = np.abs(values[:: max(1, len(values) // _SOME)])
        some = some[np.isfinite(some)]
        low, high = np.quantile(some, [0.02, 0.98]).tolist() if len(some) else (math.nan, math.nan)
        return low, high

    def _begins_as_others(self, size: float) -> bool:
        """Return whether more digits behind a whole number would make it one of the readings."""
        low, high = self._bounds(self.last)
        reach = high - low + low * _TIGHT
        scales = (10.0**power for power in range(1, 20))
        return size > 0 and any(size * s < high + reach and (size + 1) * s > low - reach for s in scales)

    def _judge_sizes(self) -> None:
        """A number that lost its decimals and more stands out where all readings begin alike."""
        values = self.columns.numbers.get(self.last)
        if values is None or self.last == self.wanted.time:
            return
        low, high = self._bounds(self.last)
        if not (0 < low and high - low <= _TIGHT * low and np.fmin.reduce(np.abs(values)) < low / 2):
            return
        small = np.flatnonzero(np.abs(values) < low / 2)
        for row in small.tolist() if len(small) <= self.few else []:
            if self._begins_as_others(abs(float(values[row]))):
                lines = self.columns.lines
                line = line_of_row(self.log, self.form, row) if lines is None else int(lines[row])
                reason = f"its last number {values[row]:.15g} is how readings such as {low:.15g} begin, {_CUT}"
                self._tell(line, reason, surely=self.rows >= _HUNDRED)

    def _judge_beginnings(self) -> None:
        """A first reading with more digits before its point than any other may be of two lines in one."""
        widths: Counter[int] = Counter()
        groups: dict[int, list[Alike]] = {}
        exponents = 0
        for cells, group in self.groups:
            number = _number(cells[0], self.form)
            if number is not None:
                widths[len(number.whole)] += group.count
                groups.setdefault(len(number.whole), []).append(group)
                exponents += group.count if number.exponent is not None else 0
        usual = [width for width, count in widths.items() if count > self.few]
        wider = [group for width in widths if usual and width > max(usual) for group in groups[width]]
        if not wider or self.rows < _HUNDRED:
            return
        low, high = self._bounds(0)
        tight = high - low <= _TIGHT * low
        mantissas = exponents >= self.rows - self.few
        for line, cells in self._rows(wider):
            number = _number(cells[0], self.form)
            if number is None:
                continue
            tails = [float(number.whole[-width:]) for width in usual if width]
            if mantissas or any((1 - _TIGHT) * low - 1 < tail < (1 + _TIGHT) * high for tail in tails):
                reason = (
                    f"its first number '{number.text}' has more digits before its point ({len(number.whole)}) than "
                    f"the others ({max(usual)}), as where two lines run into one"
                )
                self._tell(line, reason, surely=mantissas or tight)


def _cells(line: str, form: Form) -> list[str]:
    return split_line(line, form.separator, joined_moment=form.joined_moment)


def _number(cell: str, form: Form) -> _Number | None:
    """Return the parts of a cell that holds a number."""
    match = _NUMBERS[form.decimal].fullmatch(cell) if cell_kind(cell, form.decimal) == "number" else None
    return None if match is None else _Number(cell, *match.groups())


def without_torn_end(log: LogText, form: Form, before: bytes = b"") -> tuple[LogText, tuple[Rejected, ...]]:
    """Return a log without a last line that has no line end, unless that is as whole as its neighbours.

    Parameters
    ----------
    before
        What stands in the log before this part of it.
    """
    text = log.text
    if text.endswith(b"\n"):
        return log, ()
    start = text.rfind(b"\n") + 1
    line = row_in(text[start:], form)
    above = (before[-_NEIGHBOURS:] + text[max(0, start - _NEIGHBOURS) : start]).split(b"\n")[1:]
    rows = [cells for raw in above if (row := row_in(raw, form)) and len(cells := _cells(row, form)) >= form.columns]
    number = text.count(b"\n") + 1
    if not line or number <= form.first_line or len(rows) < 2:
        return log, ()
    cells = _cells(line, form)
    why = "has no line end"
    if len(cells) < form.columns:
        why += f" and {len(cells)} of {form.columns} cells"
    elif not _is_whole(cells[-1], [row[-1] for row in rows], form):
        why += f", and nothing says that '{cells[-1]}' is whole"
    else:
        return log, ()
    rejected = Rejected(line=number, reason=f"the last line {why}", cut=True)
    return replace(log, text=text[:start]), (rejected,)


def _is_whole(cell: str, others: Sequence[str], form: Form) -> bool:
    """Return whether the last cell of a file goes as far as the longest of those above it."""
    number = _number(cell, form)
    if number is not None:
        ends = [other.ending for text in others if (other := _number(text, form))]
        kinds = {mark for mark, _ in ends}
        mark, digits = number.ending
        longest = "e" if "e" in kinds else "." if "." in kinds else ""
        return bool(ends) and mark == longest and digits >= max(count for kind, count in ends if kind == mark)
    if not cell:  # behind a last separator
        return True
    measured = measured_parts(cell, form.decimal)
    if measured is not None:
        return measured[1] in [parts[1] for text in others if (parts := measured_parts(text, form.decimal))]
    shapes = {shape_of(text) for text in others}
    return shape_of(cell) in shapes and not any(
        shape.startswith(shape_of(cell)) for shape in shapes - {shape_of(cell)}
    )
