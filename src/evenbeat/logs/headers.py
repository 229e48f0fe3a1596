"""What a column name or a comment line says: quantity, unit, time, covariate, interval."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from evenbeat.errors import InputError
from evenbeat.intake import checked_weighting
from evenbeat.logs.terms import Statements
from evenbeat.units import canonical_unit, celsius_conversion, parse_duration, parse_unit

Role = Literal["time", "value", "covariate", "unknown"]

_PHASE = re.compile(
    r"\b(?:phase|tie|time ?interval|time ?(?:error|difference|offset|deviation)|phase ?time|ti)\b"
)
_FRACTIONAL = re.compile(r"\b(?:fractional|ffo|ffe|y|relative|normali[sz]ed)\b")
_RATIO = re.compile(r"\bratio\b")
_INTERVAL_ERROR = re.compile(r"\binterval error\b")
_DIFFERENCE = re.compile(
    r"(?:delta ?f|df|(?:delta|d) ?freq(?:uency)?|freq(?:uency)? (?:offset|error|deviation|difference))"
)
_COUNT = re.compile(r"\b(?:total count|totali[sz]er?|running count|cycle count|cycles|t?cnt|timer count)\b")
_PERIOD = re.compile(r"\bperiod\b")
_FREQUENCY = re.compile(r"\b(?:frequency|freq|f|frequenz)\b")
_TIME = re.compile(
    r"\b(?:times?|utc|gmt|date|datetime|time ?stamp|unix|posix|epoch|mjd|elapsed|seconds|t|iso|when|doy"
    r"|day of year|hh ?mm ?ss|tow|time of week|sod|excel|serial|zeit|datum)\b"
)
_COVARIATE = re.compile(
    r"\b(?:temperature|temp|humidity|rh|pressure|voltage|volts|current|supply|vibration|acceleration|ambient)\b"
)
_SCALES = ("utc", "gmt", "mjd", "unix", "local", "iso", "iso 8601", "posix", "tai", "gps")
_LONG_WORDS = {"temp": "temperature", "temps": "temperature", "freq": "frequency"}
_OTHER_UNITS = frozenset(("v", "mv", "a", "ma", "w", "pa", "hpa", "kpa", "rh", "min", "h", "d", "days", "%"))
_GLUED_UNIT = re.compile(  # TimeNanos, uptimeMs, but no other capital behind a small letter
    r"(.*[a-z])(Nanos|Nanoseconds|Ns|NS|Micros|Microseconds|Us|US|Millis|Milliseconds|Ms|MS)"
)


@dataclass(frozen=True, kw_only=True)
class Meaning:
    """What a column name states."""

    role: Role
    words: str  # the name without its unit, lower case, words separated by blanks
    unit: str | None = None  # as written; ``None`` where the name states none
    quantity: str | None = None  # for a value column; ``None`` where not stated


def column_meaning(name: str) -> Meaning:
    """Return what a column name states."""
    words, unit = _words_and_unit(name)
    dimension = _dimension(unit)
    if _COVARIATE.search(words) or (unit and not dimension and celsius_conversion(unit)):
        return Meaning(role="covariate", words=words, unit=unit)
    quantity = _quantity(words, dimension)
    if quantity is None and _TIME.search(words):
        return Meaning(role="time", words=words, unit=unit)
    if quantity is None and dimension == "time" and words:
        quantity = "phase"
    if quantity is not None:
        return Meaning(role="value", words=words, unit=unit, quantity=quantity)
    return Meaning(role="unknown", words=words, unit=unit)


def units_in(cells: Sequence[str]) -> tuple[str, ...]:
    """Return the units of a line that holds nothing else, as ``[s], [Hz]``; nothing for another line."""
    bare = tuple(cell.strip().strip("[]()").strip() for cell in cells)
    named = [unit for unit in bare if unit and unit not in ("-", "1")]
    return bare if named and all(_is_unit(unit) for unit in named) else ()


def covariate_name(meaning: Meaning, index: int) -> tuple[str, float, float]:
    """Return name with unit, scale and offset of a covariate: temperatures become degrees Celsius."""
    words = [_LONG_WORDS.get(word, word) for word in meaning.words.split()]
    base = re.sub(r"\W+", "_", "_".join(words)).strip("_") or f"column_{index}"
    celsius = celsius_conversion(meaning.unit) if meaning.unit else None
    if celsius is not None:
        base = base if "temperature" in base or base == f"column_{index}" else f"{base}_temperature"
        return f"{base}_c", *celsius
    if meaning.unit is None:
        return (f"{base}_c" if "temperature" in base else base), 1.0, 0.0
    suffix = re.sub(r"\W+", "_", meaning.unit.lower().replace("%", "percent")).strip("_")
    return f"{base}_{suffix}" if suffix else base, 1.0, 0.0


def _words_and_unit(name: str) -> tuple[str, str | None]:
    text = name.strip().strip("\"'").strip()
    if _DIFFERENCE.fullmatch(_plain_words(text)):
        return _plain_words(text), None  # of delta_f the f is no unit of temperature
    match = re.fullmatch(r"(.*?)\s*[\[(]\s*([^\])]+?)\s*[\])]\s*", text)
    if match:
        if match.group(2).lower() in _SCALES:  # 'Time (UTC)' names a scale, not a unit
            return _plain_words(f"{match.group(1)} {match.group(2)}"), None
        return _plain_words(match.group(1)), canonical_unit(match.group(2))
    match = re.fullmatch(r"(.*?\w)\s*/\s*([A-Za-zµμ°%]+)", text)
    if match and _is_unit(match.group(2)):
        return _plain_words(match.group(1)), canonical_unit(match.group(2))
    if _is_unit(text) and len(text) > 1:
        return "", canonical_unit(text)
    parts = re.split(r"[\s_,]+", text)
    if len(parts) > 1 and _is_unit(parts[-1]):
        return _plain_words(" ".join(parts[:-1])), canonical_unit(parts[-1])
    glued = _GLUED_UNIT.fullmatch(text)
    if glued:
        return _plain_words(glued.group(1)), canonical_unit(glued.group(2).lower())
    return _plain_words(text), None


def _plain_words(text: str) -> str:
    return " ".join(re.split(r"[^\w°%.]+|_+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text))).strip().lower()


def _is_unit(text: str) -> bool:
    if text.lower() in ("seconds", "second"):  # 'elapsed seconds' is a name, and its unit is seconds
        return False
    return (
        text.lower() in _OTHER_UNITS
        or celsius_conversion(text) is not None
        or _dimension(canonical_unit(text)) is not None
    )


def _dimension(unit: str | None) -> str | None:
    if unit is None or re.fullmatch(r"\d{1,3}", unit):  # 'channel 2', not a multiplier
        return "fractional" if unit == "1" else None
    try:
        return parse_unit(unit)[0]
    except InputError:
        return None


def _quantity(words: str, dimension: str | None) -> str | None:
    if _INTERVAL_ERROR.search(words):
        return "interval_error"
    if _DIFFERENCE.fullmatch(words) and dimension in (None, "frequency"):
        return "frequency_difference"
    if dimension == "fractional":
        return "frequency_ratio" if _RATIO.search(words) else "fractional_frequency"
    if dimension == "frequency":
        return "frequency"
    for pattern, quantity in (
        (_COUNT, "count"),
        (_PHASE, "phase"),
        (_FRACTIONAL, "fractional_frequency"),
        (_RATIO, "frequency_ratio"),
        (_PERIOD, "period"),
        (_FREQUENCY, "frequency"),
    ):
        if pattern.search(words):
            return quantity
    return None


_KEYS = {
    "quantity": "quantity",
    "unit": "unit",
    "units": "unit",
    "nominal frequency": "nominal",
    "nominal": "nominal",
    "interval": "interval",
    "data interval": "interval",
    "sampling interval": "interval",
    "sample interval": "interval",
    "gate": "gate",
    "gate time": "gate",
    "reference": "reference",
    "counter weighting": "counter_weighting",
    "time zone": "time_zone",
    "timezone": "time_zone",
    "sign": "sign",
    "time": "time",
}
_KEYED = re.compile(r"\s*([A-Za-z ]+?)\s*[:=]\s*(.+?)\s*")
_SINCE = re.compile(r"\bsince\s+(\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?Z?)")
_SPOKEN_INTERVAL = re.compile(
    r"(?:data|sampling|sample) interval\s+([\d.]+\s*(?:s|ms|min|h|d))", re.IGNORECASE
)
_SPOKEN_QUANTITY = re.compile(
    r"(phase|frequency|fractional frequency|period) (?:data|readings)\b", re.IGNORECASE
)


def comment_statements(comments: Iterable[str]) -> Statements:
    """Return what the comment lines say in the form ``key: value``, or ``phase data, unit: s``."""
    said: dict[str, str] = {}
    for comment in comments:
        for part in dict.fromkeys((comment, *comment.split(","))):
            match = _KEYED.fullmatch(part)
            key = _KEYS.get(match.group(1).lower()) if match else None
            if match and key:
                said.setdefault(key, match.group(2))
        interval, quantity = _SPOKEN_INTERVAL.fullmatch(comment), _SPOKEN_QUANTITY.match(comment)
        if interval:
            said.setdefault("interval", interval.group(1))
        if quantity:
            said.setdefault("quantity", quantity.group(1))
    spelled = re.sub(r"[\s_-]+", "_", said.get("quantity", "").strip().lower())
    spoken = {"time_error": "phase", "time_difference": "phase", "ratio": "frequency_ratio"}
    return Statements(
        quantity=spoken.get(spelled, spelled) or None,
        unit=canonical_unit(said["unit"]) if "unit" in said else None,
        nominal_frequency_hz=_frequency_hz(said["nominal"]) if "nominal" in said else None,
        interval_s=_duration(said, "interval"),
        gate_s=_duration(said, "gate"),
        reference=said.get("reference", ""),
        time_zone=said.get("time_zone"),
        start=since.group(1) if (since := _SINCE.search(said.get("time", ""))) else None,
        reading_of=_reading_of(said.get("sign", "")),
        counter_weighting=checked_weighting(said["counter_weighting"])
        if "counter_weighting" in said
        else None,
    )


def _reading_of(text: str) -> str | None:
    """Return what a comment such as 'a reading above nominal means that the timebase is slow' implies."""
    if re.search(r"\b(?:above|positive|high)\b.*\b(?:slow|late|behind)\b", text.lower()):
        return "reference"
    fast = re.search(r"\b(?:above|positive|high)\b.*\b(?:fast|early|ahead)\b", text.lower())
    return "device" if fast else None


def _duration(said: dict[str, str], key: str) -> float | None:
    if key not in said:
        return None
    try:
        return parse_duration(said[key])
    except InputError:
        msg = f"the comment '{key}: {said[key]}' is not understood; write it as '{key}: 10 s'"
        raise InputError(msg) from None


def _frequency_hz(text: str) -> float:
    match = re.fullmatch(r"([\d.]+(?:[eE][+-]?\d+)?)\s*([kMG]?Hz)?", text.strip(), re.IGNORECASE)
    try:
        value = float(match.group(1)) * parse_unit(match.group(2) or "Hz")[1] if match else 0.0
    except ValueError:
        value = 0.0
    if value <= 0:
        msg = f"the comment 'nominal frequency: {text}' is not understood; write 'nominal frequency: 10 MHz'"
        raise InputError(msg)
    return value
