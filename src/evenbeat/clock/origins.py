"""Forecasts made within the record: how well each aging law predicted it, and whether bands held.

Differences of neighbouring averages, in the order of time, become independent through the Cholesky factor of
their covariance, of which the first k depend on the first k + 1 averages alone. So one factorisation tells
what would have been predicted at every moment of the record: the trend and the level of the noise from what
came before, the noise ratios as the whole record sees them. A step that is still to come has the size that
the whole record gives it: nobody could have told of it.

Source: rolling-origin evaluation, Tashman 2000 (International Journal of Forecasting 16, 437); log score,
Good 1952; probability integral transform, Dawid 1984. Not valid as a test of what the whole record alone
shows, such as which noise there is: :func:`evenbeat.backtest` fits anew at every moment.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, special

from evenbeat.clock.laws import LawWeight, best, by_law
from evenbeat.clock.likelihood import GridFit
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.clock.prediction import Component, Variant
from evenbeat.clock.self_test import HORIZONS, SelfTest, Tried
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.quantities import FloatArray

LAW_ORIGINS, LAW_AHEAD = (0.5, 0.6, 0.7, 0.8), (0.2,)
ORIGINS = (0.33, 0.5, 0.67, 0.83)
FEWEST_BEFORE = 8
FEWEST_FREE = 4
MOST_POINTS = 16
"""Sets of noise ratios under which the record is tested: the likeliest."""
ENOUGH = 0.9


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
    with one_thread():
        ordered = _InOrder(grid, y, most_likely_covariance(grid, variants), variants)
        tried = [made for origin in LAW_ORIGINS if (made := ordered.forecasts(origin, LAW_AHEAD)) is not None]
    if not tried:
        return tuple(laws)
    found: dict[str, list[tuple[float, float]]] = {}
    for name in groups:
        of_law = np.array([variant.law.name == name for variant in variants])
        width = np.array([variant.width for variant in variants])[of_law]
        found[name] = [_scored(made, of_law, width) for made in tried]
    errors = {name: float(np.sqrt(np.mean([e**2 for e, _ in pairs]))) for name, pairs in found.items()}
    scores = {name: float(np.mean([score for _, score in pairs])) for name, pairs in found.items()}
    top = max(scores.values())
    return tuple(
        replace(law, forecast_error=errors[law.law] * scale, forecast_score=scores[law.law] - top)
        for law in laws
    )


def _scored(made: _Forecasts, of_law: np.ndarray, width: FloatArray) -> tuple[float, float]:
    """Return what a law missed, and the log density that it gave to the outcome."""
    likelihood = -0.5 * made.before * np.log(made.level[of_law])
    weights = width * np.exp(likelihood - likelihood.max())
    weights /= weights.sum()
    missed, scale = made.missed[0, of_law], made.scale[0, of_law]
    freedom = made.freedom[of_law]
    height = special.gammaln((freedom + 1) / 2) - special.gammaln(freedom / 2) - 0.5 * np.log(freedom * np.pi)
    logs = height - (freedom + 1) / 2 * np.log1p((missed / scale) ** 2 / freedom) - np.log(scale)
    return float(weights @ missed), float(special.logsumexp(logs, b=weights))


def tested_on_its_past(
    grid: NoiseGrid,
    y: FloatArray,
    variants: Sequence[Variant],
    components: Sequence[Component],
    record_s: float,
) -> SelfTest:
    """Return how forecasts within the record came out under its posterior."""
    weights: dict[tuple[int, int], FloatArray] = {}
    for component in components:
        point = component.node, component.walk
        weights.setdefault(point, np.zeros(len(variants)))[component.variant] += component.weight
    likeliest = sorted(weights, key=lambda point: -weights[point].sum())
    reached = np.cumsum([weights[point].sum() for point in likeliest])
    kept = likeliest[: min(int(np.searchsorted(reached, ENOUGH)) + 1, MOST_POINTS)]
    used = np.flatnonzero(sum(weights[point] for point in kept))
    some = [variants[k] for k in used.tolist()]
    parts: dict[float, list[tuple[FloatArray, _Forecasts]]] = {}
    with one_thread():
        for point in kept:
            ordered = _InOrder(grid, y, grid.covariance_at(*point), some)
            for origin in ORIGINS:
                made = ordered.forecasts(origin, [share * origin for share in HORIZONS])
                if made is not None:
                    parts.setdefault(origin, []).append((weights[point][used], made))
    return SelfTest.of(list(_tried(parts)), record_s=record_s, spacing=ORIGINS[1] - ORIGINS[0])


def _tried(parts: dict[float, list[tuple[FloatArray, _Forecasts]]]) -> Iterator[Tried]:
    for origin, pairs in parts.items():
        weight = np.concatenate([weight for weight, _ in pairs])
        freedom = np.concatenate([made.freedom for _, made in pairs])
        for k, ahead in enumerate(pairs[0][1].ahead):
            z = np.concatenate([made.missed[k] / made.scale[k] for _, made in pairs])
            below = float(special.stdtr(freedom, z) @ weight / weight.sum())
            yield Tried(origin=origin, ahead=ahead, transform=below)


def most_likely_point(fit: GridFit) -> tuple[int, int]:
    """Return node and random-walk ratio at which a design fits best."""
    node, walk = np.unravel_index(int(np.argmax(fit.log_likelihood)), fit.log_likelihood.shape)
    return int(node), int(walk)


def most_likely_covariance(grid: NoiseGrid, variants: Sequence[Variant]) -> FloatArray:
    """Return the generalized covariance of the blocks, over σ², at the noise ratios that fit best."""
    return grid.covariance_at(*most_likely_point(max((variant.fit for variant in variants), key=best)))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Forecasts:
    """What was predicted at one origin, under v variants for h horizons, less what came.

    Attributes
    ----------
    before
        Differences of averages before the origin.
    ahead
        The h horizons in record lengths.
    missed, scale
        Outcome less forecast, and the forecast's scale, shape (h, v).
    level, freedom
        Estimate of σ² from before the origin, and its degrees of freedom, shape (v,).
    """

    before: int
    ahead: tuple[float, ...]
    missed: FloatArray
    scale: FloatArray
    level: FloatArray
    freedom: FloatArray


class _InOrder:
    """Differences of neighbouring averages, and of every variant's columns, made independent in order."""

    def __init__(
        self, grid: NoiseGrid, y: FloatArray, covariance: FloatArray, variants: Sequence[Variant]
    ) -> None:
        self._spans = grid.spans
        differences = np.diff(np.diff(covariance, axis=0), axis=1)
        self._lower = linalg.cholesky(0.5 * (differences + differences.T), lower=True, check_finite=False)
        widest = max(variant.design.shape[1] for variant in variants)
        designs = np.zeros((len(y), len(variants), widest))
        later = np.zeros((len(variants), widest))
        for k, variant in enumerate(variants):
            p = variant.design.shape[1]
            designs[:, k, :p] = variant.design
            later[k, :p] = variant.fit.coefficients[most_likely_point(variant.fit)]
        self._later = later
        self._widths = np.array([variant.design.shape[1] for variant in variants])
        both = np.diff(np.column_stack([designs.reshape(len(y), -1), y]), axis=0)
        solved = linalg.solve_triangular(self._lower, both, lower=True, check_finite=False)
        self._readings = solved[:, -1]
        self._columns = solved[:, :-1].reshape(len(solved), len(variants), widest).transpose(1, 0, 2)

    def forecasts(self, origin: float, ahead: Sequence[float]) -> _Forecasts | None:
        """Return what is predicted at a scaled time for some times ahead; ``None`` if a part is too short."""
        start, stop = self._spans.start, self._spans.stop
        n = int(np.count_nonzero(stop <= origin + 1e-9))
        if n < max(FEWEST_BEFORE, int(self._widths.max()) + FEWEST_FREE) or n == len(start):
            return None
        ahead = [each for each in ahead if origin + each <= 1 + 1e-9]
        asked = [(start[n:] < origin + each - 1e-9) * (stop - start)[n:] for each in ahead]
        ahead = [each for each, share in zip(ahead, asked, strict=True) if share.any()]
        asked = [share / share.sum() for share in asked if share.any()]
        if not asked:
            return None
        # the mean of later averages less the last one before: each difference counts for all after it
        share = np.cumsum(np.array(asked)[:, ::-1], axis=1)[:, ::-1].T
        lean = self._lower[n - 1 :, n - 1 :].T @ share
        past, x = self._readings[: n - 1], self._columns[:, : n - 1]
        # what does not vary before the origin, such as a step still to come, has what it has later
        size = np.sqrt(np.sum(x**2, axis=1))
        seen = size > 1e-9 * np.maximum(size.max(axis=1, keepdims=True, initial=0.0), 1e-300)
        known = np.where(seen, 0.0, self._later)
        rest = past - np.einsum("vnp,vp->vn", x, known)
        x = np.where(seen[:, np.newaxis], x, 0.0)
        inverse = np.linalg.pinv(x.transpose(0, 2, 1) @ x, hermitian=True)
        coefficients = np.einsum("vpq,vnq,vn->vp", inverse, x, rest, optimize=True) + known
        rest = rest - np.einsum("vnp,vp->vn", x, np.where(seen, coefficients, 0.0))
        freedom = n - 1 - seen.sum(axis=1)
        level = np.maximum(np.sum(rest**2, axis=1) / freedom, np.finfo(float).tiny)
        towards = np.einsum("nh,vnp->vhp", lean, self._columns[:, n - 1 :])
        missed = lean.T @ self._readings[n - 1 :] - np.einsum("vhp,vp->vh", towards, coefficients)
        variance = np.sum(lean**2, axis=0) + np.einsum("vhp,vpq,vhq->vh", towards, inverse, towards)
        return _Forecasts(
            before=n - 1,
            ahead=tuple(ahead),
            missed=missed.T,
            scale=np.sqrt(level[:, np.newaxis] * variance).T,
            level=level,
            freedom=freedom.astype(float),
        )
