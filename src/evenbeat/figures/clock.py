"""The clock model: how a clock ages, what it is predicted to do, and how predictions of its past held."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.forecaster import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.clock.tested import Backtest, HorizonScore, ScoredQuantity
from evenbeat.errors import InputError
from evenbeat.figures.axes import (
    Label,
    fractional_text,
    fractional_unit,
    log_time_axis,
    name_lines,
    note,
    percent_text,
    seconds_unit,
    time_unit,
    typeset,
)
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, OCHRE, PALE, RUST, Keywords, drawing, stroke
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WITHIN, AHEAD = 60, 30
PER_TURN, MOST = 12, 600
"""Points for each turn of a wave that the model carries, and how many at most."""
FARTHEST = (1.6, 0.4)
"""The axis is widened by up to this many times its length for the nearer limit, and for the other one."""
_FORECAST_NAMES = {
    "frequency": "fractional frequency",
    "frequency_change": "change of fractional frequency",
    "time_error": "time error gained",
}
_SCORED_NAMES: dict[ScoredQuantity, str] = {"frequency": "frequency", "time_error": "time error"}
ASIDE = 1.06
"""Factor by which the horizons of the two quantities are moved apart."""


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


@drawing
def draw_aging(
    ax: Axes,
    model: ClockModel,
    *,
    tolerance: ToleranceLike | Tolerance | None = None,
    came: tuple[FloatArray, FloatArray] | None = None,
) -> None:
    """Draw the record's block averages, the model within it and its forecast one record length ahead.

    Parameters
    ----------
    tolerance
        Draws these limits, ± one number or a pair, where they are anywhere near.
    came
        What came after the record, where it is known: elapsed seconds and fractional frequencies, shape (n,)
        each; what lies beyond one record length ahead is not drawn.
    """
    end, blocks = model.record.duration_s, model.blocks
    # means as long as the averages that are drawn
    over = blocks.length_s
    fewest = min(MOST, PER_TURN * math.ceil(end / min(model.trend.waves_s, default=math.inf)))
    within = model.frequency_at(
        np.linspace(0.5 * blocks.length_s, end, max(WITHIN, fewest)), averaging_time_s=over
    )
    ahead = model.frequency_at(end + np.linspace(0, end, max(AHEAD, fewest)), averaging_time_s=over)
    shown = [(within, within.interval(), 0.16), (ahead, ahead.interval(), 0.28)]
    bands = [limit for _, interval, _ in shown for limit in interval]
    size, unit = fractional_unit(blocks.frequency, *bands)
    time_size, time_name = time_unit(2 * end)
    ax.set_xlim(0, 2 * end / time_size)
    dots: Keywords = {"linestyle": "none", "marker": ".", "markersize": 3, "color": INK}
    ax.plot(blocks.spans.middle / time_size, blocks.frequency / size, label="averages", **dots)
    for forecast, (low, high), alpha in shown:
        time = forecast.times_s / time_size
        ax.fill_between(time, low / size, high / size, color=BLUE, alpha=alpha, linewidth=0)
        ax.plot(time, forecast.mean / size, color=BLUE, linewidth=1.4)
    x, y = 2 * end / time_size, float(ahead.mean[-1]) / size
    labels = [Label(x=x, y=y, text="forecast and\nits 95 % band", colour=BLUE)]
    if len(ahead.laws) > 1:
        labels.append(_draw_envelope(ax, ahead, ahead.times_s / time_size, size))

    # the cone of aging rates that least squares would allow, from the same present frequency
    horizon = np.array([0.0, end])
    time = (end + horizon) / time_size
    edges = [(ahead.mean[0] + rate * horizon) / size for rate in model.least_squares.rate.interval()]
    for edge in edges:
        ax.plot(time, edge, color=RUST, linewidth=1.0, linestyle=(0, (4, 2)))
    labels.append(Label.at_end(time, 0.5 * (edges[0] + edges[1]), "least squares\nwould say (95 %)", RUST))

    ax.axvline(end / time_size, color=GREY, linewidth=0.8)
    every = np.concatenate([blocks.frequency, *bands]) / size
    if came is not None:
        later, frequency = (np.asarray(each, dtype=float) for each in came)
        seen = (later > end) & (later <= 2 * end)
        if not seen.any():
            msg = (
                f"came has no moment between {end:g} s, where the record ends, and {2 * end:g} s, where the "
                "figure does"
            )
            raise InputError(msg)
        crosses: Keywords = {"linestyle": "none", "marker": "x", "markersize": 4, "color": OCHRE, "zorder": 4}
        ax.plot(later[seen] / time_size, frequency[seen] / size, label="what came", **crosses)
        labels.append(Label(x=x, y=float(frequency[seen][-1]) / size, text="× what came", colour=OCHRE))
        every = np.concatenate([every, frequency[seen] / size, *edges])  # and least squares in frame
    bottom, top = float(np.nanmin(every)), float(np.nanmax(every))
    margin = 0.08 * (top - bottom) or 1.0
    ax.set_ylim(bottom - margin, top + 2 * margin)
    if tolerance is not None:
        _draw_tolerance(ax, Tolerance.of(tolerance), size)
    ax.set_ylabel(f"fractional frequency [{unit}]")
    averages = f"dots: averages over {duration_text(blocks.length_s)}"
    ax.set_xlabel(f"time since the start of the record [{time_name}]; {averages}")
    # away from the last reading
    at, place = (0.97, "top") if blocks.frequency[-1] / size < sum(ax.get_ylim()) / 2 else (0.03, "bottom")
    look: Keywords = {"rotation": 90, "ha": "right", "va": place, "bbox": BEHIND_TEXT, "color": GREY}
    note(ax, "the record ends", (end / time_size, at), "x", offset=(-2, 0), **look)
    name_lines(ax, labels)


def _draw_tolerance(ax: Axes, tolerance: Tolerance, size: float) -> None:
    low, high = ax.get_ylim()
    span = high - low
    beyond, shown = [], [low, high]
    both = ((True, tolerance.upper), (False, tolerance.lower))
    limits = [(max(at / size - high, low - at / size), upper, at) for upper, at in both]
    look: Keywords = {"fontsize": 7.8, "color": OCHRE, "bbox": BEHIND_TEXT}
    for farthest, (distance, upper, at) in zip(FARTHEST, sorted(limits), strict=True):
        limit = at / size
        signed = f"+{fractional_text(at)}" if at > 0 else fractional_text(at)
        if distance > farthest * span:
            beyond.append((limit > high, signed))
            continue
        ax.axhline(limit, color=OCHRE, linewidth=1.3, linestyle=(0, (8, 2)))
        moved, place = ((0, -3), "top") if upper else ((0, 3), "bottom")
        note(ax, f"tolerance {signed}", (0.01, limit), "y", offset=moved, va=place, **look)
        shown = [min(shown[0], limit - 0.06 * span), max(shown[1], limit + 0.06 * span)]
    ax.set_ylim(*shown)
    if beyond:
        above = any(is_above for is_above, _ in beyond)
        words = " and ".join(limit for _, limit in beyond)
        if len(beyond) == 2 and tolerance.symmetric:
            words = f"±{fractional_text(tolerance.upper)}"
        told = f"tolerance {words} {'lie' if ' and ' in words else 'lies'} beyond this axis"
        height, place = (0.98, "top") if above else (0.02, "bottom")
        note(ax, told, (0.99, height), "axes", ha="right", va=place, **look)


def forecast_caption(forecast: Forecast) -> str:
    """Return the sentence above the figure: the last value with its interval."""
    write = time_text if forecast.quantity == "time_error" else fractional_text
    value, low, high = (write(float(each[-1])) for each in (forecast.mean, *forecast.interval()))
    horizon = float(forecast.horizon_s[-1])
    where = f"{duration_text(abs(horizon))} {'after' if horizon >= 0 else 'before'} the end of the record"
    what = _FORECAST_NAMES[forecast.quantity].capitalize()
    return f"{what} {where}: {value} (95 % interval {low} to {high})."


@drawing
def draw_forecast(ax: Axes, forecast: Forecast) -> None:
    """Draw mean and 95 % band against time since the end of the record."""
    low, high = forecast.interval()
    size, unit = (seconds_unit if forecast.quantity == "time_error" else fractional_unit)(low, high)
    time_size, time_name = time_unit(float(abs(forecast.horizon_s).max()))
    time = forecast.horizon_s / time_size
    ax.fill_between(time, low / size, high / size, color=BLUE, alpha=0.25, linewidth=0)
    ax.plot(time, forecast.mean / size, color=BLUE, marker="." if len(forecast) < 40 else "")
    labels = [Label.at_end(time, forecast.mean / size, "mean and\n95 % band", BLUE)]
    if len(forecast.laws) > 1 and len(forecast) > 1:
        labels.append(_draw_envelope(ax, forecast, time, size))
    ax.axhline(0, color=GREY, linewidth=0.6)
    ax.set_xlabel(f"time since the end of the record [{time_name}]")
    ax.set_ylabel(f"{_FORECAST_NAMES[forecast.quantity]} [{unit}]")
    ax.set_ylim(*ax.get_ylim())  # settled before names are placed by it
    name_lines(ax, labels)


def _draw_envelope(ax: Axes, forecast: Forecast, time: FloatArray, size: float) -> Label:
    """Draw the outermost means of the aging laws that the data do not reject; return their name."""
    limits = [limit / size for limit in forecast.envelope()]
    for limit in limits:
        ax.plot(time, limit, color=INK, linewidth=0.9, linestyle=(0, (1, 1.5)))
    middle = float(forecast.mean[-1] / size)
    farthest = max(limits, key=lambda limit: abs(float(limit[-1]) - middle))
    return Label.at_end(time, farthest, "aging laws\nnot rejected")


def backtest_caption(result: Backtest) -> str:
    """Return the sentence above the figure: the first half of the verdict."""
    return result.verdict.split("; with so many")[0].split(". Widen")[0].removesuffix(".") + "."


@drawing
def draw_backtest(ax: Axes, result: Backtest, *, view: str = "coverage") -> None:
    """Draw the share of intervals that held at each horizon, or the histogram of the transforms.

    Parameters
    ----------
    view
        ``'coverage'``, or ``'transforms'``: the probability that forecasts gave to values up to the
        outcome, level if they are right, high at both ends if they are too sure, in the middle if wide.
    """
    if view == "coverage":
        _draw_coverage(ax, result)
    elif view == "transforms":
        _draw_transforms(ax, result)
    else:
        msg = f"view is {view!r}; it must be 'coverage' or 'transforms'"
        raise InputError(msg)


def _draw_coverage(ax: Axes, result: Backtest) -> None:
    horizons = [score.horizon_s for score in result.scores]
    right, tested = float(max(horizons) * 1.6), result.tested_to_s
    log_time_axis(ax, float(min(horizons) / 1.6), right)
    lowest = 100 * min(score.coverage_low for score in result.scores)
    ax.set_ylim(max(-3.0, lowest - 12), 106)
    grey: Keywords = {"color": GREY, "bbox": BEHIND_TEXT}
    note(ax, "independent tests:", (0.01, 0.09), "axes", **grey)
    if not np.isnan(tested) and tested * 1.25 < right:
        ax.axvspan(tested * 1.25, right, color=PALE, alpha=0.6, linewidth=0)
        note(ax, f"not tested beyond\n{duration_text(tested)}", (tested * 1.3, 0.14), "x", **grey)
    stated = 100 * result.confidence
    ax.axhline(stated, color=INK, linewidth=1.0, linestyle=(0, (6, 2)))
    labels = [Label(x=right, y=stated, text=f"stated: {percent_text(result.confidence)}")]
    for number, quantity in enumerate(_SCORED_NAMES):
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
            tests = f"{score.independent_tests:.0f}"
            centred: Keywords = {"ha": "center", "color": GREY, "bbox": BEHIND_TEXT}
            note(ax, tests, (score.horizon_s, 0.0), "x", offset=(0, 4), **centred)
    return Label.at_end(x, share, _SCORED_NAMES[scores[0].quantity], look.colour)


def _draw_transforms(ax: Axes, result: Backtest) -> None:
    labels = []
    width = 0.04
    for number, quantity in enumerate(_SCORED_NAMES):
        middle, share = result.histogram(quantity)
        colour = stroke(number).colour
        at = middle + (number - 0.5) * width
        ax.bar(at, 100 * share, width=width, color=colour, alpha=0.85 - 0.35 * number, linewidth=0)
        labels.append(Label(x=1.0, y=float(100 * share[-1]), text=_SCORED_NAMES[quantity], colour=colour))
    even = 100 / len(middle)
    ax.axhline(even, color=INK, linewidth=1.0, linestyle=(0, (6, 2)))
    labels.append(Label(x=1.0, y=even, text="if right"))
    ax.set_xlim(0, 1)
    ax.set_xlabel("probability that the forecast gave to values up to the outcome [1]")
    ax.set_ylabel("share of outcomes [%]")
    name_lines(ax, labels)
