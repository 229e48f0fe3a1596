"""A statistic that is not shipped: its rows of weights over phase are all that its law needs."""

from __future__ import annotations

import numpy as np
import pytest
from noise_of_known_truth import EXPONENTS, simulated, structure

from evenbeat.deviations.forms.form import (
    form_of_stretches,
    moments_of_form,
    seen_by_differences,
    weights_of_form,
)

POINTS, SPAN = 101, 12


def rows(span: int) -> np.ndarray:
    """Return second differences of phase under a triangular window, one row per statistic term."""
    window = np.minimum(np.arange(1, span + 1), np.arange(span, 0, -1)).astype(float)
    row = np.concatenate([window, np.zeros(2 * span)])
    return (row - 2 * np.roll(row, span) + np.roll(row, 2 * span))[np.newaxis] / window.sum()


@pytest.mark.parametrize("levels", [(1.0, 0, 0, 0, 0), (0, 0, 1.0, 0, 0), (3.0, 0, 1.0, 0, 1e-3)])
def test_law_of_a_statistic_of_ones_own(levels: tuple[float, ...]) -> None:
    """Expectation, spread and quantiles of 4000 records are those that follow from its rows."""
    # SOURCE: simulation; a mean of 4000 is known to 1.6 % of the spread, a variance to about 6 %
    row = rows(SPAN)
    inner = seen_by_differences(form_of_stretches(row.T @ row, POINTS), 2)
    moments = moments_of_form(inner, POINTS, 2)
    given = np.array(levels)

    phases = simulated(POINTS, levels, 4000, seed=6)
    terms = np.lib.stride_tricks.sliding_window_view(phases, row.shape[1], axis=1) @ row[0]
    values = np.mean(terms**2, axis=1)
    edf = moments.freedom(given)
    weights = weights_of_form(inner, POINTS, given, 2)

    assert values.mean() == pytest.approx(moments.expected @ given, rel=5 * np.sqrt(2 / edf / 4000))
    assert 2 * values.mean() ** 2 / values.var() == pytest.approx(edf, rel=0.15)
    assert 1 / np.sum(weights**2) == pytest.approx(edf, rel=1e-3)


@pytest.mark.parametrize("exponent", [2, 0, -1, -2])
def test_expectation_is_the_sum_over_its_weights(exponent: int) -> None:
    """Per unit of each level: the double sum of the weights and the covariance of phase."""
    row = rows(SPAN)
    pairs = np.correlate(row[0], row[0], mode="full")
    inner = seen_by_differences(form_of_stretches(row.T @ row, POINTS), 2)

    found = moments_of_form(inner, POINTS, 2).expected[EXPONENTS.index(exponent)]

    assert found == pytest.approx(pairs @ structure(exponent, np.arange(1 - row.size, row.size)), rel=1e-6)
