"""Reliability models against worked values, lifelines' data refitted with scipy, and published data."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, optimize, special, stats

from evenbeat.calibration.reliability import RELIABILITY_MODELS, fit_reliability
from evenbeat.errors import InputError

MONTH = 2.63e6


def found_states(
    time_s: np.ndarray, inspected: object, found_in: object
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rows of grouped found states: at each time so many of so many were in."""
    n, k = np.asarray(inspected), np.asarray(found_in)
    after = np.concatenate([time_s, np.zeros_like(time_s)])
    before = np.concatenate([np.full_like(time_s, np.inf), time_s])
    counts = np.concatenate([k, n - k])
    return after[counts > 0], before[counts > 0], counts[counts > 0]


ROWS = found_states(MONTH * np.array([6.0, 12, 18, 24]), [20, 25, 15, 10], [20, 23, 12, 7])


@pytest.mark.parametrize(
    ("name", "parameters", "cost", "aic", "intervals"),
    [
        ("exponential", (0.0093823,), 22.18726, 46.375, (5.467, 11.230)),
        ("weibull", (0.0294036, 2.55623), 20.90447, 45.809, (10.641, 14.102)),
        ("random_walk", (0.0291394,), 21.11837, 44.237, (8.934, 12.684)),
        pytest.param(
            *("linear_drift", (0.0359261, 0.369459), 21.11397, 46.228, (10.911, 14.655)),
            marks=pytest.mark.slow,
        ),
    ],
)
def test_grouped_found_states(
    name: str, parameters: tuple[float, ...], cost: float, aic: float, intervals: tuple[float, float]
) -> None:
    """Binomial maximum likelihood of a worked example, computed with scipy independently of this code."""
    fit = fit_reliability(*ROWS, models=[name]).best
    powers = tuple(RELIABILITY_MODELS[name].powers.values())
    shown = [p * MONTH**k for p, k in zip(fit.parameters, powers, strict=True)]
    assert shown == pytest.approx(parameters, rel=2e-4)
    assert fit.negative_log_likelihood == pytest.approx(cost, abs=2e-5)
    assert fit.aic == pytest.approx(aic, abs=1e-3)
    assert fit.interval_s / MONTH == pytest.approx(intervals[0], abs=2e-3)
    at_90 = fit_reliability(*ROWS, models=[name], reliability=0.9).best
    assert at_90.interval_s / MONTH == pytest.approx(intervals[1], abs=2e-3)


def test_limits_of_the_exponential_interval() -> None:
    """Profile limits of one parameter: where 2Δ ln L reaches the chi-squared quantile (scipy, by hand)."""
    fit = fit_reliability(*ROWS, models=["exponential"], confidence=0.9).best
    t, n, k = np.array([6.0, 12, 18, 24]), np.array([20, 25, 15, 10]), np.array([20, 23, 12, 7])

    def cost(rate: float) -> float:
        return float(-(k * -rate * t + (n - k) * np.log1p(-np.exp(-rate * t))).sum())

    best = optimize.minimize_scalar(cost, bounds=(1e-4, 0.1), method="bounded", options={"xatol": 1e-12})
    allowed = best.fun + 0.5 * stats.chi2.ppf(0.9, 1)
    rates = [
        optimize.brentq(lambda r: cost(r) - allowed, *bracket) for bracket in ((1e-4, best.x), (best.x, 0.1))
    ]
    low, high = sorted(-math.log(0.95) / rate for rate in rates)
    assert fit.interval_low_s / MONTH == pytest.approx(low, rel=1e-5)
    assert fit.interval_high_s / MONTH == pytest.approx(high, rel=1e-5)


def test_found_state_data(open_data: Path) -> None:
    """Turbine inspections (R package survival): Weibull by scipy's own optimum, to four digits."""
    with (open_data / "found-state-at-inspection.csv").open() as lines:
        table = [
            (float(r["hours"]), float(r["inspected"]), float(r["failed"])) for r in csv.DictReader(lines)
        ]
    hours, inspected, failed = np.array(table).T
    fit = fit_reliability(*found_states(hours * 3600, inspected, inspected - failed), models=["weibull"]).best

    def cost(p: np.ndarray) -> float:
        survival = stats.weibull_min.sf(hours, np.exp(p[1]), scale=np.exp(p[0]))
        return float(-(stats.binom.logpmf(failed, inspected, 1 - survival)).sum())

    best = optimize.minimize(cost, [math.log(70), 0.5], method="BFGS", options={"gtol": 1e-9})
    assert 1 / fit.parameters[0] / 3600 == pytest.approx(math.exp(best.x[0]), rel=1e-4)
    assert fit.parameters[1] == pytest.approx(math.exp(best.x[1]), rel=1e-4)


@pytest.mark.slow
def test_interval_censored_data(open_data: Path) -> None:
    """731 interval-censored times (lifelines' data): Weibull by scipy's own optimum, to four digits."""
    with (open_data / "interval-censored.csv").open() as lines:
        pairs = np.array([(float(r["left"]), float(r["right"])) for r in csv.DictReader(lines)])
    low, high = pairs.T
    fit = fit_reliability(low, high, models=["weibull"]).best
    exact = low == high

    def cost(p: np.ndarray) -> float:
        law = stats.weibull_min(np.exp(p[1]), scale=np.exp(p[0]))
        between = np.log(law.sf(low[~exact]) - law.sf(high[~exact]))
        return float(-between.sum() - law.logpdf(low[exact]).sum())

    best = optimize.minimize(
        cost, [math.log(20), 0.5], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9}
    )
    assert fit.negative_log_likelihood == pytest.approx(best.fun, rel=1e-6)
    assert 1 / fit.parameters[0] == pytest.approx(math.exp(best.x[0]), rel=1e-4)
    assert fit.parameters[1] == pytest.approx(math.exp(best.x[1]), rel=1e-4)


@pytest.mark.parametrize("name", list(RELIABILITY_MODELS))
def test_every_model_is_a_survival_function(name: str) -> None:
    """It starts at one, or where its definition says; never rises, and stays within 0 and 1."""
    starts = {
        "random_walk_from_spread": lambda _, spread: 2 * stats.norm.cdf(1 / math.sqrt(spread)) - 1,
        "warranty": lambda _, steepness: 1 / (1 + math.exp(-steepness)),
    }
    model = RELIABILITY_MODELS[name]
    time = np.concatenate([[1e-12], np.linspace(1e-6, 5, 400)])
    for values in ((0.3, 0.4), (1.0, 0.2), (2.0, 0.3)):
        survival = model.survival(time, np.array(values[: len(model.powers)]))
        if name in starts:
            assert survival[0] == pytest.approx(starts[name](*values), rel=1e-9)
        else:
            assert survival[0] > 0.98
        assert np.all(np.diff(survival) <= 1e-12)
        assert np.all((survival >= 0) & (survival <= 1))


def test_survival_follows_from_what_happens_to_the_units() -> None:
    """Rates by a gamma distribution, the third of shocks at random, a settling walk, a drifting spread."""
    t = np.array([0.2, 1.0, 3.0])
    laws = {
        name: (lambda p, law=model.survival: law(t, np.array(p)))
        for name, model in RELIABILITY_MODELS.items()
    }
    rates = stats.gamma(0.7, scale=1.3 / 0.7)
    mixed = [rates.expect(lambda rate, at=at: math.exp(-rate * at), epsabs=1e-11) for at in t]
    assert laws["mixed_exponential"]([1.3, 0.7]) == pytest.approx(mixed, rel=1e-6)
    assert laws["modified_gamma"]([1.3]) == pytest.approx(stats.gamma(3, scale=1 / 1.3).sf(t))
    settling = stats.norm(scale=np.sqrt(0.8 * (1 - np.exp(-0.5 * t))))
    assert laws["restricted_walk"]([0.8, 0.5]) == pytest.approx(settling.cdf(1) - settling.cdf(-1))
    spread = stats.norm(loc=0.4 * t, scale=0.3)
    assert laws["linear_drift"]([0.4, 0.3]) == pytest.approx(spread.cdf(1) - spread.cdf(-1))
    assert laws["warranty"]([0.5, 4.0]) == pytest.approx(stats.logistic(2.0, 0.5).sf(t))
    growing = np.exp(-np.array([integrate.quad(lambda age: 0.2 + 2 * 0.1 * age, 0, at)[0] for at in t]))
    assert laws["mortality_drift"]([0.2, 0.1]) == pytest.approx(growing)


@pytest.mark.slow
def test_recovers_a_simulated_random_walk() -> None:
    """20 000 units found at random times: the growth within 4 % and the interval within 4 %."""
    generator = np.random.default_rng(2)
    time = generator.uniform(0.2, 2.0, 20_000)
    inside = generator.random(20_000) < 2 * special.ndtr(1 / np.sqrt(0.5 * time)) - 1
    low, high = np.where(inside, time, 0.0), np.where(inside, np.inf, time)
    comparison = fit_reliability(low, high, models=["random_walk", "exponential"])
    assert comparison.best.model.name == "random_walk"
    assert comparison.best.parameters[0] == pytest.approx(0.5, rel=0.04)
    truth = 1 / (0.5 * special.ndtri(0.975) ** 2)
    assert comparison.best.interval_s == pytest.approx(truth, rel=0.04)


@pytest.mark.slow
def test_units_of_time_do_not_matter() -> None:
    """Times in years or seconds give the same interval (scaling)."""
    after, before, counts = ROWS
    scaled = fit_reliability(after / MONTH, before / MONTH, counts, models=["weibull"]).best
    plain = fit_reliability(*ROWS, models=["weibull"]).best
    assert scaled.interval_s * MONTH == pytest.approx(plain.interval_s, rel=1e-6)


@pytest.mark.slow
def test_all_models_side_by_side() -> None:
    """All models agree on the data and differ in the interval: it is said, and JSON holds no NaN."""
    comparison = fit_reliability(*ROWS)
    assert len(comparison.fits) == len(RELIABILITY_MODELS)
    assert [fit.aic for fit in comparison.fits] == sorted(fit.aic for fit in comparison.fits)
    assert "MODELS_SPREAD" in {finding.code for finding in comparison.findings}
    assert json.dumps(comparison.to_dict(), allow_nan=False)
    assert "weibull" in str(comparison)
    for fit in comparison.fits:
        assert fit.interval_low_s <= fit.interval_s <= fit.interval_high_s


@pytest.mark.parametrize(
    ("rows", "settings", "words"),
    [
        # 59 of 59 found in show 95 % with 95 % confidence (common practice): 0.05^(1/59)
        (([1.0], [math.inf], [59.0]), {}, "every unit was found in tolerance.*at least 0.950"),
        (([2.0], [1.0], None), {}, "row 1 says after 2 s and before 1 s"),
        (([1.0, 2.0], [3.0], None), {}, "differ in length"),
        (([0.0], [1.0], [0.0]), {}, "0 units"),
        (([0.0], [1.0], None), {"models": ["odd"]}, "model is 'odd'"),
    ],
)
def test_bad_rows_are_named(rows: tuple[object, ...], settings: dict[str, object], words: str) -> None:
    """Every refusal names the row or argument and what was found."""
    with pytest.raises(InputError, match=words):
        fit_reliability(*rows, **settings)
