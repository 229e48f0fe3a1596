"""The backtest: forecasts made at many moments of a record, held against what the record then showed.

At every origin the model is fitted anew to what had been logged until then, and to nothing of later
samples; its forecasts of frequency and time error are scored at several horizons. Forecasts from
neighbouring origins share most of their outcome, so every share of hits is judged as if it came from
the number of outcomes that do not overlap. Sources of the scores: :mod:`evenbeat.clock.tested`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from evenbeat.clock.environment import Influence
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.forecast import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.clock.noise_grid import NoisePrior
from evenbeat.clock.oscillator_classes import OscillatorName
from evenbeat.clock.outcomes import Outcomes, moments, record_until, seen_frequency
from evenbeat.clock.tested import (
    Backtest,
    HorizonScore,
    Outcome,
    ScoredQuantity,
    backtest_findings,
    condensed,
    horizon_score,
    interval_score,
    ranked_probability_score,
)
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, note
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.record import Record, check_record
from evenbeat.units import counted, percent

FIRST_SHARE = 0.4
USUAL_SHARES = (0.01, 0.03, 0.1, 0.3)
"""Horizons by default, as shares of the record."""
ORIGINS = 24
MOST_BLOCKS = 100
MOST_MISSING = 0.1
QUANTITIES: tuple[ScoredQuantity, ...] = ("frequency", "time_error")


def backtest(
    record: Record,
    *,
    horizons_s: npt.ArrayLike | None = None,
    origins: int = ORIGINS,
    first_share: float = FIRST_SHARE,
    confidence: float = DEFAULT_CONFIDENCE,
    aging: str = "auto",
    environment: str | Influence | Sequence[str | Influence] = (),
    noise_prior: NoisePrior = "balanced",
    oscillator_class: OscillatorName | None = None,
    most_blocks: int = MOST_BLOCKS,
    without_steps: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Backtest:
    """Test the forecasts of the clock model on the record itself.

    Parameters
    ----------
    record
        Phase or frequency, conditioned as for :func:`evenbeat.fit_clock`.
    horizons_s
        Shape (m,): how far ahead, in seconds; 1, 3, 10 and 30 % of the record by default.
    origins
        Number of moments at which the model is fitted anew: the work is that of as many fits.
    first_share
        Share of the record that the first fit may use.
    confidence
        Of the intervals that are scored.
    aging, environment, noise_prior, oscillator_class, most_blocks
        As for :func:`evenbeat.fit_clock`; fewer blocks than there, because there are many fits.
    without_steps
        Take steps that come after an origin out of the outcome. By default they count: a forecast that
        did not allow for them was too sure.
    progress
        Called with the number of the origin, from 1 on, and how many there are, before each fit.

    Returns
    -------
    Backtest
        How often forecasts held, per horizon.

    Raises
    ------
    InputError
        If an option makes no sense, or no forecast could be made at any origin.
    TooShortError
        If no horizon leaves a record to fit and an outcome to compare with.

    Notes
    -----
    Frequencies are means as long as the shortest horizon that end at the horizon; time errors are gained
    from the origin to the horizon. Readings at epochs of their own are compared as far as they reach.
    Outliers and steps flagged by conditioning were found with the whole record in view: the only look
    ahead. Not valid as a promise about horizons longer than those tested, nor for a clock that is treated
    otherwise from now on.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-18)
    >>> record = eb.simulate_clock(60, interval_s=86400, levels=noise, seed=1)
    >>> test = eb.backtest(record, horizons_s=[5 * 86400.0], origins=4)
    >>> sorted({score.horizon_s for score in test.scores})
    [432000.0]

    References
    ----------
    Formula: interval score, CRPS, PIT at rolling origins
    Source: Gneiting and Raftery 2007 (scores); Clopper and Pearson 1934 (shares)
    Tests: tests/clock/test_backtest.py
    """
    check_record(record)
    checked_probability(confidence, "confidence")
    if origins < 2:
        msg = f"origins is {origins}; a backtest needs at least 2, and 20 or more to say much"
        raise InputError(msg)
    horizons = _horizons(record, horizons_s, first_share)
    first = first_share * record.duration_s
    fit_at = moments(record, first, record.duration_s - float(horizons.min()), origins)
    outcomes = Outcomes(record, without_steps=False, most_missing=MOST_MISSING)
    tested: list[tuple[Mapping[str, str], list[Outcome]]] = []
    refused: list[str] = []
    for number, origin in enumerate(fit_at.tolist(), start=1):
        if progress is not None:
            progress(number, len(fit_at))
        try:
            model = fit_clock(
                record_until(record, origin),
                aging=aging,
                environment=environment,
                noise_prior=noise_prior,
                oscillator_class=oscillator_class,
                most_blocks=most_blocks,
            )
        except InputError as error:
            refused.append(str(error))
            continue
        if without_steps:
            outcomes = Outcomes(_steps_after(record, origin), without_steps=True, most_missing=MOST_MISSING)
        tests = list(_tests(model, origin, horizons, outcomes, confidence))
        tested.append((model.trend.not_determined, tests))
    # a covariate that shows its influence later was not yet in the model: such an origin tests another one
    never = set.intersection(*(set(lost) for lost, _ in tested)) if tested else set()
    found: list[Outcome] = []
    for lost, tests in tested:
        missing = [why.removesuffix(".") for name, why in lost.items() if name not in never]
        refused.extend(missing[:1])
        found.extend(() if missing else tests)
    if not found:
        why = refused[0] if refused else "too much of what followed each origin is missing"
        msg = f"no forecast could be tested at any of {len(fit_at)} origins: {why}"
        raise InputError(msg)
    scores = tuple(_scores(found, horizons, confidence))
    return Backtest(
        scores=scores,
        outcomes=tuple(found),
        origins_s=np.unique([outcome.origin_s for outcome in found]),
        record_s=record.duration_s,
        confidence=confidence,
        findings=(*backtest_findings(scores, confidence, record.duration_s), *_remarks(record, refused)),
    )


def _steps_after(record: Record, moment_s: float) -> Record:
    """Return the record with the flags of later steps only: a forecast starts from the earlier ones."""
    earlier = [step for step in record.steps if record.time_of(step.start) < moment_s]
    return replace(record, flags=tuple(flag for flag in record.flags if flag not in earlier))


def _horizons(record: Record, horizons_s: npt.ArrayLike | None, first_share: float) -> FloatArray:
    """Return the horizons, increasing; in whole samples where these are on a grid."""
    if not 0 < first_share < 1:
        msg = f"first_share is {first_share}; it must lie between 0 and 1, such as {FIRST_SHARE}"
        raise InputError(msg)
    wanted = np.array(USUAL_SHARES) * record.duration_s if horizons_s is None else horizons_s
    asked = np.atleast_1d(np.asarray(wanted, dtype=float))
    if not (asked.size and np.all(asked > 0)):
        msg = f"horizons_s is {horizons_s!r}; every horizon must be a positive number of seconds"
        raise InputError(msg)
    left = (1 - first_share) * record.duration_s
    on_grid = record.epochs_ns is None
    step = record.interval_s if on_grid else record.spacing_s
    asked = np.unique(np.maximum(np.round(asked / step) * step if on_grid else asked, step))
    if asked[-1] > left * (1 + 1e-9):
        msg = (
            f"a horizon of {asked[-1]:g} s leaves less than {percent(first_share)} of the record of "
            f"{record.duration_s:g} s to fit; ask for at most {left:g} s"
        )
        raise TooShortError(msg, needed=round(asked[-1] / step), available=int(left / step))
    return asked


def _tests(
    model: ClockModel, origin: float, horizons: FloatArray, outcomes: Outcomes, confidence: float
) -> Iterator[Outcome]:
    """Yield the outcomes of one origin beside what the model predicted."""
    if model.record.epochs_ns is not None:
        yield from _tests_at_epochs(model, origin, horizons, outcomes, confidence)
        return
    end, width = model.record.duration_s, float(horizons.min())
    gained = [outcomes.time_error(origin, origin + horizon) for horizon in horizons.tolist()]
    shown = [outcomes.mean_frequency(origin + h - width, origin + h) for h in horizons.tolist()]
    time_errors = model.time_error_at(end + horizons)
    frequencies = model.frequency_at(end + horizons - width / 2, averaging_time_s=width)
    yield from _scored(time_errors, gained, origin=origin, horizons=horizons, confidence=confidence)
    yield from _scored(frequencies, shown, origin=origin, horizons=horizons, confidence=confidence)


def _tests_at_epochs(
    model: ClockModel, origin: float, horizons: FloatArray, outcomes: Outcomes, confidence: float
) -> Iterator[Outcome]:
    """Yield the outcomes of one origin where readings follow no grid: what was read next to every horizon."""
    width = float(horizons.min())
    for horizon in horizons.tolist():
        ahead = np.array([horizon])
        whole = outcomes.seen(origin, origin + horizon)
        if whole.share >= 1 - MOST_MISSING and not math.isnan(whole.frequency):
            length = whole.stop_s - whole.start_s
            forecast = model.time_error_at([model.record.duration_s + length])
            gained = [whole.frequency * length]
            yield from _scored(forecast, gained, origin=origin, horizons=ahead, confidence=confidence)
        last = outcomes.seen(origin + horizon - width, origin + horizon)
        if not math.isnan(last.frequency):
            yield from _scored(
                seen_frequency(model, last),
                [last.frequency],
                origin=origin,
                horizons=ahead,
                confidence=confidence,
            )


def _scored(
    forecast: Forecast,
    observed: Sequence[float],
    *,
    origin: float,
    horizons: FloatArray,
    confidence: float,
) -> Iterator[Outcome]:
    seen = np.asarray(observed, dtype=float)
    low, high = forecast.interval(confidence)
    below = forecast.distribution.cdf(np.where(np.isnan(seen), 0.0, seen))
    score = interval_score(low, high, seen, confidence)
    mean = forecast.mean
    for i in np.flatnonzero(~np.isnan(seen)).tolist():
        one = condensed(forecast.distribution.one(slice(i, i + 1)))  # type: ignore[arg-type]
        yield Outcome(
            quantity="time_error" if forecast.quantity == "time_error" else "frequency",
            origin_s=origin,
            horizon_s=float(horizons[i]),
            observed=float(seen[i]),
            mean=float(mean[i]),
            low=float(low[i]),
            high=float(high[i]),
            transform=float(below[i]),
            interval_score=float(score[i]),
            ranked_probability_score=float(ranked_probability_score(one, seen[i])[0]),
        )


def _scores(found: Sequence[Outcome], horizons: FloatArray, confidence: float) -> Iterator[HorizonScore]:
    groups = [
        [outcome for outcome in found if outcome.quantity == quantity and outcome.horizon_s == horizon]
        for quantity in QUANTITIES
        for horizon in horizons.tolist()
    ]
    tested = [group for group in groups if group]
    for group in tested:
        yield horizon_score(group, confidence=confidence, beside=len(tested))


def _remarks(record: Record, refused: Sequence[str]) -> Iterator[Finding]:
    if refused:
        sentence = f"At {counted(len(refused), 'origin')} no model could be fitted: {refused[0]}."
        yield note("ORIGINS_LEFT_OUT", sentence, origins=len(refused))
    if record.flags:
        sentence = (
            f"{len(record.flags)} outliers, steps and other flags were found with the whole record in view "
            "and are used at every origin after them; nothing else looks ahead."
        )
        yield note("FLAGS_LOOK_AHEAD", sentence, flags=len(record.flags))
