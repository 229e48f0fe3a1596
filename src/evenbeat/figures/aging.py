"""How a clock ages: block averages, fitted trend, forecast band, and what least squares would have said."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.model import ClockModel
from evenbeat.figures.forecast import draw_envelope
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import fractional_text, fractional_unit, time_unit, typeset
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, OCHRE, RUST, dressed, styled
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WITHIN, AHEAD = 60, 30
FARTHEST = (1.6, 0.4)
"""The axis is widened by up to this many times its length for the nearer limit, and for the other one."""


def aging_caption(model: ClockModel) -> str:
    """Return the sentence above the figure: the aging rate with its interval beside the least-squares one."""
    rate, line = model.aging_rate().per_day, model.least_squares.rate.per_day
    low, high = rate.interval()
    ratio = (
        rate.standard_uncertainty / line.standard_uncertainty if line.standard_uncertainty > 0 else math.inf
    )
    told = "is" if rate.sign_established() else "is not told from zero:"
    if not low <= line.value <= high:
        beside = f"least squares would say {typeset(str(line))}, outside it."
    elif ratio > 1.3:
        beside = f"least squares would claim an uncertainty {ratio:.2g} times smaller."
    else:
        beside = "least squares says much the same."
    limits = f"{fractional_text(low)} to {fractional_text(high)}"
    if fractional_text(low) == fractional_text(high):
        limits = f"± {fractional_text(0.5 * (high - low))}"
    return f"Aging at the end of the record {told} {typeset(str(rate))} (95 % interval {limits}); {beside}"


@styled
def draw_aging(ax: Axes, model: ClockModel, *, tolerance: ToleranceLike | Tolerance | None = None) -> None:
    """Draw the record's block averages, the model within it and its forecast one record length ahead.

    Parameters
    ----------
    tolerance
        Draws these limits, ± one number or a pair, where they are anywhere near.
    """
    dressed(ax)
    end = model.record.duration_s
    within = model.frequency_at(np.linspace(0.5 * model.blocks.length_s, end, WITHIN))
    ahead = model.frequency_at(end + np.linspace(0, end, AHEAD))
    shown = [(within, within.interval(), 0.16), (ahead, ahead.interval(), 0.28)]
    bands = [limit for _, interval, _ in shown for limit in interval]
    size, unit = fractional_unit(model.blocks.frequency, *bands)
    time_size, time_name = time_unit(2 * end)
    ax.set_xlim(0, 2 * end / time_size)
    _draw_blocks(ax, model, time_size, size)
    labels = []
    for forecast, (low, high), alpha in shown:
        time = forecast.times_s / time_size
        ax.fill_between(time, low / size, high / size, color=BLUE, alpha=alpha, linewidth=0)
        ax.plot(time, forecast.mean / size, color=BLUE, linewidth=1.4)
    labels.append(
        Label(
            x=2 * end / time_size,
            y=float(ahead.mean[-1]) / size,
            text="forecast and\nits 95 % band",
            colour=BLUE,
        )
    )
    if len(ahead.laws) > 1:
        labels.append(draw_envelope(ax, ahead, ahead.times_s / time_size, size))
    labels.append(_draw_least_squares(ax, model, float(ahead.mean[0]), time_size, size))
    ax.axvline(end / time_size, color=GREY, linewidth=0.8)
    _set_range(ax, np.concatenate([model.blocks.frequency, *bands]) / size)
    if tolerance is not None:
        _draw_tolerance(ax, Tolerance.of(tolerance), size)
    ax.set_ylabel(f"fractional frequency [{unit}]")
    dots = f"dots: averages over {duration_text(model.blocks.length_s)}"
    ax.set_xlabel(f"time since the start of the record [{time_name}]; {dots}")
    _name_end(ax, end / time_size, model.blocks.frequency[-1] / size)
    name_lines(ax, labels)


def _name_end(ax: Axes, end: float, reading: float) -> None:
    """Write beside the line at the end of the record what it is, away from the last reading."""
    low, high = ax.get_ylim()
    at, place = (0.97, "top") if reading < (low + high) / 2 else (0.03, "bottom")
    ax.annotate(
        "the record ends",
        xy=(end, at),
        xycoords=ax.get_xaxis_transform(),
        xytext=(-2, 0),
        textcoords="offset points",
        rotation=90,
        ha="right",
        va=place,
        fontsize=7.5,
        bbox=BEHIND_TEXT,
        color=GREY,
    )


def _draw_blocks(ax: Axes, model: ClockModel, time_size: float, size: float) -> None:
    middle = model.blocks.spans.middle / time_size
    ax.plot(
        middle,
        model.blocks.frequency / size,
        linestyle="none",
        marker=".",
        markersize=3,
        color=INK,
        label="averages",
    )


def _draw_least_squares(ax: Axes, model: ClockModel, start: float, time_size: float, size: float) -> Label:
    """Draw the cone of aging rates that least squares would allow, from the same present frequency."""
    end = model.record.duration_s
    horizon = np.array([0.0, end])
    low, high = model.least_squares.rate.interval()
    time = (end + horizon) / time_size
    edges = [(start + rate * horizon) / size for rate in (low, high)]
    for edge in edges:
        ax.plot(time, edge, color=RUST, linewidth=1.0, linestyle=(0, (4, 2)))
    return Label(
        x=float(time[-1]),
        y=float(0.5 * (edges[0][-1] + edges[1][-1])),
        text="least squares\nwould say (95 %)",
        colour=RUST,
    )


def _set_range(ax: Axes, values: FloatArray) -> None:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    margin = 0.08 * (high - low) or 1.0
    ax.set_ylim(low - margin, high + 2 * margin)


def _draw_tolerance(ax: Axes, tolerance: Tolerance, size: float) -> None:
    low, high = ax.get_ylim()
    span = high - low
    beyond, shown = [], [low, high]
    both = ((True, tolerance.upper), (False, tolerance.lower))
    limits = [(max(at / size - high, low - at / size), upper, at) for upper, at in both]
    for farthest, (distance, upper, at) in zip(FARTHEST, sorted(limits), strict=True):
        limit = at / size
        if distance > farthest * span:
            beyond.append((limit > high, _signed(at)))
            continue
        ax.axhline(limit, color=OCHRE, linewidth=1.3, linestyle=(0, (8, 2)))
        ax.annotate(
            f"tolerance {_signed(at)}",
            xy=(0.01, limit),
            xycoords=ax.get_yaxis_transform(),
            xytext=(0, -3 if upper else 3),
            textcoords="offset points",
            va="top" if upper else "bottom",
            fontsize=7.8,
            color=OCHRE,
            bbox=BEHIND_TEXT,
        )
        shown = [min(shown[0], limit - 0.06 * span), max(shown[1], limit + 0.06 * span)]
    ax.set_ylim(*shown)
    if beyond:
        above = any(is_above for is_above, _ in beyond)
        words = " and ".join(limit for _, limit in beyond)
        if len(beyond) == 2 and tolerance.symmetric:
            words = f"±{fractional_text(tolerance.upper)}"
        ax.annotate(
            f"tolerance {words} {'lie' if ' and ' in words else 'lies'} beyond this axis",
            xy=(0.99, 0.98 if above else 0.02),
            xycoords="axes fraction",
            ha="right",
            va="top" if above else "bottom",
            fontsize=7.8,
            color=OCHRE,
            bbox=BEHIND_TEXT,
        )


def _signed(limit: float) -> str:
    return f"+{fractional_text(limit)}" if limit > 0 else fractional_text(limit)
