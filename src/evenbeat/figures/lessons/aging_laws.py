"""Daily averages, the model's forecast with its band, and what a least-squares line foretells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.board import Board
from evenbeat.figures.lessons.axes import steady_limits
from evenbeat.figures.scales import fractional_unit
from evenbeat.figures.style import BLUE, GREY, INK, OCHRE, RUST, dressed
from evenbeat.lessons.aging_laws import AgingLesson
from evenbeat.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DESCRIPTION = (
    "Daily averages of a clock that ages, the fitted model with its 95 % band within the record and as far "
    "again after it, and the band that a least-squares line claims for the same days."
)


def aging_board() -> Board[AgingLesson]:
    """Return the board."""
    return Board(_arrange, _draw, size_in=(8.6, 4.6))


def _arrange(figure: Figure) -> Sequence[Axes]:
    ax = dressed(figure.subplots())
    figure.subplots_adjust(left=0.085, right=0.985, top=0.88, bottom=0.11)
    ax.set_xlabel("time since the start of the record [d]")
    ax.plot([], [], color=INK, linestyle="none", marker=".", markersize=5, label="averages of a day, seen")
    ax.plot([], [], color=OCHRE, linestyle="none", marker="x", markersize=5, label="days to come, unseen")
    ax.plot([], [], color=BLUE, linewidth=6, alpha=0.35, label="model and its 95 % band")
    ax.plot([], [], color=RUST, linestyle=(0, (4, 2)), label="least squares, 95 %")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.01), ncols=4, handlelength=2, borderaxespad=0)
    return [ax]


def _draw(axes: Sequence[Axes], lesson: AgingLesson) -> None:
    ax = axes[0]
    bands = [*lesson.band, *lesson.line_band]
    size, unit = fractional_unit(lesson.record.values, *bands)
    days = len(lesson.record)
    ax.plot(lesson.within.times_s / SECONDS_PER_DAY, lesson.within.mean / size, color=BLUE, linewidth=1.5)
    time = lesson.ahead.times_s / SECONDS_PER_DAY
    low, high = lesson.band
    ax.fill_between(time, low / size, high / size, color=BLUE, alpha=0.3, linewidth=0)
    ax.plot(time, lesson.ahead.mean / size, color=BLUE, linewidth=1.5)
    for edge in lesson.line_band:
        ax.plot(time, edge / size, color=RUST, linestyle=(0, (4, 2)), linewidth=1.3)
    ax.plot(
        np.arange(days) + 0.5,
        lesson.record.values / size,
        color=INK,
        linestyle="none",
        marker=".",
        markersize=4,
    )
    ax.axvline(days, color=GREY, linewidth=0.9)
    if lesson.revealed:
        coming = days + np.arange(len(lesson.future)) + 0.5
        ax.plot(coming, lesson.future / size, color=OCHRE, linestyle="none", marker="x", markersize=4)
    else:
        ax.text(
            1.5 * days, 0.04, "not yet revealed", transform=ax.get_xaxis_transform(), ha="center", color=GREY
        )
    # the future counts for the axis even while hidden: nothing moves when it is revealed
    steady_limits(ax, np.concatenate([lesson.record.values, lesson.future, *bands]) / size)
    ax.set_xlim(0, 2 * days)
    ax.set_ylabel(f"fractional frequency [{unit}]")
