"""Three clocks separated from their differences: a deviation with interval, or an upper limit, for each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.separation.separated_clocks import SeparatedClocks
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import fractional_text, log_decades, log_seconds_axis, log_time_axis, plain
from evenbeat.figures.style import GREY, dressed, stroke, styled
from evenbeat.figures.upper_limits import draw_signed, set_decades
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST = 1e3
LEAST_CLOSURE = 1e-3
"""The sum of the three differences is drawn where it reaches this share of a clock's deviation."""


def separated_clocks_caption(result: SeparatedClocks) -> str:
    """Return the sentence above the figure: which clock is the best at the shortest and longest times."""
    low, _ = result.variance_interval()
    seen = np.where(low > 0, result.deviation, np.nan)
    known = np.flatnonzero(np.isfinite(seen).all(axis=0))
    if len(known) == 0:
        return plain(f"Of {', '.join(result.names)} not all can be told apart at any averaging time.")
    write = time_text if result.unit == "s" else fractional_text
    at = int(known[0])
    ranked = np.argsort(seen[:, at])
    words = ", ".join(f"{result.names[k]} {write(float(seen[k, at]))}" for k in ranked)
    unseen = int(np.count_nonzero(~np.isfinite(seen)))
    rest = f" Arrows: only an upper limit is known ({unseen} points)." if unseen else ""
    return plain(f"At {duration_text(float(result.averaging_time_s[at]))}: {words}.{rest}")


@styled
def draw_separated_clocks(ax: Axes, result: SeparatedClocks) -> None:
    """Draw the three clocks; an arrow hangs from the 95 % upper limit where zero cannot be excluded."""
    dressed(ax)
    tau = result.averaging_time_s
    log_time_axis(ax, float(tau.min()) / 1.3, float(tau.max()) * 1.3)
    (low, high), limit = result.variance_interval(), result.upper_limit()
    drawn = [
        draw_signed(
            ax,
            tau,
            variance=result.variance[k],
            interval=(low[k], high[k]),
            limit=limit[k],
            look=stroke(k),
            label=name,
        )
        for k, name in enumerate(result.names)
    ]
    labels = [_label(tau, heights, result.names[k], stroke(k).colour) for k, heights in enumerate(drawn)]
    set_decades(ax, np.concatenate(drawn), MOST)
    closure = np.sqrt(np.maximum(result.closure_variance, 0.0))
    heights = np.concatenate(drawn)
    if np.isfinite(heights).any() and np.nanmax(closure) > LEAST_CLOSURE * np.nanmin(heights):
        ax.plot(tau, closure, color=GREY, linewidth=0.9, linestyle=(0, (1, 2)), label="loop of three")
        labels.append(_label(tau, closure, "sum of the three\n(counters)", GREY))
    (log_seconds_axis if result.unit == "s" else log_decades)(ax)
    ax.set_xlabel(r"averaging time $\tau$ [s]; bands: 95 % intervals; arrows: 95 % upper limits")
    ax.set_ylabel(result.title + ("" if result.unit == "s" else " [1]"))
    name_lines(ax, [label for label in labels if np.isfinite(label.y)])


def _label(tau: np.ndarray, heights: np.ndarray, text: str, colour: str) -> Label:
    known = np.flatnonzero(np.isfinite(heights) & (heights > 0))
    if len(known) == 0:
        return Label(x=float(tau[-1]), y=float("nan"), text=text, colour=colour)
    # the last points have limits far off: the name belongs beside the well-known part of the line
    last = known[min(len(known) - 1, round(0.85 * len(known)))]
    return Label(x=float(tau[last]), y=float(heights[last]), text=text, colour=colour)
