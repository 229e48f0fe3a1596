"""Best linear unbiased prediction of mean frequencies, mixed over the noise grid and the aging laws.

At each grid point this is universal kriging (Matheron 1973; Goldberger 1962): the prediction uses the
estimated trend plus the correlated part of the residuals, and its variance includes what is not known
of the trend. Mixing over the grid adds what is not known of the noise. Each quantity by itself is computed
for many grid points at once; paths and calibrations need several quantities together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from evenbeat.clock.aging import AgingLaw, Curvature
from evenbeat.clock.basis import Bases, Turned
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
from evenbeat.clock.likelihood import GridFit
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.quantities import FloatArray, StudentMixture

MOST_NUMBERS = 200_000
"""Components times targets, or times blocks, that are worked on at once."""


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
    """Predictions of the targets, in the scaled unit of frequency.

    Attributes
    ----------
    distribution
        Of every target, shape (m, k).
    trend_variance
        Shape (m,): the part of the variance that comes from the fixed effects (aging, environment).
    reference_variance
        Shape (m,): the part that comes from the log's reference, where something is known of it.
    """

    distribution: StudentMixture
    trend_variance: FloatArray
    reference_variance: FloatArray | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class JointPrediction:
    """Student distribution of several quantities at one point of the posterior.

    Attributes
    ----------
    location
        Shape (m,), less the mean of the block averages.
    shape
        Covariance over σ², shape (m, m); ``level`` is the estimate of σ² with ``degrees_of_freedom``.
    trend
        The part of ``shape`` that comes from the fixed effects.
    """

    location: FloatArray
    shape: FloatArray
    trend: FloatArray
    level: float
    degrees_of_freedom: float


@dataclass(frozen=True, eq=False, kw_only=True)
class DrawnMeans:
    """Mean frequencies over m spans for n paths drawn with one set of noise levels, in the scaled unit.

    Attributes
    ----------
    mean
        Shape (m,) or (n, m).
    covariance
        Shape (m, m); ``growth`` of shape (n,) multiplies it for each path.
    white, walk
        Shape (n,): Allan variances of white and of random-walk FM at one block of the model.
    """

    mean: FloatArray
    covariance: FloatArray
    growth: FloatArray
    white: FloatArray
    walk: FloatArray


@one_thread()
def predict(
    grid: NoiseGrid,
    frequency: FloatArray,
    targets: Targets,
    *,
    variants: tuple[Variant, ...],
    components: tuple[Component, ...],
) -> Predicted:
    """Predict the targets from the block averages ``frequency``, shape (n,)."""
    wanted = [_wanted_columns(targets, index, variant) for index, variant in enumerate(variants)]
    kriging = Kriging(grid, frequency, *_covariances(grid, targets), wanted=wanted, variants=variants)
    said = _mixed(kriging, components, len(targets.spans), len(frequency))
    base = 0.0 if targets.reference is not None else float(frequency.mean())
    return replace(said, distribution=said.distribution.shifted(base))


@one_thread()
def predict_rate(
    grid: NoiseGrid,
    frequency: FloatArray,
    at: float,
    *,
    variants: tuple[Variant, ...],
    components: tuple[Component, ...],
) -> StudentMixture:
    """Return the distribution of the drift at a scaled time: slope of the law, and what it has wandered."""
    wanted = [slope_row(variant, at) for variant in variants]
    kriging = Kriging(grid, frequency, *rate_covariances(grid, at), wanted=wanted, variants=variants)
    said = _mixed(kriging, components, 1, len(frequency)).distribution.one(0)
    least = np.array([least_known(grid, variants[c.variant], c) for c in components])
    return replace(said, scales=np.maximum(said.scales, least))


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


def _mixed(kriging: Kriging, components: tuple[Component, ...], targets: int, blocks: int) -> Predicted:
    shape = targets, len(components)
    locations, variances, trends = np.empty(shape), np.empty(shape), np.empty(shape)
    for node, places in _by_node(components, most=max(1, MOST_NUMBERS // max(targets, blocks))):
        some = [components[place] for place in places]
        locations[:, places], variances[:, places], trends[:, places] = kriging.alone(node, some)
    weights = np.array([component.weight for component in components])
    return Predicted(
        distribution=StudentMixture(
            weights=weights,
            locations=locations,
            scales=np.sqrt(np.maximum(variances, 0.0)),
            degrees_of_freedom=degrees_of_freedom(kriging.variants, components),
        ),
        trend_variance=trends @ weights,
    )


def _by_node(components: tuple[Component, ...], *, most: int) -> Iterator[tuple[int, list[int]]]:
    """Yield every node with the positions of its components, at most so many at once."""
    places: dict[int, list[int]] = {}
    for place, component in enumerate(components):
        places.setdefault(component.node, []).append(place)
    for node, all_of_it in places.items():
        for first in range(0, len(all_of_it), most):
            yield node, all_of_it[first : first + most]


def degrees_of_freedom(variants: tuple[Variant, ...], components: tuple[Component, ...]) -> FloatArray:
    """Return the degrees of freedom of every component, shape (k,)."""
    return np.array([float(variants[component.variant].fit.degrees_of_freedom) for component in components])


def coefficient_mixture(
    variants: tuple[Variant, ...], components: tuple[Component, ...], weight: FloatArray
) -> StudentMixture:
    """Return the distribution of ``weight · coefficients``, given one row of weights per component."""
    location, scale = np.empty(len(components)), np.empty(len(components))
    variant_of, node_of, walk_of = _indices(components)
    for index in np.unique(variant_of):
        fit, places = variants[index].fit, np.flatnonzero(variant_of == index)
        points = node_of[places], walk_of[places]
        used = weight[places, : fit.coefficients.shape[-1]]
        location[places] = np.einsum("kp,kp->k", used, fit.coefficients[points])
        spread = np.einsum("kp,kpq,kq->k", used, fit.inverse_information[points], used)
        scale[places] = np.sqrt(fit.level[points] * spread)
    return StudentMixture(
        weights=np.array([component.weight for component in components]),
        locations=location,
        scales=scale,
        degrees_of_freedom=degrees_of_freedom(variants, components),
    )


def _indices(components: Sequence[Component]) -> tuple[IntArray, IntArray, IntArray]:
    """Return the variant, the node and the random-walk ratio of every component, each of shape (k,)."""
    rows = [(component.variant, component.node, component.walk) for component in components]
    variant, node, walk = np.array(rows, dtype=np.intp).reshape(-1, 3).T
    return variant, node, walk


def _covariances(grid: NoiseGrid, targets: Targets) -> tuple[dict[int, FloatArray], dict[int, FloatArray]]:
    """Return covariance with the contrasts, and variance, of what is asked minus what cancels."""
    with_data, own = grid.target_covariances(targets.spans)
    if targets.reference is None:
        return with_data, own
    reference_with_data, _ = grid.target_covariances(targets.reference)
    return (
        {exponent: with_data[exponent] - reference_with_data[exponent] for exponent in own},
        {exponent: _change_variance(grid, exponent, targets.spans, targets.reference) for exponent in own},
    )


def _change_variance(grid: NoiseGrid, exponent: int, spans: Spans, reference: Spans) -> FloatArray:
    cross = np.diag(mean_frequency_covariance(exponent, spans, reference))
    alone = mean_frequency_variance(exponent, spans) + mean_frequency_variance(exponent, reference)
    return unit_level(exponent, grid.block) * (alone - 2 * cross)


class Kriging:
    """The predictor for one set of quantities; what belongs to a node is turned into its basis once.

    Laws of fewer columns are filled up with columns of zeros, so that all are computed together.
    """

    def __init__(
        self,
        grid: NoiseGrid,
        frequency: FloatArray,
        with_data: Mapping[int, FloatArray],
        own: Mapping[int, FloatArray],
        *,
        wanted: Sequence[FloatArray],
        variants: tuple[Variant, ...],
    ) -> None:
        self._bases = Bases(grid, frequency, with_data, own)
        self.variants = variants
        self._widest = max(variant.design.shape[1] for variant in variants)
        self._designs = np.stack([self._filled(variant.design) for variant in variants], axis=1)
        self._wanted = np.stack([self._filled(columns) for columns in wanted], axis=1)

    @classmethod
    def joint(
        cls,
        grid: NoiseGrid,
        frequency: FloatArray,
        spans: Spans,
        designs: Sequence[FloatArray],
        variants: tuple[Variant, ...],
        *,
        rate_at: float | None = None,
    ) -> Kriging:
        """Return the predictor of means over spans together, to be asked by :meth:`together`.

        Parameters
        ----------
        frequency
            Block averages, scaled, less their mean; shape (n,).
        designs
            The trend's columns over the spans, shape (m, p), for each variant.
        rate_at
            A scaled time: the drift then follows the means in the answer.
        """
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
        return cls(grid, frequency, with_data, own, wanted=wanted, variants=variants)

    def together(self, component: Component) -> JointPrediction:
        """Return all quantities with their covariance at one point of the posterior."""
        part, variant = self._bases.turned(component.node), self.variants[component.variant]
        point = component.node, component.walk
        ratio = part.ratios[component.walk]
        covariance = part.fixed + ratio * part.moving
        weighted = covariance / (1 + ratio * part.eigenvalues)[:, np.newaxis]
        design = self._bases.design(component.node, variant.design)
        coefficients = variant.fit.coefficients[point]
        wanted = self._wanted[:, component.variant, : design.shape[1]]
        excess = wanted - weighted.T @ design
        trend = excess @ variant.fit.inverse_information[point] @ excess.T
        return JointPrediction(
            location=wanted @ coefficients + weighted.T @ (part.readings - design @ coefficients),
            shape=part.own_fixed + ratio * part.own_moving - weighted.T @ covariance + trend,
            trend=trend,
            level=float(variant.fit.level[point]),
            degrees_of_freedom=float(variant.fit.degrees_of_freedom),
        )

    def alone(self, node: int, components: Sequence[Component]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return location, variance and the trend's part of it, shape (m, c), of components at one node.

        The weights of the best linear prediction are never formed: what they multiply is scaled instead.
        """
        part = self._bases.turned(node)
        variant_of, _, walk_of = _indices(components)
        walks, place = np.unique(walk_of, return_inverse=True)
        coefficients, information, level = self._fitted(node, variant_of, walk_of)
        some, variant = np.unique(variant_of, return_inverse=True)
        turned = self._bases.design(node, self._designs[:, some].reshape(len(self._designs), -1))
        design = turned.reshape(len(turned), len(some), self._widest)[:, variant]
        wanted = self._wanted[:, variant_of]
        ratio = part.ratios[walks]
        shrink = 1 / (1 + np.multiply.outer(part.eigenvalues, ratio))
        known = _known(part, ratio, shrink)[:, place]
        ratio, shrink = ratio[place], shrink[:, place]
        residual = shrink * (part.readings[:, np.newaxis] - np.einsum("ncp,cp->nc", design, coefficients))
        explained = part.fixed.T @ residual + ratio * (part.moving.T @ residual)
        scaled = (shrink[:, :, np.newaxis] * design).reshape(len(design), -1)
        excess = wanted - (
            (part.fixed.T @ scaled).reshape(wanted.shape)
            + ratio[:, np.newaxis] * (part.moving.T @ scaled).reshape(wanted.shape)
        )
        trend = np.einsum("mcp,mcp->mc", excess, np.einsum("mcp,cpq->mcq", excess, information))
        unexplained = part.own_fixed[:, np.newaxis] + np.multiply.outer(part.own_moving, ratio) - known
        location = np.einsum("mcp,cp->mc", wanted, coefficients) + explained
        return location, level * (np.maximum(unexplained, 0.0) + trend), level * trend

    def _filled(self, columns: FloatArray) -> FloatArray:
        return np.pad(columns, ((0, 0), (0, self._widest - columns.shape[1])))

    def _fitted(
        self, node: int, variant_of: IntArray, walk_of: IntArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return coefficients, their covariance over σ², and σ² of every component, filled up with zeros."""
        count, widest = len(variant_of), self._widest
        coefficients, information = np.zeros((count, widest)), np.zeros((count, widest, widest))
        level = np.empty(count)
        for index in np.unique(variant_of):
            fit, places = self.variants[index].fit, np.flatnonzero(variant_of == index)
            p, walks = fit.coefficients.shape[-1], walk_of[places]
            coefficients[places, :p] = fit.coefficients[node, walks]
            information[places, :p, :p] = fit.inverse_information[node, walks]
            level[places] = fit.level[node, walks]
        return coefficients, information, level


def _known(part: Turned, ratios: FloatArray, shrink: FloatArray) -> FloatArray:
    """Return the variance of the targets that the readings explain, over σ², shape (m, r)."""
    return np.stack(
        [(part.fixed + r * part.moving).T ** 2 @ shrink[:, w] for w, r in enumerate(ratios)], axis=-1
    )


def _wanted_columns(targets: Targets, index: int, variant: Variant) -> FloatArray:
    if targets.reference is not None:
        return targets.designs[index] - targets.reference_designs[index]
    return targets.designs[index] - variant.design.mean(axis=0)
