"""What one reading of a counter is worth: its uncertainty budget, what limits it and what would help."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

import numpy as np

from evenbeat.counter.budget import Contribution, UncertaintyBudget, budget
from evenbeat.counter.resolution import CountLaw, Method, Trigger, count_error
from evenbeat.counter.timebase import Timebase
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, merged, note
from evenbeat.plain import UNLISTED
from evenbeat.quantities import Estimate, need_positive
from evenbeat.result import Column, Result, Table

Function = Literal["frequency", "period", "time_interval", "ratio", "totalise", "rpm"]
UNITS: dict[str, str] = {
    "frequency": "Hz",
    "period": "s",
    "time_interval": "s",
    "ratio": "",
    "totalise": "counts",
    "rpm": "1/min",
}
COUNT, DISPLAY, TICK, INTERPOLATOR, TRIGGER = "count", "display", "clock tick", "interpolator", "trigger"
GATE, DELAY, REFERENCE, SCATTER = "gate", "channel delay", "reference", "scatter of readings"
RISES_WITH_TIMEBASE = ("period", "time_interval")
WORTH_SAYING = 0.7


@dataclass(frozen=True, eq=False, kw_only=True)
class Measurement:
    """How a reading was taken; SI units, see :func:`reading_uncertainty` for each field."""

    function: Function
    value: float
    method: Method = "direct"
    gate_s: float | None = None
    periods: int = 1
    clock_tick_s: float | None = None
    interpolator_s: float | None = None
    least_digit: float | None = None
    count_law: CountLaw = "triangular"
    trigger: Trigger | None = None
    stop_trigger: Trigger | None = None
    pulses_per_revolution: int = 1
    timebase: Timebase | None = None
    reference_uncertainty: float = 0.0
    gate_uncertainty_s: float = 0.0
    delay_mismatch_s: float = 0.0
    scatter: Contribution | None = None
    locked: bool = False
    more: tuple[Contribution, ...] = ()

    @property
    def counts_events(self) -> bool:
        """Whether the reading is a number of input events within a gate."""
        return self.function in ("totalise", "ratio") or (
            self.function in ("frequency", "rpm") and self.method == "direct"
        )

    @property
    def step(self) -> float | None:
        """What one count or one clock tick changes the reading by; ``None`` where it is not known."""
        if self.function == "totalise":
            return 0.0 if self.gate_s is None else 1.0
        if self.function == "ratio":
            return 1 / self.periods
        if self.function in ("frequency", "rpm") and self.method == "direct":
            per_event = 60 / self.pulses_per_revolution if self.function == "rpm" else 1.0
            return per_event / self._gate_s
        return self._from_time(self.clock_tick_s)

    def _from_time(self, seconds: float | None) -> float | None:
        """Return what an error of the measured time, in seconds, does to the reading."""
        if seconds is None:
            return None
        if self.function in RISES_WITH_TIMEBASE:
            return seconds / (self.periods if self.function == "period" else 1)
        return abs(self.value) * seconds / self._gate_s

    @property
    def _gate_s(self) -> float:
        if self.gate_s is None:
            msg = f"gate_s is missing; the {self.function} function ({self.method}) needs it"
            raise InputError(msg)
        return self.gate_s

    def contributions(self) -> tuple[Contribution, ...]:
        """Return every source of uncertainty that was stated, in the unit of the reading."""
        found, step = [], self.step
        law, distribution = count_error(self.count_law)
        if step:
            name = COUNT if self.counts_events else TICK
            found.append(Contribution(name=name, standard_uncertainty=step * law, distribution=distribution))
        # a direct count is its own display: only a coarser display rounds once more
        if self.least_digit and (not self.counts_events or self.least_digit > 1.5 * (step or 0.0)):
            found.append(Contribution.within(DISPLAY, 0.5 * self.least_digit))
        if self.function == "ratio" or not self.counts_events:  # edges are timed
            edges = {INTERPOLATOR: math.sqrt(2) * (self.interpolator_s or 0.0)}
            if self.trigger is not None:
                edges[TRIGGER] = math.hypot(
                    self.trigger.jitter_s, (self.stop_trigger or self.trigger).jitter_s
                )
            for name, seconds in edges.items():
                effect = self._from_time(seconds or None) or 0.0
                found.append(Contribution(name=name, standard_uncertainty=effect))
        if self.function == "totalise" and self.gate_s is not None and self.gate_uncertainty_s:
            found.append(Contribution.within(GATE, abs(self.value) / self.gate_s * self.gate_uncertainty_s))
        if self.function == "time_interval" and self.delay_mismatch_s:
            found.append(Contribution.within(DELAY, self.delay_mismatch_s))
        if self.timebase is not None and self.uses_timebase:
            found += [c.scaled(self.value) for c in self.timebase.contributions]
        reference = abs(self.value) * self.reference_uncertainty
        found.append(Contribution(name=REFERENCE, standard_uncertainty=reference))
        if self.scatter is not None:
            found.append(self.scatter)
        return tuple(c for c in (*found, *self.more) if c.standard_uncertainty > 0)

    @property
    def uses_timebase(self) -> bool:
        """Whether the timebase enters: not a ratio, not a complete burst, not a source locked to it."""
        burst = self.function == "totalise" and self.gate_s is None
        return not (self.locked or burst or self.function == "ratio")

    @property
    def corrected(self) -> float:
        """The reading without the known offset: a fast timebase reads frequency low and period high."""
        if self.timebase is None or not self.uses_timebase:
            return self.value
        rate = 1 + self.timebase.offset
        return self.value / rate if self.function in RISES_WITH_TIMEBASE else self.value * rate


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ReadingUncertainty(Result):
    """A reading with its budget, made by :func:`evenbeat.reading_uncertainty`.

    Attributes
    ----------
    measurement
        How it was taken.
    budget
        Of the value corrected for what is known of the timebase.
    improvements
        What would make it better, the most effective first: words and the standard uncertainty then.
    """

    measurement: Measurement = field(metadata=UNLISTED)
    budget: UncertaintyBudget = field(metadata=UNLISTED)
    improvements: tuple[tuple[str, float], ...]

    _also = ("reading", "corrected")

    @property
    def reading(self) -> float:
        """As displayed (the mean of several)."""
        return self.measurement.value

    @property
    def corrected(self) -> float:
        """The reading corrected for the expected offset of the timebase."""
        return self.budget.value

    @property
    def limited_by(self) -> str:
        """The largest contribution."""
        return self.budget.limited_by

    @property
    def estimate(self) -> Estimate:
        """The corrected value with its distribution."""
        return self.budget.estimate

    def _facts(self) -> Mapping[str, object]:
        of_budget = {name: value for name, value in self.budget._facts().items() if name != "value"}
        more = {"function": self.measurement.function, "improvements": dict(self.improvements)}
        return {**super()._facts(), **of_budget, **more}

    def _columns(self) -> tuple[Column, ...]:
        return self.budget._columns()

    def _table(self) -> Table | None:
        return self.budget._table()

    def _headline(self) -> str:
        return f"{self.measurement.function.capitalize().replace('_', ' ')}: {self.budget._headline()}"


def reading_uncertainty(
    function: Function,
    reading: float | Sequence[float],
    *,
    method: Method = "direct",
    gate_s: float | None = None,
    periods: int = 1,
    clock_tick_s: float | None = None,
    interpolator_s: float | None = None,
    least_digit: float | None = None,
    count_law: CountLaw = "triangular",
    trigger: Trigger | None = None,
    stop_trigger: Trigger | None = None,
    pulses_per_revolution: int = 1,
    timebase: Timebase | float | None = None,
    reference_uncertainty: float = 0.0,
    gate_uncertainty_s: float = 0.0,
    delay_mismatch_s: float = 0.0,
    locked: bool = False,
    more: Sequence[Contribution] = (),
) -> ReadingUncertainty:
    """Return what a reading is worth.

    Parameters
    ----------
    function
        ``frequency`` (Hz), ``period`` and ``time_interval`` (s), ``ratio``, ``totalise`` (counts) or
        ``rpm`` (revolutions per minute).
    reading
        As displayed, in that unit; or several readings of the same, whose mean counts and whose scatter
        becomes a contribution with one degree of freedom fewer than readings.
    method
        Of ``frequency`` and ``rpm``: ``direct`` counts input events in the gate, ``reciprocal`` times
        whole periods with the clock.
    gate_s
        Length of the gate, or measuring time; for ``totalise`` ``None`` is a complete burst.
    periods
        Averaged by ``period``; periods of the slower input counted by ``ratio``.
    clock_tick_s, interpolator_s
        Clock period that measured time is counted in; or the standard deviation of an interpolator for
        one edge.
    least_digit
        Of the display, in the unit of the reading.
    count_law
        ``triangular`` (free-running gate), ``rectangular`` (±1 taken as equally likely), ``bound`` (one
        whole count) or ``in_step`` (started by the input, rounded).
    trigger, stop_trigger
        Of the timed edges; the second defaults to the first. For ``ratio`` those of the slower input.
    pulses_per_revolution
        A whole number, for ``rpm``.
    timebase
        :class:`evenbeat.Timebase`, or a relative limit ± that a specification gives.
    reference_uncertainty
        Relative standard uncertainty of the reference that a calibration compares with.
    gate_uncertainty_s, delay_mismatch_s
        Half widths: opening time of an external gate, difference of the channels' delays.
    locked
        Whether the source runs from the counter's own timebase, or both from one reference.
    more
        Further contributions, in the unit of the reading.

    Returns
    -------
    ReadingUncertainty
        The value with its budget, what limits it and what would improve it.

    Raises
    ------
    InputError
        For an unknown function or law, a value that is not finite, or a missing gate or tick.

    Notes
    -----
    Resolution: √(1/6) of a count for a free-running gate, √(1/12) for one in step. Trigger: √2 noise over
    slew rate, two edges. Combination: JCGM 100:2008, 5.1.2, uncorrelated. The resolution is kept whole
    beside the scatter of several readings, since it averages only where gate phases are random. Not
    valid for signals whose noise exceeds the hysteresis of the input: such counts are wrong by integers.

    Examples
    --------
    >>> import evenbeat as eb
    >>> worth = eb.reading_uncertainty("frequency", 1e7, gate_s=1.0, clock_tick_s=1e-8, timebase=1e-9)
    >>> worth.limited_by
    'count'

    References
    ----------
    Formula: u_c² = Σ (c_i u_i)²; ν_eff = u_c⁴/Σ(u_i⁴/ν_i)
    Source: JCGM 100:2008 (GUM), 4, 5 and G.4
    Tests: tests/counter/test_reading.py
    """
    if function not in UNITS:
        msg = f"function is {function!r}; it must be one of {', '.join(UNITS)}"
        raise InputError(msg)
    values = np.atleast_1d(np.asarray(reading, dtype=float))
    if values.ndim != 1 or not len(values) or not np.all(np.isfinite(values)):
        msg = f"reading is {reading!r}; one finite number or a list of them is needed"
        raise InputError(msg)
    if method not in get_args(Method):
        msg = f"method is {method!r}; it must be direct or reciprocal"
        raise InputError(msg)
    need_positive(
        gate_s=gate_s, clock_tick_s=clock_tick_s, interpolator_s=interpolator_s, least_digit=least_digit
    )
    for name, whole in {"periods": periods, "pulses_per_revolution": pulses_per_revolution}.items():
        if whole != int(whole) or whole < 1:
            msg = f"{name} is {whole}; it must be a whole number, 1 or more"
            raise InputError(msg)
    scatter = None
    if len(values) > 1:
        deviation = float(np.std(values, ddof=1)) / math.sqrt(len(values))
        scatter = Contribution(
            name=SCATTER, standard_uncertainty=deviation, degrees_of_freedom=len(values) - 1
        )
    measurement = Measurement(
        function=function,
        value=float(np.mean(values)),
        method=method,
        gate_s=gate_s,
        periods=int(periods),
        clock_tick_s=clock_tick_s,
        interpolator_s=interpolator_s,
        least_digit=least_digit,
        count_law=count_law,
        trigger=trigger,
        stop_trigger=stop_trigger,
        pulses_per_revolution=int(pulses_per_revolution),
        timebase=Timebase.from_specification(timebase) if isinstance(timebase, float | int) else timebase,
        reference_uncertainty=reference_uncertainty,
        gate_uncertainty_s=gate_uncertainty_s,
        delay_mismatch_s=delay_mismatch_s,
        scatter=scatter,
        locked=locked,
        more=tuple(more),
    )
    found = _remarks(measurement, values)
    made = budget(measurement.corrected, UNITS[function], measurement.contributions(), found)
    return ReadingUncertainty(
        measurement=measurement,
        budget=made,
        improvements=_improvements(measurement, made.standard_uncertainty),
        findings=made.findings,
    )


def _remarks(measurement: Measurement, values: np.ndarray) -> tuple[Finding, ...]:
    found, timebase = [], measurement.timebase
    if len(values) > 1 and values.min() == values.max():
        sentence = (
            f"All {len(values)} readings are the same: source and timebase may be in step, or the display "
            "hides what changes; more readings do not reduce the uncertainty of the count."
        )
        found.append(caution("FROZEN_READINGS", sentence))
    if measurement.locked:
        sentence = (
            "Source and counter share one timebase, so its error cancels: this tests resolution, trigger and "
            "counting, not the timebase."
        )
        found.append(note("TIMEBASE_CANCELS", sentence))
    elif measurement.timebase is None and measurement.uses_timebase:
        sentence = "No timebase is stated, so its error is missing from this uncertainty."
        found.append(caution("TIMEBASE_NOT_STATED", sentence))
    unknown = measurement.clock_tick_s is None and measurement.interpolator_s is None
    if unknown and not measurement.counts_events:
        sentence = (
            "Neither clock tick nor interpolator is stated, so the resolution is that of the display alone."
        )
        found.append(caution("RESOLUTION_NOT_STATED", sentence))
    return merged(found, timebase.findings if timebase and measurement.uses_timebase else ())


def _improvements(now: Measurement, uncertainty: float) -> tuple[tuple[str, float], ...]:
    """Return each change that lowers the uncertainty to under seven tenths, best first."""
    offered: dict[str, dict[str, object]] = {}
    if now.gate_s is not None and now.function != "totalise":
        offered[f"a gate of {10 * now.gate_s:g} s"] = {"gate_s": 10 * now.gate_s}
    if now.function in ("period", "ratio"):
        offered[f"{100 * now.periods} periods"] = {"periods": 100 * now.periods}
    if now.function in ("frequency", "rpm") and now.method == "direct":
        tick = now.clock_tick_s or 1e-7
        timed = {"method": "reciprocal", "clock_tick_s": tick}
        offered[f"timing whole periods with a {tick * 1e9:g} ns clock"] = timed
    if now.timebase is not None and now.uses_timebase:
        offered["an external reference in place of the timebase"] = {"timebase": None}
    if now.trigger is not None and not now.counts_events:
        calmer = replace(now.trigger, noise_v=now.trigger.noise_v / 10)
        offered["a tenth of the noise, or ten times the slope, at the trigger"] = {"trigger": calmer}
    then = {
        words: math.hypot(*(c.standard_uncertainty for c in replace(now, **changes).contributions()))  # type: ignore[arg-type]
        for words, changes in offered.items()
    }
    useful = [(words, value) for words, value in then.items() if value < WORTH_SAYING * uncertainty]
    return tuple(sorted(useful, key=lambda pair: pair[1]))
