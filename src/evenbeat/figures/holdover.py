"""Holdover: how large the time error can become, and which term makes it so."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import log_seconds_axis, log_time_axis, percent_text
from evenbeat.figures.style import BEHIND_TEXT, BLUE, INK, OCHRE, dressed, stroke, styled
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NEGLIGIBLE = 0.1
"""A term that never reaches this share of the whole is left to the table."""
MOST_TERMS = 6
ROOM_FOR_TEXT = 30.0
"""Factor of time from an edge within which a time is written towards the middle."""


def holdover_caption(holdover: HoldoverForecast) -> str:
    """Return the sentence above the figure: the time error at the end, as it is and if corrected."""
    last = Estimate(distribution=holdover.forecast.distribution.one(len(holdover.forecast) - 1))
    low, high = last.interval(holdover.confidence)
    half = 0.5 * (high - low)
    after = duration_text(float(holdover.duration_s[-1]))
    percent = percent_text(holdover.confidence)
    return (
        f"After {after} without its reference the clock is off by {time_text(low)} to {time_text(high)} "
        f"({percent}); with the forecast applied as a correction, by ±{time_text(half)}."
    )


@styled
def draw_holdover(ax: Axes, holdover: HoldoverForecast) -> None:
    """Draw the size of the time error against time since the reference was lost, with the budget.

    Notes
    -----
    Both axes are logarithmic. Terms of the budget are standard uncertainties; the two heavy lines are
    at the confidence of the forecast.
    """
    dressed(ax)
    time = holdover.duration_s
    low, high = holdover.forecast.interval(holdover.confidence)
    largest = np.maximum(np.abs(low), np.abs(high))
    smallest = np.where(low * high > 0, np.minimum(np.abs(low), np.abs(high)), 0.0)
    half = 0.5 * (high - low)
    log_time_axis(ax, float(time.min()) / 1.15, float(time.max()) * 1.15)
    ax.set_yscale("log")
    bottom = float(half.min()) / 30
    ax.set_ylim(bottom, float(largest.max()) * 2)
    percent = percent_text(holdover.confidence)
    ax.fill_between(time, np.maximum(smallest, bottom), largest, color=BLUE, alpha=0.28, linewidth=0)
    ax.plot(time, largest, color=BLUE, linewidth=1.8, label="uncorrected")
    ax.plot(time, half, color=INK, linewidth=1.8, linestyle=(0, (6, 1.5)), label="corrected")
    labels = [
        Label(x=float(time[-1]), y=float(largest[-1]), text=f"uncorrected\n({percent})", colour=BLUE),
        Label(x=float(time[-1]), y=float(half[-1]), text=f"if corrected\n({percent})", colour=INK),
        *_draw_terms(ax, holdover),
    ]
    log_seconds_axis(ax)
    labels += _draw_limit(ax, holdover)
    ax.set_xlabel("time since the reference was lost [s]")
    ax.set_ylabel("size of the time error")
    name_lines(ax, labels)


def _draw_terms(ax: Axes, holdover: HoldoverForecast) -> list[Label]:
    total = np.sqrt(holdover.terms.total)
    labels = []
    terms: dict[str, FloatArray] = {
        name: np.sqrt(variance) for name, variance in holdover.terms.by_term.items()
    }
    largest = sorted(terms, key=lambda name: -float(np.max(terms[name] / total)))[:MOST_TERMS]
    drawn = [name for name in terms if name in largest and np.any(terms[name] > NEGLIGIBLE * total)]
    for number, name in enumerate(drawn, start=1):
        # the swing of a day comes back to nothing every day: what counts is how far it has gone
        term = np.maximum.accumulate(terms[name]) if name == "environment" else terms[name]
        look = stroke(number)
        shown = np.where(term > 0, term, np.nan)
        ax.plot(holdover.duration_s, shown, color=look.colour, linestyle=look.line, linewidth=1.0, label=name)
        last = int(np.flatnonzero(term > 0)[-1])
        text = name.replace(" frequency", "\nfrequency").replace(" walk", "\nwalk")
        labels.append(
            Label(x=float(holdover.duration_s[last]), y=float(term[last]), text=text, colour=look.colour)
        )
    return labels


def _draw_limit(ax: Axes, holdover: HoldoverForecast) -> list[Label]:
    limit = holdover.time_error_limit_s
    if limit is None:
        return []
    low, high = ax.get_ylim()
    ax.set_ylim(min(low, limit / 2), max(high, limit * 2))
    ax.axhline(limit, color=OCHRE, linewidth=1.3, linestyle=(0, (8, 2)))
    left, right = ax.get_xlim()
    for at, name, above, aside in (
        (holdover.time_to_limit_s, "as it is", 5, -1),
        (holdover.time_to_limit_corrected_s, "if corrected", -12, 1),
    ):
        if not (math.isfinite(at) and left < at < right):
            continue
        ax.plot([at], [limit], marker="o", markersize=5, markerfacecolor="white", color=OCHRE, zorder=5)
        side = 1 if at < left * ROOM_FOR_TEXT else -1 if at > right / ROOM_FOR_TEXT else aside
        ax.annotate(
            f"{duration_text(at)} {name}",
            xy=(at, limit),
            xytext=(4 * side, above),
            textcoords="offset points",
            ha="left" if side > 0 else "right",
            fontsize=7.5,
            color=INK,
            bbox=BEHIND_TEXT,
        )
    return [Label(x=right, y=limit, text=f"limit {time_text(limit)}", colour=OCHRE)]
