"""Records with few gaps: filled, summed as if complete, and what touches a gap taken away."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb

POINTS = 40_000
FACTORS = [1, 2, 3, 10, 64, 333, 1000, 4096, 7777]
GAPS = {
    "single": [7000, 7001, 25_000],
    "a stretch": [*range(12_000, 12_700)],
    "at both ends": [0, 1, 2, POINTS - 1],
    "apart by the averaging time": [5000, 6000, 7000],
}


def phase_of(trouble: str, gaps: list[int]) -> np.ndarray:
    """Return phase with white FM of 1e-11 and something that rounding might suffer from."""
    place = np.arange(POINTS, dtype=float)
    phase = 1e-11 * np.cumsum(np.random.default_rng(4).standard_normal(POINTS))
    phase += {
        "none": 0.0,
        "offset": 0.5 + 1e-7 * place,
        "drift": 1e-14 * place**2,
        "jump": 1e-6 * (place > 12_300),
    }[trouble]
    phase[gaps] = np.nan
    return phase


def written_out(phase: np.ndarray, statistic: str, factor: int) -> tuple[float, int]:
    """Return the deviation by its definition, and how many terms it rests on."""
    exact = phase.astype(np.longdouble)
    difference = exact[factor:] - exact[:-factor]
    difference = difference[factor:] - difference[:-factor]
    divisor = 2
    if statistic == "overlapping_hadamard":
        difference, divisor = difference[factor:] - difference[:-factor], 6
    if statistic == "modified_allan":
        sums = np.cumsum(np.concatenate([[0], np.nan_to_num(difference)]))
        unknown = np.cumsum(np.concatenate([[0], np.isnan(difference)]))
        means = (sums[factor:] - sums[:-factor]) / factor
        difference = np.where(unknown[factor:] > unknown[:-factor], np.nan, means)
    known = difference[~np.isnan(difference)]
    return float(np.sqrt(np.sum(known**2) / max(len(known), 1) / divisor) / factor), len(known)


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan", "overlapping_hadamard"])
@pytest.mark.parametrize("gaps", GAPS)
@pytest.mark.parametrize("trouble", ["none", "offset", "drift", "jump"])
def test_deviation_is_that_of_the_terms_that_exist(statistic: str, gaps: str, trouble: str) -> None:
    """Deviation and number of terms are those of the definition over the terms that touch no gap."""
    phase = phase_of(trouble, GAPS[gaps])

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=1.0), statistic, averaging=FACTORS)

    expected = [written_out(phase, statistic, factor) for factor in FACTORS]
    assert curve.terms.tolist() == [terms for _, terms in expected]
    deviations = [deviation if terms else np.nan for deviation, terms in expected]
    assert curve.deviation == pytest.approx(deviations, rel=1e-9, nan_ok=True)


def test_readings_that_do_not_vary_stay_without_variation() -> None:
    """A constant record with a gap has deviation zero, not what rounding leaves."""
    phase = np.full(POINTS, 0.1)
    phase[[9000, 20_000]] = np.nan

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=1.0))

    assert np.all(curve.deviation == 0)
    assert "NO_VARIATION" in {finding.code for finding in curve.findings}
