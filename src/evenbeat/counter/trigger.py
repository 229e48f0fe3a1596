"""When an edge is seen: jitter from noise over slew rate, and counts gained or lost at the threshold.

Source: noise over slew rate, IEEE Std 1139-2022 and common practice of counters; formulas and worked
values are checked by simulation in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenbeat.errors import InputError

CABLE_DELAY_S_PER_M = 1 / (0.66 * 299792458.0)
"""Coaxial cable with solid polyethylene, velocity factor 0.66 (common practice): 5.054 ns per metre."""


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
        if not (self.noise_v >= 0 and math.isfinite(self.noise_v)):
            msg = f"noise_v is {self.noise_v}; it must be 0 or positive, in volts"
            raise InputError(msg)
        if not (self.slew_rate_v_per_s > 0 and math.isfinite(self.slew_rate_v_per_s)):
            msg = f"slew_rate_v_per_s is {self.slew_rate_v_per_s}; it must be positive, in volts per second"
            raise InputError(msg)

    @classmethod
    def of_sine(
        cls, frequency_hz: float, level_v: float, *, noise_v: float, signal_noise_v: float = 0.0
    ) -> Trigger:
        """Return the trigger of a sine of ``level_v`` (root mean square) at its middle: slope 2π f √2 V."""
        for name, value in {"frequency_hz": frequency_hz, "level_v": level_v}.items():
            if not (value > 0 and math.isfinite(value)):
                msg = f"{name} is {value}; it must be positive"
                raise InputError(msg)
        slope = 2 * math.pi * frequency_hz * math.sqrt(2) * level_v
        return cls(noise_v=math.hypot(noise_v, signal_noise_v), slew_rate_v_per_s=slope)

    @property
    def jitter_s(self) -> float:
        """Standard deviation of the time at which one edge is seen, in seconds."""
        return self.noise_v / self.slew_rate_v_per_s
