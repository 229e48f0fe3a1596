"""Intervals by several methods side by side."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.methods import MethodComparison
from evenbeat.figures.scales import percent_text, time_unit, typeset
from evenbeat.figures.style import GREY, dressed, stroke, styled
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHORTEST_SHARE = 1e-2


def methods_caption(result: MethodComparison) -> str:
    """Return the sentence above the figure: the spread."""
    low, high = result.spread
    asked = f"{typeset(str(result.tolerance))} at {percent_text(result.reliability)}"
    if math.isnan(low):
        return f"No method gives an interval for {asked}."
    first, last = (duration_text(time).replace(" ", "\N{NO-BREAK SPACE}") for time in (low, high))
    return f"For {asked} the methods give {first} to {last}."


@styled
def draw_methods(ax: Axes, result: MethodComparison) -> None:
    """Draw the interval of each method with its band, where it has one."""
    dressed(ax)
    places = np.arange(len(result.methods))[::-1]
    known = [one.interval_s for one in result.methods if math.isfinite(one.interval_s)]
    reach = 1.6 * max(known, default=1.0)
    size, name = time_unit(reach)
    for number, (one, place) in enumerate(zip(result.methods, places, strict=True)):
        look = stroke(number)
        if math.isnan(one.interval_s):
            ax.annotate(
                "not used",
                xy=(0.01, place),
                xycoords=ax.get_yaxis_transform(),
                va="center",
                fontsize=7.5,
                color=GREY,
            )
            continue
        if math.isfinite(one.low_s):
            ends = [one.low_s / size, min(one.high_s, reach) / size]
            ax.plot(ends, [place, place], color=look.colour, linewidth=1.6)
        ax.plot([one.interval_s / size], [place], marker=look.marker, color=look.colour, markersize=7)
        ax.annotate(
            duration_text(one.interval_s),
            xy=(one.interval_s / size, place),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
            fontsize=7.5,
        )
    ax.set_yticks(places, [one.method for one in result.methods])
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.set_ylim(-0.6, len(result.methods) - 0.3)
    ax.set_xlim(0, reach / size)
    ax.set_xlabel(f"interval [{name}]")
    ax.set_ylabel("method")
