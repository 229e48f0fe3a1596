"""Sums of squares without gaps: every way to them gives the definition, exactly where it says so."""

from __future__ import annotations

import tracemalloc
from fractions import Fraction
from itertools import accumulate
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.sums.gap_free import sums_without_gaps
from evenbeat.deviations.sums.samples import PhasePoints, samples_of
from evenbeat.deviations.sums.shared_blocks import SharedBlocks

FACTORS = [1, 2, 3, 7, 16, 49, 50, 51, 333, 700]


def noise(kind: str, points: int = 3000) -> np.ndarray:
    """Return phase of a kind that is hard in one way or another."""
    white = np.random.default_rng(8).standard_normal((2, points))
    index = np.arange(points)
    return {
        "white PM": white[0],
        "white FM": np.cumsum(white[0]) * 1e-12,
        "random walk FM": np.cumsum(np.cumsum(white[0])) * 1e-15,
        "frequency offset": 1e-5 * index + np.cumsum(white[0]) * 1e-12,
        "offset": 1000.0 + 1e-11 * white[0],
        "drift": 1e-9 * index.astype(float) ** 2 + 1e-11 * white[0],
        "small numbers": np.cumsum(white[0]) * 1e-100,
        "large numbers": np.cumsum(white[0]) * 1e140,
        "nothing": np.zeros(points),
    }[kind]


def exact(phase: np.ndarray, factor: int, order: int, *, averaged: bool) -> float:
    """Return the sum of squares by rational numbers, relative to the squares of the largest phase."""
    # SOURCE: Python's fractions, definitions of NIST SP 1065, 5.2
    largest = Fraction(max(float(np.max(np.abs(phase))), 1e-300))
    terms = [Fraction(value) / largest for value in phase.tolist()]
    for _ in range(order):
        terms = [later - earlier for later, earlier in zip(terms[factor:], terms, strict=False)]
    if averaged:
        sums = [Fraction(0), *accumulate(terms)]
        terms = [(later - earlier) / factor for later, earlier in zip(sums[factor:], sums, strict=False)]
    return float(sum(term**2 for term in terms))


@pytest.mark.parametrize(
    ("kind", "within"),
    [
        ("white PM", 1e-13),
        ("white FM", 1e-13),
        ("random walk FM", 1e-13),
        ("offset", 1e-13),
        ("small numbers", 1e-13),
        ("large numbers", 1e-13),
        ("frequency offset", 1e-12),
        ("drift", 1e-9),
    ],
)
@pytest.mark.parametrize(("order", "averaged"), [(2, False), (2, True), (3, False)])
def test_against_rational_numbers(kind: str, within: float, order: int, averaged: bool) -> None:
    """Shared blocks, far points and blocks of any size give the exact sum."""
    phase = noise(kind, 800)
    factors = np.array([1, 2, 3, 7, 40, 200])
    largest = max(float(np.max(np.abs(phase))), 1e-300)

    for block in (50, 1 << 16):
        found = sums_without_gaps(PhasePoints.of(phase), factors, order, averaged=averaged, block=block)
        for factor, terms in zip(factors.tolist(), found, strict=True):
            expected = exact(phase, factor, order, averaged=averaged)
            assert terms.total / largest**2 == pytest.approx(expected, rel=within), (factor, block)
            assert terms.terms == terms.possible == len(phase) - (order + averaged) * factor + averaged


@pytest.mark.parametrize("kind", ["frequency offset", "offset", "white FM"])
@pytest.mark.parametrize("factor", [2, 5, 64, 250])
def test_shared_moving_sums_lose_no_digit(kind: str, factor: int) -> None:
    """Moving sums from shared running sums are those of rational numbers whatever the slope of the phase."""
    phase = noise(kind, 900)
    blocks = SharedBlocks(PhasePoints.of(phase), [factor], 2, averaged=True)
    largest = float(np.max(np.abs(phase)))

    total = float(blocks.sums(0, len(phase))[0]) / largest**2

    assert total == pytest.approx(exact(phase, factor, 2, averaged=True), rel=1e-14)


@pytest.mark.parametrize("kind", ["white PM", "white FM", "random walk FM", "frequency offset", "nothing"])
@pytest.mark.parametrize(("order", "averaged"), [(2, False), (2, True), (3, False)])
def test_pieces_of_the_record(kind: str, order: int, averaged: bool) -> None:
    """Any division of the record into pieces and blocks gives the same sums."""
    samples = PhasePoints.of(noise(kind))
    whole = sums_without_gaps(samples, np.array(FACTORS), order, averaged=averaged)

    for block in (100, 777, 1 << 12):
        found = sums_without_gaps(samples, np.array(FACTORS), order, averaged=averaged, block=block)
        for terms, usual in zip(found, whole, strict=True):
            assert terms.total == pytest.approx(usual.total, rel=1e-12)


def test_other_number_types_and_layouts() -> None:
    """Single precision is widened first, and every second sample of a row is read without a copy."""
    phase = np.random.default_rng(2).integers(-1000, 1000, 4000).astype(np.float32)

    narrow = sums_without_gaps(PhasePoints.of(phase[::2]), np.array(FACTORS[:6]), 2, averaged=True)
    wide = sums_without_gaps(
        PhasePoints.of(phase[::2].astype(float)), np.array(FACTORS[:6]), 2, averaged=True
    )

    assert [terms.total for terms in narrow] == [terms.total for terms in wide]


def test_progress_is_told_once_for_each_factor() -> None:
    """The factors that share blocks are told in proportion as blocks are done, the far ones after them."""
    told: list[tuple[int, int]] = []
    samples = PhasePoints.of(noise("white FM"))

    sums_without_gaps(
        samples,
        np.array(FACTORS),
        2,
        averaged=False,
        block=100,
        progress=lambda done, count: told.append((done, count)),
    )

    assert told == [(done, len(FACTORS)) for done in range(1, len(FACTORS) + 1)]


@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_frequency_is_integrated_once_without_copies(dtype: str, tmp_path: Path) -> None:
    """A memory-mapped frequency record needs the memory of its phase and little more."""
    points = 3_000_000
    path = tmp_path / "frequency.npy"
    np.save(path, np.random.default_rng(1).standard_normal(points).astype(dtype) * 1e-12)
    record = eb.Record.from_frequency(np.load(path, mmap_mode="r"), interval_s=1.0)
    tracemalloc.start()

    samples = samples_of(record, 1.0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert peak < 8 * points + 2 * 8 * (1 << 20)
    assert isinstance(samples, PhasePoints)
    gains = np.asarray(record.values, dtype=float)
    expected = np.concatenate([[0.0], np.cumsum(gains - gains.mean())])
    assert np.max(np.abs(samples.phase_s - expected)) < 1e-9 * np.max(np.abs(expected))
