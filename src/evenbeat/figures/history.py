"""A history of calibrations: found, left, predicted; and when an offset left its tolerance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.calibration.back_cast import BackCast
from evenbeat.calibration.history_model import HistoryModel
from evenbeat.errors import InputError
from evenbeat.figures.axes import fractional_text, fractional_unit, note, percent_text, typeset
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREEN, GREY, INK, OCHRE, RUST, Keywords, drawing
from evenbeat.quantities import Estimate, number_text
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

AHEAD = 0.5
"""How far to look ahead, as a share of the history."""
BEYOND_INTERVAL = 1.25
"""How far to look ahead, as a multiple of the suggested interval."""


def history_caption(model: HistoryModel) -> str:
    """Return the sentence above the figure: the drift."""
    rate = model.drift_per_year
    drift = number_text(rate.value, rate.standard_uncertainty)
    return typeset(
        f"By its calibrations it drifts {drift} per year and walks {model.walk_per_root_year:.2g} in a year."
    )


@drawing
def draw_history(ax: Axes, model: HistoryModel) -> None:
    """Draw as found and as left with their uncertainty, joined between calibrations, and the forecast."""
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
    offset = model.offset(ahead, as_left=model.as_left or Estimate.normal(0.0, 0.0))
    later = years[-1] + ahead / SECONDS_PER_YEAR
    ax.fill_between(later, *offset.interval(), color=RUST, alpha=0.2, linewidth=0, label="predicted, 95 %")
    ax.plot(later, offset.mean, color=RUST, linestyle=(0, (5, 1.5)))
    ax.set_xlabel("years since the first calibration")
    ax.set_ylabel("fractional offset")
    ax.yaxis.set_major_formatter(lambda value, _: fractional_text(value))
    ax.legend(loc="best", fontsize=7.5)


def history_forecast_caption(assessment: HistoryAssessment) -> str:
    """Return the sentence above the figure: what each calibration was compared with its forecast."""
    predicted = () if assessment.case is None else assessment.case.predicted
    if not predicted:
        return f"{len(assessment.history)} calibrations and the forecast from the last one."
    held = sum(one.held for one in predicted)
    return (
        f"{held} of {len(predicted)} calibrations were found where those before them predicted; the band "
        "is the forecast from the last one."
    )


@drawing
def draw_history_forecast(ax: Axes, assessment: HistoryAssessment) -> None:
    """Draw as-found and as-left values against years, forecast band, tolerance and suggested interval."""
    history, interval, model = assessment.history, assessment.interval, assessment.model
    if interval is None or model is None:
        msg = "no interval was suggested, so that there is no forecast to draw"
        raise InputError(msg)
    tolerance = assessment.tolerance
    times = np.array([point.time_s for point in history.points]) / SECONDS_PER_YEAR
    found, left = (
        np.array([getattr(point, name) for point in history.points]) for name in ("as_found", "as_left")
    )
    adjusted = np.array([point.adjusted for point in history.points])
    size, unit = fractional_unit(found, left, [tolerance.upper])

    known = np.isfinite(interval.interval_s) and interval.interval_s > 0
    ahead = np.linspace(0.0, BEYOND_INTERVAL * interval.interval_s if known else SECONDS_PER_YEAR, 80)
    forecast = model.offset(ahead)
    low, high = forecast.interval()
    shown = times[-1] + ahead / SECONDS_PER_YEAR
    ax.fill_between(shown, low / size, high / size, color=BLUE, alpha=0.18, linewidth=0)
    ax.plot(shown, forecast.mean / size, color=BLUE, linewidth=1.4, label="forecast, 95 % band")

    # what was predicted of each calibration is a bar behind its point
    where = {}
    for point, time in zip(history.points, times, strict=True):
        date = history.date_of(point)
        where[duration_text(point.time_s) if date is None else date.isoformat()] = time
    bar: Keywords = {"color": GREEN, "linewidth": 5, "alpha": 0.35, "solid_capstyle": "butt"}
    for number, one in enumerate(() if assessment.case is None else assessment.case.predicted):
        label = "predicted, 95 %" if number == 0 else None
        ax.plot([where[one.when]] * 2, [one.low / size, one.high / size], label=label, **bar)
    ax.plot(times, found / size, marker="o", color=INK, linestyle="none", markersize=5, label="found")
    square: Keywords = {
        "marker": "s",
        "color": RUST,
        "markerfacecolor": "white",
        "linestyle": "none",
        "markersize": 4.5,
    }
    ax.plot(times[adjusted], left[adjusted] / size, label="left after adjustment", **square)

    for limit in (tolerance.lower, tolerance.upper):
        ax.axhline(limit / size, color=OCHRE, linestyle=(0, (8, 2)), linewidth=1.2)
    note(ax, "tolerance", (0.01, tolerance.upper / size), "y", offset=(0, 3), fontsize=7.8, color=OCHRE)
    whole = interval.rounded
    if whole is not None:
        at = times[-1] + whole.duration_s / SECONDS_PER_YEAR
        ax.axvline(at, color=INK, linewidth=1.0)
        ax.axvspan(ax.get_xlim()[0], times[-1], color=GREY, alpha=0.04, linewidth=0)
        told = f"calibrate\nwithin {whole.count} {whole.unit}{'' if whole.count == 1 else 's'}"
        look: Keywords = {"ha": "right", "fontsize": 8, "fontweight": "bold", "bbox": BEHIND_TEXT}
        note(ax, told, (at, 0.03), "x", offset=(-4, 0), **look)
    top = 1.25 * max(abs(tolerance.upper), abs(tolerance.lower)) / size
    reach = 1.1 * max(float(np.nanmax(np.abs([found, left]))) / size, top)
    ax.set_ylim(-reach, reach)
    ax.set_xlabel("time since the first calibration [years]")
    ax.set_ylabel(f"fractional offset [{unit}]")
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=4)


def back_cast_caption(result: BackCast) -> str:
    """Return the sentence above the figure: when it left."""
    limits = typeset(str(result.tolerance))
    if math.isnan(result.crossing_s):
        return (
            f"With {percent_text(result.left_by_found)} it left {limits} at some time since the last "
            "known-good value."
        )
    first, middle, last = (
        result.date_after(time) for time in (result.crossing_low_s, result.crossing_s, result.crossing_high_s)
    )
    return f"It left {limits} about {middle}; with 95 % between {first} and {last}."


@drawing
def draw_back_cast(ax: Axes, result: BackCast) -> None:
    """Draw the band of the offset given both ends, its limits, and the probability of having left."""
    days = result.elapsed_s / SECONDS_PER_DAY
    ax.fill_between(days, result.low, result.high, color=BLUE, alpha=0.2, linewidth=0)
    ax.plot(days, result.middle, color=BLUE)
    ends = ((0.0, result.as_left), (result.elapsed_to_found_s / SECONDS_PER_DAY, result.as_found))
    for day, value in ends:
        low, high = value.interval()
        spread = [[value.value - low], [high - value.value]]
        ax.errorbar([day], [value.value], yerr=spread, marker="o", color=INK, zorder=5)
    for limit in (result.tolerance.lower, result.tolerance.upper):
        ax.axhline(limit, color=RUST, linewidth=1.2, linestyle=(0, (5, 1.5)))
    told = f"tolerance {typeset(str(result.tolerance))}"
    note(ax, told, (0.01, result.tolerance.upper), "y", offset=(0, 3), fontsize=7.8, color=RUST)

    chance = ax.twinx()
    chance.plot(days, 100 * result.left, color=OCHRE, linestyle=(0, (1.2, 1.2)))
    chance.set_ylim(0, 105)
    chance.set_ylabel("probability of having left by then [%]", color=OCHRE)
    chance.spines["top"].set_visible(False)
    if not math.isnan(result.crossing_s):
        low, middle, high = (
            time / SECONDS_PER_DAY
            for time in (result.crossing_low_s, result.crossing_s, result.crossing_high_s)
        )
        chance.plot([low, high], [3, 3], color=GREY, linewidth=4, solid_capstyle="butt")
        chance.plot([middle], [3], marker="D", color=INK, markersize=5)
        when = result.date_after(result.crossing_s)
        note(chance, when, (middle, 3), offset=(0, 7), ha="center", bbox=BEHIND_TEXT)
    ax.set_xlim(0, float(days[-1]) * 1.02)
    since = "" if result.start is None else f" ({result.start.isoformat()})"
    ax.set_xlabel(f"days since the last known-good value{since}")
    ax.set_ylabel("fractional offset, 95 % band")
    ax.yaxis.set_major_formatter(lambda value, _: fractional_text(value))
