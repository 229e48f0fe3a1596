"""Scores of forecasts against independent computations, published values and scipy."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from evenbeat.clock.tested import (
    condensed,
    coverage_limits,
    coverage_p_value,
    error_ratio,
    interval_score,
    ranked_probability_score,
    uniformity_p_value,
)
from evenbeat.errors import InputError
from evenbeat.quantities import StudentMixture

MIXTURE = StudentMixture(
    weights=np.array([0.3, 0.7]),
    locations=np.array([[0.0, 2.0]]),
    scales=np.array([[1.0, 0.5]]),
    degrees_of_freedom=np.array([5.0, math.inf]),
)


def test_interval_score_of_two_outcomes() -> None:
    """Gneiting & Raftery 2007, eq. 43, by hand: ±1.96 scores 3.92 at 0 and 45.52 at 3."""
    scores = interval_score(-1.96, 1.96, [0.0, 3.0, -3.0])
    assert scores == pytest.approx([3.92, 45.52, 45.52], rel=1e-12)


def test_best_interval_scores_as_stated() -> None:
    """By quadrature with scipy, a 95 % interval of a standard normal scores 4.68 on average."""
    z = stats.norm.ppf(0.975)
    mean, _ = integrate.quad(lambda y: float(interval_score(-z, z, y)) * stats.norm.pdf(y), -9, 9, limit=200)
    assert mean == pytest.approx(2 * stats.norm.pdf(z) / 0.025, rel=1e-6)
    assert mean == pytest.approx(4.68, abs=0.005)


def test_ranked_probability_score_of_a_normal_forecast() -> None:
    """Closed form of Gneiting & Raftery 2007, sec. 4.2: 0.23369, 0.60244, 1.45279 at 0, 1, 2 sigma."""
    three = StudentMixture.normal(np.zeros(3), np.ones(3))
    score = ranked_probability_score(three, [0.0, 1.0, 2.0])
    z = np.array([0.0, 1.0, 2.0])
    closed = z * (2 * stats.norm.cdf(z) - 1) + 2 * stats.norm.pdf(z) - 1 / math.sqrt(math.pi)
    assert score == pytest.approx(closed, rel=1e-5)
    assert score == pytest.approx([0.23369, 0.60244, 1.45279], abs=6e-6)


@pytest.mark.parametrize("outcome", [-4.0, 0.3, 2.0, 9.0])
def test_ranked_probability_score_of_a_mixture(outcome: float) -> None:
    """The same integral by scipy's adaptive quadrature with scipy's distributions."""

    def cdf(x: float) -> float:
        return 0.3 * float(stats.t.cdf(x, 5)) + 0.7 * float(stats.norm.cdf(x, 2.0, 0.5))

    below, _ = integrate.quad(lambda x: cdf(x) ** 2, -np.inf, outcome)
    above, _ = integrate.quad(lambda x: (1 - cdf(x)) ** 2, outcome, np.inf)
    score = ranked_probability_score(MIXTURE, [outcome])
    assert score[0] == pytest.approx(below + above, rel=1e-4)


def test_scaling_the_data_scales_the_scores() -> None:
    """At 1e-12 the scores are 1e-12 times those at one."""
    tiny = ranked_probability_score(MIXTURE.scaled(1e-12), [0.5e-12])
    assert tiny == pytest.approx(1e-12 * ranked_probability_score(MIXTURE, [0.5]), rel=1e-9)


def test_condensed_mixture_keeps_the_distribution() -> None:
    """256 of 2000 components: the distribution function moves by less than a hundredth."""
    generator = np.random.default_rng(1)
    weights = generator.exponential(size=2000)
    wide = StudentMixture(
        weights=weights / weights.sum(),
        locations=generator.normal(size=(1, 2000)),
        scales=generator.exponential(size=(1, 2000)),
        degrees_of_freedom=np.full(2000, 20.0),
    )
    for x in (-3.0, -1.0, 0.0, 2.0):
        assert condensed(wide).cdf(x)[0] == pytest.approx(wide.cdf(x)[0], abs=0.01)
    assert condensed(MIXTURE) is MIXTURE


def test_coverage_limits_of_whole_and_of_broken_numbers() -> None:
    """Clopper-Pearson: 93 of 100 gives [.8611, .9714]; scipy's exact interval; ends; monotone between."""
    assert coverage_limits(93, 100) == pytest.approx((0.8611, 0.9714), abs=5e-5)
    exact = stats.binomtest(7, 9).proportion_ci(method="exact")
    assert coverage_limits(7, 9) == pytest.approx((exact.low, exact.high), rel=1e-9)
    assert coverage_limits(0, 3)[0] == 0
    assert coverage_limits(3, 3)[1] == 1
    assert coverage_limits(6.5, 9)[0] < coverage_limits(7, 9)[0] < coverage_limits(7, 8.5)[0]
    with pytest.raises(InputError, match="4 of 3 tests covered makes no sense"):
        coverage_limits(4, 3)


def test_exact_probabilities_of_coverage() -> None:
    """Exact two-sided binomial, by hand: .00427 and .181."""
    assert coverage_p_value(88, 100, 0.95) == pytest.approx(0.00427, abs=5e-6)
    assert coverage_p_value(50, 50, 0.95) == pytest.approx(0.181, abs=5e-4)


def test_uniformity_is_kolmogorovs_test() -> None:
    """scipy.stats.kstest (exact) on independent values; half as many independent ones doubt less."""
    values = np.random.default_rng(3).uniform(size=40) ** 2
    expected = stats.kstest(values, "uniform", mode="exact").pvalue
    assert uniformity_p_value(values, 40) == pytest.approx(expected, rel=1e-6)
    assert uniformity_p_value(values, 20) > expected


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0])
def test_error_ratio_finds_the_factor(ratio: float) -> None:
    """Errors of ``ratio`` times the stated size: normal scores of the transforms say so."""
    errors = ratio * np.random.default_rng(4).normal(size=20000)
    assert error_ratio(stats.norm.cdf(errors)) == pytest.approx(ratio, rel=0.03)


@pytest.mark.parametrize(("ratio", "held"), [(1.5, 0.809), (2, 0.673), (3, 0.486), (5, 0.305)])
def test_coverage_of_bands_too_narrow(ratio: float, held: float) -> None:
    """If errors are r times what is stated, '95 %' holds 80.9, 67.3, 48.6 and 30.5 % (normal theory)."""
    forecast = StudentMixture.normal(0.0, 1.0)
    low, high = forecast.interval()
    share = float(StudentMixture.normal(0.0, ratio).cdf(high) - StudentMixture.normal(0.0, ratio).cdf(low))
    assert share == pytest.approx(held, abs=5.5e-4)
