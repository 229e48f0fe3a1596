"""Long logs written as columns: the same numbers, bounded blocks, nothing left behind on failure."""

from __future__ import annotations

import gzip
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

N = 20_000


def log_of(path: Path, kind: str, n: int = N) -> Path:
    """Write a log of some kind, its readings random but printed in full."""
    values = np.random.default_rng(4).normal(0, 1e-9, n).tolist()
    stamps = np.datetime64("2026-01-01T00:00:00") + np.arange(n).astype("m8[s]")
    if kind == "elapsed":
        text = "elapsed_s,phase_s\n" + "".join(f"{0.5 * k},{v!r}\n" for k, v in enumerate(values))
    elif kind == "none":
        text = "# interval: 10 s\nphase_s\n" + "".join(f"{v!r}\n" for v in values)
    else:
        text = "utc;frequency_hz;oven_temp_c\n" + "".join(
            f"{t}Z;{1e7 + 1e6 * v:.6f};{40 + k % 9}\n"
            for k, (t, v) in enumerate(zip(stamps, values, strict=True))
        )
    content = text.encode()
    path.write_bytes(gzip.compress(content, mtime=0) if path.suffix == ".gz" else content)
    return path


@pytest.mark.grid(3)
@pytest.mark.parametrize("suffix", [".npy", ".parquet"])
@pytest.mark.parametrize(
    ("kind", "name"), [("elapsed", "log.csv"), ("none", "log.gz"), ("utc", "log.csv.gz")]
)
def test_converted_columns_are_the_record(tmp_path: Path, kind: str, name: str, suffix: str) -> None:
    """Reading the new file gives the record of the log, bit for bit, whatever the size of a block."""
    pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    log = log_of(tmp_path / name, kind)
    written = eb.convert_log(log, tmp_path / f"new{suffix}", block_bytes=100_000)
    expected, record = eb.read_log(log), eb.read_log(tmp_path / f"new{suffix}")
    assert (written.rows, written.source_sha256) == (N, expected.source.sha256)
    np.testing.assert_array_equal(record.values, expected.values)
    assert (record.start, record.interval_s) == (expected.start, expected.interval_s)
    for covariate, column in expected.covariates.items():
        np.testing.assert_array_equal(record.covariates[covariate], column)


@pytest.mark.parametrize("damage", ["text", "cut"])
def test_nothing_is_left_behind_on_failure(tmp_path: Path, damage: str) -> None:
    """A bad line far down, or a file that was cut off, leaves no file at all; the line is the file's."""
    log = log_of(tmp_path / ("log.csv" if damage == "text" else "log.csv.gz"), "elapsed")
    if damage == "text":
        log.write_text(log.read_text() + "oops,1\n")
    else:
        log.write_bytes(log.read_bytes()[:-5000])
    sentence = "line 20002: 'oops'" if damage == "text" else r"line \d+: the gzip file ends too early"
    with pytest.raises(eb.LogError, match=sentence):
        eb.convert_log(log, tmp_path / "new.npy", block_bytes=100_000)
    assert [path.name for path in tmp_path.iterdir()] == [log.name]


def test_an_existing_file_is_not_replaced_unasked(tmp_path: Path) -> None:
    """An earlier file stays as it is unless it may be replaced; other suffixes are refused."""
    log = log_of(tmp_path / "log.csv", "elapsed")
    (tmp_path / "new.npy").write_text("mine")
    with pytest.raises(eb.errors.OutputError, match=r"exists already; .*overwrite=True"):
        eb.convert_log(log, tmp_path / "new.npy")
    assert (tmp_path / "new.npy").read_text() == "mine"
    with pytest.raises(eb.InputError, match=r"neither \.parquet nor \.npy"):
        eb.convert_log(log, tmp_path / "new.csv")
    assert eb.convert_log(log, tmp_path / "new.npy", overwrite=True).rows == N


@pytest.mark.slow
def test_memory_does_not_grow_with_the_log(tmp_path: Path) -> None:
    """Ten times the rows take less than a tenth more memory (peak of the process, by the system)."""
    if not Path("/proc/self/status").exists():
        pytest.skip("the peak of memory is read from /proc, which this system does not have")
    script = (
        "import sys, evenbeat as eb\n"
        "eb.convert_log(sys.argv[1], sys.argv[2], block_bytes=1 << 18)\n"
        "print(*[line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')])"
    )
    peaks = []
    for n in (20_000, 200_000):
        log = log_of(tmp_path / f"{n}.csv", "elapsed", n)
        done = subprocess.run(
            [sys.executable, "-c", script, str(log), str(tmp_path / f"{n}.npy")],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        peaks.append(int(done.stdout))
    assert peaks[1] < 1.1 * peaks[0]


def test_a_block_without_a_reading_is_converted_as_missing(tmp_path: Path) -> None:
    """A long outage fills whole blocks; it is neither refused nor dropped."""
    log, to = tmp_path / "log.csv", tmp_path / "log.npy"
    rows = [f"{k},{'nan' if 40 <= k < 160 else f'{1e7 + k % 3 * 1e-4:.4f}'}" for k in range(200)]
    log.write_text("elapsed_s,frequency_hz\n" + "\n".join(rows) + "\n")
    written = eb.convert_log(log, to, block_bytes=256)
    columns = np.load(to)
    assert written.rows == 200
    assert np.isnan(columns["fractional_frequency"]).sum() == 120
    np.testing.assert_array_equal(columns["elapsed_s"], np.arange(200.0))


def test_a_bad_time_in_a_later_block_names_its_line_in_the_file(tmp_path: Path) -> None:
    """Lines are counted from the beginning of the log, not of the block."""
    log = tmp_path / "log.csv"
    rows = [f"{k if k != 150 else 'nan'},{1e7:.4f}" for k in range(200)]
    log.write_text("elapsed_s,frequency_hz\n" + "\n".join(rows) + "\n")
    with pytest.raises(eb.LogError, match="line 152: the time is missing in this row"):
        eb.convert_log(log, tmp_path / "log.npy", block_bytes=256)
    assert [path.name for path in tmp_path.iterdir()] == ["log.csv"]


def test_elapsed_times_of_many_digits_go_on_from_block_to_block(tmp_path: Path) -> None:
    """Times that float64 would not hold are read exactly, in every block."""
    log, to = tmp_path / "log.csv", tmp_path / "log.npy"
    rows = [f"{12345 + k}.12345678901,{1e7:.4f}" for k in range(100)]
    log.write_text("elapsed_s,frequency_hz\n" + "\n".join(rows) + "\n")
    eb.convert_log(log, to, block_bytes=256)
    np.testing.assert_allclose(np.load(to)["elapsed_s"], np.arange(100.0), atol=1e-9)


def stamp(k: int) -> str:
    """Return the time of row ``k``, ten seconds apart."""
    return f"{np.datetime64('2026-03-01T00:00:00') + np.timedelta64(10 * k, 's')}"


def fixed(k: int, hz: float) -> str:
    """Return a row of columns of fixed width, the last of which is blank at times."""
    return f"{100000 + 10 * k:8d}  {hz:14.4f}  {f'{20 + k % 5:6.2f}' if k % 9 else '':6}"


def dated(k: int, hz: float) -> str:
    """Return a row with the year behind day and month, one a minute."""
    return f"{13 + k // 1440}/03/2026 {k // 60 % 24}:{k % 60:02d}, {hz:.4f}"


HABITS = {
    "answers to queries": (lambda k, hz: f"> READ?\n{hz:.4f}", {"interval_s": 10.0}),
    "pairs with a unit": (lambda k, hz: f"[{stamp(k)}] F1= {hz / 1e6:.10f} MHz", {}),
    "pairs": (lambda k, hz: f"time={stamp(k)}Z freq={hz:.4f}", {}),
    "JSON lines": (lambda k, hz: f'{{"ts": "{stamp(k)}Z", "unit": "B", "freq": {hz:.4f}}}', {}),
    "words": (
        lambda k, hz: f"[{10 * k}.0] clock offset {round((hz - 1e7) * 1e4):6d} freq {k % 5:+4d}",
        {"columns": {"value": "clock offset"}, "quantity": "phase", "unit": "ns"},
    ),
    "fixed width": (fixed, {}),
    "units in cells": (lambda k, hz: f"{stamp(k)};{hz / 1e6:.10f} MHz".replace(".", ","), {}),
    "thousands": (lambda k, hz: f"{hz:,.4f}", {"interval_s": 10.0}),
    "thousands in quotes": (lambda k, hz: f'"{10 * k}","{hz:,.4f}"', {"columns": {"time": 0}}),
    "dates of the year last": (dated, {}),
}


@pytest.mark.parametrize("habit", HABITS)
def test_every_habit_is_read_in_blocks_as_at_once(tmp_path: Path, habit: str) -> None:
    """Numbers to the bit, the same times, and the same account of all lines."""
    line, options = HABITS[habit]
    random = np.random.default_rng(2)
    lines = [line(k, 1e7 + random.normal(0, 2e-3)) for k in range(950)]
    lines[700] += " ?!"
    path = tmp_path / "log.txt"
    path.write_text(("elapsed_s frequency_hz temp_c\n" * (habit == "fixed width")) + "\n".join(lines) + "\n")
    record = eb.read_log(path, bad_lines="reject", **options)
    written = eb.convert_log(path, tmp_path / "log.npy", bad_lines="reject", block_bytes=1 << 13, **options)
    columns = np.load(tmp_path / "log.npy")
    name = "time_error_s" if record.kind == "phase" else "fractional_frequency"
    np.testing.assert_array_equal(
        columns[name][~np.isnan(columns[name])], record.values[~np.isnan(record.values)]
    )
    assert written.ledger.to_dict() == record.ledger.to_dict()
    if record.start is not None:
        assert columns["unix_ns"][0] == record.start.astype("datetime64[ns]").astype(np.int64)


@pytest.mark.parametrize("timed", [True, False])
def test_rows_with_a_label_are_chosen_in_blocks_as_at_once(tmp_path: Path, timed: bool) -> None:
    """Two oscillators in turn: refused unasked, else the same rows from block to block."""
    rows = [f"{1e7 + (k % 2) * 2 + k % 7 * 1e-4:.4f},{'AB'[k % 2]}" for k in range(3000)]
    rows = [f"{stamp(k)}Z,{row}" for k, row in enumerate(rows) if k != 1111] if timed else rows
    header = "utc,frequency_hz,channel\n" if timed else "frequency_hz,channel\n"
    path = tmp_path / "log.csv"
    path.write_text(header + "\n".join(rows) + "\n")
    how = {} if timed else {"interval_s": 20.0}
    with pytest.raises(eb.LogError, match="--set select=A"):
        eb.convert_log(path, tmp_path / "log.npy", block_bytes=1 << 13, **how)
    record = eb.read_log(path, select="B", **how)
    written = eb.convert_log(path, tmp_path / "log.npy", block_bytes=1 << 13, select="B", **how)
    values = np.load(tmp_path / "log.npy")["fractional_frequency"]
    np.testing.assert_array_equal(values, record.values[~np.isnan(record.values)])
    assert written.ledger.to_dict() == record.ledger.to_dict()


def test_rows_in_turn_are_chosen_when_the_new_file_is_read(tmp_path: Path) -> None:
    """Two oscillators without a label: all rows are converted, and either one read from there."""
    path = tmp_path / "log.csv"
    rows = [f"{stamp(k)}Z,{1e7 + (k % 2) * 2 + k % 7 * 1e-4:.4f}" for k in range(3000) if k != 1111]
    path.write_text("utc,frequency_hz\n" + "\n".join(rows) + "\n")
    with pytest.raises(eb.LogError, match="chosen when the new file is read"):
        eb.convert_log(path, tmp_path / "log.npy", every=2, offset=1)
    eb.convert_log(path, tmp_path / "log.npy", block_bytes=1 << 13, every=1)
    log, record = (eb.read_log(way, every=2, offset=1) for way in (path, tmp_path / "log.npy"))
    np.testing.assert_array_equal(log.values, record.values)
    assert log.missing == 1


def test_columns_with_gaps_are_read_in_little_memory(tmp_path: Path) -> None:
    """Five numbers a row are held at most, where eight were: time twice, its place, readings, one in work."""
    n = 400_000
    kept = np.random.default_rng(5).random(n) > 1e-4
    kept[[0, -1]], kept[n // 3 : n // 3 + 900] = True, False
    rows = np.zeros(int(kept.sum()), dtype=[("unix_ns", "<i8"), ("fractional_frequency", "<f8")])
    rows["unix_ns"] = 1_780_000_000 * 10**9 + np.flatnonzero(kept) * 10**9
    rows["fractional_frequency"] = np.random.default_rng(6).normal(0, 1e-11, len(rows))
    np.save(tmp_path / "log.npy", rows)
    eb.read_log(tmp_path / "log.npy")  # what is imported is no part of it
    tracemalloc.start()
    record = eb.read_log(tmp_path / "log.npy")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 40 * n
    assert (len(record), record.interval_s) == (n, 1.0)
    np.testing.assert_array_equal(record.values[kept], rows["fractional_frequency"])
    assert np.isnan(record.values[~kept]).all()
