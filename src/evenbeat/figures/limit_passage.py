"""How likely a clock in holdover is within its limit, and has never left it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import percent_text, time_unit
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, RUST, dressed, styled
from evenbeat.holdover.passage import LimitPassage
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def limit_passage_caption(result: LimitPassage) -> str:
    """Return the sentence above the figure: how long, by either question."""
    what = "corrected by its forecast, " if result.corrected else ""
    return (
        f"Alone, {what}the clock is within ±{time_text(result.time_error_limit_s)} with "
        f"{percent_text(result.confidence)} {_lasting(result.time_within_s)}, and has never left it with "
        f"that probability {_lasting(result.time_never_left_s)}."
    )


def _lasting(time_s: float) -> str:
    if math.isinf(time_s):
        return "as long as was simulated"
    return "not even at first" if time_s == 0 else f"for {duration_text(time_s)}"


@styled
def draw_limit_passage(ax: Axes, result: LimitPassage) -> None:
    """Draw both probabilities against time, and where they fall below the confidence."""
    dressed(ax)
    size, name = time_unit(float(result.duration_s[-1]))
    time = result.duration_s / size
    low, high = (100 * (result.never_left + sign * 2 * result.never_left_standard_error) for sign in (-1, 1))
    ax.fill_between(time, low, high, color=RUST, alpha=0.25, linewidth=0)
    ax.plot(time, 100 * result.never_left, color=RUST, linestyle=(0, (5, 1.5)))
    ax.plot(time, 100 * result.within, color=BLUE)
    ax.axhline(100 * result.confidence, color=GREY, linewidth=0.9, linestyle=(0, (2, 2)))
    for at, colour, place in (
        (result.time_within_s, BLUE, (6, 7)),
        (result.time_never_left_s, RUST, (-6, -13)),
    ):
        if not (math.isfinite(at) and at > 0):
            continue
        y = 100 * result.confidence
        ax.plot([at / size], [y], marker="o", markersize=5, markerfacecolor="white", color=colour, zorder=5)
        ax.annotate(
            duration_text(at),
            xy=(at / size, y),
            xytext=place,
            textcoords="offset points",
            ha="left" if place[0] > 0 else "right",
            fontsize=7.5,
            color=INK,
            bbox=BEHIND_TEXT,
        )
    ax.set_xlim(0, float(time[-1]))
    ax.set_ylim(max(0.0, min(float(low.min()) - 5, 100 * result.confidence - 10)), 102)
    ax.set_xlabel(f"time since the reference was lost [{name}]")
    ax.set_ylabel(f"probability, limit ±{time_text(result.time_error_limit_s)} [%]")
    name_lines(
        ax,
        [
            Label(
                x=float(time[-1]),
                y=float(100 * result.within[-1]),
                text="within at\nthat moment",
                colour=BLUE,
            ),
            Label(x=float(time[-1]), y=float(100 * result.never_left[-1]), text="never left", colour=RUST),
            Label(
                x=float(time[-1]),
                y=100 * result.confidence,
                text=percent_text(result.confidence),
                colour=GREY,
            ),
        ],
    )
