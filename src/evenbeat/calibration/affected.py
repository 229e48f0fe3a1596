"""Results obtained with an instrument that was found out of tolerance: which of them are affected."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray
from evenbeat.tables import DateOrder, order_of_dates, text_frame
from evenbeat.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    import pandas as pd

Affected = Literal["affected", "possibly", "not affected"]
SURELY, SURELY_NOT = 0.95, 0.05
COLUMNS = ("date", "tolerance")


@dataclass(frozen=True, kw_only=True)
class DatedResult:
    """One result obtained with the instrument.

    Attributes
    ----------
    elapsed_s
        Since the last known-good value.
    tolerance
        Limits of the error that this result could bear, as a fractional frequency.
    deviation
        Fractional deviation from nominal that was reported; the error of the timebase comes on top. Zero
        where only the error itself is to be judged.
    name
        For the list.
    when
        As the table said it.
    """

    elapsed_s: float
    tolerance: Tolerance
    deviation: float = 0.0
    name: str = ""
    when: str = ""


@dataclass(frozen=True, kw_only=True)
class AffectedResult:
    """What is to be said of one result.

    Attributes
    ----------
    result
        As given.
    probability_outside
        That the corrected deviation lies outside of the result's own tolerance.
    affected
        ``affected`` from 95 % on, ``not affected`` up to 5 %, ``possibly`` in between; for a result that was
        reported out of tolerance, that it would be within counts.
    """

    result: DatedResult
    probability_outside: float
    affected: Affected

    @property
    def row(self) -> tuple[str, ...]:
        """Cells of a table."""
        one = self.result
        return (
            one.name or "-",
            one.when or f"day {one.elapsed_s / SECONDS_PER_DAY:.1f}",
            str(one.tolerance),
            f"{self.probability_outside:.3f}",
            self.affected,
        )

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "name": self.result.name,
            "when": self.result.when,
            "elapsed_s": self.result.elapsed_s,
            "lower": self.result.tolerance.lower,
            "upper": self.result.tolerance.upper,
            "deviation": self.result.deviation,
            "probability_outside": self.probability_outside,
            "affected": self.affected,
        }


def dated_results(
    table: pd.DataFrame | str | Path | Sequence[DatedResult],
    *,
    start: dt.date | None,
    until_s: float,
    date_order: str | None = None,
) -> tuple[DatedResult, ...]:
    """Return results from a table.

    Parameters
    ----------
    table
        A frame or a comma-separated file with the columns ``date`` (ISO; or ``elapsed_days`` since the last
        known-good value) and ``tolerance`` (fractional, ±; or ``lower`` and ``upper``), and, where known,
        ``deviation`` (fractional, as reported) and ``name``.
    start
        Date of the last known-good value, needed for dates.
    until_s
        Time from there to when the instrument was found out.
    date_order
        ``day-first`` or ``month-first`` for dates such as 03/04/2026, where no date of the table says so.

    Raises
    ------
    InputError
        If dates may be read in two ways, or a row lacks a date or a tolerance, or lies outside of the
        interval in question; the sentence names the row.
    """
    if isinstance(table, Sequence) and not isinstance(table, str):
        return tuple(table)
    where = str(table) if isinstance(table, str | Path) else "the results"
    frame = text_frame(table, "results")
    dates = list(frame["date"]) if "date" in frame else []
    order = order_of_dates(dates, date_order, points_decide=False)
    rows = frame.to_dict("records")
    return tuple(
        _result(
            {str(k): v for k, v in row.items()},
            f"{where}, row {number}",
            order=order,
            start=start,
            until_s=until_s,
        )
        for number, row in enumerate(rows, start=1)
    )


def _result(
    row: dict[str, object], where: str, *, order: DateOrder, start: dt.date | None, until_s: float
) -> DatedResult:
    elapsed, when = _when(row, where, order, start)
    if not 0 <= elapsed <= until_s:
        msg = (
            f"{where}: {when} is not between the last known-good value and the finding "
            f"({until_s / SECONDS_PER_DAY:.6g} days later)"
        )
        raise InputError(msg)
    if _given(row, "lower") and _given(row, "upper"):
        limits = Tolerance.of((_number(row, "lower", where), _number(row, "upper", where)))
    elif _given(row, "tolerance"):
        limits = Tolerance.of(_number(row, "tolerance", where))
    else:
        msg = f"{where}: no tolerance; give tolerance, or lower and upper"
        raise InputError(msg)
    return DatedResult(
        elapsed_s=elapsed,
        tolerance=limits,
        deviation=_number(row, "deviation", where) if _given(row, "deviation") else 0.0,
        name=str(row["name"]) if _given(row, "name") else "",
        when=when,
    )


def _when(row: dict[str, object], where: str, order: DateOrder, start: dt.date | None) -> tuple[float, str]:
    if _given(row, "elapsed_days"):
        days = _number(row, "elapsed_days", where)
        return days * SECONDS_PER_DAY, f"day {days:g}"
    if not _given(row, "date"):
        msg = f"{where}: no date; give date, or elapsed_days since the last known-good value"
        raise InputError(msg)
    if start is None:
        msg = f"{where}: a date is given, but not that of the last known-good value; state start"
        raise InputError(msg)
    try:
        moment = order.moment(row["date"])
    except InputError as error:
        msg = f"{where}: {error}"
        raise InputError(msg) from error
    begun = dt.datetime.combine(start, dt.time())
    return (moment - begun).total_seconds(), str(row["date"]).strip()


def _given(row: dict[str, object], name: str) -> bool:
    return name in row and str(row[name]).strip().lower() not in ("", "nan", "none", "<na>", "nat")


def _number(row: dict[str, object], name: str, where: str) -> float:
    try:
        value = float(str(row[name]).strip())
    except ValueError as error:
        msg = f"{where}: {name} is {row[name]!r}; a number such as 1e-8 is needed"
        raise InputError(msg) from error
    if not math.isfinite(value):
        msg = f"{where}: {name} is {row[name]!r}; it must be finite"
        raise InputError(msg)
    return value


def judged_results(
    results: Sequence[DatedResult],
    times: FloatArray,
    probability_between: Callable[[float, float, int], float],
) -> tuple[AffectedResult, ...]:
    """Return what is to be said of each result, given the distribution of the offset at the times.

    Notes
    -----
    A counter whose timebase is fast by y reads low by y: the deviation that should have been reported is
    the reported one plus y.
    """
    judged = []
    for one in results:
        at = int(np.argmin(np.abs(times - one.elapsed_s)))
        limits, reported = one.tolerance, one.deviation
        inside = probability_between(limits.lower - reported, limits.upper - reported, at)
        outside = min(max(1 - inside, 0.0), 1.0)
        changed = outside if limits.holds(reported) else inside
        affected: Affected = "possibly"
        if changed >= SURELY:
            affected = "affected"
        elif changed <= SURELY_NOT:
            affected = "not affected"
        judged.append(AffectedResult(result=one, probability_outside=outside, affected=affected))
    return tuple(judged)
