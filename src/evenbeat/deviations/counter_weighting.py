"""How a counter weights the edges within its gate, and what that does to the Allan deviation.

A counter that times every edge may take the simple difference of the first and the last (plain; in the
trade Π), the difference of two neighbouring means of the edges (triangular, Λ), or the slope of a straight
line through them (regression, Ω). Its log then shows, at an averaging time equal to the gate, the Allan,
the modified Allan or the parabolic deviation (Rubiola, Rev. Sci. Instrum. 76, 054703, 2005; Rubiola,
Lenczner, Bourgeois and Vernotte, arXiv:1506.05009).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution
from evenbeat.intake import check_positive, checked_samples, checked_weighting, whole_factor
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text

DEVIATION_AT_GATE: Mapping[str, str] = MappingProxyType(
    {"plain": "Allan", "triangular": "modified Allan", "regression": "parabolic"}
)
RATIO_AT_GATE: Mapping[str, Mapping[int, float]] = MappingProxyType(
    {
        "plain": MappingProxyType({0: 1.0, -1: 1.0, -2: 1.0}),
        "triangular": MappingProxyType(
            {
                0: math.sqrt(1 / 2),
                -1: math.sqrt((27 * math.log(3) - 32 * math.log(2)) / (16 * math.log(2))),
                -2: math.sqrt(33 / 40),
            }
        ),
        "regression": MappingProxyType(
            {
                0: math.sqrt(6 / 5),
                -1: math.sqrt((7 - math.log(16)) / (5 * math.log(2))),
                -2: math.sqrt(39 / 35),
            }
        ),
    }
)
"""Deviation of the readings at the gate over the Allan deviation, for white, flicker and random-walk FM."""


def reading_weights(weighting: str, stamps_per_gate: int) -> FloatArray:
    """Return the weights of the time stamps in one reading of n of them, to be divided by the gate.

    Shape (n + 1,) if ``plain``, (2n,) if ``triangular``, which reaches over two gates, (n,) if
    ``regression``.
    """
    name = checked_weighting(weighting)
    n = whole_factor(stamps_per_gate)
    if name == "plain":
        return np.concatenate([[-1.0], np.zeros(n - 1), [1.0]])
    if name == "triangular":
        return np.repeat([-1.0 / n, 1.0 / n], n)
    if n < 2:
        msg = "stamps_per_gate is 1; a regression needs at least 2 time stamps in each gate"
        raise InputError(msg)
    centred = np.arange(n) - 0.5 * (n - 1)
    return np.asarray(n * centred / np.sum(centred**2))


def weighted_readings(
    stamps_s: npt.ArrayLike, *, weighting: str, stamps_per_gate: int, gate_s: float
) -> Record:
    """Return what a counter would show from the time errors of its edges, one reading for each gate.

    Parameters
    ----------
    stamps_s
        Shape (n,): time errors of the edges in seconds, evenly spaced, without gaps.
    weighting, stamps_per_gate
        As for :func:`reading_weights`.
    gate_s
        Length of the gate in seconds.

    Returns
    -------
    Record
        Fractional frequencies every ``gate_s``, the weighting recorded.

    Raises
    ------
    InputError
        If a stamp is missing, or as for :func:`reading_weights`.
    TooShortError
        If fewer than two readings result.
    """
    check_positive(gate_s, "gate_s", optional=False)
    stamps = np.asarray(checked_samples(stamps_s, "stamps_s"), dtype=float)
    if np.isnan(stamps).any():
        msg = (
            f"stamps_s[{int(np.argmax(np.isnan(stamps)))}] is missing; a reading needs every edge of its gate"
        )
        raise InputError(msg)
    weights = reading_weights(weighting, stamps_per_gate)
    if len(stamps) < len(weights) + stamps_per_gate:
        needed = len(weights) + stamps_per_gate
        msg = f"{len(stamps)} time stamps give fewer than 2 readings; at least {needed} are needed"
        raise TooShortError(msg, needed=needed, available=len(stamps))
    windows = np.lib.stride_tricks.sliding_window_view(stamps, len(weights))[::stamps_per_gate]
    # stamps are taken from the first of each window, so that a large time error costs no digits
    readings = np.einsum("ij,j->i", windows - windows[:, :1], weights) / gate_s
    return Record.from_frequency(readings, interval_s=gate_s, counter_weighting=weighting)


def about_counter_weighting(record: Record) -> tuple[Finding, ...]:
    """Return what the weighting of the counter does to a deviation of the record, if anything."""
    weighting = record.counter_weighting
    if weighting is None or weighting == "plain":
        return ()
    averaged = (step.arguments["factor"] for step in record.history if step.operation == "averaged")
    gate = (record.gate_s or record.interval_s) / math.prod(int(str(factor)) for factor in averaged)
    if weighting == "triangular":
        effect = (
            "white PM comes out lower than from plain readings by the root of the number n of edges in a "
            "gate, √(3/n)·σ/gate for edge jitter σ"
        )
    else:
        effect = (
            "white PM comes out lower than from plain readings, √(12/n)·σ/gate for edge jitter σ and n edges "
            "in a gate, and falls as white FM would"
        )
    ratios = RATIO_AT_GATE[weighting]
    sentence = (
        f"The counter averages within its gate ({weighting} weighting): near {duration_text(gate)} the Allan "
        f"deviation of its readings is like a {DEVIATION_AT_GATE[weighting]} deviation; {effect}; white, "
        f"flicker and random-walk FM there are {ratios[0]:.2f}, {ratios[-1]:.2f} and {ratios[-2]:.2f} times "
        "the Allan deviation, nearer to 1 the longer the averaging time."
    )
    return (
        caution(
            "COUNTER_WEIGHTING",
            sentence,
            counter_weighting=weighting,
            gate_s=gate,
            white_fm_ratio=ratios[0],
            flicker_fm_ratio=ratios[-1],
            random_walk_fm_ratio=ratios[-2],
        ),
    )
