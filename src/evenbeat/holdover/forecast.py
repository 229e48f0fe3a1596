"""Holdover: how wrong the time kept by a clock becomes once its reference is gone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from evenbeat.clock.as_predicted import stop_unless_trusted
from evenbeat.clock.environment import Course
from evenbeat.clock.forecast import Forecast
from evenbeat.clock.forecaster import first_exit
from evenbeat.clock.levels import VarianceTerms
from evenbeat.clock.model import ClockModel
from evenbeat.clock.tested import Backtest
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.quantities import (
    DEFAULT_CONFIDENCE,
    Estimate,
    FloatArray,
    StudentMixture,
    checked_probability,
)
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
SEARCH_POINTS = 160


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HoldoverForecast(Result):
    """Time error after the end of the record, with its budget.

    Attributes
    ----------
    forecast
        Time error gained after each duration if nothing is corrected.
    terms
        Its variance by cause.
    time_error_limit_s, confidence
        The limit asked about and the probability of staying within it, or ``None``.
    time_to_limit_s
        How long the uncorrected clock stays within the limit with that probability at every moment;
        NaN where no limit was given, ``inf`` where it outlasts one record length.
    time_to_limit_corrected_s
        The same if the forecast itself is applied as a correction, so that only its error remains.
    """

    forecast: Forecast
    terms: VarianceTerms
    time_error_limit_s: float | None = None
    confidence: float = DEFAULT_CONFIDENCE
    time_to_limit_s: float = math.nan
    time_to_limit_corrected_s: float = math.nan

    @property
    def duration_s(self) -> FloatArray:
        """Shape (m,): time since the reference was lost."""
        return self.forecast.horizon_s

    def corrected_half_width(self, confidence: float = DEFAULT_CONFIDENCE) -> FloatArray:
        """Return half the width of the band, shape (m,): the error left if the forecast is corrected for."""
        low, high = self.forecast.interval(confidence)
        return 0.5 * (high - low)

    def _facts(self) -> Mapping[str, object]:
        return {
            "time_error_limit_s": self.time_error_limit_s,
            "confidence": self.confidence,
            "time_to_limit_s": _or_longer(self.time_to_limit_s),
            "time_to_limit_corrected_s": _or_longer(self.time_to_limit_corrected_s),
            "time_error_by_law_s": self.forecast.laws,
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
    model: ClockModel,
    duration_s: npt.ArrayLike = USUAL_DURATIONS_S,
    *,
    time_error_limit_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
    starting_time_error: Estimate | None = None,
    environment: Mapping[str, Course] | None = None,
    backtest: Backtest | None = None,
    even_if_untested: bool = False,
) -> HoldoverForecast:
    """Predict the time error of a clock that loses its reference at the end of the record.

    Parameters
    ----------
    duration_s
        Shape (m,): times after the end of the record, in seconds; ``MINUTE_TO_YEAR_S`` of this module
        for a complete budget.
    time_error_limit_s
        Asks how long the clock stays within ± this limit.
    confidence
        Probability of being within the limit at any moment until then. Of never having left it until
        then: :func:`evenbeat.limit_passage`.
    starting_time_error
        Time error in seconds when the reference is lost; zero and certain by default.
    environment
        Covariates of the fit to their courses after the record: steady, a daily wave, a step or given
        values. Without one the covariate is at its mean, its daily swing and residual in the uncertainty.
    backtest
        Of the same record: what it did not test is said.
    even_if_untested
        Answer also where the model's forecasts within its own record failed.

    Raises
    ------
    InputError
        If a duration or the limit is not positive, or the confidence is not a probability. If the model's
        forecasts of its own past failed, or the clock changed.

    Notes
    -----
    The mean is what the measured offset and aging make of an uncorrected clock. The reference counts
    as perfect unless the model was fitted with ``reference_offset``, which makes a term of its own.

    References
    ----------
    Formula: x(t) = x₀ + y₀t + Dt²/2; σ_x² + h₀t/2 + 2h₋₁t² + (2π²/3)h₋₂t³
    Source: NIST Technical Note 1337 (1990); Allan 1987 (optimum predictors)
    Tests: tests/holdover/test_passage.py
    """
    durations = checked_durations(duration_s)
    checked_probability(confidence, "confidence")
    stop_unless_trusted(model, even_if_untested=even_if_untested)
    end = model.record.duration_s
    forecast, terms = model.time_error_terms(end + durations, environment=environment)
    forecast, terms = with_start(forecast, terms, starting_time_error)
    plain = corrected = math.nan
    if time_error_limit_s is not None:
        limit = checked_limit(time_error_limit_s)

        def distribution(elapsed: FloatArray) -> StudentMixture:
            return started(
                model.time_error(elapsed, environment=environment).distribution, starting_time_error
            )

        times = np.geomspace(model.record.soonest_s, end, SEARCH_POINTS)
        plain, corrected = times_to_limit(distribution, times, limit, confidence)
    return HoldoverForecast(
        forecast=forecast,
        terms=terms,
        time_error_limit_s=time_error_limit_s,
        confidence=confidence,
        time_to_limit_s=plain,
        time_to_limit_corrected_s=corrected,
        findings=merged(forecast.findings, _untested(durations, backtest)),
    )


def checked_durations(duration_s: npt.ArrayLike) -> FloatArray:
    """Return durations of shape (m,), all positive, or raise ``InputError``."""
    durations = np.atleast_1d(np.asarray(duration_s, dtype=float))
    if not np.all(durations > 0):
        msg = f"duration_s contains {durations.min():g}; every duration must be positive"
        raise InputError(msg)
    return durations


def checked_limit(time_error_limit_s: float) -> float:
    """Return a limit that is positive, or raise ``InputError``."""
    if not time_error_limit_s > 0:
        msg = f"time_error_limit_s is {time_error_limit_s:g}; it must be positive"
        raise InputError(msg)
    return float(time_error_limit_s)


def started(distribution: StudentMixture, start: Estimate | None) -> StudentMixture:
    """Return time errors on top of the one at the start."""
    return (
        distribution
        if start is None
        else distribution.shifted(start.value).widened(start.standard_uncertainty)
    )


def with_start(
    forecast: Forecast, terms: VarianceTerms, start: Estimate | None
) -> tuple[Forecast, VarianceTerms]:
    """Return forecast and budget with the time error at the start as a term of its own."""
    if start is None:
        return forecast, terms
    before = forecast.standard_uncertainty**2
    forecast = replace(forecast, distribution=started(forecast.distribution, start))
    # what is added to the scale of a Student distribution adds a little more to its variance
    added = forecast.standard_uncertainty**2 - before
    return forecast, VarianceTerms(by_term={"starting time error": added, **terms.by_term})


def times_to_limit(
    distribution: Callable[[FloatArray], StudentMixture], times: FloatArray, limit: float, confidence: float
) -> tuple[float, float]:
    """Return how long the clock stays within the limit, as it is and corrected by the forecast."""

    def plain(elapsed: FloatArray) -> FloatArray:
        return distribution(elapsed).probability_within(limit)

    def corrected(elapsed: FloatArray) -> FloatArray:
        after = distribution(elapsed)
        return after.shifted(-after.mean).probability_within(limit)

    first, second = (
        first_exit(times, probability(times), confidence, between=probability)
        for probability in (plain, corrected)
    )
    return 0.0 if math.isnan(first) else first, 0.0 if math.isnan(second) else second


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
        found.append(Finding(code="NOT_BACKTESTED", severity="caution", sentence=sentence, values=values))
    return tuple(found)


def _or_longer(value: float) -> float | str | None:
    if math.isnan(value):
        return None
    return "longer than the record" if math.isinf(value) else value
