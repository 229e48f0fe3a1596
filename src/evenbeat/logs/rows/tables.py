"""Text of known form → its columns, and an account of every line that is none of their rows."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from evenbeat.errors import LogError
from evenbeat.ledger import RejectedLines
from evenbeat.logs.cells import ASIDE, cells_at, is_comment, line_ends, row_lines, shown
from evenbeat.logs.files import LogText, line_feeds
from evenbeat.logs.form.detect import PROBE_LINES
from evenbeat.logs.rows.cut_short import Endings, Judge
from evenbeat.logs.rows.lines import REJECT, Rejected
from evenbeat.logs.rows.pieces import PieceReader
from evenbeat.logs.rows.stamps import IntArray, Moments, end_to_end
from evenbeat.logs.terms import Form, Wanted
from evenbeat.quantities import FloatArray

PIECE_BYTES = 1 << 19
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


@dataclass(frozen=True, eq=False, kw_only=True)
class Columns:
    """The columns that were asked for.

    Parameters
    ----------
    numbers
        Position to samples, shape (rows,), NaN where a cell holds no reading.
    moments
        Time stamps, where the time is written so.
    whole, fraction
        Shape (rows,), the time column where float64 would not hold it; no fraction where all are whole.
    cell_units
        Position to the unit written in its cells, where there is one.
    lines
        Shape (rows,), one-based lines, where they do not follow from ``others``.
    others
        One-based lines of a text that are no rows, in order.
    rejected
        Lines that are no rows of the log, and why.
    doubtful
        Lines of rows that may have been cut short, and why.
    held
        How many rejected lines keep their place as a row without readings.
    header, comments, blank
        How many lines are text above the first row, comments, and blank.
    endings
        How its rows begin and end.
    """

    rows: int
    numbers: Mapping[int, FloatArray]
    cell_units: Mapping[int, str] = field(default_factory=dict)
    moments: Moments | None = None
    whole: IntArray | None = None
    fraction: FloatArray | None = None
    lines: IntArray | None = None
    others: IntArray | None = None
    rejected: RejectedLines = field(default_factory=RejectedLines)
    doubtful: tuple[Rejected, ...] = ()
    held: int = 0
    header: int = 0
    comments: int = 0
    blank: int = 0
    endings: Endings = field(default_factory=Endings)

    @cached_property
    def row_lines(self) -> IntArray:
        """Shape (rows,): one-based lines of the rows, in a binary file their numbers."""
        if self.lines is not None:
            return self.lines
        if self.others is None:
            return np.arange(1, self.rows + 1)
        return np.delete(np.arange(1, self.rows + len(self.others) + 1), self.others - 1)

    def kept(self, rows: IntArray) -> Columns:
        """Return some of the rows."""
        return replace(
            self,
            rows=len(rows),
            numbers={i: column[rows] for i, column in self.numbers.items()},
            moments=None if self.moments is None else self.moments.kept(rows),
            whole=None if self.whole is None else self.whole[rows],
            fraction=None if self.fraction is None else self.fraction[rows],
            lines=self.row_lines[rows],
        )

    def without(self, rejected: RejectedLines) -> Columns:
        """Return all but the rows at some lines, which are counted among the rejected ones."""
        kept = self.kept(np.flatnonzero(~np.isin(self.row_lines, rejected.lines)))
        return replace(kept, rejected=RejectedLines.joined(self.rejected, rejected))

    def without_rows(self, rows: IntArray, reason: str) -> Columns:
        """Return all but some rows, whose lines are counted among the rejected ones."""
        return self.without(RejectedLines(self.row_lines[rows], reasons=[(reason, False)]))

    def with_missing(self, surely: RejectedLines) -> Columns:
        """Return the columns of a log without times, in which lines that were cut short keep their places."""
        rejected = RejectedLines.joined(self.rejected, surely)
        lines = rejected.of_reasons(cut for _, cut in rejected.reasons).lines
        added = lines[~np.isin(lines, self.row_lines)]
        merged = np.concatenate([self.row_lines, added])
        order = np.argsort(merged)
        lost = np.isin(merged[order], lines)

        def held(column: FloatArray) -> FloatArray:
            return np.where(lost, np.nan, np.concatenate([column, np.full(len(added), np.nan)])[order])

        return replace(
            self,
            rows=len(merged),
            numbers={i: held(column) for i, column in self.numbers.items()},
            lines=merged[order],
            rejected=rejected,
            held=self.held + len(lines),
        )


def read_columns(
    log: LogText,
    form: Form,
    wanted: Wanted,
    *,
    reject: bool = False,
    before: Endings | None = None,
    sample: Sequence[str] = (),
) -> Columns:
    """Return the columns at the given positions, of rows that were not cut short.

    Parameters
    ----------
    reject
        Pass over lines that cannot be read or were cut short, and count them. In a log without times a
        row that was cut short keeps its place, where its readings are missing.
    before, sample
        How rows of the log before this part of it end, and some of their last cells.

    Raises
    ------
    LogError
        If a row cannot be read or was cut short, naming its line.
    """
    columns = _parsed(log, form, wanted, reject=reject)
    columns = _without_infinite(log, form, columns, reject=reject)
    judge = Judge(
        form,
        wanted,
        columns.endings if before is None else before.and_others(columns.endings),
        sample=sample or first_cells(log, form, form.columns - 1, PROBE_LINES),
        numbers=columns.numbers,
        rows_at=lambda rows: _texts(log, columns.row_lines[rows]),
    )
    surely, perhaps = judge.verdict()
    if surely and not reject:
        (_, line), *_ = _texts(log, [surely[0].line])
        msg = f"{surely[0].reason}: {shown(line)}; {REJECT}"
        raise LogError(msg, path=log.path, line=surely[0].line)
    told = RejectedLines.of(surely)
    if wanted.time is not None:
        columns = columns.without(told) if surely else columns
    elif surely or any(cut for _, cut in columns.rejected.reasons):
        columns = columns.with_missing(told)
    return replace(columns, doubtful=perhaps)


def _parsed(log: LogText, form: Form, wanted: Wanted, *, reject: bool) -> Columns:
    """Return the columns of all lines that can be read."""
    start = 0
    for _ in range(form.first_line - 1):
        start = log.text.index(b"\n", start) + 1
    head = log.text[:start].decode(errors="replace").split("\n")[:-1]
    blank = sum(not line.strip() for line in head)
    comments = sum(is_comment(line, form.separator) for line in head)
    header = len(head) - comments - blank - sum(line.startswith(ASIDE) for line in head)
    reader = PieceReader(form=form, wanted=wanted, path=log.path, reject=reject)
    numbers = {i: np.empty(log.lines) for i in wanted.numbers}  # room that is not written to costs nothing
    whole = None if wanted.exact is None else np.empty(log.lines, dtype=np.int64)
    fraction = np.zeros(log.lines) if wanted.fractions else None
    ns = np.empty(0 if wanted.moment is None else log.lines, dtype=np.int64)
    rows, moments, endings = 0, list[Moments](), Endings()
    others, rejected = [np.arange(1, form.first_line)], list[RejectedLines]()
    for part in _in_parallel(
        lambda piece: reader.read(log.text[piece[0] : piece[1]], piece[2]), _pieces(log.text, start, form)
    ):
        place = slice(rows, rows := rows + part.rows)
        for i, column in numbers.items():
            column[place] = part.numbers[i]
        if whole is not None and part.whole is not None:
            whole[place] = part.whole
        if fraction is not None and part.fraction is not None:
            fraction[place] = part.fraction
        if part.moments is not None:
            ns[place] = part.moments.ns
            moments.append(replace(part.moments, ns=ns[place]))
        endings = endings.and_others(part.endings)
        others.append(part.others)
        rejected.append(part.rejected)
        comments, blank = comments + part.comments, blank + part.blank
    return Columns(
        rows=rows,
        numbers={i: column[:rows] for i, column in numbers.items()},
        cell_units={i: unit.strip() for i, unit in wanted.units},
        moments=end_to_end(moments, ns[:rows]) if moments else None,
        whole=None if whole is None else whole[:rows],
        fraction=None if fraction is None or not fraction[:rows].any() else fraction[:rows],
        others=np.concatenate(others),
        rejected=RejectedLines.joined(*rejected),
        header=header,
        comments=comments,
        blank=blank,
        endings=endings,
    )


def _pieces(text: bytes, start: int, form: Form) -> list[tuple[int, int, int]]:
    """Return where to cut a text into pieces of whole lines, and the number of the first line of each."""
    pieces: list[tuple[int, int, int]] = []
    start, line = start + form.lead_in, form.first_line
    while True:
        stop = text.find(b"\n", start + PIECE_BYTES) + 1
        if not stop or len(text) - stop < PIECE_BYTES:
            return [*pieces, (start, len(text), line)]
        pieces.append((start, stop, line))
        line += line_feeds(text, start, stop)
        start = stop


def _in_parallel(work: Callable[[_Item], _Result], items: Sequence[_Item]) -> Iterator[_Result]:
    """Yield ``work`` of all items in their order; the C parser and NumPy let threads run side by side."""
    workers = min(len(items), os.cpu_count() or 1, 4)
    if workers < 2:
        yield from map(work, items)
        return
    with ThreadPoolExecutor(max_workers=workers) as pool:
        yield from pool.map(work, items)


def _without_infinite(log: LogText, form: Form, columns: Columns, *, reject: bool) -> Columns:
    """Return the columns without rows that hold an infinite value."""
    for index, values in columns.numbers.items():
        if np.isfinite(values.min(initial=0.0)) and np.isfinite(values.max(initial=0.0)):
            continue
        rows = np.flatnonzero(np.isinf(values))
        if not len(rows):
            continue
        reason = f"column {form.label(index)} holds an infinite value"
        if not reject:
            msg = f"{reason}; write a missing reading as NaN"
            raise LogError(msg, path=log.path, line=int(columns.row_lines[rows[0]]))
        return _without_infinite(log, form, columns.without_rows(rows, reason), reject=reject)
    return columns


def _texts(log: LogText, lines: Sequence[int] | IntArray) -> list[tuple[int, str]]:
    """Return numbers and texts of some lines."""
    if not len(lines):
        return []
    ends = np.concatenate([[-1], line_ends(log.text), [len(log.text)]])
    spans = ((int(line), ends[line - 1] + 1, ends[line]) for line in lines)
    return [(line, log.text[start:stop].decode(errors="replace")) for line, start, stop in spans]


def first_cells(log: LogText, form: Form, index: int, count: int) -> list[str]:
    """Return the texts in one column of the first rows, none where the file has no cells."""
    if not form.separator:
        return []
    how = (form.first_line, form.lead_in, form.separator, count)
    if how not in log.first_rows:
        log.first_rows[how] = [line for _, line in itertools.islice(row_lines(log, form), count)]
    return cells_at(log.first_rows[how], index, form.separator, joined_moment=form.joined_moment)
