"""Spectra: against scipy, against the levels of simulated clocks, against Parseval, with gaps."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import signal, stats

import evenbeat as eb

NOISES = {"white_pm": 2, "flicker_pm": 1, "white_fm": 0, "flicker_fm": -1, "random_walk_fm": -2}


def white(n: int, seed: int = 1) -> np.ndarray:
    """Return white frequency readings."""
    return np.random.default_rng(seed).standard_normal(n) * 1e-11


def test_values_are_those_of_a_reference_library() -> None:
    """The same settings give what scipy.signal.welch gives, phase converted by (2πf)² (IEEE Std 1139)."""
    y = white(4096)
    result = eb.spectrum(eb.Record.from_frequency(y, interval_s=10.0), segments=7)
    f, s = signal.welch(signal.detrend(y), fs=0.1, window="hann", nperseg=1024, noverlap=512)

    assert result.segments == 7
    assert result.frequency_hz == pytest.approx(f[3:-1])
    assert result.frequency_density == pytest.approx(s[3:-1], rel=1e-9)


def test_sampled_phase_agrees_with_the_spectrum_of_the_phase_itself() -> None:
    """Of white PM the densities are those that scipy.signal.welch finds in the phase, times (2πf)²."""
    x = white(2**14) * 100
    result = eb.spectrum(eb.Record.from_phase(x, interval_s=10.0), segments=63)  # of 510
    f, s = signal.welch(signal.detrend(x), fs=0.1, window="hann", nperseg=510, noverlap=255, detrend="linear")

    assert result.sampled == "phase"
    assert result.frequency_hz == pytest.approx(f[3:-1])
    # differencing and tapering do not commute: the same segments, lines a few percent apart
    assert result.phase_density_s2_per_hz[10:] == pytest.approx(s[13:-1], rel=0.1)
    assert np.mean(result.phase_density_s2_per_hz / s[3:-1]) == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize(("name", "alpha"), NOISES.items())
def test_levels_of_simulated_clocks_are_recovered(name: str, alpha: int) -> None:
    """S_y = h_α f^α is found within 6 % up to a twentieth of the sampling rate, for each noise alone.

    With some 3000 degrees of freedom in all the mean is known to about 2.5 %; sampling folds flicker and
    random-walk FM beyond that frequency, which the docstring states.
    """
    ratios = []
    for seed in range(8):
        levels = eb.NoiseLevels(**{name: 1e-22})
        record = eb.simulate_clock(2**13, interval_s=10.0, levels=levels, seed=seed)
        result = eb.spectrum(record)
        trusted = (result.frequency_hz > 6 * result.frequency_hz[0] / 3) & (result.frequency_hz < 0.005)
        law = 1e-22 * result.frequency_hz[trusted] ** alpha
        ratios.append(np.mean(result.frequency_density[trusted] / law))

    assert np.mean(ratios) == pytest.approx(1.0, rel=0.06)


def test_both_ends_of_a_mixture_are_right_at_once() -> None:
    """White PM under strong random-walk FM: neither hides the other by leakage."""
    levels = eb.NoiseLevels(white_pm=2e-20, random_walk_fm=3e-25)
    record = eb.simulate_clock(2**15, interval_s=1.0, levels=levels, seed=7, kind="phase")
    result = eb.spectrum(record).binned(6)
    low, high = (result.frequency_hz > 5e-4) & (result.frequency_hz < 5e-3), result.frequency_hz > 0.15

    assert np.mean((result.frequency_density * result.frequency_hz**2)[low]) == pytest.approx(3e-25, rel=0.2)
    assert np.mean((result.frequency_density / result.frequency_hz**2)[high]) == pytest.approx(
        2e-20, rel=0.05
    )


def test_density_integrates_to_the_variance() -> None:
    """Parseval: the integral of S_y over the frequencies kept is the variance they carry."""
    y = white(2**14)
    result = eb.spectrum(eb.Record.from_frequency(y, interval_s=2.0))
    width = result.frequency_hz[1] - result.frequency_hz[0]
    share = 2 * len(result) * width * 2.0  # of the band up to half the sampling rate

    # ends of the tapered record weigh less: the standard error of the ratio is about 0.5 %
    assert np.sum(result.frequency_density) * width == pytest.approx(share * np.var(y), rel=0.02)


def test_phase_noise_follows_from_the_definition() -> None:
    """L(f) = S_φ/2: white phase noise of 1 ps rms in a bandwidth of 0.5 Hz on 10 MHz is -87.0 dBc/Hz."""
    x = np.random.default_rng(3).standard_normal(2**15) * 1e-12
    record = eb.Record.from_phase(x, interval_s=1.0, nominal_frequency_hz=10e6)
    result = eb.spectrum(record)
    expected = 10 * np.log10(0.5 * (2 * np.pi * 10e6 * 1e-12) ** 2 / 0.5)  # IEEE Std 1139

    assert expected == pytest.approx(-84.036, abs=1e-3)
    assert 10 * np.log10(np.mean(10 ** (result.phase_noise_dbc_per_hz() / 10))) == pytest.approx(
        expected, abs=0.1
    )
    assert result.phase_noise_dbc_per_hz(100e6) - result.phase_noise_dbc_per_hz() == pytest.approx(
        np.full(len(result), 20.0), abs=1e-9
    )


def test_intervals_cover_what_they_say() -> None:
    """Of white FM at known level 95 % of the intervals hold it, single lines and binned alike."""
    inside: dict[int | None, list[float]] = {None: [], 10: []}
    for seed in range(60):
        record = eb.Record.from_frequency(white(2048, seed), interval_s=1.0)
        for bins, shares in inside.items():
            low, high = eb.spectrum(record, bins_per_decade=bins).confidence_interval()
            shares.append(float(np.mean((low < 2e-22) & (high > 2e-22))))

    assert np.mean(inside[None]) == pytest.approx(0.95, abs=0.01)
    assert np.mean(inside[10]) == pytest.approx(0.95, abs=0.025)


@pytest.mark.slow
def test_degrees_of_freedom_are_corrected_for_overlap() -> None:
    """The spread of a line over many records is that of chi-squared with the stated freedom (Welch 1967)."""
    lines = []
    for seed in range(250):
        result = eb.spectrum(eb.Record.from_frequency(white(1024, seed), interval_s=1.0), segments=5)
        lines.append(result.frequency_density)
    spread = np.mean(np.var(lines, axis=0) / np.mean(lines, axis=0) ** 2)

    assert 2 / spread == pytest.approx(result.degrees_of_freedom[0], rel=0.04)
    assert stats.chi2(result.degrees_of_freedom[0]).ppf(0.975) / result.degrees_of_freedom[
        0
    ] == pytest.approx((result.frequency_density / result.confidence_interval(0.95)[0])[0])


def test_gaps_are_left_out_and_said() -> None:
    """A record with a gap gives the mean over both its stretches; nothing is interpolated."""
    y = white(3000)
    y[1000:1100] = np.nan
    result = eb.spectrum(eb.Record.from_frequency(y, interval_s=1.0), segments=9)
    length = 2 * 1900 // 10
    sums, counts = 0.0, 0
    for stretch in (y[:1000], y[1100:]):
        count = (len(stretch) - length) // (length // 2) + 1
        _, s = signal.welch(signal.detrend(stretch), nperseg=length, noverlap=length // 2)
        sums, counts = sums + count * s, counts + count

    assert result.segments == counts
    assert result.frequency_density == pytest.approx((sums / counts)[3:-1], rel=1e-9)
    found = {finding.code: finding for finding in result.findings}
    assert found["GAPS_SKIPPED"].values["stretches"] == 2
    assert "nothing was filled in" in found["GAPS_SKIPPED"].sentence


def test_white_pm_with_a_gap_keeps_its_level() -> None:
    """Frequencies that are differences of white phase give its level, gap or not."""
    levels = eb.NoiseLevels(white_pm=1e-20)
    y = np.array(eb.simulate_clock(8000, interval_s=1.0, levels=levels, seed=2).values)
    y[3000:3010] = np.nan
    result = eb.spectrum(eb.Record.from_frequency(y, interval_s=1.0))

    assert result.sampled == "phase"
    assert np.mean(result.frequency_density / result.frequency_hz**2) == pytest.approx(1e-20, rel=0.05)


def test_scaling_and_unit_of_time_carry_over() -> None:
    """Values 1e-12 times as large give densities 1e-24 times as large."""
    y = white(2048)
    one = eb.spectrum(eb.Record.from_frequency(y, interval_s=1.0))
    small = eb.spectrum(eb.Record.from_frequency(y * 1e-12, interval_s=1.0))

    assert small.frequency_density == pytest.approx(one.frequency_density * 1e-24, rel=1e-9)


def test_a_spectrum_prints_and_saves_itself() -> None:
    """One line, a table of at most 80 columns, a frame and JSON that all hold the same numbers."""
    record = eb.Record.from_frequency(white(2048), interval_s=1.0, nominal_frequency_hz=10e6)
    result = eb.spectrum(record, bins_per_decade=5)

    assert repr(result).startswith("<Spectral density from 0.00763 Hz to")
    assert max(len(line) for line in str(result).splitlines()) <= 80
    assert result.to_frame()["phase_noise_dbc_per_hz"].tolist() == result.phase_noise_dbc_per_hz().tolist()
    assert json.loads(json.dumps(result.to_dict()))["frequency_hz"] == result.frequency_hz.tolist()


def test_impossible_requests_are_answered() -> None:
    """No segments, too short a record and a missing carrier give a sentence each."""
    record = eb.Record.from_frequency(white(100), interval_s=1.0)
    with pytest.raises(eb.InputError, match="segments is 0"):
        eb.spectrum(record, segments=0)
    with pytest.raises(eb.InputError, match=r"segments is 2\.5"):
        eb.spectrum(record, segments=2.5)
    with pytest.raises(eb.errors.TooShortError, match="20 segments need a stretch of at least 168 samples"):
        eb.spectrum(record, segments=20)
    with pytest.raises(eb.InputError, match="states no nominal frequency"):
        eb.spectrum(record).phase_noise_dbc_per_hz()
    with pytest.raises(eb.InputError, match="bins_per_decade is 0"):
        eb.spectrum(record, bins_per_decade=0)
