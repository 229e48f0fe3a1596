"""The posterior of drift and random walk given calibrations, on a grid; alone or within a family.

Increment ``d ~ N(D a(T), s² T + u² + u²)``, a being the course of the drift; a calibration that says only
'in' or 'out' counts with the probability of that. Within a family the drifts of the instruments scatter about
a common one: ``D = m + e`` with ``m ~ N(0, ρ v)``, ``e ~ N(0, (1 - ρ) v)``, v being the variance of the class
and ρ what the family has in common, itself unknown; the random walk is common. For each instrument alone this
is the prior of the class.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.calibration.history import Increment
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.oscillator_classes import OscillatorClass, oscillator_class_named
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

GRID = (161, 90)
FAMILY_DRIFTS = 321
COMMON_SHARES = (0.0, 0.3, 0.6, 0.8, 0.9, 0.96, 0.99, 0.997)
"""Shares ρ of the class's variance that a family may have in common, equally likely beforehand."""
BENDS_PER_YEAR = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
"""How soon a logarithmic drift slows down: its parameter B, equally likely a priori."""
KEPT = 1e-6
"""Grid points of less than this share of the most likely one are left out."""
MATTERS = 21.0
"""Natural logarithm of how much less likely than the best a drift may be and still matter."""

LogWeight = Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True, kw_only=True)
class DriftPrior:
    """What is expected of drift and walk before any calibration, per year.

    Attributes
    ----------
    drift_per_year
        Standard deviation of the drift, normal about zero.
    walk_per_root_year
        Scale of the random walk's standard deviation after a year, half-normal.
    """

    name: str
    drift_per_year: float
    walk_per_root_year: float

    @classmethod
    def of(cls, stated: str | OscillatorClass | DriftPrior) -> DriftPrior:
        """Return the prior of a class of oscillators.

        Raises
        ------
        InputError
            If there is no such class.
        """
        if isinstance(stated, DriftPrior):
            return stated
        kind = oscillator_class_named(stated)
        return cls(
            name=kind.name,
            drift_per_year=kind.drift_per_year,
            walk_per_root_year=kind.walk_per_root_year,
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Posterior:
    """Points of the posterior, each of shape (k,): per second, per root second, and their probability."""

    drift: FloatArray
    bend: FloatArray
    walk: FloatArray
    weight: FloatArray
    common_share: float = math.nan


def posterior(
    increments: Sequence[Increment],
    prior: DriftPrior,
    *,
    tolerance: Tolerance | None,
    law: str,
    siblings: Sequence[Sequence[Increment]] = (),
) -> Posterior:
    """Return the posterior of one instrument, given its siblings where there are any.

    Parameters
    ----------
    increments
        Of the instrument itself; may be empty where siblings have some.
    law
        ``constant``, ``logarithmic`` or ``auto``: both, equally likely beforehand.
    """
    bends = {"constant": (0.0,), "logarithmic": BENDS_PER_YEAR, "auto": (0.0, *BENDS_PER_YEAR)}[law]
    parts, shares = [], []
    for bend in bends:
        per_second = bend / SECONDS_PER_YEAR
        problem = _Problem(prior=prior, tolerance=tolerance, bend=per_second)
        drift, walk, logs, common = problem.solved(increments, siblings)
        # the bends of the logarithmic law share its probability
        logs = logs - (0.0 if bend == 0 else math.log(len(BENDS_PER_YEAR)))
        parts.append((drift, np.full(drift.shape, per_second), walk, logs))
        shares.append((float(special.logsumexp(logs)), common))
    drift, bent, walk, logs = (np.concatenate(column) for column in zip(*parts, strict=True))
    weights = np.exp(logs - logs.max())
    kept = weights > KEPT * weights.max()
    likely = np.exp(np.array([total for total, _ in shares]) - max(total for total, _ in shares))
    common = float(likely @ np.array([share for _, share in shares]) / likely.sum())
    return Posterior(
        drift=drift[kept],
        bend=bent[kept],
        walk=walk[kept],
        weight=weights[kept] / weights[kept].sum(),
        common_share=common,
    )


def aged(bend: npt.ArrayLike, time: npt.ArrayLike) -> FloatArray:
    """Return how far a drift of one has gone: t, or ln(1 + B t) / B."""
    b, t = np.broadcast_arrays(np.asarray(bend, dtype=float), np.asarray(time, dtype=float))
    return np.where(b > 0, np.log1p(b * t) / np.where(b > 0, b, 1.0), t)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Problem:
    """One bend of the drift; years and the prior's standard deviation of the drift are the units inside."""

    prior: DriftPrior
    tolerance: Tolerance | None
    bend: float

    def solved(
        self, increments: Sequence[Increment], siblings: Sequence[Sequence[Increment]]
    ) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        """Return drift, walk and log probability of a grid, and the share in common of a family."""
        unit = self.prior.drift_per_year
        edges = np.concatenate([[0.0], np.geomspace(1e-3, 6.0, GRID[1])]) * self._walk_unit
        walks, widths = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)
        own = self._likelihood(increments)
        common = math.nan
        family: _Family | None = None
        if siblings:
            family = _Family.of([self._likelihood(each) for each in siblings], walks)
            common = family.common_share(own)

        def log_weight(drift: FloatArray, walk: FloatArray) -> FloatArray:
            return own(drift, walk) - 0.5 * drift**2 - 0.5 * (walk / self._walk_unit) ** 2

        drifts = _drifts_that_matter(log_weight, walks[::6]) if family is None else family.drifts
        d, s = np.meshgrid(drifts, walks, indexing="ij")
        logs = log_weight(d, s) if family is None else own(d, s) + family.log_prior
        if family is not None:
            logs = logs - 0.5 * (s / self._walk_unit) ** 2
        logs = logs + np.log(widths) + math.log(drifts[1] - drifts[0])
        return (
            d.ravel() * unit / SECONDS_PER_YEAR,
            s.ravel() * unit / math.sqrt(SECONDS_PER_YEAR),
            logs.ravel(),
            common,
        )

    @property
    def _walk_unit(self) -> float:
        return self.prior.walk_per_root_year / self.prior.drift_per_year

    def _likelihood(self, increments: Sequence[Increment]) -> LogWeight:
        terms = [self._term(one) for one in increments]

        def log_likelihood(drift: FloatArray, walk: FloatArray) -> FloatArray:
            total = np.zeros(np.broadcast_shapes(np.shape(drift), np.shape(walk)))
            for term in terms:
                total = total + term(drift, walk)
            return total

        return log_likelihood

    def _term(self, one: Increment) -> LogWeight:
        """Return the log likelihood of one increment as a function of drift and walk."""
        unit = self.prior.drift_per_year
        years = one.duration_s / SECONDS_PER_YEAR
        gone = float(aged(self.bend, one.stop_s) - aged(self.bend, one.start_s)) / SECONDS_PER_YEAR
        known = (one.start_uncertainty**2 + one.end_uncertainty**2) / unit**2
        start, change = one.start / unit, one.change / unit
        limits = one.tolerance or self.tolerance or Tolerance(lower=-math.inf, upper=math.inf)

        def measured(drift: FloatArray, walk: FloatArray) -> FloatArray:
            variance = walk**2 * years + known
            return -0.5 * np.log(variance) - 0.5 * (change - drift * gone) ** 2 / variance

        def judged(drift: FloatArray, walk: FloatArray) -> FloatArray:
            spread = np.sqrt(walk**2 * years + known)
            middle = start + drift * gone
            upper = special.ndtr((limits.upper / unit - middle) / spread)
            inside = upper - special.ndtr((limits.lower / unit - middle) / spread)
            return np.log(np.clip(inside if one.state == "in" else 1 - inside, 1e-300, None))

        return measured if one.state is None else judged


def _drifts_that_matter(log_weight: LogWeight, some_walks: FloatArray) -> FloatArray:
    """Return evenly spaced drifts over all that hold a thousandth of a millionth of the largest weight."""
    low, high = _range_that_matters(log_weight, some_walks)
    return np.linspace(low, high, GRID[0])


def _range_that_matters(log_weight: LogWeight, some_walks: FloatArray) -> tuple[float, float]:
    coarse = np.unique(np.concatenate([-np.geomspace(1e-5, 60, 400), [0.0], np.geomspace(1e-5, 60, 400)]))
    best = log_weight(*np.meshgrid(coarse, some_walks, indexing="ij")).max(axis=1)
    matters = np.flatnonzero(best > best.max() - MATTERS)
    low, high = max(int(matters[0]) - 1, 0), min(int(matters[-1]) + 1, len(coarse) - 1)
    return float(coarse[low]), float(coarse[high])


@dataclass(frozen=True, eq=False, kw_only=True)
class _Family:
    """What siblings say beforehand of one more instrument.

    Attributes
    ----------
    drifts
        Shape (d,), evenly spaced.
    walks
        Shape (s,).
    by_share
        Log of the joint weight of ρ, drift and walk, shape (r, d, s), the prior of the walk left out.
    """

    drifts: FloatArray
    walks: FloatArray
    by_share: FloatArray

    @classmethod
    def of(cls, likelihoods: Sequence[LogWeight], walks: FloatArray) -> _Family:
        """Return the family of these siblings, each given as a log likelihood of drift and walk."""
        ranges = [
            _range_that_matters(lambda d, s, one=one: one(d, s) - 0.5 * d**2, walks[::6])  # type: ignore[misc]
            for one in likelihoods
        ]
        # 6 standard deviations of the class, or what the siblings need
        drifts = np.linspace(
            min(-6.0, *(low for low, _ in ranges)), max(6.0, *(high for _, high in ranges)), FAMILY_DRIFTS
        )
        step = float(drifts[1] - drifts[0])
        d, s = np.meshgrid(drifts, walks, indexing="ij")
        known = [one(d, s) for one in likelihoods]
        rows = []
        for share in COMMON_SHARES:
            # kernel[m, D]: density of an instrument's drift about the common one
            kernel = _normal(np.subtract.outer(drifts, drifts), max(math.sqrt(1 - share), step))
            spread = max(math.sqrt(share), step)
            log_common = (-0.5 * (drifts / spread) ** 2 + math.log(step / spread))[:, np.newaxis]
            for each in known:
                top = each.max(axis=0)
                log_common = log_common + np.log(kernel @ np.exp(each - top) * step + 1e-300) + top
            top = log_common.max(axis=0)
            rows.append(np.log(kernel.T @ np.exp(log_common - top) + 1e-300) + top)
        return cls(drifts=drifts, walks=walks, by_share=np.array(rows) - math.log(len(COMMON_SHARES)))

    @property
    def log_prior(self) -> FloatArray:
        """Log density of drift for each walk, times what the siblings say of the walk, shape (d, s)."""
        return np.asarray(special.logsumexp(self.by_share, axis=0))

    def common_share(self, own: LogWeight) -> float:
        """Return the expected share ρ in common."""
        d, s = np.meshgrid(self.drifts, self.walks, indexing="ij")
        weight = special.logsumexp(self.by_share + own(d, s), axis=(1, 2))
        return float(
            np.exp(weight - weight.max()) @ np.array(COMMON_SHARES) / np.exp(weight - weight.max()).sum()
        )


def _normal(x: FloatArray, deviation: float) -> FloatArray:
    return np.exp(-0.5 * (x / deviation) ** 2) / (deviation * math.sqrt(2 * math.pi))
