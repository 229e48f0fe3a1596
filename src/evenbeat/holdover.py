"""Holdover: how wrong the time kept by a clock becomes once its reference is gone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.clock.budget import VarianceTerms
from evenbeat.clock.crossing import holds_until
from evenbeat.clock.forecast import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.printing import Printed, Table
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_WEEK, duration_text, time_text

if TYPE_CHECKING:
    import pandas as pd

USUAL_DURATIONS_S = (SECONDS_PER_HOUR, SECONDS_PER_DAY, SECONDS_PER_WEEK)
SEARCH_POINTS = 160


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HoldoverForecast(Printed):
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
    findings: tuple[Finding, ...] = ()

    @property
    def duration_s(self) -> FloatArray:
        """Shape (m,): time since the reference was lost."""
        return self.forecast.horizon_s

    def corrected_half_width(self, confidence: float = DEFAULT_CONFIDENCE) -> FloatArray:
        """Return half the width of the band, shape (m,): the error left if the forecast is corrected for."""
        low, high = self.forecast.interval(confidence)
        return 0.5 * (high - low)

    def to_frame(self) -> pd.DataFrame:
        """Return one row per duration: forecast, band and the standard uncertainty of every term."""
        import pandas as pd

        low, high = self.forecast.interval(self.confidence)
        columns = {
            "duration_s": self.duration_s,
            "time_error_s": self.forecast.mean,
            "standard_uncertainty_s": self.forecast.standard_uncertainty,
            "low_s": low,
            "high_s": high,
        }
        budget = {f"{name} [s]": np.sqrt(variance) for name, variance in self.terms.by_term.items()}
        return pd.DataFrame({**columns, **budget})

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "forecast": self.forecast.to_dict(self.confidence),
            "standard_uncertainty_by_term_s": {
                name: np.sqrt(variance).tolist() for name, variance in self.terms.by_term.items()
            },
            "time_error_limit_s": self.time_error_limit_s,
            "confidence": self.confidence,
            "time_to_limit_s": _json_number(self.time_to_limit_s),
            "time_to_limit_corrected_s": _json_number(self.time_to_limit_corrected_s),
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        last = len(self.forecast) - 1
        return (
            f"Holdover: {time_text(float(self.forecast.mean[last]))} after "
            f"{duration_text(float(self.duration_s[last]))} if nothing is corrected"
        )

    def _table(self) -> Table:
        low, high = self.forecast.interval(self.confidence)
        half = self.corrected_half_width(self.confidence)
        names = {name: np.sqrt(variance) for name, variance in self.terms.by_term.items()}
        largest = [max(names, key=lambda name, i=i: names[name][i]) for i in range(len(half))]  # type: ignore[misc]
        rows = tuple(
            (
                duration_text(float(self.duration_s[i])),
                *(time_text(float(column[i])) for column in (self.forecast.mean, low, high)),
                f"±{time_text(float(half[i]))}",
                largest[i],
            )
            for i in range(len(half))
        )
        return Table(
            columns=("after", "time error", "low", "high", "if corrected", "largest term"), rows=rows
        )


def predict_holdover(
    model: ClockModel,
    duration_s: npt.ArrayLike = USUAL_DURATIONS_S,
    *,
    time_error_limit_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> HoldoverForecast:
    """Predict the time error of a clock that loses its reference at the end of the record.

    Parameters
    ----------
    duration_s
        Shape (m,): times after the end of the record, in seconds.
    time_error_limit_s
        Asks how long the clock stays within ± this limit.
    confidence
        Probability of being within the limit at any moment until then.

    Raises
    ------
    InputError
        If a duration or the limit is not positive, or the confidence is not a probability.

    Notes
    -----
    The mean is what the measured offset and aging make of an uncorrected clock. The reference counts
    as perfect; its own offset times the duration comes on top.
    """
    durations = np.atleast_1d(np.asarray(duration_s, dtype=float))
    if not np.all(durations > 0):
        msg = f"duration_s contains {durations.min():g}; every duration must be positive"
        raise InputError(msg)
    checked_probability(confidence, "confidence")
    end = model.record.duration_s
    forecast, terms = model.time_error_terms(end + durations)
    plain = corrected = math.nan
    if time_error_limit_s is not None:
        if not time_error_limit_s > 0:
            msg = f"time_error_limit_s is {time_error_limit_s:g}; it must be positive"
            raise InputError(msg)
        plain, corrected = _times_to_limit(model, time_error_limit_s, confidence)
    return HoldoverForecast(
        forecast=forecast,
        terms=terms,
        time_error_limit_s=time_error_limit_s,
        confidence=confidence,
        time_to_limit_s=plain,
        time_to_limit_corrected_s=corrected,
        findings=merged(forecast.findings),
    )


def _times_to_limit(model: ClockModel, limit: float, confidence: float) -> tuple[float, float]:
    """Return how long the clock stays within the limit, as it is and corrected by the forecast."""
    end = model.record.duration_s
    times = np.geomspace(model.record.interval_s, end, SEARCH_POINTS)

    def plain(elapsed: FloatArray) -> FloatArray:
        return model.time_error_at(end + elapsed).probability_within(limit)

    def corrected(elapsed: FloatArray) -> FloatArray:
        distribution = model.time_error_at(end + elapsed).distribution
        return distribution.shifted(-distribution.mean).probability_within(limit)

    found = (holds_until(times, probability, confidence) for probability in (plain, corrected))
    first, second = (0.0 if math.isnan(time) else time for time in found)
    return first, second


def _json_number(value: float) -> float | str | None:
    if math.isnan(value):
        return None
    return "longer than the record" if math.isinf(value) else value
