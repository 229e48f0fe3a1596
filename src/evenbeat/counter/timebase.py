"""What the timebase adds to every reading: from a clock model, a calibration or a specification."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.clock.model import ClockModel
from evenbeat.counter.budget import Contribution
from evenbeat.counter.resolution import CountLaw, Method, count_error
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution
from evenbeat.quantities import (
    DEFAULT_CONFIDENCE,
    Estimate,
    checked_probability,
    need_not_negative,
    need_positive,
)
from evenbeat.result import Result
from evenbeat.units import duration_text


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Needed(Result):
    """What a claimed uncertainty needs, made by :meth:`evenbeat.Timebase.needed_for`.

    The shortest gate with the timebase as it is (``inf`` where none suffices), and the largest relative
    standard uncertainty of a timebase or reference with the longest gate allowed (NaN where even a perfect
    one does not suffice).
    """

    frequency_hz: float
    claimed_relative: float
    confidence: float
    longest_gate_s: float
    gate_s: float
    timebase_standard_uncertainty: float

    def _headline(self) -> str:
        what = f"±{self.claimed_relative:.2g} of {self.frequency_hz:.7g} Hz ({100 * self.confidence:g} %)"
        if math.isfinite(self.gate_s):
            return f"{what} needs a gate of {self.gate_s:.3g} s with this timebase"
        if math.isfinite(self.timebase_standard_uncertainty):
            return (
                f"{what} cannot be had with this timebase and a gate of {self.longest_gate_s:g} s; it "
                f"needs a reference of uncertainty {self.timebase_standard_uncertainty:.2g} or better"
            )
        return f"{what} cannot be had with a gate of {self.longest_gate_s:g} s, whatever the reference"


@dataclass(frozen=True, eq=False, kw_only=True)
class Timebase:
    """The fractional frequency of a counter's timebase, as far as it is known.

    Attributes
    ----------
    offset
        Expected fractional frequency; positive: the timebase is fast.
    contributions
        What is uncertain about it, relative.
    says
        Where it comes from.
    """

    offset: float
    contributions: tuple[Contribution, ...]
    says: str = ""
    findings: tuple[Finding, ...] = ()

    @property
    def standard_uncertainty(self) -> float:
        """Of the offset, relative."""
        return math.hypot(*(c.standard_uncertainty for c in self.contributions))

    def needed_for(
        self,
        claimed_relative: float,
        frequency_hz: float,
        *,
        longest_gate_s: float = 10.0,
        method: Method = "direct",
        clock_tick_s: float | None = None,
        count_law: CountLaw = "triangular",
        confidence: float = DEFAULT_CONFIDENCE,
    ) -> Needed:
        """Return the gate that a claimed relative uncertainty needs with it, or the reference in its place.

        The budget of :func:`evenbeat.reading_uncertainty` read backwards, with the normal coverage factor
        (JCGM 100:2008, 5.1.2): a little on the safe side where a bounded contribution dominates.

        Parameters
        ----------
        claimed_relative
            Half width over the reading, with ``confidence``; of readings corrected for the offset.
        longest_gate_s
            That the counter, or your patience, allows.

        Raises
        ------
        InputError
            If a number is not positive, or the reciprocal method has no clock tick.
        """
        need_positive(
            claimed_relative=claimed_relative, frequency_hz=frequency_hz, longest_gate_s=longest_gate_s
        )
        if method == "reciprocal" and clock_tick_s is None:
            msg = "clock_tick_s is missing; the reciprocal method needs it"
            raise InputError(msg)
        allowed = claimed_relative / float(
            special.ndtri(0.5 * (1 + checked_probability(confidence, "confidence")))
        )
        per_second = count_error(count_law)[0] * (
            (clock_tick_s or math.nan) if method == "reciprocal" else 1 / frequency_hz
        )
        left = allowed**2 - self.standard_uncertainty**2
        gate = per_second / math.sqrt(left) if left > 0 else math.inf
        beside = allowed**2 - (per_second / longest_gate_s) ** 2
        return Needed(
            frequency_hz=frequency_hz,
            claimed_relative=claimed_relative,
            confidence=confidence,
            longest_gate_s=longest_gate_s,
            gate_s=gate if gate <= longest_gate_s else math.inf,
            timebase_standard_uncertainty=math.sqrt(beside) if beside > 0 else math.nan,
            findings=self.findings,
        )

    @classmethod
    def from_model(
        cls, model: ClockModel, at: float | np.datetime64, *, averaging_time_s: float | None = None
    ) -> Timebase:
        """Return what a clock model predicts.

        Parameters
        ----------
        at
            Seconds since the start of the model's record, or a date.
        averaging_time_s
            Of the offset, such as the gate; by default that of the model.
        """
        forecast = model.frequency_at(np.atleast_1d(np.asarray(at)), averaging_time_s=averaging_time_s)
        estimate = Estimate(distribution=forecast.distribution.one(0))
        spread = estimate.standard_uncertainty
        if not math.isfinite(spread):  # of two or fewer degrees of freedom
            low, high = estimate.interval(0.6827)
            spread = 0.5 * (high - low)
        return cls(
            offset=estimate.value,
            contributions=(Contribution(name="timebase (clock model)", standard_uncertainty=spread),),
            says=f"clock model, mean over {duration_text(averaging_time_s or model.averaging_time_s)}",
            findings=tuple(f for f in forecast.findings if f.severity in ("caution", "stop")),
        )

    @classmethod
    def from_calibration(
        cls, offset: Estimate, *, elapsed_s: float = 0.0, aging_rate_per_second: Estimate | None = None
    ) -> Timebase:
        """Return what a calibration says after ``elapsed_s``, given an aging rate per second.

        Raises
        ------
        InputError
            If ``elapsed_s`` is negative.
        """
        need_not_negative(elapsed_s=elapsed_s)
        own = Contribution(name="timebase calibration", standard_uncertainty=offset.standard_uncertainty)
        if aging_rate_per_second is not None:
            gone = aging_rate_per_second.scaled(elapsed_s, "")
            aged = Contribution(name="timebase aging", standard_uncertainty=gone.standard_uncertainty)
            return cls(offset=offset.value + gone.value, contributions=(own, aged), says="calibration")
        sentence = "No aging rate is stated, so the timebase is taken as it was when calibrated."
        found = (caution("AGING_UNKNOWN", sentence),) if elapsed_s > 0 else ()
        return cls(offset=offset.value, contributions=(own,), says="calibration", findings=found)

    @classmethod
    def from_specification(cls, limit: float) -> Timebase:
        """Return a timebase known to lie within ± ``limit``, relative: rectangular."""
        need_not_negative(limit=limit)
        return cls(
            offset=0.0,
            contributions=(Contribution.within("timebase specification", limit),),
            says="specification",
        )
