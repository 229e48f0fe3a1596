"""Settling after switching on: at the start of the record and after long gaps.

The change over the first stretch is compared with the changes over all stretches of the same length in
the record, whatever their noise; a stretch is warm-up only if it changes far more than the others and
the next one no longer does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenbeat.conditioning.shared import present, spread, tail_spread
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record
from evenbeat.units import counted, duration_text

NAME = "warm_up"
SIGNIFICANCE = 8.0
SETTLED = 0.2
LARGEST_SHARE = 0.2
_BASE = 4
_FEWEST_STRETCHES = 10
_LONG_GAP = 30
_MOST_PASSES = 6
_LEVEL_SIGMAS = 3.0


def with_warm_up_flagged(record: Record) -> Record:
    """Return the record with its settling flagged as excluded, and a finding.

    Notes
    -----
    Settling is the sum of exponentials (common practice); each pass finds the fastest that is left.
    The stretches compared are shorter than a tenth of the record, so a slower settling is left to
    the aging model; no more than a fifth of the record is excluded.
    """
    values = record.usable_values(without_steps=True)
    values = np.diff(values) if record.kind == "phase" else values
    where = present(values)
    # observation starts at the first sample and after long gaps
    starts = [0, *(np.flatnonzero(np.diff(where) > _LONG_GAP) + 1).tolist()] if len(where) else []
    samples = np.asarray(values[where], dtype=float)
    levels = _pyramid(samples)
    spans: list[tuple[int, int]] = []
    budget = LARGEST_SHARE * len(samples)
    for start in starts:
        stop = start
        for _ in range(_MOST_PASSES):
            stop += (length := _settling_length(samples, levels, stop))
            if not length:
                break
        if stop > start and stop - start <= budget:
            spans.append((int(where[start]), int(where[min(stop, len(where) - 1)])))
            budget -= stop - start
    looked_at = counted(len(starts), "start")
    if not spans:
        sentence = "No settling after switching on was found at the start or after a gap."
        finding = Finding(code="NO_WARM_UP", severity="good", sentence=sentence)
        return record.checked(NAME, looked_at, findings=[finding], done={"found": 0})
    flags = [
        Flag(
            cause="warm_up",
            start=start,
            stop=stop,
            excluded=True,
            sentence=f"Settling for {duration_text((stop - start) * record.interval_s)}.",
        )
        for start, stop in spans
    ]
    lengths = [stop - start for start, stop in spans]
    total = sum(lengths)
    places = " and ".join(_place(record, start, stop) for start, stop in spans[:3])
    more = f" and {len(spans) - 3} more" if len(spans) > 3 else ""
    sentence = (
        f"The oscillator was settling {places}{more}; these samples ({100 * total / len(record):.2g} %) are "
        "flagged and left out of the analysis."
    )
    told = {"spans": len(spans), "samples": total, "longest_s": record.interval_s * max(lengths)}
    return record.checked(
        NAME,
        looked_at,
        flags=flags,
        findings=[Finding(code="WARM_UP", severity="note", sentence=sentence, values=told)],
        found=len(spans),
        set_aside=total,
        where=f"{places}{more}",
        advice="Nothing; let an oven run for a day before work on aging.",
        done={"found": len(spans)},
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Level:
    """Means over blocks of ``size`` samples (of medians over four), and how they usually change.

    Parameters
    ----------
    usual, sigma
        Median and spread of the change over a stretch of four blocks.
    """

    size: int
    usual: float
    sigma: float


def _pyramid(samples: FloatArray) -> tuple[_Level, ...]:
    blocks = _base_medians(samples)
    levels = []
    size = _BASE
    while len(blocks) >= 4 * _FEWEST_STRETCHES:
        changes = blocks[3:] - blocks[:-3]
        levels.append(_Level(size=size, usual=float(np.median(changes)), sigma=tail_spread(changes, 0.05)))
        blocks = 0.5 * (blocks[: len(blocks) // 2 * 2 : 2] + blocks[1::2])
        size *= 2
    return tuple(levels)


def _base_medians(samples: FloatArray) -> FloatArray:
    whole = len(samples) // _BASE * _BASE
    return np.median(samples[:whole].reshape(-1, _BASE), axis=1) if whole else np.empty(0)


def _settling_length(samples: FloatArray, levels: tuple[_Level, ...], begin: int) -> int:
    """Return how many samples from ``begin`` on the fastest settling that is left takes, zero for none."""
    for level in levels:
        stretch = 4 * level.size
        part = samples[begin : begin + 2 * stretch]
        if len(part) < 2 * stretch:
            return 0
        quarters = _base_medians(part).reshape(8, -1).mean(axis=1)
        first = quarters[3] - quarters[0] - level.usual
        second = quarters[7] - quarters[4] - level.usual
        clear = abs(first) > SIGNIFICANCE * level.sigma > 0
        if clear and abs(second) < SETTLED * abs(first) and _one_way(quarters[:5], first):
            return _cut(part, stretch, level)
    return 0


def _one_way(quarters: FloatArray, change: float) -> bool:
    """Return whether the stretch approaches its end from one side, fastest first, as settling does."""
    steps = np.diff(quarters[:4]) * np.sign(change)
    return bool(steps[0] >= steps[2] and steps[0] > 0.3 * abs(change))


def _cut(part: FloatArray, stretch: int, level: _Level) -> int:
    """Return how many samples of the stretch stand off the level of the next by more than their noise."""
    after = part[stretch:]
    end = float(np.median(after))
    width = max(1, stretch // 32)
    blocks = part[: len(part) // width * width].reshape(-1, width).mean(axis=1)
    noise = spread(np.diff(blocks[len(blocks) // 2 :])) / np.sqrt(2)
    off = np.abs(blocks[: len(blocks) // 2] - end) > max(_LEVEL_SIGMAS * noise, level.sigma)
    last = int(np.flatnonzero(off)[-1]) if off.any() else -1
    return max((last + 1) * width, 1)


def _place(record: Record, start: int, stop: int) -> str:
    length = duration_text((stop - start) * record.interval_s)
    if start == 0:
        return f"during the first {length}"
    return f"for {length} from {duration_text(start * record.interval_s)} on"
