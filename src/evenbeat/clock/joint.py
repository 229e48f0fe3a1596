"""Several mean frequencies predicted together, with their covariance: what paths and fusion need.

The same universal kriging as in :mod:`evenbeat.clock.prediction` at one point of the posterior, but with
the whole covariance matrix of what is asked instead of its diagonal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenbeat.clock.covariance import (
    FLICKER_FM,
    RANDOM_WALK_FM,
    WHITE_FM,
    WHITE_PM,
    Spans,
    mean_frequency_covariance,
    unit_level,
)
from evenbeat.clock.likelihood import Node, NoiseGrid
from evenbeat.clock.prediction import Component, Variant
from evenbeat.quantities import FloatArray


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


class JointKriging:
    """The predictor of means over some spans from the block averages ``frequency`` (scaled, mean zero)."""

    def __init__(self, grid: NoiseGrid, frequency: FloatArray, spans: Spans) -> None:
        self._grid = grid
        self._readings = grid.contrasts.of(frequency)
        self._with_data: dict[int, FloatArray] = {}
        self._own: dict[int, FloatArray] = {}
        for exponent, matrix in grid.covariances.items():
            level = unit_level(exponent, grid.block)
            cross = level * mean_frequency_covariance(exponent, grid.spans, spans)
            own = level * mean_frequency_covariance(exponent, spans, spans)
            row, middle = matrix.mean(axis=1), cross.mean(axis=0)
            self._with_data[exponent] = grid.contrasts.of(cross - row[:, np.newaxis])
            self._own[exponent] = own - middle[:, np.newaxis] - middle + row.mean()
        self._turned: dict[int, tuple[FloatArray, FloatArray, FloatArray]] = {}

    def at(
        self,
        component: Component,
        variant: Variant,
        design: FloatArray,
        *,
        rows: FloatArray | None = None,
    ) -> JointPrediction:
        """Return the prediction at one point of the posterior.

        Parameters
        ----------
        design
            The trend's columns over the spans, shape (m, p).
        rows
            Weights of the trend's coefficients, shape (q, p): linear functions of the trend alone that
            follow the means in the answer.
        """
        node = self._grid.nodes[component.node]
        point = component.node, component.walk
        ratio = self._grid.ratios.random_walk_fm[component.walk]
        z, fixed, walk = self._in_basis(component.node)
        own_design = node.transform @ self._grid.contrasts.of(variant.design)
        coefficients = variant.fit.coefficients[point]
        covariance = fixed + ratio * walk
        weighted = covariance / (1 + ratio * node.eigenvalues)[:, np.newaxis]
        wanted = design - variant.design.mean(axis=0)
        own = self._own_at(node, ratio)
        if rows is not None:
            wanted = np.vstack([wanted, rows])
            weighted, covariance = (np.pad(each, ((0, 0), (0, len(rows)))) for each in (weighted, covariance))
            own = np.pad(own, (0, len(rows)))
        excess = wanted - weighted.T @ own_design
        trend = excess @ variant.fit.inverse_information[point] @ excess.T
        unexplained = own - weighted.T @ covariance
        return JointPrediction(
            location=wanted @ coefficients + weighted.T @ (z - own_design @ coefficients),
            shape=unexplained + trend,
            trend=trend,
            level=float(variant.fit.level[point]),
            degrees_of_freedom=float(variant.fit.degrees_of_freedom),
        )

    def _in_basis(self, index: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        if index not in self._turned:
            node = self._grid.nodes[index]
            fixed = self._with_data[WHITE_FM] + node.flicker_fm * self._with_data[FLICKER_FM]
            if node.white_pm > 0:
                fixed = fixed + node.white_pm * self._with_data[WHITE_PM]
            self._turned[index] = (
                node.transform @ self._readings,
                node.transform @ fixed,
                node.transform @ self._with_data[RANDOM_WALK_FM],
            )
        return self._turned[index]

    def _own_at(self, node: Node, ratio: float) -> FloatArray:
        own = (
            self._own[WHITE_FM] + node.flicker_fm * self._own[FLICKER_FM] + ratio * self._own[RANDOM_WALK_FM]
        )
        return own + node.white_pm * self._own[WHITE_PM] if node.white_pm > 0 else own
