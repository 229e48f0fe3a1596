"""Reliability models side by side: what was found, every model's curve, and the interval each gives."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.reliability import SUPPORTED, ReliabilityComparison
from evenbeat.figures.scales import percent_text, time_unit
from evenbeat.figures.style import GREY, INK, STROKES, Stroke, dressed, stroke, styled
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

POINTS = 200


def reliability_caption(result: ReliabilityComparison) -> str:
    """Return the sentence above the figure: the spread of the interval among models that fit."""
    likely = [fit.interval_s for fit in result.fits if fit.aic - result.best.aic <= SUPPORTED]
    finite = [time for time in likely if math.isfinite(time)]
    if not finite:
        return f"No model lets the reliability fall to {percent_text(result.reliability)} within reach."
    return (
        f"For {percent_text(result.reliability)} the {len(likely)} models that fit about equally well give "
        f"intervals from {_unbroken(min(finite))} to {_unbroken(max(finite))}."
    )


def _unbroken(seconds: float) -> str:
    return duration_text(seconds).replace(" ", "\N{NO-BREAK SPACE}")


@styled
def draw_reliability(ax: Axes, result: ReliabilityComparison) -> None:
    """Draw the survival of every model, pale where the data speak against it, and the intervals."""
    dressed(ax)
    reach = result.longest_s
    size, name = time_unit(reach)
    times = np.linspace(0, 1.1 * reach, POINTS)
    for number, fit in enumerate(result.fits):
        look = _look(number)
        likely = fit.aic - result.best.aic <= SUPPORTED
        label = fit.model.name.replace("_", " ") + ("" if likely else " (fits worse)")
        ax.plot(
            times / size,
            100 * fit.survival(np.maximum(times, 1e-9 * reach)),
            color=look.colour,
            linestyle=look.line,
            linewidth=1.5 if likely else 0.8,
            alpha=1.0 if likely else 0.5,
            label=label,
        )
        if likely and 0 < fit.interval_s <= 1.1 * reach:
            ax.plot(
                [fit.interval_s / size],
                [100 * result.reliability],
                marker=look.marker,
                color=look.colour,
                markerfacecolor="white",
                markersize=6,
                zorder=5,
            )
    _draw_found(ax, result, size)
    ax.axhline(100 * result.reliability, color=GREY, linewidth=0.9, linestyle=(0, (2, 2)))
    ax.set_xlim(0, 1.1 * reach / size)
    ax.set_ylim(0, 104)
    ax.set_xlabel(f"time since calibration [{name}]")
    ax.set_ylabel("in tolerance [%]")
    ax.legend(loc="lower left", fontsize=7, ncols=2)


def _look(number: int) -> Stroke:
    """Return the look of a model: colours return after the last one, with another line and marker."""
    first, again = stroke(number), stroke(number + 3 * (number // len(STROKES)))
    return Stroke(colour=first.colour, line=again.line, marker=again.marker)


def _draw_found(ax: Axes, result: ReliabilityComparison, size: float) -> None:
    """Draw the share found in at each time of inspection, with what so few show."""
    for one in result.observed:
        share = one.found_in / one.inspected
        ax.errorbar(
            [one.time_s / size],
            [100 * share],
            yerr=[[100 * (share - one.low)], [100 * (one.high - share)]],
            marker="s",
            color=INK,
            markersize=4,
            linewidth=0.8,
            capsize=2,
            zorder=6,
        )
