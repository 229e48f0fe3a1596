"""Settling after switching on: at the start of the record and after long gaps.

The change over the first stretch is compared with the changes over all stretches of the same length in
the record, whatever their noise; a stretch is warm-up only if it changes far more than the others and
the next one no longer does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenbeat.conditioning.shared import (
    Series,
    changes,
    flags_at,
    spread,
    stretches,
    tail_spread,
    told_by_all,
    usable,
)
from evenbeat.findings import good, note
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
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
_COARSE = 256
"""Blocks as long are averaged once; longer ones are made of them in a long record."""
_LONGEST_NEAR = 1 << 14
"""Blocks whose samples themselves are looked at, from the very start of a settling."""
_PART = 1 << 16


def with_warm_up_flagged(record: Record) -> Record:
    """Return the record with its settling flagged as excluded, and a finding.

    Settling is the sum of exponentials (common practice); each pass finds the fastest that is left.
    The stretches compared are shorter than a tenth of the record, so a slower settling is left to
    the aging model; no more than a fifth of the record is excluded.
    """
    series = usable(record, without_steps=True)
    if record.kind == "phase":
        series = changes(series)
    # observation starts at the first sample and after long gaps
    starts = [0] if len(series) else []
    for piece in series.pieces(1):
        starts += (np.flatnonzero(np.diff(piece.where) > _LONG_GAP) + piece.first + 1).tolist()
    starts = sorted(set(starts))
    coarse = _coarse_means(series)
    levels = _levels(series, coarse)
    spans: list[tuple[int, int]] = []
    budget = LARGEST_SHARE * len(series)
    for start in starts:
        stop = start
        for _ in range(_MOST_PASSES):
            stop += (length := _settling_length(series, levels, coarse, stop))
            if not length:
                break
        if stop > start and stop - start <= budget:
            first, last = (int(series.take(at, at + 1)[1][0]) for at in (start, min(stop, len(series) - 1)))
            spans.append((first, last))
            budget -= stop - start
    looked_at = counted(len(starts), "start")
    if not spans:
        finding = good("NO_WARM_UP", "No settling after switching on was found at the start or after a gap.")
        return record.checked(NAME, looked_at, findings=[finding], done={"found": 0})
    lengths = [stop - start for start, stop in spans]
    total, longest_s = sum(lengths), record.interval_s * max(lengths)
    lasting = [
        (*span, duration_text(length * record.interval_s))
        for span, length in zip(spans, lengths, strict=True)
    ]
    places = " and ".join(
        f"for {length} from {duration_text(start * record.interval_s)} on"
        if start
        else f"during the first {length}"
        for start, _, length in lasting[:3]
    )
    places += f" and {len(spans) - 3} more" if len(spans) > 3 else ""
    sentence = (
        f"The oscillator was settling {places}; these samples ({100 * total / len(record):.2g} %) are "
        "flagged and left out of the analysis."
    )
    return record.checked(
        NAME,
        looked_at,
        flags=flags_at(
            "warm_up",
            ((start, stop, f"Settling for {length}.") for start, stop, length in lasting),
            excluded=True,
        ),
        findings=[note("WARM_UP", sentence, spans=len(spans), samples=total, longest_s=longest_s)],
        where=places,
        advice="Nothing; let an oven run for a day before work on aging.",
        done={"found": len(spans)},
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Level:
    """Median and spread of how means over blocks of ``size`` samples change over a stretch of four blocks."""

    size: int
    usual: float
    sigma: float


def _levels(series: Series, coarse: FloatArray) -> tuple[_Level, ...]:
    """Return how means usually change, of short blocks as some stretches of the record tell it."""
    seen: dict[int, list[FloatArray]] = {}

    def add(size: int, blocks: FloatArray, largest: float) -> None:
        while size <= largest and len(series) // size >= 4 * _FEWEST_STRETCHES:
            seen.setdefault(size, []).append(blocks[3:] - blocks[:-3])
            blocks, size = 0.5 * (blocks[: len(blocks) // 2 * 2 : 2] + blocks[1::2]), 2 * size

    largest = np.inf if told_by_all(len(series)) else _COARSE / 2
    for stretch in stretches(len(series)):
        add(_BASE, _base_medians(series.take(*stretch)[0]), largest)
    if not told_by_all(len(series)):
        add(_COARSE, coarse, np.inf)
    return tuple(
        _Level(size=size, usual=float(np.median(every)), sigma=tail_spread(every, 0.05))
        for size, every in ((size, np.concatenate(parts)) for size, parts in seen.items())
    )


def _base_medians(samples: FloatArray) -> FloatArray:
    """Return the medians of four samples each."""
    a, b, c, d = (samples[k : len(samples) // _BASE * _BASE : _BASE] for k in range(_BASE))
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    return np.asarray(0.5 * (low + np.minimum(np.maximum(a, b), np.maximum(c, d))))


def _coarse_means(series: Series) -> FloatArray:
    """Return means over blocks of :data:`_COARSE` samples, of medians over four."""
    ends = range(0, len(series) // _COARSE * _COARSE, _PART)
    parts = (series.take(first, min(first + _PART, len(series) // _COARSE * _COARSE))[0] for first in ends)
    means = [_base_medians(part).reshape(-1, _COARSE // _BASE).mean(axis=1) for part in parts]
    return np.concatenate(means) if means else np.empty(0)


def _settling_length(series: Series, levels: tuple[_Level, ...], coarse: FloatArray, begin: int) -> int:
    """Return how many samples from ``begin`` on the fastest settling that is left takes, zero for none."""
    near = series.take(begin, min(begin + 8 * _LONGEST_NEAR, len(series)))[0]
    medians, far = _base_medians(near), coarse[-(-begin // _COARSE) :]
    for level in levels:
        whole, part, unit = 8 * level.size, near, 1
        blocks = medians[: whole // _BASE]
        if level.size > _LONGEST_NEAR:
            unit, part = _COARSE, far
            blocks = far[: whole // unit]
        if len(part) < whole // unit:
            return 0
        quarters = blocks.reshape(8, -1).mean(axis=1)
        first = quarters[3] - quarters[0] - level.usual
        second = quarters[7] - quarters[4] - level.usual
        clear = abs(first) > SIGNIFICANCE * level.sigma > 0
        steps = np.diff(quarters[:4]) * np.sign(first)
        from_one_side = steps[0] >= steps[2] and steps[0] > 0.3 * abs(first)  # and fastest first
        if clear and from_one_side and abs(second) < SETTLED * abs(first):
            return unit * _cut(part[: whole // unit], level)
    return 0


def _cut(part: FloatArray, level: _Level) -> int:
    """Return how many of the first half stand off the level of the second by more than their noise."""
    stretch = len(part) // 2
    after = part[stretch:]
    end = float(np.median(after))
    width = max(1, stretch // 32)
    blocks = part[: len(part) // width * width].reshape(-1, width).mean(axis=1)
    noise = spread(np.diff(blocks[len(blocks) // 2 :])) / np.sqrt(2)
    off = np.abs(blocks[: len(blocks) // 2] - end) > max(_LEVEL_SIGMAS * noise, level.sigma)
    last = int(np.flatnonzero(off)[-1]) if off.any() else -1
    return max((last + 1) * width, 1)
