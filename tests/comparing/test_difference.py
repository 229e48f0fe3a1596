"""Two records as one: what the reference did in common is gone, and nothing is interpolated or guessed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import evenbeat as eb
from evenbeat.record import Flag, Source

LEVELS = eb.NoiseLevels(white_fm=2e-24)


def clock(seed: int, n: int = 4000, kind: str = "frequency") -> eb.Record:
    """Return a clock with white FM of Allan deviation 1e-12 at 1 s."""
    return eb.simulate_clock(n, interval_s=1, levels=LEVELS, seed=seed, kind=kind, start="2026-03-01")


def against(clock_values: np.ndarray, reference_values: np.ndarray, **options: object) -> eb.Record:
    """Return the record of a clock against a reference, as frequencies."""
    options = {"interval_s": 1.0, "start": "2026-03-01", "reference": "house"} | options
    return eb.Record.from_frequency((1 + clock_values) / (1 + reference_values) - 1, **options)


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def test_the_reference_cancels_exactly() -> None:
    """f1/f2 = (1 + y1)/(1 + y2), whatever the reference: offsets of 1e-4 leave no second-order error."""
    one, two = clock(1).values + 1e-4, clock(2).values - 2e-4
    wandering = 1e-5 * np.sin(np.arange(4000) / 300)
    result = eb.difference(against(one, wandering), against(two, wandering))
    np.testing.assert_allclose(result.values, (one - two) / (1 + two), rtol=0, atol=5e-16)
    (finding,) = [f for f in result.findings if f.code == "REFERENCE_CANCELS"]
    assert finding.severity == "note"
    assert "house" in finding.sentence


def test_its_stability_is_that_of_the_two_clocks() -> None:
    """A reference ten times worse than both leaves the sum of their variances (independent clocks)."""
    reference = eb.simulate_clock(
        20_000, interval_s=1, levels=eb.NoiseLevels(white_fm=2e-22, random_walk_fm=1e-26), seed=9
    ).values
    one, two = clock(1, 20_000).values, clock(2, 20_000).values
    result = eb.difference(against(one, reference), against(two, reference))
    curve = eb.stability(result, "overlapping_allan", averaging=[1, 10])
    expected = np.sqrt(2) * LEVELS.deviation([1.0, 10.0])
    assert curve.deviation == pytest.approx(expected, rel=0.05)  # 20 000 and 2 000 averages


@pytest.mark.parametrize("shift", [0, 1, 700, -700])
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_records_meet_on_their_stamps(shift: int, kind: str) -> None:
    """A second record that starts later or earlier is compared moment by moment."""
    one, two = clock(1, kind=kind), clock(2, kind=kind)
    start = np.datetime64("2026-03-01") + np.timedelta64(shift, "s")
    result = eb.difference(one, replace(two, start=start))
    first, second = max(0, shift), max(0, -shift)
    length = 4000 - abs(shift)
    expected = one.values[first : first + length] - two.values[second : second + length]
    if kind == "phase":
        expected = expected + (one.removed_frequency * first - two.removed_frequency * second)
    np.testing.assert_allclose(result.values, expected, rtol=0, atol=1e-18)
    assert result.start == max(one.start, start)


def test_swapping_turns_the_sign_of_phase() -> None:
    """The second less the first is the negative of the difference, exactly, for time errors."""
    one, two = clock(1, kind="phase"), clock(2, kind="phase")
    np.testing.assert_array_equal(eb.difference(one, two).values, -eb.difference(two, one).values)


@given(
    factors=st.tuples(st.integers(1, 12), st.integers(1, 12)), kind=st.sampled_from(["frequency", "phase"])
)
def test_intervals_are_matched_by_averaging(factors: tuple[int, int], kind: str) -> None:
    """Two averages of one clock differ by nothing, at the least common multiple of their intervals."""
    record = clock(3, 2000, kind)
    parts = [record.averaged(factor) for factor in factors]
    result = eb.difference(*parts)
    assert result.interval_s == np.lcm(*factors)
    np.testing.assert_allclose(result.values, 0.0, atol=1e-24)
    if factors[0] != factors[1]:
        assert "INTERVALS_MATCHED" in codes(result)


def test_phase_and_frequency_meet_as_frequency() -> None:
    """Mixed kinds become frequencies, and the finding says which was which."""
    one, two = clock(1, kind="phase"), clock(2)
    result = eb.difference(one, two)
    np.testing.assert_allclose(
        result.values, one.to_frequency().values - two.values[:-1], rtol=1e-9, atol=1e-20
    )
    (finding,) = [f for f in result.findings if f.code == "MIXED_KINDS"]
    assert "The first record holds time errors" in finding.sentence


def test_gaps_and_samples_set_aside_are_united() -> None:
    """What either record misses or leaves out, the difference does; steps of the second turn their sign."""
    one, two = np.array(clock(1).values), np.array(clock(2).values)
    one[100:110] = np.nan
    two[200:205] = np.nan
    first = against(one, np.zeros(4000)).with_flags(
        Flag(cause="outlier", start=300, stop=301, excluded=True, sentence="Far off.")
    )
    second = against(two, np.zeros(4000)).with_flags(
        Flag(cause="outlier", start=400, stop=402, excluded=True, sentence="Far off."),
        Flag(cause="frequency_step", start=500, stop=500, excluded=False, sentence="A step.", size=1e-10),
    )
    result = eb.difference(first, second)
    assert result.missing == 15
    assert result.excluded == 3
    (step,) = result.steps
    assert (step.start, step.size) == (500, -1e-10)
    assert step.sentence == "In the second record: A step."


def test_provenance_of_both_travels_along() -> None:
    """Files, hashes and treatments of both stand in the result; its own hash depends on both."""
    sources = [Source(path=f"/x/{name}.csv", sha256=name * 64, size_bytes=9, rows=4000) for name in "ab"]
    one, two = (replace(clock(k), source=sources[k]).treated("condition") for k in (0, 1))
    result = eb.difference(one, two)
    assert result.source.parts == tuple(sources)
    assert result.source.name == "a.csv minus b.csv"
    told = "\n".join(map(str, result.history))
    assert "first: condition" in told
    assert "second: condition" in told
    assert "a" * 64 in told
    assert "b" * 64 in told
    assert result.source.sha256 != eb.difference(two, one).source.sha256


def test_covariates_of_both_are_kept() -> None:
    """Columns of one name are told apart, others keep theirs."""
    column = np.arange(4000.0)
    one = replace(clock(1), covariates={"room_temperature_c": column, "oven_c": column})
    two = replace(clock(2), covariates={"room_temperature_c": column + 1})
    result = eb.difference(one, two)
    assert set(result.covariates) == {"first_room_temperature_c", "oven_c", "second_room_temperature_c"}


def test_a_better_reference_is_carried_over() -> None:
    """Device against reference, and reference against a better one: the device against the better one."""
    device, reference = clock(1).values + 1e-4, clock(2).values + 3e-5
    record = against(device, reference)
    own = eb.Record.from_frequency(reference, interval_s=1, start="2026-03-01", reference="maser")
    result = eb.difference(record, own, through=True)
    np.testing.assert_allclose(result.values, device, rtol=0, atol=5e-16)
    assert result.reference == "maser"
    assert "REFERENCE_CORRECTED" in codes(result)


REFUSED = {
    "no start": ({"start": None}, {}, "one of the records does not state when it starts"),
    "part of an interval": (
        {"start": "2026-03-01T00:00:00.4"},
        {},
        "40% of an interval; nothing is interpolated",
    ),
    "no overlap": ({"start": "2027-03-01"}, {}, "the records share 0 s, less than two intervals"),
    "drifting grids": ({"interval_s": 1.0003}, {}, "have no common multiple that holds over"),
    "other reference": ({"reference": "maser"}, {}, "common_reference=True"),
    "unknown word": ({}, {"part_interval": "nearest"}, "it must be 'refuse' or 'accept'"),
    "no number": ({}, {"offset_s": np.nan}, "offset_s is nan; it must be a number of seconds"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_would_be_a_guess_is_refused(case: str) -> None:
    """Each way in which samples could only be brought together by a guess names what would be accepted."""
    changed, options, sentence = REFUSED[case]
    zero = np.zeros(4000)
    with pytest.raises(eb.InputError, match=sentence) as caught:
        eb.difference(against(zero, zero), against(zero, zero, **changed), **options)
    assert "\n" not in str(caught.value)


def test_part_of_an_interval_can_be_accepted() -> None:
    """With part_interval='accept' the samples count as simultaneous, and a caution says by how much not."""
    zero = np.zeros(4000)
    result = eb.difference(
        against(zero, zero), against(zero, zero, start="2026-03-01T00:00:00.4"), part_interval="accept"
    )
    (finding,) = [f for f in result.findings if f.code == "NOT_SIMULTANEOUS"]
    assert finding.severity == "caution"
    assert finding.values["apart_s"] == pytest.approx(0.4)


def test_offset_takes_the_place_of_stamps() -> None:
    """Records without a start are aligned by the offset that is stated."""
    one, two = (replace(clock(seed), start=None) for seed in (1, 2))
    result = eb.difference(one, two, offset_s=10)
    np.testing.assert_allclose(result.values, one.values[10:] - two.values[:-10], rtol=1e-9, atol=1e-22)


def test_references_named_differently_can_be_the_same() -> None:
    """common_reference=True takes two names for one reference; no name at all is a caution."""
    zero = np.zeros(4000)
    result = eb.difference(against(zero, zero), against(zero, zero, reference="maser"), common_reference=True)
    assert "also named maser" in result.findings[0].sentence
    unnamed = eb.difference(against(zero, zero, reference=""), against(zero, zero, reference=""))
    assert unnamed.findings[0].severity == "caution"


def test_satellite_clocks_against_one_station(open_data: Path) -> None:
    """RINEX clocks are all against one reference clock: three differences close."""
    path = open_data / "gnss-clocks-300s.clk.gz"
    one, two, three = (eb.read_log(path, clock=name) for name in ("AMC2", "WTZR", "ALGO"))
    closed = (
        eb.difference(one, two).values + eb.difference(two, three).values + eb.difference(three, one).values
    )
    assert np.count_nonzero(np.isfinite(closed)) > 200
    np.testing.assert_allclose(closed[np.isfinite(closed)], 0.0, atol=1e-18)
    assert eb.difference(one, two).findings[0].code == "REFERENCE_CANCELS"


@pytest.mark.slow
def test_steps_of_the_reference_are_in_neither_difference(open_data: Path) -> None:
    """gnss-clocks-300s: the reference station steps; two masers show it alike, their difference does not.

    AMC2 and WTZR have four phase steps at the same epochs and of the same size (within 20 %), which are
    those of the common reference; none is left between them. The frequency step of ALGO stays.
    """
    path = open_data / "gnss-clocks-300s.clk.gz"
    one, two, three = (eb.condition(eb.read_log(path, clock=name)) for name in ("AMC2", "WTZR", "ALGO"))
    sizes = {step.start: step.size for step in one.steps}
    shared = [step for step in two.steps if step.start in sizes]
    assert len(shared) >= 4
    for step in shared:
        assert step.size == pytest.approx(sizes[step.start], rel=0.2)
    raw = [eb.read_log(path, clock=name) for name in ("AMC2", "WTZR", "ALGO")]
    assert eb.condition(eb.difference(raw[0], raw[1])).steps == ()
    (own,) = three.steps
    for other in raw[:2]:
        (step,) = eb.condition(eb.difference(other, raw[2])).steps
        assert step.start == own.start
        assert step.size == pytest.approx(-own.size, rel=0.1)
