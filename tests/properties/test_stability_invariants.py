"""Invariances of the deviations: what must not change, and what must change in proportion."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import evenbeat as eb

ALL = ["allan", "overlapping_allan", "modified_allan", "time", "hadamard", "overlapping_hadamard"]
OVERLAPPING = ["overlapping_allan", "modified_allan", "time", "overlapping_hadamard"]


FEW = settings(max_examples=15)


COUNT_S = 2.0**-70
"""A power of two changes no digit, and a clock that gains a million seconds a second is refused."""


ONE_TERM = np.array([701.0, 974, 996, 535, 150, -769, np.nan, -2586, -3236, -2610, -2312, -1487])
"""A record with a gap in which one term of the longest averaging times is possible, and is there."""


@st.composite
def phases(draw: st.DrawFn) -> npt.NDArray[np.float64]:
    """Draw a record of phase in integer counts, so that sums are exact, sometimes with gaps."""
    n = draw(st.integers(12, 120))
    generator = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    phase = np.cumsum(generator.integers(-1000, 1000, n)).astype(float)
    if draw(st.booleans()):
        phase[generator.integers(0, n, 1 + n // 20)] = np.nan
    return phase


def deviations(phase: npt.NDArray[np.float64], statistic: str) -> npt.NDArray[np.float64]:
    """Return the deviations at ten factors per decade, in counts, of phase in counts; no noise is told."""
    record = eb.Record.from_phase(phase * COUNT_S, interval_s=1.0)
    return eb.stability(record, statistic, noise="white FM").deviation / COUNT_S


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", ALL)
@FEW
@given(phase=phases(), exponent=st.integers(-40, 40))
@example(phase=ONE_TERM, exponent=0)
def test_scaling(statistic: str, phase: npt.NDArray[np.float64], exponent: int) -> None:
    """Scaling the phase by a power of two scales every deviation exactly."""
    scaled = deviations(phase * 2.0**exponent, statistic)

    assert np.array_equal(scaled, deviations(phase, statistic) * 2.0**exponent, equal_nan=True)


@pytest.mark.grid(2)
@pytest.mark.parametrize("statistic", OVERLAPPING)
@FEW
@given(phase=phases())
def test_time_reversal(statistic: str, phase: npt.NDArray[np.float64]) -> None:
    """A record read backwards has the same overlapping deviations."""
    forwards, backwards = deviations(phase, statistic), deviations(phase[::-1].copy(), statistic)

    assert backwards == pytest.approx(forwards, rel=1e-12, abs=1e-12, nan_ok=True)


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", ALL)
@FEW
@given(phase=phases(), offset=st.integers(-(10**6), 10**6), slope=st.integers(-(10**6), 10**6))
def test_offset_and_slope(statistic: str, phase: npt.NDArray[np.float64], offset: int, slope: int) -> None:
    """A phase offset and a frequency offset change nothing but the rounding of the last digits."""
    moved = phase + offset + slope * np.arange(len(phase))

    expected = deviations(phase, statistic)
    assert deviations(moved, statistic) == pytest.approx(expected, rel=1e-12, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("statistic", ["hadamard", "overlapping_hadamard"])
@FEW
@given(phase=phases(), drift=st.integers(-1000, 1000))
def test_hadamard_is_blind_to_drift(statistic: str, phase: npt.NDArray[np.float64], drift: int) -> None:
    """A quadratic phase changes no Hadamard deviation."""
    moved = phase + drift * np.arange(len(phase)) ** 2

    assert np.array_equal(deviations(moved, statistic), deviations(phase, statistic), equal_nan=True)


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", ALL)
@FEW
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(20, 200))
def test_frequency_and_its_integral_agree(statistic: str, seed: int, n: int) -> None:
    """A frequency record and the phase integrated from it give one curve."""
    record = eb.Record.from_frequency(
        1e-7 + 1e-10 * np.random.default_rng(seed).standard_normal(n), interval_s=10.0
    )

    direct, integrated = eb.stability(record, statistic), eb.stability(record.to_phase(), statistic)

    assert direct.deviation == pytest.approx(integrated.deviation, rel=1e-9)
    assert direct.noise_exponent.tolist() == integrated.noise_exponent.tolist()


@pytest.mark.parametrize("statistic", ALL)
@FEW
@given(seed=st.integers(0, 2**32 - 1), where=st.integers(0, 99))
def test_a_gap_only_takes_terms_away(statistic: str, seed: int, where: int) -> None:
    """Losing one sample never adds terms, and never adds degrees of freedom under the same noise."""
    phase = np.cumsum(np.random.default_rng(seed).standard_normal(100))
    holed = phase.copy()
    holed[where] = np.nan
    asked = {"averaging": [1, 3, 9], "noise": "white FM"}  # else each record tells its own

    whole = eb.stability(eb.Record.from_phase(phase, interval_s=1.0), statistic, **asked)
    less = eb.stability(eb.Record.from_phase(holed, interval_s=1.0), statistic, **asked)

    assert np.all(less.terms <= whole.terms)
    same = (less.noise_exponent == whole.noise_exponent) & (less.terms > 0)
    assert np.all(less.edf[same] <= whole.edf[same] * 1.02)
