"""From tolerance, reliability and setpoint to the date of the next calibration."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.calibration.interval import IntervalSuggestion, suggest_interval
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.forecaster import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.lessons.lesson import Code, Lesson, call_text
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate
from evenbeat.units import SECONDS_PER_DAY, duration_text

EXAMPLE_CALL = (
    "from evenbeat.lessons.next_calibration import example_model\n\nmodel = example_model({seed})\n"
)
KEPT = 8
"""Forecasts remembered of each kind."""


@dataclass(frozen=True, eq=False, kw_only=True)
class CalibrationLesson(Lesson):
    """A suggested interval and its date.

    Attributes
    ----------
    date
        UTC at which the computed interval ends; ``None`` where there is none, or the log states no time. When
        the next calibration is due after rounding down is in ``suggestion.rounded``.
    """

    model: ClockModel
    suggestion: IntervalSuggestion
    date: np.datetime64 | None


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class RememberedModel(ClockModel):
    """A clock model that answers the same question twice without computing it again.

    Tolerance and reliability do not change a forecast, only what is asked of it: sliding them would
    otherwise predict the same times over and over.
    """

    answers: dict[tuple[object, ...], Forecast] = field(default_factory=dict)

    def frequency_at(self, times: npt.ArrayLike, **asked: Any) -> Forecast:
        """Return the forecast of :meth:`evenbeat.results.ClockModel.frequency_at`."""
        return self._remembered("frequency_at", times, asked)

    def frequency_change_at(self, times: npt.ArrayLike, **asked: Any) -> Forecast:
        """Return the forecast of :meth:`evenbeat.results.ClockModel.frequency_change_at`."""
        return self._remembered("frequency_change_at", times, asked)

    def _remembered(self, name: str, times: npt.ArrayLike, asked: dict[str, Any]) -> Forecast:
        ask = getattr(super(), name)
        if asked.get("environment"):
            return ask(times, **asked)
        key = name, np.asarray(times).tobytes(), asked.get("averaging_time_s")
        if key not in self.answers:
            alike = [other for other in self.answers if other[0] == name]
            if len(alike) >= KEPT:  # the base times come first in every question and are asked again
                self.answers.pop(alike[-1])
            self.answers[key] = ask(times, **asked)
        return self.answers[key]


def remembered(model: ClockModel) -> ClockModel:
    """Return the model with a memory; one of a special kind is returned as it is."""
    if type(model) is not ClockModel:
        return model
    return RememberedModel(**{item.name: getattr(model, item.name) for item in fields(ClockModel)})


def example_model(seed: int = 1) -> ClockModel:
    """Return the model of a simulated oscillator, logged daily for 120 days from 1 March 2026."""
    levels = NoiseLevels.from_allan_deviations(
        SECONDS_PER_DAY, white_fm=3e-11, flicker_fm=2e-11, random_walk_fm=2e-11
    )
    record = simulate_clock(
        120,
        interval_s=SECONDS_PER_DAY,
        levels=levels,
        seed=seed,
        start="2026-03-01",
        frequency_offset=4e-10,
        aging=lambda t: 1.2e-11 * t / SECONDS_PER_DAY,
        nominal_frequency_hz=10e6,
    )
    return fit_clock(record, aging="linear")


def next_calibration(
    model: ClockModel,
    *,
    tolerance: float,
    reliability: float = 0.95,
    guard_band: float = 0.0,
    as_left: Estimate | None = None,
    reference_uncertainty: float = 0.0,
    preamble: str = "",
) -> CalibrationLesson:
    """Return the suggested interval with its date.

    Parameters
    ----------
    model
        Of the clock; a remembered one answers faster from the second question on.
    preamble
        Python that makes ``model``, put before the call.

    See :func:`evenbeat.suggest_interval` for the other parameters and for what is refused.
    """
    asked: dict[str, Any] = {
        "tolerance": tolerance,
        "reliability": reliability,
        "guard_band": guard_band,
        "reference_uncertainty": reference_uncertainty,
    }
    end = _date(model, 0.0)
    if end is not None:
        asked["start"] = str(end)[:10]
    suggestion = suggest_interval(model, as_left=as_left, **asked)
    left = {} if as_left is None else {"as_left": Code(_written(as_left))}
    date = _date(model, suggestion.interval_s)
    return CalibrationLesson(
        model=model,
        suggestion=suggestion,
        date=date,
        sentence=_sentence(suggestion, date),
        call=(
            f"import evenbeat as eb\n{preamble}"
            f"suggestion = {call_text('eb.suggest_interval', 'model', **asked, **left)}"
        ),
    )


def _written(left: Estimate) -> str:
    return f"eb.Estimate.normal({left.value!r}, {left.standard_uncertainty!r})"


def _date(model: ClockModel, interval_s: float) -> np.datetime64 | None:
    start = model.record.start
    if start is None or math.isnan(interval_s):
        return None
    seconds = round(model.record.duration_s + interval_s)
    return start.astype("datetime64[s]") + np.timedelta64(seconds, "s")


def _sentence(suggestion: IntervalSuggestion, date: np.datetime64 | None) -> str:
    """Return the interval as a laboratory writes it, and what was computed."""
    if math.isnan(suggestion.interval_s):
        return f"No interval. {suggestion.reason}"
    computed, whole = duration_text(suggestion.interval_s), suggestion.rounded
    ends = "" if date is None else str(date)[:10]
    if whole is None:
        return (
            f"Calibrate again within {computed}{f', that is by {ends}' if ends else ''}. {suggestion.reason}"
        )
    computed = f"{computed} that were computed{f' and end on {ends}' if ends else ''}"
    return f"Calibrate again within {whole}: rounded down from the {computed}. {suggestion.reason}"
