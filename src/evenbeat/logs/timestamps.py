"""A time column → seconds since its first entry and the UTC of that entry."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.detect import is_moment
from evenbeat.logs.layout import TimeForm
from evenbeat.quantities import FloatArray
from evenbeat.units import MJD_OF_UNIX_EPOCH, SECONDS_PER_DAY, parse_duration

_ZONE = r"(?:Z|UTC|[+-]\d{2}:?\d{2})$"
_UNIX_SCALES = ((1e8, 1e10, 1.0), (1e11, 1e13, 1e-3), (1e14, 1e16, 1e-6), (1e17, 1e19, 1e-9))
_MJD_RANGE = (30_000, 90_000)
_LATEST_S = 9e9  # beyond it nanoseconds since 1970 leave 64 bits


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
    """

    seconds: FloatArray
    start: np.datetime64 | None
    form: TimeForm
    findings: tuple[Finding, ...] = ()


Locate = Callable[[int], int]
"""Row → line number, asked only where a row is to blame."""


def times_from_text(stamps: Any, *, time_zone: str | None, path: str, locate: Locate) -> Times:
    """Return the times of ISO 8601 texts in a pandas series.

    Raises
    ------
    LogError
        If a text is no moment, some but not all state a zone, or the zone is not known.
    """
    import pandas as pd

    zoned = _all_zoned(stamps, path, locate)
    try:
        moments: Any = pd.to_datetime(stamps, format="ISO8601", utc=zoned)
    except (ValueError, OverflowError):
        moments = _slow_moments(stamps, zoned=zoned, path=path, locate=locate)
    if moments.isna().any():
        row = int(np.argmax(moments.isna().to_numpy()))
        raise _not_understood(stamps.iloc[row], path, locate(row))
    finding = _zone_finding(zoned=zoned, time_zone=time_zone)
    if not zoned and time_zone is not None:
        moments = _localized(moments, time_zone, path, locate)
    if moments.dt.tz is not None:
        moments = moments.dt.tz_convert("UTC").dt.tz_localize(None)
    stamps_ns = moments.to_numpy().astype("datetime64[ns]")
    seconds = (stamps_ns - stamps_ns[0]).astype(np.int64) * 1e-9
    return Times(seconds=seconds, start=stamps_ns[0], form="iso", findings=finding)


def times_from_numbers(
    values: FloatArray, *, words: str, unit: str | None, path: str, locate: Locate
) -> Times:
    """Return the times of a column of numbers: Unix time, MJD or elapsed time.

    Parameters
    ----------
    words, unit
        What the name of the column says.

    Raises
    ------
    LogError
        If a time is missing, or not within what its form allows.

    Notes
    -----
    Unix time in nanoseconds passes through float64: the start is right to about 0.3 µs.
    """
    if np.isnan(values).any():
        msg = "the time is missing in this row; every row needs its time"
        raise LogError(msg, path=path, line=locate(int(np.argmax(np.isnan(values)))))
    form, scale = _number_form(values, words, unit, path)
    seconds = (values - values[0]) * scale
    if form == "elapsed":
        return Times(seconds=seconds, start=None, form=form)
    first = float(values[0]) * scale - (MJD_OF_UNIX_EPOCH * SECONDS_PER_DAY if form == "mjd" else 0.0)
    if not abs(first) < _LATEST_S:
        msg = f"the first time is {values[0]:.15g}, which is no {form} time"
        raise LogError(msg, path=path, line=locate(0))
    start = np.datetime64(0, "ns") + np.timedelta64(round(first * 1e6) * 1000, "ns")
    return Times(seconds=seconds, start=start, form=form, findings=_form_finding(form, words, scale))


def looks_like_time(values: FloatArray) -> bool:
    """Return whether an unnamed column of numbers rises as time does: always, and evenly or as Unix time."""
    if len(values) < 3 or np.isnan(values).any():
        return False
    steps = np.diff(values)
    if not (steps >= 0).all() or not (steps > 0).any():
        return False
    unix = any(low <= values[0] < high for low, high, _ in _UNIX_SCALES[1:]) or 9e8 <= values[0] < 5e9
    even = np.median(np.abs(steps - np.median(steps))) <= 0.05 * np.median(steps)
    return bool(even or (unix and (steps > 0).mean() > 0.5))


def _all_zoned(stamps: Any, path: str, locate: Locate) -> bool:
    missing = stamps.isna().to_numpy()
    if missing.any():
        msg = "the time is missing in this row; every row needs its time"
        raise LogError(msg, path=path, line=locate(int(np.argmax(missing))))
    first = str(stamps.iloc[0])
    if first.endswith("Z"):
        zoned = stamps.str.endswith("Z").to_numpy(dtype=bool)
        if zoned.all():
            return True
    zoned = stamps.str.contains(_ZONE, regex=True).to_numpy(dtype=bool)
    if zoned.any() and not zoned.all():
        row = int(np.argmin(zoned) if zoned[0] else np.argmax(zoned))
        if not is_moment(str(stamps.iloc[row])):
            raise _not_understood(stamps.iloc[row], path, locate(row))
        msg = f"of the time '{stamps.iloc[row]}' and the first, '{first}', only one states a zone"
        raise LogError(msg, path=path, line=locate(row))
    return bool(zoned.all())


def _slow_moments(stamps: Any, *, zoned: bool, path: str, locate: Locate) -> Any:
    """Return moments after tidying the spelling (slashes, blanks, ``UTC``, decimal commas)."""
    import pandas as pd

    tidy = stamps.str.replace("/", "-").str.replace(",", ".").str.replace(r"\s*UTC$", "Z", regex=True)
    tidy = tidy.str.replace(r"\s+([Z+-])", r"\1", regex=True).str.replace(r"\s+", "T", regex=True)
    tidy = tidy.str.replace(
        r"^(\d{4})-(\d{1,2})-(\d{1,2})",
        lambda m: f"{m.group(1)}-{int(m.group(2)):02d}-{int(m.group(3)):02d}",
        regex=True,
    )
    tidy = tidy.str.replace(r"T(\d):", r"T0\1:", regex=True)
    moments = pd.to_datetime(tidy, format="ISO8601", utc=zoned, errors="coerce")
    if moments.isna().all():
        raise _not_understood(stamps.iloc[0], path, locate(0))
    return moments


def _not_understood(stamp: Any, path: str, line: int) -> LogError:
    msg = f"the time '{stamp}' is not understood; write it as 2026-01-31T12:00:00Z"
    return LogError(msg, path=path, line=line)


def _localized(moments: Any, time_zone: str, path: str, locate: Locate) -> Any:
    try:
        zone = zoneinfo.ZoneInfo(time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        msg = f"the time zone '{time_zone}' is not known; give a name such as UTC or Europe/Oslo"
        raise LogError(msg, path=path) from None
    localized = moments.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    lost = localized.isna().to_numpy()
    if lost.any():
        try:
            return moments.dt.tz_localize(zone, ambiguous="infer", nonexistent="raise")
        except ValueError:
            row = int(np.argmax(lost))
            msg = (
                f"the local time {moments.iloc[row]} occurs twice or never in {time_zone} because clocks "
                "were changed; log in UTC or cut the log there"
            )
            raise LogError(msg, path=path, line=locate(row)) from None
    return localized


def _zone_finding(*, zoned: bool, time_zone: str | None) -> tuple[Finding, ...]:
    if zoned and time_zone is not None:
        sentence = f"The time stamps state their own zone, so the time zone {time_zone} was not used."
        return (Finding(code="TIME_ZONE_UNUSED", severity="note", sentence=sentence),)
    if zoned or time_zone is not None:
        return ()
    sentence = (
        "The time stamps state no zone and were taken as UTC; local time would jump at clock changes "
        "(state the zone with --time-zone or time_zone)."
    )
    return (Finding(code="NO_TIME_ZONE", severity="note", sentence=sentence),)


def _number_form(values: FloatArray, words: str, unit: str | None, path: str) -> tuple[TimeForm, float]:
    first = abs(float(values[0]))
    if re.search(r"\bmjd\b", words):
        return "mjd", SECONDS_PER_DAY
    if unit is not None and not re.search(r"\b(?:unix|epoch)\b", words):
        return "elapsed", _seconds_per_unit(unit, path)
    if not re.search(r"\belapsed\b", words):
        for low, high, scale in _UNIX_SCALES:
            if low <= first < high:
                return "unix", scale
        day_step = float(np.median(np.diff(values))) if len(values) > 1 else 0.0
        if not words and _MJD_RANGE[0] <= first < _MJD_RANGE[1] and 0 < day_step < 1:
            return "mjd", SECONDS_PER_DAY
    return "elapsed", 1.0


def _seconds_per_unit(unit: str, path: str) -> float:
    small = {"ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9}
    if unit.lower() in small:
        return small[unit.lower()]
    try:
        return parse_duration(f"1 {unit}")
    except ValueError:
        msg = f"the time column is in '{unit}', which is no unit of time; use s, ms, min, h or d"
        raise LogError(msg, path=path) from None


def _form_finding(form: TimeForm, words: str, scale: float) -> tuple[Finding, ...]:
    if form == "mjd" and words:
        return ()
    if form == "unix" and re.search(r"\b(?:unix|epoch)\b", words):
        return ()
    name = {1.0: "seconds", 1e-3: "milliseconds", 1e-6: "microseconds", 1e-9: "nanoseconds"}.get(
        scale, "days"
    )
    what = "modified Julian dates" if form == "mjd" else f"Unix time in {name}"
    sentence = f"The time column was taken as {what} because of the size of its numbers."
    return (Finding(code="ASSUMED_TIME_FORM", severity="note", sentence=sentence, values={"form": form}),)
