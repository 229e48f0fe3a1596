"""Holdover: how large the time error becomes, by which terms, and how likely it stays within a limit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.figures.axes import (
    Label,
    deviation_axis,
    log_time_axis,
    name_lines,
    note,
    percent_text,
    time_unit,
)
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, OCHRE, RUST, Keywords, drawing, stroke
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.holdover.passage import LimitPassage
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


@drawing
def draw_holdover(
    ax: Axes, holdover: HoldoverForecast, *, came: tuple[npt.ArrayLike, npt.ArrayLike] | None = None
) -> None:
    """Draw the size of the time error against time since the reference was lost, with the budget.

    Parameters
    ----------
    came
        What came, where it is known: seconds since the loss and time error in seconds, shape (n,) each; drawn
        as it was, and as it would have been with the forecast as a correction.

    Notes
    -----
    Both axes are logarithmic. Terms of the budget are standard uncertainties; the two heavy lines are
    at the confidence of the forecast.
    """
    time = holdover.duration_s
    low, high = holdover.forecast.interval(holdover.confidence)
    largest = np.maximum(np.abs(low), np.abs(high))
    smallest = np.where(low * high > 0, np.minimum(np.abs(low), np.abs(high)), 0.0)
    half = 0.5 * (high - low)
    log_time_axis(ax, float(time.min()) / 1.15, float(time.max()) * 1.15)
    ax.set_yscale("log")
    bottom = float(half.min()) / 30
    errors = {}
    if came is not None:
        later, error = (np.asarray(each, dtype=float) for each in came)
        corrected = error - np.interp(later, time, holdover.forecast.mean)
        errors = {"came": (BLUE, np.abs(error)), "came, corrected": (INK, np.abs(corrected))}
        bottom = min(bottom, *(float(each.min()) / 2 for _, each in errors.values() if each.min() > 0))
    ax.set_ylim(bottom, float(largest.max()) * 2)
    percent = percent_text(holdover.confidence)
    ax.fill_between(time, np.maximum(smallest, bottom), largest, color=BLUE, alpha=0.28, linewidth=0)
    ax.plot(time, largest, color=BLUE, linewidth=1.8, label="uncorrected")
    ax.plot(time, half, color=INK, linewidth=1.8, linestyle=(0, (6, 1.5)), label="corrected")
    labels = [
        Label.at_end(time, largest, f"uncorrected\n({percent})", BLUE),
        Label.at_end(time, half, f"if corrected\n({percent})"),
        *_draw_terms(ax, holdover),
    ]
    for name, (colour, sizes) in errors.items():
        crosses: Keywords = {
            "linestyle": "none",
            "marker": "x",
            "markersize": 6,
            "color": colour,
            "zorder": 5,
        }
        ax.plot(later, sizes, label=name, **crosses)
    deviation_axis(ax, "size of the time error", "s")
    if holdover.time_error_limit_s is not None:
        labels.append(_draw_limit(ax, holdover, holdover.time_error_limit_s))
    ax.set_xlabel("time since the reference was lost [s]")
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
        text = name.replace(" frequency", "\nfrequency").replace(" walk", "\nwalk")
        known = term > 0
        labels.append(Label.at_end(holdover.duration_s[known], term[known], text, look.colour))
    return labels


def _draw_limit(ax: Axes, holdover: HoldoverForecast, limit: float) -> Label:
    low, high = ax.get_ylim()
    ax.set_ylim(min(low, limit / 2), max(high, limit * 2))
    ax.axhline(limit, color=OCHRE, linewidth=1.3, linestyle=(0, (8, 2)))
    left, right = ax.get_xlim()
    for at, name, above, aside in (
        (holdover.time_to_limit_s, "as it is", 5, -1),
        (holdover.time_to_limit_corrected_s, "if corrected", -12, 1),
    ):
        if math.isfinite(at) and left < at < right:
            side = 1 if at < left * ROOM_FOR_TEXT else -1 if at > right / ROOM_FOR_TEXT else aside
            _mark_crossing(ax, (at, limit), f"{duration_text(at)} {name}", (4 * side, above), OCHRE)
    return Label(x=right, y=limit, text=f"limit {time_text(limit)}", colour=OCHRE)


def _mark_crossing(
    ax: Axes, at: tuple[float, float], text: str, offset: tuple[float, float], colour: str
) -> None:
    """Draw a hollow point where a line crosses its limit, and write beside it when that is."""
    ax.plot(
        *([each] for each in at), marker="o", markersize=5, markerfacecolor="white", color=colour, zorder=5
    )
    side = "left" if offset[0] > 0 else "right"
    note(ax, text, at, offset=offset, ha=side, color=INK, bbox=BEHIND_TEXT)


def limit_passage_caption(result: LimitPassage) -> str:
    """Return the sentence above the figure: how long, by either question."""
    what = "corrected by its forecast, " if result.corrected else ""

    def lasting(time_s: float) -> str:
        if math.isinf(time_s):
            return "as long as was simulated"
        return "not even at first" if time_s == 0 else f"for {duration_text(time_s)}"

    return (
        f"Alone, {what}the clock is within ±{time_text(result.time_error_limit_s)} with "
        f"{percent_text(result.confidence)} {lasting(result.time_within_s)}, and has never left it with "
        f"that probability {lasting(result.time_never_left_s)}."
    )


@drawing
def draw_limit_passage(ax: Axes, result: LimitPassage) -> None:
    """Draw both probabilities against time, and where they fall below the confidence."""
    size, name = time_unit(float(result.duration_s[-1]))
    time, asked = result.duration_s / size, 100 * result.confidence
    low, high = (100 * (result.never_left + sign * 2 * result.never_left_standard_error) for sign in (-1, 1))
    ax.fill_between(time, low, high, color=RUST, alpha=0.25, linewidth=0)
    ax.plot(time, 100 * result.never_left, color=RUST, linestyle=(0, (5, 1.5)))
    ax.plot(time, 100 * result.within, color=BLUE)
    ax.axhline(asked, color=GREY, linewidth=0.9, linestyle=(0, (2, 2)))
    for at, colour, offset in (
        (result.time_within_s, BLUE, (6, 7)),
        (result.time_never_left_s, RUST, (-6, -13)),
    ):
        if math.isfinite(at) and at > 0:
            _mark_crossing(ax, (at / size, asked), duration_text(at), offset, colour)
    ax.set_xlim(0, float(time[-1]))
    ax.set_ylim(max(0.0, min(float(low.min()) - 5, asked - 10)), 102)
    ax.set_xlabel(f"time since the reference was lost [{name}]")
    ax.set_ylabel(f"probability, limit ±{time_text(result.time_error_limit_s)} [%]")
    labels = [
        Label.at_end(time, 100 * result.within, "within at\nthat moment", BLUE),
        Label.at_end(time, 100 * result.never_left, "never left", RUST),
        Label.at_end(time, [asked], percent_text(result.confidence), GREY),
    ]
    name_lines(ax, labels)
