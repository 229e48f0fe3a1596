"""Best linear unbiased prediction of mean frequencies, mixed over the noise grid and the aging laws.

At each grid point this is universal kriging (Matheron 1973; Goldberger 1962): the prediction uses the
estimated trend plus the correlated part of the residuals, and its variance includes what is not known
of the trend. Mixing over the grid adds what is not known of the noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenbeat.clock.aging import AgingLaw, Curvature
from evenbeat.clock.basis import Bases
from evenbeat.clock.covariance import (
    Spans,
    mean_frequency_covariance,
    mean_frequency_variance,
    unit_level,
)
from evenbeat.clock.likelihood import GridFit, NoiseGrid
from evenbeat.quantities import FloatArray, StudentMixture
from evenbeat.stability.sums.kernels import one_thread


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
    """

    distribution: StudentMixture
    trend_variance: FloatArray


def predict(
    grid: NoiseGrid,
    frequency: FloatArray,
    targets: Targets,
    *,
    variants: tuple[Variant, ...],
    components: tuple[Component, ...],
) -> Predicted:
    """Predict the targets from the block averages ``frequency``, shape (n,)."""
    kriging = _Kriging(grid, frequency, targets)
    shape = len(targets.spans), len(components)
    locations, variances, trends = np.empty(shape), np.empty(shape), np.empty(shape)
    with one_thread():
        for (index, node), places in _by_node(components).items():
            walks = [components[place].walk for place in places]
            locations[:, places], variances[:, places], trends[:, places] = kriging.at(
                index, variants[index], node, walks
            )
    base = 0.0 if targets.reference is not None else float(frequency.mean())
    weights = np.array([component.weight for component in components])
    return Predicted(
        distribution=StudentMixture(
            weights=weights,
            locations=base + locations,
            scales=np.sqrt(np.maximum(variances, 0.0)),
            degrees_of_freedom=degrees_of_freedom(variants, components),
        ),
        trend_variance=trends @ weights,
    )


def _by_node(components: tuple[Component, ...]) -> dict[tuple[int, int], list[int]]:
    """Return the positions of the components of every aging law at every node."""
    places: dict[tuple[int, int], list[int]] = {}
    for place, component in enumerate(components):
        places.setdefault((component.variant, component.node), []).append(place)
    return places


def degrees_of_freedom(variants: tuple[Variant, ...], components: tuple[Component, ...]) -> FloatArray:
    """Return the degrees of freedom of every component, shape (k,)."""
    return np.array([float(variants[component.variant].fit.degrees_of_freedom) for component in components])


def coefficient_mixture(
    variants: tuple[Variant, ...], components: tuple[Component, ...], weight: FloatArray
) -> StudentMixture:
    """Return the distribution of ``weight · coefficients``, given one row of weights per component."""
    location, scale = np.empty(len(components)), np.empty(len(components))
    for k, (row, component) in enumerate(zip(weight, components, strict=True)):
        fit = variants[component.variant].fit
        point = component.node, component.walk
        used = row[: fit.coefficients.shape[-1]]
        location[k] = used @ fit.coefficients[point]
        scale[k] = np.sqrt(fit.level[point] * (used @ fit.inverse_information[point] @ used))
    return StudentMixture(
        weights=np.array([component.weight for component in components]),
        locations=location,
        scales=scale,
        degrees_of_freedom=degrees_of_freedom(variants, components),
    )


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


class _Kriging:
    """The predictor for one set of targets; what belongs to a node is turned into its basis once."""

    def __init__(self, grid: NoiseGrid, frequency: FloatArray, targets: Targets) -> None:
        self._targets = targets
        self._bases = Bases(grid, frequency, *_covariances(grid, targets))
        self._ratios = np.asarray(grid.ratios.random_walk_fm)

    def at(
        self, index: int, variant: Variant, node: int, walks: list[int]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return location, variance and the trend's part of it, shape (m, w), at w ratios of one node.

        The weights of the best linear prediction are never formed: what they multiply is scaled instead.
        """
        part, ratio = self._bases.turned(node), self._ratios[walks]
        design = self._bases.design(node, variant.design)
        coefficients = variant.fit.coefficients[node, walks]
        wanted = self._wanted_columns(index, variant)
        shrink = 1 / (1 + np.multiply.outer(part.eigenvalues, ratio))
        residual = shrink * (part.readings[:, np.newaxis] - design @ coefficients.T)
        explained = part.fixed.T @ residual + ratio * (part.moving.T @ residual)
        scaled = (shrink[:, :, np.newaxis] * design[:, np.newaxis, :]).reshape(len(design), -1)
        shape = len(wanted), len(walks), wanted.shape[1]
        excess = wanted[:, np.newaxis, :] - (
            (part.fixed.T @ scaled).reshape(shape)
            + ratio[:, np.newaxis] * (part.moving.T @ scaled).reshape(shape)
        )
        information = variant.fit.inverse_information[node, walks]
        trend = np.einsum("mwp,wpq,mwq->mw", excess, information, excess)
        known = np.stack(
            [(part.fixed + r * part.moving).T ** 2 @ shrink[:, w] for w, r in enumerate(ratio)], axis=-1
        )
        unexplained = part.own_fixed[:, np.newaxis] + np.multiply.outer(part.own_moving, ratio) - known
        level = variant.fit.level[node, walks]
        location = wanted @ coefficients.T + explained
        return location, level * (np.maximum(unexplained, 0.0) + trend), level * trend

    def _wanted_columns(self, index: int, variant: Variant) -> FloatArray:
        if self._targets.reference is not None:
            return self._targets.designs[index] - self._targets.reference_designs[index]
        return self._targets.designs[index] - variant.design.mean(axis=0)
