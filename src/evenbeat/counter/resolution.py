"""What a count, a clock tick or a display leaves open.

A gate that opens and closes at any phase of the input counts n or n + 1: the error is triangular within
±1 count. Started by the input's own edge and cut off, or rounded, it is rectangular, one count wide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from evenbeat.counter.budget import Distribution
from evenbeat.errors import InputError

Method = Literal["direct", "reciprocal"]
CountLaw = Literal["triangular", "rectangular", "bound", "in_step"]


@dataclass(frozen=True, kw_only=True)
class CountError:
    """Distribution of the error of one count."""

    standard_uncertainty: float
    distribution: Distribution
    says: str


COUNT_LAWS: Mapping[str, CountError] = {
    "triangular": CountError(
        standard_uncertainty=1 / math.sqrt(6),
        distribution="triangular",
        says="gate and input run free of each other",
    ),
    "rectangular": CountError(
        standard_uncertainty=1 / math.sqrt(3),
        distribution="rectangular",
        says="anywhere within one count either way, taken as equally likely",
    ),
    "bound": CountError(
        standard_uncertainty=1.0, distribution="normal", says="one whole count taken as standard uncertainty"
    ),
    "in_step": CountError(
        standard_uncertainty=1 / math.sqrt(12),
        distribution="rectangular",
        says="gate started by the input, its end rounded to the nearest count",
    ),
}


def count_error(law: str) -> CountError:
    """Return the law of this name.

    Raises
    ------
    InputError
        If there is none.
    """
    if law not in COUNT_LAWS:
        msg = f"count_law is {law!r}; it must be one of {', '.join(COUNT_LAWS)}"
        raise InputError(msg)
    return COUNT_LAWS[law]


def exact_count_deviation(frequency_hz: float, gate_s: float) -> float:
    """Return the standard deviation in counts of a free-running gate: √(d(1-d)), d the part of a count."""
    part = math.fmod(frequency_hz * gate_s, 1.0)
    return math.sqrt(part * (1 - part))


def equal_resolution_frequency(clock_tick_s: float, gate_s: float) -> float:
    """Return the frequency whose single period resolves as finely as counting it for ``gate_s``."""
    return math.sqrt(1 / (clock_tick_s * gate_s))
