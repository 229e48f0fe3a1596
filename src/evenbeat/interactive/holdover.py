"""The holdover game: predict, reveal, score."""

from __future__ import annotations

import html
from typing import Any

import ipywidgets as widgets

from evenbeat.figures.lessons import HoldoverBoard
from evenbeat.interactive.controls import button, slider, whole_slider
from evenbeat.interactive.panel import FONT, Panel
from evenbeat.lessons.holdover_round import HoldoverGuess, holdover_round, judge_guess


class HoldoverGame(Panel[HoldoverGuess]):
    """The panel with its buttons and the score of all rounds.

    Attributes
    ----------
    reveal, further
        The buttons.
    score
        Round to points, of those revealed; the first reveal of a round counts.
    """

    def __init__(self, *, seed: int = 1) -> None:
        self.score: dict[int, int] = {}
        self._revealed = False
        self._seed = seed
        self.reveal = button("Reveal", "show what really came, and count the points")
        self.further = button("Next clock", "another clock, another guess")
        self.tally = widgets.HTML()
        super().__init__(
            "Holdover: how wrong after five days without a reference?",
            {
                "clock": whole_slider("clock", 1, 1, 99),
                "guess": slider("time error after 5 d [% of axis]", 0.0, -100.0, 100.0, step=1.0),
                "half_width": slider("95 % sure within ± [% of axis]", 20.0, 1.0, 100.0, step=1.0),
            },
            rows=[["guess", "half_width"], ["clock"]],
            answer=self._judged,
            picture=HoldoverBoard().png,
            description=HoldoverBoard.description,
            below=[widgets.HBox([self.reveal, self.further]), self.tally],
        )
        self.reveal.on_click(self._reveal)
        self.further.on_click(self._further)

    def _judged(self, *, clock: int, guess: float, half_width: float) -> HoldoverGuess:
        game = holdover_round(clock, seed=self._seed)
        half = 0.5 * game.widest_s
        return judge_guess(
            game,
            guess_s=guess / 100 * half,
            half_width_s=half_width / 100 * half,
            revealed=self._revealed,
        )

    def _changed(self, change: Any) -> None:
        self._revealed = False  # a new guess, or a new clock, hides the truth again
        super()._changed(change)

    def _reveal(self, _button: object) -> None:
        self._revealed = True
        self.refresh()
        if self.lesson is not None:
            self.score.setdefault(self.lesson.game.number, self.lesson.points)
            mean = sum(self.score.values()) / len(self.score)
            text = f"{len(self.score)} round(s), {mean:.0f} points on average; a clock counts once."
            self.tally.value = f'<div style="{FONT}">{html.escape(text)}</div>'

    def _further(self, _button: object) -> None:
        clock = self.controls["clock"]
        clock.value = min(clock.value + 1, clock.max)


def holdover_game(*, seed: int = 1) -> widgets.VBox:
    """Return a game: a log ends, the reader predicts the time error, and is judged beside the forecast.

    Parameters
    ----------
    seed
        Of the clocks.
    """
    return HoldoverGame(seed=seed)
