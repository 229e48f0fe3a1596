"""The parabolic deviation."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.covariance import phase_kernel
from evenbeat.deviations.forms.terms import ParabolicForm, parabolic_terms, parabolic_weights
from evenbeat.deviations.sums.samples import PhasePoints


def white(n: int, seed: int = 1) -> np.ndarray:
    """Return phase with white frequency noise."""
    return np.cumsum(np.random.default_rng(seed).standard_normal(n))


@pytest.mark.parametrize("factor", [2, 3, 16, 17, 40, 50])
def test_definition(factor: int) -> None:
    """Least-squares frequencies of adjacent stretches, differenced: the two-sample variance of them."""
    # SOURCE: numpy.polyfit slopes of x over m samples; PVAR is half the mean square difference of the slopes
    # of adjacent stretches, times (1 - 1/m²)² as its weights belong to continuous time (arXiv:1506.00687)
    phase = white(100)
    slopes = np.array(
        [np.polyfit(np.arange(factor), phase[i : i + factor], 1)[0] for i in range(101 - factor)]
    )
    expected = 0.5 * np.mean((slopes[factor:] - slopes[:-factor]) ** 2) * (1 - 1 / factor**2) ** 2

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=1.0), "parabolic", averaging=[factor])

    assert curve.deviation[0] ** 2 == pytest.approx(expected, rel=1e-9)
    assert curve.terms[0] == 101 - 2 * factor


def test_factor_one_is_the_allan_deviation() -> None:
    """With one sample per stretch the definition is the overlapping Allan deviation."""
    record = eb.Record.from_phase(white(200), interval_s=10.0)

    curve, allan = (eb.stability(record, name, averaging=[1]) for name in ("parabolic", "overlapping_allan"))

    assert curve.deviation == pytest.approx(allan.deviation)
    assert curve.edf == pytest.approx(allan.edf, rel=1e-3)


@pytest.mark.parametrize("factor", [2, 8])
def test_white_phase_expectation(factor: int) -> None:
    """White PM of unit variance gives 12 (m² - 1)/m⁵ in expectation."""
    # SOURCE: arXiv:1506.00687, discrete white PM: the sum of squares of the weights of the definition
    weights = parabolic_weights(factor)
    expected = 12 * (factor**2 - 1) / factor**5
    phase = np.random.default_rng(2).standard_normal(200_000)

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=1.0), "parabolic", averaging=[factor])

    assert 72 * np.sum(weights**2) / factor**6 == pytest.approx(expected)
    assert curve.deviation[0] ** 2 == pytest.approx(expected, rel=5 / np.sqrt(curve.edf[0]))


@pytest.mark.parametrize("factor", [5, 40])
def test_drift_response(factor: int) -> None:
    """A drift D gives D τ/√2 times (1 - 1/m²)."""
    # SOURCE: arXiv:1506.00687 and NIST SP 1065, drift response of two-sample deviations
    phase = 0.5 * 1e-12 * np.arange(500.0) ** 2

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=1.0), "parabolic", averaging=[factor])

    assert curve.deviation[0] == pytest.approx(1e-12 * factor / np.sqrt(2) * (1 - 1 / factor**2), rel=1e-6)


@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("factor", [1, 6, 30])
@pytest.mark.parametrize("gaps", [False, True])
def test_freedom_by_full_covariance(exponent: int, factor: int, gaps: bool) -> None:
    """Degrees of freedom are those of the covariance matrix of the terms that exist."""
    # SOURCE: (tr C)²/tr C² for Gaussian terms
    phase = white(260)
    if gaps:
        phase[[70, 200]] = np.nan
    samples = PhasePoints.of(phase)
    terms = parabolic_terms(samples, factor)
    begins = np.flatnonzero(terms.mask)
    weights = parabolic_weights(factor)
    rows = np.zeros((len(begins), 260))
    for row, begin in zip(rows, begins, strict=True):
        row[begin : begin + len(weights)] = weights
    lag = np.abs(np.arange(260)[:, np.newaxis] - np.arange(260))
    covariance = rows @ phase_kernel(lag, exponent) @ rows.T
    exact = np.trace(covariance) ** 2 / np.sum(covariance**2)

    assert terms.terms == len(begins)
    assert ParabolicForm().moments([terms], 260, [factor]).freedom(np.eye(5)[2 - exponent]) == pytest.approx(
        exact, rel=0.02
    )


def test_long_factors_take_the_freedom_of_shorter_ones() -> None:
    """Beyond the exact factors the degrees of freedom depend on the proportions only."""

    def freedom(scale: int) -> float:
        terms = parabolic_terms(PhasePoints.of(white(400 * scale)), 48 * scale)
        return ParabolicForm().moments([terms], 400 * scale, [48 * scale]).freedom(np.eye(5)[2])

    assert freedom(3) == pytest.approx(freedom(1), rel=0.02)


@pytest.mark.parametrize("kind", ["phase", "frequency"])
def test_gaps_leave_out_the_terms_they_touch(kind: str) -> None:
    """A gap takes exactly the terms away whose stretches hold it, from phase and from frequency."""
    phase = white(300, seed=5)
    if kind == "phase":
        holed = phase.copy()
        holed[150] = np.nan
        record = eb.Record.from_phase(holed, interval_s=1.0)
        touched = 2 * 10
    else:
        frequency = np.diff(phase)
        frequency[150] = np.nan
        record = eb.Record.from_frequency(frequency, interval_s=1.0)
        touched = 2 * 10 - 1

    curve = eb.stability(record, "parabolic", averaging=[10])

    parts = [parabolic_terms(PhasePoints.of(part), 10) for part in (phase[:150], phase[151:])]
    mean_square = sum(part.total for part in parts) / sum(part.terms for part in parts)
    assert curve.terms[0] == 281 - touched
    assert curve.deviation[0] ** 2 == pytest.approx(
        72 * mean_square / 10**4, rel=0.02 if kind == "frequency" else 1e-9
    )
    assert "GAPS_SKIPPED" in {finding.code for finding in curve.findings}


def test_no_bias_is_removed() -> None:
    """The choice of bias removal changes nothing and nothing is said about it."""
    record = eb.Record.from_phase(white(300), interval_s=1.0)

    exact, none = (eb.stability(record, "parabolic", bias=bias) for bias in ("exact", "none"))

    assert np.array_equal(exact.deviation, none.deviation)
    assert not [finding for finding in exact.findings if finding.code.startswith("BIAS")]
