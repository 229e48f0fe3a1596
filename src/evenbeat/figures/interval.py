"""The recalibration interval: probability of being within tolerance against time since calibration."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.interval_suggestion import IntervalSuggestion
from evenbeat.figures.scales import percent_text, time_unit, typeset
from evenbeat.figures.style import BLUE, GREY, INK, OCHRE, PALE, RUST, dressed, styled
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_BEYOND = 0.25


def interval_caption(suggestion: IntervalSuggestion) -> str:
    """Return the sentence above the figure: what limits the interval."""
    return typeset(suggestion.reason)


@styled
def draw_interval(
    ax: Axes,
    suggestion: IntervalSuggestion,
    *,
    since: str = "the end of the record",
    evidence: str = "the\nrecord is long",
) -> None:
    """Draw the probability of being within the limit, the reliability asked for and the interval.

    Parameters
    ----------
    since
        What the interval begins with.
    evidence
        What the hatched part lies beyond: by default the length of the record.
    """
    dressed(ax)
    reach = float(suggestion.elapsed_s[-1])
    time_size, time_name = time_unit(reach)
    right = reach * (1 + _BEYOND) / time_size
    probability = suggestion.probability
    ax.set_xlim(0, right)
    lowest = min(float(probability.min()), suggestion.reliability)
    bottom = 0.0 if lowest < 0.5 else 1 - 1.6 * (1 - lowest)
    ax.set_ylim(bottom, 1 + 0.09 * (1 - bottom))
    ax.axvspan(reach / time_size, right, facecolor=PALE, alpha=0.6, edgecolor=GREY, hatch="////", linewidth=0)
    ax.plot(suggestion.elapsed_s / time_size, probability, color=BLUE, linewidth=1.8)
    _draw_other_meaning(ax, suggestion, time_size)
    _draw_reliability(ax, suggestion)
    _mark_interval(ax, suggestion, time_size)
    _name_unknown(ax, suggestion, (reach / time_size, right), evidence)
    ax.set_xlabel(f"time since {since} [{time_name}]")
    ax.set_ylabel(f"probability of being\nwithin {typeset(str(suggestion.limit))}")


def _draw_other_meaning(ax: Axes, suggestion: IntervalSuggestion, time_size: float) -> None:
    """Draw the probability that was asked for where it is not that of the moment."""
    simulated = suggestion.never_left
    if suggestion.meaning == "average_over_period":
        times, chance, name = suggestion.elapsed_s, suggestion.average_probability, "average from the start"
    elif suggestion.meaning == "never_left" and simulated is not None:
        times, chance, name = simulated.elapsed_s, simulated.probability, "never having left"
    else:
        return
    ax.plot(times / time_size, chance, color=RUST, linewidth=1.6, linestyle=(0, (5, 1.5)), label=name)
    ax.plot([], [], color=BLUE, linewidth=1.8, label="within at that moment")
    ax.legend(loc="lower left", fontsize=7.5)


def _draw_reliability(ax: Axes, suggestion: IntervalSuggestion) -> None:
    ax.axhline(suggestion.reliability, color=OCHRE, linewidth=1.3, linestyle=(0, (8, 2)))
    ax.annotate(
        f"reliability asked for: {percent_text(suggestion.reliability)}",
        xy=(0.01, suggestion.reliability),
        xycoords=ax.get_yaxis_transform(),
        xytext=(0, -3),
        textcoords="offset points",
        va="top",
        fontsize=7.8,
        color=OCHRE,
    )


def _asked(suggestion: IntervalSuggestion) -> tuple[FloatArray, FloatArray]:
    """Return times and the probability that the reliability is asked of."""
    if suggestion.meaning == "average_over_period":
        return suggestion.elapsed_s, suggestion.average_probability
    if suggestion.meaning == "never_left" and suggestion.never_left is not None:
        return suggestion.never_left.elapsed_s, suggestion.never_left.probability
    return suggestion.elapsed_s, suggestion.probability


def _mark_interval(ax: Axes, suggestion: IntervalSuggestion, time_size: float) -> None:
    if math.isnan(suggestion.interval_s):
        ax.annotate(
            "no interval can be suggested: the reliability is not reached even now",
            xy=(0.5, 0.5),
            xycoords="axes fraction",
            ha="center",
            fontsize=8.5,
        )
        return
    at = suggestion.interval_s / time_size
    height = float(np.interp(suggestion.interval_s, *_asked(suggestion)))
    least = "at least " if suggestion.limited_by == "record length" else ""
    ax.plot([at, at], [ax.get_ylim()[0], height], color=INK, linewidth=1.1)
    ax.plot([at], [height], marker="o", markersize=6, markerfacecolor="white", color=INK, zorder=5)
    late = at > 0.33 * ax.get_xlim()[1]  # the falling curve is on the other side
    ax.annotate(
        f"suggested interval: {least}{duration_text(suggestion.interval_s)}",
        xy=(at, 0.07),
        xycoords=ax.get_xaxis_transform(),
        xytext=(-5 if late else 5, 0),
        textcoords="offset points",
        ha="right" if late else "left",
        fontsize=8.5,
        fontweight="bold",
    )


def _name_unknown(ax: Axes, suggestion: IntervalSuggestion, ends: tuple[float, float], evidence: str) -> None:
    beyond = suggestion.extrapolated_interval_s
    law = ""
    if not math.isnan(beyond):
        until = "beyond 20 years" if math.isinf(beyond) else f"to {duration_text(beyond)}"
        law = f"\n(aging law alone:\n{until}, untested)"
    ax.text(
        0.5 * sum(ends),
        0.5,
        f"further than {evidence}:\nno evidence{law}",
        transform=ax.get_xaxis_transform(),
        ha="center",
        va="center",
        fontsize=7.2,
        color=INK,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
    )
