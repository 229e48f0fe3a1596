"""When each of many instruments leaves its tolerance: the posteriors of their histories, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.calibration.history_posterior import Posteriors
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

SMALLEST_VARIANCE = 1e-300
SHARES = np.append(0.0, np.geomspace(1e-3, 1.0, 25))
SEASON_SHARES = np.unique([*SHARES, *np.linspace(0, 1, 41)])
"""Where in the longest interval it is looked for that an offset leaves its limits."""
TOLERATED, MOST_STEPS = 1e-10, 60
"""Share of itself to which an interval is found, and after how many steps at the latest."""


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
        # a yearly course may leave and come back
        seasonal = self.posteriors.covariance[2, 2].any(axis=1)
        ends = np.zeros(len(limit))
        for rows, shares in ((np.flatnonzero(~seasonal), SHARES), (np.flatnonzero(seasonal), SEASON_SHARES)):
            if len(rows):
                ends[rows] = self.some(rows)._ends(limit[rows], reliability, longest_s[rows], shares)
        return ends

    def _ends(self, limit: FloatArray, asked: float, longest_s: FloatArray, shares: FloatArray) -> FloatArray:
        """Return the first exits: between which two shares of the longest interval, then by regula falsi."""
        excess = np.stack(
            [self.probability_within(share * longest_s, limit) - asked for share in shares], axis=1
        )
        first = (excess < 0).argmax(axis=1)
        ends = np.where(excess[:, 0] < 0, 0.0, longest_s)
        rows = np.flatnonzero(first > 0)
        if not len(rows):
            return ends
        some, limits, after = self.some(rows), limit[rows], first[rows]
        low, high = (longest_s[rows] * shares[at] for at in (after - 1, after))
        over, under = (excess[rows, at] for at in (after - 1, after))
        at, side = low, np.zeros(len(rows), dtype=int)
        for _ in range(MOST_STEPS):
            before, at = at, (low * under - high * over) / (under - over)
            if np.all(np.abs(at - before) <= TOLERATED * at):
                break
            here = some.probability_within(at, limits) - asked
            left = here < 0
            halved = np.where(np.where(left, -1, 1) == side, 0.5, 1.0)  # the end that stays again (Illinois)
            over, under = np.where(left, over * halved, here), np.where(left, here, under * halved)
            low, high = np.where(left, low, at), np.where(left, at, high)
            side = np.where(left, -1, 1)
        ends[rows] = at
        return ends

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
