"""The backtest: forecasts made at many moments of a record, held against what the record then showed.

At every origin the model is fitted anew to what had been logged until then, and to nothing of later
samples; its forecasts of frequency and time error are scored at several horizons. Forecasts from
neighbouring origins share most of their outcome, so every share of hits is judged as if it came from
the number of outcomes that do not overlap. Sources of the scores: :mod:`evenbeat.clock.tested`.

One forecast of the past comes before one of the future: a clock whose behaviour changed (a loop that opened,
a repair, a new draught) makes a model of the whole record that describes neither part. The first four fifths
predict the last; if they fail, the forecast beyond the record deserves no more trust.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from evenbeat.clock.environment import Influence
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.forecaster import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.clock.noise_grid import NoisePrior
from evenbeat.clock.oscillator_classes import OscillatorName
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
from evenbeat.findings import Finding, caution, good, note
from evenbeat.quantities import (
    DEFAULT_CONFIDENCE,
    FloatArray,
    checked_probability,
    number_text,
)
from evenbeat.record import Record, check_record
from evenbeat.units import counted, duration_text, percent


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What a record shows of the time between two moments."""

    length_s: float  # From the first to the end of the last reading there
    centre_s: float  # Of the time that was measured
    frequency: float  # Mean over it; NaN where nothing was read, or too much is missing
    # By how much its variance under white FM of unit h₀/2 exceeds that of the mean over the whole length
    unmeasured: float = 0.0
    share: float = 1.0  # Part of the time asked for that readings at epochs of their own measured


NEAR = 0.25
"""Part of the time between two readings of phase by which they may lie beside the times asked for."""


def seen(record: Record, values: FloatArray, start_s: float, stop_s: float, *, most_missing: float) -> Seen:
    """Return what usable ``values`` of a record show between two times.

    Of time errors the two readings at the times are compared, without a grid those next to them within a
    quarter of what lies between. Of frequencies on a grid a share may be missing, which then counts as being
    like the rest.
    """
    nothing = Seen(length_s=stop_s - start_s, centre_s=start_s, frequency=math.nan)
    if record.epochs_ns is None:
        first, last = (round(moment / record.interval_s) for moment in (start_s, stop_s))
        if not 0 <= first < last <= len(record) - (record.kind == "phase"):
            return nothing
        length_s = (last - first) * record.interval_s
        if record.kind == "frequency":
            shown = values[first:last][~np.isnan(values[first:last])]
            enough = len(shown) and len(shown) >= (1 - most_missing) * (last - first)
            frequency = float(np.mean(shown)) if enough else math.nan
            return Seen(length_s=length_s, centre_s=start_s + 0.5 * length_s, frequency=frequency)
        return Seen(
            length_s=length_s,
            centre_s=first * record.interval_s + 0.5 * length_s,
            frequency=float(values[last] - values[first]) / length_s + record.removed_frequency,
        )
    present, elapsed = np.flatnonzero(~np.isnan(values)), record.elapsed_s
    if record.kind == "phase":
        if not len(present):
            return nothing
        first, last = (int(present[np.argmin(np.abs(elapsed[present] - at))]) for at in (start_s, stop_s))
        far = max(abs(elapsed[first] - start_s), abs(elapsed[last] - stop_s)) > NEAR * (stop_s - start_s)
        if far or last <= first:
            return nothing
        length_s = float(elapsed[last] - elapsed[first])
        return Seen(
            length_s=length_s,
            centre_s=float(elapsed[first]) + 0.5 * length_s,
            frequency=float(values[last] - values[first]) / length_s + record.removed_frequency,
        )
    within = present[(elapsed[present] >= start_s) & (elapsed[present] < stop_s)]
    if not len(within):
        return nothing
    spans = np.asarray(record.spans_s)[within]
    length_s = float(elapsed[within[-1]] + spans[-1] - elapsed[within[0]])
    weight = spans / spans.sum()
    return Seen(
        length_s=length_s,
        centre_s=float(weight @ (elapsed[within] + 0.5 * spans)),
        frequency=float(weight @ values[within]),
        unmeasured=max(float(weight @ (weight / spans)) - 1 / length_s, 0.0),
        share=float(spans.sum()) / (stop_s - start_s),
    )


def expected(model: ClockModel, shown: Sequence[Seen]) -> Forecast:
    """Return what a model expects of means that were seen, all of one length.

    They are less sure than means over all of the time, by the white FM of what was not measured.
    """
    forecast = model.frequency_at([each.centre_s for each in shown], averaging_time_s=shown[0].length_s)
    noise = np.sqrt(0.5 * model.white_fm * np.array([each.unmeasured for each in shown]))  # h₀/2τ
    return replace(forecast, distribution=forecast.distribution.widened(noise))


def record_until(record: Record, moment_s: float) -> Record:
    """Return what was known of a record at a moment: every sample up to it, and nothing of later ones."""
    if record.epochs_ns is not None:
        later = int(np.count_nonzero(record.elapsed_s < moment_s)) + (record.kind == "phase")
        return record.between(0, record.time_of(later) if later < len(record) else record.duration_s + 1)
    last = round(moment_s / record.interval_s) + (record.kind == "phase")
    return record.between(0, last * record.interval_s)


def moments(record: Record, first_s: float, last_s: float, count: int) -> FloatArray:
    """Return up to ``count`` moments between two times, evenly spaced, each at the edge of a sample."""
    if record.epochs_ns is not None:
        elapsed = record.elapsed_s[~np.isnan(record.usable_values(without_steps=False))]
        wanted = np.linspace(first_s, last_s, count)[:, np.newaxis]
        return np.unique(elapsed[np.argmin(np.abs(elapsed - wanted), axis=1)])
    samples = np.linspace(first_s, last_s, count) / record.interval_s
    return np.unique(np.round(samples)) * record.interval_s


SHARE_PREDICTED = 0.2
FEWEST_PREDICTED = 2
ENOUGH_BLOCKS = 100
"""Averages of what lay before: one mean over a quarter of that time needs no finer ones."""
SURPRISING = 0.002
"""Two-sided probability below which the last part counts as not predicted."""
WITHHOLDING = ("NOT_AS_PREDICTED", "CLOCK_CHANGED", "SELF_TEST_FAILED")
"""Findings with which nothing is recommended."""


def stop_unless_trusted(model: ClockModel, *, even_if_untested: bool) -> None:
    """Refuse an answer about the future from a model whose forecasts of the past failed."""
    if even_if_untested:
        return
    known = {finding.code: finding for finding in model.findings}
    if (
        not known.keys() & {"AS_PREDICTED", "NOT_AS_PREDICTED"}
        and (found := as_predicted_finding(model)) is not None
    ):
        known[found.code] = found
    for code in WITHHOLDING:
        if code in known:
            msg = f"{known[code].sentence.removesuffix('.')}; even_if_untested=True answers all the same"
            raise InputError(msg)


@lru_cache(maxsize=2)  # the next question to the same model needs no second fit
def as_predicted_finding(model: ClockModel) -> Finding | None:
    """Return whether the mean frequency of the last fifth lies where the rest predicted it.

    The laws, environment and prior of the model are used again: ``AS_PREDICTED`` (good), ``NOT_AS_PREDICTED``
    (caution), or ``None`` where a part is short or empty.
    """
    record = model.record
    begin = (1 - SHARE_PREDICTED) * record.duration_s
    if record.epochs_ns is not None:
        begin = float(moments(record, begin, begin, 1)[0])
    else:
        begin = math.ceil(begin / record.interval_s - 1e-9) * record.interval_s
    about = 0 if record.epochs_ns is not None else max(0, int(begin / record.interval_s) - 1)
    later = record.rows_elapsed_s(about, len(record))
    readings = np.count_nonzero(later > begin - 1e-9 * record.duration_s)
    if readings < FEWEST_PREDICTED + (record.kind == "phase"):
        return None
    try:  # as it was known then, but for lags
        early = fit_clock(
            record_until(record, begin),
            aging=[law.law for law in model.laws],
            environment=[
                Influence(each.name, order=each.order, lag_s=max(each.lag.value, 0.0))
                for each in model.trend.influences
            ],
            noise_prior=model.noise_prior,
            oscillator_class=model.oscillator_class,
            most_blocks=ENOUGH_BLOCKS,
        )
    except InputError:
        return None
    if early.trend.not_determined:  # a temperature did not change yet
        return None
    usable = _steps_after(record, begin).usable_values(without_steps=True)
    shown = seen(record, usable, begin, record.duration_s, most_missing=0.5)
    if math.isnan(shown.frequency):
        return None
    forecast = expected(early, [shown]).distribution
    predicted, uncertainty = float(forecast.mean[0]), float(forecast.standard_deviation[0])
    below = float(forecast.cdf(np.array([shown.frequency]))[0])
    probability = 2 * min(below, 1 - below)
    values = {
        "observed": shown.frequency,
        "predicted": predicted,
        "standard_uncertainty": uncertainty,
        "probability": probability,
    }
    part, said = duration_text(shown.length_s), number_text(predicted, uncertainty)
    if probability >= SURPRISING:
        sentence = f"The last {part} average {shown.frequency:.4g}; the log before that predicted {said}."
        return good("AS_PREDICTED", sentence, **values)
    sentence = (
        f"The last {part} average {shown.frequency:.4g} where the log before that predicted {said}: the "
        "clock changed, and no forecast from this log should be trusted; assess the part since then by "
        "itself (--from or start)."
    )
    return caution("NOT_AS_PREDICTED", sentence, **values)


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
    values = record.usable_values(without_steps=False)
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
            values = _steps_after(record, origin).usable_values(without_steps=True)
        tests = list(_tests(model, record, values, origin, horizons, confidence))
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
    model: ClockModel,
    record: Record,
    values: FloatArray,
    origin: float,
    horizons: FloatArray,
    confidence: float,
) -> Iterator[Outcome]:
    """Yield the outcomes of one origin, as far as there are any, beside what the model predicted."""
    width, ends = float(horizons.min()), (origin + horizons).tolist()
    whole = [seen(record, values, origin, end, most_missing=MOST_MISSING) for end in ends]
    last = [seen(record, values, end - width, end, most_missing=MOST_MISSING) for end in ends]
    covered = np.array([each.share >= 1 - MOST_MISSING and not math.isnan(each.frequency) for each in whole])
    if covered.any():
        lengths, means = np.array([(each.length_s, each.frequency) for each in whole])[covered].T
        forecast = model.time_error_at(model.record.duration_s + lengths)
        yield from _scored(forecast, means * lengths, origin, horizons[covered], confidence)
    pairs = zip(horizons.tolist(), last, strict=True)
    known = [(horizon, each) for horizon, each in pairs if not math.isnan(each.frequency)]
    for length in sorted({each.length_s for _, each in known}):
        ahead, alike = zip(*(pair for pair in known if pair[1].length_s == length), strict=True)
        shown = np.array([each.frequency for each in alike])
        yield from _scored(expected(model, alike), shown, origin, np.array(ahead), confidence)


def _scored(
    forecast: Forecast, shown: FloatArray, origin: float, horizons: FloatArray, confidence: float
) -> Iterator[Outcome]:
    low, high = forecast.interval(confidence)
    below, score = forecast.distribution.cdf(shown), interval_score(low, high, shown, confidence)
    mean = forecast.mean
    for i, horizon in enumerate(horizons.tolist()):
        one = condensed(forecast.distribution.one(slice(i, i + 1)))  # type: ignore[arg-type]
        yield Outcome(
            quantity="time_error" if forecast.quantity == "time_error" else "frequency",
            origin_s=origin,
            horizon_s=horizon,
            observed=float(shown[i]),
            mean=float(mean[i]),
            low=float(low[i]),
            high=float(high[i]),
            transform=float(below[i]),
            interval_score=float(score[i]),
            ranked_probability_score=float(ranked_probability_score(one, shown[i])[0]),
        )


def _scores(found: Sequence[Outcome], horizons: FloatArray, confidence: float) -> Iterator[HorizonScore]:
    groups = [
        [outcome for outcome in found if (outcome.quantity, outcome.horizon_s) == asked]
        for asked in itertools.product(QUANTITIES, horizons.tolist())
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
