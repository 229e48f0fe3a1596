"""Steps are found with their size and place; noise of any colour is not called a step."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

NOISES = {
    "white FM": ("frequency", eb.NoiseLevels(white_fm=2e-24)),
    "flicker FM": ("frequency", eb.NoiseLevels(flicker_fm=1e-24)),
    "random-walk FM": ("frequency", eb.NoiseLevels(random_walk_fm=1e-28)),
    "mixture": ("frequency", eb.NoiseLevels(white_fm=2e-22, flicker_fm=2e-25, random_walk_fm=1e-29)),
    "white PM, phase": ("phase", eb.NoiseLevels(white_pm=1e-20)),
    "flicker FM, phase": ("phase", eb.NoiseLevels(flicker_fm=1e-24)),
    "random-walk FM, phase": ("phase", eb.NoiseLevels(random_walk_fm=1e-28)),
}


def false_alarms(noise: str, runs: int, n: int) -> dict[str, int]:
    """Return in how many records without any event each code appears."""
    kind, levels = NOISES[noise]
    counts = {"steps": 0, "WARM_UP": 0, "OUTLIERS": 0, "PHASE_WRAP": 0, "STEPS_UNCLEAR": 0}
    for seed in range(runs):
        record = eb.simulate_clock(
            n, interval_s=10, levels=levels, seed=seed, kind=kind, aging=lambda t: 1e-16 * t
        )
        result = eb.condition(record)
        found = {finding.code for finding in result.findings}
        counts = {code: count + (code in found) for code, count in counts.items()}
        counts["steps"] += bool(result.steps)
    return counts


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
def test_no_event_is_invented(noise: str) -> None:
    """Of 60 records without events, with drift, at most one is said to hold an event of each kind."""
    assert max(false_alarms(noise, runs=60, n=1500).values()) <= 1


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("n", [300, 3000, 20_000])
def test_false_alarm_rate(noise: str, n: int) -> None:
    """Of 500 records without events, fewer than 2 % are said to hold a step, warm-up or wrap.

    Outliers: 5 sigma leaves out 5.7e-7 of normal samples, and phase is judged in three ways.
    """
    counts = false_alarms(noise, runs=500, n=n)
    expected = 500 * n * 3 * 5.7e-7
    assert counts.pop("OUTLIERS") <= expected + 3 * np.sqrt(expected) + 1
    assert max(counts.values()) < 10


def stepped(kind: str, cause: str, size: float, seed: int = 1, at: int = 2000) -> eb.Record:
    """Return a clock with white FM of Allan deviation 1e-12 at 10 s and one step."""
    record = eb.simulate_clock(
        5000, interval_s=10, levels=eb.NoiseLevels(white_fm=2e-23), seed=seed, kind=kind, start="2026-01-01"
    )
    values = np.array(record.values)
    ramp = 10.0 * np.arange(5000 - at) if (kind, cause) == ("phase", "frequency_step") else 1.0
    values[at:] += size * ramp
    return replace(record, values=values)


@pytest.mark.parametrize(
    ("kind", "cause", "size"),
    [
        ("frequency", "frequency_step", 4e-12),
        ("frequency", "frequency_step", -2e-11),
        ("phase", "frequency_step", 4e-12),
        ("phase", "phase_step", -3e-10),
    ],
)
def test_step_is_found_with_size_and_place(kind: str, cause: str, size: float) -> None:
    """The one step is found within two samples and its size within 15 % or what noise allows."""
    result = eb.condition(stepped(kind, cause, size))
    (flag,) = result.steps
    assert flag.cause == cause
    assert abs(flag.start - 2000) <= 2
    assert flag.size == pytest.approx(size, rel=0.15)
    assert not flag.excluded
    assert result.excluded == 0
    (finding,) = [f for f in result.findings if f.code == cause.upper()]
    assert "2026-01-01T05:33" in finding.sentence


def test_step_is_taken_out_on_request_only() -> None:
    """The samples stay; without_steps subtracts what the flag says."""
    record = stepped("frequency", "frequency_step", 2e-11)
    result = eb.condition(record)
    np.testing.assert_array_equal(result.values, record.values)
    levelled = result.usable_values(without_steps=True)
    assert abs(levelled[2000:].mean() - levelled[:2000].mean()) < 3e-13


def test_several_steps_in_drifting_flicker_noise() -> None:
    """Three steps in flicker FM with drift are all found, and conditioning again adds none."""
    record = eb.simulate_clock(
        20_000, interval_s=10, levels=eb.NoiseLevels(flicker_fm=7e-25), seed=3, aging=lambda t: 2e-16 * t
    )
    values = np.array(record.values)
    for at, size in ((4000, 3e-11), (9000, -2.5e-11), (15_000, 4e-11)):
        values[at:] += size
    result = eb.condition(replace(record, values=values))
    assert [flag.start for flag in result.steps] == pytest.approx([4000, 9000, 15_000], abs=2)
    assert [flag.size for flag in result.steps] == pytest.approx([3e-11, -2.5e-11, 4e-11], rel=0.2)
    assert len(eb.condition(result).steps) == 3


def test_scaling_the_data_scales_the_step() -> None:
    """The same record a billion times larger has the same step, a billion times larger."""
    record = stepped("frequency", "frequency_step", 4e-12)
    (small,) = eb.condition(record).steps
    (large,) = eb.condition(replace(record, values=record.values * 2.0**30)).steps
    assert large.start == small.start
    assert large.size == pytest.approx(small.size * 2.0**30, rel=1e-9)


@pytest.mark.parametrize("shape", ["ramp", "pulse", "sine"])
def test_slow_changes_and_pulses_are_no_steps(shape: str) -> None:
    """A ramp that sets in, a short pulse and a daily wave are not called frequency steps."""
    record = stepped("frequency", "frequency_step", 0.0)
    k = np.arange(5000)
    added = {
        "ramp": np.clip(k - 2000, 0, 2000) * 1e-14,
        "pulse": 1e-11 * ((k >= 2000) & (k < 2012)),
        "sine": 1e-11 * np.sin(2 * np.pi * k / 1700),
    }[shape]
    assert eb.condition(replace(record, values=record.values + added)).steps == ()


def test_display_that_moves_on_by_one_step_is_no_step() -> None:
    """A quiet coarse display that changes by its one step says nothing about when the frequency did."""
    values = np.where(np.arange(2000) < 900, 1e-8, 2e-8)
    record = replace(eb.Record.from_frequency(values, interval_s=10), resolution=1e-8)
    result = eb.condition(record)
    assert result.steps == ()
    assert "DISPLAY_LIMITED" in {finding.code for finding in result.findings}


def test_step_across_a_gap_is_found() -> None:
    """A large change of frequency while nothing was logged is a step at the first sample after it."""
    record = stepped("frequency", "frequency_step", 2e-11)
    values = np.array(record.values)
    values[1900:2100] = np.nan
    (flag,) = eb.condition(replace(record, values=values)).steps
    assert flag.start == 2100
    assert flag.size == pytest.approx(2e-11, rel=0.1)


@pytest.mark.slow
def test_demo_log_of_the_bench_counter(demo_data: Path) -> None:
    """kittiwake: the events written in truth.json are found, and no other."""
    import json

    events = json.loads((demo_data / "truth.json").read_text())["files"]["kittiwake.csv.gz"]["truth"][
        "events"
    ]
    result = eb.condition(eb.read_log(demo_data / "kittiwake.csv.gz"))
    day = 8640
    retrace, step = result.steps
    assert step.start == pytest.approx(events["frequency_step"]["day"] * day, abs=3)
    assert step.size == pytest.approx(events["frequency_step"]["size"], rel=0.1)
    assert retrace.size == pytest.approx(events["power_cut"]["retrace_step"], rel=0.15)
    found = [flag.start for flag in result.flags if flag.cause == "outlier"]
    assert found == pytest.approx([glitch["day"] * day for glitch in events["glitches"]], abs=2)
    (warm_up,) = [flag for flag in result.flags if flag.cause == "warm_up"]
    back = (
        events["power_cut"]["first_missing_day"] * day + events["power_cut"]["hours_without_readings"] * 360
    )
    assert warm_up.start == pytest.approx(back, abs=3)


def test_demo_log_in_holdover_has_no_step(demo_data: Path) -> None:
    """gannet: leaving its reference changes the slope of the time error slowly, which is no step."""
    assert eb.condition(eb.read_log(demo_data / "gannet.csv.gz")).steps == ()


def test_outlier_in_a_drifting_phase_record_leaves_no_step_behind() -> None:
    """The sample that an outlier leaves missing is no offset, however steep the time error is there."""
    record = eb.simulate_clock(
        20_000,
        interval_s=10,
        levels=eb.NoiseLevels(white_pm=1e-20),
        seed=1,
        kind="phase",
        aging=lambda t: 1e-16 * t,
    )
    values = np.array(record.values)
    values[[19_000, 19_500, 19_501]] += 1e-9
    result = eb.condition(replace(record, values=values))
    assert result.excluded == 3
    assert result.steps == ()


def test_a_step_is_measured_where_it_is() -> None:
    """401 readings of one value and 319 of another make one step of their whole difference."""
    values = np.where(np.arange(720) < 401, 0.0, 1e-6)
    for resolution in (None, 1e-8):
        record = replace(eb.Record.from_frequency(values, interval_s=10), resolution=resolution)
        (flag,) = eb.condition(record).steps
        assert flag.start == 401
        assert flag.size == pytest.approx(1e-6, rel=1e-9)


@pytest.mark.parametrize("size", [1e-9, 1e-7, 1e-5])
def test_there_is_one_flag_at_one_place(size: float) -> None:
    """A step far above the noise is found once, to within its uncertainty."""
    values = 1e-11 * np.random.default_rng(2).standard_normal(5000)
    values[2512:] += size
    values[[2510, 2519]] = np.nan
    (flag,) = eb.condition(eb.Record.from_frequency(values, interval_s=1)).steps
    assert flag.start == 2512
    assert abs(flag.size - size) < 4 * flag.uncertainty


def test_an_outlier_beside_a_phase_step_does_not_divide_it() -> None:
    """The reading before the step is missing; across that gap there is still one step of the whole size."""
    phase = 1e-9 * np.random.default_rng(1).standard_normal(5000) + 1e-8 * np.arange(5000)
    phase[2000:] += 1e-6
    phase[1999] = np.nan
    (flag,) = eb.condition(eb.Record.from_phase(phase, interval_s=1)).steps
    assert flag.cause == "phase_step"
    assert flag.start in (1999, 2000)
    assert abs(flag.size - 1e-6) < 4 * flag.uncertainty


def test_a_finding_of_conditioning_promises_no_model() -> None:
    """Whether a step is modelled is for the clock model to say."""
    result = eb.condition(stepped("phase", "phase_step", -3e-10))
    (finding,) = [f for f in result.findings if f.code == "PHASE_STEP"]
    assert finding.sentence.endswith("no sample is left out.")
    assert "modelled" not in finding.sentence
