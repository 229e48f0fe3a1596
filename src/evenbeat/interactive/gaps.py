"""The gap explorer: how long a record must be, and what holes in it cost."""

from __future__ import annotations

from typing import get_args

import ipywidgets as widgets

from evenbeat.figures.lessons import GapBoard
from evenbeat.interactive.controls import choice, steps
from evenbeat.interactive.panel import Panel
from evenbeat.lessons.record_length import INTERVAL_S, Pattern, look_through_gaps
from evenbeat.units import duration_text

LENGTHS = [(duration_text(2**k * INTERVAL_S), 2**k) for k in range(5, 14)]
SHARES = [(f"{percent} %", percent / 100) for percent in range(0, 65, 5)]
NOISES = [("white FM", 0), ("flicker FM", -1), ("random-walk FM", -2)]
STATISTICS = [
    ("overlapping Allan", "overlapping_allan"),
    ("modified Allan", "modified_allan"),
    ("overlapping Hadamard", "overlapping_hadamard"),
]
COVERAGES = [("all of its readings", 1.0), ("90 % of its readings", 0.9)]


def gap_explorer(*, seed: int = 1) -> widgets.VBox:
    """Return a panel on record length and gaps: what the deviation is worth at each averaging time.

    Parameters
    ----------
    seed
        Of the noise and of the readings that are missing.
    """
    controls = {
        "samples": steps("record length", LENGTHS, 1024),
        "share": steps("missing readings", SHARES, 0.0),
        "pattern": choice("where they are missing", [(p, p) for p in get_args(Pattern)], "single readings"),
        "minimum_coverage": choice("an average needs", COVERAGES, 1.0),
        "exponent": choice("noise", NOISES, 0),
        "statistic": choice("deviation", STATISTICS, "overlapping_allan"),
    }
    return Panel(
        "Record length and gaps: what is a deviation worth?",
        controls,
        rows=[["samples", "share"], ["pattern", "minimum_coverage"], ["exponent", "statistic"]],
        answer=lambda **values: look_through_gaps(**values, seed=seed),
        picture=GapBoard().png,
        description=GapBoard.description,
    )
