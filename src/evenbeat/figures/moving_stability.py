"""Stability along a record: the deviation at a few averaging times, window by window, with intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.moving import MovingStability
from evenbeat.deviations.noise_changes import FEWEST_EDF
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import log_decades, log_seconds_axis, plain, time_unit
from evenbeat.figures.style import dressed, stroke, styled
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_LINES = 4


def moving_stability_caption(result: MovingStability) -> str:
    """Return the sentence above the figure: by how much the noise changed, or that it did not."""
    if result.comparisons == 0:
        return "The windows are too few or too short to tell whether the noise changed."
    if not result.changes:
        return plain(f"No change of the noise stands out from chance ({result.comparisons} comparisons).")
    change = result.changes[0]
    first, second = (
        duration_text(start + 0.5 * result.window_s)
        for start in (change.first_start_s, change.second_start_s)
    )
    return plain(
        f"The noise at {duration_text(change.averaging_time_s)} changed by a factor of {change.factor:.3g} "
        f"between the windows around {first} and {second}."
    )


@styled
def draw_moving_stability(ax: Axes, result: MovingStability) -> None:
    """Draw up to four averaging times, shortest to longest with at least three degrees of freedom."""
    dressed(ax)
    chosen = _lines(result)
    unit, name = time_unit(float(result.window_start_s[-1] + result.window_s))
    middle = result.window_middle_s / unit
    low, high, deviation = (
        np.where(values > 0, values, np.nan) for values in (*result.confidence_interval(), result.deviation)
    )
    ax.set_yscale("log")
    labels = []
    for number, column in enumerate(chosen):
        look = stroke(number)
        ax.fill_between(
            middle, low[:, column], high[:, column], color=look.colour, alpha=0.2, linewidth=0, step=None
        )
        ax.plot(
            middle,
            deviation[:, column],
            color=look.colour,
            linestyle=look.line,
            marker=look.marker,
            markevery=max(1, len(result) // 18),
            label=duration_text(float(result.averaging_time_s[column])),
        )
        known = np.flatnonzero(np.isfinite(deviation[:, column]))
        if len(known):
            labels.append(
                Label(
                    x=float(middle[known[-1]]),
                    y=float(deviation[known[-1], column]),
                    text=f"τ = {duration_text(float(result.averaging_time_s[column]))}",
                    colour=look.colour,
                )
            )
    _set_range(ax, low[:, chosen], high[:, chosen])
    ax.set_xlim(0, float(result.window_start_s[-1] + result.window_s) / unit)
    (log_seconds_axis if result.unit == "s" else log_decades)(ax)
    ax.set_xlabel(f"middle of the window of {duration_text(result.window_s)} [{name}]; bands: 95 % intervals")
    ax.set_ylabel(result.title + ("" if result.unit == "s" else " [1]"))
    name_lines(ax, labels)


def _lines(result: MovingStability) -> list[int]:
    edf = np.nan_to_num(result.edf)
    trusted = np.flatnonzero(np.median(edf, axis=0) >= FEWEST_EDF)
    columns = trusted if len(trusted) else np.arange(min(1, len(result.averaging_time_s)))
    count = min(MOST_LINES, len(columns))
    return sorted({int(columns[i]) for i in np.linspace(0, len(columns) - 1, count).round().astype(int)})


def _set_range(ax: Axes, low: np.ndarray, high: np.ndarray) -> None:
    bottom, top = low[low > 0], high[np.isfinite(high) & (high > 0)]
    if len(bottom) and len(top):
        ax.set_ylim(float(bottom.min()) / 1.3, float(top.max()) * 1.3)
    else:
        ax.set_ylim(0.1, 10.0)
