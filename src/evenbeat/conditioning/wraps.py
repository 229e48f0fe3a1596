"""Time errors that were measured modulo a period: whole periods are put back, nothing else is touched."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from evenbeat.conditioning.shared import (
    Piece,
    Places,
    Series,
    places_text,
    running_median,
    spread,
    usable,
)
from evenbeat.errors import InputError
from evenbeat.findings import caution, note
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

    Without a period a repair is made only if the wrap is evident: at least three jumps of one size, all
    samples within one period. Valid while the time error changes by less than half a period between samples.
    """
    if period_s is not None and not (math.isfinite(period_s) and period_s > 0):
        msg = f"wrap_period_s is {period_s}; it must be a positive number of seconds"
        raise InputError(msg)
    if record.kind != "phase":
        return record.checked(NAME, "frequencies do not wrap", looked=False)
    series = usable(record, without_steps=False)
    there = counted(len(series), "reading")
    if len(series) < 4:
        return record.checked(NAME, f"{there}, fewer than 4", looked=False)
    period, noise = period_s, 0.0
    if period_s is not None or _may_wrap(series):
        excess = series.usual(_excess, _SLOPE_WIDTH)
        noise = spread(excess[~np.isnan(excess)])
        period = period_s or _evident_period(series, noise, record.nominal_frequency_hz)
    if period is None:
        return record.checked(NAME, f"{there}, no period known")
    looked_at = f"{there}, period {time_text(period)}"
    if _CLEAR * noise > 0.5 * period:
        return record.checked(NAME, f"{looked_at}: too noisy to tell", looked=False)
    places, sizes = _jumps(series, 0.5 * period)
    turns = np.rint(sizes / period)
    near = np.abs(sizes - turns * period) <= max(_NEAR_WHOLE * period, 5 * noise)
    places, turns = places[near & (turns != 0)], turns[near & (turns != 0)]
    if not len(places):
        return record.checked(NAME, looked_at)
    flags = []
    for place, turn in zip(places.tolist(), turns.tolist(), strict=True):
        said = f"{turn:+.0f} period{'s' * (abs(turn) != 1)} of {time_text(period)} taken back."
        back_s = -turn * period
        flags.append(
            Flag(
                cause="phase_wrap", start=place, stop=place, excluded=False, sentence=said, put_back_s=back_s
            )
        )
    evident = period_s is None
    why = "evident from the jumps (override with wrap_period_s)" if evident else "as given"
    sentence = (
        f"{len(places)} jumps by whole multiples of {time_text(period)} ({why}) were taken back; only whole "
        "periods were changed."
    )
    finding = (caution if evident else note)("PHASE_WRAP", sentence, count=len(places), period_s=period)
    taken = np.append(0.0, np.cumsum(turns))
    values = record.values - period * np.repeat(taken, np.diff([0, *places, len(record)]))
    return replace(record, values=values).checked(
        NAME,
        looked_at,
        flags=flags,
        findings=[finding],
        where=places_text(record, places),
        advice="State wrap_period_s if the period is another." if evident else "",
        done={"period_s": period, "repaired": len(places)},
    )


def _excess(piece: Piece) -> FloatArray:
    """Return the change into each sample beyond the local slope, NaN for the first."""
    elapsed, change = np.diff(piece.where), np.diff(piece.samples)
    return np.append(np.nan, change - running_median(change / elapsed, _SLOPE_WIDTH) * elapsed)


def _jumps(series: Series, least: float) -> tuple[Places, FloatArray]:
    """Return the samples into which the time error changes by more than its slope and ``least``."""
    places, sizes = [], []
    for piece in series.pieces(_SLOPE_WIDTH):
        excess = _excess(piece)[piece.own]
        large = np.abs(excess) > least
        places.append(piece.where[piece.own][large])
        sizes.append(excess[large])
    return np.concatenate(places), np.concatenate(sizes)


def _may_wrap(series: Series) -> bool:
    """Return whether enough changes are as large as half the extent, whatever the slope beside them is."""
    low, high = series.extremes()
    least = 0.5 * (high - low)
    changes, gaps, steepest = [], [], 0.0
    for piece in series.pieces(1):
        change, elapsed = np.abs(np.diff(piece.samples)), np.diff(piece.where)
        steepest = max(steepest, float((change / elapsed).max()))
        aside = (elapsed > 1) | (change > 0.5 * least)
        changes.append(change[aside])
        gaps.append(elapsed[aside])
    large = np.concatenate(changes) + steepest * np.concatenate(gaps) > least
    return steepest > 0.5 * least or int(np.count_nonzero(large)) >= _FEWEST_JUMPS


def _evident_period(series: Series, noise: float, nominal_frequency_hz: float | None) -> float | None:
    """Return the one size of all large jumps: a period of the nominal frequency or round, if one is near."""
    low, high = series.extremes()
    sizes = np.abs(_jumps(series, max(0.5 * (high - low), _CLEAR * noise))[1])
    if len(sizes) < _FEWEST_JUMPS:
        return None
    size = float(np.median(sizes))
    tolerance = max(0.02 * size, 5 * noise)
    if (np.abs(sizes - size) > tolerance).any() or high - low > size + tolerance:
        return None
    exponent = math.floor(math.log10(size))
    candidates = [] if nominal_frequency_hz is None else [1 / nominal_frequency_hz]
    candidates += [round(size, digits - exponent) for digits in range(3)]
    return next((each for each in candidates if each > 0 and abs(each - size) <= tolerance), size)
