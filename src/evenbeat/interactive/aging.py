"""The aging explorer: laws with their band, least squares beside them, and the future on demand."""

from __future__ import annotations

import ipywidgets as widgets

from evenbeat.figures.lessons import AgingBoard
from evenbeat.interactive.controls import choice, decades, slider, tick, whole_slider
from evenbeat.interactive.panel import Panel
from evenbeat.lessons.aging_laws import COURSES, LONGEST_DAYS, NOISES, AgingLesson, watch_aging

LAWS = [
    ("linear", "linear"),
    ("logarithmic", "logarithmic"),
    ("exponential", "exponential"),
    ("none", "none"),
]


def aging_explorer(*, seed: int = 1) -> widgets.VBox:
    """Return a panel on aging: noise and true aging against the law that is fitted and least squares.

    Parameters
    ----------
    seed
        Of the noise.
    """
    spoken = {"white_fm": "white FM", "flicker_fm": "flicker FM", "random_walk_fm": "random-walk FM"}
    controls = {
        "days": whole_slider("record length [d]", 60, 10, LONGEST_DAYS, step=5),
        "noise": choice("noise", [(spoken[name], name) for name in NOISES], "flicker_fm"),
        "deviation": decades("its Allan deviation at 1 d", 2e-11, -12, -10),
        "course": choice("the clock really ages", [(name, name) for name in COURSES], "steady"),
        "rate": slider("by [10⁻¹² per day]", 5.0, -20.0, 20.0, step=1.0),
        "law": choice("law that is fitted", LAWS, "linear"),
        "another": whole_slider("which clock", 1, 1, 20),
        "revealed": tick("reveal the days to come"),
    }

    def answer(*, rate: float, another: int, **values: object) -> AgingLesson:
        return watch_aging(rate_per_day=rate * 1e-12, seed=seed + another - 1, **values)  # type: ignore[arg-type]

    return Panel(
        "Aging: which band holds the days to come?",
        controls,
        rows=[["days", "another"], ["noise", "deviation"], ["course", "rate"], ["law", "revealed"]],
        answer=answer,
        picture=AgingBoard().png,
        description=AgingBoard.description,
    )
