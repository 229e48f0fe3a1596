"""A statistic that is not shipped: its rows of weights over phase are all that its law needs."""

from __future__ import annotations

import numpy as np
import pytest
from noise_of_known_truth import EXPONENTS, simulated, structure

import evenbeat as eb
from evenbeat.deviations.forms.whole import (
    RowsForm,
    form_of_stretches,
    moments_of_form,
    seen_by_differences,
    weighing_of_form,
)
from evenbeat.deviations.statistics import Statistic
from evenbeat.deviations.sums.kernels import TermSum

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
    edf = moments.freedom(given)[0]
    weights = np.linalg.eigvalsh(weighing_of_form(inner, POINTS, given, 2)[0])[::-1]
    weights /= weights.sum()

    assert values.mean() == pytest.approx(moments.expected[0] @ given, rel=5 * np.sqrt(2 / edf / 4000))
    assert 2 * values.mean() ** 2 / values.var() == pytest.approx(edf, rel=0.15)
    assert 1 / np.sum(weights**2) == pytest.approx(edf, rel=1e-3)


@pytest.mark.parametrize("exponent", [2, 0, -1, -2])
def test_expectation_is_the_sum_over_its_weights(exponent: int) -> None:
    """Per unit of each level: the double sum of the weights and the covariance of phase."""
    row = rows(SPAN)
    pairs = np.correlate(row[0], row[0], mode="full")
    inner = seen_by_differences(form_of_stretches(row.T @ row, POINTS), 2)

    found = moments_of_form(inner, POINTS, 2).expected[0, EXPONENTS.index(exponent)]

    assert found == pytest.approx(pairs @ structure(exponent, np.arange(1 - row.size, row.size)), rel=1e-6)


def mine() -> Statistic:
    """Return the statistic as a row of the table."""
    return Statistic(
        name="triangular",
        title="triangular deviation",
        symbol="Δσ_y(τ)",
        form=RowsForm(lambda factor: rows(factor) / factor / np.sqrt(2)),
        source="own",
    )


def test_one_row_makes_a_curve_with_intervals_and_a_self_check() -> None:
    """Given as it is: its definition, its largest factor, coverage in its own record, white PM in it."""
    kind, phase = mine(), simulated(POINTS, (1.0, 0, 1.0, 0, 0), 1, seed=3)[0]
    record = eb.Record.from_phase(phase, interval_s=2.0)
    curve = eb.stability(record, kind, averaging=[3, SPAN, 99])

    row = rows(SPAN)[0] / SPAN / np.sqrt(2)
    terms = np.lib.stride_tricks.sliding_window_view(phase, row.size) @ row
    assert curve.deviation[1] == pytest.approx(np.sqrt(np.mean(terms**2)) / 2.0, rel=1e-12)
    assert curve.terms.tolist() == [POINTS - 3 * 3 + 1, POINTS - 3 * SPAN + 1]
    assert curve.title == "triangular deviation"
    assert "99" in next(f.sentence for f in curve.findings if f.code == "FACTORS_NOT_COMPUTED")
    assert kind.form.largest(POINTS) == POINTS // 3
    # a row of weights w makes Σ w² of independent phase errors
    terms = TermSum(total=0.0, possible=1, terms=1)
    found = kind.form.moments([terms], POINTS, [SPAN]).of_unit_phase_errors
    assert found == pytest.approx(np.sum(row**2))

    check = curve.checked(paths=40, seed=1)
    assert np.all(check.held[1] >= 0.8)
    assert check.ratio == pytest.approx(1, abs=0.12)


def test_longer_records_go_on_as_short_ones() -> None:
    """Beyond 161 points and factor 32 the degrees of freedom stay those of the proportions."""
    form = mine().form
    for exponent in (0, -1, -2):
        noise = np.eye(5)[2 - exponent]
        short = form.moments([TermSum(total=0.0, possible=1, terms=1)], 151, [15]).freedom(noise)
        long = form.moments([TermSum(total=0.0, possible=1, terms=1)], 1501, [150]).freedom(noise)
        assert long == pytest.approx(short, rel=0.05)
