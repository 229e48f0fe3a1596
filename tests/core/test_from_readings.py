"""Readings in memory → record: units as people write them, moments from an index or epochs."""

from __future__ import annotations

import doctest

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb

FREQUENCY = np.array([1.0, 3.0, 2.0, 4.0, 2.0, 5.0]) * 1e-9
MINUTES = pd.date_range("2026-03-01", periods=6, freq="min")
SERIES = pd.Series(FREQUENCY * 1e9, index=MINUTES)


def readings(values: object = SERIES, **options: object) -> eb.Record:
    """Return the record of readings in parts per billion unless stated otherwise."""
    return eb.Record.from_readings(values, **{"unit": "ppb"} | options)


def test_the_example_runs() -> None:
    """What the docstring shows is what comes out."""
    (example,) = doctest.DocTestFinder(recurse=False).find(eb.Record.from_readings, "from_readings")
    assert len(example.examples) == 6
    assert doctest.DocTestRunner().run(example).failed == 0


@pytest.mark.parametrize(
    ("unit", "size"),
    [
        ("ppm", 1e-6),
        ("ppb", 1e-9),
        ("1e-9", 1e-9),
        ("1", 1.0),
        ("×10⁻¹¹", 1e-11),
        ("-ppb", -1e-9),
        ("ns/s", 1e-9),
    ],
)
def test_fractions_in_any_unit(unit: str, size: float) -> None:
    """A record of fractional frequencies, whatever they are counted in."""
    record = readings(FREQUENCY / size, unit=unit, interval_s=10.0)
    assert record.kind == "frequency"
    np.testing.assert_allclose(record.values, FREQUENCY, rtol=1e-12)


@pytest.mark.parametrize(
    ("unit", "size"), [("s", 1.0), ("us", 1e-6), ("µs", 1e-6), ("nsec", 1e-9), ("ps", 1e-12)]
)
def test_time_errors_in_any_unit(unit: str, size: float) -> None:
    """A record of phase."""
    record = readings(FREQUENCY / size, unit=unit, interval_s=10.0)
    assert record.kind == "phase"
    np.testing.assert_allclose(record.values, FREQUENCY, rtol=1e-12)


@pytest.mark.parametrize(("unit", "hertz"), [("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6), ("hertz", 1.0)])
def test_hertz_become_fractions_of_the_nominal_frequency(unit: str, hertz: float) -> None:
    """Within the last digit of a double: 1e-16 of the nominal frequency is 1e-7 of 1e-9."""
    record = readings(
        1e7 * (1 + FREQUENCY) / hertz, unit=unit, nominal_frequency_hz=1e7, interval_s=1.0, gate_s=0.5
    )
    np.testing.assert_allclose(record.values, FREQUENCY, rtol=1e-6)
    assert (record.nominal_frequency_hz, record.gate_s) == (1e7, 0.5)


def test_readings_and_a_log_of_them_are_one_record(tmp_path: object) -> None:
    """With a hole and late stamps: the same samples, interval, start, offsets and finding."""
    generator = np.random.default_rng(4)
    stamps = pd.date_range("2026-03-01", periods=300, freq="10s") + pd.to_timedelta(
        generator.integers(0, 300, 300), "ms"
    )
    hertz = pd.Series(1e7 + generator.normal(0, 1e-3, 300).round(6), index=stamps).drop(stamps[40:57])
    path = tmp_path / "log.csv"
    path.write_text("time,frequency [Hz]\n" + "".join(f"{t.isoformat()}Z,{f!r}\n" for t, f in hertz.items()))
    log = eb.read_log(path, nominal_frequency_hz=1e7)
    record = readings(hertz, unit="Hz", nominal_frequency_hz=1e7)

    np.testing.assert_array_equal(record.values, log.values)
    np.testing.assert_allclose(record.stamp_offset_s, log.stamp_offset_s, rtol=0, atol=1e-9)
    assert (record.interval_s, record.start, record.missing) == (log.interval_s, log.start, 17)
    gaps = [[dict(f.values) for f in found.findings if f.code == "GAPS"] for found in (record, log)]
    assert gaps[0] == gaps[1]
    assert len(gaps[0]) == 1


@pytest.mark.parametrize(
    ("epochs", "start"),
    [
        (MINUTES, "2026-03-01"),
        (MINUTES.to_numpy(), "2026-03-01"),
        (list(MINUTES.to_pydatetime()), "2026-03-01"),
        ([f"2026-03-01T00:0{k}:00Z" for k in range(6)], "2026-03-01"),
        (MINUTES.tz_localize("Europe/Oslo"), "2026-02-28T23:00"),
        (MINUTES.to_period("min"), "2026-03-01"),
        (MINUTES - MINUTES[0], None),
        (1.7e9 + 60.0 * np.arange(6), None),
        (range(0, 360, 60), None),
    ],
    ids=lambda value: type(value).__name__,
)
def test_epochs_as_people_have_them(epochs: object, start: str | None) -> None:
    """Seconds have no date; moments with a zone become UTC."""
    record = readings(FREQUENCY, unit="1", epochs=epochs)
    assert record.interval_s == 60
    assert record.start == (None if start is None else np.datetime64(start))
    assert record.missing == 0
    assert record.stamp_offset_s is None
    np.testing.assert_array_equal(record.values, FREQUENCY)


@pytest.mark.parametrize("interval", [0.1, 1 / 3, 10.001, 1e-3, 86400.0])
def test_the_interval_is_that_of_the_epochs(interval: float) -> None:
    """Even epochs mean what they say: no rounding beyond that of a double."""
    record = readings(np.tile(FREQUENCY, 20), epochs=7.0 + interval * np.arange(120))
    assert record.interval_s == pytest.approx(interval, rel=1e-9)
    assert record.stamp_offset_s is None
    assert not record.findings


def test_holes_are_missing_samples_with_a_finding() -> None:
    """Left out readings of the series and of a covariate stand as NaN in their place."""
    record = readings(SERIES.iloc[[0, 1, 4, 5]], covariates={"oven_c": SERIES.iloc[[0, 1, 4, 5]]})
    np.testing.assert_allclose(record.usable_values(without_steps=False) * 1e9, [1, 3, np.nan, np.nan, 2, 5])
    np.testing.assert_allclose(record.covariates["oven_c"], [1, 3, np.nan, np.nan, 2, 5])
    (finding,) = record.findings
    assert finding.code == "GAPS"
    assert dict(finding.values) == {"missing": 2, "gaps": 1, "longest_s": 120.0}


def test_what_is_missing_is_nan_however_it_is_written() -> None:
    """None, a masked array and a nullable column."""
    for values in (
        [1.0, None, 3.0],
        np.ma.masked_equal([1.0, 9.0, 3.0], 9.0),
        pd.Series([1, None, 3], dtype="Int64"),
        pd.DataFrame({"y": [1.0, None, 3.0]}),
    ):
        found = readings(values, interval_s=1.0).usable_values(without_steps=False)
        np.testing.assert_allclose(found * 1e9, [1, np.nan, 3])


def test_a_stated_interval_may_be_finer_than_the_usual_step() -> None:
    """Where a log was thinned for a while, the finer interval leaves samples missing."""
    epochs = np.array([0.0, 10.0, 20.0, 21.0, 22.0, 30.0])
    assert len(readings(FREQUENCY, epochs=epochs, interval_s=1.0)) == 31
    own = readings(FREQUENCY, epochs=[0.0, 10.0, 20.0, 21.0, 31.0, 41.0])
    (found,) = (finding for finding in own.findings if finding.code == "NO_GRID")
    assert "row 3 comes 1 s after the row before" in found.sentence


def test_stamps_with_jitter_are_on_the_grid_and_remembered() -> None:
    """A tenth of an interval is no irregular log; each stamp's distance from its place is kept."""
    jitter = np.array([0.0, 0.1, -0.1, 0.05, 0.0, -0.05])
    record = readings(FREQUENCY, unit="1", epochs=np.arange(6) + jitter)
    assert len(record) == 6
    np.testing.assert_allclose(
        record.stamp_offset_s, jitter + np.arange(6) * (1 - record.interval_s), atol=1e-12
    )


def test_index_and_epochs_that_agree() -> None:
    """The index of a table may be given for its column, and an interval that is right."""
    record = readings(SERIES, epochs=SERIES.index, interval_s=60.0, start="2026-03-01")
    assert (record.interval_s, record.start) == (60.0, np.datetime64("2026-03-01"))


SHIFTED = pd.Series(range(6), index=MINUTES + pd.Timedelta(1, "s"))


@pytest.mark.parametrize(
    ("values", "options", "sentence"),
    [
        (
            FREQUENCY,
            {"interval_s": 1.0, "unit": "Hz"},
            "readings in Hz need the nominal frequency; give nominal_freq",
        ),
        (
            FREQUENCY,
            {"interval_s": 1.0, "unit": "Hz", "nominal_frequency_hz": 1e7},
            "more than 2 % away from the nominal 10 MHz",
        ),
        (FREQUENCY, {"interval_s": 1.0, "unit": "volts"}, "'volts' is not a known unit; give s, ms"),
        (FREQUENCY, {}, "interval_s is not given; .* epochs"),
        (FREQUENCY, {"interval_s": -1.0}, "interval_s is -1.0; it must be a positive number"),
        (SERIES, {"interval_s": 0.0}, "interval_s is 0.0; it must be a positive number"),
        (
            SERIES,
            {"interval_s": 1.0},
            "the index of values is 60 s apart but interval_s is 1.0; leave",
        ),
        (SERIES, {"interval_s": 120.0}, "the index of values is 60 s apart but interval_s is 120"),
        (SERIES, {"interval_s": 61.0}, "the index of values is 60 s apart but interval_s is 61"),
        (
            SERIES,
            {"start": "2026-03-02"},
            "start is 2026-03-02T.* but the index of values begins at 2026-03-01T",
        ),
        (SERIES, {"epochs": SHIFTED.index}, "epochs is not the same as the index of values"),
        (SERIES.iloc[::-1], {}, "not in order: row 1 lies 60 s before row 0; sort"),
        (SERIES.iloc[[0, 1, 1, 2]], {}, "the same time twice, in rows 1 and 2; keep one"),
        (
            FREQUENCY,
            {"epochs": [0, 1, 2, 3.5, 4, 5], "interval_s": 1.0},
            "0.5 s apart but interval_s is 1.0; leave",
        ),
        (
            np.arange(40),
            {"epochs": np.cumsum(np.linspace(1, 1.15, 40)), "interval_s": 1},
            "apart but interval_s is 1; leave",
        ),
        (FREQUENCY, {"epochs": 10**18 + 10**9 * np.arange(6)}, r"158 years as seconds.*datetime64\[ns\]"),
        (
            FREQUENCY,
            {"epochs": [0, 1, 2, 3, 4, 1e6]},
            "epochs jumps by 11.6 d before row 5, .*; divide the samples there",
        ),
        (FREQUENCY, {"epochs": [0, 1, 2]}, "epochs has 3 entries for 6 readings"),
        (FREQUENCY, {"epochs": [0, 1, np.nan, 3, 4, 5]}, "epochs has no time in row 2"),
        (FREQUENCY, {"epochs": ["noon"] * 6}, "epochs cannot be read as times"),
        (FREQUENCY, {"epochs": [True] * 6}, "epochs holds true and false"),
        (
            SERIES.set_axis([0.0, 0.5, 1.0, 1.5, 2.0, 2.5]),
            {"interval_s": 1.0},
            "the index of values is 0.5 s apart but interval_s",
        ),
        (SERIES.set_axis(list("abcdef")), {"interval_s": 1.0}, "neither times nor numbers, but such as 'a'"),
        (pd.DataFrame({"f": FREQUENCY, "t": FREQUENCY}), {"interval_s": 1.0}, "columns f, t; give one"),
        (["1.5", "2"], {"interval_s": 1.0}, "holds text such as '1.5'; turn it into numbers"),
        ([[1.0, 2.0], [3.0, 4.0]], {"interval_s": 1.0}, "a row of numbers is needed"),
        ([[1.0, 2.0], [3.0]], {"interval_s": 1.0}, "not a row of numbers"),
        ([True, False], {"interval_s": 1.0}, "a row of numbers is needed"),
        ([None, None, None], {"interval_s": 1.0}, "all 3 samples .* missing"),
        ([1.0, np.inf, 2.0], {"interval_s": 1.0}, "infinite"),
        (SERIES.iloc[:1], {}, "1 readings; at least 2"),
        ([], {"epochs": []}, "0 readings; at least 2"),
        (
            FREQUENCY,
            {"interval_s": 1.0, "unit": "ns", "gate_s": 0.5},
            "gate_s is 0.5, but readings in ns are time",
        ),
        (FREQUENCY, {"interval_s": 1.0, "gate_s": 2.0}, "gate_s is 2.0, longer than the interval"),
        (
            SERIES,
            {"covariates": {"oven_c": SHIFTED}},
            "covariate 'oven_c' has another index than the samples",
        ),
        (SERIES, {"covariates": {"oven_c": [1.0]}}, "covariate 'oven_c' has 1 samples but the record has 6"),
    ],
)
def test_what_cannot_be_is_one_sentence(values: object, options: dict, sentence: str) -> None:
    """It names the argument, what was found and what would be accepted."""
    with pytest.raises(eb.InputError, match=sentence) as caught:
        readings(values, **options)
    assert "\n" not in str(caught.value)
