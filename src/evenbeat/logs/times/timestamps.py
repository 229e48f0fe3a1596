"""Moments of the rows → seconds since the first and the UTC of the first; time without zone is a finding."""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.dates import iso_date, order_of_dates
from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.rows.stamps import IntArray, Moments, stamp_in
from evenbeat.logs.terms import TimeForm
from evenbeat.logs.times.leap_seconds import leap_second_finding
from evenbeat.logs.times.wrapping import across_midnights
from evenbeat.quantities import FloatArray

_BLOCK_ROWS = 1 << 15
_YEARS = (1700, 2200)


@dataclass(frozen=True, eq=False, kw_only=True)
class Times:
    """When the rows were written.

    Parameters
    ----------
    seconds
        Shape (rows,), seconds since the first row.
    start
        UTC of the first row, ``None`` for elapsed time.
    form
        How the column writes time.
    scale
        Seconds in a unit of a column of elapsed time.
    ns
        Shape (rows,), nanoseconds from any zero, where the log states them so that they are exact.
    """

    seconds: FloatArray
    start: np.datetime64 | None
    form: TimeForm
    scale: float = 1.0
    findings: tuple[Finding, ...] = ()
    ns: IntArray | None = None

    @property
    def since_first_ns(self) -> IntArray:
        """Shape (rows,), nanoseconds since the first row, exact where the log states them so."""
        if self.ns is not None:
            return self.ns - self.ns[0]
        return np.rint(self.seconds * 1e9).astype(np.int64)

    def kept(self, rows: IntArray) -> Times:
        """Return the times of some rows, counted from the first of them."""
        ahead = np.timedelta64(int(self.since_first_ns[rows[0]]), "ns")
        return replace(
            self,
            seconds=self.seconds[rows] - self.seconds[rows[0]],
            start=None if self.start is None else self.start + ahead,
            ns=None if self.ns is None else self.ns[rows],
        )


Locate = Callable[[int], int]
"""Row → line number, asked only where a row is to blame."""


class NoTimeError(LogError):
    """Some rows have no time, or none that can be understood; the sentence is about the first of them.

    Parameters
    ----------
    rows
        All rows without a time, shape (rows,), boolean.
    """

    def __init__(self, sentence: str, *, rows: npt.NDArray[np.bool_], path: str, locate: Locate) -> None:
        self.rows = np.flatnonzero(rows)
        super().__init__(sentence, path=path, line=locate(int(self.rows[0])))


def times_from_moments(
    moments: Moments,
    *,
    time_zone: str | None,
    path: str,
    locate: Locate,
    scale: str = "UTC",
    date_order: str | None = None,
) -> Times:
    """Return the times of moments, local ones brought to UTC where their zone is known.

    Parameters
    ----------
    scale
        Name of the time scale in which the moments are stated.
    date_order
        ``day-first`` or ``month-first``, where somebody said it.

    Raises
    ------
    LogError
        If a text is no moment, day and month cannot be told apart, some but not all state a zone, the zone is
        not known, or a local time occurs twice or never.
    """
    if moments.odd:
        raise _odd(moments, path, locate)
    if moments.dates == ("",):
        seconds, finding = across_midnights(moments.ns * 1e-9)
        return Times(seconds=seconds, start=None, form="time_of_day", findings=(finding,))
    ns, order = _dated(moments, date_order, path, locate)
    stamps = ns.view("datetime64[ns]")
    if not moments.zoned and time_zone is not None:
        stamps = _localized(stamps, time_zone, path, locate)
    ns = stamps.view(np.int64)
    seconds = seconds_since_first(ns)
    findings = _zone_finding(zoned=moments.zoned, time_zone=time_zone)
    if moments.leap is not None:
        begun = np.diff(moments.leap.astype(np.int8), prepend=np.int8(0)) > 0
        ns = ns + np.cumsum(begun) * 1_000_000_000
        seconds = seconds_since_first(ns)
        count = int(np.count_nonzero(begun))
        sentence = f"The log writes {count} leap second(s) as second 60; the times after count them."
        values = {"leap_seconds": count}
        leap = (Finding(code="LEAP_SECOND", severity="note", sentence=sentence, values=values),)
        findings = (*leap, *findings)
    elif scale == "UTC":
        findings = (*findings, *leap_second_finding(stamps[0], float(seconds[-1])))
    return Times(seconds=seconds, start=stamps[0], form="iso", findings=(*order, *findings), ns=ns)


def _odd(moments: Moments, path: str, locate: Locate) -> NoTimeError:
    """Return the refusal of rows whose time is missing, not understood, or alone with its zone."""
    rows = np.zeros(len(moments.ns), dtype=bool)
    rows[list(moments.odd)] = True
    text = moments.odd[int(np.argmax(rows))]
    if text is None:
        msg = "the time is missing in this row; every row needs its time"
    elif stamp_in(text) is None or not moments.example:
        msg = f"the time '{text}' is not understood; write it as 2026-01-31T12:00:00Z"
    else:
        msg = f"of the time '{text}' and others, such as '{moments.example}', only one states a zone"
    return NoTimeError(msg, rows=rows, path=path, locate=locate)


def _dated(
    moments: Moments, date_order: str | None, path: str, locate: Locate
) -> tuple[IntArray, tuple[Finding, ...]]:
    """Return nanoseconds since 1970; all dates have their day in one place, and few are behind many rows."""
    if moments.day is None:
        return moments.ns, ()
    found = order_of_dates(moments.dates, date_order)
    if found.order is None:
        raise LogError(found.problem, path=path, line=locate(int(np.argmax(moments.day == found.at))))
    written = [iso_date(text, found.order) if text else None for text in moments.dates]
    midnights = np.array([text or "NaT" for text in written], dtype="datetime64[D]")
    years = np.array([int(text[:4]) if text else 0 for text in written])
    wrong = np.append((years < _YEARS[0]) | (years > _YEARS[1]), False)[moments.day]
    if wrong.any():
        text = moments.dates[int(moments.day[np.argmax(wrong)])]
        msg = f"the time '{text}' is not understood; write it as 2026-01-31T12:00:00Z"
        raise NoTimeError(msg, rows=wrong, path=path, locate=locate)
    days = np.append(midnights.astype("datetime64[ns]").astype(np.int64), 0)
    return moments.ns + days[moments.day], found.findings


def seconds_since_first(ns: IntArray) -> FloatArray:
    """Return seconds since the first of moments in nanoseconds, shape (rows,)."""
    seconds = np.empty(len(ns))
    for block in blocks_of_rows(len(ns)):
        np.multiply(ns[block] - ns[0], 1e-9, out=seconds[block])
    return seconds


def blocks_of_rows(rows: int) -> Iterator[slice]:
    """Yield slices that fit a cache."""
    return (slice(first, first + _BLOCK_ROWS) for first in range(0, rows, _BLOCK_ROWS))


def _localized(stamps: Any, time_zone: str, path: str, locate: Locate) -> Any:
    """Return local times as UTC."""
    import pandas as pd

    try:
        zone = zoneinfo.ZoneInfo(time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        msg = f"the time zone '{time_zone}' is not known; give a name such as UTC or Europe/Oslo"
        raise LogError(msg, path=path) from None
    moments = pd.Series(stamps)
    localized = moments.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    lost = localized.isna().to_numpy()
    if lost.any():
        try:
            localized = moments.dt.tz_localize(zone, ambiguous="infer", nonexistent="raise")
        except ValueError:
            msg = (
                f"the local time {moments.iloc[int(np.argmax(lost))]} occurs twice or never in {time_zone} "
                "because clocks were changed; log in UTC, cut the log there, or reject rows at such times "
                "with --set bad_lines=reject (bad_lines='reject')"
            )
            raise NoTimeError(msg, rows=lost, path=path, locate=locate) from None
    return localized.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[ns]")


def _zone_finding(*, zoned: bool, time_zone: str | None) -> tuple[Finding, ...]:
    if zoned and time_zone is not None:
        sentence = f"The time stamps state their own zone, so the time zone {time_zone} was not used."
        return (Finding(code="TIME_ZONE_UNUSED", severity="note", sentence=sentence),)
    if zoned or time_zone is not None:
        return ()
    sentence = (
        "The time stamps state no zone and were taken as UTC; local time would repeat or skip an hour when "
        "clocks are changed (state the zone with --set time_zone=… or time_zone)."
    )
    return (Finding(code="NO_TIME_ZONE", severity="note", sentence=sentence),)
