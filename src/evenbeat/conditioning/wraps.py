"""Time errors that were measured modulo a period: whole periods are put back, nothing else is touched."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from evenbeat.conditioning.shared import counted, places_text, present, running_median, spread
from evenbeat.errors import InputError
from evenbeat.findings import Finding, Severity
from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record
from evenbeat.units import time_text

NAME = "wraps"
_SLOPE_WIDTH = 31
_FEWEST_JUMPS = 3
_NEAR_WHOLE = 0.1
_CLEAR = 8.0


@dataclass(frozen=True, eq=False, kw_only=True)
class _Jumps:
    """Changes from sample to sample beyond the local slope.

    Parameters
    ----------
    where
        Positions of the samples that are present.
    excess
        Change into each present sample but the first, the local slope removed.
    """

    where: npt.NDArray[np.intp]
    excess: FloatArray
    noise: float


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
    there = counted(len(present(values)), "reading")
    if len(present(values)) < 4:
        return record.checked(NAME, f"{there}, fewer than 4", looked=False)
    jumps = _jumps(values)
    period = period_s if period_s is not None else _evident_period(record, jumps)
    if period is None:
        return record.checked(NAME, f"{there}, no period known")
    looked_at = f"{there}, period {time_text(period)}"
    if _CLEAR * jumps.noise > 0.5 * period:
        return record.checked(NAME, f"{looked_at}: too noisy to tell", looked=False)
    turns = np.rint(jumps.excess / period)
    near = np.abs(jumps.excess - turns * period) <= max(_NEAR_WHOLE * period, 5 * jumps.noise)
    turns = np.where(near, turns, 0.0)
    if not turns.any():
        return record.checked(NAME, looked_at)
    taken = np.zeros(len(record))
    taken[jumps.where[1:]] = turns
    places = jumps.where[1:][turns != 0]
    flags = [
        Flag(
            cause="phase_wrap",
            start=int(place),
            stop=int(place),
            excluded=False,
            sentence=f"{int(turn):+d} period(s) of {time_text(period)} taken back.",
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


def _jumps(values: FloatArray) -> _Jumps:
    where = present(values)
    elapsed = np.diff(where)
    change = np.diff(np.asarray(values[where], dtype=float))
    slope = running_median(change / elapsed, _SLOPE_WIDTH)
    excess = change - slope * elapsed
    return _Jumps(where=where, excess=excess, noise=spread(excess))


def _evident_period(record: Record, jumps: _Jumps) -> float | None:
    values = record.values[jumps.where]
    extent = float(values.max() - values.min())
    sizes = np.abs(jumps.excess)
    large = sizes > max(0.5 * extent, _CLEAR * jumps.noise)
    if np.count_nonzero(large) < _FEWEST_JUMPS:
        return None
    size = float(np.median(sizes[large]))
    tolerance = max(0.02 * size, 5 * jumps.noise)
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
