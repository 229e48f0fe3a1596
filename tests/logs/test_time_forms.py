"""Times of many forms give the same moments; expected values are from the standard library's calendar."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

START = datetime(2026, 2, 28, 23, 59, 40, tzinfo=UTC)
MOMENTS = [START + timedelta(seconds=10 * k) for k in range(8)]


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def read(tmp_path: Path, content: str, **options: object) -> eb.Record:
    """Write and read a log."""
    path = tmp_path / "log.txt"
    path.write_text(content)
    return eb.read_log(path, **options)


def phase_log(times: list[str], name: str, separator: str = ";") -> str:
    """Return a log of time errors that count up in nanoseconds."""
    rows = "".join(f"{time}{separator}{k}\n" for k, time in enumerate(times))
    return f"{name}{separator}phase_ns\n{rows}"


@pytest.mark.parametrize(
    "form",
    [
        "%d.%m.%Y %H:%M:%S",
        "%d/%m/%Y %H:%M:%S",
        "%m/%d/%Y %I:%M:%S %p",
        "%d-%b-%Y %H:%M:%S",
        "@%d-%b-%Y-%H:%M:%S",
        "%Y-%jT%H:%M:%SZ",
        "%Y:%j:%H:%M:%S",
        "%Y.%m.%d %H:%M:%S",
        "%Y-%m-%dT%H:%M:%S.%fZ",
        "%Y/%m/%d %H:%M:%S UTC",
    ],
)
def test_dates_of_every_order(tmp_path: Path, form: str) -> None:
    """Day first, month first, names of months and days of the year across the end of February."""
    record = read(tmp_path, phase_log([moment.strftime(form) for moment in MOMENTS], "time"))
    assert record.start == np.datetime64("2026-02-28T23:59:40")
    assert record.interval_s == 10.0
    np.testing.assert_allclose(record.values, np.arange(8) * 1e-9, rtol=1e-12)


def test_day_and_month_that_cannot_be_told_apart_are_asked_for(tmp_path: Path) -> None:
    """03/04/2026 is two dates: the line and the option are named, and the option decides."""
    content = phase_log([f"03/04/2026 12:00:{10 * k:02d}" for k in range(5)], "date")
    with pytest.raises(
        eb.LogError, match=r"line 2: nothing says whether the date '03/04/2026'.*--set date_order"
    ):
        read(tmp_path, content)
    assert read(tmp_path, content, date_order="day-first").start == np.datetime64("2026-04-03T12:00:00")
    assert read(tmp_path, content, date_order="month-first").start == np.datetime64("2026-03-04T12:00:00")


def test_dates_with_points_are_day_first_and_said_to_be(tmp_path: Path) -> None:
    """Points stand in dates with the day first (DIN 1355, from memory); the assumption is a finding."""
    record = read(tmp_path, phase_log([f"03.04.2026 12:00:{10 * k:02d}" for k in range(5)], "date"))
    assert record.start == np.datetime64("2026-04-03T12:00:00")
    assert "ASSUMED_DATE_ORDER" in codes(record)


def test_a_stated_order_that_contradicts_the_dates_is_refused(tmp_path: Path) -> None:
    """28/02/2026 cannot have the month first."""
    content = phase_log([f"28/02/2026 12:00:{10 * k:02d}" for k in range(5)], "date")
    with pytest.raises(eb.LogError, match="line 2: the date '28/02/2026' is day-first, but date_order"):
        read(tmp_path, content, date_order="month-first")


def test_unix_nanoseconds_keep_their_last_digit(tmp_path: Path) -> None:
    """Float64 is 256 ns coarse at 1.77e18; the start and every step come back exactly."""
    first, step = 1_772_323_180_123_456_789, 1_000_000_007
    record = read(tmp_path, phase_log([str(first + k * step) for k in range(9)], "unix_ns"))
    assert record.start == np.datetime64(first, "ns")
    assert record.interval_s == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("{ns}", "unix_ns"),
        ("{us}", "unix_us"),
        ("{ms}", "unix_ms"),
        ("{s}.{fraction:09d}", "unix_s"),
        ("{mjd}.{day_fraction}", "mjd"),
    ],
)
def test_every_digit_of_a_written_time_counts(tmp_path: Path, written: str, name: str) -> None:
    """Unix time in four units and MJD with 18 decimals give the same start (integer arithmetic)."""
    first = 1_772_323_180_123_456_000
    lines = []
    for k in range(5):
        ns = first + k * 10**10
        day, rest = divmod(ns, 86_400 * 10**9)
        fraction = f"{rest * 10**18 // (86_400 * 10**9):018d}"
        values = {"ns": ns, "us": ns // 1000, "ms": ns // 10**6, "s": ns // 10**9, "fraction": ns % 10**9}
        lines.append(written.format(**values, mjd=day + 40587, day_fraction=fraction))
    record = read(tmp_path, phase_log(lines, name))
    assert record.start is not None
    error = int((record.start - np.datetime64(first, "ns")).astype(int))
    assert abs(error) <= {"unix_ms": 456_000}.get(name, 1)
    assert record.interval_s == 10.0


def test_a_time_with_decimals_far_down_loses_none_in_silence(tmp_path: Path) -> None:
    """Of Unix microseconds beyond float64 one with decimals behind a thousand whole ones is named."""
    rows = [f"{1767225600000001 + 1000000 * k},{1e7 + 1e-3 * (k % 7)!r}" for k in range(1100)]
    rows[1049] = rows[1049].replace(",", ".75,")
    path = tmp_path / "log.csv"
    path.write_text("unix_us,frequency_hz\n" + "\n".join(rows) + "\n")
    with pytest.raises(
        eb.LogError, match=r"line 1051: the time .1767226649000001\.75. has decimals where the first"
    ):
        eb.read_log(path)
    assert len(eb.read_log(path, bad_lines="reject")) == 1100  # its place stays, without a reading


@pytest.mark.parametrize("decimals", [3, 9])
def test_stamps_without_trailing_zeros_are_exact(tmp_path: Path, decimals: int) -> None:
    """Stamps of ISO 8601 as wide as their decimals need, to the last nanosecond; zone by zone the same."""
    ns = (
        np.random.default_rng(1).integers(0, 10**decimals, 400) * 10 ** (9 - decimals)
        + np.arange(400) * 10**10
    )
    for zone in ("Z", "+00:00", ""):
        stamps = [f"{np.datetime64(int(t) + 1767225600 * 10**9, 'ns')}" for t in ns]
        rows = [f"{t.rstrip('0').rstrip('.')}{zone},{k % 5 * 1e-9!r}" for k, t in enumerate(stamps)]
        path = tmp_path / "log.csv"
        path.write_text("utc,phase_s\n" + "\n".join(rows) + "\n")
        record = eb.read_log(path)
        told = np.array([record.time_of(k) for k in range(400)]) + np.asarray(record.stamp_offset_s)
        np.testing.assert_allclose(told - told[0], (ns - ns[0]) * 1e-9, atol=2e-9)


def test_split_day_and_second_of_day(tmp_path: Path) -> None:
    """MJD 61099 and second 86380 is 2026-02-28T23:59:40; the day changes within the log."""
    assert (START.date() - datetime(1858, 11, 17, tzinfo=UTC).date()).days == 61_099  # origin of MJD (IAU)
    rows = [(61_099, 86_380 + 10 * k) if k < 2 else (61_100, 10 * k - 20) for k in range(8)]
    for header in ("mjd,seconds of day,phase_ns\n", "MJD,SOD,phase_ns\n", "mjd,s,phase_ns\n"):
        record = read(tmp_path, header + "".join(f"{d},{s},{k}\n" for k, (d, s) in enumerate(rows)))
        assert record.start == np.datetime64("2026-02-28T23:59:40")
        assert (record.interval_s, record.missing) == (10.0, 0)


def test_split_day_without_header_is_an_assumption(tmp_path: Path) -> None:
    """Rows of day, second and offset as daemons write them are understood, in the open."""
    rows = "".join(f"61099 {60 * k}.500 {k}e-9\n" for k in range(9))
    record = read(tmp_path, rows, quantity="phase", unit="s")
    assert record.start == np.datetime64("2026-02-28T00:00:00.5")
    assert "ASSUMED_TIME_FORM" in codes(record)


def test_serial_days_of_a_spreadsheet(tmp_path: Path) -> None:
    """46081 is 2026-02-28 in spreadsheets (days from 1899-12-30, ISO/IEC 29500-1)."""
    days = (START.date() - datetime(1899, 12, 30, tzinfo=UTC).date()).days
    assert days == 46_081
    content = phase_log([f"{days + (86_380 + 10 * k) / 86_400:.12f}" for k in range(8)], "serial date")
    record = read(tmp_path, content)
    assert record.start is not None
    assert abs(record.start - np.datetime64("2026-02-28T23:59:40")) < np.timedelta64(100, "us")


def test_times_of_day_pass_midnight(tmp_path: Path) -> None:
    """Without a date the start stays unknown, and midnight does not run backwards."""
    record = read(tmp_path, phase_log([moment.strftime("%H:%M:%S") for moment in MOMENTS], "time"))
    assert (record.start, record.interval_s, len(record)) == (None, 10.0, 8)
    assert "NO_DATE" in codes(record)


def test_a_leap_second_within_is_noted(tmp_path: Path) -> None:
    """The second before 2017-01-01 (IERS Bulletin C 52): noted where absent, counted where written."""
    stamps = [f"2016-12-31T23:59:{s:02d}Z" for s in range(55, 60)]
    after = [f"2017-01-01T00:00:{s:02d}Z" for s in range(5)]
    absent = read(tmp_path, phase_log([*stamps, *after], "utc"))
    assert "LEAP_SECOND" in codes(absent)
    written = read(tmp_path, phase_log([*stamps, "2016-12-31T23:59:60Z", *after], "utc"))
    (finding,) = [f for f in written.findings if f.code == "LEAP_SECOND"]
    assert finding.values["leap_seconds"] == 1
    assert (len(written), written.missing, written.interval_s) == (11, 0, 1.0)


def test_the_hour_that_clocks_repeat_is_named(tmp_path: Path) -> None:
    """Local time of Oslo on 2026-10-25 runs back by an hour; the zone resolves it (IANA data)."""
    utc = [datetime(2026, 10, 25, 0, 30, tzinfo=UTC) + timedelta(minutes=10 * k) for k in range(12)]
    hours = [2 if moment < datetime(2026, 10, 25, 1, tzinfo=UTC) else 1 for moment in utc]
    local = [m + timedelta(hours=h) for m, h in zip(utc, hours, strict=True)]
    content = phase_log([moment.strftime("%Y-%m-%d %H:%M:%S") for moment in local], "time")
    with pytest.raises(eb.LogError, match=r"line 5: .* as when clocks are changed \(state the zone"):
        read(tmp_path, content)
    record = read(tmp_path, content, time_zone="Europe/Oslo")
    assert (record.start, record.missing) == (np.datetime64("2026-10-25T00:30:00"), 0)


def test_local_time_names_its_risk(tmp_path: Path) -> None:
    """Stamps without zone are read as UTC, and the finding says what clock changes would do."""
    record = read(tmp_path, phase_log([m.strftime("%Y-%m-%d %H:%M:%S") for m in MOMENTS], "time"))
    (finding,) = [f for f in record.findings if f.code == "NO_TIME_ZONE"]
    assert "repeat or skip an hour when clocks are changed" in finding.sentence


def test_the_time_column_can_be_left_out(tmp_path: Path) -> None:
    """Rows at odd times are taken as even where the caller says so."""
    times = ["0", "1", "7", "8", "30", "31", "50", "99"]
    record = read(tmp_path, phase_log(times, "elapsed_s"), columns={"time": None}, interval_s=5)
    assert (record.interval_s, len(record)) == (5.0, 8)


@pytest.mark.parametrize("bad", ["2026-02-29T00:00:00Z", "2026-13-01T00:00:00Z", "2026-01-01T25:00:00Z"])
def test_stamps_read_at_once_refuse_what_is_no_moment(tmp_path: Path, bad: str) -> None:
    """A day, month or hour that does not exist is named even among stamps that are all written alike."""
    stamps = [moment.strftime("%Y-%m-%dT%H:%M:%SZ") for moment in MOMENTS]
    stamps[3] = bad
    with pytest.raises(eb.LogError, match=f"line 5: the time '{bad}' is not understood"):
        read(tmp_path, phase_log(stamps, "utc"))


def test_split_days_with_a_row_cut_short(tmp_path: Path) -> None:
    """One row that ends early does not hide that the first two columns are day and second."""
    path = tmp_path / "log.txt"
    path.write_text("".join(f"61100 {k} {k % 3}e-9\n" if k != 5 else "61100\n" for k in range(20)))
    with pytest.raises(eb.LogError, match="line 6: the row has 1 cell where the others have 3"):
        eb.read_log(path, quantity="phase", unit="s")


@pytest.mark.parametrize("cut", ["2026-01-01T00:0Z", "2026-01-01T00:02:3Z", "2026-01-01T00Z"])
def test_a_stamp_that_lost_digits_is_no_time(tmp_path: Path, cut: str) -> None:
    """A minute or second of one digit is not read as a whole one."""
    stamps = [f"2026-01-01T00:{k // 6:02}:{k % 6}0Z" for k in range(60)]
    stamps[14] = cut
    path = tmp_path / "log.csv"
    rows = (f"{stamp},{1e7 + k % 7 * 1e-3:.4f}\n" for k, stamp in enumerate(stamps))
    path.write_text("utc,frequency_hz\n" + "".join(rows))
    with pytest.raises(eb.LogError, match=f"line 16: the time '{cut}' is not understood"):
        eb.read_log(path)
