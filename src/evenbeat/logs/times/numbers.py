"""A time column of numbers → times: Unix time to the nanosecond, days (MJD, spreadsheets), elapsed time."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.form.cells import shape_of
from evenbeat.logs.rows.stamps import IntArray
from evenbeat.logs.terms import TimeForm
from evenbeat.logs.times.leap_seconds import leap_second_finding
from evenbeat.logs.times.timestamps import Locate, NoTimeError, Times, blocks_of_rows, seconds_since_first
from evenbeat.logs.times.wrapping import (
    CLOCK_WORDS,
    WEEK_S,
    across_midnights,
    across_weeks,
    looks_like_clock,
    seconds_of_clock,
)
from evenbeat.quantities import FloatArray
from evenbeat.units import MJD_OF_UNIX_EPOCH, SECONDS_PER_DAY, duration_text, parse_duration

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


@dataclass(frozen=True, eq=False, kw_only=True)
class Decimals:
    """Numbers as whole part and fraction, each exact: float64 alone does not hold Unix nanoseconds.

    Parameters
    ----------
    whole
        Shape (rows,).
    fraction
        Shape (rows,), from 0 to below 1; ``None`` where all are whole.
    """

    whole: IntArray
    fraction: FloatArray | None = None

    @property
    def floats(self) -> FloatArray:
        """The numbers as float64, shape (rows,)."""
        values = self.whole.astype(float)
        return values if self.fraction is None else values + self.fraction

    def in_ns(self, unit_ns: int, epoch: int = 0) -> IntArray:
        """Return nanoseconds since an epoch that is a whole number of units."""
        ns = (self.whole - epoch) * unit_ns
        return ns if self.fraction is None else ns + np.rint(self.fraction * unit_ns).astype(np.int64)


def decimals_of_floats(values: FloatArray) -> Decimals:
    """Return float64 as whole part and fraction; neither loses a bit."""
    whole = np.floor(values)
    return Decimals(whole=whole.astype(np.int64), fraction=values - whole)


def times_from_numbers(
    numbers: FloatArray | Decimals,
    *,
    words: str,
    unit: str | None,
    path: str,
    locate: Locate,
    stated: bool = False,
) -> Times:
    """Return the times of a column of numbers: Unix time, MJD, serial days of a spreadsheet, elapsed time.

    Parameters
    ----------
    words, unit
        What the name of the column says.
    stated
        The caller stated the unit, which then is not doubted.

    Raises
    ------
    LogError
        If a time is missing, or not within what its form allows, or its unit cannot be told: bare numbers
        that would be of a year before 1990 or after 2060, or span more than a century.

    Notes
    -----
    Days of a spreadsheet count from 1899-12-30, as ISO/IEC 29500-1 (18.17.4) has it after February 1900.
    """
    values = numbers.floats if isinstance(numbers, Decimals) else numbers
    if np.isnan(values.min()):
        msg = "the time is missing in this row; every row needs its time"
        raise NoTimeError(msg, rows=np.isnan(values), path=path, locate=locate)
    clock = _clock_times(values, words, unit)
    if clock is not None:
        return clock
    form, scale = _number_form(values, words, unit, path, stated=stated)
    if form == "elapsed":
        of_week = unit is None and scale != 1 and bool(_OF_WEEK.search(words))
        assumed = _form_finding(form, words, scale) if of_week else ()
        if not stated and (values.max() - values.min()) * scale > _LONGEST_S:
            raise _unit_unclear(values, f"as time in {_UNIT_NAMES.get(scale, unit)}", path)
        seconds, wrapped = across_weeks((values - values[0]) * scale)
        return Times(seconds=seconds, start=None, form=form, scale=scale, findings=(*assumed, *wrapped))
    unit_ns, epoch = {
        "mjd": (_DAY_NS, MJD_OF_UNIX_EPOCH),
        "spreadsheet": (_DAY_NS, _SPREADSHEET_UNIX_EPOCH),
    }.get(form, (round(scale * 1e9), 0))
    _check_range(values, unit_ns, epoch, form=form, path=path, locate=locate)
    if isinstance(numbers, Decimals):
        ns = numbers.in_ns(unit_ns, epoch)
    else:
        ns = np.empty(len(values), dtype=np.int64)
        for block in blocks_of_rows(len(values)):
            ns[block] = decimals_of_floats(values[block]).in_ns(unit_ns, epoch)
    assumed = _form_finding(form, words, scale)
    years = np.array([ns.min(), ns.max()]).view("datetime64[ns]").astype("datetime64[Y]").astype(int) + 1970
    if assumed and not (stated or (years[0] >= _YEARS[0] and years[1] <= _YEARS[1])):
        raise _unit_unclear(values, f"as {_form_name(form, scale)} (year {years[0]})", path)
    return absolute_times(ns, form=form, findings=assumed)


def _unit_unclear(values: FloatArray, read: str, path: str) -> LogError:
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
    return LogError(msg, path=path)


def _clock_times(values: FloatArray, words: str, unit: str | None) -> Times | None:
    """Return times of day written as hhmmss, ``None`` where neither name nor numbers say that they are."""
    stated = bool(CLOCK_WORDS.search(words))
    if not stated and (words or unit or not looks_like_clock(values[:10_000])):
        return None
    of_day = seconds_of_clock(values)
    if of_day is None:
        return None
    seconds, finding = across_midnights(of_day)
    findings = (finding,) if stated else (finding, *_form_finding("time_of_day", "", 1.0))
    return Times(seconds=seconds, start=None, form="time_of_day", findings=findings)


def times_from_days(days: FloatArray, seconds: FloatArray, *, words: str, path: str, locate: Locate) -> Times:
    """Return the times of a column of MJD beside one of seconds of the day.

    Raises
    ------
    LogError
        If a time is missing, or a day or second is out of range.
    """
    bad = ~(np.isfinite(days) & np.isfinite(seconds))
    wrong = bad | ~((seconds >= 0) & (seconds <= SECONDS_PER_DAY + 1)) | (np.abs(days) > 1e5)
    if wrong.any():
        row = int(np.argmax(wrong))
        msg = "the time is missing in this row; every row needs its time"
        if not bad[row]:
            msg = f"day {days[row]:.15g} with second {seconds[row]:.15g} of the day is no time"
        raise NoTimeError(msg, rows=wrong, path=path, locate=locate)
    whole = decimals_of_floats(days).in_ns(_DAY_NS, MJD_OF_UNIX_EPOCH)
    finding = () if re.search(r"\bmjd\b", words) else _form_finding("mjd", "", 0.0)
    return absolute_times(whole + np.rint(seconds * 1e9).astype(np.int64), form="split_mjd", findings=finding)


def absolute_times(ns: IntArray, *, form: TimeForm, findings: tuple[Finding, ...] = ()) -> Times:
    """Return times from nanoseconds since 1970-01-01T00:00:00 UTC."""
    seconds = seconds_since_first(ns)
    start = ns[:1].view("datetime64[ns]")[0]
    leap = leap_second_finding(start, float(seconds[-1]))
    return Times(seconds=seconds, start=start, form=form, findings=(*findings, *leap), ns=ns)


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


def many_digits(cells: list[str]) -> bool:
    """Return whether float64 would lose digits of these cells, which are large enough to be Unix time."""
    cells = list({shape_of(cell) for cell in cells})
    digits = [len(re.sub(r"\D", "", cell)) for cell in cells]
    large = [len(re.split("[.,]", cell.lstrip("+"))[0]) >= 5 for cell in cells]
    plain = all(re.fullmatch(r"\+?\d+(?:[.,]\d*)?", cell) for cell in cells)
    return bool(cells) and plain and all(large) and max(digits) > 15


def _check_range(
    values: FloatArray, unit_ns: int, epoch: int, *, form: TimeForm, path: str, locate: Locate
) -> None:
    ends = np.array([values.min(), values.max()])
    if not (np.abs(ends - epoch) * (unit_ns * 1e-9) < _LATEST_S).all():
        outside = ~(np.abs(values - epoch) * (unit_ns * 1e-9) < _LATEST_S)
        msg = f"the time is {values[int(np.argmax(outside))]:.15g}, which is no {form} time"
        raise NoTimeError(msg, rows=outside, path=path, locate=locate)


def _number_form(
    values: FloatArray, words: str, unit: str | None, path: str, *, stated: bool
) -> tuple[TimeForm, float]:
    first = abs(float(values[0]))
    for pattern, form in _DAY_WORDS:
        if re.search(pattern, words):
            return form, SECONDS_PER_DAY
    if unit is not None and (stated or not re.search(_UNIX_WORDS, words)):
        scale = _seconds_per_unit(unit, path)
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
    if (form == "unix" and re.search(_UNIX_WORDS, words)) or (
        form == "spreadsheet" and re.search(_SPREADSHEET_WORDS, words)
    ):
        return ()
    sentence = f"The time column was taken as {_form_name(form, scale)} because of the size of its numbers."
    return (Finding(code="ASSUMED_TIME_FORM", severity="note", sentence=sentence, values={"form": form}),)


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
