"""Responses known in closed form: drift, sinusoidal frequency modulation, pure noises, time error."""

from __future__ import annotations

import math

import numpy as np
import pytest

import evenbeat as eb

NOISES = {
    "white_pm": eb.NoiseLevels(white_pm=3e-20),
    "white_fm": eb.NoiseLevels(white_fm=2e-22),
    "flicker_fm": eb.NoiseLevels(flicker_fm=1e-24),
    "random_walk_fm": eb.NoiseLevels(random_walk_fm=1e-28),
}


# SOURCE: NIST SP 1065 (2008) and IEEE Std 1139 (common knowledge of the field): drift D gives D τ/√2 in the
# Allan and modified Allan deviations and nothing in the Hadamard deviation
@pytest.mark.parametrize("statistic", ["allan", "overlapping_allan", "modified_allan"])
def test_drift_in_allan_statistics(statistic: str) -> None:
    """A pure drift gives D τ/√2 at every averaging time."""
    drift = 1e-15
    time = 10.0 * np.arange(2000)
    record = eb.Record.from_phase(0.5 * drift * time**2, interval_s=10.0)

    curve = eb.stability(record, statistic, averaging=[1, 7, 100])

    # phase reaches 0.2 µs, so that its last bit is 5e-23 s: 5e-10 of the second difference at factor 1
    assert curve.deviation == pytest.approx(drift * curve.averaging_time_s / math.sqrt(2), rel=1e-8)


@pytest.mark.parametrize("statistic", ["hadamard", "overlapping_hadamard"])
def test_drift_in_hadamard_statistics(statistic: str) -> None:
    """A pure drift leaves nothing but rounding in the Hadamard deviations."""
    drift = 1e-15
    time = 10.0 * np.arange(2000)
    record = eb.Record.from_phase(0.5 * drift * time**2, interval_s=10.0)

    curve = eb.stability(record, statistic, averaging=[1, 7, 100])

    assert np.all(curve.deviation < 1e-8 * drift * curve.averaging_time_s)


# SOURCE: NIST SP 1065 (2008), 5.6 (from memory) and evaluation of the transfer function: y = A sin(2π f t)
# gives A sin²(π f τ)/(π f τ); modified: A |sin³(π f τ)|/(π f τ n sin(π f τ₀)); Hadamard: √(4/3) A |sin³(π f
# τ)|/(π f τ)
@pytest.mark.parametrize(
    ("statistic", "response"),
    [
        ("overlapping_allan", lambda u, n, step: np.sin(u) ** 2 / u),
        ("modified_allan", lambda u, n, step: np.abs(np.sin(u) ** 3) / (u * n * math.sin(step))),
        ("overlapping_hadamard", lambda u, n, step: math.sqrt(4 / 3) * np.abs(np.sin(u) ** 3) / u),
    ],
)
def test_sinusoidal_modulation(statistic: str, response: object) -> None:
    """A sinusoidal modulation over many periods shows the response of its transfer function."""
    amplitude, period = 3e-11, 864.0
    time = np.arange(100 * 864 + 1, dtype=float)
    phase = -amplitude * period / (2 * np.pi) * np.cos(2 * np.pi * time / period)
    factors = np.array([40, 200, 321, 500])

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=1.0), statistic, averaging=factors)

    expected = amplitude * response(np.pi * factors / period, factors, np.pi / period)
    assert curve.deviation == pytest.approx(expected, rel=5e-3)  # the record is not a whole number of periods


# SOURCE: NIST SP 1065 (2008), table of power-law conversions, checked by integration of the transfer
# functions
@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize(
    ("statistic", "kind"),
    [
        ("overlapping_allan", "allan"),
        ("modified_allan", "modified"),
        ("time", "time"),
        ("overlapping_hadamard", "hadamard"),
    ],
)
def test_power_law_noise(noise: str, statistic: str, kind: str) -> None:
    """Simulated noise of known level gives the published deviation within its own 99.9 % interval."""
    record = eb.simulate_clock(60_000, interval_s=2.0, levels=NOISES[noise], seed=20, kind="phase")

    curve = eb.stability(record, statistic, averaging=[32, 128])

    expected = NOISES[noise].deviation(curve.averaging_time_s, kind, cutoff_hz=0.25)
    low, high = curve.confidence_interval(0.999)
    assert np.all((low < expected) & (expected < high))


# SOURCE: ITU-T G.810 (1996) appendix II, definitions evaluated by hand on eight samples
HAND_SAMPLES = [0.0, 1.0, -1.0, 2.0, 3.0, 1.0, 4.0, 6.0]
HAND_MTIE = [3, 5, 5, 5, 7, 7, 7]
HAND_RMS = [2.138089935, 2.738612788, 2.236067977, 3.535533906, 4.434711565, 4.527692569, 6]


def test_time_interval_error_by_hand() -> None:
    """The hand-evaluated maximum and rms time interval errors, the single last window included."""
    record = eb.Record.from_phase(HAND_SAMPLES, interval_s=1.0)

    mtie = eb.time_interval_error(record, "mtie", averaging="every")
    rms = eb.time_interval_error(record, "rms", averaging="every")

    assert mtie.time_error_s.tolist() == HAND_MTIE
    assert mtie.windows.tolist() == [7, 6, 5, 4, 3, 2, 1]
    assert rms.time_error_s == pytest.approx(HAND_RMS, rel=1e-9)


# SOURCE: ITU-T G.810 (1996): constant offset y gives |y| τ; sinusoidal wander of peak-to-peak A gives A
# sin(π f τ) up to half a period and A beyond
def test_time_interval_error_of_an_offset_and_of_wander() -> None:
    """A frequency record keeps its offset; sinusoidal wander reaches its peak-to-peak value."""
    offset = eb.Record.from_frequency(np.full(500, -3e-9), interval_s=10.0)
    wander = eb.Record.from_phase(0.5e-6 * np.sin(2 * np.pi * np.arange(4001) / 400), interval_s=1.0)

    steady = eb.time_interval_error(offset, averaging=[1, 77, 500])
    waves = eb.time_interval_error(wander, averaging=[50, 100, 200, 300])

    assert steady.time_error_s == pytest.approx(3e-9 * steady.averaging_time_s, rel=1e-12)
    expected = 1e-6 * np.sin(np.pi * np.minimum(waves.averaging_time_s, 200) / 400)
    assert waves.time_error_s == pytest.approx(expected, rel=1e-3)  # samples do not fall on the very crest
