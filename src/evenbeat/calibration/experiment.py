"""Planning a log: how long, at which gate, against which reference, and what to do about temperature.

The least uncertainty of an aging rate is that of generalized least squares with the exact covariance of mean
frequencies, as in the clock model. For single noises it is C σ_y(T)/T with C = √12 (white FM), 2.40 (flicker
FM), √3 (random-walk FM), so that a drift is told at two standard uncertainties over a flicker floor after
T = 4.81 σ/|D| (Barnes, 15th PTTI 1983).

A temperature that runs with time looks like drift (2 K over 30 days with 2e-10/K: 1.3e-11 a day). Steps in
the order up, down, down, up have no slope, so that neither effect hides in the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import scipy
from scipy import special

from evenbeat.clock.covariance import (
    FLICKER_FM,
    RANDOM_WALK_FM,
    WHITE_FM,
    WHITE_PM,
    Spans,
    mean_frequency_covariance,
)
from evenbeat.clock.model import ClockModel
from evenbeat.clock.oscillator_classes import OscillatorClass, oscillator_class_named
from evenbeat.deviations.forms.terms import equivalent_degrees_of_freedom
from evenbeat.deviations.levels import NoiseFit
from evenbeat.deviations.sums.kernels import TermSum, one_thread
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.plain import Plain
from evenbeat.powerlaw import NoiseLevels, white_pm_deviation
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability, need_positive
from evenbeat.result import Column, Result, Table
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_YEAR, duration_text

LEARNT = 1.6
"""How much wider an aging rate's interval is where the noise is learnt from the same record (simulated)."""
RESOLVED = 2.0
"""Standard uncertainties from zero at which a drift counts as seen."""
BETTER = 3.0
"""How many times better than the clock counter and reference should be (common practice)."""
USUAL_TIMES_S = (1.0, 10.0, 100.0, 1e3, 1e4, 1e5)
BLOCKS = 100
SHORTEST_S, LONGEST_S = 10.0, 100 * SECONDS_PER_YEAR
FACTOR = 16
"""Averaging factor at which degrees of freedom are taken: they depend on record over averaging time only."""
MOST_AVERAGES = 1e5
ORDER = (1.0, -1.0, -1.0, 1.0)
DWELL_LAGS = 5.0
"""Lags to wait at each temperature: 99 % of a step has arrived by then."""
SHORTEST_DWELL_S = 2 * SECONDS_PER_HOUR


@dataclass(frozen=True, kw_only=True)
class Goal(Plain):
    """One thing to know, and how long a log that takes; ``inf`` where a hundred years do not suffice.

    To be safe: if the levels have to be learnt from the same log, or are at the bad end of the class.
    """

    wanted: str
    record_length_s: float
    safe_length_s: float


@dataclass(frozen=True, kw_only=True)
class TemperatureExperiment(Plain):
    """Steps of temperature up and down from the middle, so that no drift hides in them.

    Dwell at each of the four levels; the sensitivity follows with this standard uncertainty, the noise known.
    """

    step_k: float
    dwell_s: float
    duration_s: float
    sensitivity_uncertainty_per_k: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ExperimentPlan(Result):
    """A plan of a log, made by :func:`evenbeat.calibration.plan_experiment`.

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

    Returns
    -------
    ExperimentPlan
        Length of the log, and what counter and reference it needs.

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

    Examples
    --------
    >>> import evenbeat as eb
    >>> plan = eb.calibration.plan_experiment(eb.NoiseLevels(white_fm=1e-22), drift_uncertainty_per_day=1e-12)
    >>> plan
    <ExperimentPlan: log for 6.26 h>

    References
    ----------
    Formula: T = 4.81 σ/|D| for a flicker floor; √3 r/(√12 τ) for the counter
    Source: generalized least squares with the covariance of the noise (textbook); IEEE Std 1193
        (temperature)
    Tests: tests/calibration/test_experiment.py
    """
    typical, bad = _levels(noise)
    checked_probability(confidence, "confidence")
    need_positive(
        drift_uncertainty_per_day=drift_uncertainty_per_day,
        drift_per_day=None if drift_per_day is None else abs(drift_per_day),
        averaging_time_s=averaging_time_s,
        deviation_width=deviation_width,
        resolution_s=resolution_s,
        interval_s=interval_s,
        temperature_step_k=temperature_step_k,
        sensitivity_uncertainty_per_k=sensitivity_uncertainty_per_k,
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
        findings=tuple(_remarks(goals, times, clock, gate=gate, temperature=temperature, noise=noise)),
    )


def _levels(
    noise: NoiseLevels | NoiseFit | ClockModel | OscillatorClass | str,
) -> tuple[NoiseLevels, NoiseLevels]:
    """Return the levels to plan with, and worse ones to be safe."""
    if isinstance(noise, str | OscillatorClass):
        kind = oscillator_class_named(noise, "noise")
        walk_after_s = math.sqrt(math.prod(kind.walk_after_s))

        def of_class(short: float, floor: float) -> NoiseLevels:
            return NoiseLevels(
                white_fm=2 * short**2,
                flicker_fm=floor**2 / (2 * math.log(2)),
                random_walk_fm=3 * floor**2 / (2 * math.pi**2 * walk_after_s),
            )

        short, floor = kind.short_term, kind.floor_of_most
        return of_class(math.sqrt(math.prod(short)), math.sqrt(math.prod(floor))), of_class(
            short[1], floor[1]
        )
    if isinstance(noise, ClockModel):
        # medians, and to be safe means: what was hardly seen counts with what it may be
        known = noise._levels
        median, mean = ({a: level(a) for a in (0, -1, -2)} for level in (known.median, known.mean))
        return _with(median), _with(mean)
    levels = noise.levels if isinstance(noise, NoiseFit) else noise
    if not any(levels.by_exponent.values()):
        msg = "noise has no level above zero; state what the clock is expected to show"
        raise InputError(msg)
    # what was not seen may still be there, up to its limit
    limits: Mapping[int, float] = levels.upper_limits
    return levels, _with({a: max(level, limits.get(a, 0.0)) for a, level in levels.by_exponent.items()})


def _with(levels: Mapping[int, float]) -> NoiseLevels:
    names = {2: "white_pm", 1: "flicker_pm", 0: "white_fm", -1: "flicker_fm", -2: "random_walk_fm"}
    stated: dict[str, Any] = {names[exponent]: level for exponent, level in levels.items()}
    return NoiseLevels(**stated)


def _drift_goal(
    wanted: str, per_day: float, typical: NoiseLevels, bad: NoiseLevels, interval_s: float
) -> Goal:
    def length(levels: NoiseLevels, factor: float) -> float:
        return record_length(
            lambda record_s: (
                factor * float(coefficient_uncertainties(levels, record_s, interval_s=interval_s)[0])
            ),
            per_day / SECONDS_PER_DAY,
        )

    return Goal(wanted=wanted, record_length_s=length(typical, 1.0), safe_length_s=length(bad, LEARNT))


def _deviation_goal(
    time_s: float, width: float, levels: NoiseLevels, confidence: float, interval_s: float
) -> Goal:
    """Return the goal of a deviation; safe under the noise that has the fewest degrees of freedom."""

    def size(exponent: int) -> float:
        alone = _with({exponent: levels.by_exponent[exponent]})
        return float(alone.deviation(time_s, cutoff_hz=0.5 / interval_s))

    most = max((a for a, level in levels.by_exponent.items() if level > 0), key=size)
    length, safe = (averages_for(width, exponent, confidence) * time_s for exponent in (most, -2))
    return Goal(
        wanted=f"σ_y({duration_text(time_s)}) to ±{100 * width:g} % ({100 * confidence:g} %)",
        record_length_s=length,
        safe_length_s=max(length, safe),
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
) -> Iterator[Finding]:
    if isinstance(noise, str | OscillatorClass):
        sentence = (
            "The noise is what is usual for the class (common practice); a first day of log tells how good "
            "this one is: plan again with its fit."
        )
        yield note("NOISE_OF_CLASS", sentence)
    if any(goal.wanted.startswith(("aging", "whether")) for goal in goals):
        sentence = (
            f"'To be safe' allows for noise that has to be learnt from the same log ({LEARNT:g} times the "
            "interval) and may be worse than assumed; warm-up, gaps and temperature come on top."
        )
        yield note("NOISE_LEARNT", sentence)
    if math.isfinite(gate):
        sentence = (
            f"Gate or average at least {duration_text(gate)}: from there on the counter is {BETTER:g} times "
            "better than the clock; use readings without dead time."
        )
        yield note("GATE", sentence, gate_s=gate)
    elif math.isinf(gate):
        sentence = "At no gate up to 11 days is this counter good enough for the clock: use a finer one."
        yield caution("COUNTER_TOO_COARSE", sentence)
    lowest = int(np.argmin(clock))
    sentence = (
        f"The reference should be {BETTER:g} times better than the clock at every averaging time (below "
        f"{clock[lowest] / BETTER:.1e} at {duration_text(float(times[lowest]))}), or deviations come out "
        f"{100 * (math.sqrt(1 + BETTER**-2) - 1):.0f} % and more too large; its own drift counts as the "
        "clock's."
    )
    yield note("REFERENCE_NEEDED", sentence)
    if temperature is not None:
        sentence = (
            f"Change the temperature on purpose by {temperature.step_k:g} K: up, down, down, up, "
            f"{duration_text(temperature.dwell_s)} at each ({duration_text(temperature.duration_s)} in all); "
            f"the sensitivity is then known to {temperature.sensitivity_uncertainty_per_k:.1e}/K."
        )
        yield note("TEMPERATURE_STEPS", sentence)


def coefficient_uncertainties(
    levels: NoiseLevels, record_s: float, *, interval_s: float = 1.0, columns: FloatArray | None = None
) -> FloatArray:
    """Return standard uncertainties at best of the drift per second and of further regressors.

    ``columns``, shape (100, q), are their means over a hundredth of the record each. The noise is known;
    white PM, which alone depends on the spacing of readings, counts as with a hundred averages.
    """
    middles, contrasts, by_exponent = _unit()
    inner = np.zeros((BLOCKS - 1, BLOCKS - 1))
    for exponent, level in (
        (WHITE_FM, levels.white_fm / record_s),
        (FLICKER_FM, levels.flicker_fm),
        (RANDOM_WALK_FM, levels.random_walk_fm * record_s),
        (WHITE_PM, (white_pm_deviation(levels.white_pm, interval_s) / record_s) ** 2),
    ):
        if level > 0:
            inner += level * by_exponent[exponent]
    design = middles[:, np.newaxis]
    if columns is not None:
        design = np.column_stack([design, columns])
    reduced = contrasts.T @ design
    with one_thread():
        inverse = np.linalg.inv(reduced.T @ np.linalg.solve(inner, reduced))
    spread = np.sqrt(np.diag(inverse))
    spread[0] /= record_s
    return np.asarray(spread)


@lru_cache(maxsize=1)
def _unit() -> tuple[FloatArray, FloatArray, Mapping[int, FloatArray]]:
    """Return middles of the blocks of a record of one, contrasts free of the mean, and their covariances."""
    edges = np.linspace(0, 1, BLOCKS + 1)
    spans = Spans(start=edges[:-1], stop=edges[1:])
    contrasts = np.linalg.qr(np.column_stack([np.ones(BLOCKS), np.eye(BLOCKS)[:, 1:]]))[0][:, 1:]
    found = {
        exponent: contrasts.T @ mean_frequency_covariance(exponent, spans, spans) @ contrasts
        for exponent in (WHITE_FM, FLICKER_FM, RANDOM_WALK_FM, WHITE_PM)
    }
    return spans.middle, contrasts, found


def record_length(uncertainty: Callable[[float], float], wanted: float) -> float:
    """Return the shortest record at which a falling uncertainty is as wanted; inf past 100 years."""
    low, high = math.log(SHORTEST_S), math.log(LONGEST_S)
    if uncertainty(LONGEST_S) > wanted:
        return math.inf
    if uncertainty(SHORTEST_S) <= wanted:
        return SHORTEST_S
    return math.exp(
        scipy.optimize.brentq(lambda log: uncertainty(math.exp(log)) / wanted - 1, low, high, rtol=1e-12)
    )


def deviation_half_width(averages: float, exponent: int, confidence: float) -> float:
    """Return half the width of the interval of an overlapping Allan deviation, relative to the deviation.

    ``averages`` is the length of the record over the averaging time, ``exponent`` α of the noise there.
    """
    count = max(int(averages * FACTOR) - 2 * FACTOR + 1, 0)
    if count < 1:
        return math.inf
    terms = TermSum(total=1.0, possible=count, terms=count)
    edf = equivalent_degrees_of_freedom(
        terms, FACTOR, exponent=exponent, order=2, averaged=False, overlapping=True
    )
    tail = 0.5 * (1 - confidence)
    low, high = (2 * special.gammaincinv(0.5 * edf, p) / edf for p in (tail, 1 - tail))
    return 0.5 * (1 / math.sqrt(low) - 1 / math.sqrt(high))


def averages_for(width: float, exponent: int, confidence: float) -> float:
    """Return how many averaging times a record must hold for this relative half width; inf if too many."""

    def wide(averages: float) -> bool:
        return deviation_half_width(averages, exponent, confidence) > width

    low, high = 2.0, 3.0
    while wide(high):
        low, high = high, 2 * high
        if high > MOST_AVERAGES:
            return math.inf
    while high - low > 1 / FACTOR:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if wide(middle) else (low, middle)
    return high


def plan_temperature(
    levels: NoiseLevels, *, step_k: float, lag_s: float, wanted_per_k: float | None, interval_s: float
) -> TemperatureExperiment:
    """Return the steps that give a sensitivity to the uncertainty wanted, or the shortest that settle."""
    pattern = np.repeat(ORDER, BLOCKS // len(ORDER))

    def uncertainty(duration_s: float) -> float:
        column = (step_k * pattern)[:, np.newaxis]
        return float(coefficient_uncertainties(levels, duration_s, interval_s=interval_s, columns=column)[1])

    dwell = max(DWELL_LAGS * lag_s, SHORTEST_DWELL_S)
    if wanted_per_k is not None and uncertainty(len(ORDER) * dwell) > wanted_per_k:
        duration = record_length(uncertainty, wanted_per_k)
        if math.isinf(duration):
            msg = (
                f"steps of {step_k:g} K cannot give {wanted_per_k:g}/K with this noise; make them larger "
                f"than {step_k * uncertainty(len(ORDER) * dwell) / wanted_per_k:.2g} K"
            )
            raise InputError(msg)
        dwell = duration / len(ORDER)
    return TemperatureExperiment(
        step_k=step_k,
        dwell_s=dwell,
        duration_s=len(ORDER) * dwell,
        sensitivity_uncertainty_per_k=uncertainty(len(ORDER) * dwell),
    )
