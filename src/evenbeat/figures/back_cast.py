"""When an offset left its tolerance: the band between both ends, and the chance of having left by then."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from evenbeat.calibration.back_cast import BackCast
from evenbeat.figures.scales import fractional_text, percent_text, typeset
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, OCHRE, RUST, dressed, styled
from evenbeat.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def back_cast_caption(result: BackCast) -> str:
    """Return the sentence above the figure: when it left."""
    limits = typeset(str(result.tolerance))
    if math.isnan(result.crossing_s):
        return (
            f"With {percent_text(result.left_by_found)} it left {limits} at some time since the last "
            "known-good value."
        )
    first, last = (result.date_after(time) for time in (result.crossing_low_s, result.crossing_high_s))
    middle = result.date_after(result.crossing_s)
    return f"It left {limits} about {middle}; with 95 % between {first} and {last}."


@styled
def draw_back_cast(ax: Axes, result: BackCast) -> None:
    """Draw the band of the offset given both ends, its limits, and the probability of having left."""
    dressed(ax)
    days = result.elapsed_s / SECONDS_PER_DAY
    ax.fill_between(days, result.low, result.high, color=BLUE, alpha=0.2, linewidth=0)
    ax.plot(days, result.middle, color=BLUE)
    ends = ((0.0, result.as_left), (result.elapsed_to_found_s / SECONDS_PER_DAY, result.as_found))
    for day, value in ends:
        low, high = value.interval()
        ax.errorbar(
            [day],
            [value.value],
            yerr=[[value.value - low], [high - value.value]],
            marker="o",
            color=INK,
            zorder=5,
        )
    for limit in (result.tolerance.lower, result.tolerance.upper):
        ax.axhline(limit, color=RUST, linewidth=1.2, linestyle=(0, (5, 1.5)))
    ax.annotate(
        f"tolerance {typeset(str(result.tolerance))}",
        xy=(0.01, result.tolerance.upper),
        xycoords=ax.get_yaxis_transform(),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=7.8,
        color=RUST,
    )
    _draw_chance(ax, result)
    ax.set_xlim(0, float(days[-1]) * 1.02)
    since = "" if result.start is None else f" ({result.start.isoformat()})"
    ax.set_xlabel(f"days since the last known-good value{since}")
    ax.set_ylabel("fractional offset, 95 % band")
    ax.yaxis.set_major_formatter(lambda value, _: fractional_text(value))


def _draw_chance(ax: Axes, result: BackCast) -> None:
    chance = ax.twinx()
    chance.plot(result.elapsed_s / SECONDS_PER_DAY, 100 * result.left, color=OCHRE, linestyle=(0, (1.2, 1.2)))
    chance.set_ylim(0, 105)
    chance.set_ylabel("probability of having left by then [%]", color=OCHRE)
    chance.spines["top"].set_visible(False)
    if not math.isnan(result.crossing_s):
        low, middle, high = (
            time / SECONDS_PER_DAY
            for time in (result.crossing_low_s, result.crossing_s, result.crossing_high_s)
        )
        chance.plot([low, high], [3, 3], color=GREY, linewidth=4, solid_capstyle="butt")
        chance.plot([middle], [3], marker="D", color=INK, markersize=5)
        chance.annotate(
            result.date_after(result.crossing_s),
            xy=(middle, 3),
            xytext=(0, 7),
            textcoords="offset points",
            ha="center",
            fontsize=7.5,
            bbox=BEHIND_TEXT,
        )
