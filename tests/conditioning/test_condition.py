"""Gaps, wraps, warm-up and coarse displays: reported, repaired only where whole periods are at stake."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import evenbeat as eb
from evenbeat.conditioning.condition import CHECKS


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def clean(kind: str = "frequency", n: int = 4000, seed: int = 1) -> eb.Record:
    """Return a clock with white FM of Allan deviation 1e-12 at 10 s."""
    return eb.simulate_clock(n, interval_s=10, levels=eb.NoiseLevels(white_fm=2e-23), seed=seed, kind=kind)


@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_good_news_is_told_like_bad_news(kind: str) -> None:
    """A clean record gets one good finding per check, and no flag."""
    result = eb.condition(clean(kind))
    assert {"NO_GAPS", "NO_OUTLIERS", "NO_STEPS", "NO_WARM_UP"} <= codes(result)
    assert {finding.severity for finding in result.findings} == {"good"}
    assert result.flags == ()


def test_checks_can_be_switched_off() -> None:
    """A check that is left out leaves neither flag nor finding; outcome and history say that it was."""
    for name in CHECKS:
        result = eb.condition(clean(), skip_checks=(name,))
        (outcome,) = [check for check in result.checks if check.check == name]
        assert not outcome.looked
        assert outcome.looked_at == "left out, as asked"
        assert not codes(result) & set(CHECKS[name].codes)
    result = eb.condition(clean(), skip_checks=tuple(CHECKS))
    assert result.findings == ()
    (treatment,) = result.history
    assert treatment.operation == "condition"
    assert treatment.arguments["skip_checks"] == tuple(CHECKS)


@pytest.mark.parametrize("wrong", ["outliers", ("outlier",), ["steps", "gates"]])
def test_an_unknown_check_is_refused(wrong: object) -> None:
    """A name that is no check, or text instead of a list, is refused with the names there are."""
    with pytest.raises(
        eb.InputError, match=r"skip_checks names .*; it must be a list of checks among gaps, "
    ):
        eb.condition(clean(), skip_checks=wrong)


@pytest.mark.parametrize("n", [2, 3, 5, 9, 20, 63])
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_short_records_are_reported_not_refused(n: int, kind: str) -> None:
    """A record too short for a check comes back with a finding that says so."""
    result = eb.condition(clean(kind, n=n))
    assert "STEPS_UNCHECKED" in codes(result)
    assert ("OUTLIERS_UNCHECKED" in codes(result)) == (n < 8)


def test_gaps_are_counted() -> None:
    """Gaps are counted with the longest; nothing is filled in."""
    values = np.array(clean().values)
    values[[10, 11, 12, 500]] = np.nan
    result = eb.condition(eb.Record.from_frequency(values, interval_s=10))
    (finding,) = [f for f in result.findings if f.code == "GAPS"]
    assert dict(finding.values) == {"missing": 4, "gaps": 2, "longest_s": 30.0}
    assert result.missing == 4


@pytest.mark.parametrize(("offset", "period"), [(3e-10, 1e-7), (-4e-9, 1e-7), (2e-8, 1e-6)])
@pytest.mark.parametrize("known", [True, False])
def test_wraps_are_taken_back_exactly(offset: float, period: float, known: bool) -> None:
    """A phase measured modulo a period comes back as it was, but for whole periods at the start."""
    record = clean("phase")
    truth = np.array(record.values) + offset * record.elapsed_s + 0.3 * period
    wrapped = replace(record, values=np.mod(truth, period))
    result = eb.condition(wrapped, wrap_period_s=period if known else None)
    np.testing.assert_allclose(result.values - result.values[0], truth - truth[0], atol=1e-9 * period)
    (finding,) = [f for f in result.findings if f.code == "PHASE_WRAP"]
    assert finding.values["period_s"] == pytest.approx(period, rel=1e-12)
    assert finding.severity == ("note" if known else "caution")
    assert any(str(entry).startswith("wraps(") for entry in result.history)


def test_a_single_phase_step_is_not_taken_for_a_wrap() -> None:
    """One jump is no evident wrap: it stays, as a phase step."""
    record = clean("phase")
    values = np.array(record.values)
    values[2000:] += 1e-7
    result = eb.condition(replace(record, values=values))
    np.testing.assert_array_equal(result.values, values)
    assert [flag.cause for flag in result.steps] == ["phase_step"]


def test_wrap_period_must_be_positive() -> None:
    """A period of zero is refused with what would be accepted."""
    with pytest.raises(eb.InputError, match="wrap_period_s is 0; it must be a positive number of seconds"):
        eb.condition(clean("phase"), wrap_period_s=0)


@pytest.mark.parametrize("kind", ["frequency", "phase"])
@pytest.mark.parametrize("amplitude", [2e-8, -1e-10])
def test_settling_is_flagged_until_it_is_lost_in_noise(kind: str, amplitude: float) -> None:
    """Exponential settling (time constant 300 s) is left out from the start until it is of the size of noise.

    The deviation is below eps after T ln(a / eps).
    """
    record = clean("frequency", n=8000)
    elapsed = record.elapsed_s
    values = record.values + amplitude * np.exp(-elapsed / 300.0)
    record = replace(record, values=values)
    result = eb.condition(record.to_phase() if kind == "phase" else record)
    flags = [flag for flag in result.flags if flag.cause == "warm_up"]
    assert flags[0].start == 0
    cut_s = 10.0 * max(flag.stop for flag in flags)
    assert 300 * np.log(abs(amplitude) / 6e-12) < cut_s < 300 * np.log(abs(amplitude) / 1e-13)
    assert result.steps == ()


def test_settling_after_a_power_cut_is_flagged() -> None:
    """Settling after a long gap is warm-up as well."""
    record = clean("frequency", n=8000)
    values = np.array(record.values)
    values[4000:4200] = np.nan
    values[4200:] += 1e-8 * np.exp(-np.arange(3800) / 30)
    (flag,) = [f for f in eb.condition(replace(record, values=values)).flags if f.cause == "warm_up"]
    assert flag.start == 4200
    assert 30 * np.log(1e-8 / 6e-12) < flag.stop - 4200 < 30 * np.log(1e-8 / 1e-13)


def test_logarithmic_aging_is_no_warm_up() -> None:
    """Aging that slows over the whole record is left to the aging model."""
    record = clean("frequency", n=8000)
    values = record.values + 1e-10 * np.log1p(record.elapsed_s / 20_000.0)
    result = eb.condition(replace(record, values=values))
    assert "NO_WARM_UP" in codes(result)


@pytest.mark.parametrize(("kind", "floor"), [("frequency", 1e-8 / np.sqrt(12)), ("phase", 1e-8 / 20)])
def test_coarse_display_tells_its_floor(kind: str, floor: float) -> None:
    """Allan deviation of rounding alone: q/sqrt(12) at the gate, q/(2 tau) for phase; simulated beside it."""
    coarse = np.round(np.random.default_rng(2).uniform(0, 50, 100_000)) * 1e-8
    record = eb.condition(
        eb.Record(kind=kind, values=coarse, interval_s=10.0, resolution=1e-8), skip_checks=("steps",)
    )
    assert not codes(record) & {"QUANTISED", "DISPLAY_LIMITED"}  # the noise hides the display
    wander = np.cumsum(np.random.default_rng(3).normal(0, 2e-9, 100_000))
    error = np.round(wander / 1e-8) * 1e-8 - wander
    simulated = np.sqrt(0.5 * np.mean(np.diff(error, n=1 if kind == "frequency" else 2) ** 2))
    record = eb.condition(eb.Record(kind=kind, values=wander + error, interval_s=10.0, resolution=1e-8))
    (finding,) = [f for f in record.findings if f.code == "QUANTISED"]
    assert finding.values["allan_floor_at_interval"] == pytest.approx(floor)
    scaled = simulated if kind == "frequency" else simulated / 10.0
    assert scaled == pytest.approx(floor, rel=0.75)  # rounding of a slow wander is not quite white


@pytest.mark.parametrize("distinct", [1, 2, 3])
def test_display_that_never_moves_limits_the_result(distinct: int) -> None:
    """With three distinct readings or fewer the display limits the result, and the sentence says so."""
    values = np.resize(np.arange(distinct) * 1e-8 + 3e-8, 600)
    record = eb.condition(replace(eb.Record.from_frequency(values, interval_s=10), resolution=1e-8))
    (finding,) = [f for f in record.findings if f.code == "DISPLAY_LIMITED"]
    assert "the display, not the oscillator, limits the result" in finding.sentence
    assert finding.values["distinct"] == distinct


def test_few_readings_are_not_blamed_on_the_display() -> None:
    """Three readings that all differ are few readings, not a coarse display."""
    result = eb.condition(eb.Record.from_frequency([1.1e-9, 1.3e-9, 1.2e-9], interval_s=10))
    assert "DISPLAY_LIMITED" not in codes(result)


def test_evening_log_of_the_small_counter(demo_data: Path) -> None:
    """fulmar-evening: every reading shows the same digit, so the display limits the result."""
    result = eb.condition(eb.read_log(demo_data / "fulmar-evening.csv"))
    assert "DISPLAY_LIMITED" in codes(result)
    assert result.flags == ()


@pytest.mark.slow
@given(
    seed=st.integers(0, 2**32 - 1),
    kind=st.sampled_from(["frequency", "phase"]),
    n=st.integers(2, 400),
    missing=st.floats(0, 0.9),
    step=st.sampled_from([0.0, 0.1, 1.0, 5.0]),
)
def test_any_record_comes_back_with_its_samples(
    seed: int, kind: str, n: int, missing: float, step: float
) -> None:
    """Whatever the record, conditioning without wraps neither fails nor changes a sample."""
    generator = np.random.default_rng(seed)
    values = generator.standard_t(2, n)
    values = np.round(values / step) * step if step else values
    values[generator.random(n) < missing] = np.nan
    values[0] = 0.0
    record = eb.Record(kind=kind, values=values * 1e-11, interval_s=1.0)
    result = eb.condition(record, skip_checks=("wraps",))
    np.testing.assert_array_equal(result.values, record.values)
    assert all(0 <= flag.start <= flag.stop <= n for flag in result.flags)
    assert result.flags == eb.condition(record, skip_checks=("wraps",)).flags
