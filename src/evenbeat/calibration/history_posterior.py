"""The posterior of drift and random walk given calibrations: alone, for many at once, or within a family.

Increment ``d ~ N(D a(T), s² T + u² + u²)``, a being the course of the drift. For a given walk s and bend of
the course everything is linear in the drift D and normal, so that D is integrated in closed form; walks and
bends are a grid. A calibration that says only 'in' or 'out' is not normal: the drift is then a grid, too, as
wide as the measured increments leave it, and counts with the probability of that state.

Within a family the drifts of the instruments scatter about a common one: ``D = m + e`` with
``m ~ N(0, ρ v)``, ``e ~ N(0, (1 - ρ) v)``, v being the variance of the class and ρ what the family has in
common, itself unknown; the random walk is common.

A class of oscillators is a prior, and a prior may be wrong. What it says of the increments beforehand is held
against them (:func:`contradicted`); where they hardly go with it, it is set aside for one that leaves the
drift to the calibrations alone.

Sources: Bayesian linear regression with known variance, Gelman et al., Bayesian Data Analysis, 3rd ed., 14.2;
predictive check of a prior, Box 1980, J. R. Stat. Soc. A 143, 383 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.calibration.history import Increment
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.oscillator_classes import OscillatorClass, oscillator_class_named
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

DRIFTS, WALKS = 101, 90
"""Points of a grid: drifts, where a state is weighed, and walks."""
FAMILY_DRIFTS = 321
COMMON_SHARES = (0.0, 0.3, 0.6, 0.8, 0.9, 0.96, 0.99, 0.997)
"""Shares ρ of the class's variance that a family may have in common, equally likely beforehand."""
BENDS_PER_YEAR = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
"""How soon a logarithmic drift slows down: its parameter B, equally likely a priori."""
KEPT = 1e-6
"""Grid points of less than this share of the most likely one are left out."""
CONTRADICTED = 0.01
"""A class is set aside where increments as far off as those seen have a smaller probability beforehand: that
happens to one instrument in a hundred of the class itself, and costs it no more than the longer interval."""
VAGUE = 10.0
"""Standard deviation of a drift that only the calibrations know, in root mean squares of the rates seen."""
WALK_OF_RATE = 0.5
"""Scale of its walk after a year in those, as large as in any class (caesium; from memory)."""
WIDER = 2.0
"""Standard deviation of the drift within a family whose class was set aside, in the same unit."""
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
    of_mean
        Whether the drift meant is the mean over the increments that were seen, which every law then has to
        give alike; else that at the first calibration.
    """

    name: str
    drift_per_year: float
    walk_per_root_year: float
    of_mean: bool = False

    @property
    def spoken(self) -> str:
        """Its name in a sentence."""
        return self.name.replace("_", " ")

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
    """Points of the posterior, each of shape (k,): per second, per root second, and their probability.

    At each point the drift is normal with ``drift_uncertainty``.
    """

    drift: FloatArray
    drift_uncertainty: FloatArray
    bend: FloatArray
    walk: FloatArray
    weight: FloatArray
    common_share: float = math.nan


@dataclass(frozen=True, eq=False, kw_only=True)
class NormalPosteriors:
    """Posteriors of m instruments for each of b bends and s walks, normal in the drift; times in years.

    Attributes
    ----------
    bend
        Shape (b,).
    walk
        Shape (m, s).
    log_weight, drift, drift_variance
        Shape (m, b, s).
    probability
        Shape (m,): of increments as far off as those seen or farther, by the prior alone.
    """

    bend: FloatArray
    walk: FloatArray
    log_weight: FloatArray
    drift: FloatArray
    drift_variance: FloatArray
    probability: FloatArray


def normal_posteriors(
    groups: Sequence[Sequence[Increment]], priors: Sequence[DriftPrior], *, law: str = "auto"
) -> NormalPosteriors:
    """Return the posterior of every instrument by itself, given its measured increments.

    Parameters
    ----------
    groups
        Increments of each instrument; those that say only 'in' or 'out' do not count here.
    law
        ``constant``, ``logarithmic`` or ``auto``: both, equally likely beforehand.

    Notes
    -----
    Probability of the increments beforehand: d is normal with covariance ``C = v² a aᵀ + diag(s² T + u²)``
    and ``dᵀ C⁻¹ d`` chi-squared with as many degrees of freedom as there are increments; its upper tail,
    averaged over the prior of walk and law.
    """
    drift_units = np.array([prior.drift_per_year for prior in priors])
    walk_units = np.array([prior.walk_per_root_year / prior.drift_per_year for prior in priors])
    of_mean = np.array([prior.of_mean for prior in priors])
    increments = _stacked(groups, drift_units)
    nodes, widths = _walk_nodes()
    walks = walk_units[:, np.newaxis] * nodes
    bends = BENDS[law]
    # the bends of the logarithmic law share its probability
    shares = np.array([0.0 if bend == 0 else -math.log(len(BENDS_PER_YEAR)) for bend in bends])
    parts = [_conditioned(increments, walks, bend, of_mean) for bend in bends]
    log_evidence, drift, variance, misfit = (np.stack(part, axis=1) for part in zip(*parts, strict=True))
    before = np.exp(shares)[:, np.newaxis] * (np.exp(-0.5 * nodes**2) * widths)
    count = increments.there.sum(axis=1)[:, np.newaxis, np.newaxis]
    tail = np.where(count > 0, special.chdtrc(np.maximum(count, 1), misfit), 1.0)
    size = drift_units[:, np.newaxis]
    return NormalPosteriors(
        bend=np.array(bends),
        walk=walks * size,
        log_weight=log_evidence + shares[:, np.newaxis] - 0.5 * nodes**2 + np.log(widths),
        drift=drift * size[:, np.newaxis],
        drift_variance=variance * size[:, np.newaxis] ** 2,
        probability=(tail * before).sum(axis=(1, 2)) / before.sum(),
    )


BENDS = {"constant": (0.0,), "logarithmic": BENDS_PER_YEAR, "auto": (0.0, *BENDS_PER_YEAR)}
"""Law of the drift to its bends per year; none is a constant drift."""


def _walk_nodes() -> tuple[FloatArray, FloatArray]:
    """Return the grid of walks in units of their prior's scale, and the widths of its cells."""
    edges = np.concatenate([[0.0], np.geomspace(1e-3, 6.0, WALKS)])
    return 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Increments:
    """Increments, shape (m, j), in years and in units of the prior; ``there`` marks the real ones."""

    start: FloatArray
    stop: FloatArray
    change: FloatArray
    known: FloatArray
    there: FloatArray


def _stacked(groups: Sequence[Sequence[Increment]], units: FloatArray) -> _Increments:
    measured = [[one for one in some if one.state is None] for some in groups]
    shape = (len(groups), max([1, *(len(some) for some in measured)]))
    start, stop, change, known, there = (np.zeros(shape) for _ in range(5))
    known += 1.0
    for i, some in enumerate(measured):
        unit = float(units[i])
        for j, one in enumerate(some):
            start[i, j], stop[i, j] = one.start_s / SECONDS_PER_YEAR, one.stop_s / SECONDS_PER_YEAR
            change[i, j] = one.change / unit
            known[i, j] = (one.start_uncertainty**2 + one.end_uncertainty**2) / unit**2
            there[i, j] = 1.0
    return _Increments(start=start, stop=stop, change=change, known=known, there=there)


def _conditioned(
    increments: _Increments, walks: FloatArray, bend: float, of_mean: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return log evidence, mean and variance of the drift, and misfit for one bend and every walk, (m, s)."""
    gone_all = aged(bend, increments.stop) - aged(bend, increments.start)
    years_all = increments.stop - increments.start
    seen = np.maximum((increments.there * years_all).sum(axis=1), np.finfo(float).tiny)
    mean_course = (increments.there * gone_all).sum(axis=1) / seen
    # prior of the drift at the first calibration: N(0, 1/g²), g D being the mean drift over what was seen
    per_drift = np.where(of_mean, mean_course, 1.0)[:, np.newaxis]
    precision, lean = np.broadcast_to(per_drift**2, walks.shape), np.zeros(walks.shape)
    squares, logs = np.zeros(walks.shape), np.zeros(walks.shape)
    # one increment after the other: the sum of an instrument must not depend on its neighbours
    for j in range(increments.start.shape[1]):
        there, years = increments.there[:, j, np.newaxis], years_all[:, j, np.newaxis]
        variance = np.where(there > 0, walks**2 * years + increments.known[:, j, np.newaxis], 1.0)
        gone, change = there * gone_all[:, j, np.newaxis], there * increments.change[:, j, np.newaxis]
        precision = precision + gone**2 / variance
        lean = lean + gone * change / variance
        squares = squares + change**2 / variance
        logs = logs + np.log(variance)
    misfit = squares - lean**2 / precision  # dᵀ C⁻¹ d by the formula of Sherman and Morrison
    log_evidence = np.log(per_drift) - 0.5 * (misfit + logs + np.log(precision))
    return log_evidence, lean / precision, 1 / precision, np.maximum(misfit, 0.0)


def contradicted(probability: FloatArray) -> list[float | None]:
    """Return each probability beforehand that is too small to keep the prior, ``None`` for the others."""
    return [one if one < CONTRADICTED else None for one in probability.tolist()]


def prior_of_data(increments: Sequence[Increment], name: str, *, family: bool = False) -> DriftPrior:
    """Return the prior that leaves the drift to the measured increments, in place of a class they contradict.

    The mean drift over what was seen is as good as free; its walk is as large beside it as in any class.
    """
    measured = [one for one in increments if one.state is None]
    rates = [one.change / (one.duration_s / SECONDS_PER_YEAR) for one in measured]
    size = math.sqrt(sum(rate**2 for rate in rates) / len(rates))
    return DriftPrior(
        name=name,
        drift_per_year=(WIDER if family else VAGUE) * size,
        walk_per_root_year=WALK_OF_RATE * size,
        of_mean=not family,
    )


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
    tolerance
        By which states without one of their own were judged.
    law
        ``constant``, ``logarithmic`` or ``auto``: both, equally likely beforehand.
    """
    if siblings:
        return _of_family(increments, prior, tolerance=tolerance, law=law, siblings=siblings)
    many = normal_posteriors([increments], [prior], law=law)
    shape = many.drift[0].shape
    drift, deviation, logs = (
        many.drift[0].ravel(),
        np.sqrt(many.drift_variance[0].ravel()),
        many.log_weight[0],
    )
    bend = np.broadcast_to(many.bend[:, np.newaxis], shape).ravel()
    walk, logs = np.broadcast_to(many.walk[0], shape).ravel(), logs.ravel()
    judged = [one for one in increments if one.state is not None]
    if judged:
        z, step = np.linspace(-FARTHEST, FARTHEST, DRIFTS, retstep=True)
        drift = drift[:, np.newaxis] + deviation[:, np.newaxis] * z
        logs = logs[:, np.newaxis] - 0.5 * z**2
        for one in judged:
            logs = logs + _log_state(one, drift, bend[:, np.newaxis], walk[:, np.newaxis], tolerance)
        bend, walk, deviation = (np.repeat(one, DRIFTS) for one in (bend, walk, deviation * step / 12**0.5))
        drift, logs = drift.ravel(), logs.ravel()
    return _kept(drift, deviation, bend, walk, logs)


FARTHEST = 6.5
"""Standard deviations of the drift, to either side, where states are weighed on a grid."""


def _log_state(
    one: Increment, drift: FloatArray, bend: FloatArray, walk: FloatArray, tolerance: Tolerance | None
) -> FloatArray:
    """Return the log probability of a state that was found, per year."""
    start, stop = one.start_s / SECONDS_PER_YEAR, one.stop_s / SECONDS_PER_YEAR
    limits = one.tolerance or tolerance or Tolerance(lower=-math.inf, upper=math.inf)
    spread = np.sqrt(walk**2 * (stop - start) + one.start_uncertainty**2 + one.end_uncertainty**2)
    middle = one.start + drift * (aged(bend, stop) - aged(bend, start))
    inside = special.ndtr((limits.upper - middle) / spread) - special.ndtr((limits.lower - middle) / spread)
    return np.log(np.clip(inside if one.state == "in" else 1 - inside, 1e-300, None))


def _kept(
    drift: FloatArray, deviation: FloatArray, bend: FloatArray, walk: FloatArray, logs: FloatArray
) -> Posterior:
    """Return the points that matter, from years to seconds."""
    weights = np.exp(logs - logs.max())
    kept = weights > KEPT * weights.max()
    return Posterior(
        drift=drift[kept] / SECONDS_PER_YEAR,
        drift_uncertainty=deviation[kept] / SECONDS_PER_YEAR,
        bend=bend[kept] / SECONDS_PER_YEAR,
        walk=walk[kept] / math.sqrt(SECONDS_PER_YEAR),
        weight=weights[kept] / weights[kept].sum(),
    )


def _of_family(
    increments: Sequence[Increment],
    prior: DriftPrior,
    *,
    tolerance: Tolerance | None,
    law: str,
    siblings: Sequence[Sequence[Increment]],
) -> Posterior:
    parts, shares = [], []
    for bend in BENDS[law]:
        problem = _Problem(prior=prior, tolerance=tolerance, bend=bend)
        drift, walk, logs, common = problem.solved(increments, siblings)
        # the bends of the logarithmic law share its probability
        logs = logs - (0.0 if bend == 0 else math.log(len(BENDS_PER_YEAR)))
        step = np.full(drift.shape, float(np.ptp(drift)) / (FAMILY_DRIFTS - 1) / 12**0.5)
        parts.append((drift, step, np.full(drift.shape, bend), walk, logs))
        shares.append((float(special.logsumexp(logs)), common))
    likely = np.exp(np.array([total for total, _ in shares]) - max(total for total, _ in shares))
    common = float(likely @ np.array([share for _, share in shares]) / likely.sum())
    found = _kept(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    return replace(found, common_share=common)


def aged(bend: npt.ArrayLike, time: npt.ArrayLike) -> FloatArray:
    """Return how far a drift of one has gone: t, or ln(1 + B t) / B."""
    b, t = np.broadcast_arrays(np.asarray(bend, dtype=float), np.asarray(time, dtype=float))
    return np.where(b > 0, np.log1p(b * t) / np.where(b > 0, b, 1.0), t)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Problem:
    """One bend per year; inside, units are years and the prior's standard deviation of the drift."""

    prior: DriftPrior
    tolerance: Tolerance | None
    bend: float

    def solved(
        self, increments: Sequence[Increment], siblings: Sequence[Sequence[Increment]]
    ) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        """Return drift, walk and log probability of a grid, and the share in common of the family."""
        nodes, widths = _walk_nodes()
        walks, widths = nodes * self._walk_unit, widths * self._walk_unit
        own = self._likelihood(increments)
        family = _Family.of([self._likelihood(each) for each in siblings], walks)
        d, s = np.meshgrid(family.drifts, walks, indexing="ij")
        logs = own(d, s) + family.log_prior - 0.5 * (s / self._walk_unit) ** 2 + np.log(widths)
        logs = logs + math.log(family.drifts[1] - family.drifts[0])
        unit = self.prior.drift_per_year
        return d.ravel() * unit, s.ravel() * unit, logs.ravel(), family.common_share(own)

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
        start, stop = one.start_s / SECONDS_PER_YEAR, one.stop_s / SECONDS_PER_YEAR
        gone = float(aged(self.bend, stop) - aged(self.bend, start))
        known = (one.start_uncertainty**2 + one.end_uncertainty**2) / unit**2
        change = one.change / unit

        def measured(drift: FloatArray, walk: FloatArray) -> FloatArray:
            variance = walk**2 * (stop - start) + known
            return -0.5 * np.log(variance) - 0.5 * (change - drift * gone) ** 2 / variance

        def judged(drift: FloatArray, walk: FloatArray) -> FloatArray:
            return _log_state(one, drift * unit, np.asarray(self.bend), walk * unit, self.tolerance)

        return measured if one.state is None else judged


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
