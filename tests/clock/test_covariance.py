"""Covariance of mean frequencies against published variances, bias functions and predictors."""

import decimal
import math

import numpy as np
import pytest

from evenbeat.clock import covariance as room
from evenbeat.clock.covariance import (
    FLICKER_FM,
    MODELLED,
    RANDOM_WALK_FM,
    WHITE_FM,
    WHITE_PM,
    Gates,
    Gating,
    Spans,
    block_covariance,
    mean_frequency_covariance,
    mean_frequency_variance,
    unit_level,
)
from evenbeat.clock.regression import Contrasts

FM_NOISES = (WHITE_FM, FLICKER_FM, RANDOM_WALK_FM)


def _row(count: int, spacing: float = 1.0, length: float = 1.0) -> Spans:
    start = np.arange(count) * spacing
    return Spans(start=start, stop=start + length)


def _variance(exponent: int, spans: Spans, weights: np.ndarray) -> float:
    return float(weights @ mean_frequency_covariance(exponent, spans, spans) @ weights)


@pytest.mark.parametrize("exponent", MODELLED)
@pytest.mark.parametrize("length", [1.0, 0.01])
def test_adjacent_averages_have_the_allan_variance(exponent: int, length: float) -> None:
    """Half the variance of a first difference is one at unit level (NIST SP 1065, power-law table)."""
    spans = _row(2, spacing=length, length=length)
    variance = 0.5 * _variance(exponent, spans, np.array([-1.0, 1.0]))
    assert variance * unit_level(exponent, length) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(
    ("exponent", "ratio", "published"),
    [
        (WHITE_FM, 2, 1.0),
        (FLICKER_FM, 1.1, 1.0886098),
        (FLICKER_FM, 2, 1.5661656),
        (FLICKER_FM, 8, 2.5810791),
        (RANDOM_WALK_FM, 1.1, 1.15),
        (RANDOM_WALK_FM, 2, 2.5),
        (RANDOM_WALK_FM, 8, 11.5),
        (WHITE_PM, 2, 2 / 3),
    ],
)
def test_dead_time_gives_the_bias_function_b2(exponent: int, ratio: float, published: float) -> None:
    """Two-sample variance with dead time over that without: B2 of Barnes, NBS TN 375 (1969)."""
    difference = np.array([-1.0, 1.0])
    with_gap = _variance(exponent, _row(2, spacing=ratio), difference)
    assert with_gap / _variance(exponent, _row(2), difference) == pytest.approx(published, rel=1e-7)


@pytest.mark.parametrize("exponent", MODELLED)
def test_variance_is_the_diagonal_of_the_covariance(exponent: int) -> None:
    """The closed form of the variance agrees with the general one."""
    spans = Spans(start=np.array([0.0, 0.3, 1.0]), stop=np.array([0.3, 0.9, 1.01]))
    full = mean_frequency_covariance(exponent, spans, spans)
    assert mean_frequency_variance(exponent, spans) == pytest.approx(np.diag(full))


def _drift_deviation(exponent: int, count: int) -> float:
    """Return sd(D) T / σ_y(T) of generalized least squares over ``count`` averages of a unit record."""
    spans = _row(count, spacing=1 / count, length=1 / count)
    contrasts = Contrasts(count)
    covariance = contrasts.of_covariance(mean_frequency_covariance(exponent, spans, spans))
    line = contrasts.of(spans.middle[:, np.newaxis])
    variance = 1 / (line.T @ np.linalg.solve(covariance, line)).item()
    return math.sqrt(variance * unit_level(exponent, 1.0))


@pytest.mark.parametrize(
    ("exponent", "published"),
    [
        (WHITE_FM, math.sqrt(12)),
        (FLICKER_FM, math.sqrt(8 / (2 * math.log(2)))),
        (RANDOM_WALK_FM, math.sqrt(3)),
    ],
)
def test_drift_uncertainty_reaches_its_closed_form(exponent: int, published: float) -> None:
    """GLS drift variance tends to 12q1/T³, 8h₋₁/T² and q2/T (Barnes, 15th PTTI 1983; from memory)."""
    assert _drift_deviation(exponent, 400) == pytest.approx(published, rel=2e-3)


@pytest.mark.parametrize(
    ("exponent", "published"),
    [
        (WHITE_PM, 1 / math.sqrt(3)),
        (WHITE_FM, 1.0),
        (FLICKER_FM, 1 / math.sqrt(math.log(2))),
        (RANDOM_WALK_FM, 1.0),
    ],
)
def test_best_prediction_has_the_optimum_multiple(exponent: int, published: float) -> None:
    """Rms time error over τσ_y(τ) from a long past: 1/√3, 1, 1.2011, 1 (NIST TN 1337)."""
    edges = -np.concatenate([np.geomspace(1e5, 1e-3, 700), [0.0]])  # ever finer up to the present
    past = Spans(start=edges[:-1], stop=edges[1:])
    ahead = Spans(start=np.array([0.0]), stop=np.array([1.0]))
    contrasts = Contrasts(len(past))
    matrix = mean_frequency_covariance(exponent, past, past)
    cross = mean_frequency_covariance(exponent, past, ahead)[:, 0]
    weights = np.full(len(past), 1 / len(past))
    covariance = contrasts.of_covariance(matrix)
    with_target = contrasts.of(cross - matrix @ weights)
    own = mean_frequency_variance(exponent, ahead)[0] - 2 * weights @ cross + weights @ matrix @ weights
    error = own - with_target @ np.linalg.solve(covariance, with_target)
    assert math.sqrt(error * unit_level(exponent, 1.0)) == pytest.approx(published, rel=3e-3)


def test_contrasts_are_orthonormal_and_blind_to_a_constant() -> None:
    """The reflection keeps lengths and removes the mean."""
    contrasts = Contrasts(7)
    matrix = contrasts.of(np.eye(7))
    assert matrix @ np.ones(7) == pytest.approx(np.zeros(6), abs=1e-14)
    assert matrix @ matrix.T == pytest.approx(np.eye(6), abs=1e-14)


GATING = Gating(interval=1.0, gate=0.3)


def _gated_blocks(readings: int, count: int) -> Spans:
    start = np.arange(count) * float(readings)
    return Spans(start=start, stop=start + (readings - 1) * GATING.interval + GATING.gate)


def test_blocks_of_gated_white_fm_keep_the_variance_of_the_measured_time() -> None:
    """Means of m gates g of white FM have variance h₀/2gm and no covariance (by hand)."""
    matrix = block_covariance(WHITE_FM, _gated_blocks(20, 6), GATING)
    contrasts = Contrasts(6)
    assert contrasts.of_covariance(matrix) == pytest.approx(np.eye(5) / (2 * 0.3 * 20), abs=1e-12)


def test_blocks_of_gated_random_walk_agree_with_the_wiener_process() -> None:
    """The walk has covariance q min(s, t): earlier middle of two gates, start + g/3 within one (by hand)."""
    blocks, readings = 5, 4
    start = np.arange(blocks * readings) * GATING.interval
    wiener = np.minimum.outer(start, start) + 0.5 * GATING.gate
    wiener[np.diag_indices(len(start))] = start + GATING.gate / 3
    means = np.kron(np.eye(blocks), np.full(readings, 1 / readings))
    contrasts = Contrasts(blocks)
    known = contrasts.of_covariance(2 * math.pi**2 * means @ wiener @ means.T)  # q₂ = 2π²h₋₂
    ours = block_covariance(RANDOM_WALK_FM, _gated_blocks(readings, blocks), GATING)
    assert contrasts.of_covariance(ours) == pytest.approx(known, rel=1e-9, abs=1e-9 * known.max())


@pytest.mark.parametrize("exponent", MODELLED)
def test_many_gates_in_a_block_need_no_sum_over_all_of_them(
    exponent: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Dead time put on the diagonal agrees with the sum over every pair of gates."""
    spans, contrasts = _gated_blocks(100, 8), Contrasts(8)
    exact = contrasts.of_covariance(block_covariance(exponent, spans, GATING))
    monkeypatch.setattr(room, "MOST_READINGS", 10)
    short = contrasts.of_covariance(block_covariance(exponent, spans, GATING))
    assert short == pytest.approx(exact, abs=1e-3 * float(np.diag(exact).max()))


def test_one_gate_in_a_block_is_a_mean_frequency() -> None:
    """A short gate once a day: nothing but the covariance of its span."""
    spans = _gated_blocks(1, 7)
    plain = mean_frequency_covariance(FLICKER_FM, spans, spans)
    assert block_covariance(FLICKER_FM, spans, GATING) == pytest.approx(plain, rel=1e-12)


@pytest.mark.parametrize("exponent", [FLICKER_FM, RANDOM_WALK_FM])
@pytest.mark.parametrize(("length", "apart"), [(1.6e-8, 0.4), (1e-5, 0.9), (3e-3, 60.0), (0.01, 0.5)])
def test_short_spans_far_apart_lose_no_digits(exponent: int, length: float, apart: float) -> None:
    """A gate of a second in two years, blocks far ahead: the difference of four in forty digits.

    K = (t²/2) ln|t| and (π²/6)|t|³ are those of the docstring of evenbeat.powerlaw.phase_covariance.
    """
    one = Spans(start=np.array([0.0]), stop=np.array([length]))
    other = Spans(start=np.array([apart]), stop=np.array([apart + 2 * length]))
    with decimal.localcontext(prec=40):

        def phase(lag: decimal.Decimal) -> decimal.Decimal:
            t = abs(lag)
            if exponent == FLICKER_FM:
                return t**2 / 2 * t.ln()
            return decimal.Decimal(math.pi) ** 2 / 6 * t**3

        (a, b), (c, d) = (
            (decimal.Decimal(float(each.start[0])), decimal.Decimal(float(each.stop[0])))
            for each in (one, other)
        )
        exact = (phase(b - d) - phase(b - c) - phase(a - d) + phase(a - c)) / ((b - a) * (d - c))
    assert mean_frequency_covariance(exponent, one, other)[0, 0] == pytest.approx(float(exact), rel=3e-8)


@pytest.mark.slow
def test_readings_in_blocks_have_the_covariance_of_their_means() -> None:
    """Exact up to 2000 readings; beyond, the white noises and the variances of small blocks still are."""
    rng = np.random.default_rng(1)
    start = (np.arange(2400) + rng.uniform(0, 0.9, 2400)) / 2400
    gates = Gates(spans=Spans(start=start, stop=start + 1e-7), begins=np.arange(0, 2400, 12))
    last = gates.begins + 11
    blocks = Spans(start=start[gates.begins], stop=start[last] + 1e-7)
    few = Gates(spans=Spans(start=start[:1200], stop=start[:1200] + 1e-7), begins=np.arange(0, 1200, 12))
    some = Spans(start=blocks.start[:100], stop=blocks.stop[:100])
    for exponent in FM_NOISES:
        whole = block_covariance(exponent, blocks, gates)[:100, :100]
        exact = block_covariance(exponent, some, few)
        singly = mean_frequency_covariance(exponent, few.spans, few.spans)
        np.testing.assert_allclose(exact[3, 7], singly[36:48, 84:96].mean(), rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(np.diag(whole), np.diag(exact), rtol=1e-6)
        scale = np.abs(exact).max()
        np.testing.assert_allclose(whole, exact, rtol=0, atol=0.02 * scale)
    assert gates.dilution(1 / 200) == pytest.approx(1 / 200 / 1e-7 / 12, rel=1e-6)
