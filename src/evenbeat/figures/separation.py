"""Clocks told apart: three from their differences, or one from its reference; points or upper limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.separation import CorrectedCurve, SeparatedClocks
from evenbeat.figures.axes import (
    Label,
    deviation_axis,
    deviation_text,
    hold,
    log_time_axis,
    name_lines,
    plain,
)
from evenbeat.figures.deviations import FLOOR_LINE
from evenbeat.figures.style import GREY, INK, Stroke, drawing, stroke
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ARROW = 0.3
"""Length of an arrow as a share of the limit it hangs from."""
MOST = 1e3
"""Heights so many times above or below the median run out of the axes."""
LEAST_CLOSURE = 1e-3
"""The sum of the three differences is drawn where it reaches this share of a clock's deviation."""


def _draw_signed(
    ax: Axes,
    tau: FloatArray,
    variance: FloatArray,
    interval: tuple[FloatArray, FloatArray],
    limit: FloatArray,
    *,
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
    ax.fill_between(tau, bottom, top, color=look.colour, alpha=0.2, linewidth=0)
    ax.plot(tau, height, color=look.colour, linestyle=look.line, marker=look.marker, label=label)
    alone = seen & ~np.roll(seen, 1) & ~np.roll(seen, -1)  # a band needs two neighbours
    ax.vlines(tau[alone], bottom[alone], top[alone], color=look.colour, alpha=0.5, linewidth=1.0)
    only = ~seen & np.isfinite(limit) & (limit > 0)
    if only.any():
        ax.errorbar(
            tau[only],
            limit[only],
            yerr=[ARROW * limit[only], np.zeros(int(only.sum()))],
            uplims=True,
            fmt="none",
            ecolor=look.colour,
            elinewidth=0.9,
            capsize=1.8,
        )
    return np.asarray(np.where(only, limit, height))


def _hold_most(ax: Axes, heights: FloatArray) -> None:
    """Let the axis hold all heights but those far from the median."""
    known = heights[np.isfinite(heights) & (heights > 0)]
    middle = float(np.median(known)) if len(known) else math.nan
    hold(ax, known[(known < MOST * middle) & (known > middle / MOST)], below=2.2, above=1.6)


def separated_clocks_caption(result: SeparatedClocks) -> str:
    """Return the sentence above the figure: which clock is the best at the shortest and longest times."""
    low, _ = result.variance_interval()
    seen = np.where(low > 0, result.deviation, np.nan)
    known = np.flatnonzero(np.isfinite(seen).all(axis=0))
    if len(known) == 0:
        return plain(f"Of {', '.join(result.names)} not all can be told apart at any averaging time.")
    at = int(known[0])
    ranked = np.argsort(seen[:, at])
    words = ", ".join(f"{result.names[k]} {deviation_text(float(seen[k, at]), result.unit)}" for k in ranked)
    unseen = int(np.count_nonzero(~np.isfinite(seen)))
    rest = f" Arrows: only an upper limit is known ({unseen} points)." if unseen else ""
    return plain(f"At {duration_text(float(result.averaging_time_s[at]))}: {words}.{rest}")


@drawing
def draw_separated_clocks(ax: Axes, result: SeparatedClocks) -> None:
    """Draw the three clocks; an arrow hangs from the 95 % upper limit where zero cannot be excluded."""
    tau = result.averaging_time_s
    log_time_axis(ax, float(tau.min()) / 1.3, float(tau.max()) * 1.3)
    (low, high), limit = result.variance_interval(), result.upper_limit()
    labels: list[Label] = []
    drawn: list[FloatArray] = []

    def name(heights: FloatArray, text: str, colour: str) -> None:
        known = np.flatnonzero(np.isfinite(heights) & (heights > 0))
        if len(known):
            # the last points have limits far off: the name belongs beside the well-known part of the line
            last = known[min(len(known) - 1, round(0.85 * len(known)))]
            labels.append(Label(x=float(tau[last]), y=float(heights[last]), text=text, colour=colour))

    for k, clock in enumerate(result.names):
        look, interval = stroke(k), (low[k], high[k])
        drawn.append(_draw_signed(ax, tau, result.variance[k], interval, limit[k], look=look, label=clock))
        name(drawn[-1], clock, look.colour)
    heights = np.concatenate(drawn)
    _hold_most(ax, heights)
    closure = np.sqrt(np.maximum(result.closure_variance, 0.0))
    if np.isfinite(heights).any() and np.nanmax(closure) > LEAST_CLOSURE * np.nanmin(heights):
        ax.plot(tau, closure, color=GREY, linewidth=0.9, linestyle=(0, (1, 2)), label="loop of three")
        name(closure, "sum of the three\n(counters)", GREY)
    deviation_axis(ax, result.title, result.unit)
    ax.set_xlabel(r"averaging time $\tau$ [s]; bands: 95 % intervals; arrows: 95 % upper limits")
    name_lines(ax, labels)


def corrected_caption(result: CorrectedCurve) -> str:
    """Return the sentence above the figure: the best point of the device that stands out."""
    low, high = result.variance_interval()
    seen = np.flatnonzero(low > 0)
    names = " and ".join(part.name for part in result.contributions)
    if len(seen) == 0:
        return plain(f"The device does not stand out from its {names}: only upper limits are known.")
    at = int(seen[np.argmin(result.variance[seen])])
    value, bottom, top = (deviation_text(math.sqrt(v[at]), result.unit) for v in (result.variance, low, high))
    when = duration_text(float(result.averaging_time_s[at]))
    return plain(f"Without {names} the device has {value} at {when} (95 % interval {bottom} to {top}).")


@drawing
def draw_corrected(ax: Axes, result: CorrectedCurve) -> None:
    """Draw what was measured, what was taken out, and what is left with its interval or upper limit."""
    tau, measured = result.averaging_time_s, result.measured.deviation
    log_time_axis(ax, float(tau.min()) / 1.3, float(tau.max()) * 1.3)
    ax.plot(tau, measured, color=INK, linewidth=0.9, linestyle="-", label="measured")
    lines = [(measured, "measured", INK)]
    for number, part in enumerate(result.contributions):
        height, look = np.sqrt(part.variance), ((0, (5, 2)), FLOOR_LINE)[number % 2]
        ax.plot(tau, height, color=GREY, linewidth=1.0, linestyle=look, label=part.name)
        lines.append((height, part.name, GREY))
    shown = result.variance, result.variance_interval(), result.upper_limit()
    lines.append((_draw_signed(ax, tau, *shown, look=stroke(0), label="device"), "device", stroke(0).colour))
    _hold_most(ax, np.concatenate([heights for heights, _, _ in lines]))
    deviation_axis(ax, result.measured.title, result.unit)
    ax.set_xlabel(r"averaging time $\tau$ [s]; band: 95 % interval; arrows: 95 % upper limits")
    labels = []
    for heights, text, colour in lines:
        known = heights[np.isfinite(heights)]
        if len(known) and known[-1] > 0:
            labels.append(Label(x=float(tau[-1]), y=float(known[-1]), text=text, colour=colour))
    name_lines(ax, labels)
