"""Text → columns: the C parser of pandas for regular files, line by line where it gives up.

The slow way reads what the fast one refuses (units behind numbers, blanks in odd places) and names the
first line that cannot be read.
"""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbeat.errors import LogError
from evenbeat.logs.detect import (
    JOINED_MOMENT,
    MISSING_TEXTS,
    cell_kind,
    is_comment,
    measured_parts,
    split_line,
)
from evenbeat.logs.files import LogText
from evenbeat.logs.layout import Form
from evenbeat.quantities import FloatArray

_NA_TEXTS = sorted({form for t in MISSING_TEXTS for form in (t, t.upper(), t.capitalize())} | {"NaN"})


@dataclass(frozen=True, eq=False, kw_only=True)
class Columns:
    """The columns that were asked for.

    Parameters
    ----------
    numbers
        Position to samples, shape (rows,), NaN where a cell holds no reading.
    texts
        Position to a pandas series of texts, for moments.
    cell_units
        Position to the unit written in its cells, where there is one.
    """

    rows: int
    numbers: Mapping[int, FloatArray]
    texts: Mapping[int, Any]
    cell_units: Mapping[int, str]


def read_columns(log: LogText, form: Form, *, numbers: Sequence[int], texts: Sequence[int] = ()) -> Columns:
    """Return the columns at the given positions.

    Raises
    ------
    LogError
        If a row cannot be read, naming its line.
    """
    measured = any(form.kinds[i] == "measured" for i in numbers)
    columns = None if measured else _read_regular(log, form, numbers, texts)
    if columns is None:
        columns = _read_by_line(log, form, numbers, texts)
    for index, values in columns.numbers.items():
        infinite = np.isinf(values)
        if infinite.any():
            msg = f"column {form.label(index)} holds an infinite value; write a missing reading as NaN"
            raise LogError(msg, path=log.path, line=line_of_row(log, form, int(np.argmax(infinite))))
    return columns


def line_of_row(log: LogText, form: Form, row: int) -> int:
    """Return the one-based line of a row counted from zero."""
    for count, (number, _) in enumerate(_row_lines(log, form)):
        if count == row:
            return number
    return form.first_line


def first_cells(log: LogText, form: Form, index: int, count: int) -> list[str]:
    """Return the texts in one column of the first rows."""
    rows = itertools.islice(_row_lines(log, form), count)
    cells = (split_line(line, form.separator, joined_moment=form.joined_moment) for _, line in rows)
    return [row[index] for row in cells if index < len(row)]


def _row_lines(log: LogText, form: Form) -> Iterator[tuple[int, str]]:
    for number, raw in enumerate(io.BytesIO(log.text), 1):
        if number < form.first_line:
            continue
        if number == form.first_line:
            raw = raw[form.lead_in :]  # noqa: PLW2901
        line = raw.decode(errors="replace").rstrip("\n").partition("#")[0]
        if line.strip() and not is_comment(line, form.separator):
            yield number, line


def _body(log: LogText, form: Form) -> bytes:
    start = 0
    for _ in range(form.first_line - 1):
        start = log.text.index(b"\n", start) + 1
    body = log.text[start + form.lead_in :]
    if b"#" in body:
        body = re.sub(rb"#.*", b"", body)
    marks = rb"%|//" if form.separator == ";" else rb"[%;]|//"
    if any(mark in body for mark in (b"%", b";", b"//")):
        body = re.sub(rb"(?m)^[ \t]*(?:" + marks + rb").*", b"", body)
    if b'"' in body:
        body = body.replace(b'"', b"")
    if form.joined_moment:
        body = re.sub(JOINED_MOMENT.encode(), rb"\1T\2", body)
    return body


def _read_regular(log: LogText, form: Form, numbers: Sequence[int], texts: Sequence[int]) -> Columns | None:
    """Return the columns, or ``None`` where some row is not regular."""
    import pandas as pd

    body = _body(log, form)
    if b" \n" in body or b"\t\n" in body:
        body = re.sub(rb"(?m)^[ \t]+$", b"", body)
    try:
        frame = pd.read_csv(
            io.BytesIO(body),
            sep=r"\s+" if form.separator == " " else form.separator,
            header=None,
            names=range(form.columns),
            index_col=False,
            dtype=dict.fromkeys(numbers, "float64"),  # naming the texts as such would take four times as long
            na_values=_NA_TEXTS,
            keep_default_na=False,
            na_filter=True,
            decimal=form.decimal,
            skipinitialspace=True,
            quoting=3,
            engine="c",
            low_memory=False,
        )
    except (ValueError, OverflowError, pd.errors.ParserWarning):
        return None
    cells = [frame[i].to_numpy() for i in numbers]
    return Columns(
        rows=len(frame),
        numbers={i: np.asarray(values, dtype=float) for i, values in zip(numbers, cells, strict=True)},
        texts={
            i: frame[i] if pd.api.types.is_string_dtype(frame[i]) else frame[i].astype("str") for i in texts
        },
        cell_units={},
    )


def _read_by_line(log: LogText, form: Form, numbers: Sequence[int], texts: Sequence[int]) -> Columns:
    import pandas as pd

    reader = _LineReader(log=log, form=form)
    values: dict[int, list[float]] = {i: [] for i in numbers}
    words: dict[int, list[str | None]] = {i: [] for i in texts}
    rows = 0
    for number, line in _row_lines(log, form):
        cells = reader.cells(line, number)
        rows += 1
        for index, column in values.items():
            column.append(reader.number(cells[index], index, number))
        for index, column_words in words.items():
            missing = cells[index].lower() in MISSING_TEXTS
            column_words.append(None if missing else cells[index])
    return Columns(
        rows=rows,
        numbers={i: np.array(column, dtype=float) for i, column in values.items()},
        texts={i: pd.Series(column, dtype="str") for i, column in words.items()},
        cell_units={index: unit for index, unit in reader.units.items() if unit},
    )


class _LineReader:
    """Reads cells one by one and remembers which unit is written in them."""

    def __init__(self, *, log: LogText, form: Form) -> None:
        self.log = log
        self.form = form
        self.units: dict[int, str] = {}

    def cells(self, line: str, number: int) -> list[str]:
        """Return the cells of a row, missing ones empty."""
        form = self.form
        cells = split_line(line, form.separator, joined_moment=form.joined_moment)
        if len(cells) > form.columns and any(cells[form.columns :]):
            msg = f"the row has {len(cells)} cells where the others have {form.columns}: {_shown(line)}"
            raise LogError(msg, path=self.log.path, line=number)
        return cells + [""] * (form.columns - len(cells))

    def number(self, cell: str, index: int, number: int) -> float:
        """Return the number in a cell, NaN for a known missing text."""
        kind = cell_kind(cell, self.form.decimal)
        if kind == "missing":
            return float("nan")
        parts = (cell, "") if kind == "number" else measured_parts(cell, self.form.decimal)
        if parts is None:
            msg = (
                f"{_shown(cell)} in column {self.form.label(index)} is neither a number nor a known text "
                "for a missing reading such as NaN or OVLD; correct the line or put # in front of it"
            )
            raise LogError(msg, path=self.log.path, line=number)
        unit = self.units.setdefault(index, parts[1])
        if unit != parts[1]:
            msg = (
                f"the unit written in column {self.form.label(index)} changes from '{unit}' to '{parts[1]}'; "
                "write all readings in one unit"
            )
            raise LogError(msg, path=self.log.path, line=number)
        return float(parts[0].replace(",", "."))


def _shown(text: str) -> str:
    clean = "".join(c if c.isprintable() else "?" for c in text.strip())
    return f"'{clean[:40]}…'" if len(clean) > 40 else f"'{clean}'"
