"""What the environment does to a clock in holdover: a constant change, a daily wave, a step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenbeat.errors import InputError
from evenbeat.quantities import Estimate, FloatArray, need_positive
from evenbeat.units import SECONDS_PER_DAY, duration_text

ScenarioKind = Literal["constant", "daily", "step"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Scenario:
    """How the environment moves the fractional frequency of a clock from the moment it is alone.

    Made by :meth:`constant`, :meth:`daily` and :meth:`step`; a temperature change times a sensitivity is
    such a change of frequency.

    Attributes
    ----------
    change
        Fractional frequency: of the constant or the step, or the amplitude of the wave.
    after_s
        When the step comes.
    period_s
        Of the wave.
    """

    kind: ScenarioKind
    change: Estimate
    after_s: float = 0.0
    period_s: float = SECONDS_PER_DAY

    @classmethod
    def constant(cls, change: float | Estimate) -> Scenario:
        """Return a change of frequency that stays."""
        return cls(kind="constant", change=_estimate(change))

    @classmethod
    def daily(cls, amplitude: float | Estimate, *, period_s: float = SECONDS_PER_DAY) -> Scenario:
        """Return a sine of unknown phase with this amplitude of frequency, of one day by default.

        Raises
        ------
        InputError
            If the period is not positive.
        """
        need_positive(period_s=period_s)
        return cls(kind="daily", change=_estimate(amplitude), period_s=float(period_s))

    @classmethod
    def step(cls, change: float | Estimate, *, after_s: float) -> Scenario:
        """Return a step of frequency some time after the reference was lost.

        Raises
        ------
        InputError
            If the time is negative.
        """
        if not after_s >= 0:
            msg = f"after_s is {after_s:g}; a step cannot come before the holdover begins"
            raise InputError(msg)
        return cls(kind="step", change=_estimate(change), after_s=float(after_s))

    @property
    def words(self) -> str:
        """The scenario in words."""
        if self.kind == "constant":
            return f"constant change of {self.change}"
        if self.kind == "step":
            return f"step of {self.change} after {duration_text(self.after_s)}"
        return f"wave of amplitude {self.change} with a period of {duration_text(self.period_s)}"

    def mean(self, duration_s: FloatArray) -> FloatArray:
        """Return the expected time error in seconds; zero for a wave of unknown phase."""
        return (
            self.change.value * self._lever(duration_s) if self.kind != "daily" else np.zeros(len(duration_s))
        )

    def variance(self, duration_s: FloatArray) -> FloatArray:
        """Return the variance of the time error in s².

        Notes
        -----
        A wave of amplitude A, period P and unknown phase: (A P/2π)² (1 - cos 2πt/P), zero after whole
        periods and largest between them; A² counts with the variance of A.
        """
        spread = self.change.standard_uncertainty**2
        if self.kind != "daily":
            return spread * self._lever(duration_s) ** 2
        swing = 1 - np.cos(2 * math.pi * duration_s / self.period_s)
        return (self.change.value**2 + spread) * (self.period_s / (2 * math.pi)) ** 2 * swing

    def _lever(self, duration_s: FloatArray) -> FloatArray:
        return np.maximum(duration_s - self.after_s, 0.0)


def _estimate(value: float | Estimate) -> Estimate:
    return value if isinstance(value, Estimate) else Estimate.normal(float(value), 0.0)
