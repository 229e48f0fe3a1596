"""Results obtained with an instrument that was found out of tolerance: which of them are affected."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.plain import UNLISTED, Plain, declared
from evenbeat.quantities import FloatArray
from evenbeat.result import UNKNOWN
from evenbeat.tables import Field, Row, TableLike, read_table
from evenbeat.units import SECONDS_PER_DAY

Affected = Literal["affected", "possibly", "not affected"]
SURELY, SURELY_NOT = 0.95, 0.05
FIELDS = (
    Field(name="date"),
    Field(name="elapsed_days", unit="d"),
    Field(name="tolerance", unit="1"),
    Field(name="lower", unit="1"),
    Field(name="upper", unit="1"),
    Field(name="deviation", unit="1"),
    Field(name="name", also=("result",)),
)


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
    tolerance: Tolerance = field(metadata=UNLISTED)
    deviation: float = 0.0
    name: str = ""
    when: str = ""


@dataclass(frozen=True, kw_only=True)
class AffectedResult(Plain):
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

    result: DatedResult = field(metadata=UNLISTED)
    probability_outside: float
    affected: Affected

    @property
    def row(self) -> tuple[str, ...]:
        """Cells of a table."""
        one = self.result
        return (
            one.name or UNKNOWN,
            one.when or f"day {one.elapsed_s / SECONDS_PER_DAY:.1f}",
            str(one.tolerance),
            f"{self.probability_outside:.3f}",
            self.affected,
        )

    def _facts(self) -> Mapping[str, object]:
        return {**declared(self.result), **declared(self.result.tolerance), **super()._facts()}


def dated_results(
    table: TableLike | Sequence[DatedResult],
    *,
    start: dt.date | None,
    until_s: float,
    date_order: str | None = None,
) -> tuple[tuple[DatedResult, ...], tuple[Finding, ...]]:
    """Return results from a table, and what was assumed of it.

    Parameters
    ----------
    table
        A frame or file with the columns ``date`` (or ``elapsed_days`` since the last known-good value) and
        ``tolerance`` (fractional: ``1e-8`` for ±1e-8, or ``-5e-9:1e-8``; or ``lower`` and ``upper``), and,
        where known, ``deviation`` (fractional, as reported) and ``name``.
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
        interval in question; the sentence names the line.
    """
    if isinstance(table, Sequence) and not isinstance(table, str):
        return tuple(table), ()
    read = read_table(table, FIELDS, what="table of results", date_order=date_order)
    return tuple(_result(row, start=start, until_s=until_s) for row in read.rows), read.findings


def _result(row: Row, *, start: dt.date | None, until_s: float) -> DatedResult:
    elapsed, when = row.number_in("elapsed_days"), f"day {row.number_in('elapsed_days') / SECONDS_PER_DAY:g}"
    if math.isnan(elapsed):
        if not row.given("date"):
            msg = "no date; give date, or elapsed_days since the last known-good value"
            raise row.error(msg)
        if start is None:
            msg = "a date is given, but not that of the last known-good value; state start"
            raise row.error(msg)
        elapsed = (row.moment() - dt.datetime.combine(start, dt.time())).total_seconds()
        when = row.text("date")
    if not 0 <= elapsed <= until_s:
        msg = (
            f"{when} is not between the last known-good value and the finding "
            f"({until_s / SECONDS_PER_DAY:.6g} days later)"
        )
        raise row.error(msg)
    pair = (row.number_in("lower"), row.number_in("upper"))
    limits = row.limits("tolerance") if any(map(math.isnan, pair)) else pair
    if limits is None:
        msg = "no tolerance; give tolerance, or lower and upper"
        raise row.error(msg)
    deviation = row.number_in("deviation")
    try:
        return DatedResult(
            elapsed_s=elapsed,
            tolerance=Tolerance.of(limits),
            deviation=0.0 if math.isnan(deviation) else deviation,
            name=row.text("name") if row.given("name") else "",
            when=when,
        )
    except InputError as error:
        raise row.error(error) from error


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
