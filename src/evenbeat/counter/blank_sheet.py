"""An empty readings sheet for a counter that is described."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

from evenbeat.counter.reading import Function
from evenbeat.counter.sheet import COLUMNS
from evenbeat.errors import InputError


def blank_sheet(
    *,
    rated_hz: tuple[float, float],
    gates_s: Sequence[float] = (0.1, 1.0, 10.0),
    clock_tick_s: float | None = None,
    permitted_relative: float = 1e-6,
    functions: Sequence[Function] = ("frequency", "period", "totalise"),
    readings: int = 3,
    level_v: float = 1.0,
    pulses_per_revolution: int = 60,
    instrument: str = "",
) -> str:
    """Return an empty readings sheet for a counter: decades of its rated range, every function asked for.

    Parameters
    ----------
    rated_hz
        Lowest and highest rated frequency; points are its ends and the decades between.
    gates_s
        Gate times of the counter.
    clock_tick_s
        Of its clock; needed for ``period``.
    readings
        How often each point is to be read.

    Raises
    ------
    InputError
        If the range is not rising, or ``period`` is asked for without a clock tick.
    """
    low, high = rated_hz
    if not 0 < low < high:
        msg = f"rated_hz is {rated_hz}; two rising positive frequencies are needed"
        raise InputError(msg)
    if "period" in functions and clock_tick_s is None:
        msg = "clock_tick_s is missing; period points need it"
        raise InputError(msg)
    first = math.ceil(math.log10(low) - 1e-9)
    last = math.floor(math.log10(high) + 1e-9)
    frequencies = sorted({low, high, *(10.0**k for k in range(first, last + 1))})
    rows: list[tuple[object, ...]] = []
    for function in functions:
        for frequency in frequencies:
            rows += _blank_rows(
                function,
                frequency,
                gates_s=gates_s,
                tick_s=clock_tick_s or math.nan,
                level_v=level_v,
                pulses=pulses_per_revolution,
            )
    head = [
        f"# instrument: {instrument}",
        "# reference:",
        f"# permitted: {permitted_relative:g} of the reading plus one least digit",
        *([f"# clock tick: {clock_tick_s * 1e9:g} ns"] if clock_tick_s else []),
        f"# rated range: {low:g} Hz to {high:g} Hz",
        "# date:",
        "# Let counter and reference warm up. Never exceed the rated input level; go past the rated",
        "# frequency only if the manual permits it.",
    ]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(row for row in rows for _ in range(readings))
    return "\n".join(head) + "\n" + text.getvalue()


def _blank_rows(
    function: Function,
    frequency_hz: float,
    *,
    gates_s: Sequence[float],
    tick_s: float,
    level_v: float,
    pulses: int,
) -> list[tuple[object, ...]]:
    level = f"{level_v:g}"
    if function == "frequency":
        return [
            (function, f"{frequency_hz:.12g}", "Hz", f"{gate:g}", "", "", level, f"{1 / gate:g}", "")
            for gate in gates_s
        ]
    if function == "period":
        return [(function, f"{1 / frequency_hz:.12g}", "s", "", 1, "", level, f"{tick_s:g}", "")]
    gate = max(gates_s)
    if function == "totalise":
        return [(function, f"{frequency_hz * gate:.12g}", "count", f"{gate:g}", "", "", level, "1", "")]
    if function == "rpm":
        digit = 60 / (pulses * gate)
        speed = 60 * frequency_hz / pulses
        return [(function, f"{speed:.12g}", "1/min", f"{gate:g}", "", pulses, level, f"{digit:.6g}", "")]
    msg = f"no blank rows are made for {function}; write them by hand"
    raise InputError(msg)
