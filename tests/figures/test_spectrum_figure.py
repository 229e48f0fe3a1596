"""The figure of a spectrum: what is drawn, what is said, and that little or nothing is no obstacle."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.figures.spectrum import spectrum_caption

MIXTURE = eb.NoiseLevels(white_pm=2e-20, white_fm=2e-22, random_walk_fm=3e-27)


@pytest.fixture(scope="module")
def record() -> eb.Record:
    """Return a simulated clock with three noises."""
    return eb.simulate_clock(2**14, interval_s=1.0, levels=MIXTURE, seed=5)


@pytest.fixture(scope="module")
def result(record: eb.Record) -> eb.results.Spectrum:
    """Return its spectrum."""
    return eb.spectrum(record)


def test_curve_band_and_units_are_drawn(result: eb.results.Spectrum) -> None:
    """The strong line is the binned spectrum, its interval the band; both axes say their unit."""
    ax = eb.plot(result)
    line = next(line for line in ax.lines if line.get_label() == "spectral density")

    assert np.array_equal(line.get_ydata(), result.binned(10).frequency_density)
    assert len(ax.collections) == 1
    assert "[Hz]" in ax.get_xlabel()
    assert "95 % interval" in ax.get_xlabel()
    assert "[1/Hz]" in ax.get_ylabel()
    assert ax.get_xscale() == ax.get_yscale() == "log"


def test_slopes_beside_the_axes_are_those_they_name(result: eb.results.Spectrum) -> None:
    """Each of the five short lines has the exponent of its noise (IEEE Std 1139: f² to f⁻²)."""
    ax = eb.plot(result)
    fan = [line.get_data() for line in ax.lines if line.get_label() == "slope"]
    slopes = [float((np.diff(np.log(s)) / np.diff(np.log(f)))[0]) for f, s in fan]
    names = [text.get_text() for text in ax.texts]

    assert slopes == pytest.approx([2, 1, 0, -1, -2], abs=1e-9)
    assert names == ["f² white PM", "f flicker PM", "f⁰ white FM", "f⁻¹ flicker FM", "f⁻² random-walk FM"]


def test_fitted_noises_are_drawn_on_request(record: eb.Record, result: eb.results.Spectrum) -> None:
    """With the fit of the levels each detected noise is its straight line, and their sum is drawn."""
    fit = eb.fit_noise_levels(record)
    ax = eb.plot(result, fit=fit)
    lines = [line.get_data() for line in ax.lines if line.get_label() == "fitted noise"]
    f, total = next(line.get_data() for line in ax.lines if line.get_label() == "sum of the fit")

    assert {2, 0, -2} <= set(fit.detected)
    assert np.sum([s for _, s in lines], axis=0) == pytest.approx(total)
    assert total == pytest.approx(sum(h * f**a for a, h in fit.levels.by_exponent.items()))


def test_sentence_names_the_lowest_density(result: eb.results.Spectrum) -> None:
    """The sentence above the figure gives the lowest density with its interval: that of white FM, 2e-22."""
    low, high = result.binned(10).confidence_interval()
    lowest = int(np.argmin(result.binned(10).frequency_density))

    assert low[lowest] < 2.1e-22 < 1.3 * high[lowest]
    assert "95 % interval" in spectrum_caption(result)
    assert eb.plot(result).get_title(loc="left").replace("\n", " ") == spectrum_caption(result)


def test_few_lines_and_silent_readings_are_drawn() -> None:
    """A short record and one whose readings do not vary give figures, the latter saying so."""
    readings = np.random.default_rng(1).standard_normal(24) * 1e-11
    few = eb.spectrum(eb.Record.from_frequency(readings, interval_s=1.0), segments=1)
    silent = eb.spectrum(eb.Record.from_frequency(np.zeros(200), interval_s=1.0))

    assert len(eb.plot(few).lines) >= 1
    assert "do not vary" in eb.plot(silent).get_title(loc="left")


def test_phase_noise_of_a_carrier_is_drawn(result: eb.results.Spectrum, record: eb.Record) -> None:
    """For a carrier L(f) = S_φ/2 in dBc/Hz (IEEE Std 1139): line, slopes, fit, unit and sentence."""
    ax = eb.plot(result, carrier_hz=10e6)
    line = next(line for line in ax.lines if line.get_label() == "spectral density")
    shown = result.binned(10)
    fan = [line.get_data() for line in ax.lines if line.get_label() == "slope"]
    fit = eb.fit_noise_levels(record)
    f, total = next(
        line.get_data()
        for line in eb.plot(result, carrier_hz=10e6, fit=fit).lines
        if line.get_label() == "sum of the fit"
    )

    assert line.get_ydata() == pytest.approx(shown.phase_noise_dbc_per_hz(10e6))
    assert [float((np.diff(y) / np.diff(np.log10(x)))[0]) for x, y in fan] == pytest.approx(
        [0, -10, -20, -30, -40], abs=1e-6
    )
    density = sum(h * f**a for a, h in fit.levels.by_exponent.items())
    assert total == pytest.approx(10 * np.log10(0.5 * density * (10e6 / f) ** 2))
    assert ax.get_yscale() == "linear"
    assert "10 MHz [dBc/Hz]" in ax.get_ylabel()
    assert "On a carrier of 10 MHz the phase noise is −" in ax.get_title(loc="left").replace("\n", " ")
    assert [text.get_text() for text in ax.texts][:2] == ["f⁰ white PM", "f⁻¹ flicker PM"]
    with pytest.raises(eb.InputError, match="carrier_hz"):
        eb.plot(result, carrier_hz=-1.0)
