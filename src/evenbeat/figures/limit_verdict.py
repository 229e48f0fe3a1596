"""A curve with its interval beside a limit, each averaging time marked as below, above or undecided."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.limits.comparison import LimitVerdict
from evenbeat.deviations.limits.line import FROM_MEMORY
from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.figures.scales import log_decades, log_seconds_axis, log_time_axis, percent_text, plain
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, RUST, dressed, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOOKS = {
    "below": ("o", BLUE, BLUE),
    "undecided": ("D", "white", INK),
    "above": ("X", RUST, RUST),
    "no statement": (".", GREY, GREY),
}
NAME_ROOM = 0.18
"""Share of the decades added at the top for the name of the limit."""
_NAMES = {"mtie": "maximum time interval error", "rms": "rms time interval error"}


def limit_verdict_caption(result: LimitVerdict) -> str:
    """Return the sentence above the figure: the verdict in words."""
    return plain(result.sentence)


@styled
def draw_limit_verdict(ax: Axes, result: LimitVerdict) -> None:
    """Draw the curve, its interval and the limit; the marker of each point is its verdict."""
    dressed(ax)
    tau = result.averaging_time_s
    log_time_axis(ax, float(tau.min()) / 1.3, float(tau.max()) * 1.3)
    ax.fill_between(tau, result.low, result.high, color=BLUE, alpha=0.18, linewidth=0)
    ax.plot(tau, result.value, color=BLUE, linewidth=1.0, label="curve")
    for verdict, (marker, face, edge) in _LOOKS.items():
        here = np.array([found == verdict for found in result.verdicts])
        if here.any():
            ax.plot(
                tau[here],
                result.value[here],
                linestyle="none",
                marker=marker,
                markersize=5,
                markerfacecolor=face,
                markeredgecolor=edge,
                label=verdict,
            )
    dense = np.geomspace(float(tau.min()) / 1.3, float(tau.max()) * 1.3, 600)
    allowed = result.limit.at(dense)
    ax.plot(dense, allowed, color=RUST, linewidth=1.8, label="limit")
    _set_range(ax, result, allowed)
    (log_seconds_axis if result.limit.unit == "s" else log_decades)(ax)
    _name_limit(ax, result)
    bare = isinstance(result.curve, TimeErrorCurve)
    band = "this record only: no interval" if bare else f"band: {percent_text(result.confidence)} interval"
    ax.set_xlabel(rf"averaging time $\tau$ [s]; {band}")
    title = _NAMES[result.curve.statistic] if isinstance(result.curve, TimeErrorCurve) else result.curve.title
    ax.set_ylabel(title + ("" if result.limit.unit == "s" else " [1]"))
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, -0.34), ncols=6, handletextpad=0.4, columnspacing=1.2)


def _set_range(ax: Axes, result: LimitVerdict, allowed: np.ndarray) -> None:
    """Choose decades that hold the curve and the limit, with room for the name of the limit above them."""
    heights = np.concatenate([result.value, np.minimum(result.high, 6 * result.value), allowed])
    known = heights[np.isfinite(heights) & (heights > 0)]
    ax.set_yscale("log")
    if len(known):
        low, high = float(known.min()) / 1.8, float(known.max()) * 1.3
        ax.set_ylim(low, high * max(high / low, 10.0) ** NAME_ROOM)


def _name_limit(ax: Axes, result: LimitVerdict) -> None:
    name = f"limit: {result.limit.name}" + (f"\n{FROM_MEMORY}" if result.limit.from_memory else "")
    ax.annotate(
        plain(name),
        xy=(0.012, 0.975),
        xycoords="axes fraction",
        ha="left",
        va="top",
        fontsize=7.8,
        color=RUST,
        bbox=BEHIND_TEXT,
    )
