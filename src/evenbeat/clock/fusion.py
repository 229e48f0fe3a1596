"""One model for a log and for calibrations: the posterior of the log, conditioned on dated offsets.

The log shows the clock against a local reference, ``y_log = y - y_ref``; a calibration shows it against
a better one. With ``y_ref(t) = b + d (t - end of the log)``, b and d unknown but for their prior, every
calibrated offset is ``y_log + b + d (t - end) + error``, and an adjustment adds a step of unknown size.
At each point of the log's posterior (aging law, noise ratios) and each value of the overall level σ²
all of these are jointly normal, so conditioning on the offsets is exact; flat steps are eliminated by
generalized least squares; each point is reweighted by the density it gave to the offsets.

What is exact and what is not: exact given law, ratios and σ². The level σ² is integrated by Gauss's rule
for its gamma distribution (3 nodes from 100 degrees of freedom, 5 from 30, else 9) where the log alone
allows a Student distribution in closed form. Laws keep their AICc weights from the log times the density
of the offsets. Laws run on straight before the log begins. Sources: universal kriging, Matheron 1973;
prior predictive check, Box 1980; quadrature, Golub & Welsch 1969.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg, special

from evenbeat.clock.covariance import Spans
from evenbeat.clock.offsets import Offsets, leans_over
from evenbeat.clock.prediction import (
    Component,
    Joint,
    JointPrediction,
    Posterior,
    Predicted,
    Targets,
    walk_ratio,
)
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.quantities import FloatArray, StudentMixture

KEPT_PROBABILITY = 0.998
NODES = ((100.0, 3), (30.0, 5), (0.0, 9))
"""From how many degrees of freedom how many nodes over σ² are enough."""


def gamma_rule(degrees_of_freedom: float, count: int) -> tuple[FloatArray, FloatArray]:
    """Return values and weights of σ²/level for σ² ~ level ν/χ²_ν: Gauss's rule for 1/σ².

    Exact for polynomials in 1/σ² up to degree ``2 count - 1`` (Golub & Welsch 1969).
    """
    alpha = degrees_of_freedom / 2 - 1
    k = np.arange(count)
    off = np.sqrt(k[1:] * (k[1:] + alpha))
    nodes, vectors = linalg.eigh_tridiagonal(2 * k + alpha + 1, off)
    return degrees_of_freedom / 2 / nodes, vectors[0] ** 2


@dataclass(frozen=True, eq=False, kw_only=True)
class Reference:
    """The log's reference: prior of its offset and drift at the end of the log, in scaled units.

    Attributes
    ----------
    mean
        Offset over the model's scale, and drift times record length over it, shape (2,).
    covariance
        Shape (2, 2).
    """

    mean: FloatArray
    covariance: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Conditioned:
    """One set of noise levels after conditioning: a normal distribution of the targets.

    ``level`` is σ², the Allan variance of white FM at one block, in the model's scale. Covariance, trend and
    reference are matrices, or their diagonals where the targets were asked for each by itself.
    """

    weight: float
    level: float
    mean: FloatArray
    covariance: FloatArray
    trend: FloatArray
    reference: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Agreement:
    """How well the offsets fit what the log predicted of them.

    Attributes
    ----------
    probability
        Prior-predictive probability of offsets that fit so badly or worse; NaN without a free one.
    chi_squared, freedom
        Weighted over the log's posterior.
    normalised
        For every offset, what it lies from the log's forecast over twice the standard deviation of
        that difference (E_n at k = 2), steps eliminated; NaN where a step takes it up.
    """

    probability: float
    chi_squared: float
    freedom: int
    normalised: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Fusion:
    """A log's posterior conditioned on calibrated offsets; frequencies are in units of the model's scale."""

    log: Posterior
    offsets: Offsets
    reference: Reference

    @cached_property
    def _points(self) -> list[tuple[int, float, float]]:
        """Component, σ² over its estimate, and weight: the posterior given log and offsets."""
        ranked = sorted(self._weighed, key=lambda each: -each[2])
        total = np.cumsum([weight for _, _, weight in ranked])
        kept = int(np.searchsorted(total, KEPT_PROBABILITY * total[-1])) + 1
        mass = total[min(kept, len(total)) - 1]
        return [(index, factor, weight / mass) for index, factor, weight in ranked[:kept]]

    @cached_property
    def components(self) -> tuple[Component, ...]:
        """The log's components, reweighted by what the offsets say."""
        weights: dict[int, float] = {}
        for index, _, weight in self._points:
            weights[index] = weights.get(index, 0.0) + weight
        return tuple(replace(self.log.components[index], weight=weight) for index, weight in weights.items())

    @property
    def law_of_part(self) -> list[str]:
        """The aging law behind every component of a prediction."""
        return [self.log.variants[self.log.components[index].variant].law.name for index, *_ in self._points]

    @property
    def walk_of_part(self) -> list[float]:
        """Ratio of random-walk FM to white FM (Allan variances at a block) at every part of a prediction."""
        return [walk_ratio(self.log.grid, self.log.components[index]) for index, *_ in self._points]

    @cached_property
    def _predicted(self) -> list[JointPrediction]:
        """What the log alone says of the offsets, at every component."""
        joint = Joint(self.log, self.offsets.spans, self.offsets.designs)
        with one_thread():
            return [joint.at(component) for component in self.log.components]

    @cached_property
    def _surprises(self) -> list[tuple[int, float, float, float, float]]:
        """Component, σ² factor, prior weight, log density of the offsets, χ² of the offsets."""
        found = []
        predicted = self._predicted
        with one_thread():
            for index, (component, said) in enumerate(zip(self.log.components, predicted, strict=True)):
                for factor, share in zip(*self._rule(said), strict=True):
                    solved = _Solved.of(self.offsets, self.reference, said, factor * said.level)
                    weight = component.weight * float(share)
                    found.append((index, float(factor), weight, solved.log_density, solved.chi_squared))
        return found

    @property
    def _weighed(self) -> list[tuple[int, float, float]]:
        logs = np.array([np.log(weight) + density for _, _, weight, density, _ in self._surprises])
        weights = np.exp(logs - special.logsumexp(logs))
        return [
            (index, factor, float(weight))
            for (index, factor, *_), weight in zip(self._surprises, weights, strict=True)
        ]

    def _rule(self, said: JointPrediction) -> tuple[FloatArray, FloatArray]:
        count = next(nodes for least, nodes in NODES if said.degrees_of_freedom >= least)
        return gamma_rule(said.degrees_of_freedom, count)

    @cached_property
    def agreement(self) -> Agreement:
        """Whether log and offsets agree: a check made before they are combined."""
        freedom = len(self.offsets) - self.offsets.steps.shape[1]
        weights = np.array([weight for _, _, weight, _, _ in self._surprises])
        chi = np.array([value for *_, value in self._surprises])
        if freedom < 1:
            return Agreement(
                probability=math.nan,
                chi_squared=0.0,
                freedom=0,
                normalised=np.full(len(self.offsets), math.nan),
            )
        best = self.log.components.index(max(self.log.components, key=lambda each: each.weight))
        said = self._predicted[best]
        solved = _Solved.of(self.offsets, self.reference, said, said.level)
        return Agreement(
            probability=float(weights @ special.chdtrc(freedom, chi)),
            chi_squared=float(weights @ chi),
            freedom=freedom,
            normalised=solved.normalised(),
        )

    @property
    def weights(self) -> list[float]:
        """Weights of the points of the posterior, in the order of :meth:`conditioned`."""
        return [weight for _, _, weight in self._points]

    def conditioned(
        self,
        spans: Spans,
        designs: Sequence[FloatArray],
        *,
        only: npt.NDArray[np.bool_] | None = None,
        combine: FloatArray | None = None,
        alone: bool = False,
    ) -> Iterator[Conditioned]:
        """Yield the distribution of means over spans at every point of the posterior, or at some only.

        Parameters
        ----------
        combine
            Shape (targets, spans): sums of means that are asked for instead.
        alone
            Whether each is asked for by itself.
        """
        leans, steps = leans_over(spans), self.offsets.steps_over(spans)
        if combine is not None:
            leans, steps = combine @ leans, combine @ steps
            whole = linalg.block_diag(np.eye(len(self.offsets)), combine)
        both = [np.vstack(pair) for pair in zip(self.offsets.designs, designs, strict=True)]
        joint = Joint(self.log, _together(self.offsets.spans, spans), both)
        points = self._points if only is None else list(itertools.compress(self._points, only))
        count = len(self.offsets)
        said_of: dict[int, JointPrediction] = {}
        with one_thread():
            for index, factor, weight in points:
                if index not in said_of:
                    one = joint.at(self.log.components[index])
                    if combine is not None:
                        shape, trend = (whole @ part @ whole.T for part in (one.shape, one.trend))
                        one = replace(one, location=whole @ one.location, shape=shape, trend=trend)
                    said_of[index] = one
                said = said_of[index]
                level = factor * said.level
                solved = _Solved.of(self.offsets, self.reference, said, level)
                yield solved.condition(
                    said, level, weight, leans=leans, steps=steps, count=count, alone=alone
                )

    @one_thread()
    def rate(self, at: float) -> StudentMixture:
        """Return the distribution of the clock's drift at a scaled time plus that of the reference."""
        locations, scales = [], []
        joint = Joint(self.log, self.offsets.spans, self.offsets.designs, rate_at=at)
        said_of: dict[int, JointPrediction] = {}
        leans, steps = np.array([[0.0, 1.0]]), np.zeros((1, self.offsets.steps.shape[1]))
        count, points = len(self.offsets), self._points
        for index, factor, weight in points:
            if index not in said_of:
                said_of[index] = joint.at(self.log.components[index])
            said = said_of[index]
            solved = _Solved.of(self.offsets, self.reference, said, factor * said.level)
            one = solved.condition(said, factor * said.level, weight, leans=leans, steps=steps, count=count)
            locations.append(one.mean[0])
            scales.append(math.sqrt(max(one.covariance[0, 0], 0.0)))
        return _normal_mixture(np.array(self.weights), np.array(locations), np.array(scales))

    @one_thread()
    def predict(self, targets: Targets) -> Predicted:
        """Return the distribution of the targets, as that of the log alone."""
        spans, designs = targets.spans, targets.designs
        combine = None
        if targets.reference is not None:
            spans = _together(spans, targets.reference)
            designs = tuple(np.vstack(pair) for pair in zip(designs, targets.reference_designs, strict=True))
            combine = np.hstack([np.eye(len(targets.spans)), -np.eye(len(targets.spans))])
        parts = list(self.conditioned(spans, designs, combine=combine, alone=True))
        weights = np.array([part.weight for part in parts])
        locations, variances, trend, owed = (
            np.array([getattr(part, name) for part in parts]).T
            for name in ("mean", "covariance", "trend", "reference")
        )
        return Predicted(
            distribution=_normal_mixture(weights, locations, np.sqrt(np.maximum(variances, 0.0))),
            trend_variance=trend @ weights,
            reference_variance=owed @ weights,
        )


def _normal_mixture(weights: FloatArray, locations: FloatArray, scales: FloatArray) -> StudentMixture:
    return StudentMixture(
        weights=weights,
        locations=locations,
        scales=scales,
        degrees_of_freedom=np.full(len(weights), math.inf),
    )


def _together(one: Spans, other: Spans) -> Spans:
    return Spans(start=np.concatenate([one.start, other.start]), stop=np.concatenate([one.stop, other.stop]))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Solved:
    """The offsets against what was predicted of them, at one set of noise levels.

    ``whitened`` are the residuals and ``steps`` the steps' columns in the basis in which the offsets
    are independent with variance one.
    """

    lower: FloatArray
    leans: FloatArray
    prior: FloatArray
    shift: FloatArray
    whitened: FloatArray
    steps: FloatArray
    found: FloatArray
    inverse: FloatArray

    @classmethod
    def of(cls, offsets: Offsets, reference: Reference, said: JointPrediction, level: float) -> _Solved:
        count = len(offsets)
        covariance = level * said.shape[:count, :count] + np.diag(offsets.variance)
        covariance = covariance + offsets.leans @ reference.covariance @ offsets.leans.T
        residual = offsets.value - said.location[:count] - offsets.leans @ reference.mean
        lower = linalg.cholesky(0.5 * (covariance + covariance.T), lower=True)
        whitened = linalg.solve_triangular(lower, residual, lower=True)
        steps = linalg.solve_triangular(lower, offsets.steps, lower=True)
        inverse = np.linalg.inv(steps.T @ steps)
        return cls(
            lower=lower,
            leans=offsets.leans,
            prior=reference.covariance,
            shift=reference.mean,
            whitened=whitened,
            steps=steps,
            found=inverse @ (steps.T @ whitened),
            inverse=inverse,
        )

    @property
    def chi_squared(self) -> float:
        """χ² of the residuals after the steps."""
        return float(np.sum((self.whitened - self.steps @ self.found) ** 2))

    @property
    def log_density(self) -> float:
        """Log density of the offsets, up to a constant, flat steps integrated out."""
        determinant = 2 * float(np.sum(np.log(np.diag(self.lower))))
        return -0.5 * (determinant - float(np.linalg.slogdet(self.inverse)[1]) + self.chi_squared)

    def normalised(self) -> FloatArray:
        """Return residuals over twice their standard deviations, one by one, steps eliminated."""
        projector = np.eye(len(self.whitened)) - self.steps @ self.inverse @ self.steps.T
        spread = np.sqrt(np.maximum(np.diag(self.lower @ projector @ self.lower.T), 0.0))
        alone = np.sqrt(np.sum(self.lower**2, axis=1))
        residual = self.lower @ (self.whitened - self.steps @ self.found)
        free = spread > 1e-6 * alone
        return np.where(free, residual / (2 * np.where(free, spread, 1.0)), math.nan)

    def condition(
        self,
        said: JointPrediction,
        level: float,
        weight: float,
        *,
        leans: FloatArray,
        steps: FloatArray,
        count: int,
        alone: bool = False,
    ) -> Conditioned:
        """Return the targets, which follow the ``count`` offsets in ``said``, given the offsets."""

        def square(factor: FloatArray, middle: FloatArray | None = None) -> FloatArray:
            """Return ``factorᵀ middle factor``, or its diagonal."""
            right = factor if middle is None else middle @ factor
            return np.einsum("ij,ij->j", factor, right) if alone else factor.T @ right

        own, fixed = said.shape[count:, count:], said.trend[count:, count:]
        if alone:
            own, fixed = np.diag(own), np.diag(fixed)
        towards = level * said.shape[:count, count:] + self.leans @ self.prior @ leans.T
        gain = linalg.solve_triangular(self.lower, towards, lower=True)
        excess = steps - gain.T @ self.steps
        reference = square(leans.T, self.prior)
        without = linalg.solve_triangular(self.lower, level * said.trend[:count, count:], lower=True)
        owed = linalg.solve_triangular(self.lower, self.leans @ self.prior @ leans.T, lower=True)
        free = np.eye(count) - self.steps @ self.inverse @ self.steps.T
        return Conditioned(
            weight=weight,
            level=level,
            mean=said.location[count:]
            + leans @ self.shift
            + gain.T @ (self.whitened - self.steps @ self.found)
            + steps @ self.found,
            covariance=level * own + reference - square(gain) + square(excess.T, self.inverse),
            trend=level * fixed - square(without, free),
            reference=reference - square(owed, free),
        )
