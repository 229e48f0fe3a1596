"""What limits a frequency reading, by gate time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from evenbeat.figures.board import Board
from evenbeat.figures.labels import spread
from evenbeat.figures.lessons.axes import log_axes
from evenbeat.figures.style import INK, RUST, stroke
from evenbeat.lessons.counter_limits import CounterLesson

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DESCRIPTION = (
    "Relative standard uncertainty of a frequency reading against gate time: each cause alone, all together, "
    "and the gate that was chosen."
)
RANGE = (1e-14, 1e1)


def counter_board() -> Board[CounterLesson]:
    """Return the board."""
    return Board(_arrange, _draw, size_in=(8.6, 4.8))


def _arrange(figure: Figure) -> Sequence[Axes]:
    ax = log_axes(figure.subplots(), "gate time [s]", "relative standard uncertainty [1]")
    figure.subplots_adjust(left=0.085, right=0.76, top=0.96, bottom=0.11)
    ax.set_xlim(1e-3, 1e3)
    ax.set_ylim(*RANGE)
    return [ax]


def _draw(axes: Sequence[Axes], lesson: CounterLesson) -> None:
    import numpy as np

    ax = axes[0]
    ends: list[tuple[float, str, str]] = []
    for number, (name, part) in enumerate(lesson.relative.items()):
        look = stroke((0, 2, 3, 4, 5)[number % 5])
        ax.plot(lesson.gate_s, part, color=look.colour, linestyle=look.line, linewidth=1.3)
        ends.append((float(part[-1]), name, look.colour))
    ax.plot(lesson.gate_s, lesson.total, color=INK, linewidth=2.4, alpha=0.85)
    ends.append((float(lesson.total[-1]), "all together", INK))
    chosen = lesson.reading.budget.relative_standard_uncertainty
    ax.axvline(lesson.chosen_gate_s, color=RUST, linewidth=1.0, linestyle=(0, (4, 2)))
    ax.plot([lesson.chosen_gate_s], [chosen], color=RUST, marker="o", markersize=9, markerfacecolor="white")
    low, high = np.log10(RANGE)
    heights = np.array([(np.log10(max(end, RANGE[0])) - low) / (high - low) for end, _, _ in ends])
    for height, (_, name, colour) in zip(spread(heights, np.full(len(ends), 0.055)), ends, strict=True):
        ax.text(1.02, height, name, transform=ax.transAxes, color=colour, va="center", fontsize=8.5)
