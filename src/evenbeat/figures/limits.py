"""Held against limits: a curve beside a limit line, and a specification line by line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.decision import probability_text
from evenbeat.calibration.specification import JudgedLine, SpecificationVerdict
from evenbeat.deviations.limits import LimitVerdict
from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.figures.axes import (
    deviation_axis,
    hold,
    log_time_axis,
    name_rows,
    note,
    percent_text,
    plain,
    typeset,
)
from evenbeat.figures.deviations import TIME_ERROR_NAMES
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, OCHRE, PALE, RUST, Keywords, drawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes

POINTS: dict[str, Keywords] = {
    "below": {"marker": "o", "color": BLUE},
    "undecided": {"marker": "D", "color": INK, "markerfacecolor": "white"},
    "above": {"marker": "X", "color": RUST},
    "no statement": {"marker": ".", "color": GREY},
}
"""How a point of a curve is drawn by its verdict."""
NAME_ROOM = 0.18
"""Share of the decades added at the top for the name of the limit."""
LINES = {
    "pass": (BLUE, "o"),
    "conditional pass": (OCHRE, "^"),
    "conditional fail": (OCHRE, "v"),
    "fail": (RUST, "X"),
    "not tested": (GREY, "o"),
}
"""Colour and marker of a line of a specification by its verdict."""
LEAST = 1e-3
"""Shares of a limit below are drawn here."""


def limit_verdict_caption(result: LimitVerdict) -> str:
    """Return the sentence above the figure: the verdict in words."""
    return plain(result.sentence)


@drawing
def draw_limit_verdict(ax: Axes, result: LimitVerdict) -> None:
    """Draw the curve, its interval and the limit; the marker of each point is its verdict."""
    tau, limit = result.averaging_time_s, result.limit
    ends = float(tau.min()) / 1.3, float(tau.max()) * 1.3
    log_time_axis(ax, *ends)
    ax.fill_between(tau, result.low, result.high, color=BLUE, alpha=0.18, linewidth=0)
    ax.plot(tau, result.value, color=BLUE, linewidth=1.0, label="curve")
    for verdict, look in POINTS.items():
        here = np.array([found == verdict for found in result.verdicts])
        if here.any():
            ax.plot(tau[here], result.value[here], linestyle="none", markersize=5, label=verdict, **look)
    dense = np.geomspace(*ends, 600)
    allowed = limit.at(dense)
    ax.plot(dense, allowed, color=RUST, linewidth=1.8, label="limit")
    heights = [result.value, np.minimum(result.high, 6 * result.value), allowed]
    hold(ax, np.concatenate(heights), below=1.8, above=1.3)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high * max(high / low, 10.0) ** NAME_ROOM)
    if isinstance(result.curve, TimeErrorCurve):
        title, band = TIME_ERROR_NAMES[result.curve.statistic], "this record only: no interval"
    else:
        title, band = result.curve.title, f"band: {percent_text(result.confidence)} interval"
    deviation_axis(ax, title, limit.unit)
    ax.set_xlabel(rf"averaging time $\tau$ [s]; {band}")
    name = plain(f"limit: {limit.name}")
    look = {"ha": "left", "va": "top", "fontsize": 7.8, "color": RUST, "bbox": BEHIND_TEXT}
    note(ax, name, (0.012, 0.975), "axes", **look)
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, -0.34), ncols=6, handletextpad=0.4, columnspacing=1.2)


def specification_caption(result: SpecificationVerdict) -> str:
    """Return the sentence above the figure: the verdict."""
    named = result.specification.name or "The specification"
    said = {
        "conforms": "every line was tested and passed",
        "does not conform": "at least one line failed",
        "not shown": "nothing failed, but conformity is not shown",
    }[result.overall]
    return f"{named}: {said} ({result.rule.name.replace('_', ' ')})."


@drawing
def draw_specification(ax: Axes, result: SpecificationVerdict) -> None:
    """Draw value and interval of each line over its limit; hollow where it was not tested."""
    lines = result.lines
    places = np.arange(len(lines))[::-1]
    shares = [_share(line) for line in lines]
    most = max([1.0, *(high for _, _, high in shares if math.isfinite(high))])
    right = 10 ** math.ceil(math.log10(1.5 * most))
    ax.set_xscale("log")
    ax.set_xlim(LEAST, right)
    ax.axvspan(1.0, right, facecolor=PALE, alpha=0.5, linewidth=0)
    ax.axvline(1.0, color=INK, linewidth=1.2)
    for line, place, (low, value, high) in zip(lines, places, shares, strict=True):
        colour, marker = LINES[line.verdict]
        if math.isfinite(value):
            face = "white" if line.verdict == "not tested" else colour
            ax.plot([low, high], [place, place], color=colour, linewidth=2.2, solid_capstyle="butt")
            ax.plot([value], [place], marker=marker, markersize=6, color=colour, markerfacecolor=face)
        said: str = line.verdict
        if math.isfinite(line.conformance_probability):
            chance = probability_text(line.conformance_probability)
            said = f"{said}, P {chance}" if chance[0] in "<>" else f"{said}, P = {chance}"
        note(ax, said, (1.01, place), "y", va="center", color=colour, annotation_clip=False)
    name_rows(ax, places, [typeset(f"{line.line.title}\n{line.line.limit_text}") for line in lines])
    ax.tick_params(axis="y", labelsize=7.5)
    ax.set_ylim(-0.7, len(lines) - 0.3)
    ax.set_ylabel("line of the specification, with its limit")
    ax.set_xlabel("size of the value over its limit, with its interval")


def _share(line: JudgedLine) -> tuple[float, float, float]:
    """Return the sizes of low, value and high over the limit, for a logarithmic axis."""
    low, value, high = line.share_of_limit
    if not math.isfinite(value):
        return math.nan, math.nan, math.nan
    if low <= 0 <= high:
        return LEAST, max(abs(value), LEAST), max(abs(low), abs(high), LEAST)
    small, large = sorted((abs(low), abs(high)))
    return max(small, LEAST), max(abs(value), LEAST), max(large, LEAST)
