"""One order of the dates of a table, small or long.

``01/03/2021`` is two dates. One order holds for a whole table: where a date proves that the day or the month
stands first, all follow it; where none does, or two disagree, nothing is read until somebody says so.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution

DayOrder = Literal["day-first", "month-first"]
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})(?!\d)")
_DATE_AND_CLOCK = re.compile(
    r"(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{1,2}[- ][A-Za-z]{3,9}[- ]\d{4}"
    r"|\d{4}-\d{3})(?:[T ]+(\d.*))?"
)


@dataclass(frozen=True, kw_only=True)
class DateOrder:
    """Whether the day or the month stands first in the dates of one table."""

    # ``None`` where it is not known; ``problem`` then says why, and ``at`` which of the dates is to blame
    order: DayOrder | None
    problem: str = ""
    at: int = 0
    findings: tuple[Finding, ...] = ()  # what was assumed

    def moment(self, cell: object) -> dt.datetime:
        """Return the moment that a cell states, in UTC and without a zone; a date is its midnight.

        Raises
        ------
        InputError
            If it states none, or its order is not known.
        """
        text = str(cell).strip()
        if self.order is None and _YEAR_LAST.match(text):
            raise InputError(self.problem)
        moment = _moment(text, self.order)
        if moment is None:
            msg = f"date is {text!r}; ISO such as 2026-02-26 is needed"
            raise InputError(msg)
        return moment if moment.tzinfo is None else moment.astimezone(dt.UTC).replace(tzinfo=None)


def order_of_dates(
    texts: Sequence[object], stated: str | None = None, *, points_decide: bool = True
) -> DateOrder:
    """Return the one order of all dates of a table.

    Parameters
    ----------
    texts
        The dates, written in any way; those with the year last decide.
    stated
        ``day-first`` or ``month-first``, as somebody said.
    points_decide
        Whether dates with points have the day first where nothing else decides (common practice), which
        is a finding; to be refused where no finding would be seen.
    """
    if stated not in (None, "day-first", "month-first"):
        msg = f"date_order is {stated!r}; it must be 'day-first' or 'month-first'"
        raise InputError(msg)
    found = ((at, _YEAR_LAST.match(str(text).strip())) for at, text in enumerate(texts))
    dates = [(at, match, int(match[1]), int(match[3])) for at, match in found if match]
    proofs: dict[DayOrder, tuple[int, str]] = {}
    for at, match, first, second in dates:
        if max(first, second) > 12 and min(first, second) <= 12:
            proofs.setdefault("day-first" if first > 12 else "month-first", (at, match[0]))
    if len(proofs) > 1:
        (_, one), (at, other) = sorted(proofs.values())
        problem = (
            f"the dates '{one}' and '{other}' cannot both have the day in the same place; correct the one "
            "that is wrong"
        )
        return DateOrder(order=None, problem=problem, at=at)
    for shown, (at, text) in proofs.items():
        if stated in (None, shown):
            return DateOrder(order=shown)
        problem = f"the date '{text}' is {shown}, but date_order says {stated}"
        return DateOrder(order=None, problem=problem, at=at)
    if stated is not None:
        return DateOrder(order=stated)  # type: ignore[arg-type]
    open_ones = [(at, match) for at, match, first, second in dates if first != second and second <= 12]
    if not open_ones:
        return DateOrder(order="day-first")
    at, match = next((pair for pair in open_ones if pair[1][2] != "."), open_ones[0])
    if match[2] != "." or not points_decide:
        first, second, year = int(match[1]), int(match[3]), match[4]
        problem = (
            f"nothing says whether the date '{match[0]}' is {first} {_month(second)} or {second} "
            f"{_month(first)} {year}; decide with --set date_order=day-first or month-first (date_order)"
        )
        return DateOrder(order=None, problem=problem, at=at)
    sentence = "Dates with points were taken as day, month, year (override with date_order)."
    finding = caution("ASSUMED_DATE_ORDER", sentence)
    return DateOrder(order="day-first", at=at, findings=(finding,))


def _month(number: int) -> str:
    return MONTHS[number - 1].capitalize()


def iso_date(text: str, order: str) -> str | None:
    """Return a date with the year first, ``None`` where it is none; days of the year count."""
    fields = [field for field in re.split(r"[-/. :]", text) if field]
    try:
        if len(fields) == 2:  # ISO 8601 ordinal date
            day = dt.date(int(fields[0]), 1, 1) + dt.timedelta(days=int(fields[1]) - 1)
            return day.isoformat() if day.year == int(fields[0]) else None
        if len(fields[0]) == 4:
            year, month, date = fields
        else:
            date, month, year = fields
        if month.isalpha():
            month = str(MONTHS.index(month[:3].lower()) + 1)
        elif order == "month-first" and len(fields[0]) < 4:
            date, month = month, date
        return dt.date(int(year), int(month), int(date)).isoformat()
    except ValueError:
        return None


@lru_cache(maxsize=4096)
def _moment(text: str, order: str | None) -> dt.datetime | None:
    parts = _DATE_AND_CLOCK.fullmatch(text)
    date = None if parts is None else iso_date(parts[1], order or "day-first")
    try:
        if parts is None or date is None:
            return dt.datetime.fromisoformat(text)
        return dt.datetime.fromisoformat(date if parts[2] is None else f"{date}T{parts[2]}")
    except ValueError:
        return None
