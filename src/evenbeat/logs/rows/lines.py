"""Rows read one by one: units behind numbers, blanks in odd places, and the first line that is wrong."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from evenbeat.errors import LogError
from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import (
    MISSING_TEXTS,
    cell_kind,
    is_comment,
    measured_parts,
    number_in,
    split_line,
)
from evenbeat.logs.form.dialogue import BEFORE, OTHER_ANSWER, QUERY
from evenbeat.logs.rows.decimals import exact_in
from evenbeat.logs.terms import Form
from evenbeat.plain import Plain
from evenbeat.quantities import FloatArray

RULE, REPEATED_HEADER = "a rule between rows", "the header written again"
HARMLESS = (RULE, REPEATED_HEADER, QUERY, OTHER_ANSWER, BEFORE)
_RULE = re.compile(r"[\s=\-_*+~.|]+")
_LIKE_NUMBERS = re.compile(r"[.,eEdD]*[\d+\-][\d+\-.,eEdD]*", re.ASCII)
REJECT = (
    "correct the line, put # in front of it, or pass over such lines with --bad-lines reject "
    "(bad_lines='reject')"
)


@dataclass(frozen=True, kw_only=True)
class Rejected(Plain):
    """A line that is no row of the log, and why.

    Parameters
    ----------
    cut
        Whether it is the beginning of a row.
    """

    line: int
    reason: str
    cut: bool = False

    def __str__(self) -> str:
        return f"line {self.line}: {self.reason}"


@dataclass(frozen=True, eq=False, kw_only=True)
class ReadLines:
    """What was read line by line; ``lines`` numbers the rows from one, ``exact`` holds their times."""

    numbers: dict[int, FloatArray]
    texts: dict[int, list[str | None]]
    exact: list[tuple[int, float]]
    lines: list[int]
    units: dict[int, str]
    rejected: tuple[Rejected, ...]


def row_lines(log: LogText, form: Form) -> Iterator[tuple[int, str]]:
    """Yield line number and text of every line that is neither blank nor a comment."""
    for number, raw in enumerate(io.BytesIO(log.text), 1):
        if number < form.first_line:
            continue
        content = raw[form.lead_in :] if number == form.first_line else raw
        line = row_in(content, form)
        if line:
            yield number, line


def row_in(raw: bytes, form: Form) -> str:
    """Return the text of a line without its comment; nothing where it is blank or all comment."""
    line = raw.decode(errors="replace").rstrip("\n").partition("#")[0]
    return line if line.strip() and not is_comment(line, form.separator) else ""


def read_by_line(
    rows: Iterable[tuple[int, str]],
    form: Form,
    *,
    numbers: Sequence[int],
    texts: Sequence[int],
    reject: bool,
    path: str,
    exact: int | None = None,
    units: Mapping[int, str] | None = None,
) -> ReadLines:
    """Return the columns at the given positions.

    Parameters
    ----------
    rows
        Line number and text of each.
    exact
        Position of a column of times that float64 would not hold.
    units
        Position to the unit that rows read before state.

    Raises
    ------
    LogError
        If a row cannot be read and is not to be passed over, naming its line.
    """
    reader = _LineReader(path=path, form=form, units=units)
    values: dict[int, list[float]] = {i: [] for i in numbers}
    words: dict[int, list[str | None]] = {i: [] for i in texts}
    times: list[tuple[int, float]] = []
    lines: list[int] = []
    rejected: list[Rejected] = []
    for number, line in rows:
        reason, cut = no_row(line, form), False
        try:
            cells = [] if reason else reader.cells(line, number)
            row = [] if reason else [reader.number(cells[i], i, number) for i in numbers]
            times += [] if reason or exact is None else [reader.exact(cells[exact], number)]
        except LogError as error:
            if not reject:
                raise
            reason = str(error).partition(f"line {number}: ")[2].partition(f"; {REJECT}")[0]
            cut = isinstance(error, CutRowError)
        if reason:
            rejected.append(Rejected(line=number, reason=reason, cut=cut))
            continue
        lines.append(number)
        for column, value in zip(values.values(), row, strict=True):
            column.append(value)
        for index, column_words in words.items():
            missing = cells[index].lower() in MISSING_TEXTS
            column_words.append(None if missing else cells[index])
    return ReadLines(
        numbers={i: np.array(column, dtype=float) for i, column in values.items()},
        texts=words,
        exact=times,
        lines=lines,
        units={index: unit for index, unit in reader.units.items() if unit},
        rejected=tuple(rejected),
    )


def no_row(line: str, form: Form) -> str:
    """Return why a line never was a row: a rule, or the header once more; nothing where it may be one."""
    if _RULE.fullmatch(line) and len(line.strip()) > 3:
        return RULE
    if form.header and any(form.header):
        cells = split_line(line, form.separator)
        if tuple(cells[: form.columns]) == tuple(form.header):
            return REPEATED_HEADER
    return ""


class CutRowError(LogError):
    """A line is the beginning of a row only."""


class _LineReader:
    """Reads cells one by one and remembers which unit is written in them."""

    def __init__(self, *, path: str, form: Form, units: Mapping[int, str] | None) -> None:
        self.path = path
        self.form = form
        self.units: dict[int, str] = dict(units or {})

    def cells(self, line: str, number: int) -> list[str]:
        """Return the cells of a row, missing ones empty."""
        form = self.form
        cells = split_line(line, form.separator, joined_moment=form.joined_moment)
        if len(cells) > form.columns and any(cells[form.columns :]):
            wide = f"the row has {len(cells)} cells where the others have {form.columns}"
            msg = f"{wide}: {shown(line)}; {REJECT}"
            raise LogError(msg, path=self.path, line=number)
        if len(cells) < form.fewest:
            has = f"{len(cells)} cell{'s' * (len(cells) != 1)}"
            msg = f"the row has {has} where the others have {form.columns}: {shown(line)}; {REJECT}"
            raise CutRowError(msg, path=self.path, line=number)
        return cells + [""] * (form.columns - len(cells))

    def exact(self, cell: str, number: int) -> tuple[int, float]:
        """Return whole part and fraction of the time in a cell."""
        exact = exact_in(cell, self.form.decimal)
        if exact is None:
            missing = cell.lower() in MISSING_TEXTS
            what = "is missing in this row" if missing else f"{shown(cell)} is no number"
            msg = f"the time {what}; every row needs its time"
            raise LogError(msg, path=self.path, line=number)
        return exact

    def number(self, cell: str, index: int, number: int) -> float:
        """Return the number in a cell, NaN for a known missing text."""
        kind = cell_kind(cell, self.form.decimal)
        if kind == "missing":
            return float("nan")
        refusal = CutRowError if _LIKE_NUMBERS.fullmatch(cell) else LogError
        parts = (cell, "") if kind == "number" else measured_parts(cell, self.form.decimal)
        if parts is None:
            msg = (
                f"{shown(cell)} in column {self.form.label(index)} is neither a number nor a known text "
                f"for a missing reading such as NaN or OVLD; {REJECT}"
            )
            raise refusal(msg, path=self.path, line=number)
        unit = self.units.setdefault(index, parts[1])
        if unit != parts[1]:
            msg = unit_change(self.form.label(index), unit, parts[1])
            raise refusal(msg, path=self.path, line=number)
        return number_in(parts[0], self.form.decimal)


def unit_change(column: str, first: str, unit: str) -> str:
    """Return the sentence about a unit in a cell that is not the one above."""
    return (
        f"the unit written in column {column} changes from '{first}' to '{unit}'; write all readings in one "
        "unit, or pass over the other ones with --bad-lines reject (bad_lines='reject')"
    )


def shown(text: str) -> str:
    """Return a text in quotation marks, shortened, without characters that cannot be printed."""
    clean = "".join(c if c.isprintable() else "?" for c in text.strip())
    return f"'{clean[:40]}…'" if len(clean) > 40 else f"'{clean}'"
