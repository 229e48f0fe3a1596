"""Readings in the unit of the log → time error in seconds or fractional frequency, every guess a finding."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.epochs import Grid
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding, caution, note
from evenbeat.intake import FARTHEST_FROM_NOMINAL, relative_to
from evenbeat.logs.refusal import RowError
from evenbeat.logs.terms import QUANTITIES
from evenbeat.plausible import ASSUMED_NOMINAL
from evenbeat.quantities import FloatArray
from evenbeat.record import Kind
from evenbeat.units import frequency_text, parse_unit

_DIMENSIONS = {
    "frequency": "frequency",
    "fractional_frequency": "fractional",
    "frequency_ratio": "fractional",
    "frequency_difference": "frequency",
    "phase": "time",
    "time_interval": "time",
    "period": "time",
    "interval_error": "time",
    "count": "count",
}
ASSUMED_NOMINALS_HZ = (5e6, *(10.0**e for e in range(10)))
_NEAR_ASSUMED = 1e-4
USUAL_NOMINALS_HZ = tuple(  # common practice: what oscillators and crystals are made for
    megahertz * 1e6
    for megahertz in (
        *(0.032768, 1, 1.8432, 2.048, 3.579545, 4, 4.194304, 5, 8, 10, 11.0592, 12, 12.288, 12.8, 13),
        *(14.31818, 15, 16, 16.384, 19.2, 19.44, 20, 24, 24.576, 25, 26, 27, 30.72, 32, 33.333333, 38.4),
        *(38.88, 40, 48, 50, 52, 61.44, 100, 122.88, 125, 155.52, 156.25),
    )
)
_NEAR_USUAL = 0.01
_NEAR_GUESSED = 1e-3
_SOME = 100_000
_FARTHEST_FROM_NOMINAL = 0.02
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
    """Readings in SI."""

    kind: Kind
    values: FloatArray  # shape (n,), seconds (phase) or dimensionless (frequency), NaN where missing
    step_factor: float  # size in SI of a reading's unit, so that a display step can be converted
    nominal_frequency_hz: float | None
    # quantity, unit: what the readings were taken for
    quantity: str = ""
    unit: str = ""
    findings: tuple[Finding, ...] = ()


def agreed(statements: tuple[Statement, ...]) -> tuple[str | None, str | None]:
    """Return the quantity and unit on which all statements agree, ``None`` where nothing is said."""
    quantity: Statement | None = None
    unit: Statement | None = None
    for said in statements:
        if said.quantity is not None:
            _check_quantity(said)
            quantity = quantity or said
            if _same_quantity(said.quantity) != _same_quantity(quantity.quantity or ""):
                raise _contradiction(quantity, quantity.quantity, said, said.quantity)
        if said.unit is not None:
            factor = _factor(said)
            unit = unit or said
            if factor != _factor(unit):
                raise _contradiction(unit, unit.unit, said, said.unit)
    if quantity and unit and not _fitting(quantity.quantity or "", _factor(unit)[0]):
        raise _contradiction(quantity, quantity.quantity, unit, unit.unit)
    return (quantity.quantity if quantity else None), (unit.unit if unit else None)


def _fitting(quantity: str, dimension: str) -> bool:
    """Return whether a unit suits a quantity: interval errors may be fractions, such as µs per second."""
    fractions = ("interval_error", "frequency_difference")
    return dimension == _DIMENSIONS[quantity] or (quantity in fractions and dimension == "fractional")


def convert(
    readings: FloatArray,
    *,
    quantity: str | None,
    unit: str | None,
    nominal_frequency_hz: float | None,
    column: str,
    interval_s: float | None = None,
) -> Converted:
    """Return the readings in SI, as if they were readings of the device under test.

    Notes
    -----
    Positive means that the device under test is ahead (phase) or fast (frequency), IEEE Std 1139.
    """
    typical = typical_of(readings)
    findings: tuple[Finding, ...]
    if quantity is not None:
        quantity, unit, findings = _with_unit(quantity, unit, typical=typical, column=column)
    elif unit is not None:
        quantity, unit, findings = _of_unit(unit, column)
    else:
        quantity, unit, findings = _guessed(readings, typical, nominal_frequency_hz, column)
    converted = _in_si(
        readings,
        quantity=quantity,
        unit=unit,
        typical=typical,
        nominal_frequency_hz=nominal_frequency_hz,
        interval_s=interval_s,
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
) -> Converted:
    findings: tuple[Finding, ...] = ()
    dimension, factor = parse_unit(unit)
    if quantity == "interval_error":  # one that comes out too long is of a slow device
        if dimension == "time":
            if interval_s is None:
                sentence = (
                    "The readings were taken as errors of one second each (override with --set gate=… or "
                    "gate_s)."
                )
                findings = (caution("ASSUMED_SECONDS", sentence),)
            factor /= interval_s or 1.0
        errors = readings * factor
        with np.errstate(divide="ignore"):
            return _converted("frequency", 0.0 - errors / (1 + errors), factor, None, findings)
    if quantity in ("phase", "time_interval"):
        values = readings if factor == 1 else readings * factor
        return _converted("phase", values, factor, nominal_frequency_hz, findings)
    if quantity == "fractional_frequency" or (quantity, dimension) == ("frequency_difference", "fractional"):
        return _converted("frequency", readings * factor, factor, nominal_frequency_hz, findings)
    if quantity == "frequency_ratio":
        _check_near(typical * factor, 1.0, "1")
        return _converted("frequency", readings * factor - 1, factor, nominal_frequency_hz, findings)
    if quantity == "frequency_difference":
        if nominal_frequency_hz is None:
            msg = (
                "the readings are differences from a nominal frequency that nothing states; state it with "
                "--nominal-frequency, such as --nominal-frequency '10 MHz' (nominal_frequency_hz)"
            )
            raise LogError(msg)
        values = readings * (factor / nominal_frequency_hz)
        return _converted("frequency", values, factor / nominal_frequency_hz, nominal_frequency_hz, findings)
    period = quantity == "period"
    typical_hz = 1 / (typical * factor) if period and typical else typical * factor
    nominal = nominal_frequency_hz
    if nominal is None:
        nominal, assumed = assumed_nominal(typical_hz)
        findings = (*findings, assumed)
    _check_near(typical_hz, nominal, f"{nominal:.12g} Hz")
    if period:
        with np.errstate(divide="ignore"):
            values = (1 / nominal - readings * factor) / (readings * factor)
        return _converted("frequency", values, factor * nominal, nominal, findings)
    values = relative_to(nominal / factor, readings)
    return _converted("frequency", values, factor / nominal, nominal, findings)


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
    sentence += "(override with --set reading_of=… or reading_of)."
    finding = note("TURNED_SIGN", sentence)
    return replace(converted, values=values, findings=(*converted.findings, finding))


def _converted(
    kind: Kind, values: FloatArray, factor: float, nominal: float | None, findings: tuple[Finding, ...]
) -> Converted:
    return Converted(
        kind=kind, values=values, step_factor=abs(factor), nominal_frequency_hz=nominal, findings=findings
    )


def _check_quantity(said: Statement) -> None:
    if said.quantity not in QUANTITIES:
        msg = f"{said.where} gives the quantity '{said.quantity}'; it must be one of {', '.join(QUANTITIES)}"
        raise LogError(msg)


def _same_quantity(quantity: str) -> str:
    return "phase" if quantity == "time_interval" else quantity


def _factor(said: Statement) -> tuple[str, float]:
    try:
        return parse_unit(said.unit or "")
    except InputError as error:
        msg = f"{said.where}: {error}"
        raise LogError(msg) from None


def _contradiction(one: Statement, first: str | None, other: Statement, second: str | None) -> LogError:
    msg = (
        f"{one.where} says '{first}' but {other.where} says '{second}', which contradict each other; "
        "correct the one that is wrong"
    )
    return LogError(msg, line=other.line or one.line)


def _of_unit(unit: str, column: str) -> tuple[str, str, tuple[Finding, ...]]:
    """Return the quantity that a unit tells; of times only a phase is assumed."""
    quantities = {"frequency": "frequency", "fractional": "fractional_frequency", "time": "phase"}
    quantity = quantities[parse_unit(unit)[0]]
    if quantity == "phase":
        return quantity, unit, (_assumed("phase (time error)", unit, column, "quantity"),)
    return quantity, unit, ()


def _with_unit(
    quantity: str, unit: str | None, *, typical: float, column: str
) -> tuple[str, str, tuple[Finding, ...]]:
    """Return a quantity with its unit; of times it is never assumed, of fractions only of small ones."""
    if unit is None:
        default = {"frequency": "Hz", "fractional": "1", "time": "s", "count": "1"}[_DIMENSIONS[quantity]]
        if default == "s":
            what = quantity.replace("_", " ")
            msg = (
                f"nothing states the unit of the {what} in column {column} (median {typical:.3g}); say it "
                "with --unit s, ms, us, ns or ps (unit)"
            )
            raise LogError(msg)
        if quantity == "frequency_difference":
            msg = (
                f"nothing states the unit of the frequency difference in column {column} (median "
                f"{typical:.3g}); say it with --unit Hz and --nominal-frequency, such as '10 MHz', or with "
                "--unit ppm, ppb or 1 where it is a fraction (unit, nominal_frequency_hz)"
            )
            raise LogError(msg)
        if quantity == "fractional_frequency" and abs(typical) > _FARTHEST_FROM_NOMINAL:
            msg = (
                f"the fractional frequency in column {column} (median {typical:.3g}) is too large for a "
                "plain number; say its unit with --unit ppm, ppb, 1e-9 … (unit)"
            )
            raise LogError(msg)
        if quantity == "frequency_ratio":
            return quantity, default, ()
        sentence = (
            f"The log states no unit for the {quantity.replace('_', ' ')} in column {column}; "
            f"{'a plain number' if default == '1' else default} was assumed (override with --unit or unit)."
        )
        found = note("ASSUMED_UNIT", sentence, unit=default)
        return quantity, default, (found,)
    return quantity, unit, ()


def _guessed(
    readings: FloatArray, typical: float, nominal_hz: float | None, column: str
) -> tuple[str, str, tuple[Finding, ...]]:
    """Return frequency in hertz where nearly all readings lie next to a usual frequency, else refuse."""
    candidates = [hz for hz in ASSUMED_NOMINALS_HZ if hz >= 1e3] if nominal_hz is None else [nominal_hz]
    nearest = min(candidates, key=lambda hz: abs(typical / hz - 1))
    some = readings[:: max(1, len(readings) // _SOME)]
    near = np.abs(some[~np.isnan(some)] / nearest - 1) < _NEAR_GUESSED  # and not a count that runs round
    if abs(typical / nearest - 1) < _NEAR_GUESSED and 2 * np.count_nonzero(near) > len(near):
        what = f"the frequency of a {frequency_text(nearest)} source"
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
    raise LogError(msg)


def _assumed(what: str, unit: str, column: str, option: str) -> Finding:
    sentence = (
        f"Nothing in the log says what its readings are; column {column} was taken as {what} in {unit} "
        f"(override with --{option} or {option})."
    )
    return caution("ASSUMED_QUANTITY", sentence, unit=unit)


def assumed_nominal(frequency_hz: float) -> tuple[float, Finding]:
    """Return the nominal frequency of readings of a usual standard, and the finding that says so.

    Assumed are 5 MHz and powers of ten up to 1 GHz, where the readings lie within 1e-4 of them.
    """
    if not (math.isfinite(frequency_hz) and frequency_hz > 0):
        msg = (
            f"the median frequency is {frequency_hz:g} Hz; a frequency log must hold positive frequencies: "
            "for deviations state --quantity fractional_frequency or frequency_difference and --unit "
            "(quantity, unit), or choose "
            "another column with --column value=… (columns={'value': …})"
        )
        raise LogError(msg)
    nominal = min(ASSUMED_NOMINALS_HZ, key=lambda hz: abs(frequency_hz / hz - 1))
    if abs(frequency_hz / nominal - 1) <= _NEAR_ASSUMED:
        sentence = (
            f"The log states no nominal frequency; {frequency_text(nominal)}, the usual standard next to the "
            "readings, was assumed (override with --nominal-frequency or nominal_frequency_hz)."
        )
        return nominal, caution(ASSUMED_NOMINAL, sentence, nominal_frequency_hz=nominal)
    near = [hz for hz in USUAL_NOMINALS_HZ if abs(frequency_hz / hz - 1) <= _NEAR_USUAL]
    near.sort(key=lambda hz: abs(frequency_hz / hz - 1))
    told = ", ".join(f"{frequency_text(hz)} ({frequency_hz / hz - 1:+.2g})" for hz in near)
    example = frequency_text(near[0]) if near else "10 MHz"
    msg = (
        f"the log states no nominal frequency and its readings (median {frequency_hz:.12g} Hz) do not tell "
        f"it; {f'usual ones near by are {told}' if near else 'no usual one lies near by'}: state it with "
        f"--nominal-frequency, such as --nominal-frequency '{example}' (nominal_frequency_hz)"
    )
    raise LogError(msg)


def _check_near(typical: float, nominal: float, name: str) -> None:
    if abs(typical / nominal - 1) > FARTHEST_FROM_NOMINAL:
        msg = (
            f"the readings (median {typical:.9g}) are more than {FARTHEST_FROM_NOMINAL:.0%} away from the "
            f"nominal {name}; check --unit (unit) and --nominal-frequency (nominal_frequency_hz)"
        )
        raise LogError(msg)


_CAPACITIES = (*(2.0**bits for bits in (16, 24, 32, 40, 48)), *(10.0**digits for digits in range(6, 15)))
_LARGEST_EXACT = 2.0**53
_OFTEN, _FEWEST_FALLS = 0.1, 2  # of the rows


def phase_of_counts(counts: FloatArray, *, grid: Grid, nominal_frequency_hz: float | None) -> Converted:
    """Return the time error of a source whose cycles were totalised: cycles / nominal - elapsed time.

    Parameters
    ----------
    counts
        Shape (rows,), running total at each row; NaN = missing.

    Notes
    -----
    Not valid when the rows are timed by a clock that is worse than the source.
    """
    rows = np.flatnonzero(~np.isnan(counts))
    known = counts[rows]
    bad = (known != np.floor(known)) | (np.abs(known) >= _LARGEST_EXACT)
    if bad.any():
        row = int(rows[int(np.argmax(bad))])
        msg = f"the total {counts[row]:.15g} is no whole number of cycles below 2^53"
        raise RowError(msg, row)
    if grid.epochs_ns is None:
        places, unit_s = rows if grid.positions is None else grid.positions[rows], grid.interval_s
    else:
        places, unit_s = grid.epochs_ns[rows], 1e-9
    cells = (places - places[0]).astype(float)
    nominal = nominal_frequency_hz
    expected = None if nominal is None else np.diff(cells) * unit_s * nominal
    total, findings = _unwrapped(known, rows, expected)
    if nominal is None:
        rate = float((total[-1] - total[0]) / (cells[-1] * unit_s))
        nominal, found = assumed_nominal(rate)
        findings = (*findings, found)
    phase = np.full(len(counts), np.nan)
    phase[rows] = ((total - total[0]) - cells * (nominal * unit_s)) / nominal
    when = "grid" if grid.epochs_ns is None else "times"
    sentence = (
        f"The time error was taken from totals of cycles and the {when} of the rows; it starts at zero."
    )
    finding = note("PHASE_FROM_COUNTS", sentence)
    return Converted(
        kind="phase",
        values=phase,
        step_factor=1 / nominal,
        nominal_frequency_hz=nominal,
        findings=(*findings, finding),
    )


def _unwrapped(
    known: FloatArray, rows: np.ndarray[tuple[int], np.dtype[np.int64]], expected: FloatArray | None
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return totals that never fall, the capacity of the counter added at each wrap.

    Parameters
    ----------
    expected
        Shape (totals - 1,), cycles between them by the nominal frequency, which tells how often a short
        counter wraps from one total to the next; ``None`` where it is not stated.
    """
    falls = np.flatnonzero(np.diff(known) < 0)
    if not len(falls):
        return known, ()
    largest = float(known.max())
    capacity = next((size for size in _CAPACITIES if largest < size), 0.0)
    if capacity and expected is not None and float(np.median(expected)) >= capacity:
        return _unwrapped_by_nominal(known, expected, capacity, rows)
    step = float(np.median(np.diff(known)))
    back = np.diff(known)[falls] + capacity
    if not capacity or step <= 0 or bool((np.abs(back - step) > 0.5 * step).any()):
        row = int(rows[falls[0] + 1])
        msg = (
            f"the total falls from {known[falls[0]]:.15g} to {known[falls[0] + 1]:.15g}, which is no wrap "
            "of a counter; cut the log there"
        )
        if expected is None and capacity and len(falls) > max(_FEWEST_FALLS, _OFTEN * len(known)):
            msg = (
                f"the total falls in {len(falls)} of {len(known)} rows, as a counter of {capacity:.15g} does "
                "that wraps several times from row to row: only the nominal frequency tells how often; state "
                "it with --nominal-frequency, such as --nominal-frequency '10 MHz' (nominal_frequency_hz)"
            )
        raise RowError(msg, row)
    wraps = np.concatenate([[0.0], np.cumsum(np.diff(known) < 0)])
    sentence = f"The counter wrapped {len(falls)} time(s) at {capacity:.15g}; this was undone."
    finding = note("COUNT_WRAPPED", sentence, wraps=len(falls), capacity=capacity)
    return known + capacity * wraps, (finding,)


def _unwrapped_by_nominal(
    known: FloatArray, expected: FloatArray, capacity: float, rows: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return totals of a counter that wraps several times from row to row.

    Notes
    -----
    Not valid for an offset of more than half a capacity from row to row, which the sentence names.
    """
    steps = np.diff(known)
    excess = steps - expected
    excess -= capacity * np.rint(excess / capacity)
    far = np.abs(excess) > capacity / 4
    if far.any():
        row = int(rows[int(np.argmax(far)) + 1])
        msg = (
            f"from the row before the counter of {capacity:.15g} went on by {abs(excess[far][0]):.6g} cycles "
            "more or less than its nominal frequency, too many to tell how often it wrapped; check "
            "--nominal-frequency (nominal_frequency_hz) or log more often"
        )
        raise RowError(msg, row)
    wraps = np.rint((expected + excess - steps) / capacity)
    largest = capacity / 2 / float(np.median(expected))
    sentence = (
        f"The counter wrapped about {np.median(wraps):.0f} times from row to row at {capacity:.15g}; how "
        f"often was taken from the nominal frequency, so an offset beyond ±{largest:.1g} is misread."
    )
    finding = caution("COUNT_WRAPPED", sentence, wraps=int(wraps.sum()), capacity=capacity)
    return known + capacity * np.concatenate([[0.0], np.cumsum(wraps)]), (finding,)
