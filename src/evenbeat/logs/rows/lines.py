"""Rows read one by one: units behind numbers, blanks in odd places, and the first line that is wrong."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbeat.errors import LogError
from evenbeat.ledger import Rejected as Rejected  # noqa: PLC0414
from evenbeat.ledger import RejectedLines
from evenbeat.logs.cells import (
    MISSING_TEXTS,
    cell_kind,
    measured_parts,
    number_in,
    shown,
    split_line,
)
from evenbeat.logs.form.dialogue import BEFORE, OTHER_ANSWER, QUERY
from evenbeat.logs.terms import Form, Wanted

RULE, REPEATED_HEADER = "a rule between rows", "the header written again"
HARMLESS = (RULE, REPEATED_HEADER, QUERY, OTHER_ANSWER, BEFORE)
_RULE = re.compile(r"[\s=\-_*+~.|]+")
_LIKE_NUMBERS = re.compile(r"[.,eEdD]*[\d+\-][\d+\-.,eEdD]*", re.ASCII)
EXACT = {
    mark: re.compile(rf"\+?(\d{{1,18}}|[1-8]\d{{18}})(?:{re.escape(mark)}(\d*))?", re.ASCII) for mark in ".,"
}
"""A time whose whole part 64 bits hold, and its decimals."""

EXACT_TIME = np.dtype([("whole", np.int64), ("fraction", float)])

REJECT = (
    "correct the line, put # in front of it, or pass over such lines with --bad-lines reject "
    "(bad_lines='reject')"
)


@dataclass(frozen=True, eq=False, kw_only=True)
class ReadLines:
    """What was read line by line: the numbers of the rows, and their columns by position."""

    columns: dict[int, Any]
    lines: list[int]
    rejected: RejectedLines


def read_by_line(
    rows: Iterable[tuple[int, str]], form: Form, wanted: Wanted, *, reject: bool, path: str
) -> ReadLines:
    """Return the columns of rows given as line number and text.

    Raises
    ------
    LogError
        If a row cannot be read and is not to be passed over, naming its line.
    """
    units = {index: unit.strip() for index, unit in wanted.units}
    taken: list[tuple[list[float], tuple[int, float], str | None]] = []
    lines: list[int] = []
    rejected: list[Rejected] = []
    known: dict[str, _OddLineError] = {}
    for number, line in rows:
        odd = known.get(line)
        try:
            if odd is None:
                cells = _cells_of_row(line, form)
                values = [_number(cells[i], i, form, units.get(i, "")) for i in wanted.numbers]
                time = (0, 0.0) if wanted.exact is None else _exact(cells[wanted.exact], form)
                text = None if wanted.moment is None else cells[wanted.moment]
                taken.append((values, time, text if text and text.lower() not in MISSING_TEXTS else None))
                lines.append(number)
                continue
        except _OddLineError as error:
            odd = known[line] = error.with_traceback(None)
        if not (reject or odd.harmless):
            msg = f"{odd.reason}{odd.advice}"
            raise LogError(msg, path=path, line=number)
        rejected.append(Rejected(line=number, reason=odd.reason, cut=odd.cut))
    numbers = np.array([values for values, _, _ in taken], dtype=float).reshape(-1, len(wanted.numbers))
    columns: dict[int, Any] = {i: numbers[:, place] for place, i in enumerate(wanted.numbers)}
    if wanted.exact is not None:
        columns[wanted.exact] = np.array([time for _, time, _ in taken], dtype=EXACT_TIME)
    if wanted.moment is not None:
        columns[wanted.moment] = np.array([text for _, _, text in taken], dtype=object)
    return ReadLines(columns=columns, lines=lines, rejected=RejectedLines.of(rejected))


def no_row(line: str, form: Form) -> str:
    """Return why a line never was a row: a rule, or the header once more; nothing where it may be one."""
    if _RULE.fullmatch(line) and len(line.strip()) > 3:
        return RULE
    if form.header and any(form.header):
        cells = split_line(line, form.separator)
        if tuple(cells[: form.columns]) == tuple(form.header):
            return REPEATED_HEADER
    return ""


class _OddLineError(Exception):
    """A line cannot be read as a row.

    Parameters
    ----------
    reason, advice
        Why, and how such a line can be read or passed over.
    cut
        It is the beginning of a row only.
    harmless
        It never was a row.
    """

    def __init__(
        self, reason: str, *, advice: str = f"; {REJECT}", cut: bool = False, harmless: bool = False
    ) -> None:
        self.reason, self.advice, self.cut, self.harmless = reason, advice, cut, harmless
        super().__init__(reason)


def _cells_of_row(line: str, form: Form) -> list[str]:
    """Return the cells of a row, missing ones empty."""
    if reason := no_row(line, form):
        raise _OddLineError(reason, harmless=True)
    cells = split_line(line, form.separator, joined_moment=form.joined_moment)
    if len(cells) > form.columns and any(cells[form.columns :]):
        reason = f"the row has {len(cells)} cells where the others have {form.columns}: {shown(line)}"
        raise _OddLineError(reason)
    if len(cells) < form.fewest:
        has = f"{len(cells)} cell{'s' * (len(cells) != 1)}"
        reason = f"the row has {has} where the others have {form.columns}: {shown(line)}"
        raise _OddLineError(reason, cut=True)
    return cells + [""] * (form.columns - len(cells))


def _exact(cell: str, form: Form) -> tuple[int, float]:
    """Return whole part and fraction of the time in a cell."""
    exact = EXACT[form.decimal].fullmatch(cell)
    if exact is None:
        missing = cell.lower() in MISSING_TEXTS
        what = "is missing in this row" if missing else f"{shown(cell)} is no number"
        msg = f"the time {what}; every row needs its time"
        raise _OddLineError(msg, advice="")
    return int(exact.group(1)), float(f"0.{exact.group(2) or ''}")


def _number(cell: str, index: int, form: Form, unit: str) -> float:
    """Return the number in a cell, NaN for a known missing text."""
    kind = cell_kind(cell, form.decimal)
    if kind == "missing":
        return float("nan")
    parts = (cell, "") if kind == "number" else measured_parts(cell, form.decimal)
    if parts is not None and parts[1] == unit:
        return number_in(parts[0], form.decimal)
    cut = _LIKE_NUMBERS.fullmatch(cell) is not None
    if parts is None:
        reason = (
            f"{shown(cell)} in column {form.label(index)} is neither a number nor a known text for a missing "
            "reading such as NaN or OVLD"
        )
        raise _OddLineError(reason, cut=cut)
    reason = (
        f"the unit written in column {form.label(index)} changes from '{unit}' to '{parts[1]}'; write all "
        "readings in one unit, or pass over the other ones with --bad-lines reject (bad_lines='reject')"
    )
    raise _OddLineError(reason, advice="", cut=cut)
