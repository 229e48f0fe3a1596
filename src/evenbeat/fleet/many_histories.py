"""When each of many instruments leaves its tolerance: the posteriors of their histories, side by side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.calibration.history_posterior import Posteriors
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

SMALLEST_VARIANCE = 1e-300
SHORTEST_SHARE, COARSE_POINTS = 1e-3, 25
SEASON_POINTS = 41
STEPS = 7


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
        years = (np.asarray(elapsed_s) / SECONDS_PER_YEAR)[:, np.newaxis]
        middle, variance = self.posteriors.forecast(years)
        narrow = 1 / np.sqrt(np.maximum(variance + self.constant**2, SMALLEST_VARIANCE))
        low, high = limit[:, :1], limit[:, 1:]
        inside = special.ndtr((high - middle) * narrow) - special.ndtr((low - middle) * narrow)
        return np.einsum("ik,ik->i", self.posteriors.weight, inside)

    def interval_s(self, limit: FloatArray, reliability: float, longest_s: FloatArray) -> FloatArray:
        """Return for how long each stays within its limits with this probability, shape (m,).

        0 where it is not even at the start, its ``longest_s`` where it does not leave by then. The first
        crossing is looked for at moments that lie 4/3 apart, and then found to 1e-4 of itself.
        """
        low, high = np.zeros(len(limit)), longest_s.astype(float)
        over, under = np.zeros(len(limit)), np.zeros(len(limit))
        inside = np.arange(len(limit))
        shares = [0.0, *np.geomspace(SHORTEST_SHARE, 1.0, COARSE_POINTS).tolist()]
        if self.posteriors.covariance[2, 2].any():  # a yearly course may leave and come back
            shares = np.unique([*shares, *np.linspace(0, 1, SEASON_POINTS)]).tolist()
        for share in shares:
            at = share * longest_s[inside]
            excess = self.some(inside).probability_within(at, limit[inside]) - reliability
            left, stays = inside[excess < 0], inside[excess >= 0]
            high[left], under[left] = at[excess < 0], excess[excess < 0]
            low[stays], over[stays] = at[excess >= 0], excess[excess >= 0]
            inside = stays
            if not len(inside):
                break
        some = np.flatnonzero(low < high)
        if len(some):
            part = self.some(some)
            low[some] = _crossing(
                lambda t: part.probability_within(t, limit[some]) - reliability,
                (low[some], over[some]),
                (high[some], under[some]),
            )
        return low

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


def _crossing(
    excess: Callable[[FloatArray], FloatArray],
    low: tuple[FloatArray, FloatArray],
    high: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Return where each excess falls through zero, by false position with a stuck end halved (Illinois)."""
    (a, above), (b, below) = (tuple(map(np.copy, pair)) for pair in (low, high))
    middle, stuck = a, np.zeros(len(a))
    for _ in range(STEPS):
        middle = (a * below - b * above) / (below - above)
        value = excess(middle)
        holds = value >= 0
        side = np.where(holds, 1.0, -1.0)
        other = np.where(side == stuck, 0.5, 1.0)  # of the end that stays for a second time
        above, below = np.where(holds, value, other * above), np.where(holds, other * below, value)
        a, b = np.where(holds, middle, a), np.where(holds, b, middle)
        stuck = side
    return middle
