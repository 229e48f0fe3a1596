"""Moments of the rows → seconds since the first and the UTC of the first; time without zone is a finding."""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.rows.stamps import IntArray, Moments
from evenbeat.logs.terms import TimeForm
from evenbeat.logs.times.leap_seconds import leap_second_finding
from evenbeat.quantities import FloatArray

_BLOCK_ROWS = 1 << 15


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
    moments: Moments, *, time_zone: str | None, path: str, locate: Locate, scale: str = "UTC"
) -> Times:
    """Return the times of moments, local ones brought to UTC where their zone is known.

    Parameters
    ----------
    scale
        Name of the time scale in which the moments are stated.

    Raises
    ------
    LogError
        If the zone is not known, or a local time occurs twice or never.
    """
    stamps = moments.ns.view("datetime64[ns]")
    if not moments.zoned and time_zone is not None:
        stamps = _localized(stamps, time_zone, path, locate)
    ns = stamps.view(np.int64)
    seconds = seconds_since_first(ns)
    findings = _zone_finding(zoned=moments.zoned, time_zone=time_zone)
    leap = leap_second_finding(stamps[0], float(seconds[-1])) if scale == "UTC" else ()
    return Times(seconds=seconds, start=stamps[0], form="iso", findings=(*findings, *leap), ns=ns)


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
                "with --bad-lines reject (bad_lines='reject')"
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
        "clocks are changed (state the zone with --time-zone or time_zone)."
    )
    return (Finding(code="NO_TIME_ZONE", severity="note", sentence=sentence),)
