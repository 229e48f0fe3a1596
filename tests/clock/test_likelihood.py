"""The grid likelihood against dense algebra by hand and against statsmodels."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.tsa.statespace.initialization import Initialization
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from evenbeat.clock.covariance import (
    FLICKER_FM,
    RANDOM_WALK_FM,
    WANDERING_DRIFT,
    WHITE_FM,
    WHITE_PM,
    Spans,
)
from evenbeat.clock.noise_grid import NoiseGrid, Ratios, fit_on_grid, noise_grid
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock

COUNT = 40


@pytest.fixture(
    params=[(False, True), (True, True), (False, False), (True, False)],
    ids=["FM noises, gap", "with white PM, gap", "FM noises", "with white PM"],
)
def grid(request: pytest.FixtureRequest) -> NoiseGrid:
    """Return a grid for unequal blocks with a gap, or for an odd number of equal ones without."""
    with_white_pm, gap = request.param
    edges = np.linspace(0, 1, COUNT)
    keep = np.full(COUNT - 1, fill_value=True)
    if gap:
        edges = np.concatenate([np.linspace(0, 0.9, COUNT - 3), [0.94, 0.97, 0.99, 1.0]])
        keep = np.arange(COUNT) != 20
    spans = Spans(start=edges[:-1][keep].copy(), stop=edges[1:][keep].copy())
    return noise_grid(spans, 1 / COUNT, with_white_pm=with_white_pm)


@pytest.fixture
def series(grid: NoiseGrid) -> tuple[np.ndarray, np.ndarray]:
    """Return readings and a line with a wave as design."""
    n = len(grid.spans)
    generator = np.random.default_rng(5)
    middle = grid.spans.middle
    return np.cumsum(generator.standard_normal(n)) * 0.2, np.column_stack([middle, np.sin(40 * middle)])


def _points(grid: NoiseGrid) -> list[tuple[int, int]]:
    generator = np.random.default_rng(0)
    walks = len(grid.ratios.random_walk_fm)
    return [(int(generator.integers(len(grid.nodes))), int(generator.integers(walks))) for _ in range(12)]


def _covariance(grid: NoiseGrid, node: int, walk: int) -> np.ndarray:
    total = grid.covariances[WHITE_FM] + grid.nodes[node].flicker_fm * grid.covariances[FLICKER_FM]
    if node < grid.walks:
        total = total + grid.ratios.random_walk_fm[walk] * grid.covariances[RANDOM_WALK_FM]
    else:
        total = total + grid.ratios.wander[walk] * grid.covariances[WANDERING_DRIFT]
    if grid.nodes[node].white_pm:
        total = total + grid.nodes[node].white_pm * grid.covariances[WHITE_PM]
    return total


def test_every_point_agrees_with_dense_algebra(
    grid: NoiseGrid, series: tuple[np.ndarray, np.ndarray]
) -> None:
    """Coefficients, their covariance, level and both likelihoods, by explicit inverses."""
    y, design = series
    (fit,) = fit_on_grid(grid, y, design)
    difference = np.diff(np.eye(len(y)), axis=0)  # other contrasts than ours, same restricted likelihood
    jacobian = np.linalg.slogdet(difference @ difference.T)[1]
    for node, walk in _points(grid):
        covariance = difference @ _covariance(grid, node, walk) @ difference.T
        z, x = difference @ y, difference @ design
        weight = np.linalg.inv(covariance)
        information = x.T @ weight @ x
        beta = np.linalg.solve(information, x.T @ weight @ z)
        rss = (z - x @ beta) @ weight @ (z - x @ beta)
        log_det = np.linalg.slogdet(covariance)[1] - jacobian
        freedom = len(z) - 2
        restricted = -0.5 * (freedom * math.log(rss) + log_det + np.linalg.slogdet(information)[1])
        ordinary = -0.5 * (len(z) * math.log(rss / len(z)) + log_det + len(z))
        assert fit.coefficients[node, walk] == pytest.approx(beta, rel=1e-6)
        assert fit.inverse_information[node, walk] == pytest.approx(np.linalg.inv(information), rel=1e-6)
        assert fit.level[node, walk] == pytest.approx(rss / freedom, rel=1e-6)
        assert fit.log_restricted[node, walk] == pytest.approx(restricted, abs=1e-5)
        assert fit.log_likelihood[node, walk] == pytest.approx(ordinary, abs=1e-5)


def test_agrees_with_generalized_least_squares_of_statsmodels() -> None:
    """White and random-walk FM: slope and standard error of statsmodels GLS with a constant."""
    n = 50
    edges = np.linspace(0, 1, n + 1)
    grid = noise_grid(Spans(start=edges[:-1].copy(), stop=edges[1:].copy()), 1 / n, with_white_pm=False)
    y = np.cumsum(np.random.default_rng(1).standard_normal(n))
    design = grid.spans.middle[:, np.newaxis]
    (fit,) = fit_on_grid(grid, y, design)
    node, walk = 1, 10
    positive = _covariance(grid, node, walk) + 1e3  # any constant: it is part of the design
    known = sm.GLS(y, sm.add_constant(design), sigma=positive).fit()
    assert fit.coefficients[node, walk, 0] == pytest.approx(known.params[1], rel=1e-6)
    error = math.sqrt(fit.level[node, walk] * fit.inverse_information[node, walk, 0, 0])
    assert error == pytest.approx(known.bse[1], rel=1e-6)
    assert fit.level[node, walk] == pytest.approx(known.scale, rel=1e-6)


WITHOUT = (
    ("uniform", 0.1, 0.9 * 0.5),
    ("cautious", 10**0.5, 0.9 * 0.9),
    ("balanced", 0.1, 0.5 * 0.85 + 0.4 * 0.99),
)


def test_priors_are_normalised_and_hold_what_they_say(grid: NoiseGrid) -> None:
    """Where a random walk begins, how much is without one, and how much without flicker FM."""
    strength = np.array(grid.ratios.random_walk_fm) * COUNT**2
    absent = np.array([node.flicker_fm == 0 for node in grid.nodes])[: grid.walks]
    for name, begins, without in WITHOUT:
        weight = np.exp(grid.log_prior(name))
        assert weight.sum() == pytest.approx(1.0)
        assert weight[grid.walks :].sum() == pytest.approx(0.1)  # the drift wanders instead
        weight = weight[: grid.walks]
        assert strength[weight.sum(axis=0) > 0].min() == pytest.approx(begins)
        assert weight[absent].sum() == pytest.approx(without)
    walk = np.exp(grid.log_prior("balanced"))[: grid.walks].sum(axis=0)
    assert walk[0] == pytest.approx(0.5)
    there = walk[1:] > 0
    assert strength[1:][there].min() == pytest.approx(100.0)
    decade = walk[1:][there]  # two points a decade; 40 block lengths lie between 20 and 60
    assert decade[2] / decade[0] == pytest.approx(10 ** (-0.5 * math.log(2) / math.log(3)))


def _diffuse_likelihood(y: np.ndarray, middle: np.ndarray, level: float, ratio: float) -> float:
    """Return the exact diffuse log likelihood of white FM, random-walk FM and drift, by statsmodels.

    A mean over a unit interval is the walk at its start plus u, with Var u = q/3, Cov(u, step) = q/2 and
    Var step = q; random-walk FM of Allan variance r has q = 3r, and white FM of one has variance one.
    """
    filtered = KalmanFilter(k_endog=1, k_states=4, k_posdef=2)
    filtered.bind(y[:, np.newaxis])
    one = np.ones_like(middle)
    filtered["design"] = np.array([one, one, 0 * one, middle])[np.newaxis]
    transition = np.zeros((4, 4))
    transition[0, [0, 2]] = 1.0
    transition[3, 3] = 1.0
    filtered["transition"] = transition
    filtered["selection"] = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 0.0]])
    q = 3 * ratio * level
    step = q * np.array([[1 / 3, 1 / 2], [1 / 2, 1.0]])
    filtered["state_cov"] = step
    filtered["obs_cov"] = np.array([[level]])
    start = Initialization(4)
    start.set(0, "diffuse")
    start.set((1, 3), "known", constant=np.zeros(2), stationary_cov=step)
    start.set(3, "diffuse")
    filtered.initialize(start)
    return float(filtered.loglike())


def test_likelihood_differences_are_those_of_a_state_space_model() -> None:
    """White and random-walk FM with drift: statsmodels' exact diffuse Kalman filter, to 1e-6."""
    n = 60
    edges = np.arange(n + 1) / n
    walks = (1e-3, 0.01, 0.1, 1.0, 30.0)
    ratios = Ratios(white_pm=(0.0,), flicker_fm=(0.0,), random_walk_fm=walks)
    spans = Spans(start=edges[:-1].copy(), stop=edges[1:].copy())
    grid = noise_grid(spans, 1 / n, with_white_pm=False, ratios=ratios)
    generator = np.random.default_rng(4)
    y = generator.standard_normal(n) + 0.3 * np.cumsum(generator.standard_normal(n))
    (fit,) = fit_on_grid(grid, y, spans.middle[:, np.newaxis])
    freedom = fit.degrees_of_freedom
    ours, theirs = [], []
    for k, ratio in enumerate(walks):
        rss = fit.level[0, k] * freedom
        shape = fit.log_restricted[0, k] + 0.5 * freedom * math.log(rss)
        for level in (0.5, 1.0, 2.0):
            ours.append(shape - 0.5 * (freedom * math.log(level) + rss / level))
            theirs.append(_diffuse_likelihood(y, spans.middle, level, ratio))
    assert np.diff(ours) == pytest.approx(np.diff(theirs), rel=1e-6, abs=1e-6)


def test_unknown_prior_is_refused(grid: NoiseGrid) -> None:
    """The sentence lists what is accepted."""
    with pytest.raises(InputError, match="'uniform', 'balanced', 'cautious'"):
        grid.log_prior("flat")  # type: ignore[arg-type]


def test_simulated_levels_are_recovered_without_bias() -> None:
    """White FM with a walk of a tenth of its Allan variance: the peak over 150 clocks, drift fitted along."""
    n, ratio = 150, 0.1
    edges = np.arange(n + 1) / n
    walks = tuple(float(ratio * 10**d) for d in np.arange(-1.5, 1.5, 0.05))
    ratios = Ratios(white_pm=(0.0,), flicker_fm=(0.0,), random_walk_fm=walks)
    spans = Spans(start=edges[:-1].copy(), stop=edges[1:].copy())
    grid = noise_grid(spans, 1 / n, with_white_pm=False, ratios=ratios)
    levels = NoiseLevels(white_fm=2.0, random_walk_fm=ratio * 3 / (2 * math.pi**2))
    found = []
    for seed in range(150):
        y = simulate_clock(n, interval_s=1.0, levels=levels, seed=seed).values
        (fit,) = fit_on_grid(grid, y, spans.middle[:, np.newaxis])
        best = int(np.argmax(fit.log_restricted[0]))
        found.append((fit.level[0, best], walks[best] * fit.level[0, best]))
    assert np.mean(found, axis=0) == pytest.approx([1.0, ratio], rel=0.06)
