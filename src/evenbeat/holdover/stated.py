"""Holdover of a clock that is described by numbers instead of a log: a data sheet, a filter, an exercise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from evenbeat.clock.forecaster import Forecast, VarianceTerms
from evenbeat.errors import InputError
from evenbeat.findings import Finding, note
from evenbeat.holdover.forecast import MINUTE_TO_YEAR_S, HoldoverForecast, checked_durations, holdover_of
from evenbeat.holdover.surroundings import Scenario
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, FloatArray, StudentMixture

_NOTHING = Estimate.normal(0.0, 0.0)


def stated_holdover(
    duration_s: npt.ArrayLike = MINUTE_TO_YEAR_S,
    *,
    starting_time_error: Estimate = _NOTHING,
    frequency_offset: Estimate = _NOTHING,
    aging_rate: Estimate = _NOTHING,
    starting_covariance: npt.ArrayLike | None = None,
    noise: NoiseLevels | None = None,
    scenarios: Sequence[Scenario] = (),
    reference_offset: Estimate = _NOTHING,
    time_error_limit_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> HoldoverForecast:
    """Predict the time error in holdover of a clock described by numbers.

    Parameters
    ----------
    duration_s
        Shape (m,): times since the reference was lost; one minute to one year by default.
    starting_time_error, frequency_offset, aging_rate
        State when the reference is lost: seconds, fractional frequency, and its change per second.
    starting_covariance
        Covariance of these three, shape (3, 3), where they come from one filter; takes the place of
        their standard uncertainties.
    noise
        White, flicker and random-walk FM. Phase noise belongs to the starting time error.
    scenarios
        What the environment does: see :class:`evenbeat.Scenario`.
    reference_offset
        Fractional offset of the reference that the state was measured against.
    time_error_limit_s, confidence
        As for :func:`evenbeat.predict_holdover`; searched from one second to ten years.

    Returns
    -------
    HoldoverForecast
        As from :func:`evenbeat.predict_holdover`.

    Raises
    ------
    InputError
        If a duration or the limit is not positive, or the covariance is none.

    Notes
    -----
    x(t) = x₀ + y₀ t + D t²/2, with the variances of its terms plus h₀t/2 (white FM), 2h₋₁t² (flicker FM,
    optimum predictor: t² σ²/ln 2) and (2π²/3) h₋₂t³ (random-walk FM); NIST TN 1337. Normal throughout:
    not valid where the uncertainties themselves are hardly known, for which :func:`evenbeat.fit_clock`
    is made.

    Examples
    --------
    >>> import evenbeat as eb
    >>> off = eb.Estimate.normal(0, 1e-10)
    >>> eb.stated_holdover([86400.0], frequency_offset=off).forecast.standard_uncertainty
    array([8.64e-06])

    References
    ----------
    Formula: x(t) = x₀ + y₀t + Dt²/2; σ_x² + h₀t/2 + 2h₋₁t² + (2π²/3)h₋₂t³
    Source: NIST Technical Note 1337 (1990); Allan 1987 (optimum predictors)
    Tests: tests/holdover/test_stated.py
    """
    state = [starting_time_error, frequency_offset, aging_rate]
    covariance = _covariance(state, starting_covariance)

    def time_error(t: FloatArray) -> Forecast:
        lever = np.array([np.ones(len(t)), t, t**2 / 2])
        mean = np.array([each.value for each in state]) @ lever + reference_offset.value * t
        mean = mean + sum((scenario.mean(t) for scenario in scenarios), np.zeros(len(t)))
        terms = _terms(t, covariance, noise, scenarios, reference_offset)
        spread = np.sqrt(np.maximum(terms.total, 0.0))
        said = StudentMixture.normal(mean, spread)
        return Forecast(quantity="time_error", times_s=t, horizon_s=t, distribution=said, terms=terms)

    said = holdover_of(
        time_error,
        checked_durations(duration_s),
        time_error_limit_s=time_error_limit_s,
        reach_s=math.inf,
        confidence=confidence,
    )
    return replace(said, findings=_findings(noise, scenarios, reference_offset))


def _covariance(state: Sequence[Estimate], stated: npt.ArrayLike | None) -> FloatArray:
    if stated is None:
        return np.diag([each.standard_uncertainty**2 for each in state])
    matrix = np.asarray(stated, dtype=float)
    if matrix.shape != (3, 3) or not np.allclose(matrix, matrix.T, rtol=1e-9, atol=0.0):
        msg = f"starting_covariance has shape {matrix.shape}; it must be symmetric, of shape (3, 3)"
        raise InputError(msg)
    size = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    unit = np.where(size > 0, size, 1.0)
    if np.linalg.eigvalsh(matrix / np.outer(unit, unit)).min() < -1e-9:
        msg = "starting_covariance is not a covariance: it gives some combination a negative variance"
        raise InputError(msg)
    return matrix


def _terms(
    t: FloatArray,
    covariance: FloatArray,
    noise: NoiseLevels | None,
    scenarios: Sequence[Scenario],
    reference: Estimate,
) -> VarianceTerms:
    levels = NoiseLevels() if noise is None else noise
    cross = 2 * t * covariance[0, 1] + t**2 * covariance[0, 2] + t**3 * covariance[1, 2]
    terms = {
        "starting time error": np.full(len(t), covariance[0, 0]),
        "starting frequency": covariance[1, 1] * t**2,
        "aging": covariance[2, 2] * t**4 / 4,
        "white FM": levels.white_fm / 2 * t,
        "flicker FM": 2 * levels.flicker_fm * t**2,
        "random-walk FM": 2 * math.pi**2 / 3 * levels.random_walk_fm * t**3,
        "environment": sum((scenario.variance(t) for scenario in scenarios), np.zeros(len(t))),
        "reference": reference.standard_uncertainty**2 * t**2,
    }
    if np.any(cross):
        terms["covariance of the start"] = cross
    return VarianceTerms(by_term=terms)


def _findings(
    noise: NoiseLevels | None, scenarios: Sequence[Scenario], reference: Estimate
) -> tuple[Finding, ...]:
    sentence = "Taken as stated, not measured here: "
    stated = ["state of the clock", *(["noise"] if noise else []), *(s.words for s in scenarios)]
    if reference.value or reference.standard_uncertainty:
        stated.append(f"reference off by {reference}")
    found = [note("AS_STATED", sentence + "; ".join(stated) + ".")]
    if noise is not None and (noise.white_pm or noise.flicker_pm):
        sentence = "Phase noise does not grow in holdover; state it as part of starting_time_error."
        found.append(note("PHASE_NOISE_LEFT_OUT", sentence))
    return tuple(found)
