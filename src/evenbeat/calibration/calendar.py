"""Whole units of the calendar for an interval: always rounded down."""

from __future__ import annotations

import calendar
import datetime as dt
import math
from dataclasses import dataclass
from typing import Literal

from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.plain import Plain
from evenbeat.units import DAYS_PER_YEAR, SECONDS_PER_DAY, duration_text

CalendarUnit = Literal["day", "week", "month", "quarter", "year"]
DAYS: dict[CalendarUnit, float] = {
    "day": 1.0,
    "week": 7.0,
    "month": DAYS_PER_YEAR / 12,
    "quarter": DAYS_PER_YEAR / 4,
    "year": DAYS_PER_YEAR,
}
MONTHS: dict[CalendarUnit, int] = {"month": 1, "quarter": 3, "year": 12}
FEWEST_OF_A_UNIT = 2
"""Left to itself, the unit is the largest of day, week and month that the interval holds this often."""


@dataclass(frozen=True, kw_only=True)
class CalendarInterval(Plain):
    """A whole number of calendar units, and the date when they are over.

    Attributes
    ----------
    count, unit
        ``11`` and ``'month'``.
    start, due
        Dates, or ``None`` where no start was given.
    """

    count: int
    unit: CalendarUnit
    start: dt.date | None = None
    due: dt.date | None = None

    @property
    def duration_s(self) -> float:
        """Its length in seconds; without a date a month counts as a twelfth of 365.25 days."""
        if self.start is not None and self.due is not None:
            return (self.due - self.start).days * SECONDS_PER_DAY
        return self.count * DAYS[self.unit] * SECONDS_PER_DAY

    def __str__(self) -> str:
        words = f"{self.count} {self.unit}{'' if self.count == 1 else 's'}"
        return words if self.due is None else f"{words}, due {self.due.isoformat()}"


def whole_units(
    interval_s: float, *, unit: CalendarUnit | None = None, start: dt.date | str | None = None
) -> tuple[CalendarInterval | None, tuple[Finding, ...]]:
    """Return the largest whole number of calendar units that an interval holds; ``None`` below one day.

    The unit is by default the largest of day, week and month that fits twice; a finding says where a smaller
    one than was asked for was taken. From a ``start`` on months have the days that they have.
    """
    if unit is not None and unit not in DAYS:
        msg = f"calendar unit is {unit!r}; it must be one of {', '.join(DAYS)}"
        raise InputError(msg)
    begun = checked_date(start)
    if math.isnan(interval_s):
        return None, ()
    days = math.floor(interval_s / SECONDS_PER_DAY * (1 + 1e-12))
    usual: tuple[CalendarUnit, ...] = ("month", "week")
    fitting = (one for one in usual if days >= FEWEST_OF_A_UNIT * DAYS[one])
    asked: CalendarUnit = unit or next(fitting, None) or "day"
    order: list[CalendarUnit] = ["year", "quarter", "month", "week", "day"]
    for smaller in order[order.index(asked) :]:
        count = _count(days, smaller, begun)
        if count > 0:
            due = None if begun is None else _after(begun, count, smaller)
            made = CalendarInterval(count=count, unit=smaller, start=begun, due=due)
            sentence = (
                f"The interval of {duration_text(interval_s)} holds no whole {asked}; it is rounded down to "
                f"whole {smaller}s instead."
            )
            return made, () if smaller == asked else (note("SMALLER_CALENDAR_UNIT", sentence),)
    sentence = (
        f"An interval of {duration_text(interval_s)} is shorter than a day: no due date follows from it."
    )
    return None, (caution("NO_WHOLE_DAY", sentence),)


def checked_date(date: dt.date | str | None) -> dt.date | None:
    """Return a date from ISO text."""
    if date is None:
        return None
    if isinstance(date, dt.datetime):
        return date.date()
    if isinstance(date, dt.date):
        return date
    try:
        return dt.date.fromisoformat(str(date)[:10])
    except ValueError as error:
        msg = f"start is {date!r}; an ISO date such as 2026-02-26 is needed"
        raise InputError(msg) from error


def _count(days: int, unit: CalendarUnit, start: dt.date | None) -> int:
    if start is None or unit in ("day", "week"):
        return math.floor(days / DAYS[unit] * (1 + 1e-12))
    end = min(start.toordinal() + days, dt.date.max.toordinal())
    count = math.ceil(days / DAYS[unit]) + 1
    while count > 0 and _after(start, count, unit).toordinal() > end:
        count -= 1
    return count


def _after(start: dt.date, count: int, unit: CalendarUnit) -> dt.date:
    """Return the date some units later; the last day of a month where the day does not exist in it."""
    if unit in ("day", "week"):
        return start + dt.timedelta(days=count * int(DAYS[unit]))
    months = start.year * 12 + start.month - 1 + count * MONTHS[unit]
    year, month = divmod(months, 12)
    if year > dt.MAXYEAR:
        return dt.date.max
    return dt.date(year, month + 1, min(start.day, calendar.monthrange(year, month + 1)[1]))
