"""Holdover: how wrong the time kept by a clock becomes once its reference is gone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from evenbeat.clock.backtest import stop_unless_trusted
from evenbeat.clock.environment import Course
from evenbeat.clock.forecaster import Forecast, Forecaster, VarianceTerms, checked_forecaster, first_exit
from evenbeat.clock.tested import Backtest
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, merged
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, FloatArray, checked_probability, need_positive
from evenbeat.result import Column, Result
from evenbeat.units import (
    SECONDS_PER_DAY,
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    SECONDS_PER_WEEK,
    SECONDS_PER_YEAR,
    duration_text,
    time_text,
)

USUAL_DURATIONS_S = (SECONDS_PER_HOUR, SECONDS_PER_DAY, SECONDS_PER_WEEK)
MINUTE_TO_YEAR_S = (
    SECONDS_PER_MINUTE,
    SECONDS_PER_HOUR,
    SECONDS_PER_DAY,
    SECONDS_PER_WEEK,
    30 * SECONDS_PER_DAY,
    SECONDS_PER_YEAR,
)
"""Durations of a complete budget."""
SEARCH_POINTS = 240
SEARCH_FROM, SEARCH_FROM_S, SEARCH_TO_S = 1e-6, 1.0, 10 * SECONDS_PER_YEAR
"""Where the end of a limit is looked for: from a second, or a millionth of the reach, to ten years."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HoldoverForecast(Result):
    """Time error after the end of the record, with its budget.

    Attributes
    ----------
    forecast
        Time error gained after each duration if nothing is corrected.
    time_error_limit_s, confidence
        The limit asked about and the probability of staying within it, or ``None``.
    time_to_limit_s
        How long the uncorrected clock stays within the limit with that probability at every moment;
        NaN where no limit was given, ``inf`` where it outlasts what the forecast rests on (a record
        length; twice the longest interval between calibrations; ten years of what was stated).
    time_to_limit_corrected_s
        The same if the forecast itself is applied as a correction, so that only its error remains.
    """

    forecast: Forecast
    time_error_limit_s: float | None = None
    confidence: float = DEFAULT_CONFIDENCE
    time_to_limit_s: float = math.nan
    time_to_limit_corrected_s: float = math.nan

    @property
    def duration_s(self) -> FloatArray:
        """Shape (m,): time since the reference was lost."""
        return self.forecast.horizon_s

    @property
    def terms(self) -> VarianceTerms:
        """Its variance by cause."""
        return self.forecast.terms

    @property
    def offset_alone(self) -> FloatArray:
        """Shape (m,): constant fractional offset that by itself uses up the limit by then, ``limit / t``."""
        return self._limit / self.duration_s

    @property
    def aging_rate_alone(self) -> FloatArray:
        """Shape (m,): drift per second, from an offset of zero, that does so, ``2 limit / t²``."""
        return 2 * self._limit / self.duration_s**2

    @property
    def _limit(self) -> float:
        if self.time_error_limit_s is None:
            msg = "no time_error_limit_s was given that an offset or a drift could use up"
            raise InputError(msg)
        return self.time_error_limit_s

    def corrected_half_width(self, confidence: float = DEFAULT_CONFIDENCE) -> FloatArray:
        """Return half the width of the band, shape (m,): the error left if the forecast is corrected for."""
        low, high = self.forecast.interval(confidence)
        return 0.5 * (high - low)

    def _facts(self) -> Mapping[str, object]:
        limited = self.time_error_limit_s is not None
        return {
            "time_error_limit_s": self.time_error_limit_s,
            "confidence": self.confidence,
            "time_to_limit_s": _or_longer(self.time_to_limit_s),
            "time_to_limit_corrected_s": _or_longer(self.time_to_limit_corrected_s),
            "time_error_by_law_s": self.forecast.laws,
            "offset_that_alone_uses_up_the_limit": self.offset_alone if limited else None,
            "aging_rate_per_s_that_alone_uses_up_the_limit": self.aging_rate_alone if limited else None,
        }

    def _columns(self) -> tuple[Column, ...]:
        low, high = self.forecast.interval(self.confidence)
        terms = {name: np.sqrt(variance) for name, variance in self.terms.by_term.items()}
        largest = np.array(list(terms))[np.argmax([*terms.values()], axis=0)]
        return (
            Column("duration_s", self.duration_s, "after", duration_text),
            Column("time_error_s", self.forecast.mean, "time error", time_text),
            Column("standard_uncertainty_s", self.forecast.standard_uncertainty),
            Column("low_s", low, "low", time_text),
            Column("high_s", high, "high", time_text),
            Column("", 0.5 * (high - low), "if corrected", lambda half: f"±{time_text(half)}"),
            Column("", largest, "largest term"),
            *(Column(f"{name} [s]", u) for name, u in terms.items()),
        )

    def _headline(self) -> str:
        last = len(self.forecast) - 1
        return (
            f"Holdover: {time_text(float(self.forecast.mean[last]))} after "
            f"{duration_text(float(self.duration_s[last]))} if nothing is corrected"
        )


def predict_holdover(
    source: Forecaster,
    duration_s: npt.ArrayLike = USUAL_DURATIONS_S,
    *,
    time_error_limit_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
    starting_time_error: Estimate | None = None,
    environment: Mapping[str, Course] | None = None,
    backtest: Backtest | None = None,
    even_if_untested: bool = False,
) -> HoldoverForecast:
    """Predict the time error of a clock that loses its reference now.

    Parameters
    ----------
    source
        A clock model (from the end of its record on), a model of calibrations (from the last of them), or a
        :class:`evenbeat.StatedDrift`.
    duration_s
        Shape (m,): times after that, in seconds; ``MINUTE_TO_YEAR_S`` of this module
        for a complete budget.
    time_error_limit_s
        Asks how long the clock stays within ± this limit.
    confidence
        Probability of being within the limit at any moment until then. Of never having left it until
        then: :func:`evenbeat.limit_passage`.
    starting_time_error
        Time error in seconds when the reference is lost; zero and certain by default.
    environment
        Of a clock model: covariates of the fit to their courses to come: steady, a daily wave, a step or
        given values. Without one the covariate is at its mean, its daily swing and residual in the
        uncertainty.
    backtest
        Of the same record: what it did not test is said.
    even_if_untested
        Answer also where the model's forecasts within its own record failed.

    Returns
    -------
    HoldoverForecast
        Time error after each duration with its interval and what it is made of.

    Raises
    ------
    InputError
        If a duration or the limit is not positive, or the confidence is not a probability. If the model's
        forecasts of its own past failed, or the clock changed.

    Notes
    -----
    The mean is what the measured offset and aging make of an uncorrected clock. The reference counts
    as perfect unless the model was fitted with ``reference_offset``, which makes a term of its own.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> model = eb.fit_clock(record)
    >>> holdover = eb.predict_holdover(model, [3600.0])
    >>> holdover.forecast.mean.shape
    (1,)

    References
    ----------
    Formula: x(t) = x₀ + y₀t + Dt²/2; σ_x² + h₀t/2 + 2h₋₁t² + (2π²/3)h₋₂t³
    Source: NIST Technical Note 1337 (1990); Allan 1987 (optimum predictors)
    Tests: tests/holdover/test_passage.py
    """
    checked_forecaster(source)
    if source.grounds.log is not None:
        stop_unless_trusted(source.grounds.log, even_if_untested=even_if_untested)
    durations = checked_durations(duration_s)
    said = holdover_of(
        lambda elapsed: source.time_error(elapsed, environment=environment),
        durations,
        starting_time_error=starting_time_error,
        time_error_limit_s=time_error_limit_s,
        reach_s=source.grounds.reach_s,
        confidence=confidence,
    )
    return replace(said, findings=merged(said.findings, _untested(durations, backtest)))


def holdover_of(
    time_error: Callable[[FloatArray], Forecast],
    durations: FloatArray,
    *,
    starting_time_error: Estimate | None = None,
    time_error_limit_s: float | None,
    reach_s: float,
    confidence: float,
) -> HoldoverForecast:
    """Return the budget of a time error, and how long it stays within a limit: to its reach, or ten years."""
    checked_probability(confidence, "confidence")
    need_positive(time_error_limit_s=time_error_limit_s)

    def begun(elapsed: FloatArray) -> Forecast:
        return with_start(time_error(elapsed), starting_time_error)

    def plain(elapsed: FloatArray) -> FloatArray:
        return begun(elapsed).probability_within(limit)

    def corrected(elapsed: FloatArray) -> FloatArray:
        after = begun(elapsed)
        return after.distribution.shifted(-after.mean).probability_within(limit)

    ends = [math.nan, math.nan]
    if time_error_limit_s is not None:
        limit = time_error_limit_s
        last = min(reach_s, SEARCH_TO_S)
        times = np.geomspace(min(SEARCH_FROM_S, SEARCH_FROM * last), last, SEARCH_POINTS)
        ends = [
            first_exit(times, probability(times), confidence, between=probability)
            for probability in (plain, corrected)
        ]
        ends = [0.0 if math.isnan(end) else end for end in ends]
    forecast = begun(durations)
    return HoldoverForecast(
        forecast=forecast,
        time_error_limit_s=time_error_limit_s,
        confidence=confidence,
        time_to_limit_s=ends[0],
        time_to_limit_corrected_s=ends[1],
        findings=forecast.findings,
    )


def checked_durations(duration_s: npt.ArrayLike) -> FloatArray:
    """Return durations of shape (m,), all positive, or raise ``InputError``."""
    durations = np.atleast_1d(np.asarray(duration_s, dtype=float))
    if not np.all(durations > 0):
        msg = f"duration_s contains {durations.min():g}; every duration must be positive"
        raise InputError(msg)
    return durations


def with_start(forecast: Forecast, start: Estimate | None) -> Forecast:
    """Return a forecast on top of the time error at the start, which is a term of its own."""
    if start is None:
        return forecast
    begun = forecast.distribution.shifted(start.value).widened(start.standard_uncertainty)
    # what is added to the scale of a Student distribution adds a little more to its variance
    added = begun.standard_deviation**2 - forecast.standard_uncertainty**2
    terms = VarianceTerms(by_term={"starting time error": added, **forecast.terms.by_term})
    return replace(forecast, distribution=begun, terms=terms)


def _untested(durations: FloatArray, backtest: Backtest | None) -> tuple[Finding, ...]:
    """Return what a backtest says against the forecast: not tested so far ahead, or too sure."""
    if backtest is None:
        return ()
    found = [finding for finding in backtest.findings if finding.code == "BACKTEST_TOO_NARROW"]
    longest, tested = float(durations.max()), backtest.tested_to_s
    if not longest <= tested:
        reach = "at any horizon" if math.isnan(tested) else f"beyond {duration_text(tested)}"
        sentence = f"Not backtested {reach}; the forecast reaches {duration_text(longest)} ahead."
        values = (
            {"longest_s": longest} if math.isnan(tested) else {"longest_s": longest, "tested_to_s": tested}
        )
        found.append(caution("NOT_BACKTESTED", sentence, **values))
    return tuple(found)


def _or_longer(value: float) -> float | str | None:
    if math.isnan(value):
        return None
    return "longer than the record" if math.isinf(value) else value
