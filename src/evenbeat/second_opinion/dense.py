"""The clock model once more: textbook covariances, other contrasts, dense factorisations of scipy.

White and random-walk FM are written down as processes with a beginning: independent averages, and a
Brownian motion from the first block on, averaged over each span. Neither needs the generalized covariance
that the model uses. The model's contrasts are a reflection; here they are differences of neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from evenbeat.clock.covariance import (
    FLICKER_FM,
    RANDOM_WALK_FM,
    WANDERING_DRIFT,
    WHITE_FM,
    WHITE_PM,
    Spans,
    drift_covariance,
    drift_variance,
    mean_frequency_covariance,
    unit_level,
)
from evenbeat.clock.model import ClockModel
from evenbeat.quantities import FloatArray

Point = tuple[int, int]
"""Positions of a node and of a random-walk ratio on the model's grid."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Recomputed:
    """One component of the posterior, in the model's scaled unit of frequency.

    Attributes
    ----------
    coefficients, inverse_information
        Shapes (p,) and (p, p): the latter over σ².
    level
        Estimate of σ².
    log_restricted
        Less a constant that all points share.
    means, variances
        Of the mean frequencies ahead, less the mean of the blocks, shape (m,).
    rate, rate_variance
        Of the drift at the end.
    """

    coefficients: FloatArray
    inverse_information: FloatArray
    level: float
    log_restricted: float
    means: FloatArray
    variances: FloatArray
    rate: float
    rate_variance: float


class DenseModel:
    """All that depends on the layout of the blocks and on what lies ahead of them."""

    def __init__(self, model: ClockModel, ahead: Spans, designs: tuple[FloatArray, ...]) -> None:
        self._model = model
        self._designs = designs
        blocks = model.grid.spans
        self._count = len(blocks)
        self._frequency = (model.blocks.frequency - model.blocks.frequency.mean()) / model.scale
        self._noises = {
            exponent: self._with_ahead(exponent, blocks, ahead) for exponent in model.grid.covariances
        }

    def at(self, point: Point, variants: tuple[int, ...]) -> dict[int, Recomputed]:
        """Return the fits of some variants at one point of the grid, by the position of the variant."""
        total = self.covariance(point)
        n = self._count
        differences = np.diff(np.eye(n), axis=0)
        inner = differences @ total[:n, :n] @ differences.T
        from_last = total[n:] - total[n - 1]  # what lies ahead, less the last block
        cross = differences @ (from_last[:, :n]).T
        own = np.diag(from_last[:, n:]) - from_last[:, n - 1]
        drift = self._drift_with_blocks(point)
        cross = np.column_stack([cross, differences @ drift[:-1]])
        own = np.append(own, drift[-1])
        factor = linalg.cho_factor(inner, lower=True)
        half_log_det = float(np.sum(np.log(np.diag(factor[0]))))
        return {k: self._fit(k, factor, half_log_det, cross, own) for k in variants}

    def _drift_with_blocks(self, point: Point) -> FloatArray:
        """Return the covariance of a wandering drift at the end with blocks and itself, shape (n + 1,)."""
        grid = self._model.grid
        node = grid.nodes[point[0]]
        drift = np.zeros(self._count + 1)
        if node.moving == WANDERING_DRIFT:
            growth = node.ratios[point[1]] * unit_level(WANDERING_DRIFT, grid.block)
            drift[:-1] = growth * drift_covariance(1.0, grid.spans)
            drift[-1] = growth * drift_variance(1.0)
        return drift

    def covariance(self, point: Point) -> FloatArray:
        """Return the covariance over σ² of blocks and what lies ahead, up to a constant."""
        grid = self._model.grid
        node = grid.nodes[point[0]]
        total = self._noises[WHITE_FM] + node.ratios[point[1]] * self._noises[node.moving]
        if node.flicker_fm:
            total = total + node.flicker_fm * self._noises[FLICKER_FM]
        return total + node.white_pm * self._noises[WHITE_PM] if node.white_pm else total

    def _fit(
        self,
        index: int,
        factor: tuple[FloatArray, bool],
        half_log_det: float,
        cross: FloatArray,
        own: FloatArray,
    ) -> Recomputed:
        variant = self._model.variants[index]
        kept = np.flatnonzero(variant.fit.kept)  # the model's rank decision is taken as it is
        design, ahead = variant.design[:, kept], self._designs[index][:, kept]
        y, x = np.diff(self._frequency), np.diff(design, axis=0)
        solved = linalg.cho_solve(factor, np.column_stack([x, cross, y]))
        p, m = x.shape[1], cross.shape[1]
        information = x.T @ solved[:, :p]
        inverse = linalg.inv(information) if p else np.zeros((0, 0))
        beta = inverse @ (x.T @ solved[:, -1])
        rest = y - x @ beta
        freedom = len(y) - p
        square = float(rest @ linalg.cho_solve(factor, rest))
        level = square / freedom
        slope = variant.law.slope_at(np.ones(1), variant.curvature)
        row = np.pad(slope, ((0, 0), (0, variant.design.shape[1] - slope.shape[1])))[:, kept]
        wanted = np.vstack([ahead - design[-1], row])
        lean = wanted - solved[:, p : p + m].T @ x
        unexplained = own - np.sum(cross * solved[:, p : p + m], axis=0)
        trend = np.einsum("mp,pq,mq->m", lean, inverse, lean)
        means = wanted @ beta + solved[:, p : p + m].T @ rest
        variances = level * (unexplained + trend)
        log_det_x = float(np.linalg.slogdet(information)[1]) if p else 0.0
        coefficients = np.zeros(len(variant.fit.kept))
        coefficients[kept] = beta
        covariance = np.zeros((len(coefficients), len(coefficients)))
        covariance[np.ix_(kept, kept)] = inverse
        return Recomputed(
            coefficients=coefficients,
            inverse_information=covariance,
            level=level,
            log_restricted=-0.5 * (freedom * np.log(square) + log_det_x) - half_log_det,
            means=self._frequency[-1] + means[:-1],
            variances=variances[:-1],
            rate=float(means[-1]),
            rate_variance=float(variances[-1]),
        )

    def _with_ahead(self, exponent: int, blocks: Spans, ahead: Spans) -> FloatArray:
        """Return the covariance of blocks and what lies ahead for unit Allan variance at a block's length."""
        both = Spans(
            start=np.concatenate([blocks.start, ahead.start]), stop=np.concatenate([blocks.stop, ahead.stop])
        )
        unit = self._model.grid.block
        if exponent in (FLICKER_FM, WANDERING_DRIFT) or self._model.blocks.gating is not None:
            total = unit_level(exponent, unit) * mean_frequency_covariance(exponent, both, both)
            total[: self._count, : self._count] = self._model.grid.covariances[exponent]
            return total
        return {WHITE_FM: _white_fm, RANDOM_WALK_FM: _random_walk_fm, WHITE_PM: _white_pm}[exponent](
            both, unit
        )


def _white_fm(spans: Spans, unit: float) -> FloatArray:
    """Return independent averages whose variance is one over ``unit`` and falls as the span grows."""
    return np.diag(unit / spans.length)


def _random_walk_fm(spans: Spans, unit: float) -> FloatArray:
    """Return averages of a Brownian motion from the first block on; the spans must not overlap.

    Means over spans [a, a + L] and a later one covary by its variance at the middle of the earlier; a mean
    with itself by that at a + L/3. Its Allan variance is one at ``unit`` for a variance of 3/unit in one
    unit of time (NIST SP 1065: (2π²/3) h₋₂ τ with a variance of 2π² h₋₂).
    """
    since = spans.start - spans.start[0]
    total = np.minimum.outer(since + spans.length / 2, since + spans.length / 2)
    total[np.diag_indices(len(since))] = since + spans.length / 3
    return 3 / unit * total


def _white_pm(spans: Spans, unit: float) -> FloatArray:
    """Return differences of independent readings of phase, those of shared edges shared."""
    edges, place = np.unique(np.round(np.concatenate([spans.start, spans.stop]), 9), return_inverse=True)
    n = len(spans)
    ends = np.zeros((n, len(edges)))
    ends[np.arange(n), place[n:]] += 1 / spans.length
    ends[np.arange(n), place[:n]] -= 1 / spans.length
    return unit**2 / 3 * ends @ ends.T
