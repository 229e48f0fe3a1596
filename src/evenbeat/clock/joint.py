"""Several mean frequencies predicted together, with their covariance: what paths and fusion need.

The same universal kriging as in :mod:`evenbeat.clock.prediction` at one point of the posterior, but with
the whole covariance matrix of what is asked instead of its diagonal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from evenbeat.clock.basis import Bases
from evenbeat.clock.covariance import (
    WANDERING_DRIFT,
    Spans,
    drift_covariance,
    mean_frequency_covariance,
    unit_level,
)
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.clock.prediction import Component, Variant, rate_covariances
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


class JointKriging:
    """The predictor of means over some spans from the block averages ``frequency`` (scaled, mean zero).

    With ``rate_at`` it also predicts the drift at that scaled time.
    """

    def __init__(
        self, grid: NoiseGrid, frequency: FloatArray, spans: Spans, *, rate_at: float | None = None
    ) -> None:
        with_data: dict[int, FloatArray] = {}
        own: dict[int, FloatArray] = {}
        for exponent, matrix in grid.covariances.items():
            level = unit_level(exponent, grid.block)
            cross = level * mean_frequency_covariance(exponent, grid.spans, spans)
            alone = level * mean_frequency_covariance(exponent, spans, spans)
            row, middle = matrix.mean(axis=1), cross.mean(axis=0)
            with_data[exponent] = grid.contrasts.of(cross - row[:, np.newaxis])
            own[exponent] = alone - middle[:, np.newaxis] - middle + row.mean()
        if rate_at is not None:
            rate, alone_rate = rate_covariances(grid, rate_at)
            with_data = {e: np.hstack([columns, rate[e]]) for e, columns in with_data.items()}
            own = {e: linalg.block_diag(matrix, alone_rate[e]) for e, matrix in own.items()}
            if WANDERING_DRIFT in own:
                level = unit_level(WANDERING_DRIFT, grid.block)
                to_spans = drift_covariance(rate_at, spans) - drift_covariance(rate_at, grid.spans).mean()
                own[WANDERING_DRIFT][-1, :-1] = own[WANDERING_DRIFT][:-1, -1] = level * to_spans
        self._bases = Bases(grid, frequency, with_data, own)

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
            Weights of the trend's coefficients, shape (1, p): its slope at ``rate_at``, which with what the
            drift has wandered there follows the means in the answer.
        """
        point = component.node, component.walk
        part = self._bases.solved(*point)
        own_design = self._bases.design(component.node, variant.design)
        coefficients = variant.fit.coefficients[point]
        covariance, weighted, own = part.covariance, part.weighted, part.own
        wanted = design - variant.design.mean(axis=0)
        if rows is not None:
            wanted = np.vstack([wanted, rows])
        excess = wanted - weighted.T @ own_design
        trend = excess @ variant.fit.inverse_information[point] @ excess.T
        unexplained = own - weighted.T @ covariance
        return JointPrediction(
            location=wanted @ coefficients + weighted.T @ (part.readings - own_design @ coefficients),
            shape=unexplained + trend,
            trend=trend,
            level=float(variant.fit.level[point]),
            degrees_of_freedom=float(variant.fit.degrees_of_freedom),
        )
