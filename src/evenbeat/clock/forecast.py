"""A forecast of frequency or time error with its distribution and where its uncertainty comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenbeat.clock.levels import VarianceTerms
from evenbeat.findings import Finding, caution
from evenbeat.plain import UNLISTED, listed_as
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, StudentMixture
from evenbeat.result import Column, Result
from evenbeat.units import counted, duration_text, time_text

if TYPE_CHECKING:
    import pandas as pd

ForecastQuantity = Literal["frequency", "frequency_change", "time_error"]
_TITLES = {
    "frequency": "fractional frequency",
    "frequency_change": "change of fractional frequency",
    "time_error": "time error gained [s]",
}


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Forecast(Result):
    """What a clock is expected to show at some times.

    Attributes
    ----------
    quantity
        ``frequency``, ``frequency_change`` (since the end of the record) or ``time_error`` (seconds
        gained since the end of the record, positive when the clock is ahead).
    times_s
        Shape (m,): seconds since the start of the record.
    horizon_s
        Shape (m,): seconds since the end of the record; negative within it.
    distribution
        Of every value, shape (m, k).
    laws
        Aging law to the mean under it, shape (m,), for every law that the data do not reject, the most
        likely first.
    terms
        Of a time error: its variance by cause.
    """

    quantity: ForecastQuantity
    times_s: FloatArray
    horizon_s: FloatArray
    distribution: StudentMixture = field(metadata=UNLISTED)
    laws: Mapping[str, FloatArray] = field(default_factory=dict, metadata=listed_as("mean_by_law"))
    terms: VarianceTerms = field(default=VarianceTerms(by_term={}), metadata=UNLISTED)

    def __len__(self) -> int:
        return len(self.times_s)

    @property
    def mean(self) -> FloatArray:
        """Expected value, shape (m,)."""
        return self.distribution.mean

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Standard deviation, shape (m,)."""
        return self.distribution.standard_deviation

    def interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[FloatArray, FloatArray]:
        """Return the limits of the band, each of shape (m,)."""
        return self.distribution.interval(confidence)

    def envelope(self) -> tuple[FloatArray, FloatArray]:
        """Return the lowest and the highest mean of all laws that the data do not reject, shape (m,)."""
        means = np.array([*self.laws.values()] or [self.mean])
        return means.min(axis=0), means.max(axis=0)

    def probability_within(self, limit: float) -> FloatArray:
        """Return P(|value| <= limit), shape (m,)."""
        return self.distribution.probability_within(limit)

    def to_frame(self, confidence: float = DEFAULT_CONFIDENCE) -> pd.DataFrame:
        """Return one row per time: horizon, mean, standard uncertainty, band, and envelope of the laws."""
        import pandas as pd

        return pd.DataFrame({column.name: column.cells for column in self._columns(confidence)})

    def _columns(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[Column, ...]:
        low, high = self.interval(confidence)
        lowest, highest = self.envelope()
        return (
            Column("time_s", self.times_s),
            Column("horizon_s", self.horizon_s, "after", duration_text),
            Column("mean", self.mean, "mean", ".3e"),
            Column("standard_uncertainty", self.standard_uncertainty, "std. unc.", ".3e"),
            Column("low", low, "low 95 %", ".3e"),
            Column("high", high, "high 95 %", ".3e"),
            Column("lowest_law", lowest),
            Column("highest_law", highest),
        )

    def _headline(self) -> str:
        return f"Forecast of the {_TITLES[self.quantity]} at {counted(len(self), 'time')}"


def extrapolation_findings(forecast: Forecast, record_s: float) -> tuple[Finding, ...]:
    """Return a caution where a forecast reaches further ahead than the record is long.

    Common practice: the laws that fit one record alike differ by a factor of three one to ten record
    lengths later, so what they say there is quoted beside the band.
    """
    reach = float(forecast.horizon_s.max())
    if reach <= record_s * (1 + 1e-9):
        return ()
    sentence = (
        f"The forecast reaches {duration_text(reach)} ahead, further than the record is long "
        f"({duration_text(record_s)}): beyond that it rests on the aging law alone"
    )
    values: dict[str, float | int | str] = {"horizon_s": reach, "record_s": record_s}
    if len(forecast.laws) > 1:
        last = int(np.argmax(forecast.horizon_s))
        low, high = (float(limit[last]) for limit in forecast.envelope())
        lowest, highest = (
            time_text(law) if forecast.quantity == "time_error" else f"{law:.3g}" for law in (low, high)
        )
        if lowest != highest:
            sentence += (
                f", and the {len(forecast.laws)} laws that the data do not reject lead to anything from "
                f"{lowest} to {highest}"
            )
        values |= {"lowest_law": low, "highest_law": high}
    return (caution("EXTRAPOLATION", f"{sentence}.", **values),)
