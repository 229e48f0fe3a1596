"""Planning a log: published constants of drift uncertainty, degrees of freedom, collinearity."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import stats

from evenbeat.calibration.experiment import (
    averages_for,
    coefficient_uncertainties,
    deviation_half_width,
    plan_experiment,
)
from evenbeat.clock.fit import fit_clock
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock

DAY = 86400.0


def floor(sigma: float) -> NoiseLevels:
    """Return flicker FM with this Allan deviation."""
    return NoiseLevels(flicker_fm=sigma**2 / (2 * math.log(2)))


@pytest.mark.parametrize(
    ("levels", "constant"),
    [
        (NoiseLevels(white_fm=2e-22), math.sqrt(12)),
        (floor(1e-12), 2.4028),
        (NoiseLevels(random_walk_fm=1e-32), math.sqrt(3)),
    ],
)
def test_constants_of_drift_uncertainty(levels: NoiseLevels, constant: float) -> None:
    """sd(D) = C σ_y(T)/T of the best linear estimator (Barnes, 15th PTTI 1983), within 0.5 %."""
    duration = 100 * DAY
    found = (
        float(coefficient_uncertainties(levels, duration)[0]) * duration / float(levels.deviation(duration))
    )
    assert found == pytest.approx(constant, rel=5e-3)


@pytest.mark.parametrize(("sigma", "drift", "days"), [(1e-12, 1e-11, 0.48), (1e-11, 1e-10 / 30, 14.4)])
def test_time_to_resolve_a_drift(sigma: float, drift: float, days: float) -> None:
    """T = 4.81 σ/|D| over a flicker floor: 0.48 d and 14.4 d (2 standard uncertainties)."""
    plan = plan_experiment(floor(sigma), drift_per_day=drift)
    assert plan.goals[0].record_length_s / DAY == pytest.approx(4.81 * sigma / drift, rel=5e-3)
    assert plan.goals[0].record_length_s / DAY == pytest.approx(days, rel=1e-2)
    assert plan.goals[0].safe_length_s == pytest.approx(1.6 * plan.goals[0].record_length_s, rel=1e-6)


def test_uncertainty_is_that_of_simulated_clocks() -> None:
    """Sixty flicker clocks of the planned length: the fitted rate scatters by the uncertainty asked for."""
    levels = NoiseLevels(white_fm=1e-21, flicker_fm=1e-26)
    plan = plan_experiment(levels, drift_uncertainty_per_day=1e-13)
    count = round(plan.goals[0].record_length_s / 3600)
    design = np.column_stack([np.ones(count), np.arange(count) / 24])
    rates = [
        np.linalg.lstsq(design, simulate_clock(count, interval_s=3600.0, levels=levels, seed=s).values)[0][1]
        for s in range(60)
    ]
    # ordinary least squares is at most 6 % worse than the best under flicker FM, and unbiased
    low, high = stats.chi2(60).ppf([0.001, 0.999]) / 60
    assert 0.98 * math.sqrt(low) < np.std(rates) / 1e-13 < 1.08 * math.sqrt(high)


def test_width_of_a_deviation() -> None:
    """12.813 degrees of freedom at a tenth of 1000 points (white FM, exact; Greenhall & Riley 2003)."""
    edf = 12.813
    ends = [math.sqrt(edf / stats.chi2(edf).ppf(p)) for p in (0.025, 0.975)]
    assert deviation_half_width(9.99, 0, 0.95) == pytest.approx(0.5 * (ends[0] - ends[1]), rel=0.01)
    averages = averages_for(0.2, 0, 0.95)
    assert deviation_half_width(averages, 0, 0.95) <= 0.2 < deviation_half_width(0.95 * averages, 0, 0.95)
    assert math.isinf(deviation_half_width(1.5, 0, 0.95))


def test_temperature_steps_do_not_hide_drift() -> None:
    """Up, down, down, up: as certain as without a drift, and long enough for what is wanted."""
    levels = NoiseLevels(white_fm=1e-20)
    plan = plan_experiment(levels, temperature_step_k=3.0, temperature_lag_s=1800.0)
    assert plan.temperature is not None
    assert plan.temperature.dwell_s == pytest.approx(5 * 1800.0)
    # white FM: u(k) = sqrt(h0/2T) / step for a balanced square wave (by hand)
    expected = math.sqrt(1e-20 / 2 / plan.temperature.duration_s) / 3.0
    assert plan.temperature.sensitivity_uncertainty_per_k == pytest.approx(expected, rel=0.02)
    finer = plan_experiment(levels, temperature_step_k=3.0, sensitivity_uncertainty_per_k=expected / 2)
    assert finer.temperature is not None
    assert finer.temperature.duration_s == pytest.approx(4 * plan.temperature.duration_s, rel=0.05)
    ramp = np.linspace(-3, 3, 100)[:, np.newaxis]
    with np.errstate(all="ignore"):
        hidden = coefficient_uncertainties(levels, 3e4, columns=ramp + 0.01 * np.sin(ramp * 9))
    assert hidden[1] > 50 * expected
    with pytest.raises(InputError, match="make them larger than"):
        plan_experiment(floor(1e-10), temperature_step_k=1.0, sensitivity_uncertainty_per_k=1e-16)


def test_counter_and_reference() -> None:
    """Rounding of both edges r/(2τ) against a third of the clock; an ignored reference."""
    plan = plan_experiment(NoiseLevels(white_fm=2e-22), resolution_s=1e-10, averaging_time_s=100.0)
    # 1e-10/2τ = 1e-11/(3√τ) at τ = 225 s
    assert plan.gate_s == pytest.approx(225.0, rel=0.03)
    assert plan.counter[0] == pytest.approx(5e-11)
    assert "GATE" in {f.code for f in plan.findings}
    coarse = plan_experiment(floor(1e-13), resolution_s=1e-3)
    assert math.isinf(coarse.gate_s)
    assert "COUNTER_TOO_COARSE" in {f.code for f in coarse.findings}
    # a reference three times as good, taken for exact: sqrt(1 + 1/9) = 1.054
    assert any("come out 5 % and more too large" in f.sentence for f in plan.findings)


def test_noise_from_a_class_or_a_model() -> None:
    """A class gives its middle and its bad end; a model its levels; the plan prints and is JSON."""
    plan = plan_experiment("oven", drift_uncertainty_per_day=1e-11, averaging_time_s=100.0)
    assert plan.goals[0].record_length_s < plan.goals[0].safe_length_s
    assert plan.record_length_s == max(goal.safe_length_s for goal in plan.goals)
    assert max(map(len, str(plan).splitlines())) <= 80
    assert json.dumps(plan.to_dict(), allow_nan=False)
    record = simulate_clock(100, interval_s=DAY, levels=NoiseLevels(white_fm=1e-20), seed=1)
    model = fit_clock(record, aging="linear", most_blocks=40)
    assert plan_experiment(model, drift_uncertainty_per_day=1e-13).record_length_s > 0
    assert "no goal" in repr(plan_experiment("rubidium"))
    assert "averaging time" in str(plan_experiment("rubidium"))


@pytest.mark.parametrize(
    ("noise", "options", "words"),
    [
        ("quartz", {}, "noise is 'quartz'; it must be one of"),
        (NoiseLevels(), {}, "noise has no level above zero"),
        ("oven", {"drift_uncertainty_per_day": 0.0}, "drift_uncertainty_per_day is 0; it must be positive"),
        ("oven", {"deviation_width": -1.0}, "deviation_width is -1;"),
        ("oven", {"temperature_step_k": 0.0}, "temperature_step_k is 0;"),
    ],
)
def test_impossible_plans_are_refused(noise: object, options: dict[str, float], words: str) -> None:
    """Every sentence names the argument."""
    with pytest.raises(InputError, match=words):
        plan_experiment(noise, **options)  # type: ignore[arg-type]
