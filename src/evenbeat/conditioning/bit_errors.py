"""Single readings off by a power of two in the counter's own units: a bit was misread.

A latch that is read while its counter runs takes a carry too early or too late: the reading is 2^b counts
off, and where readings are differences of one running total the next one is off by as much the other way.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from evenbeat.conditioning.shared import (
    MAD_TO_SIGMA,
    Places,
    flagged_runs,
    in_blocks,
    places_text,
    spread,
    step_of_display,
    usable,
)
from evenbeat.findings import note
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import counted

NAME = "bit_errors"
FEWEST = 32
_LOWEST_BIT = 5
_NEIGHBOURS = 8
_LONGEST = 3
_CLOSE_ALONE = 1 / 128
"""How near a power of two a reading must be, as a share of it: chance does that once in forty outliers."""
_CLOSE_IN_PAIR = 1 / 16
"""The same where the next reading is off by as much the other way."""
_NOISE = 4.0
_MOST = 0.01


def with_bit_errors_flagged(record: Record) -> Record:
    """Return the record with readings flagged as excluded that are off by 2^b display steps, b from 5 on.

    The reading is compared with the line through eight neighbours on each side; it must be within four
    robust standard deviations of the power of two, and within 1/128 of it, or within 1/16 if the next
    reading is off by as much the other way. An outlier of another cause meets that by chance once in
    forty; it would be left out as an outlier anyway.
    """
    series = usable(record, without_steps=False)
    if len(series) < FEWEST:
        return record.checked(NAME, f"{len(series)} readings, fewer than {FEWEST}", looked=False)
    step = step_of_display(record, series)
    if not step:
        return record.checked(NAME, "no display step to count in", looked=False)
    looked_at = counted(len(series), "reading")
    begin = float(series.take(0, 1)[0][0])

    def counts(first: int, last: int) -> FloatArray:
        return (series.take(first, last)[0] - begin) / step

    usual = np.diff(counts(0, min(len(series), 1 << 18)))
    middle, least = np.median(usual), max(0.75 * 2**_LOWEST_BIT, 10 * spread(usual))
    suspects: list[int] = []
    for first, last in in_blocks(len(series) - 1):
        change = np.diff(counts(first, last + 1))
        suspects += (np.flatnonzero(np.abs(change - middle) > least) + first + 1).tolist()
    if len(suspects) > _MOST * len(series) + 8:
        return record.checked(NAME, looked_at)
    found = _off_by_a_bit(counts, np.array(suspects, dtype=np.intp), len(series))
    if not found:
        return record.checked(NAME, looked_at)
    at = np.array([series.take(reading, reading + 1)[1][0] for reading in sorted(found)], dtype=np.intp)
    sizes = np.unique([int(abs(_power(off))) for off in found.values()])
    why = "Off by a power of two in counts of the display."
    flags = flagged_runs(at, cause="bit_error", sentence=why, excluded=True)
    named = ", ".join(f"±{size}" for size in sizes[:6]) + (", …" if len(sizes) > 6 else "")
    sentence = (
        f"{counted(len(at), 'reading is', 'readings are')} off by a power of two in counts of the display "
        f"({named}), as when a bit of the counter is misread; "
        f"{'it is' if len(at) == 1 else 'they are'} flagged and left out."
    )
    return record.checked(
        NAME,
        looked_at,
        flags=flags,
        findings=[note("BIT_ERRORS", sentence, count=len(at), largest_counts=int(sizes[-1]))],
        where=f"{named}: {places_text(record, [flag.start for flag in flags])}",
        advice="Nothing now; the counter's latch or the program that reads it loses a carry.",
        done={"found": len(at)},
    )


def _off_by_a_bit(counts: Callable[[int, int], FloatArray], suspects: Places, length: int) -> dict[int, int]:
    """Return reading → signed number of counts (a power of two) that it is off."""
    found: dict[int, float] = {}
    for at in suspects.tolist():
        for reading in range(at, min(at + _LONGEST, length)):
            first, last = max(0, reading - 2 * _NEIGHBOURS), min(length, reading + 2 * _NEIGHBOURS + 1)
            blocked = suspects[np.searchsorted(suspects, first) : np.searchsorted(suspects, last)] - first
            off = _distance(counts(first, last), reading - first, blocked)
            if off is None:
                break
            found[reading] = off
    return {
        reading: round(off)
        for reading, off in found.items()
        if _is_close(off, _CLOSE_ALONE)
        or any(
            near in found and _power(found[near]) == -_power(off) and _is_close(found[near], _CLOSE_IN_PAIR)
            for near in (reading - 1, reading + 1)
        )
    }


def _power(off: float) -> float:
    """Return the power of two next to a distance, with its sign."""
    return math.copysign(2.0 ** round(math.log2(abs(off))), off)


def _is_close(off: float, share: float) -> bool:
    power = _power(off)
    return abs(off - power) <= share * abs(power)


def _distance(counts: FloatArray, reading: int, suspects: Places) -> float | None:
    """Return the distance of a reading from its neighbours where it is about a power of two counts."""
    near = np.setdiff1d(np.arange(len(counts)), np.append(suspects, reading))
    before, after = near[near < reading][-_NEIGHBOURS:], near[near > reading][:_NEIGHBOURS]
    if len(before) < 3 or len(after) < 3:
        return None
    levels = float(np.median(counts[before])), float(np.median(counts[after]))
    places = float(np.mean(before)), float(np.mean(after))
    slope = (levels[1] - levels[0]) / (places[1] - places[0])
    both = np.concatenate([before, after])
    flat = counts[both] - levels[0] - slope * (both - places[0])
    noise = MAD_TO_SIGMA * float(np.median(np.abs(flat)))
    off = float(counts[reading]) - levels[0] - slope * (reading - places[0])
    if abs(off) < 0.75 * 2**_LOWEST_BIT:
        return None
    power = _power(off)
    if abs(power) < 2**_LOWEST_BIT or abs(off - power) > _NOISE * max(noise, 0.5):
        return None
    return off if _is_close(off, _CLOSE_IN_PAIR) else None
