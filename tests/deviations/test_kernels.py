"""The sums: blocks, number types, large offsets, gaps against explicit loops."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.sums import kernels
from evenbeat.deviations.sums import samples as samples_module
from evenbeat.deviations.sums.kernels import Workspace, sum_of_squared_averages, sum_of_squared_differences
from evenbeat.deviations.sums.samples import FrequencySums, PhasePoints

STATISTICS = ["allan", "overlapping_allan", "modified_allan", "time", "hadamard", "overlapping_hadamard"]


def random_walk(n: int, seed: int = 1) -> np.ndarray:
    """Return phase with white FM."""
    return np.cumsum(np.random.default_rng(seed).standard_normal(n))


@pytest.mark.parametrize("order", [1, 2, 3])
@pytest.mark.parametrize("lag", [1, 7, 100, 900])
@pytest.mark.parametrize("block", [1, 13, 256, 1 << 16])
def test_block_size_changes_nothing(order: int, lag: int, block: int) -> None:
    """Any block size gives the same sums of differences and of averages."""
    samples = PhasePoints.of(random_walk(4000))

    whole = sum_of_squared_differences(samples, lag, order)
    blocks = sum_of_squared_differences(samples, lag, order, workspace=Workspace(order + 1, block))
    assert blocks.total == pytest.approx(whole.total, rel=1e-12)
    whole = sum_of_squared_averages(samples, lag, order)
    blocks = sum_of_squared_averages(samples, lag, order, workspace=Workspace(order + 1, block))
    assert blocks.total == pytest.approx(whole.total, rel=1e-12)


@pytest.mark.parametrize("lag", [1, 2, 3, 7, 64, 100, 127, 500])
@pytest.mark.parametrize("block", [96, 777, 4096])
def test_both_ways_to_sum_agree(lag: int, block: int) -> None:
    """Moving sums by doubling and by running sums give what numpy's convolution of the definition gives."""
    # SOURCE: numpy.convolve
    phase = random_walk(5000)
    samples = PhasePoints.of(phase)
    differences = phase[2 * lag :] - 2 * phase[lag:-lag] + phase[: -2 * lag]
    means = np.convolve(differences, np.full(lag, 1 / lag), mode="valid")

    ways = [kernels._averages_by_running_sum(samples, lag, 2, Workspace(3, block))]
    if 2 * lag <= block:
        ways.append(kernels._averages_by_doubling(samples, lag, 2, Workspace(3, block)))

    for way in ways:
        assert way.total == pytest.approx(np.sum(means**2), rel=1e-11)
        assert way.terms == 5000 - 3 * lag + 1


@pytest.mark.parametrize("count", [1, 7, 8, 63, 64, 65, 513, 4095, 4096, 30_001])
def test_running_sums(count: int) -> None:
    """Running sums by rows are those of numpy, at every length of the last row and the last part."""
    values = np.random.default_rng(2).integers(-1000, 1000, count).astype(float)
    expected = np.cumsum(values)

    running, whole = kernels.running_sums(values, 5.0, Workspace(1, count).sums)

    assert np.array_equal(running, expected + 5)
    assert whole == expected[-1]


@pytest.mark.parametrize("block", [17, 1 << 16])
@pytest.mark.parametrize("coverage", [1.0, 0.6])
@pytest.mark.parametrize("lag", [2, 5, 20])
@pytest.mark.parametrize("order", [2, 3])
def test_gaps_in_phase_against_explicit_loops(block: int, coverage: float, lag: int, order: int) -> None:
    """With gaps the sums are those of plain loops over the definition, counts included."""
    phase = random_walk(300)
    phase[np.random.default_rng(3).random(300) < 0.03] = np.nan
    phase[120:131] = np.nan
    weights = [(-1) ** (order - k) * [[], [], [1, 2, 1], [1, 3, 3, 1]][order][k] for k in range(order + 1)]
    differences = [
        sum(weight * phase[i + k * lag] for k, weight in enumerate(weights)) for i in range(300 - order * lag)
    ]
    present = [value for value in differences if not np.isnan(value)]
    means = []
    for i in range(len(differences) - lag + 1):
        known = [value for value in differences[i : i + lag] if not np.isnan(value)]
        if len(known) >= np.ceil(coverage * lag - 1e-9):
            means.append(sum(known) / len(known))

    plain = sum_of_squared_differences(
        PhasePoints.of(phase), lag, order, workspace=Workspace(order + 1, block)
    )
    averages = sum_of_squared_averages(
        PhasePoints.of(phase), lag, order, minimum_coverage=coverage, workspace=Workspace(order + 1, block)
    )

    assert (plain.terms, averages.terms) == (len(present), len(means))
    assert plain.total == pytest.approx(sum(value**2 for value in present), rel=1e-12)
    assert averages.total == pytest.approx(sum(value**2 for value in means), rel=1e-12)
    assert np.count_nonzero(averages.valid) == averages.terms


@pytest.mark.parametrize("coverage", [1.0, 0.7])
@pytest.mark.parametrize("factor", [1, 4, 15])
@pytest.mark.parametrize("statistic", ["allan", "overlapping_allan", "hadamard", "overlapping_hadamard"])
def test_gaps_in_frequency_against_explicit_loops(coverage: float, factor: int, statistic: str) -> None:
    """A frequency record with gaps gives the deviation of averages formed by plain loops."""
    frequency = 1e-7 + 1e-9 * np.random.default_rng(5).standard_normal(400)
    frequency[np.random.default_rng(6).random(400) < 0.02] = np.nan
    frequency[200:203] = np.nan
    record = eb.Record.from_frequency(frequency, interval_s=10.0)
    needed = np.ceil(coverage * factor - 1e-9)
    averages = [
        np.nanmean(window) if np.count_nonzero(~np.isnan(window)) >= needed else np.nan
        for window in (frequency[i : i + factor] for i in range(400 - factor + 1))
    ]
    step = 1 if statistic.startswith("overlapping") else factor
    order, divisor = (3, 6) if "hadamard" in statistic else (2, 2)
    terms = [
        np.diff(averages[i : i + (order - 1) * factor + 1 : factor], order - 1)[0]
        for i in range(0, len(averages) - (order - 1) * factor, step)
    ]
    terms = [term for term in terms if not np.isnan(term)]

    curve = eb.stability(record, statistic, averaging=[factor], minimum_coverage=coverage)

    assert curve.terms[0] == len(terms)
    assert curve.deviation[0] == pytest.approx(np.sqrt(np.mean(np.square(terms)) / divisor), rel=1e-9)


def test_gaps_in_frequency_modified() -> None:
    """The modified deviation of a frequency record with one gap uses the windows on either side of it."""
    frequency = np.random.default_rng(5).standard_normal(300)
    with_gap = frequency.copy()
    with_gap[150] = np.nan
    factor = 6
    halves = [eb.Record.from_frequency(part, interval_s=1.0) for part in (frequency[:150], frequency[151:])]
    parts = [eb.stability(half, "modified_allan", averaging=[factor]) for half in halves]
    squares = sum(part.deviation[0] ** 2 * part.terms[0] for part in parts)
    terms = sum(part.terms[0] for part in parts)

    curve = eb.stability(
        eb.Record.from_frequency(with_gap, interval_s=1.0), "modified_allan", averaging=[factor]
    )

    assert curve.terms[0] == terms
    assert curve.deviation[0] == pytest.approx(np.sqrt(squares / terms), rel=1e-12)


def exact_deviation(phase: np.ndarray, factor: int, *, averaged: bool) -> float:
    """Return the (modified) Allan deviation in exact rational arithmetic."""
    x = [Fraction(float(value)) for value in phase]
    differences = [x[i + 2 * factor] - 2 * x[i + factor] + x[i] for i in range(len(x) - 2 * factor)]
    if averaged:
        sums = [sum(differences[:factor], Fraction(0))]
        for i in range(len(differences) - factor):
            sums.append(sums[-1] + differences[i + factor] - differences[i])
        differences = [value / factor for value in sums]
    mean = sum((value**2 for value in differences), Fraction(0)) / len(differences)
    return float(mean / (2 * factor**2)) ** 0.5


@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan"])
@pytest.mark.parametrize("factor", [2, 10, 100, 1000])
def test_large_offset_against_rational_arithmetic(statistic: str, factor: int) -> None:
    """Phase of 1000 s with a slope of 1e-6 over 1e7 s and 1e-12 noise loses no digit of what it holds."""
    # SOURCE: Python's fractions: exact evaluation of the definition on the same float64 samples
    time = 2000.0 * np.arange(5001)
    phase = 1000.0 + 1e-6 * time + 1e-12 * 2000.0 * random_walk(5001)

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=1.0), statistic, averaging=[factor])

    expected = exact_deviation(phase, factor, averaged=statistic == "modified_allan")
    assert curve.deviation[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan", "overlapping_hadamard"])
def test_long_record_with_offset(statistic: str) -> None:
    """A slope of 1e-6 over two million samples changes a deviation of 1e-12 noise by its rounding only."""
    noise = 1e-12 * random_walk(2_000_000)
    slope = 1e-6 * np.arange(2_000_000.0)
    tilted = eb.Record.from_phase(slope + noise, interval_s=1.0)
    # the same samples after rounding to float64 beside the slope, the slope taken out exactly again
    level = eb.Record.from_phase(
        np.asarray(
            (slope + noise).astype(np.longdouble) - np.longdouble(1e-6) * np.arange(2_000_000), dtype=float
        ),
        interval_s=1.0,
    )

    factors = [1, 10, 1000, 100_000]
    with_slope = eb.stability(tilted, statistic, averaging=factors).deviation
    without = eb.stability(level, statistic, averaging=factors).deviation

    assert with_slope == pytest.approx(without, rel=1e-9)


@pytest.mark.parametrize("statistic", STATISTICS)
def test_number_types_and_memory_map(statistic: str, tmp_path: Path) -> None:
    """float32, integers, strided, byte-swapped and memory-mapped phase give what float64 gives."""
    counts = np.round(1e3 * random_walk(3000))
    np.save(tmp_path / "phase.npy", counts)
    variants = {
        "float32": counts.astype(np.float32),
        "int64": counts.astype(np.int64),
        "int32": counts.astype(np.int32),
        "strided": np.repeat(counts, 2)[::2],
        "swapped": counts.astype(">f8"),
        "mapped": np.load(tmp_path / "phase.npy", mmap_mode="r"),
    }
    expected = eb.stability(eb.Record.from_phase(counts, interval_s=1.0), statistic)

    for name, variant in variants.items():
        curve = eb.stability(eb.Record.from_phase(variant, interval_s=1.0), statistic)
        assert curve.deviation == pytest.approx(expected.deviation, rel=1e-12), name
        assert curve.noise_exponent.tolist() == expected.noise_exponent.tolist(), name


def test_threads_change_nothing() -> None:
    """A record long enough for two threads gives what one averaging time at a time gives."""
    record = eb.Record.from_phase(random_walk(300_000), interval_s=1.0)

    together = eb.stability(record, "modified_allan", averaging="doublings")
    alone = [
        float(eb.stability(record, "modified_allan", averaging=[int(factor)]).deviation[0])
        for factor in together.averaging_factor
    ]

    assert together.deviation.tolist() == pytest.approx(alone, rel=1e-13)


def test_input_is_left_alone() -> None:
    """Neither samples nor flags of the record change."""
    phase = random_walk(500)
    before = phase.copy()

    for statistic in STATISTICS:
        eb.stability(eb.Record.from_phase(phase, interval_s=1.0), statistic)
    eb.time_interval_error(eb.Record.from_phase(phase, interval_s=1.0))

    assert np.array_equal(phase, before)


def test_frequency_sums_count_what_is_present() -> None:
    """An advance is the mean of what is present times the length, or unknown."""
    frequency = np.array([1.0, np.nan, 3.0, 5.0])
    out = np.empty(3)

    FrequencySums.of(frequency, 2.0, 0.5, 0.0).fill_advances(out, 0, 2)
    assert out.tolist() == [4.0, 12.0, 16.0]
    FrequencySums.of(frequency, 2.0, 1.0, 0.0).fill_advances(out, 0, 2)
    assert np.isnan(out[:2]).all()
    assert out[2] == 16.0


@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan"])
def test_pages_let_go_change_nothing(statistic: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Dropping the pages of a memory-mapped record all the time gives what the array in memory gives."""
    phase = np.random.default_rng(7).standard_normal(300_000)  # white PM: looks at averaged phase too
    np.save(tmp_path / "phase.npy", phase)
    monkeypatch.setattr(samples_module, "KEPT_BYTES", samples_module.BYTES_AT_ONCE)
    mapped = eb.Record.from_phase(np.load(tmp_path / "phase.npy", mmap_mode="r"), interval_s=1.0)

    curve, expected = (
        eb.stability(record, statistic) for record in (mapped, eb.Record.from_phase(phase, interval_s=1.0))
    )

    assert PhasePoints.of(mapped.values).mapping is not None
    assert curve.deviation.tolist() == expected.deviation.tolist()
    assert curve.noise_exponent.tolist() == expected.noise_exponent.tolist()


def test_changes_of_a_copy_on_write_are_kept(tmp_path: Path) -> None:
    """Pages that hold changes not in the file are not dropped."""
    np.save(tmp_path / "phase.npy", np.zeros(3000))
    changed = np.load(tmp_path / "phase.npy", mmap_mode="c")
    changed[:] = random_walk(3000)

    curve = eb.stability(eb.Record.from_phase(changed, interval_s=1.0))

    assert PhasePoints.of(changed).mapping is None
    assert np.array_equal(changed, random_walk(3000))
    expected = eb.stability(eb.Record.from_phase(random_walk(3000), interval_s=1.0))
    assert curve.deviation.tolist() == expected.deviation.tolist()
