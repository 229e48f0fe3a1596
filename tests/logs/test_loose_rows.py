"""Logs whose rows are odd as a whole: words between numbers, predictions, placeholders, rows 2 ms apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.logs.cells import cell_kind


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def steered(rows: int = 60) -> str:
    """Return what a program that steers a clock prints, one line every 16 s."""
    random = np.random.default_rng(4)
    offset, freq = random.integers(-90, 90, rows), random.integers(-1210, -1190, rows)
    return "".join(
        f"[{1000 + 16 * k}.{k % 5}] master offset {offset[k]:>6} s{2 if k > 1 else 1} freq {freq[k]:+6d} "
        f"path delay {600 + k % 4:>5}\n"
        for k in range(rows)
    )


def test_numbers_after_words_are_columns_by_name(tmp_path: Path) -> None:
    """The words name the columns; a chosen one is read whole, the state s1 or s2 makes no difference."""
    path = tmp_path / "steered.log"
    path.write_text(steered())
    record = eb.read_log(path, columns={"value": "master offset"}, quantity="phase", unit="ns")
    expected = np.random.default_rng(4).integers(-90, 90, 60)
    np.testing.assert_allclose(record.values, expected * 1e-9, rtol=1e-12)
    assert record.interval_s == pytest.approx(16, rel=1e-3)
    ppb = eb.read_log(path, columns={"value": "freq"}, quantity="fractional_frequency", unit="ppb")
    assert ppb.values.max() < -1.18e-6


def test_numbers_after_words_need_a_choice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Unasked, the command ends with status 2 and names the columns and the option; a layout is kept."""
    path, layout = tmp_path / "steered.log", tmp_path / "steered.toml"
    path.write_text(steered())
    assert main(["inspect", str(path)]) == 2
    assert "columns 'master offset', 'freq', 'path delay' could all be the clock" in capsys.readouterr().err
    chosen = ["--column", "value=master offset", "--quantity", "phase", "--unit", "ns"]
    assert main(["inspect", str(path), *chosen, "--write-bench", str(layout)]) == 0
    assert "numbers after their names" in capsys.readouterr().out
    assert len(eb.read_log(path, layout=layout)) == 60


def test_a_table_with_words_is_no_such_log(tmp_path: Path) -> None:
    """A word before the only number of a row, or two numbers side by side, is a table as before."""
    path = tmp_path / "table"
    path.write_text("".join(f"fulmar,{k},{k % 3}e-9\n" for k in range(20)))
    record = eb.read_log(path, columns={"time": 1, "value": 2}, quantity="phase", unit="s")
    assert len(record) == 20
    assert eb.inspect_log(path).candidates[0].writing == "cells"


def test_rows_two_milliseconds_apart_with_queries_left_out(tmp_path: Path) -> None:
    """One gap in fifty rows and the jitter of a busy computer: every row keeps its place, at 2 ms."""
    random = np.random.default_rng(3)
    cells = np.delete(np.arange(3060), np.arange(25, 3060, 51))
    late_us = np.where(random.uniform(size=len(cells)) < 0.04, random.uniform(0, 900, len(cells)), 0)
    stamps = np.datetime64("2026-03-01T00:00:00", "us") + (2000 * cells + late_us).astype("timedelta64[us]")
    rows = "".join(f"{stamp}Z,1000000{k % 7}.{k:04d}\n" for k, stamp in enumerate(stamps))
    path = tmp_path / "bench-0001.csv"
    path.write_text("# asked every: 0.002 s\nutc,frequency_Hz\n" + rows)
    record = eb.read_log(path, nominal_frequency_hz=1e7)
    assert record.interval_s == pytest.approx(2e-3, rel=1e-6)
    np.testing.assert_array_equal(np.flatnonzero(~np.isnan(record.values)), cells)


def test_rows_of_a_computer_that_is_busy_all_the_time(tmp_path: Path) -> None:
    """One answer in ten more than half an interval late, at times a query left out: one row per cell."""
    random = np.random.default_rng(5)
    beats, late_us = [0], [0.0]
    for late in random.uniform(1100, 1500, 2000) * (random.uniform(size=2000) < 0.1):
        beats.append(beats[-1] + (2 if late and random.uniform() < 0.5 else 1))
        late_us.append(late)
    stamps = np.datetime64("2026-03-01T00:00:00", "us") + (2000 * np.array(beats) + np.array(late_us)).astype(
        "timedelta64[us]"
    )
    path = tmp_path / "bench-0001.csv"
    rows = "".join(f"{stamp}Z,10000000.{k:04d}\n" for k, stamp in enumerate(stamps))
    path.write_text("utc,frequency_Hz\n" + rows)
    record = eb.read_log(path, nominal_frequency_hz=1e7)
    assert record.interval_s == pytest.approx(2e-3, rel=1e-4)
    readings = record.values[~np.isnan(record.values)] * 1e7
    np.testing.assert_allclose(readings, np.arange(2001) * 1e-4, atol=1e-7)
    assert "IRREGULAR_TIMES" in codes(record)


def test_a_word_that_changes_once_is_said(tmp_path: Path) -> None:
    """M for measured up to a row, P for predicted behind it; a state that comes and goes is none."""
    path, days = tmp_path / "log.csv", np.datetime64("2026-03-01") + np.arange(40)
    rows = "".join(f"{day}T00:00:00Z,{k % 7}e-9,{'M' if k < 30 else 'P'}\n" for k, day in enumerate(days))
    path.write_text("utc,phase_s,kind\n" + rows)
    (found,) = [f for f in eb.read_log(path).findings if f.code == "MARKED_OTHERWISE"]
    assert found.values["line"] == 32
    assert "holds 'M' up to line 31 and 'P' from there" in found.sentence
    lines = path.read_text().splitlines()
    lines[15] = lines[15].replace(",M", ",P")
    path.write_text("\n".join(lines) + "\n")
    assert "MARKED_OTHERWISE" not in codes(eb.read_log(path))


@pytest.mark.parametrize(("step", "said"), [(1e-15, True), (1e-11, False)])
def test_a_value_that_stands_for_none_is_said(tmp_path: Path, step: float, said: bool) -> None:
    """5e-11 in 2 % of finely resolved readings is told; on a coarse display repetition says nothing."""
    random = np.random.default_rng(8)
    values = np.rint(random.normal(0, 3e-11, 3000) / step) * step
    values[::50] = 5e-11
    path = tmp_path / "log.csv"
    path.write_text("elapsed_s,phase_s\n" + "".join(f"{k},{v:.15f}\n" for k, v in enumerate(values)))
    found = [f for f in eb.read_log(path).findings if f.code == "REPEATED_VALUE"]
    assert [f.values["readings"] for f in found] == ([60] if said else [])


def test_a_cell_of_very_many_digits_takes_no_time() -> None:
    """A hundred thousand digits with a wrong end: matched in one way only, so that it does not hang."""
    assert cell_kind("9" * 100_000 + "!") == "text"
    assert cell_kind("9" * 100_000) == "number"


def test_three_rows_of_which_one_is_years_later(tmp_path: Path) -> None:
    """Found by mutation: too few rows to refine the interval gave no sentence but a failure."""
    path = tmp_path / "log"
    path.write_text("2026-03-01T00:00:00Z,1e-9\n2026-03-01T00:00:02Z,2e-9\n2056-03-01T00:00:03Z,3e-9\n")
    with pytest.raises(eb.LogError, match=r"line \d: "):
        eb.read_log(path, quantity="phase", unit="s")


def test_a_numpy_header_with_an_open_bracket(tmp_path: Path) -> None:
    """Found by mutation: reading and inspecting say the same sentence."""
    path = tmp_path / "log.npy"
    np.save(path, np.arange(9.0))
    path.write_bytes(path.read_bytes().replace(b"}", b" ", 1))
    for look in (eb.read_log, eb.inspect_log):
        with pytest.raises(eb.LogError, match="the NumPy file is cut off or damaged"):
            look(path)


def test_repeated_comments_are_no_records(tmp_path: Path) -> None:
    """Three equal remarks above four equal readings, once taken for two kinds of record."""
    path = tmp_path / "log.txt"
    path.write_text("% second run\n" * 3 + "phase_s\n" + "0,0000000000000000e+00\n" * 4)
    assert eb.read_log(path, interval_s=1.0).values.tolist() == [0.0] * 4
