"""The largest movement within windows is that of every window looked at."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations import time_error


def every_window(phase: np.ndarray, factor: int) -> float:
    """Return the maximum of the definition."""
    # SOURCE: numpy.lib.stride_tricks.sliding_window_view, ITU-T G.810 appendix II
    windows = np.lib.stride_tricks.sliding_window_view(np.asarray(phase, dtype=float), factor + 1)
    return float((windows.max(axis=1) - windows.min(axis=1)).max())


@pytest.mark.grid(3)
@pytest.mark.parametrize("kind", ["white", "walk", "slope", "steps", "constant"])
@pytest.mark.parametrize("points", [2, 63, 64, 65, 1000, 1024])
def test_every_factor(kind: str, points: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """At every factor, with groups and pieces so small that all ends occur, to the last bit."""
    white = np.random.default_rng(points).standard_normal(points)
    phase = {
        "white": white,
        "walk": np.cumsum(white),
        "slope": 1e-3 * np.arange(points) + white,
        "steps": np.round(np.cumsum(white) / 10),
        "constant": np.full(points, 3.0),
    }[kind]
    monkeypatch.setattr(time_error, "GROUP", 16)
    monkeypatch.setattr(time_error, "FEWEST_GROUPS", 4)
    monkeypatch.setattr(time_error, "PIECE", 100)
    factors = np.arange(1, points)

    found = time_error.largest_movements(phase, factors)

    assert found.tolist() == [every_window(phase, int(factor)) for factor in factors]


def test_long_record_in_single_precision(monkeypatch: pytest.MonkeyPatch) -> None:
    """With long windows and single precision, values and windows are those of the definition."""
    monkeypatch.setattr(time_error, "FEWEST_GROUPS", 4)
    phase = np.cumsum(np.random.default_rng(1).standard_normal(20_000)).astype(np.float32)
    factors = [1, 500, 2047, 2048, 2049, 9000, 19_999]

    curve = eb.time_interval_error(eb.Record.from_phase(phase, interval_s=1.0), averaging=factors)

    assert curve.time_error_s.tolist() == [every_window(phase, factor) for factor in factors]
    assert curve.windows.tolist() == [20_000 - factor for factor in factors]


@pytest.mark.parametrize("kind", ["phase", "single precision", "frequency"])
def test_windows_with_a_gap_are_left_out(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With gaps the windows that hold no missing sample count, at every length, long ones by groups."""
    monkeypatch.setattr(time_error, "GROUP", 16)
    monkeypatch.setattr(time_error, "FEWEST_GROUPS", 4)
    monkeypatch.setattr(time_error, "PIECE", 100)
    frequency = np.random.default_rng(4).standard_normal(700)
    frequency[[90, 91, 333]] = np.nan
    phase = np.cumsum(np.nan_to_num(frequency))
    phase[[90, 91, 333, 699]] = np.nan
    if kind == "frequency":
        record = eb.Record.from_frequency(frequency, interval_s=1.0)
        phase = np.cumsum(np.concatenate([[0.0], frequency[:90]]))
        for begin, end in ((92, 333), (334, 700)):
            phase = np.concatenate(
                [phase, [np.nan], np.cumsum(np.concatenate([[0.0], frequency[begin:end]]))]
            )
    else:
        phase = phase.astype(np.float32) if kind == "single precision" else phase
        record = eb.Record.from_phase(phase, interval_s=1.0)
    factors = [1, 2, 15, 16, 63, 64, 65, 200, 300, 360, 367, 400, 690]

    curve = eb.time_interval_error(record, averaging=factors)

    for factor, moved, windows in zip(factors, curve.time_error_s, curve.windows, strict=True):
        every = np.lib.stride_tricks.sliding_window_view(np.asarray(phase, dtype=float), factor + 1)
        whole = every[~np.isnan(every).any(axis=1)]
        assert windows == len(whole), factor
        if len(whole):
            assert moved == pytest.approx(float(np.ptp(whole, axis=1).max()), rel=1e-13), factor
        else:
            assert np.isnan(moved), factor
