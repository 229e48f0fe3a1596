"""Logs of many forms give back the numbers that were written."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import evenbeat as eb

OFFSETS = np.array([0.0, 1.3, -0.7, 2.1, 0.4, -1.1, 0.9, 0.2]) * 1e-3
HERTZ = 1e7 + OFFSETS
EXPECTED = (HERTZ - 1e7) / 1e7


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def read(tmp_path: Path, content: str | bytes, **options: object) -> eb.Record:
    """Write and read a log."""
    path = tmp_path / "log.txt"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return eb.read_log(path, **options)


@pytest.mark.parametrize("separator", [",", ";", "\t", " ", "   ", " | ", ", "])
@pytest.mark.parametrize("header", [True, False])
def test_separators(tmp_path: Path, separator: str, header: bool) -> None:
    """Every usual separator is found, with header or without."""
    lines = [f"{10 * k}{separator}{f:.4f}" for k, f in enumerate(HERTZ)]
    if header:
        lines.insert(0, f"elapsed_s{separator}frequency_hz")

    record = read(tmp_path, "\n".join(lines) + "\n", nominal_frequency_hz=1e7)

    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-16)
    assert record.interval_s == 10.0
    assert ("ASSUMED_TIME_COLUMN" in codes(record)) != header


@pytest.mark.parametrize("separator", [";", "\t", " "])
def test_decimal_comma(tmp_path: Path, separator: str) -> None:
    """Decimal commas are recognised and reported."""
    lines = [f"{10 * k}{separator}{f:.4f}".replace(".", ",") for k, f in enumerate(HERTZ)]
    record = read(tmp_path, f"elapsed_s{separator}frequency_hz\n" + "\n".join(lines))
    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-16)
    assert "DECIMAL_COMMA" in codes(record)


def test_text_columns_are_passed_over(tmp_path: Path) -> None:
    """A column of words in front of or behind the numbers is no obstacle."""
    content = "status,elapsed_s,frequency_hz,remark\n" + "".join(
        f"ok,{10 * k},{f:.4f},steady\n" for k, f in enumerate(HERTZ)
    )
    record = read(tmp_path, content, nominal_frequency_hz=1e7)
    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-16)
    assert record.interval_s == 10.0


def test_single_column_with_decimal_comma(tmp_path: Path) -> None:
    """A comma that only ever separates the same whole number from digits is a decimal mark."""
    record = read(tmp_path, "\n".join(f"{f:.4f}".replace(".", ",") for f in HERTZ + 0.5), interval_s=1)
    np.testing.assert_allclose(record.values, EXPECTED + 0.5e-7, rtol=1e-6)


@pytest.mark.parametrize(
    "content",
    [
        "\ufeffelapsed_s,frequency_hz\n{rows}",
        "# a comment\n% another\n// third\nelapsed_s,frequency_hz\n{rows}",
        "Report of the bench\n\nwritten by hand, twice\n\nelapsed_s,frequency_hz\n{rows}",
        "elapsed_s,frequency_hz,\n{trailing}",
        "elapsed_s,frequency_hz\n{trailing}",
        "elapsed_s,frequency_hz{rows}",
        "# elapsed_s,frequency_hzelapsed_s,frequency_hz\n{rows}",
        '"elapsed_s","frequency_hz"\n{quoted}',
        "elapsed [s] ; frequency [Hz]\n{semicolons}",
        "elapsed_s,frequency_hz\n{spaced}",
    ],
)
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\n\n"])
def test_headers_and_line_ends(tmp_path: Path, content: str, newline: str) -> None:
    """Comments, prose, marks, quotes, trailing separators and lost line ends do not change a number."""
    pairs = [(10 * k, f"{f:.4f}") for k, f in enumerate(HERTZ)]
    text = content.format(
        rows="\n".join(f"{t},{f}" for t, f in pairs),
        trailing="\n".join(f"{t},{f}," for t, f in pairs),
        quoted="\n".join(f'"{t}","{f}"' for t, f in pairs),
        semicolons="\n".join(f"{t} ; {f}" for t, f in pairs),
        spaced="\n".join(f" {t} , {f}  " for t, f in pairs),
    )
    record = read(tmp_path, text.replace("\n", newline).encode(), nominal_frequency_hz=1e7)
    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-16)
    assert record.interval_s == 10.0
    assert not codes(record) & {"ASSUMED_QUANTITY", "ASSUMED_TIME_COLUMN"}


def test_gzip_is_known_by_its_bytes_and_hashed_as_stored(tmp_path: Path) -> None:
    """A gzip file of any name is unpacked; its hash is that of the bytes on disk."""
    import hashlib

    packed = gzip.compress(("frequency_hz\n" + "\n".join(f"{f:.4f}" for f in HERTZ)).encode())
    record = read(tmp_path, packed, interval_s=1)
    assert record.source is not None
    assert record.source.sha256 == hashlib.sha256(packed).hexdigest()
    assert (record.source.size_bytes, record.source.rows) == (len(packed), len(HERTZ))


@pytest.mark.parametrize(
    "missing",
    ["None", "NaN", "nan", "OVLD", "---", "", "n/a", "null", "9.91E+37", "+9.910000E37", "-9.9E+37"],
)
def test_missing_readings_become_nan_and_are_counted(tmp_path: Path, missing: str) -> None:
    """Known texts for a missing reading are NaN, and the finding counts them.

    9.91E37 is not a number, 9.9E37 infinity: SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5.
    """
    cells = [f"{f:.4f}" for f in HERTZ]
    cells[2] = cells[5] = missing
    record = read(tmp_path, "elapsed_s,frequency_hz\n" + "\n".join(f"{k},{c}" for k, c in enumerate(cells)))
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(record.values)), [2, 5])
    (finding,) = [f for f in record.findings if f.code == "MISSING_READINGS"]
    assert finding.values["missing"] == 2
    assert record.resolution == pytest.approx(1e-11)


def test_exponents_with_three_digits(tmp_path: Path) -> None:
    """Exponents such as +2.7E-007 are numbers."""
    record = read(tmp_path, "+2.7E-007\n-1.0E-007\n+3.5e-008\n", quantity="phase", unit="s", interval_s=1)
    np.testing.assert_array_equal(record.values, [2.7e-7, -1.0e-7, 3.5e-8])


@pytest.mark.parametrize(
    ("header", "factor", "kind"),
    [
        ("phase (ns)", 1e-9, "phase"),
        ("time_error_us", 1e-6, "phase"),
        ("time interval [ps]", 1e-12, "phase"),
        ("fractional frequency [ppb]", 1e-9, "frequency"),
        ("offset_ppm", 1e-6, "frequency"),
        ("y [1]", 1.0, "frequency"),
        ("freq offset [1e-11]", 1e-11, "frequency"),
    ],
)
def test_units_in_the_header(tmp_path: Path, header: str, factor: float, kind: str) -> None:
    """Quantity and unit stated in a column name need no option and no finding."""
    record = read(tmp_path, f"{header}\n0.015\n-0.0225\n0.03125\n0.005\n", interval_s=1)
    assert record.kind == kind
    np.testing.assert_allclose(record.values, np.array([0.015, -0.0225, 0.03125, 0.005]) * factor, rtol=1e-15)
    assert "ASSUMED_QUANTITY" not in codes(record)


def test_period_is_turned_into_frequency(tmp_path: Path) -> None:
    """A period shorter than nominal is a fast clock: y = nominal period / period - 1."""
    periods = 1e-7 / (1 + np.array([1e-8, -2e-8, 3e-8, 0.5e-8]))
    record = read(tmp_path, "period_ns\n" + "\n".join(f"{p * 1e9:.12f}" for p in periods), interval_s=1)
    np.testing.assert_allclose(record.values, [1e-8, -2e-8, 3e-8, 0.5e-8], atol=1e-14)
    assert record.nominal_frequency_hz == pytest.approx(1e7)
    assert "ASSUMED_NOMINAL" in codes(record)


def test_reading_of_the_reference_turns_the_sign(tmp_path: Path) -> None:
    """A fast timebase reads a true 10 MHz low: 9 999 998.7 Hz means +1.30000017e-7 (exact fraction)."""
    content = (
        "# sign: a reading above nominal means that the timebase is slow\nfrequency_hz\n" + "9999998.7\n" * 4
    )
    record = read(tmp_path, content, interval_s=1, nominal_frequency_hz=1e7)
    np.testing.assert_allclose(record.values, 1e7 / 9999998.7 - 1, rtol=1e-7)
    assert "TURNED_SIGN" in codes(record)
    same = read(tmp_path, "frequency_hz\n" + "9999998.7\n" * 4, interval_s=1, reading_of="reference")
    np.testing.assert_array_equal(same.values, record.values)


def test_frequency_near_10_mhz_is_an_assumption_with_its_option(tmp_path: Path) -> None:
    """Bare numbers near 1e7 are taken as hertz of a 10 MHz source, in the open."""
    record = read(tmp_path, "\n".join(f"{f:.4f}" for f in HERTZ), interval_s=1)
    (finding,) = [f for f in record.findings if f.code == "ASSUMED_QUANTITY"]
    assert finding.severity == "caution"
    assert "--quantity" in finding.sentence
    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-16)


def test_comment_lines_state_what_the_log_is(tmp_path: Path) -> None:
    """Comments of the form key: value replace every option."""
    content = (
        "# quantity: frequency\n# unit: kHz\n# nominal frequency: 10 MHz\n# interval: 10 s\n# gate: 5 s\n"
        "# reference: a caesium standard\n" + "\n".join(f"{f / 1000:.7f}" for f in HERTZ)
    )
    record = read(tmp_path, content)
    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-15)
    assert (record.interval_s, record.gate_s) == (10.0, 5.0)
    assert record.reference == "a caesium standard"
    assert not codes(record) & {"ASSUMED_QUANTITY", "ASSUMED_NOMINAL", "ASSUMED_UNIT"}


def test_covariates_become_celsius_and_unused_columns_are_named(tmp_path: Path) -> None:
    """Temperatures are kept in degrees Celsius; other columns of numbers are named in a finding."""
    content = "elapsed_s,frequency_hz,oven temperature [K],room_temp_f,channel\n" + "".join(
        f"{k},{f:.4f},{350 + k},{68 + 9 * k},3\n" for k, f in enumerate(HERTZ)
    )
    record = read(tmp_path, content)
    assert set(record.covariates) == {"oven_temperature_c", "room_temperature_c"}
    np.testing.assert_allclose(record.covariates["oven_temperature_c"], 76.85 + np.arange(8))
    np.testing.assert_allclose(record.covariates["room_temperature_c"], 20 + 5 * np.arange(8), rtol=1e-12)
    (finding,) = [f for f in record.findings if f.code == "UNUSED_COLUMNS"]
    assert "'channel'" in finding.sentence


def test_columns_are_chosen_by_name_or_position(tmp_path: Path) -> None:
    """Roles may be given by header name or zero-based position."""
    content = "a,b,c\n" + "".join(f"{f:.4f},{k},{20 + k}\n" for k, f in enumerate(HERTZ))
    options = {"quantity": "frequency", "unit": "Hz", "nominal_frequency_hz": 1e7}
    by_name = read(
        tmp_path, content, columns={"value": "a", "time": "b", "room_temperature_c": "c"}, **options
    )
    by_place = read(tmp_path, content, columns={"value": 0, "time": 1, "room_temperature_c": 2}, **options)
    np.testing.assert_allclose(by_name.values, EXPECTED, rtol=1e-6, atol=1e-16)
    np.testing.assert_array_equal(by_name.values, by_place.values)
    np.testing.assert_array_equal(by_place.covariates["room_temperature_c"], 20.0 + np.arange(8))


def stamps_of(form: str) -> list[str]:
    """Return eight moments ten seconds apart from 2026-03-01T12:00:00 UTC, by the standard library."""
    moments = [datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC).timestamp() + 10 * k for k in range(8)]
    writers = {
        "iso_z": lambda s: datetime.fromtimestamp(s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "iso_offset": lambda s: datetime.fromtimestamp(s + 7200, UTC).strftime("%Y-%m-%dT%H:%M:%S+02:00"),
        "iso_blank": lambda s: datetime.fromtimestamp(s, UTC).strftime("%Y-%m-%d %H:%M:%S"),
        "slashes": lambda s: datetime.fromtimestamp(s, UTC).strftime("%Y/%m/%d %H:%M:%S"),
        "fraction": lambda s: datetime.fromtimestamp(s, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "unix_s": lambda s: f"{s:.2f}",
        "unix_ms": lambda s: f"{s * 1000:.0f}",
        "unix_ns": lambda s: f"{int(s) * 10**9}",
        "mjd": lambda s: f"{40587 + s / 86400:.9f}",  # 40587 is the MJD of 1970-01-01 (IAU definition)
    }
    return [writers[form](s) for s in moments]


@pytest.mark.parametrize(
    ("form", "name"),
    [
        ("iso_z", "utc"),
        ("iso_offset", "time"),
        ("iso_blank", "time"),
        ("slashes", "date"),
        ("fraction", "timestamp"),
        ("unix_s", "unix time"),
        ("unix_s", "time"),
        ("unix_ms", "time"),
        ("unix_ns", "timestamp"),
        ("mjd", "MJD"),
    ],
)
@pytest.mark.parametrize("separator", [",", "\t"])
def test_time_forms(tmp_path: Path, form: str, name: str, separator: str) -> None:
    """Every form of time gives the same start and interval."""
    lines = [f"{t}{separator}{f:.4f}" for t, f in zip(stamps_of(form), HERTZ, strict=True)]
    record = read(tmp_path, f"{name}{separator}frequency_hz\n" + "\n".join(lines))
    assert record.start is not None
    error = abs(record.start - np.datetime64("2026-03-01T12:00:00", "ns")) / np.timedelta64(1, "ns")
    assert error <= (50_000 if form == "mjd" else 1_000)  # nine decimals of a day are 86 µs
    assert record.interval_s == 10.0
    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-16)


def test_date_and_time_in_two_cells(tmp_path: Path) -> None:
    """Date and time of day in two cells are one moment."""
    lines = [f"{t.replace(' ', ',')},{f:.4f}" for t, f in zip(stamps_of("iso_blank"), HERTZ, strict=True)]
    record = read(tmp_path, "date,time,frequency_hz\n" + "\n".join(lines))
    assert record.start == np.datetime64("2026-03-01T12:00:00")
    np.testing.assert_allclose(record.values, EXPECTED, rtol=1e-6, atol=1e-16)


def test_local_time_is_a_finding_and_a_zone_resolves_it(tmp_path: Path) -> None:
    """Stamps without zone are reported; a named zone shifts them (Oslo is UTC+1 in winter, IANA data)."""
    lines = [f"{t},{f:.4f}" for t, f in zip(stamps_of("iso_blank"), HERTZ, strict=True)]
    content = "time,frequency_hz\n" + "\n".join(lines)
    assert "NO_TIME_ZONE" in codes(read(tmp_path, content))
    zoned = read(tmp_path, content, time_zone="Europe/Oslo")
    assert zoned.start == np.datetime64("2026-03-01T11:00:00")
    assert "NO_TIME_ZONE" not in codes(zoned)
    with pytest.raises(eb.LogError, match="time zone 'Atlantis' is not known"):
        read(tmp_path, content, time_zone="Atlantis")


@pytest.mark.parametrize(
    ("cells", "step"),
    [
        (["10000000.1", "10000000.2", "10000000.1", "10000000.4"], 1e-8),
        (["10000000.125", "10000000.250", "10000000.375", "10000000.625"], 1.25e-8),
        (["10000000", "10000002", "10000004", "10000010"], 2e-7),
    ],
)
def test_display_step_from_digits_and_differences(tmp_path: Path, cells: list[str], step: float) -> None:
    """The display step is the common divisor of the differences, at least the last digit."""
    record = read(tmp_path, "frequency_hz\n" + "\n".join(cells * 5), interval_s=1, nominal_frequency_hz=1e7)
    assert record.resolution == pytest.approx(step, rel=1e-6)


@pytest.mark.parametrize("exponent", ["-400", "-" + "9" * 400])
def test_an_exponent_beyond_arithmetic_is_no_display_step(tmp_path: Path, exponent: str) -> None:
    """The reading is zero, as far as a float can tell; the step is that of the others."""
    cells = ["1.5e-9", "2.5e-9", "3.25e-9", f"1e{exponent}"]
    record = read(tmp_path, "fractional_frequency\n" + "\n".join(cells * 5), interval_s=1)
    assert record.values[3] == 0.0


@pytest.mark.parametrize("values", [["1e-13", "1e-13", "2e-13"], ["0", "01e-9", "1e-9"]])
def test_a_header_of_two_names_tells_a_comma_from_a_decimal_comma(tmp_path: Path, values: list[str]) -> None:
    """``0,1e-13`` under ``elapsed_s,phase_s`` is two cells; without a header it would be one number."""
    rows = "\n".join(f"{k},{value}" for k, value in enumerate(values))
    np.testing.assert_array_equal(
        read(tmp_path, f"elapsed_s,phase_s\n{rows}").values, [float(v) for v in values]
    )


finite = st.floats(min_value=-1e-3, max_value=1e-3, allow_nan=False)
usual = st.floats(1e-9, 1e-3).flatmap(lambda size: st.sampled_from([size, -size]))  # no lone exponent


@given(values=st.lists(usual, min_size=3, max_size=40), separator=st.sampled_from([",", ";", "\t", "|"]))
def test_written_floats_come_back_bit_exact(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], separator: str
) -> None:
    """Phase written with repr is read back without losing a bit."""
    path = tmp_path_factory.mktemp("exact") / "log"
    path.write_text(
        f"elapsed_s{separator}phase_s\n" + "".join(f"{k}{separator}{v!r}\n" for k, v in enumerate(values))
    )
    np.testing.assert_array_equal(eb.read_log(path).values, np.array(values))
