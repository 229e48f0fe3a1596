"""Deviations known from signed variances: points with intervals, and arrows where only a limit is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.style import Stroke
from evenbeat.quantities import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ARROW = 0.3
"""Length of an arrow as a share of the limit it hangs from."""
BOTTOMLESS = 1e-3


def draw_signed(
    ax: Axes,
    averaging_time_s: FloatArray,
    *,
    variance: FloatArray,
    interval: tuple[FloatArray, FloatArray],
    limit: FloatArray,
    look: Stroke,
    label: str,
) -> FloatArray:
    """Draw the roots of variances with their intervals; return the heights that were drawn, NaN elsewhere.

    Where the interval holds zero an arrow hangs from the one-sided upper limit instead of a point.
    """
    low, high = interval
    seen = (variance > 0) & (low > 0)
    height = np.where(seen, np.sqrt(np.where(seen, variance, np.nan)), np.nan)
    bottom, top = np.sqrt(np.where(seen, low, np.nan)), np.sqrt(np.where(seen, high, np.nan))
    ax.fill_between(averaging_time_s, bottom, top, color=look.colour, alpha=0.2, linewidth=0)
    ax.plot(averaging_time_s, height, color=look.colour, linestyle=look.line, marker=look.marker, label=label)
    alone = seen & ~np.roll(seen, 1) & ~np.roll(seen, -1)  # a band needs two neighbours
    ax.vlines(averaging_time_s[alone], bottom[alone], top[alone], color=look.colour, alpha=0.5, linewidth=1.0)
    only = ~seen & np.isfinite(limit) & (limit > 0)
    if only.any():
        ax.errorbar(
            averaging_time_s[only],
            limit[only],
            yerr=[ARROW * limit[only], np.zeros(int(only.sum()))],
            uplims=True,
            fmt="none",
            ecolor=look.colour,
            elinewidth=0.9,
            capsize=1.8,
        )
    return np.asarray(np.where(only, limit, height))


def set_decades(ax: Axes, heights: FloatArray, most: float) -> None:
    """Let the axis hold all heights up to ``most`` times the median, on a logarithmic scale."""
    known = heights[np.isfinite(heights) & (heights > 0)]
    ax.set_yscale("log")
    if len(known) == 0:
        ax.set_ylim(0.1, 10.0)
        return
    middle = float(np.median(known))
    kept = known[(known < most * middle) & (known > middle / most)]
    ax.set_ylim(float(kept.min()) / 2.2, float(kept.max()) * 1.6)
