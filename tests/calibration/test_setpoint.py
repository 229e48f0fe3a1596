"""Stated drift, the interval it allows and the setpoint that makes it longest: worked values."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from evenbeat.calibration.setpoint import suggest_setpoint
from evenbeat.calibration.stated_drift import StatedDrift
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.fit import fit_clock
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate

DAY = 86400.0
RATE = Estimate.normal(1.5e-10 / DAY, 3e-11 / DAY)
PLAIN = StatedDrift(drift_rate=RATE, floor=2e-9)
WALKING = StatedDrift(drift_rate=RATE, walk_variance_per_second=(2e-10) ** 2 / DAY, floor=2e-9)
LEFT = Estimate.normal(1e-8, 5e-9)
ZERO = Estimate.normal(0.0, 5e-9)


@pytest.mark.parametrize(
    ("drift", "left", "reliability", "days"),
    [
        (PLAIN, LEFT, 0.90, 470.84),
        (PLAIN, LEFT, 0.95, 442.81),
        (PLAIN, LEFT, 0.99, 397.20),
        (WALKING, LEFT, 0.90, 466.64),
        (WALKING, LEFT, 0.95, 437.74),
        (WALKING, LEFT, 0.99, 390.75),
        (WALKING, ZERO, 0.95, 488.67),
    ],
)
def test_worked_intervals(drift: StatedDrift, left: Estimate, reliability: float, days: float) -> None:
    """Normal distribution of y_L + D T solved for T, by hand: tolerance 1e-7, drift 1.5e-10 a day."""
    interval = Tolerance.of(1e-7).kept_for(drift, reliability, as_left=left)
    assert interval / DAY == pytest.approx(days, abs=0.011)


def test_worked_guard_band() -> None:
    """The same with 1e-8 held back: 386.62 days."""
    assert Tolerance.of(9e-8).kept_for(WALKING, 0.95, as_left=LEFT) / DAY == pytest.approx(386.62, abs=0.011)


def test_state_at_the_end_of_the_worked_interval() -> None:
    """At 437.74 d: mean 7.5661e-8, standard deviation 1.4797e-8."""
    offset = WALKING.offset(437.74 * DAY, as_left=LEFT)
    assert float(offset.mean[0]) == pytest.approx(7.5661e-8, rel=1e-5)
    assert float(offset.standard_deviation[0]) == pytest.approx(1.4797e-8, rel=1e-4)


@pytest.mark.parametrize(("reliability", "left", "days"), [(0.95, -9.11e-8, 949.1), (0.99, -8.745e-8, 840.0)])
def test_worked_setpoints(reliability: float, left: float, days: float) -> None:
    """The optimum as-left offset and its interval: nearly twice the one from zero."""
    made = suggest_setpoint(WALKING, tolerance=1e-7, reliability=reliability, as_left_uncertainty=5e-9)
    assert made.as_left == pytest.approx(left, rel=2e-3)
    assert made.interval_s / DAY == pytest.approx(days, rel=2e-3)
    if reliability == 0.95:
        assert made.interval_s / made.interval_at_zero_s == pytest.approx(1.94, abs=0.01)
    assert made.interval_at_zero_s < made.interval_half_s < made.interval_s
    assert json.dumps(made.to_dict(), allow_nan=False)
    assert "left at" in str(made)


def test_setpoint_turns_with_the_drift() -> None:
    """A drift of the other sign gives the mirrored setpoint (symmetry)."""
    mirrored = StatedDrift(
        drift_rate=Estimate.normal(-1.5e-10 / DAY, 3e-11 / DAY),
        walk_variance_per_second=WALKING.walk_variance_per_second,
        floor=2e-9,
    )
    one = suggest_setpoint(WALKING, tolerance=1e-7, as_left_uncertainty=5e-9)
    other = suggest_setpoint(mirrored, tolerance=1e-7, as_left_uncertainty=5e-9)
    assert other.as_left == pytest.approx(-one.as_left, rel=1e-4)


def test_uncertain_sign_keeps_zero() -> None:
    """A drift of one standard uncertainty is no reason to leave an oscillator off zero."""
    vague = StatedDrift(drift_rate=Estimate.normal(1e-10 / DAY, 1e-10 / DAY))
    made = suggest_setpoint(vague, tolerance=1e-7)
    assert made.as_left == 0
    assert "DRIFT_SIGN_UNCERTAIN" in {finding.code for finding in made.findings}


@pytest.mark.slow
def test_setpoint_from_a_clock_model() -> None:
    """A simulated clock that ages upwards is left below zero, for longer than its record can vouch for."""
    record = simulate_clock(
        120, interval_s=DAY, levels=NoiseLevels(white_fm=1e-20), seed=3, aging=lambda t: 1e-10 * t / DAY
    )
    model = fit_clock(record, aging="linear", most_blocks=40)
    made = suggest_setpoint(model, tolerance=1e-8)
    assert made.as_left < 0
    assert made.interval_s / made.interval_at_zero_s > 1.3
    assert made.interval_s > record.duration_s
    assert [f.code for f in made.findings if f.severity == "caution"] == ["BEYOND_EVIDENCE"]


def test_random_walk_seldom_stays_within_throughout() -> None:
    """A pure walk within limits with 95 % at the end never left with 90 %, simulated."""
    walk = StatedDrift(drift_rate=Estimate.normal(0.0, 0.0), walk_variance_per_second=1.0)
    end = Tolerance.of(1e4).kept_for(walk, 0.95, as_left=Estimate.normal(0.0, 0.0))
    generator = np.random.default_rng(6)
    steps, paths = 4000, 4000
    position, inside = np.zeros(paths), np.ones(paths, dtype=bool)
    for _ in range(steps):
        position += math.sqrt(end / steps) * generator.standard_normal(paths)
        inside &= np.abs(position) <= 1e4
    assert np.mean(inside) == pytest.approx(0.90, abs=0.02)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"tolerance": 0.0}, "tolerance is 0"),
        ({"tolerance": 1e-8, "bias": "quarter"}, "bias is 'quarter'"),
        ({"tolerance": 1e-8, "reliability": 2.0}, "reliability is 2"),
    ],
)
def test_bad_questions_are_named(settings: dict[str, float], words: str) -> None:
    """Every refusal names the argument and what was found."""
    with pytest.raises(InputError, match=words):
        suggest_setpoint(WALKING, **settings)
    with pytest.raises(InputError, match="floor is -1"):
        StatedDrift(drift_rate=RATE, floor=-1.0)


def test_asymmetric_setpoint() -> None:
    """Shifting the limits shifts the setpoint and leaves the interval (a drift has no preferred offset)."""
    plain = suggest_setpoint(WALKING, tolerance=1e-7, as_left_uncertainty=5e-9)
    moved = suggest_setpoint(WALKING, tolerance=(-6e-8, 1.4e-7), as_left_uncertainty=5e-9)
    assert moved.as_left == pytest.approx(plain.as_left + 4e-8, abs=2e-10)
    assert moved.interval_s == pytest.approx(plain.interval_s, rel=1e-4)
    assert "-6e-08 to +1.4e-07" in repr(moved)


def test_half_way() -> None:
    """Half of the bias: half of the offset, an interval between the two."""
    full = suggest_setpoint(WALKING, tolerance=1e-7, as_left_uncertainty=5e-9)
    half = suggest_setpoint(WALKING, tolerance=1e-7, as_left_uncertainty=5e-9, bias="half")
    assert half.as_left == pytest.approx(0.5 * full.as_left)
    assert full.interval_at_zero_s < half.interval_s < full.interval_s
    assert half.drift_sign_probability > 0.99
    outside = suggest_setpoint(WALKING, tolerance=(1e-8, 1e-7), as_left_uncertainty=1e-9, bias="half")
    assert 1e-8 < outside.as_left < 5.5e-8


def test_uncertain_sign_keeps_the_middle() -> None:
    """Without a sign the middle of an asymmetric tolerance is suggested, and a hopeless start is said."""
    vague = StatedDrift(drift_rate=Estimate.normal(1e-10 / DAY, 1e-10 / DAY))
    made = suggest_setpoint(vague, tolerance=(-5e-8, 1e-7))
    assert made.as_left == pytest.approx(2.5e-8)
    assert "the middle of the tolerance, 2.5e-08," in str(made).replace("\n    ", " ")
    hopeless = suggest_setpoint(vague, tolerance=1e-8, as_left_uncertainty=1e-7)
    assert {f.code for f in hopeless.findings} == {"SETPOINT_NONE"}
