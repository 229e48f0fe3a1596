"""The timebase card, what a claim needs, and how to adjust."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import stats

from evenbeat.clock.fit import fit_clock
from evenbeat.counter.adjustment import suggest_adjustment
from evenbeat.counter.budget import Contribution
from evenbeat.counter.card import timebase_card
from evenbeat.counter.reading import reading_uncertainty
from evenbeat.counter.timebase import Timebase
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate

DAY = 86400.0


def known(offset: float, uncertainty: float) -> Timebase:
    """Return a timebase with this offset and standard uncertainty."""
    parts = (Contribution(name="timebase", standard_uncertainty=uncertainty),)
    return Timebase(offset=offset, contributions=parts)


def test_card_from_a_clock_model_widens_with_time() -> None:
    """The card of a simulated clock holds a truth known from simulation and grows with time."""
    record = simulate_clock(200, interval_s=DAY, levels=NoiseLevels(white_fm=1e-20), seed=4)
    model = fit_clock(record, aging="linear")
    card = timebase_card(
        model, elapsed_s=[0.0, 30 * DAY, 180 * DAY], frequency_hz=[1e6, 1e7], gate_s=[1.0, 10.0]
    )
    assert card.half_width.shape == (3, 2, 2)
    assert np.all(np.diff(card.half_width[:, 1, 1]) > 0)
    forecast = model.frequency_at(np.array([record.duration_s + 180 * DAY]))
    assert card.offset[2] == pytest.approx(float(forecast.mean[0]))
    assert len(card.to_frame()) == 12
    assert json.dumps(card.to_dict(), allow_nan=False)
    assert "gate 10 s" in str(card)


def test_uncorrected_offset_adds_to_the_card() -> None:
    """JCGM 100:2008, F.2.4.5: what is not corrected is added to U; 10 MHz, offset 1e-8 is 0.1 Hz."""
    settings = {"elapsed_s": [0.0], "frequency_hz": [1e7], "gate_s": [10.0]}
    plain = timebase_card([known(1e-8, 1e-9)], **settings)
    corrected = timebase_card([known(1e-8, 1e-9)], corrected=True, **settings)
    assert plain.half_width[0, 0, 0] - corrected.half_width[0, 0, 0] == pytest.approx(0.1)
    one = reading_uncertainty("frequency", 1e7, gate_s=10.0, timebase=known(1e-8, 1e-9))
    assert corrected.half_width[0, 0, 0] == pytest.approx(one.budget.expanded_uncertainty())


@pytest.mark.parametrize("claimed", [3e-7, 5e-8])
def test_needed_gate_gives_what_was_claimed(claimed: float) -> None:
    """Reading at the needed gate is as uncertain as claimed (the budget, back again, 95 % normal)."""
    needed = known(0.0, 1e-8).needed_for(claimed, 1e6, longest_gate_s=1e3)
    back = reading_uncertainty("frequency", 1e6, gate_s=needed.gate_s, timebase=known(0.0, 1e-8))
    expanded = stats.norm.ppf(0.975) * back.budget.relative_standard_uncertainty
    assert expanded == pytest.approx(claimed, rel=1e-9)


def test_claims_out_of_reach() -> None:
    """A timebase within ±1e-6 never allows 1e-8; counting 50 Hz for 10 s allows it with no reference."""
    within = Timebase.from_specification(1e-6)
    better = within.needed_for(1e-8, 1e7, longest_gate_s=100.0)
    assert math.isinf(better.gate_s)
    assert 0 < better.timebase_standard_uncertainty < 1e-8 / 1.95
    hopeless = within.needed_for(1e-8, 50.0)
    assert math.isnan(hopeless.timebase_standard_uncertainty)
    assert "whatever the reference" in repr(hopeless)
    assert hopeless.to_dict()["gate_s"] is None


def test_a_move_to_a_target_is_said_as_a_reading() -> None:
    """From 1e-8 to -3.3e-8 of 10 MHz: down by 4.3e-8, from 10 000 000.1 to 9 999 999.67 Hz (arithmetic)."""
    advice = suggest_adjustment(
        Estimate.normal(1e-8, 5e-9), tolerance=1e-7, target=-3.3e-8, nominal_frequency_hz=1e7
    )
    assert advice.move == pytest.approx(-4.3e-8)
    assert advice.reading_now_hz == pytest.approx(1e7 + 0.1, abs=1e-9)
    assert advice.reading_then_hz == pytest.approx(1e7 - 0.33, abs=1e-9)
    assert any("as-found" in found.sentence for found in advice.findings)


@pytest.mark.parametrize(("u", "average", "readings"), [(1e-9, True, 1), (1e-8, True, 36), (1e-8, False, 0)])
def test_readings_to_average(u: float, average: bool, readings: int) -> None:
    """2 u/√n within a third of 1e-8: n = 36 for u = 1e-8; frozen counts never get there."""
    advice = suggest_adjustment(
        Estimate.normal(5e-9, 1e-9), tolerance=1e-8, reading_standard_uncertainty=u, readings_average=average
    )
    assert advice.readings == readings
    assert ("READINGS_TOO_COARSE" in {f.code for f in advice.findings}) == (readings == 0)


def test_a_move_within_its_uncertainty_is_left_alone() -> None:
    """An as-found value of one standard uncertainty is no reason to adjust."""
    advice = suggest_adjustment(Estimate.normal(1e-9, 1e-9), tolerance=1e-8)
    assert "MOVE_NOT_SIGNIFICANT" in {finding.code for finding in advice.findings}
    assert json.dumps(advice.to_dict(), allow_nan=False)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"tolerance": 0.0}, "tolerance is 0; it must"),
        ({"tolerance": 1.0, "target": 2.0}, "target is 2; it must lie within the tolerance of 1"),
        (
            {"tolerance": 1.0, "reading_standard_uncertainty": -1.0},
            "reading_standard_uncertainty is -1; it must",
        ),
    ],
)
def test_bad_adjustments_are_named(settings: dict[str, float], words: str) -> None:
    """Every refusal names the argument and what was found."""
    with pytest.raises(InputError, match=words):
        suggest_adjustment(Estimate.normal(0.0, 1e-9), **settings)


def test_bad_cards_are_named() -> None:
    """Lists that do not fit each other are refused."""
    with pytest.raises(InputError, match="2 timebases are given for 1 times"):
        timebase_card([known(0, 1), known(0, 1)], elapsed_s=[0.0], frequency_hz=[1.0], gate_s=[1.0])
    with pytest.raises(InputError, match="at least one value"):
        timebase_card([known(0, 1)], elapsed_s=[-1.0], frequency_hz=[1.0], gate_s=[1.0])
    with pytest.raises(InputError, match="clock_tick_s is missing"):
        known(0, 1e-9).needed_for(1e-8, 1e6, method="reciprocal")
