"""Stability of openly licensed measurements, against what plain definitions give for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb


def phase_record(path: Path) -> eb.Record:
    """Return a column of time errors, one per second."""
    return eb.Record.from_phase(np.loadtxt(path), interval_s=1.0)


# SOURCE: test data of the allantools repository (LGPL-3.0-or-later): caesium beam against hydrogen maser by a
# time-interval counter; deviations by plain definitions as listed beside the data
def test_caesium_against_maser(open_data: Path) -> None:
    """The caesium beam is counter-limited at 1 s and white FM from 1000 s on; two computations agree."""
    record = phase_record(open_data / "caesium-vs-maser-phase.txt.gz")

    curve = eb.stability(record, averaging=[1, 1000, 100_000])

    assert curve.deviation == pytest.approx([3.3e-10, 4.7e-13, 2.6e-14], rel=0.05)
    assert curve.noise_exponent[1] == 0
    assert eb.crosscheck(curve, record).agrees


# SOURCE: as above: oven oscillator's frequency in Hz at 10 MHz, gate of 1 s
def test_oven_oscillator(open_data: Path) -> None:
    """The oven oscillator: counter-limited at 1 s, 5e-12 at 100 s."""
    reading = np.loadtxt(open_data / "oven-oscillator-frequency.txt.gz")
    record = eb.Record.from_frequency(
        (reading - 1e7) / 1e7, interval_s=1.0, gate_s=1.0, nominal_frequency_hz=1e7
    )

    curve = eb.stability(record, averaging=[1, 100])

    assert curve.deviation == pytest.approx([7.6e-11, 5.3e-12], rel=0.05)
    for statistic in ("modified_allan", "overlapping_hadamard", "time"):
        assert eb.crosscheck(eb.stability(record, statistic), record).agrees


# SOURCE: as above: a time-interval counter against itself through a cable
def test_counter_floor(open_data: Path) -> None:
    """The counter's own floor is white PM of 1.8e-11 at 1 s and falls as 1/τ."""
    record = phase_record(open_data / "counter-floor-time-interval.txt.gz")

    curve = eb.stability(record, averaging=[1, 10, 100])

    assert curve.deviation[0] == pytest.approx(1.8e-11, rel=0.05)
    slope = np.diff(np.log10(curve.deviation))
    assert slope == pytest.approx([-1, -1], abs=0.1)
    assert curve.noise_exponent[0] == 2
