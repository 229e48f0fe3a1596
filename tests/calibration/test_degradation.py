"""Paths to a limit: published data refitted independently, simulated units, and data that cannot be."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.regression.mixed_linear_model import MixedLM

from evenbeat.calibration.degradation import fit_degradation
from evenbeat.errors import InputError

HOUR = 3600.0


def read(folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return hours, increase in percent and unit of the laser data (Meeker & Escobar)."""
    with (folder / "degradation-to-limit.csv").open() as lines:
        rows = [(float(r["hours"]), float(r["increase"]), float(r["unit"])) for r in csv.DictReader(lines)]
    hours, increase, unit = np.array(rows).T
    return hours, increase, unit.astype(int)


@pytest.mark.slow
def test_laser_data_by_two_independent_fits(open_data: Path) -> None:
    """Random slope by statsmodels' mixed model and by scipy's multivariate normal: four digits."""
    hours, increase, unit = read(open_data)
    fit = fit_degradation(hours * HOUR, increase, unit, limit=10.0)
    later = hours > 0
    time = hours[later] / 1000
    mixed = MixedLM(increase[later], time[:, None], unit[later], exog_re=time[:, None]).fit(reml=False)
    per_1000_h = 1000 * HOUR
    assert fit.mean_rate * per_1000_h == pytest.approx(mixed.fe_params[0], rel=1e-4)
    assert fit.rate_spread * per_1000_h == pytest.approx(math.sqrt(mixed.cov_re[0, 0]), rel=2e-4)
    assert fit.residual == pytest.approx(math.sqrt(mixed.scale), rel=1e-4)
    assert fit.negative_log_likelihood == pytest.approx(-mixed.llf, abs=1e-5)

    def cost(p: np.ndarray) -> float:
        total = 0.0
        for name in np.unique(unit):
            t, y = time[unit[later] == name], increase[later][unit[later] == name]
            covariance = math.exp(2 * p[2]) * np.eye(len(t)) + math.exp(2 * p[1]) * np.outer(t, t)
            total -= stats.multivariate_normal(p[0] * t, covariance).logpdf(y)
        return total

    best = optimize.minimize(cost, [2.0, -0.8, -1.6], method="Nelder-Mead", options={"xatol": 1e-7})
    found = [fit.mean_rate * per_1000_h, math.log(fit.rate_spread * per_1000_h), math.log(fit.residual)]
    assert found == pytest.approx(best.x, rel=1e-4)


def test_times_to_the_limit_of_the_laser_data(open_data: Path) -> None:
    """Each unit's least squares through zero (numpy) and L/b; three lasers reach 10 % within 4000 hours."""
    hours, increase, unit = read(open_data)
    fit = fit_degradation(hours * HOUR, increase, unit, limit=10.0)
    one = unit == 101
    slope = np.linalg.lstsq(hours[one][:, None], increase[one], rcond=None)[0][0]
    assert fit.rates[0] * HOUR == pytest.approx(slope, rel=1e-9)
    assert int(np.sum(fit.times_to_limit_s < 4000 * HOUR)) == 3
    reached = {unit[i] for i in np.flatnonzero(increase >= 10)}
    assert reached == {101, 106, 110}
    assert fit.interval_low_s < fit.interval_s < fit.interval_high_s
    assert fit.reliability_after(fit.interval_s) == pytest.approx(0.95, abs=1e-6)
    expected = 10 / (fit.mean_rate + stats.norm.ppf(0.95) * fit.rate_spread)
    assert fit.interval_s == pytest.approx(expected, rel=1e-6)
    assert max(map(len, str(fit).splitlines())) <= 80
    assert json.dumps(fit.to_dict(), allow_nan=False)


@pytest.mark.slow
def test_interval_holds_for_simulated_units() -> None:
    """Sixty families of fifteen units: the 90 % interval holds the true time in at least 78 % (binomial)."""
    generator = np.random.default_rng(4)
    times = np.tile(np.arange(1, 9) * 1e6, 15)
    owner = np.repeat(np.arange(15), 8)
    truth = 1e-8 / (2e-15 + stats.norm.ppf(0.95) * 4e-16)
    held = 0
    for _ in range(60):
        rates = generator.normal(2e-15, 4e-16, 15)
        values = rates[owner] * times + 2e-10 * generator.standard_normal(len(times))
        fit = fit_degradation(times, values, owner, limit=1e-8)
        held += fit.interval_low_s <= truth <= fit.interval_high_s
    assert held / 60 >= 0.78


def test_side_and_bend() -> None:
    """Mirrored paths give the same interval; paths that slow down and units that do not move are said."""
    generator = np.random.default_rng(5)
    times, owner = np.tile(np.arange(1, 9.0), 6), np.repeat(list("abcdef"), 8)
    rates = np.repeat(generator.normal(1.0, 0.1, 6), 8)
    values = rates * times + 0.01 * generator.standard_normal(48)
    up = fit_degradation(times, values, owner, limit=20.0)
    down = fit_degradation(times, -values, owner, limit=20.0)
    assert down.interval_s == pytest.approx(up.interval_s, rel=1e-6)
    assert down.mean_rate == pytest.approx(-up.mean_rate, rel=1e-6)
    bent = fit_degradation(times, rates * np.log1p(times), owner, limit=20.0)
    assert "PATHS_BEND" in {f.code for f in bent.findings}
    assert "BEYOND_OBSERVED" in {f.code for f in up.findings}
    still = values.copy()
    still[owner == "a"] *= -0.1
    assert math.isinf(fit_degradation(times, still, owner, limit=20.0).times_to_limit_s[0])


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"value": [1.0]}, "differ in length"),
        ({"value": [1.0, math.nan, 1.0, 1.0]}, "row 2: value nan"),
        ({"limit": 0.0}, "limit is 0;"),
        ({}, "2 units; at least 3 units"),
        ({"unit": ["a", "a", "a", "b"]}, "unit b has fewer than two readings"),
    ],
)
def test_impossible_data_are_refused(changed: dict[str, object], words: str) -> None:
    """Every sentence names the row, the unit or the argument."""
    given = {"time_s": [1.0, 2, 1, 2], "value": [1.0, 2, 1, 2], "unit": list("aabb"), "limit": 5.0, **changed}
    with pytest.raises(InputError, match=words):
        fit_degradation(**given)  # type: ignore[arg-type]
