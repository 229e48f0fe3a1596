"""The counter explorer: gate, frequency and mode, and what limits the reading."""

from __future__ import annotations

import ipywidgets as widgets

from evenbeat.figures.lessons import CounterBoard
from evenbeat.interactive.controls import choice, decades
from evenbeat.interactive.panel import Panel
from evenbeat.lessons.counter_limits import limits_of_counter

METHODS = [("count the input", "direct"), ("time whole periods", "reciprocal")]


def counter_explorer(*, frequency_hz: float = 1e4, gate_s: float = 1.0) -> widgets.VBox:
    """Return a panel on what limits a frequency reading.

    Parameters
    ----------
    frequency_hz, gate_s
        Where the sliders start.
    """
    controls = {
        "frequency_hz": decades("input frequency [Hz]", frequency_hz, -1, 9),
        "gate_s": decades("gate time [s]", gate_s, -3, 3),
        "method": choice("the counter is made to", METHODS, "direct"),
        "clock_tick_s": decades("clock tick [s]", 1e-7, -10, -6),
        "noise_v": decades("noise at the input [V]", 1e-3, -5, -1),
        "timebase": decades("timebase known within ± [1]", 1e-7, -12, -5),
    }
    return Panel(
        "What limits a frequency reading?",
        controls,
        rows=[["frequency_hz", "gate_s"], ["method", "timebase"], ["clock_tick_s", "noise_v"]],
        answer=limits_of_counter,
        picture=CounterBoard().png,
        description=CounterBoard.description,
    )
