"""What a reading is worth: worked values of the counter handbook formulas, and a simulated counter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from evenbeat.counter.budget import Contribution, budget
from evenbeat.counter.reach import LIMITS, best_uncertainty
from evenbeat.counter.reading import reading_uncertainty
from evenbeat.counter.resolution import Trigger
from evenbeat.counter.timebase import Timebase
from evenbeat.errors import InputError
from evenbeat.quantities import Estimate

TRIALS = 300_000


def exact(limit: float) -> Timebase:
    """Return a timebase whose standard uncertainty is ``limit``."""
    return Timebase(
        offset=0.0, contributions=(Contribution(name="timebase", standard_uncertainty=limit),), says="test"
    )


def sine(frequency_hz: float, noise_v: float) -> Trigger:
    """Return the trigger of a sine of 1 V root mean square."""
    return Trigger.of_sine(frequency_hz, 1.0, noise_v=noise_v)


@pytest.mark.parametrize(
    ("frequency_hz", "gate_s", "count", "tick"),
    [(50, 1, 2.0e-2, 1e-7), (1e3, 10, 1e-4, 1e-8), (1e6, 1, 1e-6, 1e-7), (1e7, 1, 1e-7, 1e-7)],
)
def test_steps_of_direct_and_reciprocal_counting(
    frequency_hz: float, gate_s: float, count: float, tick: float
) -> None:
    """One count is 1/(f T) of the reading, one 100 ns tick 1e-7 s / T (common practice)."""
    direct = reading_uncertainty("frequency", frequency_hz, gate_s=gate_s)
    timed = reading_uncertainty(
        "frequency", frequency_hz, method="reciprocal", gate_s=gate_s, clock_tick_s=1e-7
    )
    assert direct.measurement.step / frequency_hz == pytest.approx(count)
    assert timed.measurement.step / frequency_hz == pytest.approx(tick)
    assert direct.budget.standard_uncertainty == pytest.approx(count * frequency_hz / math.sqrt(6))


def test_trigger_of_a_sine() -> None:
    """Noise over slope 2π f √2 V: arithmetic of the definition, 5.6270 ps and 2.2508 µs."""
    fast, slow = sine(1e7, 0.5e-3), sine(50.0, 1e-3)
    assert fast.slew_rate_v_per_s == pytest.approx(8.8858e7, rel=1e-5)
    assert fast.jitter_s == pytest.approx(5.6270e-12, rel=1e-5)
    assert slow.jitter_s == pytest.approx(2.2508e-6, rel=2e-5)
    assert math.sqrt(2) * slow.jitter_s * 50 == pytest.approx(1.5915e-4, rel=4e-5)


@pytest.mark.parametrize(
    ("frequency_hz", "periods", "relative", "limit"),
    [
        (1.0, 1, 1.5916e-4, "trigger"),
        (50.0, 50, 3.235e-6, "trigger"),
        (1e3, 1000, 6.003e-7, "timebase specification"),
        (1e5, 1, 4.086e-3, "clock tick"),
    ],
)
def test_period_readings(frequency_hz: float, periods: int, relative: float, limit: str) -> None:
    """100 ns tick, 1 V sine with 1 mV of noise, timebase within ±1e-6: combined by hand (GUM, 5.1.2)."""
    result = reading_uncertainty(
        "period",
        1 / frequency_hz,
        periods=periods,
        clock_tick_s=1e-7,
        trigger=sine(frequency_hz, 1e-3),
        timebase=1e-6,
    )
    assert result.budget.relative_standard_uncertainty == pytest.approx(relative, rel=3e-4)
    assert result.limited_by == limit


def test_revolutions() -> None:
    """3000 rpm: 1 count in 1 s is 1 rpm with 60 pulses, 60 rpm with one; one timed turn 2.041e-5."""
    toothed = reading_uncertainty("rpm", 3000, gate_s=1, pulses_per_revolution=60)
    single = reading_uncertainty("rpm", 3000, gate_s=1)
    timed = reading_uncertainty("rpm", 3000, method="reciprocal", gate_s=0.02, clock_tick_s=1e-6)
    assert toothed.measurement.step == pytest.approx(1.0)
    assert toothed.budget.standard_uncertainty == pytest.approx(0.408248, rel=1e-5)
    assert single.measurement.step == pytest.approx(60.0)
    assert timed.budget.relative_standard_uncertainty == pytest.approx(2.041e-5, rel=3e-4)


def test_time_interval_and_totalise() -> None:
    """100 µs with 2 ns tick and ±1 ns mismatch: 1.0050 ns; 1e7 counts, ±1e-6, gate ±1 µs: 5.8166."""
    interval = reading_uncertainty(
        "time_interval", 100e-6, clock_tick_s=2e-9, delay_mismatch_s=1e-9, timebase=exact(1e-6)
    )
    counted = reading_uncertainty("totalise", 1e7, gate_s=10, gate_uncertainty_s=1e-6, timebase=1e-6)
    assert interval.budget.standard_uncertainty == pytest.approx(1.0050e-9, rel=5e-5)
    assert counted.budget.standard_uncertainty == pytest.approx(5.8166, rel=1e-5)


def worked_budget() -> tuple[Contribution, ...]:
    """Return the contributions of a timebase calibrated at 10 MHz with a 1 s gate, n = 10."""
    return (
        Contribution(name="scatter", standard_uncertainty=1.1e-9 / math.sqrt(10), degrees_of_freedom=9),
        Contribution.within("tick", 2e-9, "triangular"),
        Contribution.within("display", 0.5e-3 / 1e7),
        Contribution(name="trigger", standard_uncertainty=math.sqrt(2) * sine(1e7, 0.5e-3).jitter_s),
        Contribution.within("reference", 1e-11),
        Contribution.within("temperature", 2 * 5e-10),
    )


def test_combination_of_a_worked_budget() -> None:
    """JCGM 100:2008, 5.1.2 and G.4.1 by hand: u 1.05921e-9, ν 773.75, k 2.0032, U 2.1219e-9."""
    made = budget(0.0, "1", worked_budget())
    assert made.standard_uncertainty == pytest.approx(1.05921e-9, rel=1e-5)
    assert made.effective_degrees_of_freedom == pytest.approx(773.75, rel=1e-4)
    assert made.coverage_factor(0.9545) == pytest.approx(2.0032, abs=1e-4)
    assert made.expanded_uncertainty(0.9545) == pytest.approx(2.1219e-9, rel=1e-4)


def test_few_degrees_of_freedom() -> None:
    """Between ν = 4 and 5 of JCGM 100:2008, table G.2 (2.87 and 2.65 at 95.45 %): 2.705 by scipy at 4.69."""
    parts = (
        Contribution(name="readings", standard_uncertainty=2e-9, degrees_of_freedom=3),
        Contribution(name="rest", standard_uncertainty=1e-9),
    )
    made = budget(0.0, "1", parts)
    assert made.effective_degrees_of_freedom == pytest.approx(4.6875)
    assert made.coverage_factor(0.9545) == pytest.approx(stats.t.ppf(0.97725, 4.6875), rel=1e-9)
    assert made.coverage_factor(0.9545) == pytest.approx(2.705, abs=5e-4)


@pytest.mark.parametrize("confidence", [0.95, 0.9545])
def test_one_rectangular_contribution_decides(confidence: float) -> None:
    """A lone rectangular distribution is covered by confidence · √3 (JCGM 100:2008, 4.3.7 and G.1.3)."""
    made = budget(0.0, "1", [Contribution.within("display", 1.0)])
    assert made.coverage_factor(confidence) == pytest.approx(confidence * math.sqrt(3), rel=1e-6)
    assert "BOUNDED_DOMINATES" in {finding.code for finding in made.findings}


@pytest.mark.parametrize("distribution", ["rectangular", "triangular", "arcsine"])
def test_convolved_coverage_by_simulation(distribution: str) -> None:
    """The half width holds 95 % of simulated sums (JCGM 101:2008, Monte Carlo) within 0.2 points."""
    bounded = Contribution.within("bounded", 1.0, distribution)
    rest = Contribution(name="noise", standard_uncertainty=0.25 * bounded.standard_uncertainty)
    made = budget(0.0, "1", [bounded, rest])
    generator = np.random.default_rng(5)
    flat = generator.uniform(-1, 1, TRIALS)
    sample = {
        "rectangular": flat,
        "triangular": generator.triangular(-1, 0, 1, TRIALS),
        "arcsine": np.sin(math.pi * flat),
    }[distribution]
    noisy = sample + rest.standard_uncertainty * generator.standard_normal(TRIALS)
    assert np.mean(np.abs(noisy) <= made.expanded_uncertainty()) == pytest.approx(0.95, abs=0.002)


def test_free_running_gate_by_simulation() -> None:
    """A simulated gate at random phase over random fractions: 0.4082 counts within 3 per mille."""
    generator = np.random.default_rng(1)
    counts = generator.uniform(1000, 2000, TRIALS)
    phase = generator.uniform(0, 1, TRIALS)
    error = np.floor(counts + phase) - counts
    assert np.std(error) == pytest.approx(1 / math.sqrt(6), rel=3e-3)


def simulated(function: str, generator: np.random.Generator) -> tuple[float, np.ndarray, dict[str, object]]:
    """Return the true value, readings of a simulated counter, and how they were taken."""
    phase = generator.uniform(0, 1, TRIALS)
    noise = generator.standard_normal((2, TRIALS))
    tick, jitter = 1e-7, 4e-8
    start_to_stop = jitter * (noise[1] - noise[0])
    trigger = Trigger(noise_v=jitter, slew_rate_v_per_s=1.0)
    f = generator.uniform(9e5, 1.1e6, TRIALS)
    if function == "frequency":
        return f, np.floor(f * 0.1 + phase) / 0.1, {"gate_s": 0.1}
    if function == "rpm":
        speed = f / 1e3
        events = np.floor(speed / 60 * 60 * 1.0 + phase)
        return speed, events, {"gate_s": 1.0, "pulses_per_revolution": 60}
    if function == "totalise":
        return f * 0.01, np.floor(f * 0.01 + phase), {"gate_s": 0.01}
    if function == "ratio":
        ratio = f / 1e4
        return ratio, np.floor(ratio * 7 + phase) / 7, {"periods": 7}
    periods = 20 if function == "period" else 1
    true = 1 / f if function == "period" else 100 / f
    ticks = np.floor((true * periods + start_to_stop) / tick + phase)
    settings = {"periods": periods, "clock_tick_s": tick, "trigger": trigger}
    return true, ticks * tick / periods, settings


@pytest.mark.parametrize("function", ["frequency", "period", "time_interval", "ratio", "totalise", "rpm"])
def test_stated_uncertainty_is_that_of_a_simulated_counter(function: str) -> None:
    """Edges, gate, clock and trigger noise simulated 300 000 times: u stated within 3 %."""
    true, readings, settings = simulated(function, np.random.default_rng(7))
    stated = reading_uncertainty(function, float(np.mean(readings)), timebase=0.0, **settings)
    assert np.std(readings - true) == pytest.approx(stated.budget.standard_uncertainty, rel=0.03)
    assert np.mean(readings - true) == pytest.approx(
        0.0, abs=0.01 * stated.budget.standard_uncertainty + 1e-30
    )


def test_reciprocal_reading_is_that_of_a_simulated_counter() -> None:
    """A whole number of periods timed by a free-running clock with trigger noise: u within 3 %."""
    generator = np.random.default_rng(3)
    f = generator.uniform(900, 1100, TRIALS)
    periods = np.floor(f * 0.1)
    noise = 3e-8 * (generator.standard_normal(TRIALS) - generator.standard_normal(TRIALS))
    time = np.floor((periods / f + noise) / 1e-7 + generator.uniform(0, 1, TRIALS)) * 1e-7
    stated = reading_uncertainty(
        "frequency",
        1000.0,
        method="reciprocal",
        gate_s=0.1,
        clock_tick_s=1e-7,
        trigger=Trigger(noise_v=3e-8, slew_rate_v_per_s=1.0),
        timebase=0.0,
    )
    assert np.std(periods / time / f - 1) == pytest.approx(
        stated.budget.relative_standard_uncertainty, rel=0.03
    )


def test_fast_timebase_reads_frequency_low_and_period_high() -> None:
    """A timebase fast by 1e-6 shortens its second: 10 MHz reads 9 999 990 Hz, 1 s reads 1.000001 s."""
    fast = Timebase(offset=1e-6, contributions=())
    low = reading_uncertainty("frequency", 1e7 / (1 + 1e-6), gate_s=10, timebase=fast)
    high = reading_uncertainty("period", 1 + 1e-6, clock_tick_s=1e-7, timebase=fast)
    assert low.corrected == pytest.approx(1e7, rel=1e-15)
    assert high.corrected == pytest.approx(1.0, rel=1e-15)


def test_what_would_improve_a_coarse_count() -> None:
    """50 Hz counted for 1 s is limited by the count; timing its periods is named first."""
    result = reading_uncertainty("frequency", 50.0, gate_s=1.0, clock_tick_s=1e-7, timebase=1e-6)
    assert result.limited_by == "count"
    assert "timing whole periods" in result.improvements[0][0]
    values = [value for _, value in result.improvements]
    assert values == sorted(values)
    assert result.to_dict()["limited_by"] == "count"
    assert "count" in str(result)


def test_readings_that_never_change_say_so() -> None:
    """Frozen counts are a caution, and a locked source leaves the timebase out."""
    frozen = reading_uncertainty("frequency", [1e7, 1e7, 1e7], gate_s=1.0, timebase=1e-6)
    locked = reading_uncertainty("frequency", 1e7, gate_s=1.0, timebase=1e-6, locked=True)
    assert "FROZEN_READINGS" in {finding.code for finding in frozen.findings}
    assert "TIMEBASE_CANCELS" in {finding.code for finding in locked.findings}
    assert locked.budget.standard_uncertainty == pytest.approx(1 / math.sqrt(6))


def test_timebase_of_a_calibration_with_aging() -> None:
    """Offset and aging add, their uncertainties in quadrature (JCGM 100:2008, 5.1.2)."""
    timebase = Timebase.from_calibration(
        Estimate.normal(1e-9, 3e-10),
        elapsed_s=1e7,
        aging_rate_per_second=Estimate.normal(2e-17, 4e-17),
    )
    assert timebase.offset == pytest.approx(1.2e-9)
    assert timebase.standard_uncertainty == pytest.approx(5e-10)


@pytest.mark.parametrize(
    ("gate_s", "frequency_hz", "limit"),
    [(1.0, 50.0, "count"), (1.0, 1e7, "timebase"), (10.0, 1e8, "timebase"), (10.0, 1e3, "count")],
)
def test_reach_agrees_with_single_readings(gate_s: float, frequency_hz: float, limit: str) -> None:
    """The map holds what reading_uncertainty says of each point, and what limits it (±1e-6 timebase)."""
    reach = best_uncertainty([frequency_hz], [gate_s], timebase=1e-6)
    one = reading_uncertainty("frequency", frequency_hz, gate_s=gate_s, timebase=1e-6)
    assert reach.best[0, 0] == pytest.approx(one.budget.relative_standard_uncertainty)
    assert LIMITS[reach.limit[0, 0]] == limit


def test_timing_wins_below_the_clock_frequency() -> None:
    """With a 100 ns tick timing is better below 10 MHz, counting above (algebra of both steps)."""
    reach = best_uncertainty([1e3, 1e6, 2e7], [1.0], clock_tick_s=1e-7, timebase=0.0)
    assert (reach.reciprocal < reach.direct)[:, 0].tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("speed", 1.0, {}), "function is 'speed'"),
        (("frequency", 1.0, {}), "gate_s is missing"),
        (("frequency", math.nan, {"gate_s": 1.0}), "one finite number"),
        (("frequency", 1.0, {"gate_s": -1.0}), "gate_s is -1;"),
        (("period", 1.0, {"periods": 1.5, "clock_tick_s": 1e-7}), "periods is 1.5"),
        (("frequency", 1.0, {"gate_s": 1.0, "count_law": "odd"}), "count_law is 'odd'"),
        (("frequency", 1.0, {"gate_s": 1.0, "timebase": -1.0}), "limit is -1;"),
    ],
)
def test_bad_input_is_named(arguments: tuple[str, float, dict[str, object]], words: str) -> None:
    """Every refusal names the argument and what was found."""
    function, value, settings = arguments
    with pytest.raises(InputError, match=words):
        reading_uncertainty(function, value, **settings)
