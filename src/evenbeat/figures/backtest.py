"""A backtest: how often intervals held at each horizon, and whether the probabilities were right."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.clock.tested import Backtest, HorizonScore, ScoredQuantity
from evenbeat.errors import InputError
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import log_time_axis, percent_text
from evenbeat.figures.style import BEHIND_TEXT, GREY, INK, PALE, dressed, stroke, styled
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NAMES: dict[ScoredQuantity, str] = {"frequency": "frequency", "time_error": "time error"}
ASIDE = 1.06
"""Factor by which the horizons of the two quantities are moved apart."""


def backtest_caption(result: Backtest) -> str:
    """Return the sentence above the figure: the first half of the verdict."""
    return result.verdict.split("; with so many")[0].split(". Widen")[0].removesuffix(".") + "."


@styled
def draw_backtest(ax: Axes, result: Backtest, *, view: str = "coverage") -> None:
    """Draw the share of intervals that held at each horizon, or the histogram of the transforms.

    Parameters
    ----------
    view
        ``'coverage'``, or ``'transforms'``: the probability that forecasts gave to values up to the
        outcome, level if they are right, high at both ends if they are too sure, in the middle if wide.
    """
    dressed(ax)
    if view == "coverage":
        _draw_coverage(ax, result)
    elif view == "transforms":
        _draw_transforms(ax, result)
    else:
        msg = f"view is {view!r}; it must be 'coverage' or 'transforms'"
        raise InputError(msg)


def _draw_coverage(ax: Axes, result: Backtest) -> None:
    horizons = np.array([score.horizon_s for score in result.scores])
    left, right = horizons.min() / 1.6, horizons.max() * 1.6
    log_time_axis(ax, float(left), float(right))
    lowest = 100 * min(score.coverage_low for score in result.scores)
    ax.set_ylim(max(-3.0, lowest - 12), 106)
    _shade_untested(ax, result, float(right))
    ax.axhline(100 * result.confidence, color=INK, linewidth=1.0, linestyle=(0, (6, 2)))
    labels = [
        Label(x=float(right), y=100 * result.confidence, text=f"stated: {percent_text(result.confidence)}")
    ]
    for number, quantity in enumerate(_NAMES):
        own = [score for score in result.scores if score.quantity == quantity]
        if own:
            labels.append(_draw_quantity(ax, own, number))
    ax.set_xlabel("horizon [s]")
    ax.set_ylabel("intervals that held [%]")
    name_lines(ax, labels)


def _draw_quantity(ax: Axes, scores: list[HorizonScore], number: int) -> Label:
    look = stroke(number)
    x = np.array([score.horizon_s for score in scores]) * ASIDE ** (2 * number - 1)
    share, low, high = (
        100 * np.array([getattr(score, name) for score in scores])
        for name in ("coverage", "coverage_low", "coverage_high")
    )
    ax.vlines(x, low, high, color=look.colour, linewidth=1.6, alpha=0.55)
    ax.plot(x, share, color=look.colour, linestyle=look.line, linewidth=0.9)
    for at, value, score in zip(x, share, scores, strict=True):
        face = "white" if score.verdict == "too few tests" else look.colour
        ax.plot([at], [value], marker=look.marker, markersize=5.5, color=look.colour, markerfacecolor=face)
        if number == 0:
            ax.annotate(
                f"{score.independent_tests:.0f}",
                xy=(score.horizon_s, 0.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                fontsize=7.5,
                color=GREY,
                bbox=BEHIND_TEXT,
            )
    return Label(x=float(x[-1]), y=float(share[-1]), text=_NAMES[scores[0].quantity], colour=look.colour)


def _shade_untested(ax: Axes, result: Backtest, right: float) -> None:
    """Shade what lies beyond the longest horizon that was tested, and explain the small numbers."""
    tested = result.tested_to_s
    ax.text(
        0.01, 0.09, "independent tests:", transform=ax.transAxes, fontsize=7.5, color=GREY, bbox=BEHIND_TEXT
    )
    if np.isnan(tested) or tested * 1.25 >= right:
        return
    ax.axvspan(tested * 1.25, right, color=PALE, alpha=0.6, linewidth=0)
    ax.text(
        tested * 1.3,
        0.14,
        f"not tested beyond\n{duration_text(tested)}",
        transform=ax.get_xaxis_transform(),
        fontsize=7.5,
        color=GREY,
        bbox=BEHIND_TEXT,
    )


def _draw_transforms(ax: Axes, result: Backtest) -> None:
    labels = []
    for number, quantity in enumerate(_NAMES):
        middle, share = result.histogram(quantity)
        look = stroke(number)
        width = 0.04
        at = middle + (number - 0.5) * width
        ax.bar(at, 100 * share, width=width, color=look.colour, alpha=0.85 - 0.35 * number, linewidth=0)
        labels.append(Label(x=1.0, y=float(100 * share[-1]), text=_NAMES[quantity], colour=look.colour))
    even = 100 / len(middle)
    ax.axhline(even, color=INK, linewidth=1.0, linestyle=(0, (6, 2)))
    labels.append(Label(x=1.0, y=even, text="if right"))
    ax.set_xlim(0, 1)
    ax.set_xlabel("probability that the forecast gave to values up to the outcome [1]")
    ax.set_ylabel("share of outcomes [%]")
    name_lines(ax, labels)
