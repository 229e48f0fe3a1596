"""A time column → moments and seconds: texts or numbers, zones, leap seconds, weeks that begin anew."""

from __future__ import annotations

import contextlib
import re
import zoneinfo
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.dates import iso_date, order_of_dates
from evenbeat.epochs import IntArray
from evenbeat.errors import LogError, NoTimeError, RowError
from evenbeat.findings import Finding, caution, note
from evenbeat.intake import let_go, mapping_of
from evenbeat.logs.terms import Form, TimeForm
from evenbeat.quantities import FloatArray
from evenbeat.units import MJD_OF_UNIX_EPOCH, SECONDS_PER_DAY, counted, duration_text, parse_duration

LEAP_SECONDS = np.array(
    [
        "1972-07", "1973-01", "1974-01", "1975-01", "1976-01", "1977-01", "1978-01", "1979-01", "1980-01",
        "1981-07", "1982-07", "1983-07", "1985-07", "1988-01", "1990-01", "1991-01", "1992-07", "1993-07",
        "1994-07", "1996-01", "1997-07", "1999-01", "2006-01", "2009-01", "2012-07", "2015-07", "2017-01",
    ],
    dtype="datetime64[ns]",
)  # fmt: skip
"""UTC days that began after a leap second (IERS Bulletin C)."""


def leap_second_finding(start: np.datetime64 | None, duration_s: float) -> tuple[Finding, ...]:
    """Return a finding where a leap second lies within a log stamped in UTC."""
    if start is None or not duration_s < 9e9:
        return ()
    stop = start + np.timedelta64(round(duration_s * 1e9), "ns")
    within = LEAP_SECONDS[(start < LEAP_SECONDS) & (stop >= LEAP_SECONDS)]
    if not len(within):
        return ()
    days = ", ".join(str(moment.astype("datetime64[D]")) for moment in within)
    sentence = (
        f"{counted(len(within), 'leap second lies', 'leap seconds lie')} within the log (before "
        f"{days}); time stamps in UTC do not count "
        "them, so a time error measured by them would step by a second there, which was not corrected."
    )
    return (note("LEAP_SECOND", sentence, leap_seconds=len(within)),)


WEEK_S = 7 * SECONDS_PER_DAY
_WITHIN = 1.5  # steps that the first row of a new week or day may be away from its place


def across_midnights(seconds: FloatArray) -> tuple[FloatArray, Finding]:
    """Return seconds of the day as seconds since the first, a day added at each midnight."""
    midnights = np.concatenate([[0], np.cumsum(np.diff(seconds) < -SECONDS_PER_DAY / 2)])
    sentence = (
        "The time column holds times of day without a date; the start stays unknown, and a day was added "
        f"at each of {counted(midnights[-1], 'midnight')}."
    )
    finding = caution("NO_DATE", sentence)
    total = seconds + SECONDS_PER_DAY * midnights
    return total - total[0], finding


def across_weeks(seconds: FloatArray) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return elapsed times with a day or a week added wherever they fall by one less a step."""
    steps = np.diff(seconds)
    falls = np.flatnonzero(steps < 0)
    if not len(falls) or not (steps > 0).any():
        return seconds, ()
    step = float(np.median(steps[steps > 0]))
    for span, name in ((WEEK_S, "week"), (SECONDS_PER_DAY, "day")):
        if (np.abs(steps[falls] + span - step) < _WITHIN * step).all() and step < span / 10:
            turns = np.concatenate([[0], np.cumsum(steps < 0)])
            sentence = (
                f"The time begins anew {counted(len(falls), 'time')} after a {name}, which was added there."
            )
            finding = note("TIME_WRAPPED", sentence, turns=len(falls), span_s=span)
            return seconds + span * turns, (finding,)
    return seconds, ()


_SECOND_NS = 1_000_000_000
_Stamp = tuple[str, int, bool, bool]
_STAMPS = np.dtype([("day", int), ("ns", int), ("zoned", bool), ("leap", bool), ("known", bool)])
_ALIKE = re.compile(rb"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,9})?)?)(?:(Z)|([+-])(\d\d):?(\d\d))?")
_PARTS = re.compile(
    r"@?(\d{1,4}[-/. :](?:[A-Za-z]{3,9}|\d{1,3})(?:[-/. ]\d{1,4})?)(?:[T:_-]\s*|\s+|$)(.*)", re.ASCII
)
_CLOCK = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d+))?)?\s*([AaPp][Mm])?\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})?", re.ASCII
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Moments:
    """Moments of the rows."""

    # shape (rows,), nanoseconds since 1970-01-01T00:00:00 of the scale in which they are written, or since
    # the midnight of a date whose order is still to be told
    ns: IntArray
    zoned: bool  # whether each states its zone, so that they are UTC
    # dates, day: texts of such dates (empty for a time of day alone), and which of them each row has, -1 for
    # none
    dates: tuple[str, ...] = ()
    day: IntArray | None = None
    leap: npt.NDArray[np.bool_] | None = None  # rows within a leap second, which is written as second 60
    # rows whose time is missing (``None``), not understood, or the only one with or without a zone
    odd: Mapping[int, str | None] = field(default_factory=dict)
    example: str = ""  # one of the other texts

    def kept(self, rows: IntArray) -> Moments:
        """Return some of the rows."""
        odd = {}
        if self.odd:
            place = {int(row): at for at, row in enumerate(rows.tolist())}
            odd = {place[row]: text for row, text in self.odd.items() if row in place}
        return replace(
            self,
            ns=self.ns[rows],
            day=None if self.day is None else self.day[rows],
            leap=None if self.leap is None else self.leap[rows],
            odd=odd,
        )


def stamp_in(text: str) -> _Stamp | None:
    """Return date, nanoseconds since midnight, whether a zone is stated, and whether it is a leap second.

    ``None`` where a text is no moment. The date is empty for a time of day alone, which states its seconds.
    """
    text = text.strip()
    clock, date = _CLOCK.fullmatch(text), ""
    if clock is None:
        parts = _PARTS.fullmatch(text)
        if parts is None:
            return None
        date, clock = parts.group(1), _CLOCK.fullmatch(parts.group(2).strip() or "00:00")
        if date[:4].isdigit() and iso_date(date, "day-first") is None:
            return None
    elif clock.group(3) is None or clock.group(6):
        return None
    if clock is None:
        return None
    hour, minute, second = int(clock.group(1)), int(clock.group(2)), int(clock.group(3) or 0)
    half, zone = clock.group(5), clock.group(6)
    if half and hour <= 12:
        hour = hour % 12 + 12 * (half in ("PM", "pm", "Pm", "pM"))
    if hour > 23 or minute > 59 or second > 60:
        return None
    ns = (hour * 60 + minute) * 60 + min(second, 59)
    if zone and zone[0] in "+-":
        east = int(zone[1:3]) * 3600 + int(zone[-2:]) * 60
        ns += east if zone[0] == "-" else -east
    return date, ns * _SECOND_NS + int((clock.group(4) or "")[:9].ljust(9, "0")), bool(zone), second == 60


def moments_in(cells: npt.NDArray[Any]) -> Moments:
    """Return the moments of a column of texts, or of bytes all as long; what is no text is missing."""
    alike = cells
    if cells.dtype.kind != "S" and all(isinstance(cell, str) for cell in cells.tolist()):
        with contextlib.suppress(UnicodeEncodeError):
            alike = np.array(cells.tolist(), dtype="S")
    moments = _iso_moments(alike) if alike.dtype.kind == "S" else None
    return moments or _by_parts(texts_of(cells).tolist())


def end_to_end(parts: Sequence[Moments], ns: IntArray) -> Moments:
    """Return the moments of consecutive parts as one, whose nanoseconds stand in one row already."""
    if len(parts) == 1:
        return parts[0]
    zoned = 2 * sum(len(part.ns) for part in parts if part.zoned) > sum(len(part.ns) for part in parts)
    dates = tuple(dict.fromkeys(text for part in parts for text in part.dates))
    number = {text: at for at, text in enumerate(dates)}
    odd: dict[int, str | None] = {}
    days, first = [], 0
    for part in parts:
        rows = len(part.ns)
        if part.zoned == zoned:
            odd |= {first + row: text for row, text in part.odd.items()}
        else:
            odd |= dict.fromkeys(range(first, first + rows), part.example)
        codes = np.array([*(number[text] for text in part.dates), -1], dtype=np.int64)
        days.append(np.full(rows, -1, dtype=np.int64) if part.day is None else codes[part.day])
        first += rows
    leaps = [np.zeros(len(part.ns), dtype=bool) if part.leap is None else part.leap for part in parts]
    return Moments(
        ns=ns,
        zoned=zoned,
        dates=dates,
        day=np.concatenate(days) if dates else None,
        leap=np.concatenate(leaps) if any(part.leap is not None for part in parts) else None,
        odd=odd,
        example=next(part.example for part in parts if part.zoned == zoned),
    )


def texts_of(cells: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return a column of bytes as texts; one of texts as it is."""
    if cells.dtype.kind != "S":
        return cells
    return np.array([cell.decode(errors="replace") for cell in cells.tolist()], dtype=object)


def _iso_moments(cells: npt.NDArray[np.bytes_]) -> Moments | None:
    """Return moments in ISO 8601 that differ in digits and decimals but not in their zone, else ``None``."""
    ns = np.empty(len(cells), dtype=np.int64)
    widths, zoned = np.char.str_len(cells), set[bool]()
    different = np.unique(widths).tolist()
    for width in different:
        rows: Any = widths == width if len(different) > 1 else slice(None)
        match = _ALIKE.fullmatch(cells[rows][0])
        if match is None or len(zoned) > 1:
            return None
        alike, stop = cells[rows].astype(f"S{width}", copy=False), match.end(1)
        codes = alike.view(np.uint8).reshape(-1, width)
        digits = codes[:, :stop] - np.uint8(ord("0")) < 10
        same = np.concatenate([np.flatnonzero(~digits[0]), np.arange(stop, width)])
        centuries = codes[:, 0].astype(np.int64) * 10 + codes[:, 1] - 11 * ord("0")
        if (digits != digits[0]).any() or (codes[:, same] != codes[0, same]).any():
            return None
        if centuries.min() < 17 or centuries.max() > 21:
            return None
        try:
            ns[rows] = alike.astype(f"S{stop}", copy=False).astype("datetime64[ns]").astype(np.int64)
        except ValueError:
            return None
        if match.group(3):
            east_s = int(match.group(4)) * 3600 + int(match.group(5)) * 60
            ns[rows] += _SECOND_NS * (east_s if match.group(3) == b"-" else -east_s)
        zoned.add(stop < width)
    return Moments(ns=ns, zoned=zoned.pop(), example=cells[0].decode()) if len(zoned) == 1 else None


def _by_parts(cells: Sequence[object]) -> Moments:
    """Return the moments of texts; each minute, and each end behind it, is looked at once.

    Minutes are few beside rows, and so are ends that have few decimals.
    """
    texts = [cell if isinstance(cell, str) else "" for cell in cells]
    heads, tails, timed = list[str](), list[str](), np.zeros(len(texts), dtype=bool)
    for row, text in enumerate(texts):
        stop = len(text)
        if text[-6:-5] in ("+", "-") and text[-3:-2] == ":":
            stop -= 6
        cut = text.rfind(":", 0, stop)
        half = text[-2:] if text[-1:] in ("M", "m") else ""  # of the day, which the minute needs
        heads.append(text[: max(cut, 0)] + half)
        tails.append(text[cut + 1 : -2] if half else text[cut + 1 :])
        timed[row] = cut >= 0
    dates: dict[str, int] = {}
    found = _looked_up(heads, _minute, dates)
    ends = _looked_up(tails, lambda tail: stamp_in(f"2000-01-01 00:00:{tail}"), {})
    found["ns"] += ends["ns"]
    found["zoned"], found["leap"] = ends["zoned"], ends["leap"]
    found["known"] &= ends["known"]
    if (rest := np.flatnonzero(~found["known"])).size:
        found[rest] = _looked_up([texts[row] for row in rest.tolist()], stamp_in, dates)
    known, zones, leap = found["known"], found["zoned"], found["leap"]
    if 2 * np.count_nonzero(timed & known) > np.count_nonzero(known):
        known &= timed  # a date alone is how a longer stamp begins
    zoned = bool(2 * np.count_nonzero(zones & known) > np.count_nonzero(known))
    wrong = ~known | (zones != zoned)
    return Moments(
        ns=found["ns"].copy(),
        zoned=zoned,
        dates=tuple(dates),
        day=found["day"].copy(),
        leap=leap.copy() if leap.any() else None,
        odd={row: texts[row] if texts[row].strip() else None for row in np.flatnonzero(wrong).tolist()},
        example=texts[int(np.argmin(wrong))],
    )


def _looked_up(
    texts: Sequence[str], look: Callable[[str], _Stamp | None], dates: dict[str, int]
) -> npt.NDArray[Any]:
    """Return what texts state; each different one is looked at once."""
    number = {text: at for at, text in enumerate(dict.fromkeys(texts))}
    found = [
        (-1, 0, False, False, False)
        if (stamp := look(text)) is None
        else (dates.setdefault(stamp[0], len(dates)), *stamp[1:], True)
        for text in number
    ]
    return np.array(found, dtype=_STAMPS)[[number[text] for text in texts]]


def _minute(text: str) -> _Stamp | None:
    """Return what a stamp without its seconds states, ``None`` where it does not end in a minute."""
    text, half = (text[:-2], f" {text[-2:]}") if text[-1:] in ("M", "m") else (text, "")
    first, last = stamp_in(f"{text}:00{half}"), stamp_in(f"{text}:59{half}")
    ends_in_minute = first is not None and last is not None and last[1] - first[1] == 59 * _SECOND_NS
    return first if ends_in_minute else None


_BLOCK_ROWS = 1 << 15
_LONE_YEARS = (1700, 2200)


@dataclass(frozen=True, eq=False, kw_only=True)
class Times:
    """When the rows were written."""

    seconds: FloatArray  # shape (rows,), seconds since the first row
    start: np.datetime64 | None  # UTC of the first row, ``None`` for elapsed time
    form: TimeForm  # how the column writes time
    scale: float = 1.0  # seconds in a unit of a column of elapsed time
    findings: tuple[Finding, ...] = ()
    # shape (rows,), nanoseconds from any zero, where the log states them so that they are exact
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


def times_from_moments(
    moments: Moments, *, time_zone: str | None, scale: str = "UTC", date_order: str | None = None
) -> Times:
    """Return the times of moments, local ones brought to UTC where their zone is known."""
    if moments.odd:
        rows = np.zeros(len(moments.ns), dtype=bool)
        rows[list(moments.odd)] = True
        text = moments.odd[int(np.argmax(rows))]
        if text is None:
            msg = "the time is missing in this row; every row needs its time"
        elif stamp_in(text) is None or not moments.example:
            msg = f"the time '{text}' is not understood; write it as 2026-01-31T12:00:00Z"
        else:
            msg = f"of the time '{text}' and others, such as '{moments.example}', only one states a zone"
        raise NoTimeError(msg, rows)
    if moments.dates == ("",):
        seconds, finding = across_midnights(moments.ns * 1e-9)
        return Times(seconds=seconds, start=None, form="time_of_day", findings=(finding,))
    ns, order = _dated(moments, date_order)
    stamps = ns.view("datetime64[ns]")
    if not moments.zoned and time_zone is not None:
        stamps = _localized(stamps, time_zone)
    ns = stamps.view(np.int64)
    seconds = seconds_since_first(ns)
    findings: tuple[Finding, ...] = ()
    if moments.zoned and time_zone is not None:
        sentence = f"The time stamps state their own zone, so the time zone {time_zone} was not used."
        findings = (note("TIME_ZONE_UNUSED", sentence),)
    elif not moments.zoned and time_zone is None:
        sentence = (
            "The time stamps state no zone and were taken as UTC; local time would repeat or skip an hour "
            "when clocks are changed (state the zone with --set time_zone=… or time_zone)."
        )
        findings = (note("NO_TIME_ZONE", sentence),)
    if moments.leap is not None:
        begun = np.diff(moments.leap.astype(np.int8), prepend=np.int8(0)) > 0
        ns = ns + np.cumsum(begun) * 1_000_000_000
        seconds = seconds_since_first(ns)
        count = int(np.count_nonzero(begun))
        sentence = f"The log writes {counted(count, 'leap second')} as second 60; the times after count them."
        leap = (note("LEAP_SECOND", sentence, leap_seconds=count),)
        findings = (*leap, *findings)
    elif scale == "UTC":
        findings = (*findings, *leap_second_finding(stamps[0], float(seconds[-1])))
    return Times(seconds=seconds, start=stamps[0], form="iso", findings=(*order, *findings), ns=ns)


def _dated(moments: Moments, date_order: str | None) -> tuple[IntArray, tuple[Finding, ...]]:
    """Return nanoseconds since 1970; all dates have their day in one place, and few are behind many rows."""
    if moments.day is None:
        return moments.ns, ()
    found = order_of_dates(moments.dates, date_order)
    if found.order is None:
        raise RowError(found.problem, int(np.argmax(moments.day == found.at)))
    written = [iso_date(text, found.order) if text else None for text in moments.dates]
    midnights = np.array([text or "NaT" for text in written], dtype="datetime64[D]")
    years = np.array([int(text[:4]) if text else 0 for text in written])
    wrong = np.append((years < _LONE_YEARS[0]) | (years > _LONE_YEARS[1]), False)[moments.day]
    if wrong.any():
        text = moments.dates[int(moments.day[np.argmax(wrong)])]
        msg = f"the time '{text}' is not understood; write it as 2026-01-31T12:00:00Z"
        raise NoTimeError(msg, wrong)
    days = np.append(midnights.astype("datetime64[ns]").astype(np.int64), 0)
    return moments.ns + days[moments.day], found.findings


def seconds_since_first(ns: IntArray) -> FloatArray:
    """Return seconds since the first of moments in nanoseconds, shape (rows,)."""
    seconds = np.empty(len(ns))
    for block in blocks_of_rows(len(ns)):
        np.multiply(ns[block] - ns[0], 1e-9, out=seconds[block])
        let_go(mapping_of(ns))
    return seconds


def blocks_of_rows(rows: int) -> Iterator[slice]:
    """Yield slices that fit a cache."""
    return (slice(first, first + _BLOCK_ROWS) for first in range(0, rows, _BLOCK_ROWS))


def _localized(stamps: Any, time_zone: str) -> Any:
    """Return local times as UTC."""
    import pandas as pd

    try:
        zone = zoneinfo.ZoneInfo(time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        msg = f"the time zone '{time_zone}' is not known; give a name such as UTC or Europe/Oslo"
        raise LogError(msg) from None
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
            raise NoTimeError(msg, lost) from None
    return localized.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[ns]")


_UNIX_SCALES = ((1e8, 1e10, 1.0), (1e11, 1e13, 1e-3), (1e14, 1e16, 1e-6), (1e17, 1e19, 1e-9))
_UNIX_RANGE_S = (9e8, 5e9)  # 1998 to 2128
_MJD_RANGE = (30_000, 90_000)
_SPREADSHEET_RANGE = (36_526, 51_136)  # 2000 to 2040; as MJD that would be 1958 to 1998
_SPREADSHEET_UNIX_EPOCH = 25_569
_DAY_NS = 86_400_000_000_000
_LATEST_S = 9e9  # beyond it nanoseconds since 1970 leave 64 bits
_UNIX_WORDS = r"\b(?:unix|epoch|posix)\b"
_OF_WEEK = re.compile(r"\b(?:tow|time of week)\b")
_UNIT_NAMES = {1.0: "seconds", 1e-3: "milliseconds", 1e-6: "microseconds", 1e-9: "nanoseconds"}
_YEARS = (1990, 2060)  # of bare numbers; others are rather in another unit
_LONGEST_S = 100 * 365.25 * SECONDS_PER_DAY
_SHORTEST_STEP_S = 1e-4
_SPREADSHEET_WORDS = r"\b(?:excel|serial|spreadsheet)\b"


_DAY_WORDS: tuple[tuple[str, TimeForm], ...] = (
    (r"\bmjd\b", "mjd"),
    (_SPREADSHEET_WORDS, "spreadsheet"),
    (r"\bdoy\b|\bday of year\b", "elapsed"),
)


def exact_number(cell: str, form: Form, decimals: int) -> int | None:
    """Return the time in a cell as a whole number of its last decimal, ``None`` where 64 bits hold none.

    Of more decimals the first are taken, but of times without any no row may have one.
    """
    whole, _, fraction = cell.removeprefix("+").partition(form.decimal)
    if not (whole.isdecimal() and whole.isascii() and (not fraction or fraction.isdecimal())):
        return None
    if not decimals and fraction.strip("0"):
        return None
    number = int(whole + fraction[:decimals].ljust(decimals, "0"))
    return number if number < 1 << 63 else None


def exact_decimals(cells: list[str], decimal: str) -> int | None:
    """Return how many decimals 64 bits hold of times of which float64 would lose digits, ``None`` of others.

    Such times are large enough to be Unix time.
    """
    parts = [cell.removeprefix("+").partition(decimal)[::2] for cell in cells]
    digits = max((len(whole + fraction) for whole, fraction in parts), default=0)
    if digits <= 15 or not all(re.fullmatch(r"\d{5,}\.\d*", f"{w}.{f}", re.ASCII) for w, f in parts):
        return None
    longest = max(len(whole) for whole, _ in parts)
    room = 18 - longest + all(whole < "9" for whole, _ in parts)  # digits that 64 bits hold
    if longest < 10 and not all(_MJD_RANGE[0] <= int(whole) < _MJD_RANGE[1] for whole, _ in parts):
        room = 16 - longest  # elapsed time grows
    return max(0, min(room, max(len(fraction) for _, fraction in parts)))


def floats_of(numbers: npt.NDArray[Any], decimals: int = 0) -> FloatArray:
    """Return numbers, whole ones with so many decimals too, as float64, shape (rows,)."""
    floats = numbers.astype(float, copy=False)
    return floats / 10.0**decimals if decimals else floats


def _in_ns(numbers: npt.NDArray[Any], decimals: int, unit_ns: int, epoch: int = 0) -> IntArray:
    """Return nanoseconds since an epoch that is a whole number of units; no bit of a float is lost."""
    if numbers.dtype == np.int64 and (decimals, unit_ns, epoch) == (0, 1, 0):
        return numbers  # may lie in a file
    if numbers.dtype.kind in "iu" and not decimals:
        return (numbers - epoch) * unit_ns
    ns, parts = np.empty(len(numbers), dtype=np.int64), 10**decimals
    for block in blocks_of_rows(len(numbers)):
        some = numbers[block]
        whole = some // parts if some.dtype.kind in "iu" else np.floor(some).astype(np.int64)
        fraction = (some - whole * parts) / parts
        ns[block] = (whole - epoch) * unit_ns + np.rint(fraction * unit_ns).astype(np.int64)
    return ns


def times_from_numbers(
    numbers: npt.NDArray[Any], *, words: str, unit: str | None, decimals: int = 0, stated: bool = False
) -> Times:
    """Return the times of a column of numbers: Unix time, MJD, serial days of a spreadsheet, elapsed time.

    A unit that the caller stated is not doubted. Days of a spreadsheet count from 1899-12-30, as ISO/IEC
    29500-1 (18.17.4) has it after February 1900.
    """
    values = floats_of(numbers, decimals)
    if np.isnan(values.min()):
        msg = "the time is missing in this row; every row needs its time"
        raise NoTimeError(msg, np.isnan(values))
    clock = _clock_times(values, words, unit)
    if clock is not None:
        return clock
    form, scale = _number_form(values, words, unit, stated=stated)
    if form == "elapsed":
        of_week = unit is None and scale != 1 and bool(_OF_WEEK.search(words))
        assumed = _form_finding(form, words, scale) if of_week else ()
        if not stated and (values.max() - values.min()) * scale > _LONGEST_S:
            raise _unit_unclear(values, f"as time in {_UNIT_NAMES.get(scale, unit)}")
        seconds, wrapped = across_weeks((values - values[0]) * scale)
        return Times(seconds=seconds, start=None, form=form, scale=scale, findings=(*assumed, *wrapped))
    epochs = {"mjd": MJD_OF_UNIX_EPOCH, "spreadsheet": _SPREADSHEET_UNIX_EPOCH}
    unit_ns, epoch = round(scale * 1e9), epochs.get(form, 0)
    if max(values.max() - epoch, epoch - values.min()) * (unit_ns * 1e-9) >= _LATEST_S:
        outside = np.abs(values - epoch) * (unit_ns * 1e-9) >= _LATEST_S
        msg = f"the time is {values[int(np.argmax(outside))]:.15g}, which is no {form} time"
        raise NoTimeError(msg, outside)
    ns = _in_ns(numbers, decimals, unit_ns, epoch)
    assumed = _form_finding(form, words, scale)
    years = np.array([ns.min(), ns.max()]).view("datetime64[ns]").astype("datetime64[Y]").astype(int) + 1970
    if assumed and not (stated or (years[0] >= _YEARS[0] and years[1] <= _YEARS[1])):
        raise _unit_unclear(values, f"as {_form_name(form, scale)} (year {years[0]})")
    return absolute_times(ns, form=form, findings=assumed)


def _unit_unclear(values: FloatArray, read: str) -> LogError:
    """Return the refusal of times that would be far away or last too long, with what else they could be."""
    step, span = float(np.median(np.abs(np.diff(values)))), float(np.ptp(values))
    others = [
        f"every {duration_text(step * scale)} over {duration_text(span * scale)} in {unit} "
        f"(--set time_unit={unit})"
        for unit, scale in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9))
        if span * scale <= _LONGEST_S and step * scale >= _SHORTEST_STEP_S
    ]
    told = f"{read} its rows would lie {step:.3g} apart over {span:.3g}" if "year" not in read else read
    msg = (
        f"the numbers of the time column, such as {values[0]:.15g}, make no sense {told}; elapsed time would "
        f"be {' or '.join(others) or 'too long in any unit'}: say its unit with --set time_unit=… (time_unit)"
    )
    return LogError(msg)


def _clock_times(values: FloatArray, words: str, unit: str | None) -> Times | None:
    """Return times of day written as hhmmss, ``None`` where neither name nor numbers say that they are.

    Numbers without a name say so where they jump by 40 as a minute is full, or by 4040 as an hour is.
    """
    stated = re.search(r"\bhh ?mm ?ss\b", words) is not None
    if not stated and (words or unit or len(values) < 3):
        return None
    hours, minutes, seconds = values // 10_000, values // 100 % 100, values % 100
    if not ((values >= 0) & (hours < 24) & (minutes < 60) & (seconds < 60)).all():
        return None
    of_day = hours * 3600 + minutes * 60 + seconds
    if not stated:
        step = float(np.median(np.diff(values[:10_000])))
        over = np.unique(np.diff(values[:10_000])) - step
        even = step > 0 and np.allclose(np.diff(of_day[:10_000]), step)
        if not (even and np.isin(over, (0, 40, 4040)).all() and (over > 0).any()):
            return None
    seconds, finding = across_midnights(of_day)
    findings = (finding,) if stated else (finding, *_form_finding("time_of_day", "", 1.0))
    return Times(seconds=seconds, start=None, form="time_of_day", findings=findings)


def times_from_days(days: FloatArray, seconds: FloatArray, *, words: str) -> Times:
    """Return the times of a column of MJD beside one of seconds of the day."""
    bad = ~(np.isfinite(days) & np.isfinite(seconds))
    wrong = bad | ~((seconds >= 0) & (seconds <= SECONDS_PER_DAY + 1)) | (np.abs(days) > 1e5)
    if wrong.any():
        row = int(np.argmax(wrong))
        msg = "the time is missing in this row; every row needs its time"
        if not bad[row]:
            msg = f"day {days[row]:.15g} with second {seconds[row]:.15g} of the day is not a time"
        raise NoTimeError(msg, wrong)
    whole = _in_ns(days, 0, _DAY_NS, MJD_OF_UNIX_EPOCH)
    finding = () if re.search(r"\bmjd\b", words) else _form_finding("mjd", "", 0.0)
    return absolute_times(whole + np.rint(seconds * 1e9).astype(np.int64), form="split_mjd", findings=finding)


def absolute_times(ns: IntArray, *, form: TimeForm, findings: tuple[Finding, ...] = ()) -> Times:
    """Return times from nanoseconds since 1970-01-01T00:00:00 UTC."""
    seconds = seconds_since_first(ns)
    start = ns[:1].view("datetime64[ns]")[0]
    leap = leap_second_finding(start, float(seconds[-1]))
    return Times(seconds=seconds, start=start, form=form, findings=(*findings, *leap), ns=ns)


@np.errstate(over="ignore", invalid="ignore")  # cells reach 1e308: no time
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


@np.errstate(over="ignore", invalid="ignore")
def looks_like_days(days: FloatArray, seconds: FloatArray) -> bool:
    """Return whether two unnamed columns are MJD and second of the day, as in logs of daemons."""
    rows = min(len(days), len(seconds))  # some rows may end early
    days, seconds = days[:rows], seconds[:rows]
    if rows < 3 or not (np.isfinite(days).all() and np.isfinite(seconds).all()):
        return False
    low, high = _MJD_RANGE
    whole = bool((days == np.floor(days)).all() and (days >= low).all() and (days < high).all())
    in_day = bool((seconds >= 0).all() and (seconds <= SECONDS_PER_DAY).all())
    total = days * SECONDS_PER_DAY + seconds
    return whole and in_day and bool((np.diff(total) >= 0).all()) and bool(np.ptp(seconds) > 0)


def _number_form(values: FloatArray, words: str, unit: str | None, *, stated: bool) -> tuple[TimeForm, float]:
    first = abs(float(values[0]))
    for pattern, form in _DAY_WORDS:
        if re.search(pattern, words):
            return form, SECONDS_PER_DAY
    if unit is not None and (stated or not re.search(_UNIX_WORDS, words)):
        scale = _seconds_per_unit(unit)
        since_1970 = _UNIX_RANGE_S[0] <= first * scale < _UNIX_RANGE_S[1] and "elapsed" not in words
        return ("unix" if since_1970 and scale <= 1 else "elapsed"), scale
    if _OF_WEEK.search(words):
        return "elapsed", next((s for s in _UNIT_NAMES if values.max() * s <= WEEK_S), 1.0)
    if not re.search(r"\belapsed\b", words):
        unix = [scale for low, high, scale in _UNIX_SCALES if low <= first < high]
        if unix:
            return "unix", unix[0]
        day_step = float(np.median(np.diff(values[:10_000]))) if len(values) > 1 else 0.0
        dated = not words or re.search(r"\b(?:date|datetime|timestamp|utc)\b", words)
        if dated and 0 < day_step < 1 and _SPREADSHEET_RANGE[0] <= first < _SPREADSHEET_RANGE[1]:
            return "spreadsheet", SECONDS_PER_DAY
        if dated and _MJD_RANGE[0] <= first < _MJD_RANGE[1] and 0 < day_step < 1:
            return "mjd", SECONDS_PER_DAY
    return "elapsed", 1.0


def _seconds_per_unit(unit: str) -> float:
    small = {"ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9}
    if unit.lower() in small:
        return small[unit.lower()]
    try:
        return parse_duration(f"1 {unit}")
    except ValueError:
        msg = f"the time column is in '{unit}', which is not a unit of time; use s, ms, min, h or d"
        raise LogError(msg) from None


def _form_finding(form: TimeForm, words: str, scale: float) -> tuple[Finding, ...]:
    if form == "mjd" and words:
        return ()
    if (form == "unix" and re.search(_UNIX_WORDS, words)) or (
        form == "spreadsheet" and re.search(_SPREADSHEET_WORDS, words)
    ):
        return ()
    sentence = f"The time column was taken as {_form_name(form, scale)} because of the size of its numbers."
    return (note("ASSUMED_TIME_FORM", sentence, form=form),)


def _form_name(form: TimeForm, scale: float) -> str:
    """Return how a form of time is called in a sentence."""
    unit = _UNIT_NAMES.get(scale, "seconds")
    names: dict[TimeForm, str] = {
        "time_of_day": "times of day written as hhmmss",
        "mjd": "modified Julian dates",
        "spreadsheet": "serial days of a spreadsheet",
        "elapsed": f"{unit} of the week",
    }
    return names.get(form, f"Unix time in {unit}")
