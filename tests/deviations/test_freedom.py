"""Degrees of freedom with gaps, and whether the intervals cover what they say."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.covariance import term_covariance
from evenbeat.deviations.estimators import STATISTICS
from evenbeat.deviations.freedom import equivalent_degrees_of_freedom
from evenbeat.deviations.sums.kernels import sum_of_squared_averages, sum_of_squared_differences
from evenbeat.deviations.sums.samples import PhasePoints

LEVELS = {
    2: eb.NoiseLevels(white_pm=1.0),
    1: eb.NoiseLevels(flicker_pm=1.0),
    0: eb.NoiseLevels(white_fm=1.0),
    -1: eb.NoiseLevels(flicker_fm=1.0),
    -2: eb.NoiseLevels(random_walk_fm=1.0),
}


def phase_with_gaps(n: int, share: float, seed: int) -> np.ndarray:
    """Return phase of which a share is missing in stretches of five samples."""
    generator = np.random.default_rng(seed)
    phase = np.cumsum(generator.standard_normal(n))
    for begin in generator.integers(0, n - 5, int(share * n / 5)):
        phase[begin : begin + 5] = np.nan
    return phase


@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("factor", [1, 10, 50])
@pytest.mark.parametrize("averaged", [False, True])
def test_gaps_against_the_sum_over_all_pairs(exponent: int, factor: int, averaged: bool) -> None:
    """With gaps the degrees of freedom are those of the double sum over every pair of valid terms."""
    # SOURCE: the defining double sum 2 (tr C)²/(2 tr C²) over the terms that exist
    samples = PhasePoints.of(
        phase_with_gaps(1500, 0.05 if factor < 50 or not averaged else 0.01, seed=factor)
    )
    sums = sum_of_squared_averages if averaged else sum_of_squared_differences
    terms = sums(samples, factor, 2)
    valid = np.flatnonzero(terms.valid)
    lags = np.arange(1500)
    covariance = term_covariance(lags, factor, exponent=exponent, order=2, averaged=averaged)
    pairs = np.abs(valid[:, np.newaxis] - valid)
    exact = (len(valid) * covariance[0]) ** 2 / np.sum(covariance[pairs] ** 2)

    found = equivalent_degrees_of_freedom(
        terms, factor, exponent=exponent, order=2, averaged=averaged, overlapping=True
    )

    assert len(valid) > 20
    assert found == pytest.approx(exact, rel=2e-2)


@pytest.mark.parametrize("factor", [5, 40])
def test_complete_mask_is_no_mask(factor: int) -> None:
    """A mask without a hole gives what no mask gives."""
    from dataclasses import replace

    plain = sum_of_squared_differences(PhasePoints.of(phase_with_gaps(100_000, 0.0, seed=1)), factor, 2)
    masked = replace(plain, valid=np.ones(plain.possible, dtype=bool))
    options = {"exponent": -1, "order": 2, "averaged": False, "overlapping": True}

    assert equivalent_degrees_of_freedom(masked, factor, **options) == pytest.approx(
        equivalent_degrees_of_freedom(plain, factor, **options), rel=1e-3
    )


def coverage(statistic: str, exponent: int, factor: int, runs: int, *, gaps: bool = False) -> float:
    """Return how often the 95 % interval holds the deviation that the noise has in expectation.

    The noise type is taken as identified. The expectation is the mean square over the same runs, which
    for hundreds of runs is known ten times better than any single one.
    """
    squares, lows, highs = [], [], []
    kind = STATISTICS[statistic]
    for seed in range(runs):
        record = eb.simulate_clock(1025, interval_s=1.0, levels=LEVELS[exponent], seed=seed, kind="phase")
        if gaps:
            phase = np.array(record.values)
            phase[np.isnan(phase_with_gaps(1025, 0.1, seed=99))] = np.nan
            record = eb.Record.from_phase(phase, interval_s=1.0)
        curve = eb.stability(record, kind.name, averaging=[factor])
        low, high = curve.confidence_interval(0.95)
        squares.append(curve.deviation[0] ** 2)
        lows.append(low[0])
        highs.append(high[0])
    truth = np.sqrt(np.mean(squares))
    return float(np.mean((np.array(lows) < truth) & (truth < np.array(highs))))


def test_interval_covers() -> None:
    """With gaps the 95 % interval holds the truth in 95 % of 400 records, within their scatter."""
    share = coverage("overlapping_allan", 0, 16, 400, gaps=True)

    # binomial standard deviation 1.1 %; three of them, and what identification of the noise costs
    assert 0.915 <= share <= 0.985


@pytest.mark.slow
@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan", "overlapping_hadamard"])
@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("factor", [1, 8, 32, 128])
def test_interval_covers_every_noise(statistic: str, exponent: int, factor: int) -> None:
    """The 95 % interval holds the truth for every noise and factor, the noise type told from the record."""
    share = coverage(statistic, exponent, factor, 1000)

    # measured with 600 records each: 0.935 to 0.963 at factors 1, 8 and 32, and 0.958 to 0.977 at factor 128,
    # where few averages are left and the noise taken is rather the one with the wider interval
    assert 0.92 <= share <= 0.99
