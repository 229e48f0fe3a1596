"""Rows are put on a regular grid: gaps stay gaps, and jitter of the logging computer makes none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb


def log_of(path: Path, seconds: np.ndarray, decimals: int = 3) -> Path:
    """Write readings that count up, so that a moved row shows."""
    rows = "".join(f"{t:.{decimals}f},{k}\n" for k, t in enumerate(seconds))
    path.write_text("elapsed_s,phase_ns\n" + rows)
    return path


def test_even_times_leave_nothing_to_report(tmp_path: Path) -> None:
    """Stamps exactly ten seconds apart give no finding about time at all."""
    record = eb.read_log(log_of(tmp_path / "log", 10.0 * np.arange(100)))
    assert record.interval_s == 10.0
    assert record.findings == ()


def test_gaps_become_nan_at_their_place(tmp_path: Path) -> None:
    """Missing rows are NaN where they belong, counted with the longest gap."""
    cells = np.delete(np.arange(100), [10, 40, 41, 42])
    record = eb.read_log(log_of(tmp_path / "log", 10.0 * cells))
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(record.values)), [10, 40, 41, 42])
    (gaps,) = [f for f in record.findings if f.code == "GAPS"]
    assert dict(gaps.values) == {"missing": 4, "gaps": 2, "longest_s": 30.0}


@pytest.mark.grid(3)
@pytest.mark.parametrize("interval", [1.0, 1.0003, 10.0, 0.1])
@pytest.mark.parametrize("jitter", [0.0, 0.1, 0.4])
def test_jitter_and_odd_intervals_lose_no_row(tmp_path: Path, interval: float, jitter: float) -> None:
    """Jitter up to 0.4 interval and an interval that is not round leave every row in its cell."""
    generator = np.random.default_rng(5)
    n = 20_000
    seconds = interval * (np.arange(n) + jitter * generator.uniform(-1, 1, n))
    record = eb.read_log(log_of(tmp_path / "log", np.maximum.accumulate(seconds - seconds[0]), decimals=5))
    np.testing.assert_allclose(record.values * 1e9, np.arange(n), rtol=1e-12)
    assert record.interval_s == pytest.approx(interval, rel=1e-6)


def test_jitter_beside_gaps_keeps_both(tmp_path: Path) -> None:
    """With jitter, a drifting computer clock and gaps, only the real gaps are gaps."""
    generator = np.random.default_rng(6)
    cells = np.delete(np.arange(5000), np.r_[100, 2000:2050, 4000])
    seconds = cells + 2e-9 * cells.astype(float) ** 2 + generator.uniform(-0.2, 0.2, len(cells))
    record = eb.read_log(log_of(tmp_path / "log", seconds - seconds[0]))
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(record.values)), np.r_[100, 2000:2050, 4000])


def test_measured_interval_is_reported(tmp_path: Path) -> None:
    """An interval of 1.0003 s is far from round for a computer's clock: it is used, and said."""
    record = eb.read_log(log_of(tmp_path / "log", 1.0003 * np.arange(10_000), decimals=4))
    assert record.interval_s == pytest.approx(1.0003, rel=1e-9)
    assert "MEASURED_INTERVAL" in {finding.code for finding in record.findings}


def test_whole_seconds_with_repeats_and_skips_are_jitter(tmp_path: Path) -> None:
    """Coarse stamps that repeat one second and skip another leave the rows one interval apart."""
    seconds = np.arange(1000.0)
    seconds[[200, 500, 800]] += 1  # stamped late: the same second as the next row
    record = eb.read_log(log_of(tmp_path / "log", seconds, decimals=0))
    np.testing.assert_allclose(record.values * 1e9, np.arange(1000), rtol=1e-12)
    (finding,) = [f for f in record.findings if f.code == "IRREGULAR_TIMES"]
    assert finding.values["doubled_stamps"] == 3


def test_a_stall_of_the_computer_is_no_gap(tmp_path: Path) -> None:
    """Rows held back for two intervals and then written quickly stay one interval apart."""
    seconds = np.arange(600.0)
    seconds[300:306] = [302.0, 302.4, 302.8, 303.2, 304.0, 305.0]
    record = eb.read_log(log_of(tmp_path / "log", seconds))
    assert record.missing == 0
    np.testing.assert_allclose(record.values * 1e9, np.arange(600), rtol=1e-12)


def test_uneven_points_are_no_grid(tmp_path: Path) -> None:
    """Points at random times keep them; where an interval is stated, the sentence says what to do."""
    seconds = np.cumsum(np.random.default_rng(7).uniform(0.1, 5.0, 200))
    path = log_of(tmp_path / "log", seconds)
    np.testing.assert_allclose(eb.read_log(path).elapsed_s, seconds - seconds[0], rtol=0, atol=1.1e-3)
    with pytest.raises(eb.LogError, match=r"too uneven for a grid.*leave --interval \(interval_s\) out"):
        eb.read_log(path, interval_s=2.5)


def test_rows_numbered_instead_of_timed_use_the_stated_interval(tmp_path: Path) -> None:
    """A first column that counts rows is no time where the interval is stated otherwise."""
    path = tmp_path / "log"
    path.write_text("".join(f"{k} {1e7 + 1e-3 * (k % 5):.4f}\n" for k in range(50)))
    record = eb.read_log(path, interval_s=10)
    assert record.interval_s == 10.0
    assert record.missing == 0
