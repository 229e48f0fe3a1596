"""Units at the edge: the only place with 86400, 1e-6 and 'ppb'.

Inside evenbeat everything is SI: seconds, hertz, and fractional frequency without a unit.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from decimal import Decimal
from typing import Literal, SupportsInt

from evenbeat.errors import InputError

SECONDS_PER_MINUTE = 60.0
SECONDS_PER_HOUR = 3600.0
SECONDS_PER_DAY = 86400.0
SECONDS_PER_WEEK = 7 * SECONDS_PER_DAY
DAYS_PER_MONTH = 30.44
DAYS_PER_YEAR = 365.25
SECONDS_PER_MONTH = DAYS_PER_MONTH * SECONDS_PER_DAY
SECONDS_PER_YEAR = DAYS_PER_YEAR * SECONDS_PER_DAY
MJD_OF_UNIX_EPOCH = 40587
SCPI_INFINITY = 9.9e37
SCPI_NO_READING = (SCPI_INFINITY, 9.91e37)
"""What instruments answer where they have no reading, of either sign: SCPI-1999, volume 1, 7.2.1.4."""

TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
FREQUENCY_UNITS = {"hz": 1.0, "mhz": 1e6, "khz": 1e3, "ghz": 1e9}
COVARIATE_UNITS = {
    "c": "°C",
    "k": "K",
    "percent": "%",
    "hpa": "hPa",
    "kpa": "kPa",
    "pa": "Pa",
    "v": "V",
    "mv": "mV",
    "a": "A",
    "ma": "mA",
    "w": "W",
}
"""The last word of a covariate's name to its unit."""
FRACTIONAL_UNITS = {"1": 1.0, "ppm": 1e-6, "ppb": 1e-9, "ppt": 1e-12, "%": 1e-2}
_DURATION_UNITS = {
    "ns": 1e-9,
    "us": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "ms": 1e-3,
    "s": 1.0,
    "sec": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "min": SECONDS_PER_MINUTE,
    "minute": SECONDS_PER_MINUTE,
    "minutes": SECONDS_PER_MINUTE,
    "h": SECONDS_PER_HOUR,
    "hour": SECONDS_PER_HOUR,
    "hours": SECONDS_PER_HOUR,
    "d": SECONDS_PER_DAY,
    "day": SECONDS_PER_DAY,
    "days": SECONDS_PER_DAY,
    "week": SECONDS_PER_WEEK,
    "weeks": SECONDS_PER_WEEK,
    "month": SECONDS_PER_MONTH,
    "months": SECONDS_PER_MONTH,
    "year": SECONDS_PER_YEAR,
    "years": SECONDS_PER_YEAR,
}


Dimension = Literal["time", "frequency", "fractional"]


_UNIT_SPELLINGS = {
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "hertz": "hz",
    "usec": "us",
    "nsec": "ns",
    "msec": "ms",
    **dict.fromkeys(("nanos", "nanosecond", "nanoseconds"), "ns"),
    **dict.fromkeys(("micros", "microsecond", "microseconds"), "us"),
    **dict.fromkeys(("millis", "millisecond", "milliseconds"), "ms"),
    "dimensionless": "1",
}


def parse_unit(text: str) -> tuple[Dimension, float]:
    """Return what a unit measures and its size in SI: ``'ns'``, ``'MHz'``, ``'ppb'``, ``'1e-11'``.

    A plain number is a multiplier of a fractional quantity; a minus turns the sign. A number in front, a rate
    and powers of ten are understood too: ``0.1 ns``, ``-us``, ``us/s``, ``ns/d``, ``10^-11`` and
    ``parts in 10^11``.

    Raises
    ------
    InputError
        If the unit is not known.
    """
    match = re.fullmatch(
        r"([+-]?(?:\d+\.?\d*|\.\d+)?(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ%]*)(?:/(s|d))?",
        _plain_power(text.strip()),
    )
    size, unit, per = match.groups() if match else ("", "", None)
    known = _named_unit(unit) if unit else None if per or not size.strip("+-") else ("fractional", 1.0)
    try:
        factor = float(size if size.strip("+-") else f"{size}1")
    except ValueError:
        factor = 0.0
    if known is None or factor == 0 or not math.isfinite(factor) or (per and known[0] != "time"):
        msg = f"'{text}' is not a known unit; give s, ms, us, ns, ps, Hz, kHz, MHz, GHz, 1, ppm, ppb or 1e-11"
        raise InputError(msg)
    if per:
        return "fractional", factor * known[1] / (SECONDS_PER_DAY if per == "d" else 1.0)
    return known[0], factor * known[1]


def canonical_unit(unit: str) -> str:
    """Return a unit in its short spelling, such as ``ns`` for nanoseconds."""
    name = unit.strip()
    return _UNIT_SPELLINGS.get(name.lower(), name)


def _named_unit(unit: str) -> tuple[Dimension, float] | None:
    if unit == "mHz":  # the only unit here whose prefix changes meaning with its case
        return "frequency", 1e-3
    name = canonical_unit(unit).lower()
    tables: tuple[tuple[Dimension, dict[str, float]], ...] = (
        ("time", TIME_UNITS),
        ("frequency", FREQUENCY_UNITS),
        ("fractional", FRACTIONAL_UNITS),
    )
    return next(((dimension, table[name]) for dimension, table in tables if name in table), None)


def _plain_power(text: str) -> str:
    """Return powers of ten as numbers: ``10^-11``, ``×10⁻¹¹`` and ``parts in 10^11`` are ``1e-11``."""
    plain = text.translate(str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻−", "0123456789--"))
    parts = re.fullmatch(r"(?:parts|pp|p)\s*(?:in|per)?\s*10\^?(\d+)", plain)
    if parts:
        return f"1e-{parts.group(1)}"
    power = re.fullmatch(r"([+-]?)[x×*·]?\s*(?:10\^?|1?[eE])(-\d+)", plain)
    return f"{power.group(1)}1e{power.group(2)}" if power else plain


def covariate_words(name: str) -> tuple[str, str]:
    """Return ``room temperature`` and ``°C`` for ``room_temperature_c``; no unit where none is stated."""
    *words, last = name.split("_")
    unit = COVARIATE_UNITS.get(last.lower(), "") if words else ""
    return " ".join(words if unit else [*words, last]), unit


def per_words(unit: str) -> str:
    """Return the unit of a sensitivity in words: ``per kelvin``, ``per %``, or as it is."""
    return "per kelvin" if unit == "/K" else f"per {unit[1:]}" if unit.startswith("/") else unit


def celsius_conversion(unit: str) -> tuple[float, float] | None:
    """Return scale and offset that turn a temperature into degrees Celsius, or ``None`` if it is none."""
    conversions = {"c": (1.0, 0.0), "k": (1.0, -273.15), "f": (5 / 9, -160 / 9)}
    name = unit.strip().lower().removeprefix("°").removeprefix("deg").strip(" _")
    name = {"celsius": "c", "kelvin": "k", "fahrenheit": "f"}.get(name, name)
    return conversions.get(name)


def parse_duration(text: str) -> float:
    """Return seconds from text such as ``'90 d'``, ``'1.5h'``, ``'100 ms'`` or ``'3600'`` (seconds).

    Raises
    ------
    InputError
        If the text is not a positive number followed by a known unit.
    """
    match = re.fullmatch(r"\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ]*)\s*", text)
    factor = _DURATION_UNITS.get(match.group(2).lower() or "s") if match else None
    try:
        seconds = float(match.group(1)) * factor if match and factor else math.nan
    except ValueError:
        seconds = math.nan
    if not (seconds > 0 and math.isfinite(seconds)):
        units = "s, min, h, d, week, month, year, or ms, us, ns"
        msg = f"'{text}' is not a duration; give a positive number with {units}"
        raise InputError(msg)
    return seconds


def parse_frequency(text: str) -> float:
    """Return hertz from text such as ``'10 MHz'``, ``'32768'`` (hertz) or ``'1e7 Hz'``.

    Raises
    ------
    InputError
        If the text is not a positive number followed by a unit of frequency.
    """
    return _positive_measure(text, "frequency", plain="Hz", units="Hz, kHz, MHz or GHz")


def parse_time(text: str) -> float:
    """Return seconds from text such as ``'1.5 us'``, ``'100ns'`` or ``'1e-6'`` (seconds).

    Raises
    ------
    InputError
        If the text is not a positive number followed by a unit of time.
    """
    return _positive_measure(text, "time", plain="s", units="s, ms, us, ns or ps")


NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_LIMIT = rf"({NUMBER})\s*((?!to\b)[A-Za-zµμ%]+|[x×*·]\s*10\^?[-−⁻]?[\d⁰¹²³⁴⁵⁶⁷⁸⁹]+)?"
_LIMITS = re.compile(rf"(±|\+/-)?\s*{_LIMIT}(?:\s*(?::|;|/|…|\.\.+|\bto\b|\s)\s*{_LIMIT})?")


def parse_limits(text: str, size: Callable[[str], float] | None = None) -> float | tuple[float, float]:
    """Return a tolerance from text: one number for ±, or the lower and the upper limit.

    ``1e-8``, ``±10 ppb``, ``-5e-9:1e-8``, ``-5e-9 1e-8``, ``-5 to +10 ppb``: a unit behind the last number
    counts for both. It is the same in every table and every option.

    Parameters
    ----------
    size
        The size of a unit, ``""`` where none is stated; by default units of fractional frequency.

    Raises
    ------
    InputError
        If the text is no tolerance.
    """
    match = _LIMITS.fullmatch(text.strip().replace("−", "-"))
    if match is None or (match[1] and match[4]):
        msg = f"{text!r} is not a tolerance; give 1e-8 (for ±1e-8) or two limits, the lower first: -5e-9:1e-8"
        raise InputError(msg)
    size = size or _fraction
    first = float(match[2]) * size(match[3] or match[5] or "")
    return first if match[4] is None else (first, float(match[4]) * size(match[5] or match[3] or ""))


MEASURED = re.compile(
    r"(?P<open>\((?=[^()]*±[^()]*\)))?\s*(?P<value>[+-]?(?:\d+\.?\d*|\.\d+))(?P<power>[eE][+-]?\d+)?"
    rf"(?:\((?P<digits>\d+)\)(?P<after>[eE][+-]?\d+)?|\s*±\s*(?P<spread>{NUMBER}))?(?(open)\s*\))"
    r"\s*(?P<unit>[^\d\s.,;:+()±-][^()±]*)?"
)
"""A number as it is written with its uncertainty: ``1.2e-8 ± 3e-10``, ``1.20(3)e-8 ppb``."""


def measured_parts(match: re.Match[str]) -> tuple[str, str]:
    """Return the number of a :data:`MEASURED`, and the uncertainty in its last digits if it is stated."""
    power = (match["power"] or "") + (match["after"] or "")
    if not match["digits"]:
        return match["value"] + power, ""
    last = int(power[1:] or 0) - len(match["value"].partition(".")[2])  # JCGM 100:2008, 7.2.2
    return match["value"] + power, f"{match['digits']}e{last}"


def parse_fraction(text: str) -> float:
    """Return a number without unit from text such as ``'1e-9'``, ``'2 ppb'`` or ``'95 %'``.

    Raises
    ------
    InputError
        If the text is not a number, alone or with such a unit.
    """
    match = re.fullmatch(rf"\s*({NUMBER})\s*([A-Za-z%]*)\s*", text.replace("−", "-"))
    if match is None:
        msg = f"{text!r} is not a number such as 1e-9 or '2 ppb'"
        raise InputError(msg)
    return _times(match[1], _fraction(match[2]))


def parse_uncertain(text: str) -> tuple[float, float]:
    """Return a fractional value and its standard uncertainty from ``'1e-9±2e-10'`` or ``'1.0(2)e-9'``.

    ``+-`` and ``+/-`` stand for ±; a unit behind counts for both: ``'1.0(2) ppb'``.

    Raises
    ------
    InputError
        If the text states no value, no uncertainty, or a unit that is not fractional.
    """
    plain = re.sub(r"\s*\+/?-\s*", "±", text.strip().replace("−", "-"))
    plain = re.sub(r"\s*([A-Za-z%]+)\s*±(.*\b\1)$", r"±\2", plain)
    match = MEASURED.fullmatch(plain)
    number, spread = ("", "") if match is None else measured_parts(match)
    spread = spread or (match["spread"] if match is not None else "") or ""
    if match is None or not spread or float(spread) < 0:
        msg = (
            f"{text!r} is not a value with its standard uncertainty; give 1e-9±2e-10, 1e-9+-2e-10 or "
            "1.0(2)e-9, for no such value is exact"
        )
        raise InputError(msg)
    size = _fraction((match["unit"] or "").strip())
    return _times(number, size), _times(spread, abs(size))


def _times(number: str, size: float) -> float:
    """Return a number as it is written times a unit, so that '95 %' is 0.95 to the last bit."""
    return float(Decimal(number) * Decimal(repr(size)))


def _fraction(unit: str) -> float:
    dimension, size = parse_unit(unit or "1")
    if dimension != "fractional":
        msg = f"the unit is {unit!r}; a fractional frequency such as 1e-8 or 10 ppb is needed"
        raise InputError(msg)
    return size


def _positive_measure(text: str, dimension: Dimension, *, plain: str, units: str) -> float:
    match = re.fullmatch(rf"\s*({NUMBER})\s*([A-Za-zµμ]*)\s*", text)
    if match:
        number, unit = float(match.group(1)), match.group(2) or plain
        known = unit.lower() in (FREQUENCY_UNITS if dimension == "frequency" else TIME_UNITS)
        if known and 0 < number < math.inf:
            return number * parse_unit(unit)[1]
    msg = f"'{text}' is not a {dimension}; give a positive number with {units}"
    raise InputError(msg)


def duration_text(seconds: float) -> str:
    """Return a duration as people say it: ``'10 s'``, ``'2.5 h'``, ``'120 d'``, ``'2.5 years'``."""
    if not math.isfinite(seconds):
        return "unknown"
    size = abs(seconds)
    if size < 1 and size > 0:
        return f"{seconds:.3g} s" if size >= 1e-3 else time_text(seconds)
    steps = (
        (120.0, 1.0, "s"),
        (SECONDS_PER_HOUR, SECONDS_PER_MINUTE, "min"),
        (2 * SECONDS_PER_DAY, SECONDS_PER_HOUR, "h"),
        (2 * SECONDS_PER_YEAR, SECONDS_PER_DAY, "d"),
    )
    for limit, unit, name in steps:
        if size < limit:
            return f"{_short(seconds / unit)} {name}"
    return f"{_short(seconds / SECONDS_PER_YEAR)} years"


def duration_range_text(low_s: float, high_s: float) -> str:
    """Return a range of durations to two digits, in the unit of its end: ``'22 to 50 min'``."""
    number, unit = duration_text(high_s).split(" ")
    low, high = (
        f"{part:.2g}" if part < 99.5 else f"{part:.0f}"
        for part in (low_s / high_s * float(number), float(number))
    )
    return f"{low} to {high} {unit}"


def _short(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def counted(count: SupportsInt, one: str, many: str = "") -> str:
    """Return a count with its noun, ``one`` or else ``many`` (with an s by default): '1 row', '2 rows'."""
    return f"{int(count)} {one if int(count) == 1 else many or one + 's'}"


def percent(share: float, decimals: int | None = 0) -> str:
    """Return a share in per cent, with a space as ISO 80000-1 has it: ``'95 %'``.

    ``None`` leaves the decimals it was stated with, as of a probability that is asked for: ``'99.73 %'``.
    """
    return f"{100 * share:.4g} %" if decimals is None else f"{100 * share:.{decimals}f} %"


def frequency_text(hertz: float, digits: int = 10) -> str:
    """Return a frequency with an SI prefix: ``'10 MHz'``, ``'32.768 kHz'``."""
    for size, name in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if abs(hertz) >= size:
            return f"{hertz / size:.{digits}g} {name}"
    return f"{hertz:.{digits}g} Hz"


def time_text(seconds: float) -> str:
    """Return a time error with an SI prefix: ``'1.23 µs'``, ``'45 ns'``."""
    if not math.isfinite(seconds):
        return "unknown"
    size, name = time_scale(seconds)
    return f"{_short(seconds / size)} {name}"


def time_scale(seconds: float) -> tuple[float, str]:
    """Return the unit in which a time is said, its size in seconds and its name: ``(1e-6, 'µs')``."""
    units = ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"))
    return next((unit for unit in units if abs(seconds) >= unit[0] or not seconds), (1e-12, "ps"))


def seconds_of_day(moment: dt.datetime) -> float:
    """Return the time since midnight in seconds."""
    return (moment - dt.datetime.combine(moment, dt.time(), moment.tzinfo)).total_seconds()
