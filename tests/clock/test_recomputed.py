"""The clock model computed anew by scipy and statsmodels: likelihoods, aging rate and forecasts.

At every point of the posterior that a model keeps, generalized least squares and the best linear unbiased
prediction are done again: dense factorisations of scipy under covariances that are written down anew, with
other contrasts (differences of neighbours; the model's are a reflection). The likelihood of points without
flicker FM and white PM is computed a third time by the exact diffuse Kalman filter of statsmodels.

Taken from the model, not checked: block averages, flags, lags, prior and weights of aging laws; the
covariance of flicker FM, for which no library has a state-space form, and of readings with dead time; what
calibrations, the reference, the environment to come and the display add.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import linalg
from statsmodels.tsa.statespace.initialization import Initialization
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

import evenbeat as eb
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
from evenbeat.clock.prediction import Posterior, Targets, least_known
from evenbeat.quantities import FloatArray, StudentMixture

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


def diffuse_log_likelihood(
    frequency: FloatArray,
    design: FloatArray,
    spans: Spans,
    *,
    unit: float,
    level: float,
    walk_ratio: float,
) -> float:
    """Return the exact diffuse log likelihood of block averages under white and random-walk FM with a trend.

    A mean over a span of length L is the walk at its start plus u, with ``Var u = qL/3``, and the walk moves
    by a step with ``Var = qL``, ``Cov(u, step) = qL/2``; a gap of length G adds qG to the step. The
    coefficients of the trend are states that never move, diffuse like the walk's start: the exact diffuse
    likelihood is then the restricted one (Durbin & Koopman, Time Series Analysis by State Space Methods,
    2nd ed., chapter 5).

    Parameters
    ----------
    frequency
        Shape (n,), in order of time.
    design
        Shape (n, p), without the constant.
    unit
        Span at which white FM has the Allan variance ``level`` and the walk ``walk_ratio`` times that.
    """
    n, p = design.shape
    length = spans.length
    steps = np.append(np.diff(spans.start), length[-1])
    q = 3 * walk_ratio * level / unit
    states = 3 + p
    filtered = KalmanFilter(k_endog=1, k_states=states, k_posdef=2)
    filtered.bind(np.ascontiguousarray(frequency[:, np.newaxis]))
    rows = np.zeros((1, states, n))
    rows[0, :2] = 1.0
    rows[0, 3:] = design.T
    filtered["design"] = rows
    transition = np.eye(states)
    transition[:3, :3] = [[1, 0, 1], [0, 0, 0], [0, 0, 0]]
    filtered["transition"] = transition
    selection = np.zeros((states, 2))
    selection[1, 0] = selection[2, 1] = 1.0
    filtered["selection"] = selection
    moves = q * np.array([[length / 3, length / 2], [length / 2, steps]])
    filtered["state_cov"] = np.roll(moves, -1, axis=2)  # what acts in the next span enters before it
    filtered["obs_cov"] = (level * unit / length)[np.newaxis, np.newaxis, :]
    start = Initialization(states)
    start.set(0, "diffuse")
    start.set((1, 3), "known", constant=np.zeros(2), stationary_cov=np.ascontiguousarray(moves[:, :, 0]))
    for k in range(p):
        start.set(3 + k, "diffuse")
    filtered.initialize(start)
    return float(filtered.loglike())


DAY = 86400.0
LEVELS = eb.NoiseLevels(white_fm=1e-21, flicker_fm=1e-25, random_walk_fm=1e-33)
AGREEMENT = 1e-6
"""Relative difference: dense covariances of a few hundred blocks leave eight or nine digits."""
AHEAD = (0.1, 1.0)
"""Record lengths over which mean frequencies ahead are compared."""


def differences(model: ClockModel) -> dict[str, float]:
    """Return relative differences of each number of a model from its recomputation.

    That of a mean is relative to it or to its uncertainty, whichever is larger; that of the logarithm of a
    likelihood to it or to one, because a difference of logarithms is already a ratio.
    """
    ahead = Spans(start=np.ones(len(AHEAD)), stop=1 + np.array(AHEAD))
    designs = model._designs(ahead)
    dense = DenseModel(model, ahead, designs)
    wanted: dict[Point, set[int]] = {}
    for component in model.components:
        wanted.setdefault((component.node, component.walk), set()).add(component.variant)
    again = {
        (variant, point): fit
        for point, variants in wanted.items()
        for variant, fit in dense.at(point, tuple(sorted(variants))).items()
    }
    parts = [again[c.variant, (c.node, c.walk)] for c in model.components]
    y = (model.blocks.frequency - model.blocks.frequency.mean()) / model.scale
    posterior = Posterior(grid=model.grid, frequency=y, variants=model.variants, components=model.components)
    ours, rate = posterior.predict(Targets(spans=ahead, designs=designs)), posterior.rate(1.0)
    variances = [
        max(part.rate_variance, least_known(model.grid, model.variants[component.variant], component) ** 2)
        for component, part in zip(model.components, parts, strict=True)
    ]
    found = {"log likelihood": _likelihoods(model, again)}
    if model.blocks.gating is None:  # readings with dead time have no state-space form
        found["state-space likelihood"] = _state_space(model, y)
    forecast = _mixed(model, [p.means for p in parts], [p.variances for p in parts])
    found |= _pair("frequency ahead", ours.distribution, *forecast)
    if np.any(variances):
        found |= _pair("aging rate", rate, *_mixed(model, [p.rate for p in parts], variances))
    return found


def _mixed(model: ClockModel, means: object, variances: object) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of the mixture of Student-t distributions, by its moments."""
    means, variances = np.array(means), np.array(variances)
    weight = np.array([component.weight for component in model.components])
    freedom = np.array([model.variants[c.variant].fit.degrees_of_freedom for c in model.components])
    mean = np.tensordot(weight, means, axes=1)
    within = np.tensordot(weight * freedom / (freedom - 2), variances, axes=1)
    return mean, np.sqrt(within + np.tensordot(weight, (means - mean) ** 2, axes=1))


def _pair(name: str, ours: StudentMixture, mean: FloatArray, spread: FloatArray) -> dict[str, float]:
    size = np.maximum(np.abs(mean), spread)
    return {
        name: float(np.max(np.abs(ours.mean - mean) / size)),
        f"{name}, uncertainty": float(np.max(np.abs(ours.standard_deviation / spread - 1))),
    }


def _likelihoods(model: ClockModel, again: dict[tuple[int, Point], Recomputed]) -> float:
    """Compare log restricted likelihoods less that of the likeliest point, of the same aging law."""
    best = model.components[0]
    first = best.variant, (best.node, best.walk)
    same_law = [key for key in again if model.variants[key[0]].law.name == model.variants[first[0]].law.name]
    ours = np.array([model.variants[variant].fit.log_restricted[point] for variant, point in same_law])
    theirs = np.array([again[key].log_restricted for key in same_law])
    return _farthest(ours, theirs, same_law.index(first))


def _state_space(model: ClockModel, y: FloatArray) -> float:
    """Compare log likelihoods of every random walk beside white FM alone, under the first variant."""
    variant = model.variants[0]
    node = next(k for k, each in enumerate(model.grid.nodes) if each.flicker_fm == each.white_pm == 0)
    # at its own estimate of σ² the likelihood is that with σ² integrated out, but for a constant
    theirs = [
        diffuse_log_likelihood(
            y,
            variant.design,
            model.grid.spans,
            unit=model.grid.block,
            level=float(variant.fit.level[node, k]),
            walk_ratio=ratio,
        )
        for k, ratio in enumerate(model.grid.ratios.random_walk_fm)
    ]
    ours = variant.fit.log_restricted[node, : len(theirs)]
    return _farthest(ours, np.array(theirs), int(np.argmax(ours)))


def _farthest(ours: FloatArray, theirs: FloatArray, top: int) -> float:
    ours, theirs = ours - ours[top], theirs - theirs[top]
    return float(np.max(np.abs(ours - theirs) / np.maximum(1.0, np.abs(theirs))))


def _record(kind: str) -> eb.Record:
    record = eb.simulate_clock(
        {"daily": 80, "hourly": 1200, "gaps": 80, "with white PM": 600, "dead time": 80}[kind],
        interval_s=3600.0 if kind == "hourly" else DAY,
        levels=LEVELS if kind != "with white PM" else eb.NoiseLevels(white_pm=1e-12, white_fm=1e-21),
        seed=3,
        aging=lambda t: 1e-13 * t / DAY,
    )
    if kind == "gaps":
        values = np.array(record.values)
        values[[20, 21, 22, 50]] = np.nan
        return eb.Record.from_frequency(values, interval_s=DAY)
    return replace(record, gate_s=0.5 * DAY) if kind == "dead time" else record


@pytest.mark.grid(3)
@pytest.mark.parametrize("kind", ["daily", "hourly", "gaps", "with white PM", "dead time"])
def test_libraries_agree_with_the_model(kind: str) -> None:
    """Likelihoods, aging rate and forecasts, uncertainties included, within 1e-6."""
    # SOURCE: scipy (dense Cholesky factorisations), statsmodels (exact diffuse Kalman filter)
    found = differences(eb.fit_clock(_record(kind), aging="linear"))

    assert max(found.values()) < AGREEMENT, found
    assert {"log likelihood", "aging rate", "frequency ahead"} < found.keys()
    assert ("state-space likelihood" in found) == (kind != "dead time")


@pytest.mark.slow
def test_environment_and_laws_are_computed_anew() -> None:
    """A covariate, several aging laws: thousands of points, all of them."""
    # SOURCE: scipy (dense Cholesky factorisations), statsmodels (exact diffuse Kalman filter)
    record = _record("daily")
    room = 20 + np.sin(record.elapsed_s / (3 * DAY))
    record = replace(record, values=record.values + 1e-11 * room, covariates={"room_temperature_c": room})
    influence = eb.Influence("room_temperature_c", order=2, lag_s=0.0)

    found = differences(eb.fit_clock(record, environment=[influence]))

    assert max(found.values()) < AGREEMENT, found


def test_a_wrong_model_is_not_agreed_with() -> None:
    """A thousandth on one coefficient, or on one level, is seen."""
    model = eb.fit_clock(_record("daily"), aging="linear")
    (variant,) = model.variants
    for wrong in (
        replace(variant.fit, coefficients=variant.fit.coefficients * 1.001),
        replace(variant.fit, level=variant.fit.level * 1.001),
    ):
        found = differences(replace(model, variants=(replace(variant, fit=wrong),)))
        assert max(found.values()) > 1e-4, found
