"""Logs whose times follow no grid: hand tables, telemetry, satellite tracks; each reading keeps its time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

REMARKS = ("", "cold room", "after the move", "")


def hand_table(path: Path, rows: int = 30) -> tuple[Path, np.ndarray]:
    """Write readings by hand, day first, every other one with a remark; return the days since the first."""
    rng = np.random.default_rng(10)
    days = np.concatenate([[0], np.cumsum(rng.integers(15, 36, rows - 1))])
    dates = np.datetime64("2024-01-06") + days.astype("timedelta64[D]")
    lines = ["Date        Reading (Hz)   Remarks", "----------  -------------  -------"]
    for k, date in enumerate(dates.tolist()):
        lines.append(f"{date:%d/%m/%Y}   {1e7 + 0.30 + 0.02 * k:.2f}   {REMARKS[k % 4]}")
    path.write_text("\n".join(lines) + "\n")
    return path, days


def test_a_hand_table_keeps_its_rows_remarks_and_days(tmp_path: Path) -> None:
    """Thirty of thirty rows, at their dates; fifteen remarks are kept with their lines."""
    path, days = hand_table(tmp_path / "hand.txt")
    record = eb.read_log(path, nominal_frequency_hz=1e7)
    assert (len(record), record.missing) == (30, 0)
    np.testing.assert_array_equal(record.elapsed_s, 86400.0 * days)
    assert record.start == np.datetime64("2024-01-06")
    np.testing.assert_allclose(record.values, 3e-8 + 2e-9 * np.arange(30), rtol=1e-6)
    (remarks,) = (finding for finding in record.findings if finding.code == "REMARKS")
    assert remarks.values["rows"] == 15
    assert "'cold room' in lines 4, 8," in remarks.sentence
    (grid,) = (finding for finding in record.findings if finding.code == "NO_GRID")
    assert grid.sentence.startswith("The times follow no grid: neighbours are 15 d to 35 d apart")
    stated = eb.read_log(path, nominal_frequency_hz=1e7, gate_s=10)
    assert set(stated.spans_s) == {10.0}
    with pytest.raises(eb.LogError, match=r"gate_s is 10000000.0, but 29 of 29 readings are followed sooner"):
        eb.read_log(path, nominal_frequency_hz=1e7, gate_s=1e7)


def test_two_readings_of_one_day_are_asked_about(tmp_path: Path) -> None:
    """Without a grid nothing tells them apart: the line is named, and the option that leaves one out."""
    path, _ = hand_table(tmp_path / "hand.txt")
    lines = path.read_text().split("\n")
    path.write_text("\n".join([*lines[:9], lines[8], *lines[9:]]))
    with pytest.raises(eb.LogError, match=r"line 10: the time is that of the row before.*bad_lines=reject"):
        eb.read_log(path, nominal_frequency_hz=1e7)
    rejected = eb.read_log(path, nominal_frequency_hz=1e7, bad_lines="reject")
    assert len(rejected) == 30


def test_inspect_says_how_it_would_be_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The spacing in words, and that there is no grid."""
    path, _ = hand_table(tmp_path / "hand.txt")
    assert main(["inspect", str(path), "--nominal-frequency", "10 MHz"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "30 fractional frequencies at times of their own (median spacing 2" in said
    assert "The times follow no grid" in said


def test_telemetry_that_jitters_beyond_a_grid(tmp_path: Path) -> None:
    """Polled at random: elapsed seconds to the microsecond, gaps included, are kept as they are."""
    rng = np.random.default_rng(4)
    seconds = np.cumsum(rng.uniform(2.0, 15.0, 400))
    seconds[250:] += 5000
    rows = "".join(f"{t:.6f},{1e7 * (1 - 3.2e-8):.4f},{25 + k % 3}\n" for k, t in enumerate(seconds))
    path = tmp_path / "telemetry.csv"
    path.write_text("elapsed_s,frequency_hz,board_temperature_c\n" + rows)
    record = eb.read_log(path, nominal_frequency_hz=1e7)
    assert len(record) == 400
    np.testing.assert_array_equal(
        record.epochs_ns, np.rint(1e9 * (np.round(seconds, 6) - round(seconds[0], 6)))
    )
    np.testing.assert_array_equal(record.covariates["board_temperature_c"][:4], [25, 26, 27, 25])
    with pytest.raises(eb.InputError, match=r"stability needs readings on a grid.*on_grid\(interval_s=…\)"):
        eb.stability(record)
    assert eb.stability(record.on_grid(interval_s=60)).averaging_time_s[0] == 60


def test_totals_of_cycles_at_times_of_their_own(tmp_path: Path) -> None:
    """A running total read now and then is a time error at the times of its rows."""
    rng = np.random.default_rng(5)
    seconds = np.cumsum(rng.integers(20, 90, 60))
    totals = np.rint(1e7 * (1 + 2e-7) * (seconds - seconds[0])).astype(int)
    path = tmp_path / "count.csv"
    path.write_text("elapsed_s,count\n" + "".join(f"{t},{n}\n" for t, n in zip(seconds, totals, strict=True)))
    record = eb.read_log(path, quantity="count", nominal_frequency_hz=1e7)
    assert record.kind == "phase"
    np.testing.assert_allclose(record.values, 2e-7 * (seconds - seconds[0]), rtol=0, atol=1.1e-7)


@pytest.mark.parametrize("form", ["csv", "npy", "parquet"])
def test_nanoseconds_over_a_year_stay_exact(tmp_path: Path, form: str) -> None:
    """64-bit stamps of a year come out to the nanosecond, whatever file they stand in."""
    import pandas as pd

    rng = np.random.default_rng(6)
    ns = 1_767_225_600_123_456_789 + np.cumsum(rng.integers(10**12, 10**13, 6000))
    table = pd.DataFrame({"time_ns": ns, "fractional_frequency": rng.normal(0, 1e-9, 6000)})
    path = tmp_path / f"log.{form}"
    if form == "csv":
        table.to_csv(path, index=False)
    elif form == "parquet":
        table.to_parquet(path)
    else:
        np.save(path, table.to_records(index=False))
    record = eb.read_log(path)
    assert record.duration_s > 365 * 86400
    np.testing.assert_array_equal(record.to_frame()["utc"].to_numpy().astype(np.int64), ns)


def test_stamps_beside_a_grid_are_exact_after_a_year(tmp_path: Path) -> None:
    """A row a nanosecond later than those a year before it is told from them."""
    ns = 1_767_225_600_123_456_789 + 1_000 * np.arange(3000)  # a microsecond apart, a year after the first
    ns[1:] += 365 * 86_400_000_000_000
    ns[2000:] += 1
    path = tmp_path / "log.csv"
    path.write_text("time_ns,phase_s\n" + "".join(f"{t},{k}e-12\n" for k, t in enumerate(ns.tolist())))
    with pytest.raises(eb.LogError, match="the time jumps by"):
        eb.read_log(path)
    path.write_text("time_ns,phase_s\n" + "".join(f"{t},{k}e-12\n" for k, t in enumerate(ns[1:].tolist())))
    record = eb.read_log(path, interval_s=1e-6)
    assert record.epochs_ns is None
    np.testing.assert_allclose(record.stamp_offset_s, np.where(np.arange(2999) < 1999, 0, 1e-9), atol=1e-15)


class TestTracks:
    """CGGTTS: signals of different delays are not averaged, and any schedule of tracks is read."""

    NAMES = (
        "SAT CL  MJD  STTIME TRKL ELV AZTH   REFSV      SRSV     REFSYS    SRSYS  DSG IOE MDTR SMDT MDIO "
        "SMDI MSIO SMSI ISG FR HC FRC CK"
    )

    def tracks(self, path: Path, starts_s: list[int], signals: dict[tuple[str, str], int]) -> Path:
        """Write tracks of 780 s: at every start one of each satellite and code, with its delay in 0.1 ns."""
        lines = [
            "CGGTTS     GENERIC DATA FORMAT VERSION = 2E",
            "RCVR = invented receiver",
            "",
            self.NAMES,
            "hhmmss",
        ]
        for k, start in enumerate(starts_s):
            clock = f"{start % 86400 // 3600:02d}{start // 60 % 60:02d}{start % 60:02d}"
            for (satellite, code), delay in signals.items():
                row = f"{satellite} FF {61100 + start // 86400} {clock}  780 450 1800 {-3:+11d} {5:+6d} "
                row += (
                    f"{1000 + k + delay:+11d} {2:+6d}   9  10  100    1   50    2   50    2   3  0  0 {code} "
                )
                lines.append(f"{row}{sum(row.encode()) % 256:02X}")
        path.write_text("\n".join(lines) + "\n")
        return path

    def test_two_codes_are_asked_about(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """25 ns apart: which one is meant has to be said, with the number of tracks of each."""
        starts = [120 + 960 * k for k in range(20)]
        signals = {("G01", "L1C"): 0, ("G07", "L1C"): 0, ("G01", "L3P"): 250}
        path = self.tracks(tmp_path / "GMXX61.100", starts, signals)
        asked = r"holds 2 signals.*L1C \(40 tracks\), L3P \(20 tracks\); choose one with --set signal"
        with pytest.raises(eb.LogError, match=asked):
            eb.read_log(path)
        for name, delay in (("L1C", 0), ("l3p", 250)):
            record = eb.read_log(path, signal=name)
            np.testing.assert_allclose(record.values, (1000 + np.arange(20) + delay) * 1e-10, rtol=1e-12)
            assert record.interval_s == 960
        (chosen,) = (finding for finding in record.findings if finding.code == "SIGNAL_CHOSEN")
        assert dict(chosen.values) == {"tracks": 20, "left_out": 40}
        with pytest.raises(eb.LogError, match="there is no signal 'E1'; the file holds L1C"):
            eb.read_log(path, signal="E1")
        assert main(["inspect", str(path), "--set", "signal=L3P"]) == 0
        assert "20 tracks of L3P" in " ".join(capsys.readouterr().out.split())

    def test_one_code_of_two_systems(self, tmp_path: Path) -> None:
        """A code that two systems send is chosen with the system before it."""
        signals = {("G01", "L1C"): 0, ("R07", "L1C"): 120}
        path = self.tracks(tmp_path / "MMXX61.100", [120 + 960 * k for k in range(9)], signals)
        with pytest.raises(eb.LogError, match=r"G-L1C \(9 tracks\), R-L1C \(9 tracks\)"):
            eb.read_log(path)
        values = np.asarray(eb.read_log(path, signal="R-L1C").values)
        np.testing.assert_allclose(values, (1120 + np.arange(9)) * 1e-10, rtol=1e-12)

    def test_a_schedule_that_moves_four_minutes_a_day(self, tmp_path: Path) -> None:
        """Tracks that begin as satellites return: no grid of 16 min, each keeps its own time."""
        starts = [day * 86400 + 120 - 240 * day + 960 * k for day in range(20) for k in range(0, 80, 7)]
        starts = [start for start in starts if start >= 0]
        path = self.tracks(tmp_path / "GMXX61.100", starts, {("G01", "L3P"): 0})
        record = eb.read_log(path)
        assert len(record) == len(starts)
        np.testing.assert_array_equal(record.elapsed_s, np.array(starts) - starts[0])

    def test_one_odd_interval_does_not_stop_it(self, tmp_path: Path) -> None:
        """A track that began a minute late keeps its own time, and so do all others."""
        starts = [120 + 960 * k + 60 * (k == 7) for k in range(30)]
        record = eb.read_log(self.tracks(tmp_path / "GMXX61.100", starts, {("G01", "L3P"): 0}))
        assert (len(record), record.missing) == (30, 0)
        np.testing.assert_array_equal(record.elapsed_s, np.array(starts) - starts[0])

    def test_a_plain_log_has_no_signals(self, tmp_path: Path) -> None:
        """The option is refused where there is nothing to choose."""
        path, _ = hand_table(tmp_path / "hand.txt")
        with pytest.raises(eb.LogError, match="in CGGTTS files only; leave signal"):
            eb.read_log(path, signal="L3P", nominal_frequency_hz=1e7)
