"""Innovations: a clock that changes is named, one that does not is left alone, whiteness as statsmodels."""

from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.diagnostic import acorr_ljungbox

from evenbeat.clock.fit import fit_clock
from evenbeat.clock.origins import change_finding, ljung_box
from evenbeat.powerlaw import NoiseLevels, simulate_clock

DAY = 86400.0
MIXED = NoiseLevels(white_fm=1e-21, flicker_fm=1e-25, random_walk_fm=1e-32)


# SOURCE: statsmodels.stats.diagnostic.acorr_ljungbox
def test_ljung_box_is_that_of_statsmodels() -> None:
    """Statistic and probability of a slightly correlated series."""
    noise = np.random.default_rng(3).standard_normal(200)
    series = noise[1:] + 0.2 * noise[:-1]
    reference = acorr_ljungbox(series - series.mean(), lags=[10])
    statistic, probability = ljung_box(series, 10)
    assert statistic == pytest.approx(float(reference["lb_stat"].iloc[0]), rel=1e-9)
    assert probability == pytest.approx(float(reference["lb_pvalue"].iloc[0]), rel=1e-9)


@pytest.mark.parametrize(("factor", "word"), [(0.1, "quieter"), (10.0, "noisier")])
def test_a_change_is_named_where_it_was(factor: float, word: str) -> None:
    """Noise that becomes ten times smaller or larger after 60 of 100 averages."""
    white = np.random.default_rng(5).standard_normal(100)
    white[60:] *= factor
    finding = change_finding(white, DAY * np.arange(1, 101))
    assert finding is not None
    assert finding.values["elapsed_s"] == pytest.approx(61 * DAY, abs=4 * DAY)
    assert 5 < finding.values["ratio"] < 20
    assert word in finding.sentence


def test_one_odd_average_is_no_change() -> None:
    """A single innovation of a hundred sigmas."""
    white = np.random.default_rng(6).standard_normal(100)
    white[80] = 100.0
    assert change_finding(white, np.arange(100.0)) is None


def test_white_innovations_raise_no_alarm() -> None:
    """Two thousand records of 100 averages under one noise: none is called changed."""
    generator = np.random.default_rng(7)
    assert not any(change_finding(generator.standard_normal(100), np.arange(100.0)) for _ in range(2000))


@pytest.mark.slow
def test_a_clock_of_mixed_noise_passes() -> None:
    """Under noises that the model knows neither finding appears, in ten clocks."""
    for seed in range(10):
        clock = simulate_clock(150, interval_s=DAY, levels=MIXED, seed=seed, aging=lambda t: 1e-12 * t / DAY)
        codes = {finding.code for finding in fit_clock(clock, aging="linear").findings}
        assert not codes & {"CLOCK_CHANGED", "INNOVATIONS_NOT_WHITE"}


def test_a_rhythm_is_reported() -> None:
    """A swing of seven averages that no term of the model explains."""
    clock = simulate_clock(150, interval_s=DAY, levels=NoiseLevels(white_fm=1e-21), seed=1)
    swing = 3e-13 * np.sin(2 * np.pi * np.arange(150) / 7)
    model = fit_clock(replace(clock, values=clock.values + swing), aging="linear")
    assert "INNOVATIONS_NOT_WHITE" in {finding.code for finding in model.findings}
