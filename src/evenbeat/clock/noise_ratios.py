"""Which ratios of the noises to white FM are considered, and what is held of them beforehand.

The ratios are of Allan variances at the length of one block.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

NoisePrior = Literal["uniform", "balanced", "cautious"]
LARGEST_RATIO = 1e3
WEAKEST_WALK = 0.1
"""Ratio of a random walk to white FM at one block, times the square of the number of blocks, where the
grid starts. At 4 the walk adds as much to the variance of the drift as white FM does: q₂/T beside 12q₁/T³."""
WEAKEST_FLICKER = 0.1
"""The same for flicker FM, times the number of blocks."""


@dataclass(frozen=True, kw_only=True)
class PriorShape:
    """What a prior holds of noises that hide under white FM.

    Attributes
    ----------
    no_walk
        Weight of a clock without random-walk FM, for which the weakest ratio of the grid stands.
    weakest_walk
        Where there is one, its ratio starts at this value (in the unit of ``WEAKEST_WALK``).
    walk_slope
        From there its weight per decade falls as the ratio to the power ``-walk_slope`` in records of 60
        block lengths and more; in those of 20 and fewer, which hardly tell a strong walk from a weak one,
        it is flat, and between them in between.
    no_flicker, no_flicker_beside_walk
        Weight of a clock without flicker FM, where there is no random walk and where there is; the rest is
        flat in the logarithm of the ratio.
    """

    no_walk: float = 0.0
    weakest_walk: float
    walk_slope: float = 0.0
    no_flicker: float
    no_flicker_beside_walk: float


PRIORS: dict[str, PriorShape] = {
    "uniform": PriorShape(weakest_walk=10**-1.0, no_flicker=0.5, no_flicker_beside_walk=0.5),
    "balanced": PriorShape(
        no_walk=0.5, weakest_walk=100.0, walk_slope=0.5, no_flicker=0.85, no_flicker_beside_walk=0.99
    ),
    "cautious": PriorShape(weakest_walk=10**0.5, no_flicker=0.9, no_flicker_beside_walk=0.9),
}


@dataclass(frozen=True, kw_only=True)
class Ratios:
    """The grid of Allan-variance ratios to white FM at one block."""

    white_pm: tuple[float, ...]
    flicker_fm: tuple[float, ...]
    random_walk_fm: tuple[float, ...]

    def times(self, factor: float) -> Ratios:
        """Return the ratios to a white FM that dead time makes as much larger in the averages."""
        if factor == 1:
            return self
        return Ratios(
            white_pm=tuple(factor * ratio for ratio in self.white_pm),
            flicker_fm=tuple(factor * ratio for ratio in self.flicker_fm),
            random_walk_fm=tuple(factor * ratio for ratio in self.random_walk_fm),
        )


def ratio_grid(count: float, *, with_white_pm: bool) -> Ratios:
    """Return the ratios for a record of ``count`` block lengths.

    Half decades up to 1e3, decades for flicker FM where white PM is in the model too. They start where a
    noise can no longer be seen, which depends on the length of the record: see ``WEAKEST_WALK``.
    """
    walks = _decades(WEAKEST_WALK / count**2, step=0.5)
    if not with_white_pm:
        flicker = _decades(WEAKEST_FLICKER / count, step=0.5)
        return Ratios(white_pm=(0.0,), flicker_fm=(0.0, *flicker), random_walk_fm=walks)
    flicker = _decades(WEAKEST_FLICKER / count, step=1.0)
    return Ratios(white_pm=(0.0, *_decades(1e-2, step=1.0)), flicker_fm=(0.0, *flicker), random_walk_fm=walks)


def _decades(lowest: float, *, step: float) -> tuple[float, ...]:
    """Return values from ``lowest`` in steps of so many decades until 1e3 is reached."""
    count = int(np.ceil(np.log10(LARGEST_RATIO / lowest) / step - 1e-9)) + 1
    return tuple(float(lowest * 10 ** (step * k)) for k in range(count))
