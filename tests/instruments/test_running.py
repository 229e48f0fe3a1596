"""The running Allan deviation equals that of the finished record, in memory that does not grow."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from evenbeat.instruments.progress import RunningAllan


def frequencies(n: int) -> np.ndarray:
    """Return white plus random-walk frequency noise."""
    random = np.random.default_rng(5)
    return 1e-11 * random.standard_normal(n) + 1e-12 * np.cumsum(random.standard_normal(n))


@pytest.mark.parametrize("n", [5, 1000, 4096])
def test_frequency_agrees_with_allantools(n: int) -> None:
    """Every doubling of the averaging time, against allantools.adev (non-overlapping)."""
    y = frequencies(n)
    running = RunningAllan(interval_s=10.0)
    for value in y:
        running.add(float(value))
    factors = [2**j for j in range(12) if n // 2**j >= 2]
    tau, deviation, _, _ = allantools.adev(y, rate=0.1, data_type="freq", taus=[10.0 * m for m in factors])

    rows = running.table()[: len(tau)]
    assert [row[0] for row in rows] == list(tau)
    assert [row[1] for row in rows] == pytest.approx(list(deviation), rel=1e-9)
    assert [row[2] for row in rows] == [n // m - 1 for m in factors][: len(tau)]


def test_phase_agrees_with_allantools() -> None:
    """The same for time errors."""
    x = np.concatenate([[0.0], np.cumsum(frequencies(1024))]) * 2.0
    running = RunningAllan(interval_s=2.0, phase=True)
    for value in x:
        running.add(float(value))
    tau, deviation, _, _ = allantools.adev(
        x, rate=0.5, data_type="phase", taus=[2.0 * 2**j for j in range(9)]
    )

    rows = running.table()[: len(tau)]
    assert [row[0] for row in rows] == list(tau)
    assert [row[1] for row in rows] == pytest.approx(list(deviation), rel=1e-6)


def test_missing_samples_take_their_pairs_away() -> None:
    """Against pairs counted by hand: with sample 3 of 0..7 missing, only whole averages are compared."""
    y = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0]
    running = RunningAllan(interval_s=1.0)
    for value in y[:3]:
        running.add(value)
    running.miss(1)
    for value in y[4:]:
        running.add(value)

    single = [y[i + 1] - y[i] for i in (0, 1, 4, 5, 6)]
    double = [(y[6] + y[7]) / 2 - (y[4] + y[5]) / 2]
    expected = [np.sqrt(np.mean(np.square(steps)) / 2) for steps in (single, double)]
    assert [row[1] for row in running.table()] == pytest.approx(expected)
    assert [row[2] for row in running.table()] == [5, 1]


def test_a_gap_of_weeks_costs_nothing() -> None:
    """A gap too long to count through begins every average anew and keeps what was summed."""
    running = RunningAllan(interval_s=1.0, phase=True)
    for value in (0.0, 1.0, 3.0):
        running.add(value)
    running.miss(10**12)
    for value in (1e9, 1e9 + 1.0, 1e9 + 3.0):
        running.add(value)

    assert running.table() == [(1.0, pytest.approx(np.sqrt(0.5)), 2)]
