"""A round of predicting: time error until the reference was lost, the guess, and what came."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.board import Board
from evenbeat.figures.lessons.axes import steady_limits
from evenbeat.figures.scales import fractional_unit, seconds_unit
from evenbeat.figures.style import BLUE, GREEN, GREY, INK, OCHRE, RUST, dressed
from evenbeat.lessons.holdover_round import AHEAD, INTERVAL_S, SAMPLES, HoldoverGuess
from evenbeat.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DESCRIPTION = (
    "Above, the clock's frequency against its reference until the reference was lost. Below, the time error "
    "from then on: your interval after five days and, once revealed, the forecast's band and the truth."
)
DAYS = SAMPLES * INTERVAL_S / SECONDS_PER_DAY


def holdover_board() -> Board[HoldoverGuess]:
    """Return the board."""
    return Board(_arrange, _draw, size_in=(8.6, 5.4))


def _arrange(figure: Figure) -> Sequence[Axes]:
    before, after = figure.subplots(2, 1, height_ratios=[1, 1.5])
    figure.subplots_adjust(left=0.085, right=0.985, top=0.955, bottom=0.09, hspace=0.4)
    dressed(before).set_xlabel("time since the start of the log [d]")
    before.set_title("the log: averages of six hours against the reference", loc="left")
    before.set_xlim(0, DAYS)
    dressed(after).set_xlabel("time since the reference was lost [d]")
    after.set_title("the time error from then on", loc="left")
    after.set_xlim(0, AHEAD * INTERVAL_S / SECONDS_PER_DAY + 0.25)
    after.plot([], [], color=RUST, marker="s", label="your guess")
    after.plot([], [], color=GREY, linestyle=(0, (5, 2)), label="last day's frequency kept")
    after.plot([], [], color=BLUE, linewidth=6, alpha=0.35, label="forecast, 95 %")
    after.plot([], [], color=INK, marker=".", label="what really came")
    after.legend(loc="upper left", ncols=2)
    return [before, after]


def _draw(axes: Sequence[Axes], judged: HoldoverGuess) -> None:
    before, after = axes
    game = judged.game
    size, unit = fractional_unit(game.record.values)
    before.plot(
        (np.arange(SAMPLES) + 0.5) * INTERVAL_S / SECONDS_PER_DAY,
        game.record.values / size,
        color=INK,
        marker=".",
        linewidth=0.6,
    )
    steady_limits(before, game.record.values / size)
    before.set_ylabel(f"y [{unit}]")
    size, unit = seconds_unit(game.widest_s / 2)
    time = np.arange(AHEAD + 1) * INTERVAL_S / SECONDS_PER_DAY
    after.plot(time, np.append(0, game.straight_s) / size, color=GREY, linestyle=(0, (5, 2)))
    # not errorbar: the axes would remember every container that was ever on them
    ends = np.array([-1, 0, 1]) * judged.half_width_s + judged.guess_s
    after.plot(
        np.full(3, time[-1]), ends / size, color=RUST, marker="_", markersize=12, linewidth=2, zorder=5
    )
    after.plot([time[-1]], [judged.guess_s / size], color=RUST, marker="s", markersize=6, zorder=5)
    if judged.revealed:
        low, high = game.forecast.forecast.interval()
        after.fill_between(
            time, np.append(0, low) / size, np.append(0, high) / size, color=BLUE, alpha=0.3, linewidth=0
        )
        after.plot(time, np.append(0, game.truth_s) / size, color=INK, marker=".", linewidth=1.6)
    after.axhline(0, color=GREEN if judged.revealed else OCHRE, linewidth=0.6)
    steady_limits(after, np.array([-0.6, 0.6]) * game.widest_s / size, symmetric=True)
    after.set_ylabel(f"time error [{unit}]")
