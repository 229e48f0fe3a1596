"""Readings in the unit of the log → time error in seconds or fractional frequency, every guess a finding."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from evenbeat.epochs import Grid
from evenbeat.errors import InputError, LogError, RowError
from evenbeat.findings import Finding, caution, note
from evenbeat.intake import FARTHEST_FROM_NOMINAL, relative_to, thinned
from evenbeat.logs.terms import QUANTITIES
from evenbeat.plausible import ASSUMED_NOMINAL
from evenbeat.quantities import FloatArray
from evenbeat.record import Kind
from evenbeat.units import counted, frequency_text, parse_unit, percent

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


class Statement(NamedTuple):
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
    quantities = [(said, said.quantity) for said in statements if said.quantity is not None]
    units = [(said, said.unit) for said in statements if said.unit is not None]
    dimensions = []
    for said, quantity in quantities:
        if quantity not in QUANTITIES:
            msg = f"{said.where} gives the quantity '{quantity}'; it must be one of {', '.join(QUANTITIES)}"
            raise LogError(msg)
        if "phase" in (quantity, quantities[0][1]) and "time_interval" in (quantity, quantities[0][1]):
            continue
        if quantity != quantities[0][1]:
            raise _contradiction(*quantities[0], said, quantity)
    for said, unit in units:
        try:
            dimensions.append(parse_unit(unit))
        except InputError as error:
            msg = f"{said.where}: {error}"
            raise LogError(msg) from None
        if dimensions[-1] != dimensions[0]:
            raise _contradiction(*units[0], said, unit)
    if quantities and units:
        wanted, found = quantities[0][1], dimensions[0][0]
        fraction = wanted in ("interval_error", "frequency_difference") and found == "fractional"
        if not (found == _DIMENSIONS[wanted] or fraction):  # such as µs per second
            raise _contradiction(*quantities[0], *units[0])
    return (quantities[0][1] if quantities else None), (units[0][1] if units else None)


def _contradiction(one: Statement, first: str, other: Statement, second: str) -> LogError:
    msg = (
        f"{one.where} says '{first}' but {other.where} says '{second}', which contradict each other; "
        "correct the one that is wrong"
    )
    return LogError(msg, line=other.line or one.line)


def convert(
    readings: FloatArray,
    *,
    quantity: str | None,
    unit: str | None,
    nominal_frequency_hz: float | None,
    column: str,
    interval_s: float | None = None,
) -> Converted:
    """Return the readings in SI: positive where the device is ahead or fast (IEEE Std 1139)."""
    kind: Kind = "frequency"
    nominal, typical, found = nominal_frequency_hz, typical_of(readings), tuple[Finding, ...]()
    if unit is None and quantity is not None:
        unit, found = _usual_unit(quantity, typical, column)
    elif unit is None:
        quantity, unit = "frequency", "Hz"
        found = (_guessed_frequency(readings, typical, nominal_frequency_hz, column),)
    elif quantity is None:  # of times only a phase is assumed
        known = {"frequency": "frequency", "fractional": "fractional_frequency", "time": "phase"}
        quantity = known[parse_unit(unit)[0]]
        found = (_assumed("phase (time error)", unit, column),) if quantity == "phase" else ()
    dimension, factor = parse_unit(unit)
    values = readings if factor == 1 else readings * factor
    if quantity == "interval_error":  # one that comes out too long is of a slow device
        if dimension == "time" and interval_s is None:
            sentence = (
                "The readings were taken as errors of one second each (override with --set gate=… or gate_s)."
            )
            found = (*found, caution("ASSUMED_SECONDS", sentence))
        factor /= (interval_s or 1.0) if dimension == "time" else 1.0
        nominal, errors = None, readings * factor
        with np.errstate(divide="ignore"):
            values = 0.0 - errors / (1 + errors)
    elif quantity in ("phase", "time_interval"):
        kind = "phase"
    elif quantity == "frequency_ratio":
        _check_near(typical * factor, 1.0, "1")
        values = values - 1
    elif quantity == "frequency_difference" and dimension != "fractional":
        if nominal is None:
            msg = (
                "the readings are differences from a nominal frequency that nothing states; state it with "
                "--nominal-frequency, such as --nominal-frequency '10 MHz' (nominal_frequency_hz)"
            )
            raise LogError(msg)
        factor /= nominal
        values = readings * factor
    elif quantity in ("frequency", "period"):
        period = quantity == "period"
        typical_hz = 1 / (typical * factor) if period and typical else typical * factor
        if nominal is None:
            nominal, assumed = assumed_nominal(typical_hz)
            found = (*found, assumed)
        _check_near(typical_hz, nominal, f"{nominal:.12g} Hz")
        if period:
            with np.errstate(divide="ignore"):
                values = (1 / nominal - values) / values
        else:
            values = relative_to(nominal / factor, readings)
        factor = factor * nominal if period else factor / nominal
    return Converted(
        kind=kind,
        values=values,
        step_factor=abs(factor),
        nominal_frequency_hz=nominal,
        quantity=quantity,
        unit=unit,
        findings=found,
    )


def typical_of(readings: FloatArray) -> float:
    """Return the median of the readings, of a hundred thousand spread evenly where there are more.

    NaN where all are missing, as in a block of a long log.
    """
    spread = thinned(readings, _SOME)
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


def _usual_unit(quantity: str, typical: float, column: str) -> tuple[str, tuple[Finding, ...]]:
    """Return the unit of a quantity without one: of times none is assumed, of large fractions neither."""
    default = {"frequency": "Hz", "fractional": "1", "time": "s", "count": "1"}[_DIMENSIONS[quantity]]
    what, msg = quantity.replace("_", " "), ""
    if default == "s":
        msg = (
            f"nothing states the unit of the {what} in column {column} (median {typical:.3g}); say it "
            "with --unit s, ms, us, ns or ps (unit)"
        )
    elif quantity == "frequency_difference":
        msg = (
            f"nothing states the unit of the frequency difference in column {column} (median "
            f"{typical:.3g}); say it with --unit Hz and --nominal-frequency, such as '10 MHz', or with "
            "--unit ppm, ppb or 1 where it is a fraction (unit, nominal_frequency_hz)"
        )
    elif quantity == "fractional_frequency" and abs(typical) > _FARTHEST_FROM_NOMINAL:
        msg = (
            f"the fractional frequency in column {column} (median {typical:.3g}) is too large for a "
            "plain number; say its unit with --unit ppm, ppb, 1e-9 … (unit)"
        )
    if msg:
        raise RowError(msg, 0)
    sentence = (
        f"The log states no unit for the {what} in column {column}; "
        f"{'a plain number' if default == '1' else default} was assumed (override with --unit or unit)."
    )
    found = () if quantity == "frequency_ratio" else (note("ASSUMED_UNIT", sentence, unit=default),)
    return default, found


def _guessed_frequency(
    readings: FloatArray, typical: float, nominal_hz: float | None, column: str
) -> Finding:
    """Return what to say where nearly all readings lie next to a usual frequency in hertz, else refuse."""
    candidates = [hz for hz in ASSUMED_NOMINALS_HZ if hz >= 1e3] if nominal_hz is None else [nominal_hz]
    nearest = min(candidates, key=lambda hz: abs(typical / hz - 1))
    some = thinned(readings, _SOME)
    near = np.abs(some[~np.isnan(some)] / nearest - 1) < _NEAR_GUESSED  # and not a count that runs round
    if abs(typical / nearest - 1) < _NEAR_GUESSED and 2 * np.count_nonzero(near) > len(near):
        return _assumed(f"the frequency of a {frequency_text(nearest)} source", "Hz", column)
    msg = (
        f"nothing says what the readings of column {column} (median {typical:.6g}) are; say it with "
        f"--quantity {'|'.join(QUANTITIES)} (quantity) and --unit (unit)"
    )
    if abs(typical) < _SMALL:
        msg = (
            f"nothing says whether the small readings of column {column} (median {typical:.3g}) are time "
            "errors or fractional frequencies; decide with --quantity phase or fractional_frequency "
            "(quantity) and --unit (unit)"
        )
    raise RowError(msg, 0)


def _assumed(what: str, unit: str, column: str) -> Finding:
    sentence = (
        f"Nothing in the log says what its readings are; column {column} was taken as {what} in {unit} "
        "(override with --quantity or quantity)."
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
            f"the readings (median {typical:.9g}) are more than {percent(FARTHEST_FROM_NOMINAL)} away from "
            f"the nominal {name}; check --unit (unit) and --nominal-frequency (nominal_frequency_hz)"
        )
        raise LogError(msg)


_CAPACITIES = (*(2.0**bits for bits in (16, 24, 32, 40, 48)), *(10.0**digits for digits in range(6, 15)))
_LARGEST_EXACT = 2.0**53
_OFTEN, _FEWEST_FALLS = 0.1, 2  # of the rows


def phase_of_counts(counts: FloatArray, *, grid: Grid, nominal_frequency_hz: float | None) -> Converted:
    """Return the time error of a source whose cycles were totalised: cycles / nominal - elapsed time.

    Not valid when the rows are timed by a clock that is worse than the source.
    """
    rows = np.flatnonzero(~np.isnan(counts))
    known = counts[rows]
    bad = (known != np.floor(known)) | (np.abs(known) >= _LARGEST_EXACT)
    if bad.any():
        row = int(rows[int(np.argmax(bad))])
        msg = f"the total {counts[row]:.15g} is not a whole number of cycles below 2^53"
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

    Cycles ``expected`` between totals by the nominal frequency tell how often a short counter wraps from one
    to the next.
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
            f"the total falls from {known[falls[0]]:.15g} to {known[falls[0] + 1]:.15g}, which is not a wrap "
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
    sentence = f"The counter wrapped {counted(len(falls), 'time')} at {capacity:.15g}; this was undone."
    finding = note("COUNT_WRAPPED", sentence, wraps=len(falls), capacity=capacity)
    return known + capacity * wraps, (finding,)


def _unwrapped_by_nominal(
    known: FloatArray, expected: FloatArray, capacity: float, rows: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return totals of a counter that wraps several times a row; off by half its capacity, it is misread."""
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
