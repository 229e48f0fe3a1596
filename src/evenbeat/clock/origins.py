"""How well each aging law has foretold the record: forecasts from several origins within it.

At each origin the trend is estimated from what came before and the mean frequency over the next fifth
of the record is predicted, with the ratios of the noise levels that the whole record makes most likely;
their common level and the curvature come from the part before the origin alone. A step that is still to come
has the size that the whole record gives it: no law could have told of it.

Source: rolling-origin evaluation, Tashman 2000 (International Journal of Forecasting 16, 437); log score,
Good 1952. Not valid as a test of the noise model, whose shape has seen the whole record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, special

from evenbeat.clock.contrasts import Contrasts
from evenbeat.clock.covariance import FLICKER_FM, RANDOM_WALK_FM, WHITE_FM, WHITE_PM
from evenbeat.clock.laws import LawWeight, best, by_law
from evenbeat.clock.likelihood import GridFit
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.clock.prediction import Variant
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.quantities import FloatArray, StudentMixture

ORIGINS = (0.5, 0.6, 0.7, 0.8)
AHEAD = 0.2
FEWEST_BEFORE = 8
FEWEST_FREE = 4


def with_forecast_scores(
    laws: Sequence[LawWeight], grid: NoiseGrid, y: FloatArray, variants: Sequence[Variant], scale: float
) -> tuple[LawWeight, ...]:
    """Return the weights with error and score of each law's forecasts within the record.

    Parameters
    ----------
    y
        Block averages of shape (n,) in the unit ``scale``.
    """
    groups = by_law(variants)
    covariance = most_likely_covariance(grid, variants)
    with one_thread():
        scored = [_scored(_Origin.at(origin, grid, y, covariance), groups) for origin in ORIGINS]
    scored = [each for each in scored if each]
    if not scored:
        return tuple(laws)
    errors = {name: float(np.sqrt(np.mean([each[name][0] ** 2 for each in scored]))) for name in groups}
    scores = {name: float(np.mean([each[name][1] for each in scored])) for name in groups}
    top = max(scores.values())
    return tuple(
        replace(law, forecast_error=errors[law.law] * scale, forecast_score=scores[law.law] - top)
        for law in laws
    )


def most_likely_point(fit: GridFit) -> tuple[int, int]:
    """Return node and random-walk ratio at which a design fits best."""
    node, walk = np.unravel_index(int(np.argmax(fit.log_likelihood)), fit.log_likelihood.shape)
    return int(node), int(walk)


def most_likely_covariance(grid: NoiseGrid, variants: Sequence[Variant]) -> FloatArray:
    """Return the generalized covariance of the blocks, over σ², at the noise ratios that fit best."""
    position = most_likely_point(max((variant.fit for variant in variants), key=best))
    node = grid.nodes[position[0]]
    walk = grid.ratios.random_walk_fm[position[1]]
    total = grid.covariances[WHITE_FM] + node.flicker_fm * grid.covariances[FLICKER_FM]
    total = total + walk * grid.covariances[RANDOM_WALK_FM]
    return total + node.white_pm * grid.covariances[WHITE_PM] if node.white_pm > 0 else total


def _scored(origin: _Origin | None, groups: dict[str, list[Variant]]) -> dict[str, tuple[float, float]]:
    """Return error and log score of every law at one origin; nothing where a part is too short."""
    if origin is None:
        return {}
    widest = max(group[0].design.shape[1] for group in groups.values())
    if origin.before < widest + FEWEST_FREE:
        return {}
    return {name: origin.score(group) for name, group in groups.items()}


@dataclass(frozen=True, eq=False, kw_only=True)
class _Origin:
    """One part of the record in the basis in which its noise is white, and what it is asked.

    ``share`` (n,) are the weights of the blocks in the mean that is to be foretold.
    """

    before: int
    contrasts: Contrasts
    lower: FloatArray
    readings: FloatArray
    correlation: FloatArray
    variance: float
    share: FloatArray
    observed: float

    @classmethod
    def at(cls, origin: float, grid: NoiseGrid, y: FloatArray, covariance: FloatArray) -> _Origin | None:
        start, stop = grid.spans.start, grid.spans.stop
        n = int(np.count_nonzero(stop <= origin + 1e-9))
        asked = (start >= origin - 1e-9) & (start < origin + AHEAD - 1e-9) & (np.arange(len(y)) >= n)
        if n < FEWEST_BEFORE or not asked.any():
            return None
        share = np.where(asked, stop - start, 0.0)
        share /= share.sum()
        contrasts = Contrasts(n)
        own = covariance[:n, :n]
        lower = linalg.cholesky(contrasts.of_covariance(own), lower=True)
        towards = covariance[:n] @ share - own.mean(axis=1)
        variance = share @ covariance @ share - 2 * (covariance[:n] @ share).mean() + own.mean()
        return cls(
            before=n,
            contrasts=contrasts,
            lower=lower,
            readings=linalg.solve_triangular(lower, contrasts.of(y[:n]), lower=True),
            correlation=linalg.solve_triangular(lower, contrasts.of(towards), lower=True),
            variance=float(variance),
            share=share,
            observed=float(share @ y - y[:n].mean()),
        )

    def score(self, group: Sequence[Variant]) -> tuple[float, float]:
        """Return what a law missed, and the log density that it gave to the outcome."""
        locations, scales, likelihoods = self._forecasts(group)
        weights = np.array([variant.width for variant in group]) * np.exp(likelihoods - likelihoods.max())
        weights /= weights.sum()
        freedom = self.before - 1 - group[0].design.shape[1]
        mixture = StudentMixture(
            weights=weights,
            locations=locations,
            scales=scales,
            degrees_of_freedom=np.full(len(group), float(freedom)),
        )
        logs = _student_log_density(freedom, (self.observed - locations) / scales) - np.log(scales)
        return float(self.observed - mixture.mean), float(special.logsumexp(logs, b=weights))

    def _forecasts(self, group: Sequence[Variant]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return location and scale of the forecast under each variant, and the log likelihood before it."""
        designs = np.array([variant.design for variant in group])
        count, p = len(group), designs.shape[2]
        columns = designs[:, : self.before]
        side_by_side = self.contrasts.of(columns.transpose(1, 0, 2).reshape(self.before, -1))
        solved = linalg.solve_triangular(self.lower, side_by_side, lower=True)
        x = solved.reshape(len(solved), count, p).transpose(1, 0, 2)
        seen = _seen(x)
        x = np.where(seen[:, np.newaxis], x, 0.0)
        inverse = np.linalg.pinv(x.transpose(0, 2, 1) @ x, hermitian=True)
        coefficients = np.einsum("vpq,vnq,n->vp", inverse, x, self.readings, optimize=True)
        later = np.array([variant.fit.coefficients[most_likely_point(variant.fit)] for variant in group])
        coefficients = np.where(seen, coefficients, later)
        residual = self.readings - np.einsum("vnp,vp->vn", x, coefficients)
        level = np.sum(residual**2, axis=1) / (residual.shape[1] - p)
        wanted = np.einsum("n,vnp->vp", self.share, designs) - columns.mean(axis=1)
        excess = wanted - np.einsum("vnp,n->vp", x, self.correlation)
        variance = max(self.variance - float(self.correlation @ self.correlation), 0.0)
        variance = variance + np.einsum("vp,vpq,vq->v", excess, inverse, excess)
        location = np.einsum("vp,vp->v", wanted, coefficients) + residual @ self.correlation
        return location, np.sqrt(level * variance), -0.5 * residual.shape[1] * np.log(level)


def _seen(x: FloatArray) -> np.ndarray:
    """Return which columns vary before the origin, shape (v, p); a step that is still to come does not."""
    size = np.sqrt(np.sum(x**2, axis=1))
    return np.asarray(size > 1e-9 * np.maximum(size.max(axis=1, keepdims=True, initial=0.0), 1e-300))


def _student_log_density(freedom: float, z: FloatArray) -> FloatArray:
    height = special.gammaln((freedom + 1) / 2) - special.gammaln(freedom / 2) - 0.5 * np.log(freedom * np.pi)
    return np.asarray(height - (freedom + 1) / 2 * np.log1p(z**2 / freedom))
