"""The grid likelihood against dense algebra by hand and against statsmodels."""

import math

import numpy as np
import pytest
import statsmodels.api as sm

from evenbeat.clock.covariance import FLICKER_FM, RANDOM_WALK_FM, WHITE_FM, WHITE_PM, Spans
from evenbeat.clock.likelihood import NoiseGrid, fit_on_grid, noise_grid
from evenbeat.errors import InputError

COUNT = 40


@pytest.fixture(params=[False, True], ids=["FM noises", "with white PM"])
def grid(request: pytest.FixtureRequest) -> NoiseGrid:
    """Return a grid for unequal blocks with a gap."""
    edges = np.concatenate([np.linspace(0, 0.9, COUNT - 3), [0.94, 0.97, 0.99, 1.0]])
    keep = np.arange(COUNT) != 20
    spans = Spans(start=edges[:-1][keep].copy(), stop=edges[1:][keep].copy())
    return noise_grid(spans, 1 / COUNT, with_white_pm=request.param)


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
    total = total + grid.ratios.random_walk_fm[walk] * grid.covariances[RANDOM_WALK_FM]
    if grid.nodes[node].white_pm:
        total = total + grid.nodes[node].white_pm * grid.covariances[WHITE_PM]
    return total


def test_every_point_agrees_with_dense_algebra(
    grid: NoiseGrid, series: tuple[np.ndarray, np.ndarray]
) -> None:
    """Coefficients, their covariance, level and both likelihoods, by explicit inverses."""
    y, design = series
    fit = fit_on_grid(grid, y, design)
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
    fit = fit_on_grid(grid, y, design)
    node, walk = 0, 10  # flicker FM at a millionth of white FM
    positive = _covariance(grid, node, walk) + 1e3  # any constant: it is part of the design
    known = sm.GLS(y, sm.add_constant(design), sigma=positive).fit()
    assert fit.coefficients[node, walk, 0] == pytest.approx(known.params[1], rel=1e-6)
    error = math.sqrt(fit.level[node, walk] * fit.inverse_information[node, walk, 0, 0])
    assert error == pytest.approx(known.bse[1], rel=1e-6)
    assert fit.level[node, walk] == pytest.approx(known.scale, rel=1e-6)


def test_priors_are_normalised_and_ordered(grid: NoiseGrid) -> None:
    """The cautious prior gives hidden noise least weight in the corner where nothing can be seen."""
    corner = {}
    for name in ("uniform", "balanced", "cautious"):
        log_prior = grid.log_prior(name)
        assert np.exp(log_prior).sum() == pytest.approx(1.0)
        corner[name] = log_prior[0, 0]
    assert corner["cautious"] < corner["balanced"] < corner["uniform"]


def test_unknown_prior_is_refused(grid: NoiseGrid) -> None:
    """The sentence lists what is accepted."""
    with pytest.raises(InputError, match="'uniform', 'balanced', 'cautious'"):
        grid.log_prior("flat")  # type: ignore[arg-type]
