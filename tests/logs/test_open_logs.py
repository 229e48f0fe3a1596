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
    record = eb.read_log(open_data / f"crystal-with-temperature-{number}.csv.gz")
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
        ("gnss-clocks-300s.clk.gz", {}, "the RINEX file holds 158 clocks; choose one with --clock"),
        ("nine-year-quartz-clock.csv", {}, "'clock_s', 'clock_minus_ref_s' could all be the clock"),
        ("nine-year-quartz-clock.csv", {"columns": {"value": "clock_minus_ref_s"}}, "too uneven for a grid"),
        ("degradation-to-limit.csv", {}, "could all be the clock"),
    ],
)
def test_what_cannot_be_read_says_why(
    open_data: Path, name: str, options: dict[str, object], sentence: str
) -> None:
    """Files that are no even log of one clock are refused with the reason."""
    with pytest.raises(eb.LogError, match=sentence):
        eb.read_log(open_data / name, **options)
