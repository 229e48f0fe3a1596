"""Dead time: the published bias functions, and a clock read with dead time against the same without."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

import evenbeat as eb
from evenbeat.deviations.dead_time import dead_time_bias, distributed_dead_time_bias

FLICKER = np.log(2) * 2


@pytest.mark.parametrize(
    ("ratio", "mu", "published"),
    [
        (0.5, -2, 2 / 3),
        (2, -2, 2 / 3),
        (1, -2, 1),
        (0.5, -1, 0.5),
        (1.1, -1, 1),
        (8, -1, 1),
        (0.5, 0, 0.39154141),
        (1.1, 0, 1.0886098),
        (2, 0, 1.5661656),
        (8, 0, 2.5810791),
        (10, 0, 2.74238),
        (0.5, 1, 0.3125),
        (1.1, 1, 1.15),
        (2, 1, 2.5),
        (8, 1, 11.5),
        (10, 1, 14.5),
        (0.5, 2, 0.25),
        (1.1, 2, 1.21),
        (8, 2, 64),
    ],
)
def test_ratio_with_dead_time_is_the_published_one(ratio: float, mu: float, published: float) -> None:
    """B2(r, μ) of Barnes (NBS TN 375, 1969; IEEE Trans. IM-20, 1971; values from memory of the formula)."""
    assert dead_time_bias(ratio, mu) == pytest.approx(published, rel=3e-6)  # six digits are published


@pytest.mark.parametrize(
    ("averages", "ratio", "mu", "published"),
    [
        (2, 1.01, -1, 1),
        (8, 2, -1, 1),
        (2, 1.01, 0, 0.993392),
        (2, 1.1, 0, 0.947221),
        (2, 2, 0, 0.792236),
        (4, 1.1, 0, 0.928702),
        (4, 2, 0, 0.705169),
        (8, 1.01, 0, 0.990589),
        (8, 2, 0, 0.668372),
        (10, 1.1, 0, 0.92130),
        (10, 2, 0, 0.66174),
        (2, 1.01, 1, 0.996305),
        (2, 2, 1, 0.85),
        (4, 1.1, 1, 0.959239),
        (4, 2, 1, 0.8125),
        (8, 1.01, 1, 0.995151),
        (8, 2, 1, 0.803125),
        (10, 1.1, 1, 0.95696),
        (10, 2, 1, 0.80200),
    ],
)
def test_ratio_of_spread_dead_time_is_the_published_one(
    averages: int, ratio: float, mu: float, published: float
) -> None:
    """B3(2, M, r, μ) of Barnes and Allan (NIST TN 1318, 1990, equation 7)."""
    assert distributed_dead_time_bias(averages, ratio, mu) == pytest.approx(
        published, rel=5e-6
    )  # five or six digits


@pytest.mark.grid(3)
@pytest.mark.parametrize(("mu", "alpha"), [(0.0, -1), (1.0, -2)])
@pytest.mark.parametrize("averages", [1, 3, 10])
def test_both_agree_with_the_integral_over_the_spectrum(mu: float, alpha: int, averages: int) -> None:
    """B2 B3 is what numerical integration of the transfer function gives (scipy.integrate.quad)."""
    ratio = 2.0

    def response(log_f: float) -> float:
        f = np.exp(log_f)
        gate = np.sinc(f) ** 2
        comb = np.sin(np.pi * f * averages * ratio) ** 2 / (averages * np.sin(np.pi * f * ratio)) ** 2
        return float(f * f**alpha * 2 * gate * comb * np.sin(np.pi * f * averages * ratio) ** 2)

    edges = np.concatenate([[1e-6], np.arange(1, 801) * 0.05])
    measured = sum(
        integrate.quad(response, np.log(a), np.log(b), epsabs=0, epsrel=1e-8)[0]
        for a, b in zip(edges[:-1], edges[1:] - 1e-12, strict=True)
    )
    allan = {0.0: 2 * np.log(2), 1.0: 2 * np.pi**2 / 3 * averages}[mu]
    expected = dead_time_bias(ratio, mu) * distributed_dead_time_bias(averages, ratio, mu)

    assert measured / allan == pytest.approx(expected, rel=1e-3)  # the integral ends at 40 / gate


def test_no_dead_time_is_no_bias() -> None:
    """Without dead time nothing changes, whatever the noise: both ratios are one by definition."""
    for mu in (-2, -1, -0.5, 0, 1, 2):
        assert distributed_dead_time_bias(7, 1.0, mu) == 1.0
        assert dead_time_bias(1.0, mu) == pytest.approx(1.0)


def read_with_dead_time(levels: eb.NoiseLevels, seed: int, *, parts: int = 2) -> tuple[eb.Record, eb.Record]:
    """Return the same clock read without dead time and with a gate of one part in ``parts``."""
    fine = eb.simulate_clock(parts * 2**14, interval_s=1.0, levels=levels, seed=seed)
    groups = np.asarray(fine.values).reshape(-1, parts)
    whole = eb.Record.from_frequency(groups.mean(axis=1), interval_s=float(parts))
    gated = eb.Record.from_frequency(groups[:, 0], interval_s=float(parts), gate_s=1.0)
    return whole, gated


@pytest.mark.grid(2)
@pytest.mark.parametrize(
    ("levels", "parts", "raw_at_one"),
    [
        (eb.NoiseLevels(white_fm=2e-22), 2, 2**0.5),
        (eb.NoiseLevels(flicker_fm=1e-24), 2, 1.2515),
        (eb.NoiseLevels(random_walk_fm=1e-26), 2, 1.5811 / 2**0.5),
        (eb.NoiseLevels(random_walk_fm=1e-26), 5, (7 / 5) ** 0.5),
    ],
)
def test_correction_recovers_the_deviation_without_dead_time(
    levels: eb.NoiseLevels, parts: int, raw_at_one: float
) -> None:
    """Simulated FM noises: corrected deviations average to those of the same clock without dead time.

    The uncorrected ratios at one reading are sqrt(B2 r^-μ), from the table of Barnes's B2.
    """
    factors = [1, 2, 8, 32]
    raw, corrected = [], []
    for seed in range(12):
        whole, gated = read_with_dead_time(levels, seed, parts=parts)
        truth = eb.stability(whole, averaging=factors).deviation
        curve = eb.stability(gated, averaging=factors)
        raw.append(curve.deviation / truth)
        corrected.append(curve.without_dead_time().deviation / truth)

    assert np.mean(raw, axis=0)[0] == pytest.approx(raw_at_one, rel=0.02)
    # twelve clocks of 16384 readings: the mean ratio is known to about 1 % at 32 readings
    assert np.mean(corrected, axis=0) == pytest.approx(np.ones(4), rel=0.03)


def test_correction_says_what_it_did() -> None:
    """The finding states gates and factors, and warns of white PM that looks like white FM."""
    _, gated = read_with_dead_time(eb.NoiseLevels(flicker_fm=1e-24), 1)
    curve = eb.stability(gated, averaging=[1, 4]).without_dead_time()
    found = {finding.code: finding for finding in curve.findings}

    assert "DEAD_TIME" not in found
    assert found["DEAD_TIME_CORRECTED"].values["ratio"] == 2
    assert found["DEAD_TIME_CORRECTED"].values["largest_bias"] == pytest.approx(1.5661656**0.5)
    assert "White PM cannot be told" in found["DEAD_TIME_CORRECTED"].sentence


def test_noise_without_bias_function_is_left_alone_and_said() -> None:
    """Of white PM no bias is known: the deviation stays as it is, with a caution."""
    readings = np.random.default_rng(4).standard_normal(7) * 1e-11
    gated = eb.Record.from_frequency(readings, interval_s=2.0, gate_s=1.0)
    raw = eb.stability(gated, averaging=[1], noise="white PM")
    curve = raw.without_dead_time()

    assert curve.deviation.tolist() == raw.deviation.tolist()
    assert [finding.code for finding in curve.findings].count("DEAD_TIME_NOT_CORRECTED") == 1


def test_what_cannot_be_corrected_is_refused() -> None:
    """Other statistics, records without dead time and impossible arguments are answered by a sentence."""
    whole, gated = read_with_dead_time(eb.NoiseLevels(white_fm=2e-22), 1)
    with pytest.raises(eb.InputError, match="modified Allan deviation; dead time can be taken out of"):
        eb.stability(gated, "modified_allan", averaging=[1]).without_dead_time()
    with pytest.raises(eb.InputError, match="has no dead time"):
        eb.stability(whole, averaging=[1]).without_dead_time()
    with pytest.raises(eb.InputError, match="mu is 3"):
        dead_time_bias(2.0, 3.0)
    with pytest.raises(eb.InputError, match=r"ratio is 0\.5"):
        distributed_dead_time_bias(4, 0.5, 1.0)
