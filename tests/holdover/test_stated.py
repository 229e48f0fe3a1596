"""Holdover of a described clock against worked numbers, and the arithmetic of requirements."""

import json
import math

import numpy as np
import pytest
from scipy import stats

from evenbeat.errors import InputError
from evenbeat.figures.dispatch import plot
from evenbeat.holdover.stated import stated_holdover
from evenbeat.holdover.surroundings import Scenario
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import Estimate

DAY, HOUR = 86400.0, 3600.0
# q₁ = h₀/2 = 1e-24 s and q₂ = 2π² h₋₂ = 3e-29 /s
NOISE = NoiseLevels(white_fm=2e-24, random_walk_fm=3e-29 / (2 * math.pi**2))
WORKED = {
    "starting_time_error": Estimate.normal(30e-9, 20e-9),
    "frequency_offset": Estimate.normal(0.0, 3e-12),
    "aging_rate": Estimate.normal(2e-11 / DAY, 1e-11 / DAY),
    "noise": NOISE,
    "scenarios": [Scenario.daily(2 * 5e-12)],
}


def test_worked_budget_to_the_printed_digits() -> None:
    """x₀ 30(20) ns, y₀ 0(3e-12), D 2(1)e-11/d, 2 K at 5e-12/K: computed term by term by hand.

    4 h: mean 54.0, u 109.1; terms 20, 43.2, 12.0, 5.47, 97.2 ns. 24 h: 894.0, 510.5; 20, 259.2, 432, 80.3, 0.
    """
    holdover = stated_holdover([4 * HOUR, DAY], time_error_limit_s=1.5e-6, **WORKED)  # type: ignore[arg-type]
    assert holdover.forecast.mean == pytest.approx([54.0e-9, 894.0e-9], abs=5.1e-11)
    assert holdover.forecast.standard_uncertainty == pytest.approx([109.1e-9, 510.5e-9], abs=5.1e-11)
    terms = {name: np.sqrt(variance) for name, variance in holdover.terms.by_term.items()}
    assert terms["starting time error"] == pytest.approx([20e-9, 20e-9])
    assert terms["starting frequency"] == pytest.approx([43.2e-9, 259.2e-9])
    assert terms["aging"] == pytest.approx([12.0e-9, 432e-9])
    noise = np.hypot(terms["white FM"], terms["random-walk FM"])
    assert noise == pytest.approx([5.466e-9, 80.31e-9], rel=2e-4)
    assert terms["environment"][0] == pytest.approx(97.2e-9, abs=5.1e-11)
    assert terms["environment"][1] < 1e-15
    assert holdover.forecast.probability_within(1.5e-6) == pytest.approx([1.0, 0.8824], abs=5.1e-5)


@pytest.mark.parametrize(
    ("phase_noise", "state", "after_an_hour", "after_a_day"),
    [
        (1e-9, (0.31591e-9, 2.3688e-13, 0.6944), 1.2929e-9, 82.93e-9),
        (5e-9, (1.0697e-9, 3.5611e-13, 0.7023), 2.277e-9, 86.28e-9),
    ],
)
def test_covariances_of_a_filter_are_not_dropped(
    phase_noise: float, state: tuple[float, float, float], after_an_hour: float, after_a_day: float
) -> None:
    """A filter that measures phase every 100 s: steady state by scipy, then holdover.

    Result digits: 1.2929 ns and 82.93 ns after 1 h and 24 h at 1 ns; 2.277 ns and 86.28 ns at 5 ns.
    """
    from scipy import linalg

    step, q1, q2 = 100.0, 1e-24, 3e-29
    f, h = np.array([[1, step], [0, 1]]), np.array([[1.0], [0.0]])
    scale = np.diag([1e9, 1e12])  # nanoseconds and parts in 1e12: the equation is solved near one
    q = np.array([[q1 * step + q2 * step**3 / 3, q2 * step**2 / 2], [q2 * step**2 / 2, q2 * step]])
    f_scaled = scale @ f @ np.linalg.inv(scale)
    before = linalg.solve_discrete_are(f_scaled.T, h, scale @ q @ scale, [[(phase_noise * 1e9) ** 2]])
    gain = before @ h / (before[0, 0] + (phase_noise * 1e9) ** 2)
    after = before - gain @ h.T @ before
    covariance = np.zeros((3, 3))
    covariance[:2, :2] = np.linalg.inv(scale) @ after @ np.linalg.inv(scale)
    sizes = np.sqrt(np.diag(covariance))
    assert sizes[0] == pytest.approx(state[0], rel=2e-4)
    assert sizes[1] == pytest.approx(state[1], rel=2e-4)
    assert covariance[0, 1] / sizes[0] / sizes[1] == pytest.approx(state[2], abs=1e-4)
    holdover = stated_holdover([HOUR, DAY], starting_covariance=covariance, noise=NOISE)
    assert holdover.forecast.standard_uncertainty[0] == pytest.approx(after_an_hour, rel=2e-4)
    assert holdover.forecast.standard_uncertainty[1] == pytest.approx(after_a_day, rel=2e-4)
    assert holdover.terms.by_term["covariance of the start"][0] > 0


def test_flicker_grows_as_its_optimum_predictor() -> None:
    """Ratio of rms time error to t σ_y: 1/√(ln 2) = 1.2011 (NIST TN 1337; Allan 1987, from memory)."""
    holdover = stated_holdover([HOUR, DAY], noise=NoiseLevels(flicker_fm=1e-26))
    deviation = math.sqrt(2 * math.log(2) * 1e-26)
    ratio = holdover.forecast.standard_uncertainty / (np.array([HOUR, DAY]) * deviation)
    assert ratio == pytest.approx([1.2011, 1.2011], abs=5e-5)


@pytest.mark.parametrize(
    ("limit", "hours", "offset", "drift_per_day"),
    [
        (1.5e-6, 24, 1.7361e-11, 3.4722e-11),
        (1.5e-6, 8, 5.208e-11, 3.125e-10),
        (1.5e-6, 4, 1.042e-10, 1.25e-9),
        (1.5e-6, 72, 5.787e-12, 3.858e-12),
        (1e-6, 24, 1.1574e-11, 2.315e-11),
        (10e-6, 24, 1.157e-10, 2.315e-10),
    ],
)
def test_requirement_arithmetic(limit: float, hours: float, offset: float, drift_per_day: float) -> None:
    """By hand to the printed digits: x = y t and x = D t²/2."""
    needed = stated_holdover(hours * HOUR, time_error_limit_s=limit)
    assert needed.offset_alone == pytest.approx([offset], rel=5e-4)
    assert DAY * needed.aging_rate_alone == pytest.approx([drift_per_day], rel=5e-4)
    assert json.loads(json.dumps(needed.to_dict()))["offset_that_alone_uses_up_the_limit"]


def test_drift_of_a_requirement_per_second() -> None:
    """1.5 µs in 24 h: 4.0188e-16 per second; without a limit there is nothing to use up."""
    needed = stated_holdover(DAY, time_error_limit_s=1.5e-6)
    assert needed.aging_rate_alone == pytest.approx([4.0188e-16], rel=2e-5)
    with pytest.raises(InputError, match="no time_error_limit_s was given"):
        _ = stated_holdover(DAY).offset_alone


def test_requirement_is_what_holdover_reaches() -> None:
    """A clock with just that offset, or just that drift, is at the limit at the end and not before."""
    needed = stated_holdover(DAY, time_error_limit_s=1e-6)
    for state in (
        {"frequency_offset": Estimate.normal(float(needed.offset_alone[0]), 0.0)},
        {"aging_rate": Estimate.normal(float(needed.aging_rate_alone[0]), 0.0)},
    ):
        assert stated_holdover(DAY, **state).forecast.mean == pytest.approx(1e-6)  # type: ignore[arg-type]


def test_scenarios_by_hand() -> None:
    """Constant: c t. Step: c (t - t₀) after t₀. Wave: A P/2π √(1 - cos), 24 h peak-to-peak swing A P/π."""
    t = np.array([6 * HOUR, 12 * HOUR, 18 * HOUR, DAY])
    constant = Scenario.constant(Estimate.normal(1e-11, 2e-12))
    assert constant.mean(t) == pytest.approx(1e-11 * t)
    assert np.sqrt(constant.variance(t)) == pytest.approx(2e-12 * t)
    step = Scenario.step(1e-11, after_s=12 * HOUR)
    assert step.mean(t) == pytest.approx([0.0, 0.0, 1e-11 * 6 * HOUR, 1e-11 * 12 * HOUR])
    wave = np.sqrt(Scenario.daily(3e-11).variance(t))
    assert wave[1] == pytest.approx(3e-11 * DAY / (2 * math.pi) * math.sqrt(2))
    assert 3e-11 * DAY / math.pi == pytest.approx(0.825e-6, rel=1e-3)
    phases = np.linspace(0, 2 * math.pi, 721)[:-1]
    angle = 2 * math.pi * t[0] / DAY
    simulated = 3e-11 * DAY / (2 * math.pi) * (np.cos(phases) - np.cos(phases + angle))
    assert wave[0] == pytest.approx(float(np.std(simulated)), rel=1e-9)


def test_time_to_limit_solves_the_probability() -> None:
    """White FM alone: P(|x| <= L) = 0.95 where 1.96 √(h₀t/2) = L, by hand."""
    holdover = stated_holdover(DAY, noise=NoiseLevels(white_fm=2e-22), time_error_limit_s=1e-8)
    by_hand = (1e-8 / stats.norm.ppf(0.975)) ** 2 / 1e-22
    assert holdover.time_to_limit_s == pytest.approx(by_hand, rel=1e-3)
    assert holdover.time_to_limit_corrected_s == pytest.approx(by_hand, rel=1e-3)


def test_reference_is_a_term_and_moves_the_mean() -> None:
    """A reference off by 5(2)e-12 takes the clock along."""
    holdover = stated_holdover(DAY, reference_offset=Estimate.normal(5e-12, 2e-12))
    assert holdover.forecast.mean == pytest.approx([5e-12 * DAY])
    assert np.sqrt(holdover.terms.by_term["reference"]) == pytest.approx([2e-12 * DAY])
    assert "AS_STATED" in [finding.code for finding in holdover.findings]


def test_default_is_one_minute_to_one_year_and_is_drawn() -> None:
    """Six durations; table, JSON and figure."""
    holdover = stated_holdover(**WORKED)  # type: ignore[arg-type]
    assert holdover.duration_s[[0, -1]] == pytest.approx([60.0, 365.25 * DAY])
    assert json.dumps(holdover.to_dict())
    assert max(len(line) for line in str(holdover).splitlines()) <= 80
    assert plot(holdover).get_title(loc="left")


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"duration_s": 0.0}, "every duration must be positive"),
        ({"duration_s": 1.0, "starting_covariance": np.eye(2)}, r"must be symmetric, of shape \(3, 3\)"),
        ({"duration_s": 1.0, "starting_covariance": [[1, 2, 0], [2, 1, 0], [0, 0, 1]]}, "negative variance"),
        ({"duration_s": 1.0, "time_error_limit_s": -1.0}, "time_error_limit_s is -1; it must be positive"),
    ],
)
def test_what_makes_no_sense_is_refused(options: dict[str, object], sentence: str) -> None:
    """The sentence names the argument."""
    with pytest.raises(InputError, match=sentence):
        stated_holdover(**options)  # type: ignore[arg-type]


def test_impossible_scenarios_are_refused() -> None:
    """A step before the holdover, a wave without period."""
    with pytest.raises(InputError, match="cannot come before the holdover begins"):
        Scenario.step(1e-11, after_s=-1.0)
    with pytest.raises(InputError, match="period_s is 0; it must be positive"):
        Scenario.daily(1e-11, period_s=0.0)
