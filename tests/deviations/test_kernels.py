"""The sums: blocks, number types, large offsets, gaps against explicit loops."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tracemalloc
from fractions import Fraction
from functools import cache
from itertools import accumulate
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.sums import kernels, plain
from evenbeat.deviations.sums import samples as samples_module
from evenbeat.deviations.sums.kernels import sum_of_squared_differences, sums_of_squares
from evenbeat.deviations.sums.samples import FrequencySums, PhasePoints, samples_of

STATISTICS = ["allan", "overlapping_allan", "modified_allan", "time", "hadamard", "overlapping_hadamard"]


def random_walk(n: int, seed: int = 1) -> np.ndarray:
    """Return phase with white FM."""
    return np.cumsum(np.random.default_rng(seed).standard_normal(n))


LOOPS = {"plain": plain}
"""The loops that there are: without a compiler the first alone."""
with contextlib.suppress(ImportError):
    from evenbeat.deviations.sums import _compiled

    LOOPS["compiled"] = _compiled


@pytest.fixture(params=LOOPS)
def loops(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Let a test run once with each kind of loops."""
    monkeypatch.setattr(kernels, "loops", LOOPS[request.param])
    return str(request.param)


@pytest.fixture
def small_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let short records meet every border: of spans, of windows, and beyond the longest window."""
    monkeypatch.setattr(kernels, "SPAN", 4096)
    monkeypatch.setattr(kernels, "WINDOWS", ((4, 256), (64, 1000)))


def noise(kind: str, points: int = 3000) -> np.ndarray:
    """Return phase of a kind that is hard in one way or another."""
    white = np.random.default_rng(8).standard_normal((2, points))
    index = np.arange(points)
    return {
        "white PM": white[0],
        "white FM": np.cumsum(white[0]) * 1e-12,
        "random walk FM": np.cumsum(np.cumsum(white[0])) * 1e-15,
        "frequency offset": 1e-5 * index + np.cumsum(white[0]) * 1e-12,
        "offset": 1000.0 + 1e-11 * white[0],
        "drift": 1e-9 * index.astype(float) ** 2 + 1e-11 * white[0],
        "small numbers": np.cumsum(white[0]) * 1e-100,
        "large numbers": np.cumsum(white[0]) * 1e140,
        "nothing": np.full(points, 7.1),
        "gaps": np.where(white[1] > 1.5, np.nan, np.cumsum(white[0]) * 1e-12 + 1e-5 * index),
        "a long gap": np.where((index > 100) & (index < points // 3), np.nan, white[0] + 1e3),
        "nothing known": np.full(points, np.nan),
    }[kind]


@cache  # once for both kinds of loops
def exact(kind: str, points: int, factor: int, order: int, averaged: bool) -> tuple[float, int]:
    """Return the sum of squares by rational numbers, in units of the largest phase, and its terms."""
    # SOURCE: Python's fractions, definitions of NIST SP 1065, 5.2
    phase = noise(kind, points)
    largest = Fraction(scale_of(phase))
    terms = [None if np.isnan(value) else Fraction(value) / largest for value in phase.tolist()]
    for _ in range(order):
        terms = [
            None if later is None or earlier is None else later - earlier
            for later, earlier in zip(terms[factor:], terms, strict=False)
        ]
    if averaged:
        sums = [Fraction(0), *accumulate(term or Fraction(0) for term in terms)]
        gone = [0, *accumulate(term is None for term in terms)]
        terms = [
            None if gone[i + factor] > gone[i] else (sums[i + factor] - sums[i]) / factor
            for i in range(len(terms) - factor + 1)
        ]
    known = [term for term in terms if term is not None]
    return float(sum((term**2 for term in known), Fraction(0))), len(known)


def scale_of(phase: np.ndarray) -> float:
    """Return the largest of the known values, or one."""
    return float(np.max(np.abs(phase), where=~np.isnan(phase), initial=0.0)) or 1.0


@pytest.mark.usefixtures("loops", "small_windows")
@pytest.mark.parametrize(
    ("kind", "within"),
    [
        pytest.param("white PM", 1e-13, marks=pytest.mark.slow),
        pytest.param("white FM", 1e-13, marks=pytest.mark.slow),
        pytest.param("random walk FM", 1e-13, marks=pytest.mark.slow),
        pytest.param("offset", 1e-13, marks=pytest.mark.slow),
        pytest.param("small numbers", 1e-13, marks=pytest.mark.slow),
        ("large numbers", 1e-13),
        pytest.param("frequency offset", 1e-12, marks=pytest.mark.slow),
        ("drift", 1e-9),
        ("gaps", 1e-12),
        pytest.param("a long gap", 1e-12, marks=pytest.mark.slow),
        ("nothing", 0),
        ("nothing known", 0),
    ],
)
@pytest.mark.parametrize(("order", "averaged"), [(1, False), (2, False), (2, True), (3, False), (3, True)])
def test_against_rational_numbers(kind: str, within: float, order: int, averaged: bool) -> None:
    """Windows, moving sums carried on and far points give the exact sum and number of terms."""
    if kind == "drift" and order == 3:
        within = 1e-6  # the samples themselves are rounded to a millionth of what is left of them
    phase, factors = noise(kind, 1300), [1, 2, 3, 4, 5, 16, 64, 65, 200, 325]
    samples = PhasePoints.of(phase)

    found = kernels.sums_of_squares(samples, factors, order, averaged=averaged)

    for factor, sums in zip(factors, found, strict=True):
        total, terms = exact(kind, len(phase), factor, order, averaged)
        assert sums.total / scale_of(phase) ** 2 == pytest.approx(total, rel=within), factor
        assert sums.terms == terms
        assert sums.possible == len(phase) - (order + averaged) * factor + averaged
        assert np.count_nonzero(sums.mask) == terms


@pytest.mark.grid(2)
@pytest.mark.usefixtures("small_windows")
@pytest.mark.parametrize("gap", [False, True])
@pytest.mark.parametrize("kind", ["phase", "frequency", "single precision", "every other sample"])
def test_both_kinds_of_loops_agree(kind: str, gap: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiled loops and numpy's give the same to 1e-12."""
    if "compiled" not in LOOPS:
        pytest.skip("nothing was compiled: numpy's loops run alone")
    monkeypatch.setattr(kernels, "MOST_FLATTENED", 0)
    values = noise("drift", 20_000) + noise("white FM", 20_000)
    values[[7000, 7001, 12_345]] = np.nan if gap else 0.0
    record = (
        eb.Record.from_frequency(values, interval_s=1.0)
        if kind == "frequency"
        else eb.Record.from_phase(
            values.astype(np.float32)
            if kind == "single precision"
            else np.repeat(values, 2)[::2]
            if kind == "every other sample"
            else values,
            interval_s=1.0,
        )
    )
    found = {}
    for name, some in LOOPS.items():
        monkeypatch.setattr(kernels, "loops", some)
        curves = [eb.stability(record, statistic) for statistic in STATISTICS]
        moved = eb.time_interval_error(record)
        deviations = [*(curve.deviation for curve in curves), moved.time_error_s]
        counts = [*(curve.terms.tolist() for curve in curves), moved.windows.tolist()]
        found[name] = (np.concatenate(deviations), counts)

    assert found["compiled"][0] == pytest.approx(found["plain"][0], rel=1e-12, nan_ok=True)
    assert found["compiled"][1] == found["plain"][1]


@pytest.mark.slow
def test_the_environment_asks_for_plain_loops() -> None:
    """EVENBEAT_PURE=1 runs numpy's loops, also where others were compiled; the command says which run."""
    program = [sys.executable, "-m", "evenbeat", "--version", "-v"]
    environment = {key: value for key, value in os.environ.items() if key != "EVENBEAT_PURE"}

    usual, pure = (
        subprocess.run(program, env=env, capture_output=True, text=True, check=True).stdout
        for env in (environment, environment | {"EVENBEAT_PURE": "1"})
    )

    assert "numpy's loops (EVENBEAT_PURE is set)" in pure
    assert ("compiled loops" in usual) == ("compiled" in LOOPS)
    assert usual.splitlines()[0] == pure.splitlines()[0] == f"evenbeat {eb.__version__}"


@pytest.mark.usefixtures("loops", "small_windows")
@pytest.mark.parametrize("gap", [False, True])
@pytest.mark.parametrize("statistic", STATISTICS)
def test_a_point_does_not_depend_on_the_others(statistic: str, gap: bool) -> None:
    """Asked for alone or in a list, a deviation has the same bits."""
    phase = noise("gaps" if gap else "frequency offset", 9000)
    record = eb.Record.from_phase(phase, interval_s=1.0)

    together = eb.stability(record, statistic, averaging=[1, 2, 5, 64, 65, 700, 1500])

    for factor, deviation in zip(together.averaging_factor.tolist(), together.deviation, strict=True):
        alone = eb.stability(record, statistic, averaging=[factor]).deviation[0]
        assert alone == deviation or (np.isnan(alone) and np.isnan(deviation)), factor


@pytest.mark.usefixtures("loops")
@pytest.mark.parametrize("coverage", [1.0, 0.6])
@pytest.mark.parametrize("lag", [2, 5, 20])
@pytest.mark.parametrize("order", [2, 3])
def test_gaps_in_phase_against_explicit_loops(coverage: float, lag: int, order: int) -> None:
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

    single = sum_of_squared_differences(PhasePoints.of(phase), lag, order)
    samples = PhasePoints.of(phase)
    (averages,) = sums_of_squares(samples, [lag], order, averaged=True, minimum_coverage=coverage)

    assert (single.terms, averages.terms) == (len(present), len(means))
    assert single.total == pytest.approx(sum(value**2 for value in present), rel=1e-12)
    assert averages.total == pytest.approx(sum(value**2 for value in means), rel=1e-12)
    assert np.count_nonzero(averages.mask) == averages.terms


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

    FrequencySums.of([frequency], len(frequency), interval_s=2.0, minimum_coverage=0.5).fill_advances(
        out, 0, 2
    )
    assert out.tolist() == [4.0, 12.0, 16.0]
    FrequencySums.of([frequency], len(frequency), interval_s=2.0, minimum_coverage=1.0).fill_advances(
        out, 0, 2
    )
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
    np.save(tmp_path / "table.npy", np.zeros(3, dtype=[("unix_ns", "<i8"), ("phase_s", "<f8")]))
    assert PhasePoints.of(np.load(tmp_path / "table.npy", mmap_mode="r")["phase_s"]).mapping is not None
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


@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_frequency_is_integrated_once_without_copies(dtype: str, tmp_path: Path) -> None:
    """A memory-mapped frequency record needs the memory of its phase and little more."""
    points = 3_000_000
    path = tmp_path / "frequency.npy"
    np.save(path, np.random.default_rng(1).standard_normal(points).astype(dtype) * 1e-12)
    record = eb.Record.from_frequency(np.load(path, mmap_mode="r"), interval_s=1.0)
    tracemalloc.start()

    samples = samples_of(record, 1.0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert peak < 8 * points + 2 * 8 * (1 << 20)
    assert isinstance(samples, PhasePoints)
    gains = np.asarray(record.values, dtype=float)
    expected = np.concatenate([[0.0], np.cumsum(gains - gains.mean())])
    assert np.max(np.abs(samples.phase_s - expected)) < 1e-9 * np.max(np.abs(expected))
