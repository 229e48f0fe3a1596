"""Aging rates, ours and the one that plain least squares would state."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from evenbeat.clock.determined import ranked
from evenbeat.plain import Plain
from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class AgingRate(Estimate):
    """An aging rate per second that can be read per day and per year (365.25 d).

    Its value is the median: where laws disagree, the mean can lie outside the interval.
    """

    @cached_property
    def value(self) -> float:
        """The median."""
        return float(self.distribution.quantile(0.5))

    def scaled(self, factor: float, unit: str) -> AgingRate:
        """Return the same rate in another unit."""
        return AgingRate(distribution=self.distribution.scaled(factor), unit=unit)

    @property
    def per_day(self) -> AgingRate:
        """The rate per day."""
        return self.scaled(SECONDS_PER_DAY, "/day")

    @property
    def per_year(self) -> AgingRate:
        """The rate per year if it stayed as it is: an illustration, not a forecast."""
        return self.scaled(SECONDS_PER_YEAR, "/year")


@dataclass(frozen=True, eq=False, kw_only=True)
class LeastSquaresLine(Plain):
    """What plain least squares on the block averages says of the aging rate, per second.

    Its standard uncertainty holds only if the residuals are white, which those of oscillators are not.

    Attributes
    ----------
    coefficients, covariance
        Of the constant, the slope per record length, and what else the model has, by ordinary least
        squares; shapes (p,) and (p, p).
    variance
        Of the residuals, with ``degrees_of_freedom``.
    duration_s
        Length of the record.
    level
        What the other columns are after the record, shape (p - 2,).
    """

    rate: AgingRate
    coefficients: FloatArray
    covariance: FloatArray
    variance: float
    degrees_of_freedom: int
    duration_s: float
    level: FloatArray

    def frequency_at(self, times_s: npt.ArrayLike) -> StudentMixture:
        """Return the average frequency that the line predicts at times since the start, shape (m,).

        Parameters
        ----------
        times_s
            Seconds since the start of the record; the environment counts at its mean, every step as made.

        Notes
        -----
        Prediction interval of ordinary regression (Draper & Smith, Applied Regression Analysis, 3.1): that
        of the line and of one more average. Not valid where residuals are not white: the forecast of the
        clock model is.
        """
        scaled = np.atleast_1d(np.asarray(times_s, dtype=float)) / self.duration_s
        row = np.column_stack([np.ones_like(scaled), scaled, np.tile(self.level, (len(scaled), 1))])
        line = np.einsum("mi,ij,mj->m", row, self.covariance, row)
        return StudentMixture.student(
            row @ self.coefficients, np.sqrt(line + self.variance), self.degrees_of_freedom
        )

    def _facts(self) -> Mapping[str, object]:
        return {"aging_rate_per_second": self.rate, "aging_rate_per_day": self.rate.per_day}


def least_squares_line(
    frequency: FloatArray, design: FloatArray, duration_s: float, level: FloatArray
) -> LeastSquaresLine:
    """Return the ordinary least-squares line.

    Parameters
    ----------
    frequency
        Shape (n,).
    design
        Shape (n, p): scaled time first, then what else the model has, without the constant.
    duration_s
        The unit of scaled time.
    level
        The other columns after the record, shape (p - 1,): zero for the environment, one for steps.
    """
    scale = float(np.std(frequency)) or 1.0
    y = (frequency - frequency.mean()) / scale
    columns = np.column_stack([np.ones(len(y)), design])
    ranks = ranked(design)
    solution = np.append(*ranks.least_squares(y))
    known = np.flatnonzero(np.append(True, ranks.kept))
    freedom = len(y) - len(known)
    variance = float(np.sum((y - columns @ solution) ** 2)) / freedom
    root = np.zeros((columns.shape[1], len(known)))
    root[known] = np.linalg.inv(ranks.triangle)
    inverse = root @ root.T  # (X'X)⁻¹ = R⁻¹R⁻ᵀ
    error = math.sqrt(variance * inverse[1, 1])
    factor = scale / duration_s
    constant = np.zeros(columns.shape[1])
    constant[0] = float(frequency.mean())
    return LeastSquaresLine(
        rate=AgingRate(
            distribution=StudentMixture.student(solution[1] * factor, error * factor, freedom), unit="/s"
        ),
        coefficients=constant + scale * solution,
        covariance=scale**2 * variance * inverse,
        variance=scale**2 * variance,
        degrees_of_freedom=freedom,
        duration_s=duration_s,
        level=level,
    )
