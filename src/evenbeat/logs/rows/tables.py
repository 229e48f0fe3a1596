"""Text of known form → columns: many rows at once where they are regular, line by line where not."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenbeat.errors import LogError
from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import cells_at
from evenbeat.logs.rows.lines import Rejected, row_lines, unit_change
from evenbeat.logs.rows.parts import read_parts
from evenbeat.logs.rows.stamps import IntArray, Moments
from evenbeat.logs.rows.wanted import Alike, Part, Wanted, end_to_end, exact_of
from evenbeat.logs.terms import Form
from evenbeat.quantities import FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Columns:
    """The columns that were asked for.

    Parameters
    ----------
    numbers
        Position to samples, shape (rows,), NaN where a cell holds no reading.
    stamps
        A pandas series of texts, for time stamps that were not read as moments.
    moments
        Time stamps that were read at once.
    whole, fraction
        Shape (rows,), the time column where float64 would not hold it; no fraction where all are whole.
    cell_units
        Position to the unit written in its cells, where there is one.
    lines
        Shape (rows,), one-based lines, where they were counted.
    rejected
        Lines that are no rows of the log, and why.
    doubtful
        Lines of rows that may have been cut short, and why.
    alike
        Its rows by how they begin and end.
    """

    rows: int
    numbers: Mapping[int, FloatArray]
    cell_units: Mapping[int, str]
    stamps: Any = None
    moments: Moments | None = None
    whole: IntArray | None = None
    fraction: FloatArray | None = None
    lines: IntArray | None = None
    rejected: tuple[Rejected, ...] = ()
    doubtful: tuple[Rejected, ...] = ()
    alike: tuple[Alike, ...] = ()

    def kept(self, rows: IntArray) -> Columns:
        """Return some of the rows."""
        moments = self.moments
        return replace(
            self,
            rows=len(rows),
            numbers={i: column[rows] for i, column in self.numbers.items()},
            stamps=None if self.stamps is None else self.stamps.iloc[rows].reset_index(drop=True),
            moments=None if moments is None else Moments(ns=moments.ns[rows], zoned=moments.zoned),
            whole=None if self.whole is None else self.whole[rows],
            fraction=None if self.fraction is None else self.fraction[rows],
            lines=None if self.lines is None else self.lines[rows],
        )

    def without(self, rows: IntArray, reason: str) -> Columns:
        """Return all but some rows, whose lines are known and counted among the rejected ones."""
        lines = () if self.lines is None else self.lines[rows].tolist()
        rejected = (*self.rejected, *(Rejected(line=line, reason=reason) for line in lines))
        kept = self.kept(np.delete(np.arange(self.rows), rows))
        return replace(kept, rejected=tuple(sorted(rejected, key=lambda line: line.line)))


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
    parts = read_parts(log, form, wanted, _body_start(log, form), reject=reject)
    columns = _joined(log, form, parts)
    if all(part.finite for part in parts):  # looked at while they were at hand
        return columns
    for index, label in ((index, form.label(index)) for index in columns.numbers):
        wrong = np.isinf(columns.numbers[index])
        if not wrong.any():
            continue
        reason = f"column {label} holds an infinite value"
        lines = _lines_of(log, form) if columns.lines is None else columns.lines
        if not reject:
            msg = f"{reason}; write a missing reading as NaN"
            raise LogError(msg, path=log.path, line=int(lines[np.argmax(wrong)]))
        columns = replace(columns, lines=lines).without(np.flatnonzero(wrong), reason)
    return columns


def _body_start(log: LogText, form: Form) -> int:
    """Return where the first row begins in the text."""
    start = 0
    for _ in range(form.first_line - 1):
        start = log.text.index(b"\n", start) + 1
    return start + form.lead_in


def _joined(log: LogText, form: Form, parts: Sequence[Part]) -> Columns:
    """Return all parts as one."""
    filled = [part for part in parts if part.rows] or list(parts[:1])
    whole, fraction = exact_of(filled)
    moments = None
    if filled[0].moments is not None:
        ns = end_to_end([part.moments.ns for part in filled if part.moments is not None])
        moments = Moments(ns=ns, zoned=filled[0].moments.zoned)
    units: dict[int, str] = {}
    for part in filled:
        for index, unit in part.units.items():
            _check_unit(units.setdefault(index, unit), unit, index, part, (log, form))
    rejected = tuple(line for part in parts for line in part.rejected)
    return Columns(
        rows=sum(part.rows for part in filled),
        numbers={i: end_to_end([part.numbers[i] for part in filled]) for i in filled[0].numbers},
        stamps=_series([part.stamps for part in filled]) if moments is None else None,
        cell_units=units,
        moments=moments,
        whole=whole,
        fraction=fraction,
        lines=_lines_of(log, form, rejected) if rejected else None,
        rejected=rejected,
        alike=tuple(alike for part in parts for alike in part.alike),
    )


def _check_unit(first: str, unit: str, index: int, part: Part, source: tuple[LogText, Form]) -> None:
    """Refuse pieces of a log whose cells hold different units."""
    if first != unit:
        log, form = source
        msg = unit_change(form.label(index), first, unit)
        raise LogError(msg, path=log.path, line=None if part.lines is None else int(part.lines[0]))


def _series(columns: Sequence[Any]) -> Any:
    import pandas as pd

    if columns[0] is None:
        return None
    return columns[0] if len(columns) == 1 else pd.concat(columns, ignore_index=True)


def _lines_of(log: LogText, form: Form, rejected: Sequence[Rejected] = ()) -> IntArray:
    """Return the one-based lines of all rows."""
    refused = {line.line for line in rejected}
    numbers = (number for number, _ in row_lines(log, form))
    return np.array([number for number in numbers if number not in refused], dtype=np.int64)


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
    how = (form.first_line, form.lead_in, form.separator, count)
    if how not in log.first_rows:
        log.first_rows[how] = [line for _, line in itertools.islice(row_lines(log, form), count)]
    return cells_at(log.first_rows[how], index, form.separator, joined_moment=form.joined_moment)
