"""Outliers are flagged, and nothing else is: not wander, drift, steps or a coarse display."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

import evenbeat as eb
from evenbeat.conditioning.outliers import with_outliers_flagged

NOISES = {
    "white_fm": eb.NoiseLevels(white_fm=2e-24),
    "flicker_fm": eb.NoiseLevels(flicker_fm=1e-24),
    "random_walk_fm": eb.NoiseLevels(random_walk_fm=1e-28),
}


def flagged(record: eb.Record, threshold: float = 5.0) -> list[int]:
    """Return the positions that are flagged as outliers."""
    result = with_outliers_flagged(record, threshold=threshold)
    return [k for f in result.flags if f.cause == "outlier" for k in range(f.start, f.stop)]


def clock(noise: str, kind: str, seed: int, n: int = 3000) -> eb.Record:
    """Return a clock with drift."""
    return eb.simulate_clock(
        n, interval_s=10, levels=NOISES[noise], seed=seed, kind=kind, aging=lambda t: 1e-16 * t + 3e-8
    )


def test_handbook_example() -> None:
    """One reading of 9.0 among readings near 1.2 (52.8 robust sigmas by median and MAD) is the outlier."""
    values = np.array([1.2, 1.1, 1.3, 1.25, 0.9, 1.15, 9.0, 1.05] * 1 + [1.2, 1.1, 1.3, 1.25])
    assert flagged(eb.Record.from_frequency(values * 1e-9, interval_s=1)) == [6]


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_noise_and_drift_hold_no_outlier(noise: str, kind: str) -> None:
    """In 20 records of 3000 normal samples at most one sample is called an outlier (normal: 0.03)."""
    assert sum(len(flagged(clock(noise, kind, seed))) for seed in range(20)) <= 1


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_glitches_are_found_where_they_are(noise: str, kind: str) -> None:
    """Glitches far above the sample-to-sample change are flagged, up to three in a row, and only they."""
    record = clock(noise, kind, seed=1)
    values = np.array(record.values)
    change = np.std(np.diff(values, n=1 if kind == "frequency" else 2))
    bad = [0, 5, 1000, 1001, 2000, 2001, 2002, 2999]
    values[bad] += 60 * change
    assert flagged(replace(record, values=values)) == bad


def test_nothing_is_deleted() -> None:
    """The samples stay as they were; the flag leaves them out and the history says so."""
    record = clock("white_fm", "frequency", seed=2)
    values = np.array(record.values)
    values[77] = 1e-3
    result = eb.condition(replace(record, values=values))
    np.testing.assert_array_equal(result.values, values)
    assert result.excluded == 1
    assert np.isnan(result.usable_values(without_steps=False)[77])
    assert any(str(entry).startswith("outliers(threshold=5.0") for entry in result.history)


@pytest.mark.parametrize("sigma", [0.05, 0.3, 0.5, 0.74, 1.0, 3.0])
def test_coarse_displays_hold_no_outlier(sigma: float) -> None:
    """Normal noise of any size beside the display step is not mistaken for outliers, even where MAD = 0."""
    noise = np.random.default_rng(3).normal(0, sigma, 20_000)
    record = eb.Record.from_frequency(np.round(noise) * 1e-8, interval_s=10)
    assert len(flagged(record)) <= 1


def test_glitch_beyond_a_quiet_display_is_found() -> None:
    """Readings that never change but for one far away: that one is flagged, although MAD = 0."""
    values = np.full(500, 3e-8)
    values[[100, 101]] = 4e-8  # one display step is no outlier
    values[300] = 5e-7
    assert flagged(replace(eb.Record.from_frequency(values, interval_s=10), resolution=1e-8)) == [300]


def test_steps_and_bends_are_no_outliers() -> None:
    """The samples around a step of frequency, a step of phase and a bend of phase stay."""
    generator = np.random.default_rng(4)
    step = generator.normal(0, 1e-12, 2000) + 1e-10 * (np.arange(2000) >= 1000)
    assert flagged(eb.Record.from_frequency(step, interval_s=1)) == []
    noise = generator.normal(0, 1e-10, 2000)
    assert flagged(eb.Record.from_phase(noise + 1e-8 * (np.arange(2000) >= 1000), interval_s=1)) == []
    assert (
        flagged(eb.Record.from_phase(noise + 1e-8 * np.maximum(np.arange(2000) - 1000, 0), interval_s=1))
        == []
    )


@pytest.mark.slow
@given(scale=st.sampled_from([1e-18, 1e-15, 1e-9, 1e-6]), slope=st.floats(-1e3, 1e3))
def test_scale_and_ramp_change_nothing(scale: float, slope: float) -> None:
    """Scaling the data, or adding a ramp to a phase record, flags the same samples."""
    values = np.random.default_rng(5).normal(0, 1, 300)
    values[[50, 200]] += 30
    plain = eb.Record.from_phase(values, interval_s=1)
    other = eb.Record.from_phase(scale * (values + slope * np.arange(300)), interval_s=1)
    assert flagged(plain) == flagged(other) == [50, 200]


def test_threshold_must_be_positive() -> None:
    """A threshold of zero is refused with what would be accepted."""
    with pytest.raises(eb.InputError, match="outlier_threshold is 0; it must be a positive number"):
        eb.condition(clock("white_fm", "frequency", seed=1), outlier_threshold=0)


def test_caesium_log_has_one_20_ns_outlier(open_data: Path) -> None:
    """caesium-vs-maser-phase (SOURCES.md: one 20 ns outlier): that one and no other is flagged."""
    record = eb.read_log(open_data / "caesium-vs-maser-phase.txt.gz")
    result = with_outliers_flagged(record, threshold=5)
    (flag,) = result.flags
    assert flag.stop - flag.start == 1
    (finding,) = [f for f in result.findings if f.code == "OUTLIERS"]
    assert abs(finding.values["largest"]) == pytest.approx(20e-9, rel=0.05)


@pytest.mark.parametrize("number", [3, 4])
def test_counter_bit_errors_are_flagged(open_data: Path, number: int) -> None:
    """crystal-with-temperature (SOURCES.md: bit errors of single readings): all are flagged."""
    record = eb.read_log(
        open_data / f"crystal-with-temperature-{number}.csv.gz", nominal_frequency_hz=10.14e6
    )
    hertz = record.nominal_frequency_hz * (1 + record.values)
    off = hertz - ndimage.median_filter(hertz, size=11)
    errors = np.flatnonzero(np.abs(off) > 200)
    assert set(errors) <= set(flagged(record))
    assert len(flagged(record)) < 0.003 * len(record)
    assert np.abs(off).max() == pytest.approx({3: 2048, 4: 512}[number], abs=3)  # powers of two
