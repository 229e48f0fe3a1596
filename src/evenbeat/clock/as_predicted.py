"""Is the end of a record what its beginning predicted? One forecast of the past, before one of the future.

A clock whose behaviour changed (a loop that opened, a repair, a new draught) makes a model of the
whole record that describes neither part. The first four fifths predict the last; if they fail, the
forecast beyond the record deserves no more trust. :mod:`evenbeat.clock.backtest` asks the same question
at many moments and horizons.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from evenbeat.clock.environment import Influence
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.clock.outcomes import Outcomes, moments, record_until, seen_frequency
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good
from evenbeat.quantities import StudentMixture, number_text
from evenbeat.units import duration_text

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

    Parameters
    ----------
    model
        Fitted to the whole record; its laws, environment and prior are used again.

    Returns
    -------
    Finding or None
        ``AS_PREDICTED`` (good) or ``NOT_AS_PREDICTED`` (caution); ``None`` where a part is short or empty.
    """
    record = model.record
    if record.epochs_ns is not None:
        return _at_epochs(model)
    cut = (1 - SHARE_PREDICTED) * record.duration_s
    cut = math.ceil(cut / record.interval_s - 1e-9) * record.interval_s
    if record.duration_s - cut < FEWEST_PREDICTED * record.interval_s * (1 - 1e-9):
        return None
    early = _early(model, cut)
    if early is None:
        return None
    if early.trend.not_determined:  # a temperature did not change yet
        return None
    # steps before the cut are part of what the forecast starts from; only later ones are taken out
    later = tuple(f for f in record.flags if f not in record.steps or f.start * record.interval_s >= cut)
    seen = Outcomes(replace(record, flags=later), without_steps=True, most_missing=0.5)
    observed = seen.mean_frequency(cut, record.duration_s)
    if math.isnan(observed):
        return None
    length = record.duration_s - cut
    forecast = early.frequency_at(np.array([cut + length / 2]), averaging_time_s=length)
    return _finding(forecast.distribution, observed, length)


def _early(model: ClockModel, cut: float) -> ClockModel | None:
    """Return the model of what was known at the cut, but for lags; ``None`` where that is too short."""
    environment = [
        Influence(each.name, order=each.order, lag_s=max(each.lag.value, 0.0))
        for each in model.trend.influences
    ]
    try:
        return fit_clock(
            record_until(model.record, cut),
            aging=[law.law for law in model.laws],
            environment=environment,
            noise_prior=model.noise_prior,
            oscillator_class=model.oscillator_class,
            most_blocks=ENOUGH_BLOCKS,
        )
    except InputError:
        return None


def _at_epochs(model: ClockModel) -> Finding | None:
    """Return the same for readings at epochs of their own, frequencies compared as the mean of their spans.

    That mean is less sure than one over all of the last part, by the white FM of what was not measured.
    """
    record = model.record
    cut = (1 - SHARE_PREDICTED) * record.duration_s
    later = tuple(f for f in record.flags if f not in record.steps or record.time_of(f.start) >= cut)
    shown = replace(record, flags=later)
    begin = moments(shown, cut, cut, 1)[0]
    if np.count_nonzero(record.elapsed_s >= begin) < FEWEST_PREDICTED + (record.kind == "phase"):
        return None
    seen = Outcomes(shown, without_steps=True, most_missing=0.5).seen(begin, record.duration_s)
    early = _early(model, begin)
    if early is None or math.isnan(seen.frequency):
        return None
    forecast = seen_frequency(early, seen)
    return _finding(forecast.distribution, seen.frequency, seen.stop_s - seen.start_s)


def _finding(forecast: StudentMixture, observed: float, length_s: float) -> Finding:
    predicted, uncertainty = float(forecast.mean[0]), float(forecast.standard_deviation[0])
    below = float(forecast.cdf(np.array([observed]))[0])
    probability = 2 * min(below, 1 - below)
    values = {
        "observed": observed,
        "predicted": predicted,
        "standard_uncertainty": uncertainty,
        "probability": probability,
    }
    part, said = duration_text(length_s), number_text(predicted, uncertainty)
    if probability >= SURPRISING:
        sentence = f"The last {part} average {observed:.4g}; the log before that predicted {said}."
        return good("AS_PREDICTED", sentence, **values)
    sentence = (
        f"The last {part} average {observed:.4g} where the log before that predicted {said}: the clock "
        "changed, and no forecast from this log should be trusted; assess the part since then by "
        "itself (--from or start)."
    )
    return caution("NOT_AS_PREDICTED", sentence, **values)
