"""Planning a log: how long, at which gate, against which reference, and what to do about temperature."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from evenbeat.calibration.experiment_lengths import averages_for, drift_uncertainty, record_length
from evenbeat.calibration.temperature_experiment import TemperatureExperiment, plan_temperature
from evenbeat.clock.model import ClockModel
from evenbeat.clock.oscillator_classes import OscillatorClass, oscillator_class_named
from evenbeat.deviations.levels.noise_fit import NoiseFit
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.plain import Plain
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.result import Column, Result, Table
from evenbeat.units import SECONDS_PER_DAY, duration_text

LEARNT = 1.6
"""How much wider an aging rate's interval is where the noise is learnt from the same record (simulated)."""
RESOLVED = 2.0
"""Standard uncertainties from zero at which a drift counts as seen."""
BETTER = 3.0
"""How many times better than the clock counter and reference should be (common practice)."""
USUAL_TIMES_S = (1.0, 10.0, 100.0, 1e3, 1e4, 1e5)


@dataclass(frozen=True, kw_only=True)
class Goal(Plain):
    """One thing to know, and how long a log that takes.

    Attributes
    ----------
    wanted
        In words.
    record_length_s
        If the noise levels are as assumed; ``inf`` where a hundred years do not suffice.
    safe_length_s
        If they have to be learnt from the same log, or are at the bad end of the class.
    """

    wanted: str
    record_length_s: float
    safe_length_s: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ExperimentPlan(Result):
    """A plan of a log, made by :func:`evenbeat.plan_experiment`.

    Attributes
    ----------
    levels
        Noise that the plan assumes.
    goals
        What is wanted, and how long it takes.
    averaging_time_s, clock, allowed, counter
        Shape (m,): expected Allan deviation of the clock, the most that counter and reference may have, and
        what the counter has (NaN where its resolution was not stated).
    gate_s
        Shortest gate or averaging time at which the counter is three times better than the clock; NaN where
        its resolution was not stated, ``inf`` where none is.
    temperature
        Steps of temperature, where they were asked for.
    """

    levels: NoiseLevels
    goals: tuple[Goal, ...]
    averaging_time_s: FloatArray
    clock: FloatArray
    allowed: FloatArray
    counter: FloatArray
    gate_s: float
    temperature: TemperatureExperiment | None

    @property
    def record_length_s(self) -> float:
        """The longest of what the goals need, to be safe; 0 without a goal."""
        return max((goal.safe_length_s for goal in self.goals), default=0.0)

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("averaging_time_s", self.averaging_time_s, "averaging time", duration_text),
            Column("clock", self.clock, "clock", ".1e"),
            Column("counter_or_reference_at_most", self.allowed, "counter, reference", ".1e"),
            Column("counter", self.counter),
        )

    def _table(self) -> Table | None:
        if not self.goals:
            return super()._table()
        return self._table_of(
            (
                Column("", [goal.wanted for goal in self.goals], "to know"),
                Column("", [goal.record_length_s for goal in self.goals], "at least", _length),
                Column("", [goal.safe_length_s for goal in self.goals], "to be safe", _length),
            )
        )

    def _headline(self) -> str:
        if not self.goals:
            return "ExperimentPlan: no goal was stated; what counter and reference may have is below"
        return f"ExperimentPlan: log for {_length(self.record_length_s)}"


def _length(seconds: float) -> str:
    return "no log suffices" if math.isinf(seconds) else duration_text(seconds)


def plan_experiment(
    noise: NoiseLevels | NoiseFit | ClockModel | OscillatorClass | str,
    *,
    drift_uncertainty_per_day: float | None = None,
    drift_per_day: float | None = None,
    averaging_time_s: float | None = None,
    deviation_width: float = 0.2,
    resolution_s: float | None = None,
    interval_s: float = 1.0,
    temperature_step_k: float | None = None,
    temperature_lag_s: float = 0.0,
    sensitivity_uncertainty_per_k: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> ExperimentPlan:
    """Plan a log: how long it must be, and what counter and reference it needs.

    Parameters
    ----------
    noise
        Levels, a fit of them, a clock model, or a class of oscillators (``"oven"``): then the middle of what
        is usual, and its bad end to be safe.
    drift_uncertainty_per_day
        Standard uncertainty wanted of the aging rate.
    drift_per_day
        An aging rate to be told from none at two standard uncertainties; alternative to the former.
    averaging_time_s, deviation_width
        An Allan deviation wanted at this averaging time with an interval of ± this share of it.
    resolution_s
        Resolution of the counter for one reading of a time interval: gives the shortest gate.
    interval_s
        Spacing of readings, which matters to white PM only.
    temperature_step_k, temperature_lag_s, sensitivity_uncertainty_per_k
        Steps of temperature that tell its influence from aging: their size, how slowly the clock follows, and
        the standard uncertainty wanted of the sensitivity.
    confidence
        Of the interval of the deviation.

    Raises
    ------
    InputError
        If a value is not positive or the noise is none.

    Notes
    -----
    Uncertainty of the aging rate by generalized least squares with the exact covariance of the noise: over a
    flicker floor σ a drift D is seen after T = 4.81 σ/|D|. Where the levels have to be learnt from the same
    record, intervals are about 1.6 times as wide. Counter: rounding of both edges, √3 r/(√12 τ). Neither
    warm-up, nor gaps, nor temperature are in these lengths.

    References
    ----------
    Formula: T = 4.81 σ/|D| for a flicker floor; √3 r/(√12 τ) for the counter
    Source: generalized least squares with the covariance of the noise (textbook); IEEE Std 1193
        (temperature)
    Tests: tests/calibration/test_experiment.py
    """
    typical, bad = _levels(noise)
    checked_probability(confidence, "confidence")
    _check(
        drift_uncertainty_per_day=drift_uncertainty_per_day,
        drift_per_day=None if drift_per_day is None else abs(drift_per_day),
        averaging_time_s=averaging_time_s,
        deviation_width=deviation_width,
        resolution_s=resolution_s,
        interval_s=interval_s,
    )
    goals = []
    if drift_uncertainty_per_day is not None:
        wanted = f"aging to {drift_uncertainty_per_day:.1e} per day (k = 1)"
        goals.append(_drift_goal(wanted, drift_uncertainty_per_day, typical, bad, interval_s))
    if drift_per_day is not None:
        wanted = f"whether it ages by {abs(drift_per_day):.1e} per day"
        goals.append(_drift_goal(wanted, abs(drift_per_day) / RESOLVED, typical, bad, interval_s))
    if averaging_time_s is not None:
        goals.append(_deviation_goal(averaging_time_s, deviation_width, typical, confidence, interval_s))
    times = np.array(sorted({*USUAL_TIMES_S, *([averaging_time_s] if averaging_time_s else [])}))
    clock = typical.deviation(times, cutoff_hz=0.5 / interval_s)
    counter = np.full(len(times), np.nan) if resolution_s is None else resolution_s / (2 * times)
    temperature = None
    if temperature_step_k is not None:
        temperature = plan_temperature(
            typical,
            step_k=temperature_step_k,
            lag_s=temperature_lag_s,
            wanted_per_k=sensitivity_uncertainty_per_k,
            interval_s=interval_s,
        )
    gate = math.nan if resolution_s is None else _gate(typical, resolution_s, interval_s)
    return ExperimentPlan(
        levels=typical,
        goals=tuple(goals),
        averaging_time_s=times,
        clock=clock,
        allowed=clock / BETTER,
        counter=counter,
        gate_s=gate,
        temperature=temperature,
        findings=_remarks(goals, times, clock, gate=gate, temperature=temperature, noise=noise),
    )


def reference_bias(ratio: float) -> float:
    """Return by which factor a deviation is too large if the reference is so many times better, ignored.

    √(1 + 1/ratio²): 1.118 at 2, 1.054 at 3, 1.020 at 5, 1.005 at 10.
    """
    return math.sqrt(1 + 1 / ratio**2)


def _check(**values: float | None) -> None:
    for name, value in values.items():
        if value is not None and not (value > 0 and math.isfinite(value)):
            msg = f"{name} is {value}; it must be positive"
            raise InputError(msg)


def _levels(
    noise: NoiseLevels | NoiseFit | ClockModel | OscillatorClass | str,
) -> tuple[NoiseLevels, NoiseLevels]:
    """Return the levels to plan with, and worse ones to be safe."""
    if isinstance(noise, str | OscillatorClass):
        kind = oscillator_class_named(noise, "noise")
        middle, walk = (math.sqrt(low * high) for low, high in (kind.floor_of_most, kind.walk_after_s))
        short = math.sqrt(kind.short_term[0] * kind.short_term[1])
        return _of_class(short, middle, walk), _of_class(kind.short_term[1], kind.floor_of_most[1], walk)
    levels = noise
    if isinstance(levels, ClockModel):
        # medians, and to be safe means: what was hardly seen counts with what it may be
        known = levels._levels
        return (
            _with({exponent: known.median(exponent) for exponent in (0, -1, -2)}),
            _with({exponent: known.mean(exponent) for exponent in (0, -1, -2)}),
        )
    if isinstance(levels, NoiseFit):
        levels = levels.levels
    if not any(levels.by_exponent.values()):
        msg = "noise has no level above zero; state what the clock is expected to show"
        raise InputError(msg)
    # what was not seen may still be there, up to its limit
    limits: Mapping[int, float] = levels.upper_limits
    return levels, _with(
        {exponent: max(level, limits.get(exponent, 0.0)) for exponent, level in levels.by_exponent.items()}
    )


def _with(levels: Mapping[int, float]) -> NoiseLevels:
    return NoiseLevels(
        white_pm=levels.get(2, 0.0),
        flicker_pm=levels.get(1, 0.0),
        white_fm=levels.get(0, 0.0),
        flicker_fm=levels.get(-1, 0.0),
        random_walk_fm=levels.get(-2, 0.0),
    )


def _of_class(short: float, floor: float, walk_after_s: float) -> NoiseLevels:
    return NoiseLevels(
        white_fm=2 * short**2,
        flicker_fm=floor**2 / (2 * math.log(2)),
        random_walk_fm=3 * floor**2 / (2 * math.pi**2 * walk_after_s),
    )


def _drift_goal(
    wanted: str, per_day: float, typical: NoiseLevels, bad: NoiseLevels, interval_s: float
) -> Goal:
    target = per_day / SECONDS_PER_DAY

    def length(levels: NoiseLevels, factor: float) -> float:
        return record_length(
            lambda record_s: factor * drift_uncertainty(levels, record_s, interval_s=interval_s), target
        )

    return Goal(wanted=wanted, record_length_s=length(typical, 1.0), safe_length_s=length(bad, LEARNT))


def _deviation_goal(
    time_s: float, width: float, levels: NoiseLevels, confidence: float, interval_s: float
) -> Goal:
    """Return the goal of a deviation; safe under the noise that has the fewest degrees of freedom."""
    parts = {
        exponent: float(_with({exponent: level}).deviation(time_s, cutoff_hz=0.5 / interval_s))
        for exponent, level in levels.by_exponent.items()
        if level > 0
    }
    most = max(parts, key=lambda exponent: parts[exponent])
    lengths = [averages_for(width, exponent, confidence) * time_s for exponent in (most, -2)]
    return Goal(
        wanted=f"σ_y({duration_text(time_s)}) to ±{100 * width:g} % ({100 * confidence:g} %)",
        record_length_s=lengths[0],
        safe_length_s=max(lengths),
    )


def _gate(levels: NoiseLevels, resolution_s: float, interval_s: float) -> float:
    times = np.geomspace(1e-3, 1e6, 901)
    cutoff = 0.5 / min(interval_s, float(times[0]))
    fine = resolution_s / (2 * times) <= levels.deviation(times, cutoff_hz=cutoff) / BETTER
    return float(times[int(np.argmax(fine))]) if fine.any() else math.inf


def _remarks(
    goals: Sequence[Goal],
    times: FloatArray,
    clock: FloatArray,
    *,
    gate: float,
    temperature: TemperatureExperiment | None,
    noise: object,
) -> tuple[Finding, ...]:
    found = []
    if isinstance(noise, str | OscillatorClass):
        sentence = (
            "The noise is what is usual for the class (common practice); a first day of log tells how good "
            "this one is: plan again with its fit."
        )
        found.append(Finding(code="NOISE_OF_CLASS", severity="note", sentence=sentence))
    if any(goal.wanted.startswith(("aging", "whether")) for goal in goals):
        sentence = (
            f"'To be safe' allows for noise that has to be learnt from the same log ({LEARNT:g} times the "
            "interval) and may be worse than assumed; warm-up, gaps and temperature come on top."
        )
        found.append(Finding(code="NOISE_LEARNT", severity="note", sentence=sentence))
    if math.isfinite(gate):
        sentence = (
            f"Gate or average at least {duration_text(gate)}: from there on the counter is {BETTER:g} times "
            "better than the clock; use readings without dead time."
        )
        found.append(Finding(code="GATE", severity="note", sentence=sentence, values={"gate_s": gate}))
    elif math.isinf(gate):
        sentence = "At no gate up to 11 days is this counter good enough for the clock: use a finer one."
        found.append(Finding(code="COUNTER_TOO_COARSE", severity="caution", sentence=sentence))
    lowest = int(np.argmin(clock))
    sentence = (
        f"The reference should be {BETTER:g} times better than the clock at every averaging time (below "
        f"{clock[lowest] / BETTER:.1e} at {duration_text(float(times[lowest]))}), or deviations come out "
        f"{100 * (reference_bias(BETTER) - 1):.0f} % and more too large; its own drift counts as the clock's."
    )
    found.append(Finding(code="REFERENCE_NEEDED", severity="note", sentence=sentence))
    if temperature is not None:
        found.append(Finding(code="TEMPERATURE_STEPS", severity="note", sentence=temperature.sentence))
    return tuple(found)
