"""Quantiles of weighted sums of chi-squared variables."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from evenbeat.deviations.chi_squared_sums import ChiSquaredSums


def sum_of(weights: list[float], degrees: list[int]) -> ChiSquaredSums:
    """Return the distribution of a sum with whole degrees of freedom, its mean made one."""
    single = np.sort(np.repeat(weights, degrees))[::-1]
    single = single / single.sum()
    return ChiSquaredSums.of_weights(np.array([1 / np.sum(single**2)]), [single])


# SOURCE: Imhof 1961, Biometrika 48, table 1 (from memory): P(Q > x), with weights 0.6, 0.3 and 0.1
@pytest.mark.parametrize(
    ("degrees", "value", "above"),
    [
        ([1, 1, 1], 0.1, 0.9458),
        ([1, 1, 1], 0.7, 0.5064),
        ([1, 1, 1], 2.0, 0.1240),
        ([2, 2, 2], 0.2, 0.9936),
        ([2, 2, 2], 2.0, 0.3998),
        ([2, 2, 2], 6.0, 0.0161),
        ([6, 4, 2], 1.0, 0.9973),
        ([6, 4, 2], 5.0, 0.4353),
        ([6, 4, 2], 12.0, 0.0088),
    ],
)
def test_quantiles_are_the_published_ones(degrees: list[int], value: float, above: float) -> None:
    """Imhof's values lie between quantiles a point of probability, at most a fifth of the tail, apart."""
    weights = [0.6, 0.3, 0.1]
    mean = float(np.dot(weights, degrees))
    shift = min(0.01, 0.2 * above, 0.2 * (1 - above))
    low, high = (sum_of(weights, degrees).quantile(1 - above + s)[0] * mean for s in (-shift, shift))

    assert low < value < high


@pytest.mark.parametrize("edf", [1.0, 1.7, 3.0, 10.0, 120.0])
@pytest.mark.parametrize("probability", [0.0005, 0.025, 0.1585, 0.5, 0.975])
def test_plain_chi_squared_is_exact(edf: float, probability: float) -> None:
    """One variable, or several of equal weight, give the chi-squared quantile of scipy."""
    expected = stats.chi2.ppf(probability, edf) / edf

    assert ChiSquaredSums.of_edf(np.array([edf])).quantile(probability)[0] == pytest.approx(expected)
    if edf == round(edf):
        equal = ChiSquaredSums.of_weights(np.array([edf]), [np.full(int(edf), 1 / edf)])
        assert equal.quantile(probability)[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.grid(4)
# the last: a few variables beside a multitude, as the total variance of white PM has them
@pytest.mark.parametrize(
    "decay", [[0.5, 0.2, 0.1, 0.1, 0.05, 0.05], [0.95, 0.04, 0.01], [0.16, 0.05, 0.03, 0.02] + [0.0035] * 200]
)
@pytest.mark.parametrize("probability", [0.025, 0.1585, 0.8415, 0.975])
def test_probabilities_are_those_of_simulated_sums(decay: list[float], probability: float) -> None:
    """Of 200000 sums drawn the share below the quantile is right to a point."""
    weights = np.array(decay) / np.sum(decay)
    drawn = np.zeros(200_000)
    generator = np.random.default_rng(5)
    for weight in weights:
        drawn += weight * generator.standard_normal(len(drawn)) ** 2
    quantile = ChiSquaredSums.of_weights(np.array([1 / np.sum(weights**2)]), [weights]).quantile(probability)

    assert np.mean(drawn < quantile) == pytest.approx(probability, abs=0.01)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=40), st.floats(0.002, 0.99))
def test_quantiles_rise_with_probability(weights: list[float], probability: float) -> None:
    """A higher probability has a higher quantile, and the mean lies between those of 1e-3 and 0.9999."""
    ordered = np.sort(weights)[::-1] / np.sum(weights)
    found = ChiSquaredSums.of_weights(np.array([1 / np.sum(ordered**2)]), [ordered])

    assert found.quantile(probability)[0] < found.quantile(probability + 0.005)[0]
    assert found.quantile(1e-3)[0] < 1 < found.quantile(0.9999)[0]


def test_unknown_stays_unknown() -> None:
    """No degrees of freedom, no quantile; the others keep theirs."""
    found = ChiSquaredSums.of_weights(np.array([np.nan, 2.0]), [[np.nan, np.nan], [0.5, 0.5]]).quantile(0.5)

    assert np.isnan(found[0])
    assert found[1] == pytest.approx(np.log(2), rel=1e-6)
