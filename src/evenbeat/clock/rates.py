"""Aging rates, ours and the one that plain least squares would state."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class AgingRate(Estimate):
    """An aging rate per second that can be read per day and per year (365.25 d)."""

    @property
    def per_day(self) -> Estimate:
        """The rate per day."""
        return self.scaled(SECONDS_PER_DAY, "/day")

    @property
    def per_year(self) -> Estimate:
        """The rate per year if it stayed as it is: an illustration, not a forecast."""
        return self.scaled(SECONDS_PER_YEAR, "/year")


@dataclass(frozen=True, kw_only=True)
class LeastSquaresLine:
    """What plain least squares on the block averages says of the aging rate, per second.

    Its standard uncertainty holds only if the residuals are white, which those of oscillators are not.
    """

    rate: AgingRate

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "aging_rate_per_second": self.rate.to_dict(),
            "aging_rate_per_day": self.rate.per_day.to_dict(),
        }


def least_squares_line(frequency: FloatArray, design: FloatArray, duration_s: float) -> LeastSquaresLine:
    """Return the ordinary least-squares line.

    Parameters
    ----------
    frequency
        Shape (n,).
    design
        Shape (n, p): scaled time first, then what else the model has, without the constant.
    duration_s
        The unit of scaled time.
    """
    scale = float(np.std(frequency))
    y = (frequency - frequency.mean()) / scale
    columns = np.column_stack([np.ones(len(y)), design])
    solution, *_ = np.linalg.lstsq(columns, y, rcond=None)
    freedom = len(y) - columns.shape[1]
    variance = float(np.sum((y - columns @ solution) ** 2)) / freedom
    error = math.sqrt(variance * np.linalg.inv(columns.T @ columns)[1, 1])
    factor = scale / duration_s
    return LeastSquaresLine(
        rate=AgingRate(
            distribution=StudentMixture.student(solution[1] * factor, error * factor, freedom), unit="/s"
        )
    )
