"""Readings in the unit of the log → time error in seconds or fractional frequency, every guess a finding."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding
from evenbeat.intake import FARTHEST_FROM_NOMINAL, relative_to
from evenbeat.logs.terms import QUANTITIES
from evenbeat.quantities import FloatArray
from evenbeat.record import Kind
from evenbeat.units import parse_unit

_DIMENSIONS = {
    "frequency": "frequency",
    "fractional_frequency": "fractional",
    "frequency_ratio": "fractional",
    "phase": "time",
    "time_interval": "time",
    "period": "time",
    "interval_error": "time",
    "count": "count",
}
_ROUND_FREQUENCIES_HZ = (32768.0, *(m * 10.0**e for e in range(3, 10) for m in (1.0, 2.0, 5.0)))
_NEAR_ROUND = 1e-3
_SMALL = 1e-3


@dataclass(frozen=True, kw_only=True)
class Statement:
    """What one place says about the readings."""

    where: str
    quantity: str | None
    unit: str | None
    line: int | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Converted:
    """Readings in SI.

    Parameters
    ----------
    values
        Shape (n,), seconds (phase) or dimensionless (frequency), NaN where missing.
    quantity, unit
        What the readings were taken for.
    step_factor
        Size in SI of a reading's unit, so that a display step can be converted.
    """

    kind: Kind
    values: FloatArray
    step_factor: float
    nominal_frequency_hz: float | None
    quantity: str = ""
    unit: str = ""
    findings: tuple[Finding, ...] = ()


def agreed(statements: tuple[Statement, ...], path: str) -> tuple[str | None, str | None]:
    """Return the quantity and unit on which all statements agree, ``None`` where nothing is said.

    Raises
    ------
    LogError
        If two places contradict each other, or one names no known quantity or unit.
    """
    quantity: Statement | None = None
    unit: Statement | None = None
    for said in statements:
        if said.quantity is not None:
            _check_quantity(said, path)
            quantity = quantity or said
            if _same_quantity(said.quantity) != _same_quantity(quantity.quantity or ""):
                raise _contradiction(quantity, quantity.quantity, said, said.quantity, path)
        if said.unit is not None:
            factor = _factor(said, path)
            unit = unit or said
            if factor != _factor(unit, path):
                raise _contradiction(unit, unit.unit, said, said.unit, path)
    if quantity and unit and not _fitting(quantity.quantity or "", _factor(unit, path)[0]):
        raise _contradiction(quantity, quantity.quantity, unit, unit.unit, path)
    return (quantity.quantity if quantity else None), (unit.unit if unit else None)


def _fitting(quantity: str, dimension: str) -> bool:
    """Return whether a unit suits a quantity: interval errors may be fractions, such as µs per second."""
    return dimension == _DIMENSIONS[quantity] or (quantity == "interval_error" and dimension == "fractional")


def convert(
    readings: FloatArray,
    *,
    quantity: str | None,
    unit: str | None,
    nominal_frequency_hz: float | None,
    column: str,
    path: str,
    line: int | None = None,
    interval_s: float | None = None,
) -> Converted:
    """Return the readings in SI, as if they were readings of the device under test.

    Raises
    ------
    LogError
        If the quantity cannot be told, or the readings are far from the nominal frequency.

    Notes
    -----
    Positive means that the device under test is ahead (phase) or fast (frequency), IEEE Std 1139.
    """
    typical = typical_of(readings)
    quantity, unit, findings = _with_assumptions(
        quantity, unit, typical=typical, column=column, path=path, line=line
    )
    converted = _in_si(
        readings,
        quantity=quantity,
        unit=unit,
        typical=typical,
        nominal_frequency_hz=nominal_frequency_hz,
        interval_s=interval_s,
        path=path,
    )
    return replace(converted, quantity=quantity, unit=unit, findings=(*findings, *converted.findings))


def _in_si(
    readings: FloatArray,
    *,
    quantity: str,
    unit: str,
    typical: float,
    nominal_frequency_hz: float | None,
    interval_s: float | None,
    path: str,
) -> Converted:
    findings: tuple[Finding, ...] = ()
    dimension, factor = parse_unit(unit)
    if quantity == "interval_error":
        return _of_interval_errors(readings, dimension, factor, interval_s, findings)
    if quantity in ("phase", "time_interval"):
        values = readings if factor == 1 else readings * factor
        return _converted("phase", values, factor, nominal_frequency_hz, findings)
    if quantity == "fractional_frequency":
        return _converted("frequency", readings * factor, factor, nominal_frequency_hz, findings)
    if quantity == "frequency_ratio":
        _check_near(typical * factor, 1.0, "1", path)
        return _converted("frequency", readings * factor - 1, factor, nominal_frequency_hz, findings)
    period = quantity == "period"
    typical_hz = 1 / (typical * factor) if period and typical else typical * factor
    nominal = nominal_frequency_hz
    if nominal is None:
        nominal = _round_near(typical_hz, path)
        findings = (*findings, _nominal_finding(nominal))
    _check_near(typical_hz, nominal, f"{nominal:.12g} Hz", path)
    if period:
        with np.errstate(divide="ignore"):
            values = (1 / nominal - readings * factor) / (readings * factor)
        return _converted("frequency", values, factor * nominal, nominal, findings)
    values = relative_to(nominal / factor, readings)
    return _converted("frequency", values, factor / nominal, nominal, findings)


def _of_interval_errors(
    readings: FloatArray,
    dimension: str,
    factor: float,
    interval_s: float | None,
    findings: tuple[Finding, ...],
) -> Converted:
    """Return frequency from errors of intervals: one that comes out too long is of a slow device."""
    if dimension == "time":
        if interval_s is None:
            sentence = (
                "The readings were taken as errors of one second each (override with --gate or gate_s)."
            )
            finding = Finding(code="ASSUMED_SECONDS", severity="caution", sentence=sentence)
            findings = (*findings, finding)
        factor = factor / (interval_s or 1.0)
    errors = readings * factor
    with np.errstate(divide="ignore"):
        return _converted("frequency", 0.0 - errors / (1 + errors), factor, None, findings)


def typical_of(readings: FloatArray) -> float:
    """Return the median of the readings, of a hundred thousand spread evenly where there are more.

    NaN where all are missing, as in a block of a long log.
    """
    spread = readings[:: max(1, len(readings) // 100_000)]
    known = spread[~np.isnan(spread)]
    known = known if len(known) else readings[~np.isnan(readings)]
    return float(np.median(known)) if len(known) else math.nan


def turned(converted: Converted) -> Converted:
    """Return the record of a device that measured the reference: where it reads high, it is slow.

    A timebase that is fast by y reads ``f_in / (1 + y)``, so y = 1/(1 + reading) - 1.
    """
    values = 0.0 - converted.values  # not the negative, which would write -0
    if converted.kind == "frequency":
        with np.errstate(divide="ignore"):  # the reader names the line of a reading of zero
            values = values / (1 + converted.values)
    what = "above nominal means that the device is slow"
    if converted.kind == "phase":
        what = "that is positive means that the device is late"
    sentence = f"The device under test measured the reference: a reading {what}, so the sign was turned "
    sentence += "(override with --reading-of or reading_of)."
    finding = Finding(code="TURNED_SIGN", severity="note", sentence=sentence)
    return replace(converted, values=values, findings=(*converted.findings, finding))


def _converted(
    kind: Kind, values: FloatArray, factor: float, nominal: float | None, findings: tuple[Finding, ...]
) -> Converted:
    return Converted(
        kind=kind, values=values, step_factor=abs(factor), nominal_frequency_hz=nominal, findings=findings
    )


def _check_quantity(said: Statement, path: str) -> None:
    if said.quantity not in QUANTITIES:
        msg = f"{said.where} gives the quantity '{said.quantity}'; it must be one of {', '.join(QUANTITIES)}"
        raise LogError(msg, path=path)


def _same_quantity(quantity: str) -> str:
    return "phase" if quantity == "time_interval" else quantity


def _factor(said: Statement, path: str) -> tuple[str, float]:
    try:
        return parse_unit(said.unit or "")
    except InputError as error:
        msg = f"{said.where}: {error}"
        raise LogError(msg, path=path) from None


def _contradiction(
    one: Statement, first: str | None, other: Statement, second: str | None, path: str
) -> LogError:
    msg = (
        f"{one.where} says '{first}' but {other.where} says '{second}', which contradict each other; "
        "correct the one that is wrong"
    )
    return LogError(msg, path=path, line=other.line or one.line)


def _with_assumptions(
    quantity: str | None, unit: str | None, *, typical: float, column: str, path: str, line: int | None
) -> tuple[str, str, tuple[Finding, ...]]:
    if quantity is None and unit is not None:
        quantity = {"frequency": "frequency", "fractional": "fractional_frequency", "time": "phase"}[
            parse_unit(unit)[0]
        ]
        if quantity == "phase":
            return quantity, unit, (_assumed("phase (time error)", unit, column, "quantity"),)
        return quantity, unit, ()
    if quantity is None:
        return _guessed(typical, column, path, line)
    if unit is None:
        default = {"frequency": "Hz", "fractional": "1", "time": "s", "count": "1"}[_DIMENSIONS[quantity]]
        if quantity == "frequency_ratio":
            return quantity, default, ()
        return quantity, default, (_unit_finding(quantity, default, column),)
    return quantity, unit, ()


def _guessed(
    typical: float, column: str, path: str, line: int | None
) -> tuple[str, str, tuple[Finding, ...]]:
    """Return frequency in hertz where the readings lie next to a round frequency, else refuse."""
    nearest = min(_ROUND_FREQUENCIES_HZ, key=lambda hz: abs(typical / hz - 1))
    if abs(typical / nearest - 1) < _NEAR_ROUND and nearest >= 32768:
        what = f"the frequency of a {_frequency_text(nearest)} source"
        return "frequency", "Hz", (_assumed(what, "Hz", column, "quantity"),)
    if abs(typical) < _SMALL:
        msg = (
            f"nothing says whether the small readings of column {column} (median {typical:.3g}) are time "
            "errors or fractional frequencies; decide with --quantity phase or fractional_frequency "
            "(quantity) and --unit (unit)"
        )
    else:
        msg = (
            f"nothing says what the readings of column {column} (median {typical:.6g}) are; say it with "
            f"--quantity {'|'.join(QUANTITIES)} (quantity) and --unit (unit)"
        )
    raise LogError(msg, path=path, line=line)


def _assumed(what: str, unit: str, column: str, option: str) -> Finding:
    sentence = (
        f"Nothing in the log says what its readings are; column {column} was taken as {what} in {unit} "
        f"(override with --{option} or {option})."
    )
    return Finding(code="ASSUMED_QUANTITY", severity="caution", sentence=sentence, values={"unit": unit})


def _unit_finding(quantity: str, unit: str, column: str) -> Finding:
    name = {"1": "a plain number"}.get(unit, unit)
    sentence = (
        f"The log states no unit for the {quantity.replace('_', ' ')} in column {column}; {name} was assumed "
        "(override with --unit or unit)."
    )
    return Finding(code="ASSUMED_UNIT", severity="note", sentence=sentence, values={"unit": unit})


def round_frequency(frequency_hz: float, path: str) -> tuple[float, Finding]:
    """Return the round frequency next to one that was read, and the finding that says so.

    Raises
    ------
    LogError
        If the frequency is not positive.
    """
    nominal = _round_near(frequency_hz, path)
    return nominal, _nominal_finding(nominal)


def _round_near(frequency_hz: float, path: str) -> float:
    """Return the frequency with the fewest digits within 1e-3 of the readings."""
    if not (math.isfinite(frequency_hz) and frequency_hz > 0):
        msg = (
            f"the median frequency is {frequency_hz:g} Hz; a frequency log must hold positive frequencies: "
            "for deviations state --quantity fractional_frequency and --unit (quantity, unit), or choose "
            "another column with --column value=… (columns={'value': …})"
        )
        raise LogError(msg, path=path)
    exponent = math.floor(math.log10(frequency_hz))
    for digits in range(4):
        candidate = round(frequency_hz, digits - exponent)
        if abs(candidate / frequency_hz - 1) <= _NEAR_ROUND:
            return float(candidate)
    return frequency_hz


def _nominal_finding(nominal: float) -> Finding:
    sentence = (
        f"The log states no nominal frequency; {_frequency_text(nominal)}, the round value next to the "
        "readings, was assumed (override with --nominal-frequency or nominal_frequency_hz)."
    )
    values = {"nominal_frequency_hz": nominal}
    return Finding(code="ASSUMED_NOMINAL", severity="caution", sentence=sentence, values=values)


def _frequency_text(frequency_hz: float) -> str:
    for size, name in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if frequency_hz >= size:
            return f"{frequency_hz / size:.10g} {name}"
    return f"{frequency_hz:.10g} Hz"


def _check_near(typical: float, nominal: float, name: str, path: str) -> None:
    if abs(typical / nominal - 1) > FARTHEST_FROM_NOMINAL:
        msg = (
            f"the readings (median {typical:.9g}) are more than {FARTHEST_FROM_NOMINAL:.0%} away from the "
            f"nominal {name}; check --unit (unit) and --nominal-frequency (nominal_frequency_hz)"
        )
        raise LogError(msg, path=path)
