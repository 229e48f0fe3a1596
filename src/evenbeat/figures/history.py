"""A history of calibrations and what is foretold from it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.history_model import HistoryModel
from evenbeat.figures.scales import fractional_text, typeset
from evenbeat.figures.style import BLUE, GREY, INK, RUST, dressed, styled
from evenbeat.quantities import Estimate, number_text
from evenbeat.units import SECONDS_PER_YEAR

if TYPE_CHECKING:
    from matplotlib.axes import Axes

AHEAD = 0.5
"""How far to look ahead, as a share of the history."""


def history_caption(model: HistoryModel) -> str:
    """Return the sentence above the figure: the drift."""
    rate = model.drift_per_year
    drift = number_text(rate.value, rate.standard_uncertainty)
    return typeset(
        f"By its calibrations it drifts {drift} per year and walks {model.walk_per_root_year:.2g} in a year."
    )


@styled
def draw_history(ax: Axes, model: HistoryModel) -> None:
    """Draw as found and as left with their uncertainty, joined between calibrations, and the forecast."""
    dressed(ax)
    points = model.history[0].points
    years = [point.time_s / SECONDS_PER_YEAR for point in points]
    for before, after, start, stop in zip(points[:-1], points[1:], years[:-1], years[1:], strict=True):
        if math.isfinite(before.as_left) and math.isfinite(after.as_found):
            ax.plot([start, stop], [before.as_left, after.as_found], color=GREY, linewidth=0.9)
    for name, marker, colour, fill in (("as found", "o", BLUE, BLUE), ("as left", "s", INK, "white")):
        values = np.array([getattr(point, name.replace(" ", "_")) for point in points])
        spread = np.array([1.96 * point.standard_uncertainty for point in points])
        ax.errorbar(
            years,
            values,
            yerr=np.nan_to_num(spread),
            color=colour,
            marker=marker,
            markerfacecolor=fill,
            linestyle="none",
            markersize=5,
            linewidth=0.9,
            label=name,
        )
    ahead = np.linspace(0, max(AHEAD * model.span_s, 0.5 * SECONDS_PER_YEAR), 60)
    offset = model.offset_after(ahead, model.as_left or Estimate.normal(0.0, 0.0))
    low, high = offset.interval()
    later = years[-1] + ahead / SECONDS_PER_YEAR
    ax.fill_between(later, low, high, color=RUST, alpha=0.2, linewidth=0, label="foretold, 95 %")
    ax.plot(later, offset.mean, color=RUST, linestyle=(0, (5, 1.5)))
    ax.set_xlabel("years since the first calibration")
    ax.set_ylabel("fractional offset")
    ax.yaxis.set_major_formatter(lambda value, _: fractional_text(value))
    ax.legend(loc="best", fontsize=7.5)
