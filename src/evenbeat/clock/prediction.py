"""Best linear unbiased prediction of mean frequencies, mixed over the noise grid and the aging laws.

At each grid point this is universal kriging (Matheron 1973; Goldberger 1962): the prediction uses the
estimated trend plus the correlated part of the residuals, and its variance includes what is not known
of the trend. Mixing over the grid adds what is not known of the noise. Each quantity by itself is computed
for many grid points at once; paths and calibrations need several quantities together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy import linalg

from evenbeat.clock.aging import AgingLaw, Curvature
from evenbeat.clock.covariance import (
    RANDOM_WALK_FM,
    WANDERING_DRIFT,
    IntArray,
    Spans,
    drift_covariance,
    drift_variance,
    mean_frequency_covariance,
    mean_frequency_variance,
    unit_level,
)
from evenbeat.clock.noise_grid import GridFit, Node, NoiseGrid, shared
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.quantities import FloatArray, StudentMixture

MOST_NUMBERS = 500_000
"""Components times targets times columns that are worked on at once."""

Covariances = Mapping[int, FloatArray]
"""Exponent of a noise to the (co)variances that it gives."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Component:
    """One point of the posterior: an aging law with its curvature, and one set of noise ratios."""

    variant: int
    node: int
    walk: int
    weight: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Variant:
    """One mean model: an aging law at one curvature, its design matrix and its fit on the grid.

    ``width`` is how much of the law's grid of curvatures (in their logarithms) the point stands for;
    ``lag_point`` says under which of the trend's lags it was fitted.
    """

    law: AgingLaw
    curvature: Curvature
    design: FloatArray
    fit: GridFit
    width: float = 1.0
    lag_point: int = 0


@dataclass(frozen=True, eq=False, kw_only=True)
class Targets:
    """What is asked for: means over spans (scaled time), with the trend's columns for every variant.

    ``reference`` is a second set of spans whose means are subtracted: a question about a change.
    """

    spans: Spans
    designs: tuple[FloatArray, ...]
    reference: Spans | None = None
    reference_designs: tuple[FloatArray, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Predicted:
    """Predictions of the targets, in the scaled unit of frequency."""

    distribution: StudentMixture  # Of every target, shape (m, k)
    # Shape (m,): the part of the variance that comes from the fixed effects (aging, environment)
    trend_variance: FloatArray
    # Shape (m,): the part that comes from the log's reference, where something is known of it
    reference_variance: FloatArray | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class JointPrediction:
    """Student distribution of several quantities at one point of the posterior."""

    location: FloatArray  # Shape (m,), less the mean of the block averages
    # Covariance over σ², shape (m, m); ``level`` is the estimate of σ² with ``degrees_of_freedom``
    shape: FloatArray
    trend: FloatArray  # The part of ``shape`` that comes from the fixed effects
    level: float
    degrees_of_freedom: float


@dataclass(frozen=True, eq=False, kw_only=True)
class DrawnMeans:
    """Mean frequencies over m spans for n paths drawn with one set of noise levels, in the scaled unit."""

    mean: FloatArray  # Shape (m,) or (n, m)
    covariance: FloatArray  # Shape (m, m); ``growth`` of shape (n,) multiplies it for each path
    growth: FloatArray
    # white, walk: shape (n,): Allan variances of white and of random-walk FM at one block of the model
    white: FloatArray
    walk: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Posterior:
    """Mean models, noises and readings of a fitted clock: what every prediction begins with.

    In the basis of a node of the noise grid the contrasts of readings are uncorrelated for every ratio of the
    random walk. Columns that mean models share are turned into it once, for all predictions.
    """

    grid: NoiseGrid
    frequency: FloatArray  # Block averages, scaled, less their mean; shape (n,)
    variants: tuple[Variant, ...]
    components: tuple[Component, ...]
    _turned: dict[int, FloatArray] = field(default_factory=dict)

    @cached_property
    def _shared(self) -> tuple[FloatArray, list[IntArray]]:
        return shared([variant.design for variant in self.variants])

    @cached_property
    def _contrasts(self) -> FloatArray:
        return self.grid.contrasts.of(np.column_stack([self._shared[0], self.frequency]))

    def turned(self, node: int) -> FloatArray:
        """Return the columns of all designs, each once, and the readings, in the basis of a node."""
        if node not in self._turned:
            self._turned[node] = self.grid.nodes[node].turned(self._contrasts)
        return self._turned[node]

    def columns_of(self, variant: int) -> IntArray:
        """Return where the columns of one design are in :meth:`turned`."""
        return self._shared[1][variant]

    @one_thread()
    def predict(self, targets: Targets) -> Predicted:
        """Predict the targets."""
        with_data, own = self.grid.target_covariances(targets.spans)
        if targets.reference is None:
            from_ = [variant.design.mean(axis=0) for variant in self.variants]
            base = float(self.frequency.mean())
        else:  # what cancels is taken out
            from_, base = list(targets.reference_designs), 0.0
            before, _ = self.grid.target_covariances(targets.reference)
            with_data = {exponent: with_data[exponent] - before[exponent] for exponent in own}
            own = {
                e: unit_level(e, self.grid.block)
                * (
                    mean_frequency_variance(e, targets.spans)
                    + mean_frequency_variance(e, targets.reference)
                    - 2 * np.diag(mean_frequency_covariance(e, targets.spans, targets.reference))
                )
                for e in own
            }
        wanted = [columns - each for columns, each in zip(targets.designs, from_, strict=True)]
        said = self._mixed(with_data, own, wanted)
        return replace(said, distribution=said.distribution.shifted(base))

    @one_thread()
    def rate(self, at: float) -> StudentMixture:
        """Return the distribution of the drift at a scaled time: slope of the law, and what it wandered."""
        wanted = [slope_row(variant, at) for variant in self.variants]
        said = self._mixed(*rate_covariances(self.grid, at), wanted).distribution.one(0)
        least = np.array([least_known(self.grid, self.variants[c.variant], c) for c in self.components])
        return replace(said, scales=np.maximum(said.scales, least))

    def combination(self, weight: FloatArray) -> StudentMixture:
        """Return the distribution of ``weight · coefficients``, given one row of weights per component."""
        location, scale = np.empty(len(self.components)), np.empty(len(self.components))
        for some in self._alike:
            used = weight[some.places, : some.coefficients.shape[1]]
            location[some.places] = np.einsum("kp,kp->k", used, some.coefficients)
            spread = np.einsum("kp,kpq,kq->k", used, some.information, used)
            scale[some.places] = np.sqrt(some.level * spread)
        return self._mixture(location, scale)

    @cached_property
    def degrees_of_freedom(self) -> FloatArray:
        """Of every component, shape (k,)."""
        return np.array(
            [float(self.variants[each.variant].fit.degrees_of_freedom) for each in self.components]
        )

    def _mixture(self, locations: FloatArray, scales: FloatArray) -> StudentMixture:
        return StudentMixture(
            weights=np.array([component.weight for component in self.components]),
            locations=locations,
            scales=scales,
            degrees_of_freedom=self.degrees_of_freedom,
        )

    @cached_property
    def _alike(self) -> list[_Alike]:
        """The components, those of one node and of as many coefficients together."""
        places: dict[tuple[int, int], list[int]] = {}
        for place, component in enumerate(self.components):
            width = self.variants[component.variant].design.shape[1]
            places.setdefault((component.node, width), []).append(place)
        return [_Alike.of(self, node, some) for (node, _), some in places.items()]

    def _mixed(self, with_data: Covariances, own: Covariances, wanted: Sequence[FloatArray]) -> Predicted:
        """Return quantities by themselves, of which the columns are ``wanted`` for every mean model.

        The weights of the best linear prediction are formed once for all mean models of a noise.
        """
        shape = len(wanted[0]), len(self.components)
        locations, variances, trends = np.empty(shape), np.empty(shape), np.empty(shape)
        turned: dict[int, _Asked] = {}
        for some in self._alike:
            if some.node not in turned:
                turned = {some.node: _Asked.of(self.grid.nodes[some.node], with_data, own)}
            asked = turned[some.node]
            columns, ratios = self.turned(some.node), asked.ratios[some.walks]
            both = [asked.weighted(ratio) for ratio in ratios.tolist()]
            seen = np.array([weighted.T @ columns for _, weighted in both])
            known = np.array([np.einsum("nm,nm->m", *each) for each in both])
            most = max(1, MOST_NUMBERS // (shape[0] * max(1, some.columns.shape[1])))
            for first in range(0, len(some.places), most):
                part = slice(first, first + most)
                at, where = some.places[part], some.walk_of[part]
                excess = np.array([wanted[variant] for variant in some.variants[part]])
                excess = excess - seen[where[:, np.newaxis], :, some.columns[part]].swapaxes(1, 2)
                trend = np.sum((excess @ some.information[part]) * excess, axis=2).T
                free = asked.own_fixed[:, np.newaxis] + np.multiply.outer(asked.own_moving, ratios[where])
                free = np.maximum(free - known[where].T, 0.0)
                trusted = np.einsum("cmp,cp->mc", excess, some.coefficients[part])
                locations[:, at] = trusted + seen[where, :, -1].T
                variances[:, at] = some.level[part] * (free + trend)
                trends[:, at] = some.level[part] * trend
        weights = np.array([component.weight for component in self.components])
        return Predicted(
            distribution=self._mixture(locations, np.sqrt(np.maximum(variances, 0.0))),
            trend_variance=trends @ weights,
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Alike:
    """Components of one node with as many coefficients p: where they are, and their fits, stacked."""

    node: int
    places: IntArray
    variants: list[int]
    walks: IntArray
    walk_of: IntArray
    columns: IntArray
    coefficients: FloatArray
    information: FloatArray
    level: FloatArray

    @classmethod
    def of(cls, posterior: Posterior, node: int, places: list[int]) -> _Alike:
        some = [posterior.components[place] for place in places]
        fits = [(posterior.variants[each.variant].fit, (node, each.walk)) for each in some]
        walks, walk_of = np.unique([each.walk for each in some], return_inverse=True)
        return cls(
            node=node,
            places=np.array(places),
            variants=[each.variant for each in some],
            walks=walks,
            walk_of=walk_of,
            columns=np.array([posterior.columns_of(each.variant) for each in some]),
            coefficients=np.array([fit.coefficients[at] for fit, at in fits]),
            information=np.array([fit.inverse_information[at] for fit, at in fits]),
            level=np.array([fit.level[at] for fit, at in fits]),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Asked:
    """Covariances of m quantities over σ² in the basis of one node: ``fixed + r * moving``.

    ``fixed`` and ``moving``, shape (n - 1, m), are with the readings, whose variances are 1 + r eigenvalue.
    """

    eigenvalues: FloatArray
    ratios: FloatArray
    fixed: FloatArray
    moving: FloatArray
    own_fixed: FloatArray
    own_moving: FloatArray

    @classmethod
    def of(cls, node: Node, with_data: Covariances, own: Covariances) -> _Asked:
        return cls(
            eigenvalues=node.eigenvalues,
            ratios=node.ratios,
            fixed=node.turned(node.without_moving(with_data)),
            moving=node.turned(with_data[node.moving]),
            own_fixed=node.without_moving(own),
            own_moving=own[node.moving],
        )

    def weighted(self, ratio: float) -> tuple[FloatArray, FloatArray]:
        """Return the covariance with the readings, and the weights that these have."""
        covariance = self.fixed + ratio * self.moving
        return covariance, covariance / (1 + ratio * self.eigenvalues)[:, np.newaxis]


def least_known(grid: NoiseGrid, variant: Variant, component: Component) -> float:
    """Return what no record tells of a drift: √(12 σ²/n), which white FM alone leaves of a line.

    Only a law that settles says that it knows better: that the drift has ended. Nothing has shown that.
    """
    if not variant.law.settles:
        return 0.0
    return float(np.sqrt(12 * variant.fit.level[component.node, component.walk] * grid.block))


def walk_ratio(grid: NoiseGrid, component: Component) -> float:
    """Return the ratio of random-walk FM to white FM at a point: zero where the drift wanders instead."""
    node = grid.nodes[component.node]
    return float(node.ratios[component.walk]) if node.moving == RANDOM_WALK_FM else 0.0


def slope_row(variant: Variant, at: float) -> FloatArray:
    """Return the weights of a variant's coefficients in its slope at a scaled time, shape (1, p)."""
    slope = variant.law.slope_at(np.array([at]), variant.curvature)
    return np.pad(slope, ((0, 0), (0, variant.design.shape[1] - slope.shape[1])))


def rate_covariances(grid: NoiseGrid, at: float) -> tuple[dict[int, FloatArray], dict[int, FloatArray]]:
    """Return covariance with the contrasts, and variance, of what the drift at a scaled time has wandered."""
    nothing, certain = np.zeros((len(grid.spans) - 1, 1)), np.zeros(1)
    with_data: dict[int, FloatArray] = dict.fromkeys(grid.covariances, nothing)
    own: dict[int, FloatArray] = dict.fromkeys(grid.covariances, certain)
    if WANDERING_DRIFT in grid.covariances:
        level = unit_level(WANDERING_DRIFT, grid.block)
        to_blocks = level * drift_covariance(at, grid.spans)
        with_data[WANDERING_DRIFT] = grid.contrasts.of(to_blocks[:, np.newaxis])
        own[WANDERING_DRIFT] = np.array([level * drift_variance(at)])
    return with_data, own


class Joint:
    """Several quantities together: means over spans after or in the record, and perhaps a drift."""

    def __init__(
        self,
        posterior: Posterior,
        spans: Spans,
        designs: Sequence[FloatArray],
        *,
        rate_at: float | None = None,
    ) -> None:
        """Ask for means over spans with their columns for each variant; a drift at a time follows them."""
        grid, variants = posterior.grid, posterior.variants
        with_data: dict[int, FloatArray] = {}
        own: dict[int, FloatArray] = {}
        for exponent, matrix in grid.covariances.items():
            level = unit_level(exponent, grid.block)
            cross = level * mean_frequency_covariance(exponent, grid.spans, spans)
            alone = level * mean_frequency_covariance(exponent, spans, spans)
            row, middle = matrix.mean(axis=1), cross.mean(axis=0)
            with_data[exponent] = grid.contrasts.of(cross - row[:, np.newaxis])
            own[exponent] = alone - middle[:, np.newaxis] - middle + row.mean()
        wanted = [columns - v.design.mean(axis=0) for columns, v in zip(designs, variants, strict=True)]
        if rate_at is not None:
            rate, alone_rate = rate_covariances(grid, rate_at)
            with_data = {e: np.hstack([columns, rate[e]]) for e, columns in with_data.items()}
            own = {e: linalg.block_diag(matrix, alone_rate[e]) for e, matrix in own.items()}
            if WANDERING_DRIFT in own:
                level = unit_level(WANDERING_DRIFT, grid.block)
                to_spans = drift_covariance(rate_at, spans) - drift_covariance(rate_at, grid.spans).mean()
                own[WANDERING_DRIFT][-1, :-1] = own[WANDERING_DRIFT][:-1, -1] = level * to_spans
            slopes = [slope_row(variant, rate_at) for variant in variants]
            wanted = [np.vstack(pair) for pair in zip(wanted, slopes, strict=True)]
        self._posterior, self._with_data, self._own, self._wanted = posterior, with_data, own, wanted
        self._asked: dict[int, _Asked] = {}

    def at(self, component: Component) -> JointPrediction:
        """Return all quantities with their covariance at one point of the posterior."""
        if component.node not in self._asked:
            node = self._posterior.grid.nodes[component.node]
            self._asked[component.node] = _Asked.of(node, self._with_data, self._own)
        asked, fit = self._asked[component.node], self._posterior.variants[component.variant].fit
        point = component.node, component.walk
        ratio = asked.ratios[component.walk]
        covariance, weighted = asked.weighted(ratio)
        seen = weighted.T @ self._posterior.turned(component.node)
        excess = self._wanted[component.variant] - seen[:, self._posterior.columns_of(component.variant)]
        trend = excess @ fit.inverse_information[point] @ excess.T
        return JointPrediction(
            location=excess @ fit.coefficients[point] + seen[:, -1],
            shape=asked.own_fixed + ratio * asked.own_moving - weighted.T @ covariance + trend,
            trend=trend,
            level=float(fit.level[point]),
            degrees_of_freedom=float(fit.degrees_of_freedom),
        )
