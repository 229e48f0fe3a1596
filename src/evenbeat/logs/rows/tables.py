"""Text of known form → columns: many rows at once where they are regular, line by line where not."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenbeat.errors import LogError
from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import split_line
from evenbeat.logs.layout import Form
from evenbeat.logs.rows.lines import Rejected, read_by_line, row_lines, shown
from evenbeat.logs.rows.parts import Part, Wanted, read_parts
from evenbeat.logs.rows.stamps import IntArray, Moments
from evenbeat.quantities import FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Columns:
    """The columns that were asked for.

    Parameters
    ----------
    numbers
        Position to samples, shape (rows,), NaN where a cell holds no reading.
    texts
        Position to a pandas series of texts, for moments.
    moments
        Time stamps that were read at once, ``None`` where they are among the texts.
    whole
        Shape (rows,), 64-bit integers of the time column where float64 would not hold them.
    cell_units
        Position to the unit written in its cells, where there is one.
    lines
        Shape (rows,), one-based lines, where they were counted.
    rejected
        Lines that are no rows of the log, and why.
    """

    rows: int
    numbers: Mapping[int, FloatArray]
    texts: Mapping[int, Any]
    cell_units: Mapping[int, str]
    moments: Moments | None = None
    whole: IntArray | None = None
    lines: IntArray | None = None
    rejected: tuple[Rejected, ...] = ()

    def kept(self, rows: IntArray) -> Columns:
        """Return some of the rows."""
        moments = self.moments
        return replace(
            self,
            rows=len(rows),
            numbers={i: column[rows] for i, column in self.numbers.items()},
            texts={i: column.iloc[rows].reset_index(drop=True) for i, column in self.texts.items()},
            moments=None if moments is None else Moments(ns=moments.ns[rows], zoned=moments.zoned),
            whole=None if self.whole is None else self.whole[rows],
            lines=None if self.lines is None else self.lines[rows],
        )


def read_columns(log: LogText, form: Form, wanted: Wanted, *, reject: bool = False) -> Columns:
    """Return the columns at the given positions.

    Parameters
    ----------
    reject
        Pass over lines that cannot be read, and count them.

    Raises
    ------
    LogError
        If a row cannot be read, naming its line.
    """
    measured = any(form.kinds[i] == "measured" for i in wanted.numbers)
    parts = None if measured else read_parts(log.text, form, wanted, _body_start(log, form))
    columns = _by_line(log, form, wanted, reject=reject) if parts is None else _joined(parts, wanted)
    if parts is not None and all(part.finite for part in parts):  # looked at while they were at hand
        return columns
    for index, values in columns.numbers.items():
        if np.isinf(values).any():
            row = int(np.argmax(np.isinf(values)))
            line = line_of_row(log, form, row) if columns.lines is None else int(columns.lines[row])
            msg = f"column {form.label(index)} holds an infinite value; write a missing reading as NaN"
            raise LogError(msg, path=log.path, line=line)
    return columns


def _body_start(log: LogText, form: Form) -> int:
    """Return where the first row begins in the text."""
    start = 0
    for _ in range(form.first_line - 1):
        start = log.text.index(b"\n", start) + 1
    return start + form.lead_in


def _joined(parts: Sequence[Part], wanted: Wanted) -> Columns:
    """Return all parts as one."""
    moments = None
    if parts[0].moments is not None:
        fast = [part.moments for part in parts if part.moments is not None]
        moments = Moments(ns=np.concatenate([m.ns for m in fast]), zoned=fast[0].zoned)
    return Columns(
        rows=sum(part.rows for part in parts),
        numbers={i: _end_to_end([part.numbers[i] for part in parts]) for i in wanted.numbers},
        texts={i: _series([part.texts[i] for part in parts]) for i in parts[0].texts},
        cell_units={},
        moments=moments,
        whole=None if wanted.exact is None else np.concatenate([part.whole for part in parts]),
    )


def _end_to_end(columns: Sequence[FloatArray]) -> FloatArray:
    return columns[0] if len(columns) == 1 else np.concatenate(columns)


def _series(columns: Sequence[Any]) -> Any:
    import pandas as pd

    return columns[0] if len(columns) == 1 else pd.concat(columns, ignore_index=True)


def _by_line(log: LogText, form: Form, wanted: Wanted, *, reject: bool) -> Columns:
    import pandas as pd

    texts = [i for i in (*wanted.texts, wanted.moment) if i is not None]
    read = read_by_line(log, form, numbers=wanted.numbers, texts=(*texts, *_position(wanted)), reject=reject)
    whole = None if wanted.exact is None else _whole(read.texts[wanted.exact], read.lines, log.path)
    return Columns(
        rows=len(read.lines),
        numbers=read.numbers,
        texts={i: pd.Series(read.texts[i], dtype="str") for i in texts},
        cell_units=read.units,
        whole=whole,
        lines=np.array(read.lines, dtype=np.int64),
        rejected=read.rejected,
    )


def _whole(words: Sequence[str | None], lines: Sequence[int], path: str) -> IntArray:
    """Return 64-bit integers, refusing what is none."""
    for word, line in zip(words, lines, strict=True):
        if word is None or not re.fullmatch(r"[+-]?\d{1,18}|[+-]?[1-8]\d{18}", word):
            found = "is missing" if word is None else f"{shown(word)} is no whole number"
            msg = f"the time {found}; every row needs its time"
            raise LogError(msg, path=path, line=line)
    return np.array([int(word or 0) for word in words], dtype=np.int64)


def _position(wanted: Wanted) -> tuple[int, ...]:
    return () if wanted.exact is None else (wanted.exact,)


def line_of_row(log: LogText, form: Form, row: int) -> int:
    """Return the one-based line of a row counted from zero."""
    for count, (number, _) in enumerate(row_lines(log, form)):
        if count == row:
            return number
    return form.first_line


def first_cells(log: LogText, form: Form, index: int, count: int) -> list[str]:
    """Return the texts in one column of the first rows, none where the file has no cells."""
    if not form.separator:
        return []
    rows = itertools.islice(row_lines(log, form), count)
    cells = (split_line(line, form.separator, joined_moment=form.joined_moment) for _, line in rows)
    return [row[index] for row in cells if index < len(row)]
