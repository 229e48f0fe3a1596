"""A running Allan deviation at doubling averaging times in memory that does not grow with the log."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

_MOST_LEVELS = 40
_LONGEST_GAP = 100_000
"""A longer gap begins every average anew instead of being counted through."""


@dataclass
class _Level:
    """Averages over 2^j samples: the half-finished one, the last finished one, and the sum of squares."""

    half: float | None = None
    waiting: bool = False
    last: float = math.nan
    squares: float = 0.0
    pairs: int = 0


@dataclass
class RunningAllan:
    """The Allan deviation (IEEE Std 1139, adjacent averages) of what has come so far.

    Parameters
    ----------
    interval_s
        Nominal spacing of the samples.
    phase
        Samples are time errors in seconds, not fractional frequencies.

    Notes
    -----
    Pairs of adjacent averages, not overlapping ones, so that a few numbers per averaging time are all
    the memory. A missing sample (NaN) takes the averages that contain it away.
    Not valid as a final answer: drift, outliers and steps are in it.
    """

    interval_s: float
    phase: bool = False
    _levels: list[_Level] = field(default_factory=lambda: [_Level()])
    _last_phase: float | None = None

    def add(self, value: float) -> None:
        """Take the next sample; NaN for a missing one."""
        if self.phase:
            before, self._last_phase = self._last_phase, value
            if before is None:  # one phase is no frequency yet
                return
            value = (value - before) / self.interval_s
        for level in self._levels:
            step = value - level.last
            if not math.isnan(step):
                level.squares += step * step
                level.pairs += 1
            level.last = value
            if not level.waiting:
                level.half, level.waiting = value, True
                return
            value = (value + (level.half if level.half is not None else math.nan)) / 2
            level.waiting = False
        if len(self._levels) < _MOST_LEVELS:
            self._levels.append(_Level(last=value, half=value, waiting=True))

    def miss(self, samples: int) -> None:
        """Count missing samples through."""
        if samples > _LONGEST_GAP:
            for level in self._levels:
                level.last, level.half, level.waiting = math.nan, None, False
            self._last_phase = None
            return
        for _ in range(samples):
            self.add(math.nan)

    def table(self) -> list[tuple[float, float, int]]:
        """Return averaging time in seconds, Allan deviation, and number of pairs, where there is one."""
        return [
            (self.interval_s * 2**j, math.sqrt(level.squares / (2 * level.pairs)), level.pairs)
            for j, level in enumerate(self._levels)
            if level.pairs
        ]
