"""What a count, a clock tick, a display and an edge leave open.

A gate that opens and closes at any phase of the input counts n or n + 1: the error is triangular within
±1 count. Started by the input's own edge and cut off, or rounded, it is rectangular, one count wide. An edge
jitters by noise over slew rate (IEEE Std 1139-2022 and common practice of counters).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from evenbeat.counter.budget import Distribution
from evenbeat.errors import InputError
from evenbeat.quantities import need_not_negative, need_positive

Method = Literal["direct", "reciprocal"]
CountLaw = Literal["triangular", "rectangular", "bound", "in_step"]


COUNT_LAWS: Mapping[str, tuple[float, Distribution]] = {
    "triangular": (1 / math.sqrt(6), "triangular"),  # gate and input run free of each other
    "rectangular": (1 / math.sqrt(3), "rectangular"),  # anywhere within one count either way, equally likely
    "bound": (1.0, "normal"),  # one whole count taken as standard uncertainty
    "in_step": (1 / math.sqrt(12), "rectangular"),  # gate started by the input, its end rounded
}
"""Standard uncertainty of one count, and its distribution."""


def count_error(law: str) -> tuple[float, Distribution]:
    """Return standard uncertainty and distribution of one count, or raise ``InputError``."""
    if law not in COUNT_LAWS:
        msg = f"count_law is {law!r}; it must be one of {', '.join(COUNT_LAWS)}"
        raise InputError(msg)
    return COUNT_LAWS[law]


@dataclass(frozen=True, kw_only=True)
class Trigger:
    """A signal at its trigger point.

    Attributes
    ----------
    noise_v
        Root-mean-square noise of input and signal together, in volts, within the input's bandwidth.
    slew_rate_v_per_s
        Slope where the edge is taken.
    """

    noise_v: float
    slew_rate_v_per_s: float

    def __post_init__(self) -> None:
        need_not_negative(noise_v=self.noise_v)
        need_positive(slew_rate_v_per_s=self.slew_rate_v_per_s)

    @classmethod
    def of_sine(
        cls, frequency_hz: float, level_v: float, *, noise_v: float, signal_noise_v: float = 0.0
    ) -> Trigger:
        """Return the trigger of a sine of ``level_v`` (root mean square) at its middle: slope 2π f √2 V."""
        need_positive(frequency_hz=frequency_hz, level_v=level_v)
        slope = 2 * math.pi * frequency_hz * math.sqrt(2) * level_v
        return cls(noise_v=math.hypot(noise_v, signal_noise_v), slew_rate_v_per_s=slope)

    @property
    def jitter_s(self) -> float:
        """Standard deviation of the time at which one edge is seen, in seconds."""
        return self.noise_v / self.slew_rate_v_per_s
