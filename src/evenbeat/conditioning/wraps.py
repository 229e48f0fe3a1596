"""Time errors that were measured modulo a period: whole periods are put back, nothing else is touched."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from evenbeat.conditioning.shared import places_text, present, running_median, spread
from evenbeat.errors import InputError
from evenbeat.findings import Finding, Severity
from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record
from evenbeat.units import counted, time_text

NAME = "wraps"
_SLOPE_WIDTH = 31
_FEWEST_JUMPS = 3
_NEAR_WHOLE = 0.1
_CLEAR = 8.0


def with_wraps_repaired(record: Record, *, period_s: float | None) -> Record:
    """Return the record with whole wrap periods put back, flagged and written in its history.

    Parameters
    ----------
    period_s
        Period of the wrap in seconds; where ``None``, a repair is made only if the wrap is evident: at
        least three jumps of one size, all samples within one period.

    Raises
    ------
    InputError
        If the period is not a positive number.

    Notes
    -----
    Valid while the time error changes by less than half a period between samples.
    """
    if period_s is not None and not (math.isfinite(period_s) and period_s > 0):
        msg = f"wrap_period_s is {period_s}; it must be a positive number of seconds"
        raise InputError(msg)
    if record.kind != "phase":
        return record.checked(NAME, "frequencies do not wrap", looked=False)
    values = record.usable_values(without_steps=False)
    where = present(values)
    there = counted(len(where), "reading")
    if len(where) < 4:
        return record.checked(NAME, f"{there}, fewer than 4", looked=False)
    elapsed, change = np.diff(where), np.diff(np.asarray(values[where], dtype=float))
    excess = change - running_median(change / elapsed, _SLOPE_WIDTH) * elapsed  # beyond the local slope
    noise = spread(excess)
    period = period_s if period_s is not None else _evident_period(record, where, excess, noise)
    if period is None:
        return record.checked(NAME, f"{there}, no period known")
    looked_at = f"{there}, period {time_text(period)}"
    if _CLEAR * noise > 0.5 * period:
        return record.checked(NAME, f"{looked_at}: too noisy to tell", looked=False)
    turns = np.rint(excess / period)
    near = np.abs(excess - turns * period) <= max(_NEAR_WHOLE * period, 5 * noise)
    turns = np.where(near, turns, 0.0)
    if not turns.any():
        return record.checked(NAME, looked_at)
    taken = np.zeros(len(record))
    taken[where[1:]] = turns
    places = where[1:][turns != 0]
    flags = [
        Flag(
            cause="phase_wrap",
            start=int(place),
            stop=int(place),
            excluded=False,
            sentence=(
                f"{int(turn):+d} {'period' if abs(turn) == 1 else 'periods'} of {time_text(period)} "
                "taken back."
            ),
            put_back_s=-float(turn) * period,
        )
        for place, turn in zip(places, turns[turns != 0], strict=True)
    ]
    evident = period_s is None
    why = "evident from the jumps (override with wrap_period_s)" if evident else "as given"
    sentence = (
        f"{len(places)} jumps by whole multiples of {time_text(period)} ({why}) were taken back; only whole "
        "periods were changed."
    )
    severity: Severity = "caution" if evident else "note"
    found = {"count": len(places), "period_s": period}
    values = np.asarray(record.values, dtype=float) - np.cumsum(taken) * period
    return replace(record, values=values).checked(
        NAME,
        looked_at,
        flags=flags,
        findings=[Finding(code="PHASE_WRAP", severity=severity, sentence=sentence, values=found)],
        found=len(places),
        where=places_text(record, places),
        advice="State wrap_period_s if the period is another." if evident else "",
        done={"period_s": period, "repaired": len(places)},
    )


def _evident_period(
    record: Record, where: npt.NDArray[np.intp], excess: FloatArray, noise: float
) -> float | None:
    values = record.values[where]
    extent = float(values.max() - values.min())
    sizes = np.abs(excess)
    large = sizes > max(0.5 * extent, _CLEAR * noise)
    if np.count_nonzero(large) < _FEWEST_JUMPS:
        return None
    size = float(np.median(sizes[large]))
    tolerance = max(0.02 * size, 5 * noise)
    alike = np.abs(sizes[large] - size) <= tolerance
    if not alike.all() or extent > size + tolerance:
        return None
    return _round_period(size, tolerance, record.nominal_frequency_hz)


def _round_period(size: float, tolerance: float, nominal_frequency_hz: float | None) -> float:
    """Return the period of the nominal frequency or a round value, where one is within tolerance."""
    exponent = math.floor(math.log10(size))
    candidates = [round(size, digits - exponent) for digits in range(3)]
    if nominal_frequency_hz is not None:
        candidates.insert(0, 1 / nominal_frequency_hz)
    return next((c for c in candidates if c > 0 and abs(c - size) <= tolerance), size)
