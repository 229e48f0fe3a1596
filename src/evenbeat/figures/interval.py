"""Recalibration intervals: from one clock, by several methods, and from found states of many."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.calibration.methods import MethodComparison
from evenbeat.calibration.reliability import SUPPORTED, ReliabilityComparison
from evenbeat.figures.axes import name_rows, note, percent_text, time_unit, typeset, unbroken
from evenbeat.figures.style import BLUE, GREY, INK, OCHRE, PALE, RUST, STROKES, Keywords, drawing, stroke
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BEYOND = 0.25
"""Share of the time with evidence that is drawn beyond it, hatched."""


def interval_caption(suggestion: IntervalSuggestion) -> str:
    """Return the sentence above the figure: what limits the interval."""
    return typeset(suggestion.reason)


@drawing
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
    reach, reliability = float(suggestion.elapsed_s[-1]), suggestion.reliability
    time_size, time_name = time_unit(reach)
    right = reach * (1 + BEYOND) / time_size
    probability = suggestion.probability
    ax.set_xlim(0, right)
    lowest = min(float(probability.min()), reliability)
    bottom = 0.0 if lowest < 0.5 else 1 - 1.6 * (1 - lowest)
    ax.set_ylim(bottom, 1 + 0.09 * (1 - bottom))
    ax.axvspan(reach / time_size, right, facecolor=PALE, alpha=0.6, edgecolor=GREY, hatch="////", linewidth=0)
    ax.plot(suggestion.elapsed_s / time_size, probability, color=BLUE, linewidth=1.8)

    # the probability that the reliability is asked of, drawn where it is not that of the moment
    times, asked, name = suggestion.elapsed_s, probability, ""
    if suggestion.meaning == "average_over_period":
        asked, name = suggestion.average_probability, "average from the start"
    elif suggestion.meaning == "never_left" and suggestion.never_left is not None:
        simulated = suggestion.never_left
        times, asked, name = simulated.elapsed_s, simulated.probability, "never having left"
    if name:
        ax.plot(times / time_size, asked, color=RUST, linewidth=1.6, linestyle=(0, (5, 1.5)), label=name)
        ax.plot([], [], color=BLUE, linewidth=1.8, label="within at that moment")
        ax.legend(loc="lower left", fontsize=7.5)

    ax.axhline(reliability, color=OCHRE, linewidth=1.3, linestyle=(0, (8, 2)))
    told = f"reliability asked for: {percent_text(reliability)}"
    note(ax, told, (0.01, reliability), "y", offset=(0, -3), va="top", fontsize=7.8, color=OCHRE)
    if math.isnan(suggestion.interval_s):
        told = "no interval can be suggested: the reliability is not reached even now"
        note(ax, told, (0.5, 0.5), "axes", ha="center", fontsize=8.5)
    else:
        at = suggestion.interval_s / time_size
        height = float(np.interp(suggestion.interval_s, times, asked))
        ax.plot([at, at], [ax.get_ylim()[0], height], color=INK, linewidth=1.1)
        ax.plot([at], [height], marker="o", markersize=6, markerfacecolor="white", color=INK, zorder=5)
        least = "at least " if suggestion.limited_by == "record length" else ""
        told = f"suggested interval: {least}{duration_text(suggestion.interval_s)}"
        late = at > 0.33 * right  # the falling curve is on the other side
        side, moved = ("right", -5) if late else ("left", 5)
        note(ax, told, (at, 0.07), "x", offset=(moved, 0), ha=side, fontsize=8.5, fontweight="bold")

    beyond, law = suggestion.extrapolated_interval_s, ""
    if not math.isnan(beyond):
        until = "beyond 20 years" if math.isinf(beyond) else f"to {duration_text(beyond)}"
        law = f"\n(aging law alone:\n{until}, untested)"
    ax.text(
        0.5 * (reach / time_size + right),
        0.5,
        f"further than {evidence}:\nno evidence{law}",
        transform=ax.get_xaxis_transform(),
        ha="center",
        va="center",
        fontsize=7.2,
        color=INK,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
    )
    ax.set_xlabel(f"time since {since} [{time_name}]")
    ax.set_ylabel(f"probability of being\nwithin {typeset(str(suggestion.limit))}")


def methods_caption(result: MethodComparison) -> str:
    """Return the sentence above the figure: the spread."""
    low, high = result.spread
    asked = f"{typeset(str(result.tolerance))} at {percent_text(result.reliability)}"
    if math.isnan(low):
        return f"No method gives an interval for {asked}."
    return f"For {asked} the methods give {unbroken(low)} to {unbroken(high)}."


@drawing
def draw_methods(ax: Axes, result: MethodComparison) -> None:
    """Draw the interval of each method with its band, where it has one."""
    places = np.arange(len(result.methods))[::-1]
    known = [one.interval_s for one in result.methods if math.isfinite(one.interval_s)]
    reach = 1.6 * max(known, default=1.0)
    size, name = time_unit(reach)
    for number, (one, place) in enumerate(zip(result.methods, places, strict=True)):
        look, at = stroke(number), one.interval_s / size
        if math.isnan(at):
            note(ax, "not used", (0.01, place), "y", va="center", color=GREY)
            continue
        if math.isfinite(one.low_s):
            ends = [one.low_s / size, min(one.high_s, reach) / size]
            ax.plot(ends, [place, place], color=look.colour, linewidth=1.6)
        ax.plot([at], [place], marker=look.marker, color=look.colour, markersize=7)
        note(ax, duration_text(one.interval_s), (at, place), offset=(0, 6), ha="center")
    name_rows(ax, places, [one.method for one in result.methods])
    ax.set_ylim(-0.6, len(result.methods) - 0.3)
    ax.set_xlim(0, reach / size)
    ax.set_xlabel(f"interval [{name}]")
    ax.set_ylabel("method")


def reliability_caption(result: ReliabilityComparison) -> str:
    """Return the sentence above the figure: the spread of the interval among models that fit."""
    likely = [fit.interval_s for fit in result.fits if fit.aic - result.best.aic <= SUPPORTED]
    finite = [time for time in likely if math.isfinite(time)]
    if not finite:
        return f"No model lets the reliability fall to {percent_text(result.reliability)} within reach."
    return (
        f"For {percent_text(result.reliability)} the {len(likely)} models that fit about equally well give "
        f"intervals from {unbroken(min(finite))} to {unbroken(max(finite))}."
    )


@drawing
def draw_reliability(ax: Axes, result: ReliabilityComparison) -> None:
    """Draw the survival of every model, pale where it fits worse, what was found, and the intervals."""
    reach = result.longest_s
    size, name = time_unit(reach)
    times = np.linspace(0, 1.1 * reach, 200)
    for number, fit in enumerate(result.fits):
        # colours return after the last one, with another line and marker
        colour, look = stroke(number).colour, stroke(number + 3 * (number // len(STROKES)))
        likely = fit.aic - result.best.aic <= SUPPORTED
        ax.plot(
            times / size,
            100 * fit.survival(np.maximum(times, 1e-9 * reach)),
            color=colour,
            linestyle=look.line,
            linewidth=1.5 if likely else 0.8,
            alpha=1.0 if likely else 0.5,
            label=fit.model.name.replace("_", " ") + ("" if likely else " (fits worse)"),
        )
        if likely and 0 < fit.interval_s <= 1.1 * reach:
            hollow: Keywords = {"marker": look.marker, "markerfacecolor": "white", "markersize": 6}
            ax.plot([fit.interval_s / size], [100 * result.reliability], color=colour, zorder=5, **hollow)
    # the share found in at each time of inspection, with what so few show
    square: Keywords = {
        "marker": "s",
        "color": INK,
        "markersize": 4,
        "linewidth": 0.8,
        "capsize": 2,
        "zorder": 6,
    }
    for one in result.observed:
        share = one.found_in / one.inspected
        spread = [[100 * (share - one.low)], [100 * (one.high - share)]]
        ax.errorbar([one.time_s / size], [100 * share], yerr=spread, **square)
    ax.axhline(100 * result.reliability, color=GREY, linewidth=0.9, linestyle=(0, (2, 2)))
    ax.set_xlim(0, 1.1 * reach / size)
    ax.set_ylim(0, 104)
    ax.set_xlabel(f"time since calibration [{name}]")
    ax.set_ylabel("in tolerance [%]")
    ax.legend(loc="lower left", fontsize=7, ncols=2)
