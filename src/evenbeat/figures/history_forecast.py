"""A history of calibrations: found and left, what was foretold of each, and the forecast from the last."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.figures.scales import fractional_unit
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREEN, GREY, INK, OCHRE, RUST, dressed, styled
from evenbeat.units import SECONDS_PER_YEAR, duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

AHEAD = 1.25
POINTS = 80


def history_forecast_caption(assessment: HistoryAssessment) -> str:
    """Return the sentence above the figure: what each calibration was compared with its forecast."""
    foretold = assessment.case.foretold
    if not foretold:
        return f"{len(assessment.model.history[0])} calibrations and the forecast from the last one."
    held = sum(one.held for one in foretold)
    return (
        f"{held} of {len(foretold)} calibrations were found where those before them foretold; the band "
        "is the forecast from the last one."
    )


@styled
def draw_history_forecast(ax: Axes, assessment: HistoryAssessment) -> None:
    """Draw as-found and as-left values against years, forecast band, tolerance and suggested interval."""
    dressed(ax)
    history = assessment.model.history[0]
    times = np.array([point.time_s for point in history.points]) / SECONDS_PER_YEAR
    found = np.array([point.as_found for point in history.points])
    left = np.array([point.as_left for point in history.points])
    ahead = _ahead(assessment)
    forecast = assessment.model.offset_after(ahead)
    low, high = forecast.interval()
    tolerance = assessment.interval.tolerance
    size, unit = fractional_unit(found, left, [tolerance.upper])
    shown = times[-1] + ahead / SECONDS_PER_YEAR
    ax.fill_between(shown, low / size, high / size, color=BLUE, alpha=0.18, linewidth=0)
    ax.plot(shown, forecast.mean / size, color=BLUE, linewidth=1.4, label="forecast, 95 % band")
    _draw_tests(ax, assessment, size)
    ax.plot(times, found / size, marker="o", color=INK, linestyle="none", markersize=5, label="found")
    adjusted = np.array([point.adjusted for point in history.points])
    ax.plot(
        times[adjusted],
        left[adjusted] / size,
        marker="s",
        color=RUST,
        markerfacecolor="white",
        linestyle="none",
        markersize=4.5,
        label="left after adjustment",
    )
    for limit in (tolerance.lower, tolerance.upper):
        ax.axhline(limit / size, color=OCHRE, linestyle=(0, (8, 2)), linewidth=1.2)
    ax.annotate(
        "tolerance",
        xy=(0.01, tolerance.upper / size),
        xycoords=ax.get_yaxis_transform(),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=7.8,
        color=OCHRE,
    )
    _mark_end(ax, assessment, times[-1])
    top = 1.25 * max(abs(tolerance.upper), abs(tolerance.lower)) / size
    reach = 1.1 * max(float(np.nanmax(np.abs([found, left]))) / size, top)
    ax.set_ylim(-reach, reach)
    ax.set_xlabel("time since the first calibration [years]")
    ax.set_ylabel(f"fractional offset [{unit}]")
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=4)


def _ahead(assessment: HistoryAssessment) -> np.ndarray:
    """Return times after the last calibration: somewhat beyond the interval, a year where there is none."""
    interval = assessment.interval.interval_s
    reach = AHEAD * interval if np.isfinite(interval) and interval > 0 else SECONDS_PER_YEAR
    return np.linspace(0.0, reach, POINTS)


def _draw_tests(ax: Axes, assessment: HistoryAssessment, size: float) -> None:
    """Draw what was foretold of each calibration as a bar behind its point."""
    history = assessment.model.history[0]
    where = {}
    for point in history.points:
        date = history.date_of(point)
        name = duration_text(point.time_s) if date is None else date.isoformat()
        where[name] = point.time_s / SECONDS_PER_YEAR
    for number, one in enumerate(assessment.case.foretold):
        ax.plot(
            [where[one.when]] * 2,
            [one.low / size, one.high / size],
            color=GREEN,
            linewidth=5,
            alpha=0.35,
            solid_capstyle="butt",
            label="foretold, 95 %" if number == 0 else None,
        )


def _mark_end(ax: Axes, assessment: HistoryAssessment, last: float) -> None:
    interval = assessment.interval
    whole = interval.rounded
    if whole is None:
        return
    at = last + whole.duration_s / SECONDS_PER_YEAR
    ax.axvline(at, color=INK, linewidth=1.0)
    ax.axvspan(ax.get_xlim()[0], last, color=GREY, alpha=0.04, linewidth=0)
    ax.annotate(
        f"calibrate\nwithin {whole.count} {whole.unit}{'' if whole.count == 1 else 's'}",
        xy=(at, 0.03),
        xycoords=ax.get_xaxis_transform(),
        xytext=(-4, 0),
        textcoords="offset points",
        ha="right",
        fontsize=8,
        fontweight="bold",
        bbox=BEHIND_TEXT,
    )
