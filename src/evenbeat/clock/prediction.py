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
        for k, component in enumerate(components):
            locations[:, k], variances[:, k], trends[:, k] = kriging.at(
                component, variants[component.variant]
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
        self._design_turned: dict[tuple[int, int], FloatArray] = {}

    def at(self, component: Component, variant: Variant) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return location, variance and the trend's part of it for all targets at one point."""
        point = component.node, component.walk
        part = self._bases.solved(*point)
        design = self._design_in_basis(component, variant)
        coefficients = variant.fit.coefficients[point]
        wanted = self._wanted_columns(component.variant, variant)
        location = wanted @ coefficients + part.weighted.T @ (part.readings - design @ coefficients)
        excess = wanted - part.weighted.T @ design
        trend = np.einsum("mp,pq,mq->m", excess, variant.fit.inverse_information[point], excess)
        unexplained = part.own - np.sum(part.weighted * part.covariance, axis=0)
        level = variant.fit.level[point]
        return location, level * (np.maximum(unexplained, 0.0) + trend), level * trend

    def _design_in_basis(self, component: Component, variant: Variant) -> FloatArray:
        """Return the design (n - 1, p); every ratio of the random walk shares it."""
        key = component.variant, component.node
        if key not in self._design_turned:
            self._design_turned[key] = self._bases.design(component.node, variant.design)
        return self._design_turned[key]

    def _wanted_columns(self, index: int, variant: Variant) -> FloatArray:
        if self._targets.reference is not None:
            return self._targets.designs[index] - self._targets.reference_designs[index]
        return self._targets.designs[index] - variant.design.mean(axis=0)
