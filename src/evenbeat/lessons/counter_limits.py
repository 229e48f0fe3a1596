"""What limits a frequency reading: the count, the clock tick, the trigger, or the timebase."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.counter.reading import ReadingUncertainty, reading_uncertainty
from evenbeat.counter.resolution import Method, Trigger
from evenbeat.errors import InputError
from evenbeat.lessons.lesson import Code, Lesson, call_text
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

GATES_S = np.geomspace(1e-3, 1e3, 25)
LEVEL_V = 0.2
"""Level of the sine at the input, root mean square."""


@dataclass(frozen=True, eq=False, kw_only=True)
class CounterLesson(Lesson):
    """A reading at one gate, and what each cause would contribute at others.

    Attributes
    ----------
    reading
        At the chosen gate.
    gate_s
        Shape (n,).
    relative
        Cause to its relative standard uncertainty at each gate, shape (n,).
    """

    reading: ReadingUncertainty
    gate_s: FloatArray
    relative: Mapping[str, FloatArray]

    @property
    def total(self) -> FloatArray:
        """Of all causes together, shape (n,)."""
        return np.sqrt(sum((part**2 for part in self.relative.values()), np.zeros(1)))

    @property
    def chosen_gate_s(self) -> float:
        """The gate of the reading."""
        return self.reading.measurement.gate_s or float("nan")


def limits_of_counter(
    frequency_hz: float,
    gate_s: float,
    *,
    method: Method = "direct",
    clock_tick_s: float = 1e-7,
    noise_v: float = 1e-3,
    timebase: float = 1e-7,
) -> CounterLesson:
    """Return what limits a frequency reading, at this gate and at others.

    Parameters
    ----------
    frequency_hz, gate_s
        Of the sine at the input, 0.2 V root mean square, and of the gate.
    method
        ``direct`` counts the input, ``reciprocal`` times its whole periods with the clock.
    clock_tick_s, noise_v
        Of the clock that times periods; noise at the input, for the trigger.
    timebase
        Specification of the timebase, relative, ±.

    Raises
    ------
    InputError
        If a value cannot be used, or a whole period does not fit into the gate.
    """
    if method == "reciprocal" and not gate_s * frequency_hz >= 1:
        msg = (
            f"a gate of {duration_text(gate_s)} holds no whole period of {frequency_hz:.3g} Hz to be timed; "
            f"it needs at least {duration_text(1 / frequency_hz)}"
        )
        raise InputError(msg)
    fixed = {"method": method, "timebase": timebase}
    timed = {"clock_tick_s": clock_tick_s} if method == "reciprocal" else {}
    trigger = Trigger.of_sine(frequency_hz, LEVEL_V, noise_v=noise_v) if timed else None

    def at(gate: float) -> ReadingUncertainty:
        return reading_uncertainty(
            "frequency",
            frequency_hz,
            method=method,
            gate_s=gate,
            clock_tick_s=timed.get("clock_tick_s"),
            trigger=trigger,
            timebase=timebase,
        )

    gates = GATES_S if not timed else GATES_S[GATES_S * frequency_hz >= 1]
    budgets = [at(float(gate)).budget for gate in gates]
    names = dict.fromkeys(part.name for budget in budgets for part in budget.contributions)
    relative = {
        name: np.array(
            [
                sum(p.standard_uncertainty for p in budget.contributions if p.name == name) / frequency_hz
                for budget in budgets
            ]
        )
        for name in names
    }
    chosen = at(gate_s)
    noise = f"eb.Trigger.of_sine({frequency_hz!r}, {LEVEL_V}, noise_v={noise_v!r})"
    more = {"trigger": Code(noise)} if timed else {}
    call = call_text(
        "eb.reading_uncertainty", "'frequency'", repr(frequency_hz), gate_s=gate_s, **fixed, **timed, **more
    )
    return CounterLesson(
        reading=chosen,
        gate_s=gates,
        relative=relative,
        sentence=_sentence(chosen, relative, gates),
        call=f"import evenbeat as eb\n\nreading = {call}",
    )


def _sentence(chosen: ReadingUncertainty, relative: Mapping[str, FloatArray], gates: FloatArray) -> str:
    budget, gate = chosen.budget, chosen.measurement.gate_s or float("nan")
    width = budget.expanded_uncertainty()
    decimals = max(1 - math.floor(math.log10(width)), 0)  # as many as the uncertainty has
    opening = (
        f"At a gate of {duration_text(gate)} the reading is {budget.value:.{decimals}f} Hz ± "
        f"{float(f'{width:.2g}'):g} Hz (95 %), relative {budget.relative_standard_uncertainty:.1e} "
        f"(standard); what limits it: {budget.limited_by}."
    )
    flat = {name: part for name, part in relative.items() if part[0] == part[-1]}
    falling = np.sqrt(sum((p**2 for n, p in relative.items() if n not in flat), np.zeros(len(gates))))
    floor = np.sqrt(sum((part**2 for part in flat.values()), np.zeros(len(gates))))
    useless = np.flatnonzero(falling < 0.3 * floor)
    if not len(useless):
        return f"{opening} A longer gate still helps."
    return f"{opening} Beyond about {duration_text(float(gates[useless[0]]))} a longer gate no longer helps."
