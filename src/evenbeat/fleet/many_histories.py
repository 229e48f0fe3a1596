"""The model of :func:`evenbeat.fit_history` for many instruments at once.

Same priors, laws, likelihood and grid of random walks. For a given walk and bend everything is linear in
the drift and normal, so the drift is integrated in closed form (conjugate normal regression) instead of on
a grid: a posterior is a few hundred normal components, and instruments stack into arrays. Only for
histories whose found states are values; one that says 'in' or 'out' is not normal.

Source: Bayesian linear regression with known variance, Gelman et al., Bayesian Data Analysis, 3rd ed., 14.2.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.calibration.history import CalibrationHistory, Increment
from evenbeat.calibration.history_posterior import BENDS_PER_YEAR, GRID, DriftPrior
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

MOST_COMPONENTS = 360
"""Components kept of each posterior, the heaviest of 720; what is left out hardly weighs."""
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
    """

    weight: FloatArray
    bend: FloatArray
    walk: FloatArray
    drift: FloatArray
    drift_variance: FloatArray
    start: FloatArray
    start_variance: FloatArray
    span: FloatArray

    def probability_within(self, elapsed_s: FloatArray, limit: FloatArray) -> FloatArray:
        """Return P(|offset| <= limit) of every instrument at its own time after its last calibration."""
        t = (np.asarray(elapsed_s) / SECONDS_PER_YEAR)[:, np.newaxis]
        slowed = self.bend / (1 + self.bend * self.span[:, np.newaxis])
        aged = np.log1p(slowed * t) / self.bend
        middle = self.start[:, np.newaxis] + self.drift * aged
        variance = self.start_variance[:, np.newaxis] + self.walk**2 * t + self.drift_variance * aged**2
        narrow = 1 / np.sqrt(np.maximum(variance, SMALLEST_VARIANCE))
        edge = limit[:, np.newaxis]
        inside = special.ndtr((edge - middle) * narrow) - special.ndtr((-edge - middle) * narrow)
        return np.einsum("ik,ik->i", self.weight, inside)

    def interval_s(self, limit: FloatArray, reliability: float, longest_s: FloatArray) -> FloatArray:
        """Return for how long each stays within its limit with this probability, shape (m,).

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
    units = np.array([prior.drift_per_year for prior in priors])
    walk_units = np.array([prior.walk_per_root_year / prior.drift_per_year for prior in priors])
    increments = _stacked([history.increments() for history in histories], units)
    edges = np.concatenate([[0.0], np.geomspace(1e-3, 6.0, GRID[1])])
    nodes, widths = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)
    walks = walk_units[:, np.newaxis] * nodes
    parts = [
        _conditioned(increments, walks, bend, share)
        for bend, share in ((STRAIGHT, 0.0), *((b, -math.log(len(BENDS_PER_YEAR))) for b in BENDS_PER_YEAR))
    ]
    logs = np.stack([log for log, _, _ in parts], axis=1) - 0.5 * nodes**2 + np.log(widths)
    drift = np.stack([mean for _, mean, _ in parts], axis=1)
    variance = np.stack([spread for _, _, spread in parts], axis=1)
    bends = np.broadcast_to(np.array([STRAIGHT, *BENDS_PER_YEAR])[:, np.newaxis], drift.shape)
    walk = np.broadcast_to(walks[:, np.newaxis, :], drift.shape)
    flat = [array.reshape(len(units), -1) for array in (logs, bends, walk, drift, variance)]
    order = np.argsort(-flat[0], axis=1, kind="stable")[:, :MOST_COMPONENTS]
    logs, bend, walk, drift, variance = (np.take_along_axis(array, order, axis=1) for array in flat)
    weight = np.exp(logs - logs[:, :1])
    size = units[:, np.newaxis]
    last = [history.points[-1] for history in histories]
    uncertainty = np.array([point.standard_uncertainty for point in last])
    return ManyHistories(
        weight=weight / weight.sum(axis=1, keepdims=True),
        bend=bend,
        walk=walk * size,
        drift=drift * size,
        drift_variance=variance * size**2,
        start=np.array([point.as_left for point in last]),
        start_variance=uncertainty**2,
        span=np.array([point.time_s for point in last]) / SECONDS_PER_YEAR,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Increments:
    """Increments, shape (m, j), in years and in units of the prior; ``there`` marks the real ones."""

    start: FloatArray
    stop: FloatArray
    change: FloatArray
    known: FloatArray
    there: FloatArray


def _stacked(increments: Sequence[Sequence[Increment]], units: FloatArray) -> _Increments:
    most = max((len(some) for some in increments), default=0)
    shape = (len(increments), max(most, 1))
    start, stop, change, known, there = (np.zeros(shape) for _ in range(5))
    known += 1.0
    for i, some in enumerate(increments):
        unit = float(units[i])
        for j, one in enumerate(some):
            start[i, j], stop[i, j] = one.start_s / SECONDS_PER_YEAR, one.stop_s / SECONDS_PER_YEAR
            change[i, j] = one.change / unit
            known[i, j] = (one.start_uncertainty**2 + one.end_uncertainty**2) / unit**2
            there[i, j] = 1.0
    return _Increments(start=start, stop=stop, change=change, known=known, there=there)


def _conditioned(
    increments: _Increments, walks: FloatArray, bend: float, share: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return log evidence, mean and variance of the drift for one bend and every walk, shape (m, s)."""
    precision, lean = np.ones(walks.shape), np.zeros(walks.shape)
    misfit = np.zeros(walks.shape)
    # one increment after the other: the sum of an instrument must not depend on its neighbours
    for j in range(increments.start.shape[1]):
        there = increments.there[:, j, np.newaxis]
        years = (increments.stop[:, j] - increments.start[:, j])[:, np.newaxis]
        variance = np.where(there > 0, walks**2 * years + increments.known[:, j, np.newaxis], 1.0)
        gone = _aged(bend, increments.stop[:, j]) - _aged(bend, increments.start[:, j])
        aged, change = there * gone[:, np.newaxis], there * increments.change[:, j, np.newaxis]
        precision = precision + aged**2 / variance
        lean = lean + aged * change / variance
        misfit = misfit + change**2 / variance + np.log(variance)
    log_evidence = share - 0.5 * misfit - 0.5 * np.log(precision) + 0.5 * lean**2 / precision
    return log_evidence, lean / precision, 1 / precision


def _aged(bend: float, time: FloatArray) -> FloatArray:
    """Return how far a drift of one has gone after so many years: t, or ln(1 + B t) / B."""
    return np.log1p(bend * time) / bend


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
