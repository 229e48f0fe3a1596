"""Time interval error: windows, gaps, offsets."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

import evenbeat as eb


def wander(n: int, seed: int = 1) -> np.ndarray:
    """Return phase with white FM of nanoseconds."""
    return 1e-9 * np.cumsum(np.random.default_rng(seed).standard_normal(n))


def test_mtie_against_sliding_extremes_of_scipy() -> None:
    """At every window length of a random record the value is that of scipy's sliding extremes."""
    # SOURCE: scipy.ndimage.maximum_filter1d and minimum_filter1d
    phase = wander(700)
    curve = eb.time_interval_error(eb.Record.from_phase(phase, interval_s=1.0), averaging="every")

    for factor, value in zip(curve.averaging_factor, curve.time_error_s, strict=True):
        size = int(factor) + 1
        span = ndimage.maximum_filter1d(phase, size) - ndimage.minimum_filter1d(phase, size)
        begin = size // 2
        assert value == span[begin : begin + len(phase) - size + 1].max()
    assert curve.time_error_s[-1] == phase.max() - phase.min()
    assert np.all(np.diff(curve.time_error_s) >= 0)


def test_long_records_cross_blocks() -> None:
    """Blocks of the sliding maximum leave no seam."""
    phase = wander(200_000)
    factors = [1, 1000, 65_535, 65_536, 70_001, 150_000]
    curve = eb.time_interval_error(eb.Record.from_phase(phase, interval_s=1.0), averaging=factors)

    for factor, value in zip(factors, curve.time_error_s, strict=True):
        size = factor + 1
        span = ndimage.maximum_filter1d(phase, size) - ndimage.minimum_filter1d(phase, size)
        assert value == span[size // 2 : size // 2 + len(phase) - size + 1].max()


@pytest.mark.parametrize("kind", ["phase", "frequency"])
@pytest.mark.parametrize("statistic", ["mtie", "rms"])
def test_gaps_against_explicit_loops(kind: str, statistic: str) -> None:
    """Windows that touch a gap are left out and counted, whichever quantity has the gap."""
    generator = np.random.default_rng(4)
    missing = generator.random(150) < 0.04
    if kind == "phase":
        phase = wander(150)
        phase[missing] = np.nan
        record = eb.Record.from_phase(phase, interval_s=2.0)
        broken = np.zeros(149, dtype=bool)
    else:
        frequency = 1e-9 + 1e-10 * generator.standard_normal(150)
        record = eb.Record.from_frequency(np.where(missing, np.nan, frequency), interval_s=2.0)
        phase = np.concatenate([[0.0], np.cumsum(frequency * 2.0)])
        broken = missing
    windows = []
    for i in range(len(phase) - 6):
        window = phase[i : i + 7]
        ends = window[[0, -1]]
        if broken[i : i + 6].any() or np.isnan(window if statistic == "mtie" else ends).any():
            continue
        windows.append(window.max() - window.min() if statistic == "mtie" else ends[1] - ends[0])
    expected = max(windows) if statistic == "mtie" else np.sqrt(np.mean(np.square(windows)))

    curve = eb.time_interval_error(record, statistic, averaging=[6])

    assert curve.windows.tolist() == [len(windows)]
    assert curve.time_error_s[0] == pytest.approx(expected, rel=1e-9)
    assert [finding.code for finding in curve.findings] == ["GAPS_SKIPPED"]


def test_removed_slope_counts() -> None:
    """A phase record that was integrated with its slope taken out shows the slope in the time error."""
    record = eb.Record.from_frequency(np.full(100, 2e-8), interval_s=10.0).to_phase()

    assert record.removed_frequency == pytest.approx(2e-8)
    for statistic in ("mtie", "rms"):
        curve = eb.time_interval_error(record, statistic, averaging=[1, 50])
        assert curve.time_error_s == pytest.approx([2e-7, 1e-5], rel=1e-9)


def test_no_window_without_a_gap() -> None:
    """Where every window touches a gap the value is unknown, not zero."""
    phase = wander(30)
    phase[::5] = np.nan

    curve = eb.time_interval_error(eb.Record.from_phase(phase, interval_s=1.0), averaging=[3, 6])

    assert np.isfinite(curve.time_error_s[0])
    assert np.isnan(curve.time_error_s[1])
    assert json.loads(json.dumps(curve.to_dict(), allow_nan=False))["time_error_s"][1] is None


def test_refusals_and_findings() -> None:
    """Unknown statistics and impossible windows are refused; those beyond the record are named."""
    record = eb.Record.from_phase(wander(50), interval_s=1.0)

    with pytest.raises(eb.InputError, match="statistic is 'peak'; it must be 'mtie' or 'rms'"):
        eb.time_interval_error(record, "peak")
    with pytest.raises(eb.errors.TooShortError, match="none of the averaging factors 50 can be computed"):
        eb.time_interval_error(record, averaging=[50])
    curve = eb.time_interval_error(record, averaging=[49, 60])
    assert [finding.code for finding in curve.findings] == ["FACTORS_NOT_COMPUTED"]
    assert curve.windows.tolist() == [1]


def test_curve_shows_itself() -> None:
    """One line, a table, a frame."""
    curve = eb.time_interval_error(eb.Record.from_phase(np.arange(11) * 1e-9, interval_s=60.0))
    named = replace(curve, record_name="kittiwake.csv")

    assert repr(named) == "<Maximum time interval error of kittiwake.csv: 10 ns within 10 min>"
    assert "window / s" in str(curve)
    assert list(curve.to_frame().columns) == [
        "averaging_time_s",
        "averaging_factor",
        "time_error_s",
        "windows",
    ]
