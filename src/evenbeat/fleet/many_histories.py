"""When each of many instruments leaves its tolerance: the posteriors of their histories, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.calibration.history_posterior import Posteriors
from evenbeat.clock.forecaster import first_exit
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

SMALLEST_VARIANCE = 1e-300
SHARES = np.append(0.0, np.geomspace(1e-3, 1.0, 25))
SEASON_SHARES = np.unique([*SHARES, *np.linspace(0, 1, 41)])
"""Where in the longest interval it is looked for that an offset leaves its limits."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ManyHistories:
    """Posteriors of m instruments, and what environment, transport and reference add to their offsets.

    Attributes
    ----------
    posteriors
        Of their histories, made by :func:`evenbeat.calibration.history_posterior.posteriors`.
    constant
        Standard uncertainty that time does not change.
    """

    posteriors: Posteriors
    constant: float = 0.0

    def probability_within(self, elapsed_s: FloatArray, limit: FloatArray) -> FloatArray:
        """Return P(offset within its limits, shape (m, 2)) of every instrument at its own elapsed time."""
        inside = self._inside(np.asarray(elapsed_s)[:, np.newaxis], limit)
        return np.einsum("ik,ik->i", self.posteriors.weight, inside)

    def _inside(self, elapsed_s: FloatArray, limit: FloatArray) -> FloatArray:
        """Return the probability at every point of the posteriors, elapsed times shaped to go with them."""
        middle, variance = self.posteriors.forecast(elapsed_s / SECONDS_PER_YEAR)
        narrow = 1 / np.sqrt(np.maximum(variance + self.constant**2, SMALLEST_VARIANCE))
        low, high = limit[:, :1], limit[:, 1:]
        return np.asarray(special.ndtr((high - middle) * narrow) - special.ndtr((low - middle) * narrow))

    def interval_s(self, limit: FloatArray, reliability: float, longest_s: FloatArray) -> FloatArray:
        """Return for how long each stays within its limits with this probability, shape (m,).

        0 where it is not even at the start, its ``longest_s`` where it does not leave by then.
        """
        ends = []
        for k, longest in enumerate(longest_s.tolist()):
            one, limits = self.some(np.array([k])), limit[k : k + 1]

            def probability(
                times: FloatArray, one: ManyHistories = one, limits: FloatArray = limits
            ) -> FloatArray:
                return one._inside(times[:, np.newaxis], limits) @ one.posteriors.weight[0]

            # a yearly course may leave and come back
            seasonal = one.posteriors.covariance[2, 2].any()
            times = longest * (SEASON_SHARES if seasonal else SHARES)
            ends.append(first_exit(times, probability(times), reliability, between=probability))
        return np.minimum(np.where(np.isnan(ends), 0.0, ends), longest_s)

    def drift_per_year(self) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation of the drift per year at the last calibration, shape (m,)."""
        found = self.posteriors
        rate = found.mean[1]
        mean = np.einsum("ik,ik->i", found.weight, rate)
        variance = found.covariance[1, 1] + (rate - mean[:, np.newaxis]) ** 2
        return mean, np.sqrt(np.einsum("ik,ik->i", found.weight, variance))

    def some(self, chosen: np.ndarray) -> ManyHistories:
        """Return some of the instruments."""
        return ManyHistories(posteriors=self.posteriors.some(chosen), constant=self.constant)
