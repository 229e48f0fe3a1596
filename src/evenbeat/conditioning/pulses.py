"""Missed and extra pulses: readings that are whole multiples, or parts that make up a whole, of the usual.

A missed pulse of a one-per-second log makes one interval twice as long, or one time interval a whole
period too long; an extra pulse cuts an interval in two that together are a whole one.
"""

from __future__ import annotations

import numpy as np

from evenbeat.conditioning.shared import (
    Piece,
    Places,
    Series,
    flagged_runs,
    places_text,
    running_median,
    runs,
    spread,
    usable,
)
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import counted, duration_text, time_text

NAME = "pulses"
FEWEST = 8
_WIDTH = 31
_REACH = 128
_FAR = 0.2
"""Share of an interval by which a reading must be off before it is looked at."""
_TIGHT = 1e-4
_LOOSEST = 0.02
_NOISE = 8.0
_LONGEST_RUN = 20
_LONGEST_LATE = 5
_MOST = 0.1
_MANY_CYCLES = 1000.0
"""Cycles in an interval beyond which a reading is a frequency, not the length of one interval."""
_MOST_EDGES = 4


def with_pulses_flagged(record: Record, *, period_s: float | None = None) -> Record:
    """Return the record with readings flagged as excluded that missed or extra pulses made.

    Frequencies are taken as lengths of intervals in units of the running median (their reciprocal
    where the device was read): a length within 8 robust standard deviations of a whole number from 2 on
    is of missed pulses, neighbours that together are a whole number of extra ones (common practice). Of
    a frequency with many cycles in an interval, two to four times as much or as little counts.
    Time errors off by whole periods for at most five readings are of missed pulses; those that stay off
    are left to the check of wraps. Not valid where more than a tenth of the readings are affected.
    """
    if period_s is not None and not period_s > 0:
        msg = f"pulse_period_s is {period_s}; it must be a positive number of seconds"
        raise InputError(msg)
    series = usable(record, without_steps=False)
    if len(series) < FEWEST:
        return record.checked(NAME, f"{len(series)} readings, fewer than {FEWEST}", looked=False)
    if record.kind == "phase":
        return _in_phase(record, series, period_s)
    return _in_frequency(record, series)


def _in_phase(record: Record, series: Series, period_s: float | None) -> Record:
    whole_s = round(record.interval_s)
    if period_s is None and (whole_s < 1 or abs(record.interval_s - whole_s) >= 1e-3 * whole_s):
        return record.checked(NAME, "no pulses of whole seconds", looked=False)
    period = 1.0 if period_s is None else period_s
    looked_at = f"{counted(len(series), 'reading')}, pulses every {duration_text(period)}"
    low, high = series.extremes()
    if high - low < 0.5 * period:
        return record.checked(NAME, looked_at)

    def level(piece: Piece) -> FloatArray:
        return piece.samples - running_median(piece.samples, _WIDTH)

    noise = spread(series.usual(level, _WIDTH))
    near = max(_NOISE * noise, _TIGHT * period)
    found = []
    for piece in series.pieces(_WIDTH):
        off = level(piece)[piece.own]
        periods = np.rint(off / period)
        at = np.flatnonzero((periods != 0) & (np.abs(off - periods * period) <= near))
        found.append((at + piece.first + piece.own.start, piece.where[piece.own][at], periods[at]))
    ranks, where, periods = map(np.concatenate, zip(*found, strict=True))
    if noise > _LOOSEST * period or len(ranks) > _MOST * len(series):
        return record.checked(NAME, f"{looked_at}; too noisy to tell", looked=False)
    in_a_row = np.concatenate([np.full(len(run), len(run)) for run in runs(ranks)] or [ranks])
    late = in_a_row <= _LONGEST_LATE
    why, lost = f"Off by whole periods of {time_text(period)}.", float(np.abs(periods[late]).sum())
    return _of_pulses(record, looked_at, where[late], where[:0], lost, why)


def _in_frequency(record: Record, series: Series) -> Record:
    looked_at = counted(len(series), "reading")
    turned = any(finding.code == "TURNED_SIGN" for finding in record.findings)
    middle = 1 + series.level()
    if not middle > 0 or max(abs((1 + end) / middle - 1) for end in series.extremes()) < _FAR:
        return record.checked(NAME, looked_at)

    def length(piece: Piece) -> FloatArray:
        ratio = 1 + piece.samples
        near = np.flatnonzero(np.abs(ratio / middle - 1) < _FAR)
        if not len(near):
            return np.full(len(ratio), np.nan)
        usual = np.interp(np.arange(len(ratio)), near, running_median(ratio[near], _WIDTH))
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(ratio / usual if turned else usual / ratio)

    some = series.usual(length, _REACH)
    noise = spread(some[np.abs(some - 1) < _FAR])
    found, far = [], 0
    for piece in series.pieces(_REACH):
        lengths = length(piece)[piece.own]
        far += int(np.count_nonzero(~(np.abs(lengths - 1) < _FAR)))
        at = np.flatnonzero(~(np.abs(lengths - 1) <= 2 * max(_NOISE * noise, _TIGHT)))
        found.append((at + piece.first + piece.own.start, piece.where[piece.own][at], lengths[at]))
    if far > _MOST * len(series) or _NOISE * noise > _LOOSEST:
        return record.checked(NAME, f"{looked_at}; too noisy to tell", looked=False)
    ranks, where, lengths = map(np.concatenate, zip(*found, strict=True))
    if (record.nominal_frequency_hz or 0.0) * record.interval_s > _MANY_CYCLES:
        return _of_a_counter(record, looked_at, where, lengths if turned else 1 / lengths, noise)
    grown, beside = ~(np.abs(lengths - 1) < _FAR), np.diff(ranks) == 1
    for _ in range(2):  # neighbours that are off at all are the rest of a cut interval
        grown[1:] |= grown[:-1] & beside
        grown[:-1] |= grown[1:] & beside
    where = where[grown]
    missed, extra, pulses = _sorted_out(ranks[grown], lengths[grown], noise)
    return _of_pulses(
        record, looked_at, where[missed], where[extra], pulses, "A whole number of intervals in one."
    )


def _of_a_counter(record: Record, looked_at: str, where: Places, ratio: FloatArray, noise: float) -> Record:
    """Flag readings of two to four times the usual frequency, or as small a part of it."""
    with np.errstate(divide="ignore"):
        parts = np.where(ratio > 1, ratio, 1 / ratio)
    whole = np.rint(parts)
    bad = (whole >= 2) & (whole <= _MOST_EDGES) & (np.abs(parts - whole) <= _tolerance(noise, whole))
    missed, extra = where[bad & (ratio < 1)], where[bad & (ratio > 1)]
    count = len(missed) + len(extra)
    sentence = (
        f"{counted(count, 'reading is', 'readings are')} a whole multiple or a whole part of the usual "
        "frequency, as when edges are counted twice or missed; flagged and left out."
    )
    why = (
        "A whole part of the usual frequency: edges were missed.",
        "A multiple of the usual frequency: edges were counted more than once.",
    )
    finding = note("PULSES", sentence, missed_readings=len(missed), count=count)
    advice = "Check trigger level, hysteresis and the edges of the signal."
    return _flagged(record, looked_at, missed, extra, why, finding, advice, {"found": count})


def _sorted_out(ranks: Places, length: FloatArray, noise: float) -> tuple[Places, Places, float]:
    """Return which readings are of missed pulses, which of extra ones, and how many pulses were missed."""
    missed: list[int] = []
    extra: list[int] = []
    pulses = 0.0
    for found in runs(ranks):
        run = np.searchsorted(ranks, found)
        if not np.isfinite(length[run]).all() or len(run) > _LONGEST_RUN:
            continue
        whole = np.rint(length[run])
        multiple = (whole >= 2) & (np.abs(length[run] - whole) <= _tolerance(noise, whole))
        missed += run[multiple].tolist()
        pulses += float((whole[multiple] - 1).sum())
        extra += _pairs(run[~multiple], length, noise)
    return np.array(missed, dtype=np.intp), np.array(extra, dtype=np.intp), pulses


def _pairs(rest: Places, length: FloatArray, noise: float) -> list[int]:
    """Return neighbours, two or more, whose lengths add up to a whole number."""
    found: list[int] = []
    begin = 0
    while begin < len(rest) - 1:
        for end in range(begin + 2, len(rest) + 1):
            part = rest[begin:end]
            if part[-1] - part[0] != len(part) - 1:
                break
            total = float(length[part].sum())
            whole = round(total)
            if whole >= 1 and abs(total - whole) <= _tolerance(noise, np.array(whole)):
                found += part.tolist()
                begin = end - 1
                break
        begin += 1
    return found


def _tolerance(noise: float, whole: FloatArray) -> FloatArray:
    return np.asarray(min(max(_NOISE * noise, _TIGHT), _LOOSEST) * np.maximum(whole, 1))


def _of_pulses(
    record: Record, looked_at: str, missed: Places, extra: Places, missed_pulses: float, why: str
) -> Record:
    """Return the record with the readings flagged that pulses missed and pulses too many made."""
    misses = f"{counted(len(missed), 'reading misses', 'readings miss')} {missed_pulses:.0f} pulses in all"
    short = f"{counted(len(extra), 'reading is', 'readings are')} cut short by extra pulses"
    what = " and ".join(part for part, rows in ((misses, missed), (short, extra)) if len(rows))
    sentence = f"{what}; they are flagged and left out"
    say, advice = note, "Check trigger level, cable and the source of the pulses"
    if record.kind == "frequency" and record.start is None and len(missed):
        lost = duration_text(missed_pulses * record.interval_s)
        sentence += f"; without time stamps the rows after them count {lost} too few in all"
        say, advice = caution, f"{advice}; log the time of each reading"
    told = {"missed_readings": len(missed), "missed_pulses": missed_pulses, "extra_readings": len(extra)}
    done = {"missed": len(missed), "extra": len(extra)}
    sentences = why, "Parts that together are whole intervals."
    finding = say("PULSES", f"{sentence}.", **told)
    return _flagged(record, looked_at, missed, extra, sentences, finding, f"{advice}.", done)


def _flagged(
    record: Record,
    looked_at: str,
    missed: Places,
    extra: Places,
    why: tuple[str, str],
    finding: Finding,
    advice: str,
    done: dict[str, int],
) -> Record:
    if not len(missed) and not len(extra):
        return record.checked(NAME, looked_at)
    flags = (
        *flagged_runs(missed, cause="missed_pulse", sentence=why[0], excluded=True),
        *flagged_runs(extra, cause="extra_pulse", sentence=why[1], excluded=True),
    )
    where = places_text(record, np.sort([flag.start for flag in flags]))
    return record.checked(
        NAME, looked_at, flags=flags, findings=[finding], where=where, advice=advice, done=done
    )
