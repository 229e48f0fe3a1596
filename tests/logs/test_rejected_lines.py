"""What ``bad_lines='reject'`` passes over: every line is counted, with its number and the reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

N = 60
HEADER = "utc,frequency_hz\n"


def stamped(rows: int = N) -> list[str]:
    """Return rows ten seconds apart near 10 MHz."""
    stamps = np.datetime64("2026-01-01T00:00:00") + np.arange(rows) * np.timedelta64(10, "s")
    return [f"{stamp}Z,{1e7 + 1e-4 * (k * 7 % 23):.4f}" for k, stamp in enumerate(stamps)]


def written(tmp_path: Path, lines: list[str], header: str = HEADER) -> Path:
    """Write a log and return where."""
    path = tmp_path / "log.csv"
    path.write_text(header + "\n".join(lines) + "\n")
    return path


def sentence(record: eb.Record, code: str = "REJECTED_LINES") -> str:
    """Return what the one finding of a code says."""
    (found,) = [finding for finding in record.findings if finding.code == code]
    return found.sentence


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("2026-01-01T00:05:00Z", "the row has 1 cell where the others have 2"),
        ("2026-01-01T00:05", "the row has 1 cell where the others have 2"),
        ("END,", "its time is missing or not understood"),
        ("Total,60", "its time is missing or not understood"),
        (",10000000.0002", "its time is missing or not understood"),
        ("2026-01-01T00:05:00,10000000.0002", "its time is missing or not understood"),
        ("2026-13-01T00:05:00Z,10000000.0002", "its time is missing or not understood"),
        ("2026-01-01T00:05:00Z,inf", "column 'frequency_hz' holds an infinite value"),
        ("2026-01-01T00:05:00Z,hello", "'hello' in column 'frequency_hz' is neither a number"),
        ("2026-01-01T00:05:00Z,10000000.0002,7", "the row has 3 cells where the others have 2"),
    ],
)
def test_a_line_that_is_no_row_is_passed_over(tmp_path: Path, line: str, reason: str) -> None:
    """One line in the middle: its reading is missing, all others keep their times."""
    lines = stamped()
    true = eb.read_log(written(tmp_path, lines))
    lines[30] = line
    path = written(tmp_path, lines)
    with pytest.raises(eb.LogError, match="line 32: "):
        eb.read_log(path)
    record = eb.read_log(path, bad_lines="reject")
    assert f"1 line was rejected as no row of the log (line 32): 1 × {reason}" in sentence(record)
    expected = np.where(np.arange(N) == 30, np.nan, true.values)
    np.testing.assert_array_equal(record.values, expected)


@pytest.mark.parametrize("trailer", ["End of log", "Rows: 60", "--- 60 rows ---", "END,", "Total,60"])
def test_a_trailer_is_passed_over(tmp_path: Path, trailer: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What a program writes behind its last row; the command says so too."""
    path = written(tmp_path, [*stamped(), trailer])
    record = eb.read_log(path, bad_lines="reject")
    assert (len(record), record.missing) == (N, 0)
    assert "(line 62)" in sentence(record)
    assert main(["inspect", str(path), "--set", "bad_lines=reject"]) == 0
    assert "line 62: " in capsys.readouterr().out


def local_rows(begin: str, rows: int, jitter_s: float) -> list[str]:
    """Return rows ten seconds apart by the wall clock of a place that leaves summer time at 01:00 UTC."""
    generator = np.random.default_rng(1)
    utc = np.datetime64(begin, "ms") + np.arange(rows) * np.timedelta64(10_000, "ms")
    hours = np.where(utc < np.datetime64("2026-10-25T01:00:00"), 2, 1).astype("m8[h]")
    late = (generator.uniform(0, jitter_s, rows) * 1e3).astype("m8[ms]")
    return [f"{t},{1e7 + 1e-4 * (k * 7 % 23):.4f}" for k, t in enumerate(utc + hours + late)]


@pytest.mark.parametrize("jitter_s", [0.0, 0.3, 2.0])
def test_the_hour_that_clocks_repeat_is_passed_over(tmp_path: Path, jitter_s: float) -> None:
    """As the refusal recommends: the second run of the hour goes, to its last row, and is counted."""
    path = written(tmp_path, local_rows("2026-10-25T00:10:00", 900, jitter_s), "time,frequency_hz\n")
    with pytest.raises(eb.LogError, match=r"as when clocks are changed .*--set bad_lines=reject"):
        eb.read_log(path)
    record = eb.read_log(path, bad_lines="reject")
    assert (len(record), record.missing) == (540, 0)
    told = sentence(record, "LATE_ROWS")
    assert "360 rows rejected, as was asked for, since the time does not advance" in told
    assert "lines 302, 303, 304, 305, 306, …" in told


def test_local_times_that_cannot_be_placed_are_passed_over(tmp_path: Path) -> None:
    """A log that begins within the hour that occurs twice: with the zone stated, those rows have no UTC."""
    rows = local_rows("2026-10-25T01:30:00", 400, 0.0)  # 02:30 by the wall clock, the second time
    path = written(tmp_path, rows, "time,frequency_hz\n")
    with pytest.raises(eb.LogError, match=r"line 2: the local time .* occurs twice .*--set bad_lines=reject"):
        eb.read_log(path, time_zone="Europe/Oslo")
    record = eb.read_log(path, time_zone="Europe/Oslo", bad_lines="reject")
    assert record.start == np.datetime64("2026-10-25T02:00:00")
    assert len(record) == 220
    assert "180 lines were rejected" in sentence(record)


def test_one_time_far_ahead_does_not_cost_the_rows_behind_it(tmp_path: Path) -> None:
    """A stamp of a year later is passed over itself; those after it are not late."""
    lines = stamped()
    lines[30] = "2027" + lines[30][4:]
    record = eb.read_log(written(tmp_path, lines), bad_lines="reject")
    assert np.flatnonzero(np.isnan(record.values)).tolist() == [30]
    assert "1 row rejected, as was asked for, since the time does not advance: line 32." in sentence(
        record, "LATE_ROWS"
    )


@pytest.mark.parametrize("cell", ["now", ""])
def test_times_of_many_digits_are_no_exception(tmp_path: Path, cell: str) -> None:
    """Unix nanoseconds are read exactly, and a row without them is passed over too."""
    lines = [f"{1767225600123456789 + 10**10 * k},{1e7 + 1e-4 * (k * 7 % 23):.4f}" for k in range(N)]
    lines[30] = f"{cell},10000000.0002"
    record = eb.read_log(written(tmp_path, lines, "unix_ns,frequency_hz\n"), bad_lines="reject")
    assert np.flatnonzero(np.isnan(record.values)).tolist() == [30]
    assert "(line 32)" in sentence(record)


def test_many_lines_without_a_time_are_passed_over_at_once(tmp_path: Path) -> None:
    """More odd lines than are looked at one by one."""
    lines = stamped(2000)
    for k in range(3, 2000, 4):
        lines[k] = "paused,10000000.0002"
    record = eb.read_log(written(tmp_path, lines), bad_lines="reject")
    assert record.missing == 499
    assert "500 lines were rejected" in sentence(record)


def test_converted_logs_pass_over_the_same(tmp_path: Path) -> None:
    """In blocks as at once."""
    lines = stamped(500)
    lines[100], lines[300], lines[400] = "END,", lines[300][:20], lines[400][:-6]
    path = written(tmp_path, [*lines, "End of log"])
    converted = eb.convert_log(path, tmp_path / "log.npy", bad_lines="reject", block_bytes=2000)
    assert converted.rows == 497
    (found,) = [finding for finding in converted.findings if finding.code == "REJECTED_LINES"]
    assert "4 lines were rejected as no row of the log (lines 102, 302, 402, 502)" in found.sentence
