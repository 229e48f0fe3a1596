"""A specification held against a log: every line as a share of its limit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.decision import probability_text
from evenbeat.calibration.specification_verdict import JudgedLine, SpecificationVerdict
from evenbeat.figures.scales import typeset
from evenbeat.figures.style import BLUE, GREY, INK, OCHRE, PALE, RUST, dressed, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOOKS = {
    "pass": (BLUE, "o"),
    "conditional pass": (OCHRE, "^"),
    "conditional fail": (OCHRE, "v"),
    "fail": (RUST, "X"),
    "not tested": (GREY, "o"),
}
LEAST = 1e-3
"""Shares of a limit below are drawn here."""


def specification_caption(result: SpecificationVerdict) -> str:
    """Return the sentence above the figure: the verdict."""
    named = result.specification.name or "The specification"
    said = {
        "conforms": "every line was tested and passed",
        "does not conform": "at least one line failed",
        "not shown": "nothing failed, but conformity is not shown",
    }[result.overall]
    return f"{named}: {said} ({result.rule.name.replace('_', ' ')})."


@styled
def draw_specification(ax: Axes, result: SpecificationVerdict) -> None:
    """Draw value and interval of each line over its limit; hollow where it was not tested."""
    dressed(ax)
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
        colour, marker = LOOKS[line.verdict]
        hollow = line.verdict == "not tested"
        if math.isfinite(value):
            ax.plot([low, high], [place, place], color=colour, linewidth=2.2, solid_capstyle="butt")
            ax.plot(
                [value],
                [place],
                marker=marker,
                markersize=6,
                color=colour,
                markerfacecolor="white" if hollow else colour,
            )
        said: str = line.verdict
        if math.isfinite(line.conformance_probability):
            chance = probability_text(line.conformance_probability)
            said = f"{said}, P {chance}" if chance[0] in "<>" else f"{said}, P = {chance}"
        ax.annotate(
            said,
            xy=(1.01, place),
            xycoords=ax.get_yaxis_transform(),
            va="center",
            fontsize=7.5,
            color=colour,
            annotation_clip=False,
        )
    ax.set_yticks(places, [typeset(f"{line.line.title}\n{line.line.limit_text}") for line in lines])
    ax.tick_params(axis="y", labelsize=7.5, length=0)
    ax.grid(visible=False, axis="y")
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
