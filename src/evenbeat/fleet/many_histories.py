"""The model of :func:`evenbeat.fit_history` for many instruments at once.

The same posterior (:func:`evenbeat.calibration.history_posterior.normal_posteriors`), instruments stacked
into arrays. Only for histories whose found states are values; one that says 'in' or 'out' is not normal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_posterior import (
    DriftPrior,
    NormalPosteriors,
    contradicted,
    normal_posteriors,
    prior_of_data,
)
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

STRAIGHT = 1e-9
"""Bend per year of a constant drift: within 1e-7 of none over a century."""
SMALLEST_VARIANCE = 1e-300
SHORTEST_SHARE, COARSE_POINTS = 1e-3, 25
STEPS = 7


@dataclass(frozen=True, eq=False, kw_only=True)
class ManyHistories:
    """Posteriors of m instruments, k normal components each; times in years, offsets fractional.

    Attributes
    ----------
    weight, bend, walk, drift, drift_variance
        Shape (m, k).
    start, start_variance, span
        Shape (m,): last offset left, its variance, and time from the first to the last calibration.
    unlikely
        For each instrument how improbable its increments are by its class, which was then set aside; ``None``
        where they are not.
    by_class
        The same instruments as their classes would have them, where any of those was set aside.
    """

    weight: FloatArray
    bend: FloatArray
    walk: FloatArray
    drift: FloatArray
    drift_variance: FloatArray
    start: FloatArray
    start_variance: FloatArray
    span: FloatArray
    unlikely: tuple[float | None, ...] = ()
    by_class: ManyHistories | None = None

    def probability_within(self, elapsed_s: FloatArray, limit: FloatArray) -> FloatArray:
        """Return P(offset within its limits, shape (m, 2)) of every instrument at its own elapsed time."""
        t = (np.asarray(elapsed_s) / SECONDS_PER_YEAR)[:, np.newaxis]
        slowed = self.bend / (1 + self.bend * self.span[:, np.newaxis])
        aged = np.log1p(slowed * t) / self.bend
        middle = self.start[:, np.newaxis] + self.drift * aged
        variance = self.start_variance[:, np.newaxis] + self.walk**2 * t + self.drift_variance * aged**2
        narrow = 1 / np.sqrt(np.maximum(variance, SMALLEST_VARIANCE))
        low, high = limit[:, :1], limit[:, 1:]
        inside = special.ndtr((high - middle) * narrow) - special.ndtr((low - middle) * narrow)
        return np.einsum("ik,ik->i", self.weight, inside)

    def interval_s(self, limit: FloatArray, reliability: float, longest_s: FloatArray) -> FloatArray:
        """Return for how long each stays within its limits with this probability, shape (m,).

        0 where it is not even at the start, its ``longest_s`` where it does not leave by then. The first
        crossing is looked for at moments that lie 4/3 apart, and then found to 1e-4 of itself.
        """
        low, high = np.zeros(len(limit)), longest_s.astype(float)
        over, under = np.zeros(len(limit)), np.zeros(len(limit))
        inside = np.arange(len(limit))
        for share in (0.0, *np.geomspace(SHORTEST_SHARE, 1.0, COARSE_POINTS).tolist()):
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
        slowed = 1 / (1 + self.bend * self.span[:, np.newaxis])
        rate = self.drift * slowed
        mean = np.einsum("ik,ik->i", self.weight, rate)
        variance = self.drift_variance * slowed**2 + (rate - mean[:, np.newaxis]) ** 2
        return mean, np.sqrt(np.einsum("ik,ik->i", self.weight, variance))

    def some(self, chosen: np.ndarray) -> ManyHistories:
        """Return some of the instruments."""
        return ManyHistories(
            weight=self.weight[chosen],
            bend=self.bend[chosen],
            walk=self.walk[chosen],
            drift=self.drift[chosen],
            drift_variance=self.drift_variance[chosen],
            start=self.start[chosen],
            start_variance=self.start_variance[chosen],
            span=self.span[chosen],
        )


def fit_many_histories(
    histories: Sequence[CalibrationHistory], priors: Sequence[DriftPrior]
) -> ManyHistories:
    """Learn drift and walk of many instruments, each by itself.

    Parameters
    ----------
    histories
        Every increment has values at both ends; one calibration alone leaves the prior.
    priors
        Of each instrument.
    """
    groups = [history.increments() for history in histories]
    stated = normal_posteriors(groups, priors)
    unlikely = contradicted(stated.probability)
    aside = [at for at, one in enumerate(unlikely) if one is not None]
    if not aside:
        return replace(_components(histories, stated), unlikely=tuple(unlikely))
    free = normal_posteriors(
        [groups[at] for at in aside], [prior_of_data(groups[at], priors[at].name) for at in aside]
    )
    taken = {}
    for name in ("walk", "log_weight", "drift", "drift_variance"):
        taken[name] = getattr(stated, name).copy()
        taken[name][aside] = getattr(free, name)
    return replace(
        _components(histories, replace(stated, **taken)),
        unlikely=tuple(unlikely),
        by_class=_components(histories, stated),
    )


def _components(histories: Sequence[CalibrationHistory], found: NormalPosteriors) -> ManyHistories:
    """Return posteriors as normal components, and where forecasts start."""
    shape = found.drift.shape
    bends = np.broadcast_to(np.maximum(found.bend, STRAIGHT)[:, np.newaxis], shape)
    walks = np.broadcast_to(found.walk[:, np.newaxis, :], shape)
    arrays = (found.log_weight, bends, walks, found.drift, found.drift_variance)
    logs, bend, walk, drift, variance = (array.reshape(len(histories), -1) for array in arrays)
    weight = np.exp(logs - logs.max(axis=1, keepdims=True))
    last = [history.points[-1] for history in histories]
    uncertainty = np.array([point.standard_uncertainty for point in last])
    return ManyHistories(
        weight=weight / weight.sum(axis=1, keepdims=True),
        bend=bend,
        walk=walk,
        drift=drift,
        drift_variance=variance,
        start=np.array([point.as_left for point in last]),
        start_variance=uncertainty**2,
        span=np.array([point.time_s for point in last]) / SECONDS_PER_YEAR,
    )


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
