"""Rows read one by one: units behind numbers, blanks in odd places, and the first line that is wrong."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbeat.errors import LogError
from evenbeat.ledger import Rejected as Rejected  # noqa: PLC0414
from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import (
    ASIDE,
    MISSING_TEXTS,
    cell_kind,
    is_comment,
    measured_parts,
    number_in,
    split_line,
)
from evenbeat.logs.form.dialogue import BEFORE, OTHER_ANSWER, QUERY
from evenbeat.logs.terms import Form, Wanted

RULE, REPEATED_HEADER = "a rule between rows", "the header written again"
HARMLESS = (RULE, REPEATED_HEADER, QUERY, OTHER_ANSWER, BEFORE)
_RULE = re.compile(r"[\s=\-_*+~.|]+")
_LIKE_NUMBERS = re.compile(r"[.,eEdD]*[\d+\-][\d+\-.,eEdD]*", re.ASCII)
UNIT = "\x02"
"""In a cell of its own, stands for the unit of the number before it."""

EXACT = {
    mark: re.compile(rf"\+?(\d{{1,18}}|[1-8]\d{{18}})(?:{re.escape(mark)}(\d*))?", re.ASCII) for mark in ".,"
}
"""A time whose whole part 64 bits hold, and its decimals."""

EXACT_TIME = np.dtype([("whole", np.int64), ("fraction", float)])

REJECT = (
    "correct the line, put # in front of it, or pass over such lines with --set bad_lines=reject "
    "(bad_lines='reject')"
)


@dataclass(frozen=True, eq=False, kw_only=True)
class ReadLines:
    """What was read line by line: the numbers of the rows, and their columns by position."""

    columns: dict[int, Any]
    lines: list[int]
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
    aside = line.startswith(ASIDE)
    return line if line.strip() and not (aside or is_comment(line, form.separator)) else ""


def read_by_line(
    rows: Iterable[tuple[int, str]], form: Form, wanted: Wanted, *, reject: bool, path: str
) -> ReadLines:
    """Return the columns of rows given as line number and text.

    Raises
    ------
    LogError
        If a row cannot be read and is not to be passed over, naming its line.
    """
    reader = _LineReader(path=path, form=form, units={i: unit.strip() for i, unit in wanted.units})
    taken: list[tuple[list[float], tuple[int, float], str | None]] = []
    lines: list[int] = []
    rejected: list[Rejected] = []
    for number, line in rows:
        reason, cut = no_row(line, form), False
        try:
            if not reason:
                cells = reader.cells(line, number)
                values = [reader.number(cells[i], i, number) for i in wanted.numbers]
                time = (0, 0.0) if wanted.exact is None else reader.exact(cells[wanted.exact], number)
                text = None if wanted.moment is None else cells[wanted.moment]
                taken.append((values, time, text if text and text.lower() not in MISSING_TEXTS else None))
                lines.append(number)
        except LogError as error:
            if not reject:
                raise
            reason = str(error).partition(f"line {number}: ")[2].partition(f"; {REJECT}")[0]
            cut = isinstance(error, CutRowError)
        if reason:
            rejected.append(Rejected(line=number, reason=reason, cut=cut))
    numbers = np.array([values for values, _, _ in taken], dtype=float).reshape(-1, len(wanted.numbers))
    columns: dict[int, Any] = {i: numbers[:, place] for place, i in enumerate(wanted.numbers)}
    if wanted.exact is not None:
        columns[wanted.exact] = np.array([time for _, time, _ in taken], dtype=EXACT_TIME)
    if wanted.moment is not None:
        columns[wanted.moment] = np.array([text for _, _, text in taken], dtype=object)
    return ReadLines(columns=columns, lines=lines, rejected=tuple(rejected))


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

    def __init__(self, *, path: str, form: Form, units: Mapping[int, str]) -> None:
        self.path = path
        self.form = form
        self.units = units

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
        exact = EXACT[self.form.decimal].fullmatch(cell)
        if exact is None:
            missing = cell.lower() in MISSING_TEXTS
            what = "is missing in this row" if missing else f"{shown(cell)} is no number"
            msg = f"the time {what}; every row needs its time"
            raise LogError(msg, path=self.path, line=number)
        return int(exact.group(1)), float(f"0.{exact.group(2) or ''}")

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
        unit = self.units.get(index, "")
        if unit != parts[1]:
            label = self.form.label(index)
            msg = (
                f"the unit written in column {label} changes from '{unit}' to '{parts[1]}'; write all "
                "readings in one unit, or pass over the other ones with --set bad_lines=reject "
                "(bad_lines='reject')"
            )
            raise refusal(msg, path=self.path, line=number)
        return number_in(parts[0], self.form.decimal)


def shown(text: str) -> str:
    """Return a text in quotation marks, shortened, without characters that cannot be printed."""
    clean = "".join(c if c.isprintable() else "?" for c in text.strip())
    return f"'{clean[:40]}…'" if len(clean) > 40 else f"'{clean}'"
