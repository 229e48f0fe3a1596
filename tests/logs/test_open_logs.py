"""Open measured logs are read, or say exactly what they need; figures from their SOURCES.md."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def test_oven_oscillator_frequency(open_data: Path) -> None:
    """oven-oscillator-frequency: 19 982 rows, 1 s; a single column of hertz is assumed in the open."""
    record = eb.read_log(open_data / "oven-oscillator-frequency.txt.gz", interval_s=1)
    assert (record.kind, len(record), record.interval_s) == ("frequency", 19_982, 1.0)
    assert {"ASSUMED_QUANTITY", "ASSUMED_NOMINAL"} <= codes(record)
    assert record.values[0] == pytest.approx(1.26856699585915e-8, rel=1e-6)  # the first line of the file


def test_caesium_phase_states_itself(open_data: Path) -> None:
    """caesium-vs-maser-phase: 556 990 rows; quantity, unit and interval are read from its comments."""
    record = eb.read_log(open_data / "caesium-vs-maser-phase.txt.gz")
    assert (record.kind, len(record), record.interval_s) == ("phase", 556_990, 1.0)
    assert record.values[0] == 7.64278624201e-07


@pytest.mark.parametrize(("number", "rows"), [(1, 7563), (2, 8397), (3, 24_489), (4, 10_748)])
def test_crystals_with_temperature(open_data: Path, number: int, rows: int) -> None:
    """crystal-with-temperature: a header written twice without line end, Unix time, computer stalls."""
    nominal_hz = 11.06e6 if number == 1 else 10.14e6
    path = open_data / f"crystal-with-temperature-{number}.csv.gz"
    record = eb.read_log(path, nominal_frequency_hz=nominal_hz)
    assert (record.kind, len(record), record.missing) == ("frequency", rows, 0)
    assert record.interval_s == pytest.approx(1.0, rel=1e-3)
    assert (
        5 < np.nanmin(record.covariates["temperature_c"]) < np.nanmax(record.covariates["temperature_c"]) < 97
    )
    assert record.start is not None
    assert str(record.start)[:10] == "2017-02-22"


def test_ratio_with_decimal_comma(open_data: Path) -> None:
    """ratio-decimal-comma-quantised: 66 549 rows, step 6.25e-9, repeated and skipped seconds."""
    path = open_data / "ratio-decimal-comma-quantised.csv.gz"
    with pytest.raises(eb.LogError, match="nothing says what the readings of column 'Column2'"):
        eb.read_log(path)
    record = eb.read_log(path, quantity="frequency_ratio")
    assert record.source is not None
    assert (record.source.rows, record.interval_s) == (66_549, 1.0)
    assert record.resolution == pytest.approx(6.25e-9, rel=1e-3)
    assert {"IRREGULAR_TIMES", "NO_TIME_ZONE", "DECIMAL_COMMA"} <= codes(record)


def test_interval_errors_as_multiples(open_data: Path) -> None:
    """second-interval-errors-missed-pulses: CRLF, no header; a negative multiplier turns the sign."""
    record = eb.read_log(
        open_data / "second-interval-errors-missed-pulses.txt.gz",
        quantity="fractional_frequency",
        unit="-1e-6",
        interval_s=1,
    )
    assert len(record) == 253_241
    assert record.values[0] == pytest.approx(-6688e-6)


def test_module_clock_needs_its_columns(open_data: Path) -> None:
    """module-clock-vs-computer: two time columns are named; once chosen, the text None is no obstacle."""
    path = open_data / "module-clock-vs-computer.csv.gz"
    with pytest.raises(eb.LogError, match="'Actual Time', 'Measured Time' could all be the time"):
        eb.read_log(path)
    record = eb.read_log(path, columns={"time": "Actual Time", "value": "PPM"})
    assert record.interval_s == pytest.approx(1.0, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "options", "sentence"),
    [
        ("gnss-clocks-300s.clk.gz", {}, "the RINEX file holds 158 clocks; choose one with --set clock"),
        ("nine-year-quartz-clock.csv", {}, "'clock_s', 'clock_minus_ref_s' could all be the clock"),
        ("degradation-to-limit.csv", {}, "could all be the clock"),
    ],
)
def test_what_cannot_be_read_says_why(
    open_data: Path, name: str, options: dict[str, object], sentence: str
) -> None:
    """Files that are no even log of one clock are refused with the reason."""
    with pytest.raises(eb.LogError, match=sentence):
        eb.read_log(open_data / name, **options)


NEEDED: dict[str, tuple[dict[str, object], str]] = {
    "caesium-vs-maser-phase.txt.gz": ({}, ""),
    "counter-floor-time-interval.txt.gz": ({}, ""),
    "oven-oscillator-frequency.txt.gz": ({"interval_s": 1}, "--interval"),
    "crystal-with-temperature-1.csv.gz": ({"nominal_frequency_hz": 11.06e6}, "--nominal-frequency"),
    **{
        f"crystal-with-temperature-{k}.csv.gz": ({"nominal_frequency_hz": 10.14e6}, "--nominal-frequency")
        for k in (2, 3, 4)
    },
    "ratio-decimal-comma-quantised.csv.gz": ({"quantity": "frequency_ratio"}, "--quantity"),
    "second-interval-errors-missed-pulses.txt.gz": (
        {"quantity": "interval_error", "unit": "-us", "interval_s": 1, "reading_of": "reference"},
        "--quantity",
    ),
    "module-clock-vs-computer.csv.gz": ({"columns": {"time": "Actual Time"}}, "--column time="),
    "gnss-clocks-300s.clk.gz": ({"clock": "AMC2"}, "--set clock"),
    "nine-year-quartz-clock.csv": (
        {"columns": {"value": "clock_minus_ref_s", "time": None}, "interval_s": 5e6},
        "--column value=",
    ),
    "oscillator-change-clock.csv": (
        {"columns": {"value": "clock_minus_ref_s", "time": None}, "interval_s": 5e6},
        "--column value=",
    ),
    "degradation-to-limit.csv": (
        {"columns": {"value": "increase", "time": None}, "quantity": "phase", "unit": "s", "interval_s": 1},
        "--column value=",
    ),
    "found-state-at-inspection.csv": (
        {"columns": {"value": "failed", "time": None}, "quantity": "phase", "unit": "s", "interval_s": 1},
        "--column value=",
    ),
    "interval-censored.csv": (
        {"columns": {"value": "left", "time": None}, "quantity": "phase", "unit": "s", "interval_s": 1},
        "--column value=",
    ),
}
"""Each open file with the options that it needs, and the option that its refusal must name."""


@pytest.mark.grid(3)
@pytest.mark.parametrize("name", sorted(NEEDED))
def test_every_open_file_is_read_or_says_what_it_needs(open_data: Path, name: str) -> None:
    """Without help a file is read, or one sentence names the option; with that option it is read."""
    options, needed = NEEDED[name]
    path = open_data / name
    if needed:
        with pytest.raises(eb.LogError, match=needed) as caught:
            eb.read_log(path)
        assert "\n" not in str(caught.value)
    record = eb.read_log(path, **options)
    assert np.isfinite(record.values).any()
    seen = eb.inspect_log(path)
    assert seen.readable == (not needed)
    assert needed in seen.needs


def test_no_open_file_is_forgotten(open_data: Path) -> None:
    """Every data file in the folder is among those tried."""
    there = {path.name for path in open_data.iterdir() if path.suffix != ".md"}
    assert there == set(NEEDED)


def test_interval_errors_are_of_a_slow_resonator(open_data: Path) -> None:
    """6688 of a million microseconds missing in a true second: the resonator is 6688e-6 slow."""
    record = eb.read_log(
        open_data / "second-interval-errors-missed-pulses.txt.gz",
        **NEEDED["second-interval-errors-missed-pulses.txt.gz"][0],
    )
    assert record.values[0] == pytest.approx(-6688e-6)
