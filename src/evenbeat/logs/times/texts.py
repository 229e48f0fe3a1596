"""Time stamps as texts → moments: ISO 8601, day first or month first, names of months, days of the year."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np

from evenbeat.dates import iso_date, order_of_dates
from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.form.cells import is_moment
from evenbeat.logs.rows.stamps import Moments
from evenbeat.logs.times.timestamps import Locate, NoTimeError, Times, times_from_moments
from evenbeat.logs.times.wrapping import across_midnights

_ZONE = r"(?:Z|UTC|GMT|\d[+-]\d{2}:?\d{2}|\s[+-]\d{2}:?\d{2})$"
_PLAIN_ISO = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d.*)?")
_PARTS = (
    r"^@?(?P<date>\d{1,4}[-/. :](?:[A-Za-z]{3,9}|\d{1,3})(?:[-/. ]\d{1,4})?)(?:[T:_-]\s*|\s+|$)(?P<clock>.*)$"
)
_TIME_OF_DAY = r"^(\d{1,2}):(\d{2}):(\d{2}(?:[.,]\d+)?)\s?([AaPp][Mm])?$"


def times_from_text(
    stamps: Any, *, time_zone: str | None, date_order: str | None, path: str, locate: Locate
) -> Times:
    """Return the times of texts in a pandas series.

    Raises
    ------
    LogError
        If a text is no moment, day and month cannot be told apart, some but not all state a zone, or
        the zone is not known.
    """
    zoned = _all_zoned(stamps, path, locate)
    if re.match(_TIME_OF_DAY, str(stamps.iloc[0]).strip()):
        return _times_of_day(stamps, path, locate)
    stamps, findings, leaps = _tidied(stamps, date_order, path, locate)
    moments = _moments(stamps, zoned=zoned, path=path, locate=locate)
    ns = moments.astype(np.int64)
    times = times_from_moments(Moments(ns=ns, zoned=zoned), time_zone=time_zone, path=path, locate=locate)
    if leaps is not None:
        return _with_leap_seconds(times, leaps, findings)
    return replace(times, findings=(*findings, *times.findings))


def _tidied(
    stamps: Any, date_order: str | None, path: str, locate: Locate
) -> tuple[Any, tuple[Finding, ...], Any]:
    """Return texts that pandas reads as ISO 8601, findings, and which are within a leap second."""
    first = str(stamps.iloc[0])
    if _PLAIN_ISO.fullmatch(first) and not stamps.str.contains(":60", regex=False).any():
        return stamps, (), None
    parts = stamps.str.strip().str.extract(_PARTS)
    if parts["date"].isna().any():
        raise _not_understood(stamps, parts["date"].isna(), path, locate)
    dates, findings = _iso_dates(parts["date"], date_order, path, locate)
    clocks = _iso_clocks(parts["clock"].fillna(""))
    leaps = clocks.str.contains(r"^\d\d:\d\d:60", regex=True)
    if leaps.any():
        clocks = clocks.str.replace(r"^(\d\d:\d\d):60", r"\1:59", regex=True)
        return dates + "T" + clocks, findings, leaps.to_numpy(dtype=bool)
    return dates + "T" + clocks, findings, None


def _iso_dates(
    dates: Any, date_order: str | None, path: str, locate: Locate
) -> tuple[Any, tuple[Finding, ...]]:
    """Return dates with the year first; few different ones are behind many rows."""
    different = list(dict.fromkeys(dates))
    found = order_of_dates(different, date_order)
    if found.order is None:
        raise LogError(found.problem, path=path, line=locate(_first(dates, different[found.at])))
    written: dict[str, str] = {}
    for text in different:
        iso = iso_date(text, found.order)
        if iso is None:
            raise _not_understood(dates, dates == text, path, locate)
        written[text] = iso
    return dates.map(written), found.findings


def _first(dates: Any, text: str) -> int:
    return int(np.argmax((dates == text).to_numpy(dtype=bool)))


def _iso_clocks(clocks: Any) -> Any:
    """Return times of day as ``hh:mm[:ss[.f]][zone]``."""
    clocks = clocks.str.strip().str.replace(",", ".").str.replace(r"\s*(?:UTC|GMT)$", "Z", regex=True)
    clocks = clocks.str.replace(r"\s+([Z+-])", r"\1", regex=True).str.replace(r"^(\d):", r"0\1:", regex=True)
    clocks = clocks.where(clocks != "", "00:00")
    afternoon = clocks.str.contains(r"[AaPp][Mm]", regex=True)
    if not afternoon.any():
        return clocks

    def turned(match: re.Match[str]) -> str:
        hour = int(match.group(1)) % 12 + (12 if match.group(3).lower() == "p" else 0)
        return f"{hour:02d}{match.group(2)}"

    return clocks.str.replace(r"^(\d\d)(:\S*?)\s*([AaPp])[Mm]", turned, regex=True)


def _moments(stamps: Any, *, zoned: bool, path: str, locate: Locate) -> Any:
    import pandas as pd

    try:
        moments: Any = pd.to_datetime(stamps, format="ISO8601", utc=zoned)
    except (ValueError, OverflowError):
        moments = pd.to_datetime(stamps, format="ISO8601", utc=zoned, errors="coerce")
    if moments.isna().any():
        raise _not_understood(stamps, moments.isna(), path, locate)
    if moments.dt.tz is not None:
        moments = moments.dt.tz_convert("UTC").dt.tz_localize(None)
    years = moments.dt.year
    if years.min() < 1700 or years.max() > 2200:
        raise _not_understood(stamps, (years < 1700) | (years > 2200), path, locate)
    return moments.to_numpy().astype("datetime64[ns]")


def _with_leap_seconds(times: Times, leaps: Any, findings: tuple[Finding, ...]) -> Times:
    """Return times that count the leap seconds which the log writes as second 60."""
    begun = np.diff(leaps.astype(np.int8), prepend=np.int8(0)) > 0
    leaps_so_far = np.cumsum(begun)
    seconds = times.seconds + leaps_so_far
    count = int(np.count_nonzero(begun))
    sentence = f"The log writes {count} leap second(s) as second 60; the times after count them."
    written = Finding(code="LEAP_SECOND", severity="note", sentence=sentence, values={"leap_seconds": count})
    others = [finding for finding in times.findings if finding.code != "LEAP_SECOND"]
    return replace(
        times,
        seconds=seconds - seconds[0],
        ns=None if times.ns is None else times.ns + 1_000_000_000 * leaps_so_far,
        findings=(*findings, written, *others),
    )


def _times_of_day(stamps: Any, path: str, locate: Locate) -> Times:
    """Return elapsed time from times of day, a day added at each midnight."""
    parts = stamps.str.strip().str.replace(",", ".").str.extract(_TIME_OF_DAY)
    if parts[2].isna().any():
        raise _not_understood(stamps, parts[2].isna(), path, locate)
    hours = parts[0].astype(float).to_numpy()
    half = parts[3].fillna("").str.lower().to_numpy()
    hours = np.where(half == "", hours, hours % 12 + 12 * (half == "pm"))
    seconds = 3600 * hours + 60 * parts[1].astype(float).to_numpy() + parts[2].astype(float).to_numpy()
    seconds, finding = across_midnights(seconds)
    return Times(seconds=seconds, start=None, form="time_of_day", findings=(finding,))


def _all_zoned(stamps: Any, path: str, locate: Locate) -> bool:
    missing = stamps.isna().to_numpy()
    if missing.any():
        msg = "the time is missing in this row; every row needs its time"
        raise NoTimeError(msg, rows=missing, path=path, locate=locate)
    zoned = stamps.str.contains(_ZONE, regex=True).to_numpy(dtype=bool)
    if zoned.any() and not zoned.all():
        odd = zoned != (2 * np.count_nonzero(zoned) > len(zoned))
        row, usual = int(np.argmax(odd)), int(np.argmin(odd))
        if not is_moment(str(stamps.iloc[row])):
            raise _not_understood(stamps, odd, path, locate)
        one, other = stamps.iloc[row], stamps.iloc[usual]
        msg = f"of the time '{one}' and others, such as '{other}', only one states a zone"
        raise NoTimeError(msg, rows=odd, path=path, locate=locate)
    return bool(zoned.all())


def _not_understood(stamps: Any, wrong: Any, path: str, locate: Locate) -> NoTimeError:
    rows = np.asarray(wrong, dtype=bool)
    msg = (
        f"the time '{stamps.iloc[int(np.argmax(rows))]}' is not understood; write it as 2026-01-31T12:00:00Z"
    )
    return NoTimeError(msg, rows=rows, path=path, locate=locate)
