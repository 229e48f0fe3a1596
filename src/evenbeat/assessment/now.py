"""In tolerance now, out of it, or not to be told: judged from the offset at the end of a log.

It needs no interval and no forecast: a clock whose future cannot be told may well be out today.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.model import ClockModel
from evenbeat.intake import extremes_and_mean
from evenbeat.plain import Plain, listed_as
from evenbeat.plausible import ASSUMED_NOMINAL
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, number_text
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY

State = Literal["in", "out", "cannot be told"]
JudgedBy = Literal["clock model", "display", "readings", "as left", "assumed nominal"]
WHAT: dict[JudgedBy, str] = {
    "clock model": "the offset at the end of the log",
    "readings": "the offset by the readings themselves",
    "as left": "the offset as left",
    "display": "every offset that shows these readings",
    "assumed nominal": "the offset from a nominal frequency that was assumed",
}


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
    smallest, _, largest = extremes_and_mean(values)
    if smallest != largest:
        return None
    return DisplayBound(
        offset=smallest,
        step=math.nan if record.resolution is None else record.resolution,
        readings=int(np.count_nonzero(~np.isnan(values))),
        duration_s=record.duration_s,
    )


@dataclass(frozen=True, kw_only=True)
class ToleranceNow(Plain):
    """Whether a clock is within its tolerance at the end of its log.

    Attributes
    ----------
    state
        ``in`` or ``out``, each with at least the reliability asked for; else ``cannot be told``: the interval
        of the offset lies across a limit.
    value, low, high
        The offset; 95 % of it, or the bounds that the display sets (NaN where its step is not known).
    probability_within
        NaN where there are only bounds.
    judged_by
        What the offset was taken from.
    """

    state: State
    tolerance: Tolerance
    value: float = field(default=math.nan, metadata=listed_as("offset"))
    standard_uncertainty: float = math.nan
    low: float = field(default=math.nan, metadata=listed_as("offset_low"))
    high: float = field(default=math.nan, metadata=listed_as("offset_high"))
    probability_within: float = math.nan
    judged_by: JudgedBy

    _also = ("sentence",)

    @property
    def sentence(self) -> str:
        """One sentence that says it."""
        if self.judged_by == "assumed nominal":
            return f"Whether it is within {self.tolerance} now cannot be told: state the nominal frequency."
        if self.judged_by == "display":
            shown = f"an offset that shows {self.value:+.3g}"
            if self.state == "cannot be told":
                why = "the step of the display is not known" if math.isnan(self.low) else self._across
                return f"Whether it is within {self.tolerance} now cannot be told from this display: {why}."
            every = f"every offset that shows {self.value:+.3g} is within {self.tolerance}."
            none = f"no {shown.removeprefix('an ')} is within {self.tolerance}."
            return f"In tolerance now: {every}" if self.state == "in" else f"Out of tolerance now: {none}"
        what, offset = WHAT[self.judged_by], number_text(self.value, self.standard_uncertainty)
        if self.state == "cannot be told":
            return f"Whether it is within {self.tolerance} now cannot be told: {what} {self._across}."
        if self.state == "in":
            return f"In tolerance now: {what}, {offset}, is within {self.tolerance}."
        far = abs(self.value) / self.tolerance.upper if self.tolerance.symmetric else 0.0
        times = f", {far:.2g} times the limit" if far >= 2 else ""
        return f"Out of tolerance now: {what}, {offset}, is outside {self.tolerance}{times}."

    @property
    def _across(self) -> str:
        if self.judged_by == "display":
            return f"the offset lies between {self.low:+.2e} and {self.high:+.2e}"
        return f"lies between {self.low:+.3g} and {self.high:+.3g} (95 %)"


def tolerance_now(
    record: Record,
    tolerance: Tolerance,
    *,
    model: ClockModel | None,
    display: DisplayBound | None,
    reliability: float,
    as_left: Estimate | None = None,
    reference_uncertainty: float = 0.0,
) -> ToleranceNow:
    """Return whether a clock is in tolerance at the end of its record.

    Parameters
    ----------
    record
        Conditioned, with at least two readings.
    model, display
        What was made of it; where there is neither, the readings themselves are judged.
    reliability
        Probability from which on it counts as in or as out.
    as_left
        Offset after an adjustment at the end, which then is the offset now.
    reference_uncertainty
        Standard uncertainty of the reference's fractional frequency.
    """
    if as_left is None and any(finding.code == ASSUMED_NOMINAL for finding in record.findings):
        return ToleranceNow(state="cannot be told", tolerance=tolerance, judged_by="assumed nominal")
    state: State = "cannot be told"
    if as_left is None and model is None and display is not None:
        if display.certainly_outside(tolerance):
            state = "out"
        elif display.certainly_within(tolerance):
            state = "in"
        return ToleranceNow(
            state=state,
            tolerance=tolerance,
            value=display.offset,
            low=display.low,
            high=display.high,
            judged_by="display",
        )
    judged_by: JudgedBy = "as left"
    if as_left is not None:
        offset = as_left.distribution
    elif model is not None:
        offset, judged_by = model.frequency_at([record.duration_s]).distribution.one(0), "clock model"
    else:
        offset, judged_by = _next_reading(record), "readings"
    now = Estimate(distribution=offset.widened(reference_uncertainty))
    within = float(tolerance.probability(now.distribution))
    low, high = now.interval()
    if within >= reliability:
        state = "in"
    elif within <= 1 - reliability:
        state = "out"
    return ToleranceNow(
        state=state,
        tolerance=tolerance,
        value=now.value,
        standard_uncertainty=now.standard_uncertainty,
        low=low,
        high=high,
        probability_within=within,
        judged_by=judged_by,
    )


def _next_reading(record: Record) -> StudentMixture:
    """Return the distribution of one more reading, given those since the last step.

    The noise of so short a record is not known, so that the mean is not taken to be better than one reading:
    ``ȳ + s √(1 + 1/n) t`` with n - 1 degrees of freedom (prediction interval, Hahn & Meeker 1991; the
    readings count as independent).
    """
    values = np.asarray(record.usable_values(without_steps=False), dtype=float)
    present = np.flatnonzero(~np.isnan(values))
    last_step = record.steps[-1].start if record.steps else 0
    rounding = (record.resolution or 0.0) / math.sqrt(12)
    if record.kind == "phase":
        spans, begun = np.diff(record.elapsed_s[present]), present[:-1]
        offsets: FloatArray = np.diff(values[present]) / spans
        rounding *= math.sqrt(2) / float(spans.sum())
    else:
        begun, offsets = present, values[present]
    since = offsets[begun >= last_step]
    if len(since) > 1:
        offsets = since
    count = len(offsets)
    spread = math.hypot(float(np.std(offsets, ddof=1)), rounding)
    return StudentMixture.student(float(offsets.mean()), spread * math.sqrt(1 + 1 / count), count - 1.0)
