"""Weights of the chi-squared variables behind the statistics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import linalg

import evenbeat as eb
from evenbeat.deviations.covariance import exponents_of, term_covariances
from evenbeat.deviations.forms import whole as dense
from evenbeat.deviations.forms.terms import equivalent_degrees_of_freedom
from evenbeat.deviations.freedom import raised_to_freedom, weights_of
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.kernels import TermSum

NOISES = (2, 1, 0, -1, -2)
QUADRATIC = ("total", "modified_total", "hadamard_total", "theo1")


def terms_of(possible: int, valid: np.ndarray | None = None) -> TermSum:
    """Return a sum of so many terms."""
    used = possible if valid is None else int(np.count_nonzero(valid))
    return TermSum(total=0.0, possible=possible, terms=used, valid=valid)


def eigenvalues(matrices: np.ndarray) -> np.ndarray:
    """Return those of one matrix, largest first and their sum one."""
    values = linalg.eigvalsh(matrices[0])[::-1]
    return values / values.sum()


def weights_and_edf(
    possible: int, factor: int, exponent: int, name: str, valid: np.ndarray | None = None
) -> tuple[np.ndarray, float]:
    """Return the weights of a difference statistic, and its degrees of freedom."""
    kind = STATISTICS[name]
    options = {"order": kind.form.order, "averaged": kind.form.averaged, "overlapping": kind.form.overlapping}
    terms = terms_of(possible, valid)
    edf = equivalent_degrees_of_freedom(terms, factor, exponent=exponent, **options)
    noise = np.eye(len(exponents_of(kind.form.order)))[2 - exponent]
    (expected,) = kind.form.moments([terms], 0, [factor]).expected
    weighing = kind.form.weighing(terms, 0, factor, noise, edf, expected)
    return weights_of([weighing], np.array([edf]))[0], edf


@pytest.mark.parametrize("exponent", NOISES)
@pytest.mark.parametrize("name", ["allan", "overlapping_allan", "modified_allan", "overlapping_hadamard"])
def test_weights_are_the_eigenvalues_of_all_terms(name: str, exponent: int) -> None:
    """From some of the terms the leading weights come out as from all of them, within a percent or two."""
    kind = STATISTICS[name]
    possible, factor = (6, 150) if not kind.form.overlapping else (500, 150)
    some, edf = weights_and_edf(possible, factor, exponent, name)
    if np.isnan(some[0]):
        assert edf > 100
        return
    step = 1 if kind.form.overlapping else factor
    lags = step * np.arange(possible)
    covariance = linalg.toeplitz(
        term_covariances(
            lags, factor, exponents=(exponent,), order=kind.form.order, averaged=kind.form.averaged
        )[0]
    )
    every = linalg.eigvalsh(covariance / covariance[0, 0])[::-1] / possible

    assert some.sum() == pytest.approx(1)
    assert 1 / np.sum(some**2) == pytest.approx(edf, rel=1e-5)
    assert some[:3] == pytest.approx(every[:3], abs=0.01 if exponent < 1 else 0.02)


@pytest.mark.parametrize("exponent", NOISES)
@pytest.mark.parametrize("name", QUADRATIC)
def test_a_shorter_record_stands_for_a_longer_one(name: str, exponent: int) -> None:
    """The leading weights of 321 points taken from 161 are those of all 321."""
    form = STATISTICS[name].form
    factor = 160 if name == "theo1" else 80
    noise = np.eye(len(exponents_of(form.order)))[2 - exponent]
    moments = form.moments([terms_of(1)], 321, [factor])
    edf = moments.freedom(noise)
    weighing = form.weighing(terms_of(100), 321, factor, noise, edf[0], moments.expected[0])
    (short,) = weights_of([weighing], edf)
    inner = dense.seen_by_differences(form.matrix(321, factor), form.order)
    whole = eigenvalues(dense.weighing_of_form(inner, 321, noise, form.order))

    if np.isnan(short[0]):
        assert edf > 50
        return
    assert short[:3] == pytest.approx(whole[:3], abs=0.01 if exponent < 1 else 0.03)


@pytest.mark.parametrize("exponent", NOISES)
@pytest.mark.parametrize(
    ("name", "factor"), [("total", 40), ("modified_total", 30), ("hadamard_total", 30), ("theo1", 64)]
)
def test_two_ways_to_the_degrees_of_freedom(name: str, factor: int, exponent: int) -> None:
    """For 129 points: eigenvalues of the form, its traces, and what longer records are given."""
    form = STATISTICS[name].form
    noise = np.eye(len(exponents_of(form.order)))[2 - exponent]
    exact = form.moments([terms_of(1)], 129, [factor]).freedom(noise)[0]
    inner = dense.seen_by_differences(form.matrix(129, factor), form.order)
    weights = eigenvalues(dense.weighing_of_form(inner, 129, noise, form.order))

    assert 1 / np.sum(weights**2) == pytest.approx(exact, rel=1e-3)
    # beyond m = 16 the degrees of freedom of stretches are carried over from shorter ones
    assert form.freedom(129, factor, exponent) == pytest.approx(exact, rel=0.03)


def test_power_gives_the_degrees_of_freedom_asked_for() -> None:
    """Raised weights sum to one, keep their order and have the degrees of freedom, if any can."""
    weights = np.array([[0.5, 0.3, 0.15, 0.05]] * 2 + [[0.25] * 4])
    raised, none, equal = raised_to_freedom(weights, np.array([2.2, 7.0, 4.0]))

    assert raised.sum() == pytest.approx(1)
    assert 1 / np.sum(raised**2) == pytest.approx(2.2, rel=1e-5)
    assert np.all(np.diff(raised) < 0)
    assert np.isnan(none).all()
    assert equal.tolist() == [0.25] * 4


def test_gaps_leave_the_weights_of_the_valid_terms() -> None:
    """Two far groups of terms are two records: each weight appears about twice, halved."""
    valid = np.zeros(1600, dtype=bool)
    valid[:100] = valid[-100:] = True
    together, edf = weights_and_edf(1600, 100, 0, "overlapping_allan", valid)
    alone, single = weights_and_edf(100, 100, 0, "overlapping_allan")

    assert edf == pytest.approx(2 * single, rel=0.1)
    assert together[:2] == pytest.approx([alone[0] / 2] * 2, rel=0.1)


def test_long_records_and_single_terms_need_none() -> None:
    """A thousand averaging times, or one term: chi-squared is exact enough or exact."""
    assert np.isnan(weights_and_edf(10_000, 10, 0, "overlapping_allan")[0][0])
    assert np.isnan(weights_and_edf(1, 100, 0, "overlapping_allan")[0][0])


def test_interval_of_a_few_averages_is_narrower_than_chi_squared() -> None:
    """At a quarter of the record the interval is narrower than chi-squared says, well below it the same."""
    record = eb.simulate_clock(2000, interval_s=1.0, levels=eb.NoiseLevels(white_fm=1.0), seed=3)
    curve = eb.stability(record, averaging=[10, 500])
    exact, plain = (
        np.log(given.confidence_interval(0.683)) for given in (curve, replace(curve, distribution=None))
    )

    assert exact[1][1] - exact[0][1] < 0.95 * (plain[1][1] - plain[0][1])
    assert exact[:, 0] == pytest.approx(plain[:, 0], abs=1e-4)
