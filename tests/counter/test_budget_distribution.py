"""What a budget says of its value: u_c and ν as in the GUM, and the distribution of what dominates it."""

from __future__ import annotations

import json
import math

import pytest

import evenbeat as eb
from evenbeat.counter.budget import Contribution, budget


def test_a_published_budget_keeps_its_combined_uncertainty() -> None:
    """u_c is 1.05921e-9 with ν = 774 effective degrees of freedom (JCGM 100:2008, G.4), not 1.06058e-9."""
    parts = (
        Contribution(name="scatter", standard_uncertainty=1.1e-9 / math.sqrt(10), degrees_of_freedom=9),
        Contribution(name="tick", standard_uncertainty=2e-9 / math.sqrt(6), distribution="triangular"),
        Contribution(name="display", standard_uncertainty=1e-10 / math.sqrt(12), distribution="rectangular"),
        Contribution(name="trigger", standard_uncertainty=7.958e-12),
        Contribution(name="reference", standard_uncertainty=1e-11 / math.sqrt(3), distribution="rectangular"),
        Contribution(
            name="temperature", standard_uncertainty=1e-9 / math.sqrt(3), distribution="rectangular"
        ),
    )
    estimate = budget(0.0, "", parts).estimate

    assert estimate.standard_uncertainty == pytest.approx(1.05921e-9, rel=1e-5)
    assert estimate.degrees_of_freedom == pytest.approx(773.75, rel=1e-3)
    assert estimate.to_dict()["degrees_of_freedom"] == estimate.degrees_of_freedom


@pytest.mark.parametrize("count", [2, 3, 10])
def test_few_readings_print_the_uncertainty_of_the_budget(count: int) -> None:
    """Three readings: budget and estimate say one u_c; of two the deviation of t is infinite."""
    values = [10.0 + 1e-6 * k for k in range(count)]
    made = eb.reading_uncertainty("frequency", values, method="reciprocal", gate_s=1.0, timebase=1e-12)

    assert made.estimate.standard_uncertainty == made.budget.standard_uncertainty
    assert "(58)" not in str(made.estimate) or count == 3
    assert f"{made.estimate}".split(" ")[0] in str(made)
    assert json.loads(json.dumps(made.to_dict(), allow_nan=False))
    scaled = made.estimate.scaled(2.0, "Hz")
    assert scaled.standard_uncertainty == 2 * made.budget.standard_uncertainty


@pytest.mark.parametrize("distribution", ["rectangular", "triangular", "arcsine"])
def test_what_lies_within_its_bounds_conforms(distribution: str) -> None:
    """Known to lie within ±5, tolerance ±10: certain, not 99.947 %; within ±2.5 a share."""
    made = budget(0.0, "Hz", [Contribution.within("display", 5.0, distribution)]).estimate
    half = {"rectangular": 0.5, "triangular": 0.75, "arcsine": 1 / 3}[distribution]

    assert eb.decide(made, tolerance=10.0).conformance_probability == 1.0
    assert eb.decide(made, tolerance=2.5).conformance_probability == pytest.approx(half, abs=0.006)
    deviation = float(made.distribution.standard_deviation)
    assert deviation == pytest.approx(made.standard_uncertainty, rel=1e-9)


def test_a_value_on_the_guard_of_two_standard_uncertainties_passes() -> None:
    """0.9545 stands for exactly k = 2: 8e-8 with u = 1e-8 lies on the limit 1e-7 less U, and is accepted."""
    measured = eb.Estimate.normal(8e-8, 1e-8)
    made = eb.decide(measured, tolerance=1e-7, rule="guard_band")

    assert made.expanded_uncertainty == pytest.approx(2e-8, rel=1e-12)
    assert made.verdict == "pass"
    assert eb.decide(measured, tolerance=1e-7, rule="guard_band", coverage=0.9546).verdict == "fail"
