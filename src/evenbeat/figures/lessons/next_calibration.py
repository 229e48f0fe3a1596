"""The offset with its band between the limits, and the probability of being within them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.board import Board
from evenbeat.figures.scales import fractional_unit, typeset
from evenbeat.figures.style import BLUE, GREY, INK, OCHRE, RUST, dressed
from evenbeat.lessons.next_calibration import CalibrationLesson
from evenbeat.units import SECONDS_PER_DAY, duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DESCRIPTION = (
    "Above, the log and the foretold offset with its 95 % band between the limits of the tolerance. Below, "
    "the probability of being within them, with the reliability asked for and the suggested interval."
)
BAND_POINTS = 8


def calibration_board() -> Board[CalibrationLesson]:
    """Return the board."""
    return Board(_arrange, _draw, size_in=(8.6, 5.6))


def _arrange(figure: Figure) -> Sequence[Axes]:
    offset, probability = figure.subplots(2, 1, height_ratios=[1.5, 1], sharex=False)
    figure.subplots_adjust(left=0.085, right=0.985, top=0.955, bottom=0.09, hspace=0.34)
    dressed(offset).set_title("offset: the log, and what is foretold", loc="left")
    offset.plot([], [], color=INK, marker=".", linestyle="none", label="averages")
    offset.plot([], [], color=BLUE, linewidth=6, alpha=0.35, label="foretold, 95 %")
    offset.plot([], [], color=OCHRE, linestyle=(0, (8, 2)), label="limits")
    offset.plot([], [], color=RUST, marker="o", markerfacecolor="white", label="next calibration")
    offset.legend(loc="upper left", ncols=4)
    dressed(probability).set_xlabel("time since the end of the record [d]")
    probability.set_title("probability of being within the limits", loc="left")
    probability.set_ylabel("probability [1]")
    probability.set_ylim(0, 1.04)
    return [offset, probability]


def _draw(axes: Sequence[Axes], lesson: CalibrationLesson) -> None:
    offset, probability = axes
    suggestion, model = lesson.suggestion, lesson.model
    reach = float(suggestion.elapsed_s[-1]) / SECONDS_PER_DAY
    limit = suggestion.limit
    size, unit = fractional_unit(limit.half_width)
    blocks = (model.blocks.spans.middle - model.record.duration_s) / SECONDS_PER_DAY
    offset.plot(blocks, model.blocks.frequency / size, color=INK, marker=".", markersize=3, linestyle="none")
    places = np.unique(np.linspace(0, len(suggestion.elapsed_s) - 1, BAND_POINTS).astype(int))
    days = suggestion.elapsed_s[places] / SECONDS_PER_DAY
    low, high = suggestion.offset.at(places).interval()
    offset.fill_between(days, low / size, high / size, color=BLUE, alpha=0.3, linewidth=0)
    offset.plot(days, suggestion.offset.mean[places] / size, color=BLUE)
    for edge in (limit.lower, limit.upper):
        offset.axhline(edge / size, color=OCHRE, linestyle=(0, (8, 2)), linewidth=1.4)
    offset.axvline(0, color=GREY, linewidth=0.8)
    offset.set_xlim(-reach, reach)
    middle, half = 0.5 * (limit.lower + limit.upper) / size, limit.half_width / size
    offset.set_ylim(middle - 1.5 * half, middle + 1.9 * half)
    offset.set_ylabel(f"y [{unit}]")
    time = suggestion.elapsed_s / SECONDS_PER_DAY
    probability.plot(time, suggestion.probability, color=BLUE, linewidth=1.8)
    probability.axhline(suggestion.reliability, color=OCHRE, linestyle=(0, (8, 2)), linewidth=1.4)
    probability.set_xlim(0, reach)
    if not math.isnan(suggestion.interval_s):
        at = suggestion.interval_s / SECONDS_PER_DAY
        offset.axvline(at, color=RUST, linewidth=1.2)
        probability.plot([at, at], [0, suggestion.reliability], color=RUST, linewidth=1.2)
        probability.plot(
            [at], [suggestion.reliability], marker="o", markerfacecolor="white", color=RUST, clip_on=False
        )
        whole = "" if suggestion.rounded is None else f"\n rounded down: {suggestion.rounded} "
        probability.text(
            at,
            0.06,
            f" {duration_text(suggestion.interval_s)} within {typeset(str(limit))} {whole}",
            ha="right" if at > 0.5 * reach else "left",
            color=INK,
        )
