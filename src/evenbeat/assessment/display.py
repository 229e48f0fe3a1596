"""What a log can say whose readings are all the same: the display, not the oscillator, limits it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.plain import Plain
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY


@dataclass(frozen=True, kw_only=True)
class DisplayBound(Plain):
    """Upper bounds from readings that never change.

    Attributes
    ----------
    offset
        The one value shown, as fractional frequency.
    step
        The display's step as fractional frequency; NaN where it cannot be told.
    duration_s
        For how long nothing changed.
    """

    offset: float
    step: float
    readings: int
    duration_s: float

    @property
    def low(self) -> float:
        """Smallest offset that can show this value: one step below (a gated count is ±1 count)."""
        return self.offset - self.step

    @property
    def high(self) -> float:
        """Largest offset that can show this value: one step above."""
        return self.offset + self.step

    @property
    def largest_aging_per_second(self) -> float:
        """Steepest change that could have gone unseen: one step over the length of the log."""
        return self.step / self.duration_s

    def certainly_within(self, tolerance: ToleranceLike | Tolerance) -> bool:
        """Return whether every offset that can show this value is within the tolerance."""
        limits = Tolerance.of(tolerance)
        return limits.holds(self.low) and limits.holds(self.high)

    def certainly_outside(self, tolerance: ToleranceLike | Tolerance) -> bool:
        """Return whether no offset that can show this value is within the tolerance."""
        limits = Tolerance.of(tolerance)
        return self.low > limits.upper or self.high < limits.lower

    def _facts(self) -> Mapping[str, object]:
        return {
            "offset": self.offset,
            "step": self.step,
            "offset_low": self.low,
            "offset_high": self.high,
            "largest_aging_per_day": self.largest_aging_per_second * SECONDS_PER_DAY,
        }


def display_bound(record: Record) -> DisplayBound | None:
    """Return the bounds for a frequency record whose usable readings are all the same, else ``None``."""
    if record.kind != "frequency":
        return None
    values = record.usable_values(without_steps=False)
    present = values[~np.isnan(values)]
    if not len(present) or present.min() != present.max():
        return None
    return DisplayBound(
        offset=float(present[0]),
        step=math.nan if record.resolution is None else record.resolution,
        readings=len(present),
        duration_s=record.duration_s,
    )
