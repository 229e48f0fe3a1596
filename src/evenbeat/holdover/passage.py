"""The chance that a clock in holdover has never left its limit: first passage, by simulation.

Being within the limit at a moment and never having left it until then are two questions: a random walk
that is within with 95 % at the end has stayed within throughout with 90 %. Paths are drawn from the
model's joint distribution at many moments; between two of them white FM makes a Brownian bridge, whose
chance of touching a limit is known in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.clock.environment import Course
from evenbeat.clock.forecaster import (
    PATHS,
    Forecaster,
    checked_forecaster,
    checked_paths,
    first_exit,
    moments,
    never_left,
)
from evenbeat.errors import InputError
from evenbeat.findings import merged
from evenbeat.holdover.forecast import with_start
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, FloatArray, checked_probability, need_positive
from evenbeat.result import Column, Result
from evenbeat.units import duration_text, percent, time_text


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class LimitPassage(Result):
    """How likely a clock is within a limit at each moment, and never having left it until then.

    Attributes
    ----------
    duration_s
        Shape (m,): time since the reference was lost.
    within, never_left
        Probabilities, shape (m,): at that moment, and at every moment until then.
    never_left_standard_error
        Of the simulation, shape (m,).
    corrected
        Whether the forecast is applied as a correction, so that only its error counts.
    """

    duration_s: FloatArray
    within: FloatArray
    never_left: FloatArray
    never_left_standard_error: FloatArray
    time_error_limit_s: float
    confidence: float
    corrected: bool
    paths: int

    _also = ("time_within_s", "time_never_left_s")
    _longest_table = 12

    @property
    def time_within_s(self) -> float:
        """How long the clock is within the limit with the confidence at each moment; ``inf`` if longer."""
        return _last_at(self.duration_s, self.within, self.confidence)

    @property
    def time_never_left_s(self) -> float:
        """How long it has never left the limit with the confidence; ``inf`` if longer than simulated."""
        return _last_at(self.duration_s, self.never_left, self.confidence)

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("duration_s", self.duration_s, "after", duration_text),
            Column("within", self.within, "within", ".4f"),
            Column("never_left", self.never_left, "never left", ".4f"),
            Column("never_left_standard_error", self.never_left_standard_error, "std. error", ".4f"),
        )

    def _headline(self) -> str:
        limit = time_text(self.time_error_limit_s)
        kind = "corrected" if self.corrected else "uncorrected"
        return (
            f"LimitPassage, {kind}: within ±{limit} at {percent(self.confidence, None)} "
            f"{_lasting(self.time_within_s)}, never having left it {_lasting(self.time_never_left_s)}"
        )


def _lasting(time_s: float) -> str:
    if math.isinf(time_s):
        return "throughout"
    return "not even at the start" if time_s == 0 else f"for {duration_text(time_s)}"


def _last_at(times: FloatArray, probability: FloatArray, asked: float) -> float:
    """Return the first time at which a probability falls below what is asked; zero if at once."""
    end = first_exit(times, probability, asked)
    return 0.0 if math.isnan(end) else end


def limit_passage(
    model: Forecaster,
    time_error_limit_s: float,
    *,
    until_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
    corrected: bool = False,
    starting_time_error: Estimate | None = None,
    environment: Mapping[str, Course] | None = None,
    paths: int = PATHS,
    seed: int = 0,
) -> LimitPassage:
    """Simulate how long a clock in holdover stays within a limit without ever leaving it.

    Parameters
    ----------
    model
        A clock model, calibration history's model or stated drift.
    time_error_limit_s
        Limit of the size of the time error.
    until_s
        How long to simulate; one record length by default.
    corrected
        Whether the forecast is applied as a correction.
    starting_time_error, environment
        As for :func:`evenbeat.predict_holdover`.
    paths
        Simulated futures: the standard error of a probability near 95 % is 0.0034 for 4000.
    confidence, seed
        Probability for which the time is sought, and seed of the simulation.

    Returns
    -------
    LimitPassage
        The time at which each share of the simulated clocks has left, with the times themselves.

    Raises
    ------
    InputError
        If the limit or the duration is not positive, or fewer than 100 paths are asked for.

    Notes
    -----
    Every path draws its noise levels and aging law from the posterior. Temperature to come and the
    display are one unknown per path, which grows as their standard uncertainty does: the worst they can
    do to a clock that stays alone. Touching a limit between moments: exp(-2ab/(qΔt)) for distances a and
    b from it and q = h₀/2 (Brownian bridge; Karatzas & Shreve 1991, 4.3.40). Flicker and random-walk FM
    hardly move between neighbouring moments.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> model = eb.fit_clock(record)
    >>> passage = eb.limit_passage(model, 1e-6, paths=200)
    >>> passage.time_never_left_s > 0
    True

    References
    ----------
    Formula: P(|x(s)| ≤ limit for all s ≤ t)
    Source: first passage by simulation, Brownian bridge between moments (textbook)
    Tests: tests/holdover/test_passage.py
    """
    need_positive(time_error_limit_s=time_error_limit_s, until_s=until_s)
    checked_probability(confidence, "confidence")
    grounds = checked_forecaster(model).grounds
    until = grounds.reach_s if until_s is None else until_s
    if math.isinf(until):
        msg = (
            "until_s is not given, and a stated drift has no record whose length could stand for it; give it"
        )
        raise InputError(msg)
    times = moments(1e-5 * until, until)
    forecast = with_start(model.time_error(times, environment=environment), starting_time_error)
    distribution = forecast.distribution
    shift = distribution.mean if corrected else np.zeros(len(times))
    within = distribution.shifted(-shift).probability_within(time_error_limit_s)
    rng = np.random.default_rng(seed)
    chance, error = never_left(
        model.paths(times, checked_paths(paths), rng, of="time_error", environment=environment),
        times,
        (-time_error_limit_s, time_error_limit_s),
        within,
        rng,
        begun=starting_time_error,
        corrected_by=shift,
    )
    return LimitPassage(
        duration_s=times,
        within=within,
        never_left=chance,
        never_left_standard_error=error,
        time_error_limit_s=time_error_limit_s,
        confidence=confidence,
        corrected=corrected,
        paths=paths,
        findings=merged(forecast.findings),
    )
