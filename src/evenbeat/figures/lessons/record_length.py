"""A record with holes, and its deviation beside what it really is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from evenbeat.figures.board import Board
from evenbeat.figures.lessons.axes import log_axes, steady_limits
from evenbeat.figures.scales import fractional_unit
from evenbeat.figures.style import BLUE, GREY, INK, PALE, RUST, dressed
from evenbeat.lessons.record_length import INTERVAL_S, LONGEST, GapLesson
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import PolyCollection
    from matplotlib.figure import Figure

DESCRIPTION = (
    "Above, the record of fractional frequency against time, with gaps where readings are missing. Below, "
    "its deviation against averaging time with 95 % intervals, beside the deviation that was put in."
)
DAYS = LONGEST * INTERVAL_S / SECONDS_PER_DAY


def gap_board() -> Board[GapLesson]:
    """Return the board."""
    return Board(_arrange, _draw, size_in=(8.6, 5.6))


def _arrange(figure: Figure) -> Sequence[Axes]:
    series, deviations = figure.subplots(2, 1, height_ratios=[1, 1.9])
    figure.subplots_adjust(left=0.085, right=0.985, top=0.955, bottom=0.09, hspace=0.36)
    dressed(series).set_xlabel("time [d]")
    series.set_title("the record; shaded: readings are missing", loc="left")
    series.set_xlim(0, DAYS)
    log_axes(deviations, r"averaging time $\tau$ [s]", "deviation of fractional frequency [1]")
    deviations.set_xlim(INTERVAL_S / 1.4, LONGEST * INTERVAL_S / 1.8)
    deviations.set_ylim(1e-14, 1e-8)
    deviations.set_title("its deviation", loc="left")
    deviations.plot([], [], color=BLUE, marker="o", linewidth=1.8, label="estimated; band: 95 % interval")
    deviations.plot([], [], color=RUST, linestyle=(0, (5, 1.5)), label="what was put in")
    deviations.plot(
        [], [], color=INK, marker="x", linestyle="none", markersize=6, label="interval misses what was put in"
    )
    deviations.legend(loc="upper left", handlelength=3)
    return [series, deviations]


def _draw(axes: Sequence[Axes], lesson: GapLesson) -> None:
    series, deviations = axes
    record, curve = lesson.record, lesson.curve
    size, unit = fractional_unit(record.values)
    time = record.elapsed_s / SECONDS_PER_DAY
    series.plot(
        time,
        record.values / size,
        color=BLUE,
        linewidth=0.5,
        marker="." if record.missing else "",
        markersize=2.0,
    )
    steady_limits(series, record.values / size, symmetric=True)
    series.add_collection(_missing(record, series.get_ylim()), autolim=False)
    series.set_ylabel(f"y(t) [{unit}]")
    tau = curve.averaging_time_s
    low, high = curve.confidence_interval()
    deviations.plot(tau, lesson.truth, color=RUST, linestyle=(0, (5, 1.5)))
    deviations.fill_between(tau, low, high, color=BLUE, alpha=0.2, linewidth=0)
    deviations.plot(tau, curve.deviation, color=BLUE, marker="o", linewidth=1.8)
    missed = (lesson.truth < low) | (lesson.truth > high)
    deviations.plot(
        tau[missed],
        curve.deviation[missed],
        color=INK,
        marker="x",
        linestyle="none",
        markersize=8,
        markeredgewidth=1.6,
        zorder=5,
    )


def _missing(record: Record, limits: tuple[float, float]) -> PolyCollection:
    """Return all that is missing as one collection: thousands of holes one by one take too long."""
    from matplotlib.collections import PolyCollection

    gone = np.concatenate([[False], np.isnan(record.values), [False]]).astype(np.int8)
    edges = (np.flatnonzero(np.diff(gone)) - 0.5) * record.interval_s / SECONDS_PER_DAY
    first, last = edges[::2], edges[1::2]
    low, high = (np.full(len(first), limit) for limit in limits)
    corners: Any = np.array([(first, low), (first, high), (last, high), (last, low)]).transpose(2, 0, 1)
    return PolyCollection(corners, facecolor=PALE, edgecolor=GREY, linewidth=0.3, zorder=0.5)
