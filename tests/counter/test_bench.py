"""The check of a counter: the demo sheet against its truth, simulated sheets, and sheets that are wrong."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest

from evenbeat.counter.bench import BenchCheck, bench_check
from evenbeat.counter.sheet import blank_sheet, read_sheet
from evenbeat.deviations.estimators import stability
from evenbeat.deviations.separation import without_reference
from evenbeat.errors import InputError, LogError
from evenbeat.powerlaw import NoiseLevels, simulate_clock

DATA = Path(__file__).resolve().parents[2] / "data"
SHEET = DATA / "counter-check-readings.csv"
TRUTH = json.loads((DATA / "truth.json").read_text())["files"]["counter-check-readings.csv"]["truth"]


@pytest.fixture(scope="module")
def check() -> BenchCheck:
    """Return the check of the invented demo counter."""
    return bench_check(SHEET)


def codes(check: BenchCheck) -> set[str]:
    """Return the codes of all findings."""
    return {finding.code for finding in check.findings}


def written(
    path: Path, *rows: str, head: str = "# permitted: 1e-6 of the reading plus one least digit"
) -> Path:
    """Write a sheet with these rows and return its path."""
    columns = "function,applied,unit,gate_s,periods,pulses_per_revolution,level_v,least_digit,reading"
    path.write_text("\n".join((head, columns, *rows)) + "\n", encoding="utf-8")
    return path


def test_timebase_of_the_demo_counter(check: BenchCheck) -> None:
    """The true offset (data/truth.json) lies within two standard uncertainties, and the sign is right."""
    truth = TRUTH["timebase_fractional_frequency"]
    offset = check.timebase_offset
    assert abs(offset.value - truth) < 2 * offset.standard_uncertainty
    assert offset.value < -5 * offset.standard_uncertainty
    assert offset.standard_uncertainty < 5e-9


def test_lost_counts_of_the_demo_counter(check: BenchCheck) -> None:
    """The totalise point at 20 mV lost about 40 counts (data/truth.json) and fails; at 1 V it passes."""
    by_level = {p.point.level_v: p for p in check.points if p.point.function == "totalise"}
    lost = [f for f in check.findings if f.code == "MISCOUNT"]
    assert len(lost) == 1
    assert "lost" in lost[0].sentence
    assert lost[0].values["counts"] == pytest.approx(-40, abs=12)
    assert by_level[0.02].verdict == "fail"
    assert by_level[1.0].verdict == "pass"
    assert check.verdict == "fail"


def test_slow_single_periods_cannot_tell(check: BenchCheck) -> None:
    """A single period of a slow sine carries trigger error, not timebase error: no statement."""
    silent = [p for p in check.points if p.verdict == "no statement"]
    assert {(p.point.applied, p.point.periods) for p in silent} == {(1.0, 1), (0.02, 1), (0.02, 50)}
    assert {p.deviation.limited_by for p in silent} == {"trigger"}


def test_functions_that_disagree_are_the_miscounted_ones(check: BenchCheck) -> None:
    """Frequency and totalise read the same 1 MHz and differ only where counts were lost."""
    assert check.disagreements
    assert {pair[1].level_v for pair in check.disagreements} == {0.02}


def simulated_rows(offset: float, generator: np.random.Generator) -> list[str]:
    """Return rows of a free-running counter whose timebase is off by ``offset``."""
    rows = []
    for applied in (12345.678, 1e6 / 7, 3.3333333e6):
        for gate in (1.0, 10.0):
            counts = [math.floor(applied * gate / (1 + offset) + generator.uniform()) for _ in range(5)]
            rows += [f"frequency,{applied!r},Hz,{gate},,,1,{1 / gate},{count / gate!r}" for count in counts]
        period = 1 / applied
        ticks = [math.floor(period * 1000 * (1 + offset) / 1e-7 + generator.uniform()) for _ in range(5)]
        rows += [f"period,{period!r},s,,1000,,1,1e-10,{tick * 1e-10!r}" for tick in ticks]
    return rows


@pytest.mark.slow
def test_timebase_offset_is_covered(tmp_path: Path) -> None:
    """Of 120 simulated sheets the 95 % interval holds the true offset in 91 % or more (3 sigma: 89 %)."""
    generator = np.random.default_rng(11)
    held = 0
    for _ in range(120):
        offset = generator.normal(0, 3e-7)
        head = "# permitted: 1e-6\n# clock tick: 100 ns\n# count: free"
        sheet = written(tmp_path / "sheet.csv", *simulated_rows(offset, generator), head=head)
        low, high = bench_check(sheet).timebase_offset.interval(0.95)
        held += low <= offset <= high
    assert held / 120 >= 0.91


def test_rpm_frequency_and_period_of_one_signal(tmp_path: Path) -> None:
    """1 MHz is 1 µs, 500 kHz 2 µs, 300 kHz 18 000 000 rpm (common practice): all read as applied."""
    sheet = written(
        tmp_path / "one.csv",
        "frequency,1,MHz,1,,,1,1e-6,1.000000",
        "period,1,us,,1000,,1,0.0001,1.0000",
        "frequency,500,kHz,1,,,1,0.001,500.000",
        "period,2,us,,1000,,1,0.0001,2.0000",
        "frequency,300,kHz,1,,,1,0.001,300.000",
        "rpm,18000000,rpm,1,,1,1,60,18000000",
    )
    made = bench_check(sheet, clock_tick_s=1e-7)
    assert made.verdict == "pass"
    assert not made.disagreements
    frequencies = [p.point.event_frequency_hz for p in made.points]
    assert frequencies == pytest.approx([1e6, 1e6, 5e5, 5e5, 3e5, 3e5])


def test_ten_second_gate_resolves_a_tenth_of_a_hertz(tmp_path: Path) -> None:
    """A tenth of a hertz is one count in 10 s; 0.01 Hz in 10 MHz is 1e-9 (common practice)."""
    sheet = written(tmp_path / "gate.csv", "frequency,1e7,Hz,10,,,1,0.1,10000000.1")
    point = bench_check(sheet, count_law="bound", reference_uncertainty=0.01 / 1e7).points[0]
    parts = {c.name: c.standard_uncertainty for c in point.deviation.contributions}
    assert parts == pytest.approx({"count": 0.1, "reference": 0.01})


def test_every_row_of_the_table_is_told_from_the_others(demo_data: Path) -> None:
    """Points in units that fit them, counts in full; what tells two alike points apart is in the table."""
    text = str(bench_check(demo_data / "counter-check-readings.csv"))
    table = text[text.index("\nfrequency\n") : text.index("\n[")]
    titles = [re.split(r" {2,}", line.strip())[0] for line in table.splitlines() if line.startswith(" ")]
    assert len(titles) == len(set(titles)) == 28
    assert "10\N{NO-BREAK SPACE}000\N{NO-BREAK SPACE}000, gate 10 s, 0.02 V" in titles
    assert "e+0" not in table
    assert "e-0" not in table
    assert max(map(len, table.splitlines())) <= 80


def test_common_reference_does_not_average(tmp_path: Path) -> None:
    """However many points, the offset is never better than the reference."""
    rows = [f"frequency,1e7,Hz,10,,,1,0.1,{1e7 + 0.1 * k:.1f}" for k in range(3)] * 1
    sheet = written(tmp_path / "reference.csv", *rows)
    made = bench_check(sheet, reference_uncertainty=1e-7)
    assert made.timebase_offset.standard_uncertainty >= 1e-7


def test_rated_range(check: BenchCheck) -> None:
    """A range that no reading showed, and points beyond it, are cautions."""
    wide = bench_check(SHEET, rated_hz=(10.0, 1e8))
    narrow = bench_check(SHEET, rated_hz=(100.0, 1e6))
    assert check.usable_hz == (50.0, 1e7)
    assert "RATED_RANGE_NOT_SHOWN" in codes(wide)
    assert "BEYOND_RATED_RANGE" in codes(narrow)


def test_locked_source_says_nothing_about_the_timebase() -> None:
    """With source and counter on one timebase there is no offset to state."""
    made = bench_check(SHEET, locked=True)
    assert made.timebase_offset is None
    assert "TIMEBASE_CANCELS" in codes(made)


def test_result_prints_and_writes_itself(check: BenchCheck) -> None:
    """Text within 80 columns, a frame with a row per point, JSON without NaN."""
    assert max(len(line) for line in str(check).splitlines()) <= 80
    assert len(check.to_frame()) == len(check.points)
    assert json.loads(json.dumps(check.to_dict(), allow_nan=False))["verdict"] == "fail"


def test_blank_sheet_can_be_filled_and_read(tmp_path: Path) -> None:
    """Filling the column 'reading' with what was applied makes a sheet that passes."""
    text = blank_sheet(rated_hz=(10.0, 1e7), clock_tick_s=1e-7)
    filled = []
    for line in text.splitlines():
        cells = line.split(",")
        is_row = len(cells) == 9 and not line.startswith(("#", "function"))
        filled.append(line + cells[1] if is_row else line)
    path = tmp_path / "filled.csv"
    path.write_text("\n".join(filled) + "\n", encoding="utf-8")
    made = bench_check(path)
    assert made.verdict == "pass"
    assert made.facts.rated_hz == (10.0, 1e7)
    assert made.facts.clock_tick_s == pytest.approx(1e-7)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("speed,1,Hz,1,,,1,1,1", "line 3: function is 'speed'"),
        ("frequency,1,s,1,,,1,1,1", "line 3: unit is 's'; frequency needs Hz"),
        ("frequency,1,Hz,,,,1,1,1", "line 3: gate_s is empty"),
        ("frequency,-1,Hz,1,,,1,1,1", "line 3: applied is '-1'"),
        ("frequency,1,Hz,1,,,1,1,-1", "line 3: reading is -1"),
        ("frequency,1,Hz,1,,,1,1,one", "line 3: reading is 'one'"),
        ("period,1,s,,1.5,,1,1,1", "line 3: periods is 1.5"),
        ("frequency,1,Hz,1,,,1,1,1,9", "line 3: 10 cells"),
        ("frequency,1,furlong,1,,,1,1,1", "line 3: 'furlong' is not a known unit"),
        ("frequency,1,Hz,1,,,1,1,", "holds no reading"),
    ],
)
def test_bad_rows_are_named(tmp_path: Path, row: str, words: str) -> None:
    """A row that cannot be is refused with its number and what was found."""
    with pytest.raises(LogError, match=words):
        read_sheet(written(tmp_path / "bad.csv", row))


def test_nothing_permitted_is_refused(tmp_path: Path) -> None:
    """Without a limit there is nothing to judge by."""
    sheet = written(tmp_path / "none.csv", "frequency,1,Hz,1,,,1,1,1", head="# instrument: gull")
    with pytest.raises(InputError, match="nothing says what is permitted"):
        bench_check(sheet)


def test_unknown_columns_are_named(tmp_path: Path) -> None:
    """A misspelt column is named beside those that are known."""
    path = tmp_path / "columns.csv"
    path.write_text("function,aplied,reading\nfrequency,1,1\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"no column 'applied'; it needs .* and has function, aplied, reading"):
        read_sheet(path)


def test_empty_rows_are_counted(tmp_path: Path) -> None:
    """Rows without a reading are left out and said to be."""
    sheet = written(tmp_path / "half.csv", "frequency,1e6,Hz,1,,,1,1,1000000", "frequency,1e6,Hz,1,,,1,1,")
    assert "ROWS_EMPTY" in codes(bench_check(sheet))


@pytest.mark.parametrize(
    ("applied", "gate", "permitted"),
    [
        (50, 1, 1.00005),
        (1e3, 10, 0.101),
        (1e5, 1, 1.1),
        (1e6, 1, 2.0),
        (1e7, 1, 11),
        (1e7, 10, 10.1),
        (1e8, 1, 101),
    ],
)
def test_what_is_permitted_at_each_point(
    tmp_path: Path, applied: float, gate: float, permitted: float
) -> None:
    """A timebase within ±1e-6 and one least digit: f · 1e-6 + 1/T (arithmetic of the specification)."""
    sheet = written(tmp_path / "p.csv", f"frequency,{applied!r},Hz,{gate},,,1,{1 / gate!r},{applied!r}")
    assert bench_check(sheet).points[0].permitted == pytest.approx(permitted, rel=1e-12)


@pytest.mark.parametrize(("ratio", "bias"), [(2, 1.1180), (3, 1.0541), (5, 1.0198), (10, 1.0050)])
def test_a_reference_that_is_ignored(ratio: float, bias: float) -> None:
    """Allan deviation seen through a reference ``ratio`` times better: √(1 + 1/ratio²) too large."""
    curve = stability(
        simulate_clock(4096, interval_s=1.0, levels=NoiseLevels(white_fm=1e-22), seed=1), averaging=[8]
    )
    seen = float(curve.deviation[0])
    own = without_reference(curve, {8.0: seen / math.hypot(ratio, 1)})
    assert seen / float(own.deviation[0]) == pytest.approx(bias, abs=5e-5)


def test_columns_that_differ_from_row_to_row(tmp_path: Path) -> None:
    """Inputs are kept apart, a row's reference and ratings count, and a note is not read."""
    path = tmp_path / "inputs.csv"
    path.write_text(
        "# permitted: 1e-6 plus one least digit\n"
        "function,input,applied,gate_s,least_digit,reading,reference_uncertainty,rated_high_hz,rated_low_hz,note\n"
        "frequency,A,1e7,1,1,10000000,1e-9,1e8,10,first\n"
        "frequency,B,1e7,1,1,10000000,1e-7,1e6,10,past its rating\n",
        encoding="utf-8",
    )
    made = bench_check(path)
    assert [p.point.input for p in made.points] == ["A", "B"]
    references = [
        next(c.standard_uncertainty for c in p.deviation.contributions if c.name == "reference")
        for p in made.points
    ]
    assert references == pytest.approx([0.01, 1.0])
    beyond = next(f for f in made.findings if f.code == "BEYOND_RATED_RANGE")
    assert beyond.values["points"] == 1
    assert "input B" in beyond.sentence
