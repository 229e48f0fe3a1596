"""Sums from lagged products: exact where they are returned, and not returned where they could not be."""

from __future__ import annotations

from fractions import Fraction
from itertools import accumulate

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.sums import gap_free, lagged_products
from evenbeat.deviations.sums.gap_free import sums_without_gaps
from evenbeat.deviations.sums.lagged_products import TOLERANCE, BlockProducts, sums_by_lagged_products
from evenbeat.deviations.sums.samples import PhasePoints

POINTS = 1500


def noise(kind: str, points: int = POINTS) -> np.ndarray:
    """Return phase of a kind that is hard in one way or another."""
    white = np.random.default_rng(8).standard_normal(points)
    index = np.arange(points)
    return {
        "white PM": white,
        "white FM": np.cumsum(white) * 1e-12,
        "random walk FM": np.cumsum(np.cumsum(white)) * 1e-15,
        "frequency offset": 1e-5 * index + np.cumsum(white) * 1e-12,
        "offset": 1000.0 + 1e-10 * np.cumsum(white),
        "drift": 1e-9 * index.astype(float) ** 2 + 1e-11 * white,
    }[kind]


def exact(phase: np.ndarray, factor: int, order: int, *, averaged: bool) -> float:
    """Return the sum of squares by rational numbers."""
    # SOURCE: Python's fractions, definitions of NIST SP 1065, 5.2
    terms = [Fraction(value) for value in phase.tolist()]
    for _ in range(order):
        terms = [later - earlier for later, earlier in zip(terms[factor:], terms, strict=False)]
    if averaged:
        sums = [Fraction(0), *accumulate(terms)]
        terms = [(later - earlier) / factor for later, earlier in zip(sums[factor:], sums, strict=False)]
    return float(sum(term**2 for term in terms))


@pytest.mark.parametrize(
    ("kind", "share"),
    [
        ("white PM", 0.9),
        ("white FM", 0.85),
        ("random walk FM", 0.6),
        ("frequency offset", 0.85),
        ("offset", 0.85),
        ("drift", 0.5),
    ],
)
@pytest.mark.parametrize(("order", "averaged"), [(2, False), (2, True), (3, False)])
def test_what_is_returned_is_exact(kind: str, share: float, order: int, averaged: bool) -> None:
    """Most sums are returned, and those are within the tolerance of rational numbers."""
    if kind == "drift" and order == 3:
        share = 0.0  # the drift hides noise a million times smaller: nothing is promised
    phase = noise(kind)
    factors = np.arange(1, (POINTS - 1) // (order + averaged))

    found = sums_by_lagged_products(PhasePoints.of(phase), factors, order, averaged=averaged)

    firm = np.flatnonzero(~np.isnan(found))
    assert len(firm) >= share * len(factors)
    for index in firm[:: len(firm) // 6 + 1]:
        expected = exact(phase, int(factors[index]), order, averaged=averaged)
        assert found[index] == pytest.approx(expected, rel=TOLERANCE), factors[index]


def test_nothing_is_returned_of_nothing() -> None:
    """Phase that does not vary leaves all sums to other ways, which give zero."""
    samples = PhasePoints.of(np.full(POINTS, 7.0))

    assert np.isnan(sums_by_lagged_products(samples, np.arange(1, 700), 2, averaged=False)).all()
    assert all(terms.total == 0 for terms in sums_without_gaps(samples, np.arange(1, 499), 2, averaged=True))


def test_small_factors_of_steep_noise_are_left_out() -> None:
    """Where the differences cancel nearly all of the phase, products are not trusted."""
    steep = PhasePoints.of(noise("random walk FM"))

    found = sums_by_lagged_products(steep, np.arange(1, 740), 2, averaged=False)

    assert np.isnan(found[:5]).all()


@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan", "overlapping_hadamard"])
def test_both_ways_join(statistic: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """At every factor the deviation is the one computed block by block, and progress counts each once."""
    record = eb.Record.from_phase(noise("random walk FM"), interval_s=1.0)
    told: list[int] = []

    curve = eb.stability(record, statistic, averaging="every", progress=lambda done, _: told.append(done))
    monkeypatch.setattr(gap_free, "FEWEST_FOR_PRODUCTS", 10**9)
    blocks = eb.stability(record, statistic, averaging="every")

    assert curve.deviation == pytest.approx(blocks.deviation, rel=TOLERANCE)
    assert told == list(range(1, len(curve) + 1))


@pytest.mark.parametrize("kind", ["white PM", "white FM", "random walk FM"])
@pytest.mark.parametrize("times", [2, 3])
def test_products_of_a_block_are_exact(kind: str, times: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is returned for a block is within the tolerance of rational numbers, the rest is asked for."""
    monkeypatch.setattr(lagged_products, "FEWEST_TERMS", 1)
    values, lags, count = noise(kind), [1, 2, 7, 30, 200, 350, 420], 700
    asked: list[int] = []

    def otherwise(lag: int, terms: int) -> float:
        asked.append(lag)
        assert terms == min(count, POINTS - times * lag)
        return exact(values[: terms + times * lag], lag, times, averaged=False)

    products = BlockProducts(lags, times, TOLERANCE)
    found = list(products.sums(values, count, np.empty(POINTS), otherwise))
    again = list(products.sums(values, count, np.empty(POINTS), otherwise))

    assert found == again
    assert len(asked) <= {"white PM": 0, "white FM": 4, "random walk FM": 8}[kind]
    for lag, total in zip(lags, found, strict=True):
        part = values[: min(count, POINTS - times * lag) + times * lag]
        assert total == pytest.approx(exact(part, lag, times, averaged=False), rel=TOLERANCE), lag


@pytest.mark.parametrize("order", [2, 3])
@pytest.mark.parametrize("kind", ["white PM", "white FM", "frequency offset", "offset"])
def test_products_of_a_record_as_it_stands(kind: str, order: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """At factors longer than a block they give the exact sum, and are not formed where an offset hides it."""
    monkeypatch.setattr(lagged_products, "FEWEST_IN_RECORD", 1)
    monkeypatch.setattr(lagged_products, "PART", 64)
    samples, lags = PhasePoints.of(noise(kind)), [60, 61, 250, 450]
    products = lagged_products.RecordProducts(samples, lags, order, 5 * TOLERANCE)

    spans = [(0, 500), (500, 1100), (1100, POINTS)]
    found = products.sums(np.sum([products.in_span(span, 100) for span in spans], axis=0))

    assert products.lags == ([] if "offset" in kind else lags)
    for lag, total in zip(products.lags, found.tolist(), strict=True):
        assert total == pytest.approx(exact(noise(kind), lag, order, averaged=False), rel=TOLERANCE), lag
    usual = sums_without_gaps(samples, np.array([1, *lags]), order, averaged=False, block=100)
    for lag, terms in zip(lags, usual[1:], strict=True):
        expected = exact(noise(kind), lag, order, averaged=False)
        assert terms.total == pytest.approx(expected, rel=TOLERANCE), lag
