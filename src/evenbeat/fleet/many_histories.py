"""When each of many instruments leaves its tolerance: the posteriors of their histories, side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.calibration.history_posterior import Posteriors
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

SMALLEST_VARIANCE = 1e-300
FARTHEST = 8.3
"""So many standard deviations out a normal distribution function is 0 or 1 to the last digit."""
SHARES = np.append(0.0, np.geomspace(1e-3, 1.0, 25))
SEASON_SHARES = np.unique([*SHARES, *np.linspace(0, 1, 41)])
"""Where in the longest interval it is looked for that an offset leaves its limits."""
COARSE_SHARES, RISES = SHARES[[0, *range(1, 26, 3)]], 1e-9
"""Where it suffices to look, unless the probability rises by so much on the way: it may have been lower."""
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
        return _below((limit[:, 1:] - middle) * narrow) - _below((limit[:, :1] - middle) * narrow)

    def interval_s(self, limit: FloatArray, reliability: float, longest_s: FloatArray) -> FloatArray:
        """Return for how long each stays within its limits with this probability, shape (m,).

        0 where it is not even at the start, its ``longest_s`` where it does not leave by then.
        """
        # a yearly course may leave and come back
        seasonal = self.posteriors.seasonal
        straight = replace(self, posteriors=self.posteriors.straight)
        ends, rose = np.zeros(len(limit)), np.zeros(len(limit), dtype=bool)
        for model, which, shares in (
            (straight, ~seasonal, COARSE_SHARES),
            (straight, rose, SHARES),
            (self, seasonal, SEASON_SHARES),
        ):
            rows = np.flatnonzero(which)
            if len(rows):
                ends[rows], rose[rows] = model.some(rows)._ends(
                    limit[rows], reliability, longest_s[rows], shares
                )
        return ends

    def _ends(
        self, limit: FloatArray, asked: float, longest_s: FloatArray, shares: FloatArray
    ) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Return the first exits, and whose probability rises before.

        Between which two shares of the longest interval they are, then by regula falsi.
        """
        ends, rows, some = longest_s.copy(), np.arange(len(limit)), self
        low, over, high, under = np.zeros((4, len(limit)))
        over += np.inf
        rose = np.zeros(len(limit), dtype=bool)
        for share in shares:
            at = share * longest_s[rows]
            excess = some.probability_within(at, limit[rows]) - asked
            out = excess < 0
            rose[rows] |= excess > over[rows] + RISES
            left, stays = rows[out], rows[~out]
            high[left], under[left], low[stays], over[stays] = at[out], excess[out], at[~out], excess[~out]
            if len(left):
                rows, some = stays, some.some(np.flatnonzero(~out))
            if not len(rows):
                break
        ends[(under < 0) & (high == 0)] = 0.0
        rows = np.flatnonzero(high > 0)
        some, side, at = self.some(rows), np.zeros(len(rows)), low[rows]
        low, over, high, under = low[rows], over[rows], high[rows], under[rows]
        for _ in range(MOST_STEPS):
            nearer = (low * under - high * over) / (under - over)
            going = np.abs(nearer - at) > TOLERATED * nearer  # none depends on its neighbours
            ends[rows[~going]] = at[~going]
            rows, side, at = rows[going], side[going], nearer[going]
            low, over, high, under = low[going], over[going], high[going], under[going]
            if not len(rows):
                break
            some = some if going.all() else some.some(np.flatnonzero(going))
            here = some.probability_within(at, limit[rows]) - asked
            beyond = here < 0
            now = np.where(beyond, -1.0, 1.0)
            halved = np.where(now == side, 0.5, 1.0)  # the end that stays again (Illinois)
            over, under = np.where(beyond, over * halved, here), np.where(beyond, here, under * halved)
            low, high, side = np.where(beyond, low, at), np.where(beyond, at, high), now
        ends[rows] = at
        return ends, rose

    def drift_per_year(self) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation of the drift per year at the last calibration, shape (m,)."""
        found = self.posteriors
        rate = found.mean[1]
        mean = np.einsum("ik,ik->i", found.weight, rate)
        variance = found.covariance[1, 1] + (rate - mean[:, np.newaxis]) ** 2
        return mean, np.sqrt(np.einsum("ik,ik->i", found.weight, variance))

    def some(self, chosen: np.ndarray) -> ManyHistories:
        """Return some of the instruments."""
        return replace(self, posteriors=self.posteriors.some(chosen))


def _below(z: FloatArray) -> FloatArray:
    """Return the standard normal distribution function; far out it is 0 or 1, as most points are."""
    found = (z > 0).astype(float)
    near = np.abs(z) < FARTHEST
    found[near] = special.ndtr(z[near])
    return found
