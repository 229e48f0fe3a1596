"""A readings sheet: what was applied to a counter, and what it showed, one reading a row."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, groupby
from pathlib import Path
from typing import get_args

from evenbeat.counter.reading import UNITS, Function
from evenbeat.counter.resolution import CountLaw, Method
from evenbeat.dates import order_of_dates
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding, caution
from evenbeat.tables import Field, Row, read_table
from evenbeat.units import duration_text, frequency_text, parse_unit, time_text

FIELDS = (
    Field(name="function"),
    Field(name="applied", unit=""),
    Field(name="unit"),
    Field(name="gate_s", unit="s"),
    Field(name="periods", unit=""),
    Field(name="pulses_per_revolution", unit=""),
    Field(name="level_v", unit="V"),
    Field(name="least_digit", unit=""),
    Field(name="reading", unit=""),
    Field(name="method"),
    Field(name="input"),
    Field(name="reference_uncertainty", unit="1"),
    Field(name="rated_low_hz", unit="Hz"),
    Field(name="rated_high_hz", unit="Hz"),
)
COLUMNS = tuple(field.name for field in FIELDS[:9])
"""Of a blank sheet."""
BLANK_GATES_S, BLANK_READINGS = (0.1, 1.0, 10.0), 3
NEEDED = ("function", "applied", "reading")
_NUMBER = r"[+-]?\d+\.?\d*(?:[eE][+-]?\d+)?"
_COUNTED_UNITS = {"totalise": ("", "count", "counts", "1"), "ratio": ("", "1"), "rpm": ("", "1/min", "rpm")}
_COUNTS: Mapping[str, CountLaw] = {"in step": "in_step", "free": "triangular"}
_SMALL_NUMBERS = {"no": "0", "one": "1", "two": "2", "three": "3", "five": "5", "ten": "10"}


@dataclass(frozen=True, kw_only=True)
class SheetPoint:
    """Readings of one stimulus with the same settings, in SI or the unit of the function.

    ``rows`` are line numbers in the file; ``input`` is empty where there is but one. Relative standard
    uncertainty of this stimulus and rated frequencies of this input are ``None`` where those of the sheet
    count.
    """

    function: Function
    applied: float
    rows: tuple[int, ...]
    readings: tuple[float, ...]
    method: Method = "direct"
    gate_s: float | None = None
    periods: int = 1
    pulses_per_revolution: int = 1
    level_v: float | None = None
    least_digit: float | None = None
    input: str = ""
    reference_uncertainty: float | None = None
    rated_hz: tuple[float, float] | None = None

    @property
    def event_frequency_hz(self) -> float:
        """Frequency of the edges at the input; NaN for a complete burst, an interval or a ratio."""
        if self.function == "frequency":
            return self.applied
        if self.function == "period":
            return 1 / self.applied
        if self.function == "rpm":
            return self.applied * self.pulses_per_revolution / 60
        if self.function == "totalise" and self.gate_s is not None:
            return self.applied / self.gate_s
        return math.nan

    @property
    def short_title(self) -> str:
        """Stimulus and gate in words: ``'10 MHz, gate 1 s'``."""
        unit = UNITS[self.function]
        if unit in ("Hz", "s"):
            parts = [(frequency_text if unit == "Hz" else time_text)(self.applied)]
        else:
            size = f"{self.applied:,.0f}" if float(self.applied).is_integer() else f"{self.applied:,.7g}"
            parts = [size.replace(",", "\N{NO-BREAK SPACE}")]
        if self.gate_s is not None:
            parts.append(f"gate {duration_text(self.gate_s)}")
        if self.periods > 1:
            parts.append(f"{self.periods} periods")
        return ", ".join(parts)

    @property
    def further(self) -> list[str]:
        """How the signal came in: pulses of a revolution, input and level, as far as stated."""
        parts = [f"{self.pulses_per_revolution} pulses"] if self.pulses_per_revolution > 1 else []
        parts += [f"input {self.input}"] if self.input else []
        return [*parts, f"{self.level_v:g} V"] if self.level_v is not None else parts

    @property
    def title(self) -> str:
        """The point in words: function, stimulus, gate, and how the signal came in."""
        return ", ".join([f"{self.function.replace('_', ' ')} {self.short_title}", *self.further])


@dataclass(frozen=True, kw_only=True)
class SheetFacts:
    """What the head of a sheet says about the counter; ``None`` where it does not.

    Permitted is part of the reading plus a number of least digits.
    """

    permitted_relative: float | None = None
    permitted_digits: float | None = None
    clock_tick_s: float | None = None
    input_noise_v: float | None = None
    count_law: CountLaw | None = None
    rated_hz: tuple[float, float] | None = None
    instrument: str = ""
    reference: str = ""
    date: str = ""


@dataclass(frozen=True, kw_only=True)
class ReadingsSheet:
    """A sheet as read: points in the order of the rows, and what its head says."""

    name: str
    points: tuple[SheetPoint, ...]
    facts: SheetFacts
    findings: tuple[Finding, ...] = ()


def read_sheet(path: str | Path) -> ReadingsSheet:
    """Read a readings sheet.

    Parameters
    ----------
    path
        A table; see :func:`evenbeat.tables.read_table`. Lines that begin with ``#`` say what holds for all
        rows as ``name: value``: ``permitted``, ``clock tick``, ``noise at the input``, ``count``,
        ``rated range``, ``instrument``, ``reference``, ``date``. The first other line names the columns:
        ``function``, ``applied`` and ``reading`` are needed; ``unit``, ``gate_s``, ``periods``,
        ``pulses_per_revolution``, ``level_v``, ``least_digit`` and ``method`` as far as the function needs
        them; ``input``, ``reference_uncertainty`` (relative), ``rated_low_hz`` and ``rated_high_hz`` where
        they differ from row to row. A cell may hold several readings separated by blanks. Rows without a
        reading are left out and counted.

    Raises
    ------
    LogError
        If the file cannot be read, or a row holds what cannot be; the sentence names the line.
    """
    path = Path(path)
    read = read_table(path, FIELDS, what="readings sheet", needed=NEEDED)
    rows = [row for row in read.rows if row.given("reading")]
    single = []
    for row in rows:
        try:
            single.append(_point(row))
        except InputError as error:
            raise error if isinstance(error, LogError) else row.error(error) from error
    if not single:
        msg = "the sheet holds no reading; fill in the column 'reading'"
        raise LogError(msg, path=path)
    found = list(read.findings)
    empty = len(read.rows) - len(rows)
    if empty:
        sentence = f"{empty} of {len(read.rows)} rows hold no reading and are left out."
        found.append(caution("ROWS_EMPTY", sentence, rows=empty))
    said = (line.partition(":") for line in read.remarks)
    facts = _facts({name.strip().lower(): value.strip() for name, colon, value in said if colon}, path)
    order = order_of_dates([facts.date], points_decide=False)
    if order.problem:
        sentence = f"The head of the sheet: {order.problem.partition(';')[0]}; write it as 2026-02-26."
        found.append(caution("DATE_AMBIGUOUS", sentence))
    return ReadingsSheet(name=path.name, points=_grouped(single), facts=facts, findings=tuple(found))


def _point(row: Row) -> SheetPoint:
    function = row.text("function").lower().replace(" ", "_")
    if function not in UNITS:
        msg = f"function is {row.text('function')!r}; it must be one of {', '.join(UNITS)}"
        raise InputError(msg)
    stated, usual = _unit_of(function, row.text("unit"))
    readings = row.numbers_in("reading", stated=stated, unit=usual)
    digit = row.number_in("least_digit", stated=stated, unit=usual, positive=True)
    low, high = (row.number_in(name, positive=True) for name in ("rated_low_hz", "rated_high_hz"))
    if not (math.isnan(low) and math.isnan(high)) and not low < high:
        msg = "rated_low_hz and rated_high_hz go together, the lower first"
        raise InputError(msg)
    method = row.text("method") or "direct"
    if method not in get_args(Method):
        msg = f"method is {method!r}; it must be direct or reciprocal"
        raise InputError(msg)
    if not row.given("applied"):
        msg = f"applied is {row.text('applied')!r}; a positive number is needed"
        raise InputError(msg)
    point = SheetPoint(
        function=function,  # type: ignore[arg-type]
        applied=row.number_in("applied", stated=stated, unit=usual, positive=True),
        rows=(row.number,),
        readings=readings,
        method=method,  # type: ignore[arg-type]
        gate_s=_optional(row, "gate_s"),
        periods=_count(row, "periods"),
        pulses_per_revolution=_count(row, "pulses_per_revolution"),
        level_v=_optional(row, "level_v"),
        least_digit=None if math.isnan(digit) else digit,
        input=row.text("input"),
        reference_uncertainty=_optional(row, "reference_uncertainty"),
        rated_hz=None if math.isnan(low) else (low, high),
    )
    if point.gate_s is None and function in ("frequency", "rpm"):
        msg = f"gate_s is empty; {function} needs the gate time in seconds"
        raise InputError(msg)
    if any(value < 0 for value in point.readings) and function != "time_interval":
        msg = f"reading is {row.text('reading')}; {function} cannot be negative"
        raise InputError(msg)
    return point


def _unit_of(function: str, unit: str) -> tuple[str, str]:
    """Return the unit that the row states and the one that its function has: none where it counts."""
    counted = function in _COUNTED_UNITS
    if counted and unit.lower() in _COUNTED_UNITS[function]:
        return "", ""
    dimension = "frequency" if function == "frequency" else "time"
    if not counted and (not unit or parse_unit(unit)[0] == dimension):
        return unit, UNITS[function]
    msg = f"unit is {unit!r}; {function.replace('_', ' ')} needs {UNITS[function] or 'none'}"
    raise InputError(msg)


def _optional(row: Row, name: str) -> float | None:
    value = row.number_in(name, positive=True)
    return None if math.isnan(value) else value


def _count(row: Row, name: str) -> int:
    value = _optional(row, name) or 1.0
    if value != int(value):
        msg = f"{name} is {row.text(name)}; a whole number is needed"
        raise InputError(msg)
    return int(value)


def _grouped(single: Sequence[SheetPoint]) -> tuple[SheetPoint, ...]:
    """Join rows that follow each other with the same settings."""
    joined = []
    for settings, group in groupby(single, key=lambda point: replace(point, rows=(), readings=())):
        rows, readings = zip(*((point.rows, point.readings) for point in group), strict=True)
        joined.append(replace(settings, rows=tuple(chain(*rows)), readings=tuple(chain(*readings))))
    return tuple(joined)


def _facts(head: Mapping[str, str], path: Path) -> SheetFacts:
    permitted = head.get("permitted", "")
    relative = re.search(_NUMBER, permitted)
    digits = re.search(rf"({_NUMBER}|{'|'.join(_SMALL_NUMBERS)})\s+least\s+digits?", permitted)
    try:
        return SheetFacts(
            permitted_relative=float(relative[0]) if relative else None,
            permitted_digits=float(_SMALL_NUMBERS.get(digits[1], digits[1]))
            if digits
            else (0.0 if relative else None),
            clock_tick_s=_measure(head.get("clock tick"), "time"),
            input_noise_v=_volts(head.get("noise at the input")),
            count_law=next((law for words, law in _COUNTS.items() if words in head.get("count", "")), None),
            rated_hz=_range(head.get("rated range")),
            instrument=head.get("instrument", ""),
            reference=head.get("reference", ""),
            date=head.get("date", ""),
        )
    except InputError as error:
        msg = f"the head of the sheet: {error}"
        raise LogError(msg, path=path) from error


def _measure(text: str | None, dimension: str) -> float | None:
    if text is None:
        return None
    match = re.match(rf"\s*({_NUMBER})\s*([^\s,;]+)", text)
    if match:
        found, factor = parse_unit(match[2])
        if found == dimension:
            return float(match[1]) * factor
    msg = f"'{text}' is not a {dimension} with its unit"
    raise InputError(msg)


def _volts(text: str | None) -> float | None:
    match = re.match(rf"\s*({_NUMBER})\s*([mµu]?)V\b", text or "")
    if text is not None and not match:
        msg = f"the noise at the input is '{text}'; a number with V, mV or uV is needed"
        raise InputError(msg)
    return float(match[1]) * {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6}[match[2]] if match else None


def _range(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    ends = [part for part in re.split(r"\s+to\s+|\s*\.\.\.?\s*", text) if part.strip()]
    measured = [_measure(part, "frequency") for part in ends]
    if len(measured) != 2 or measured[0] is None or measured[1] is None or measured[0] >= measured[1]:
        msg = f"the rated range is '{text}'; two frequencies such as '10 Hz to 100 MHz' are needed"
        raise InputError(msg)
    return measured[0], measured[1]


def blank_sheet(
    *, rated_hz: tuple[float, float], clock_tick_s: float | None = None, permitted_relative: float = 1e-6
) -> str:
    """Return an empty readings sheet for a counter: the ends of its rated range and the decades between.

    Frequency at three gates, and counts; periods where the clock tick is stated. Each is to be read thrice.

    Raises
    ------
    InputError
        If the range is not rising.
    """
    low, high = rated_hz
    if not 0 < low < high:
        msg = f"rated_hz is {rated_hz}; two rising positive frequencies are needed"
        raise InputError(msg)
    first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
    frequencies = sorted({low, high, *(10.0**k for k in range(first, last + 1))})
    # function, applied, unit, gate, periods, pulses, level, least digit, reading
    rows: list[tuple[object, ...]] = [
        ("frequency", f"{hertz:.12g}", "Hz", f"{gate:g}", "", "", "1", f"{1 / gate:g}", "")
        for hertz in frequencies
        for gate in BLANK_GATES_S
    ]
    if clock_tick_s is not None:
        rows += [
            ("period", f"{1 / hertz:.12g}", "s", "", 1, "", "1", f"{clock_tick_s:g}", "")
            for hertz in frequencies
        ]
    gate = BLANK_GATES_S[-1]
    rows += [
        ("totalise", f"{hertz * gate:.12g}", "count", f"{gate:g}", "", "", "1", "1", "")
        for hertz in frequencies
    ]
    head = [
        "# instrument:",
        "# reference:",
        f"# permitted: {permitted_relative:g} of the reading plus one least digit",
        *([f"# clock tick: {clock_tick_s * 1e9:g} ns"] if clock_tick_s else []),
        f"# rated range: {low:g} Hz to {high:g} Hz",
        "# date:",
        "# Let counter and reference warm up. Never exceed the rated input level; go past the rated",
        "# frequency only if the manual permits it.",
    ]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(row for row in rows for _ in range(BLANK_READINGS))
    return "\n".join(head) + "\n" + text.getvalue()
