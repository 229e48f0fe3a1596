"""Théo1 and its hybrid with the overlapping Allan deviation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import evenbeat as eb
from evenbeat.deviations.covariance import phase_kernel
from evenbeat.deviations.forms.theo1 import span_rows
from evenbeat.deviations.forms.whole import (
    allan_variance,
    freedom_of_mean,
    relative_squares,
)
from evenbeat.deviations.freedom import overlapping_lags
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.kernels import TermSum

THEO1 = STATISTICS["theo1"].form


def walk(n: int, seed: int = 1) -> np.ndarray:
    """Return phase with white and random-walk frequency noise."""
    generator = np.random.default_rng(seed)
    return np.cumsum(generator.standard_normal(n) + 0.1 * np.cumsum(generator.standard_normal(n)))


def record_of(phase: np.ndarray, interval_s: float = 1.0) -> eb.Record:
    """Return a phase record."""
    return eb.Record.from_phase(phase, interval_s=interval_s)


def written_out(phase: np.ndarray, span: int) -> np.ndarray:
    """Return the weighted terms of the definition, whose squares add up (Howe and Tasset 2004)."""
    half = span // 2
    return np.array(
        [
            (phase[i] - phase[i - d + half] + phase[i + span] - phase[i + d + half]) / np.sqrt(half - d)
            for i in range(len(phase) - span)
            for d in range(half)
        ]
    )


@pytest.mark.parametrize("span", [10, 12, 30, 98])
def test_definition(span: int) -> None:
    """The deviation is that of the double sum, at the effective averaging time."""
    # SOURCE: Howe and Tasset, 36th PTTI 2004, with the divisor 0.75
    phase = walk(100)
    curve = eb.stability(record_of(phase, 10.0), "theo1", averaging=[span], bias="none")
    expected = np.sum(written_out(phase, span) ** 2) / (0.75 * (100 - span) * (10.0 * span) ** 2)

    assert curve.deviation[0] == pytest.approx(np.sqrt(expected), rel=1e-12)
    assert curve.averaging_time_s[0] == pytest.approx(7.5 * span)
    assert curve.terms[0] == 100 - span


@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("span", [10, 24])
def test_expectation_and_freedom_by_full_covariance(exponent: int, span: int) -> None:
    """Bias and degrees of freedom are those of the covariance matrix of every term, written out."""
    # SOURCE: E = tr C and Var = 2 tr C² for Gaussian terms
    points = 41
    forms = np.array([written_out(unit, span) for unit in np.eye(points)]).T
    lag = np.abs(np.arange(points)[:, np.newaxis] - np.arange(points))
    covariance = forms @ phase_kernel(lag, exponent) @ forms.T
    expected = np.trace(covariance) / (0.75 * (points - span) * span**2)
    found = THEO1.moments([TermSum(total=0.0, possible=1)], points, [span])
    noise = 2 - exponent
    bias = found.expected[0, noise] / found.aimed_at[0, noise]
    edf = found.freedom(np.eye(5)[noise])

    assert bias == pytest.approx(expected / allan_variance(0.75 * span, exponent), rel=1e-9)
    assert edf == pytest.approx(np.trace(covariance) ** 2 / np.sum(covariance**2), rel=1e-4)


@pytest.mark.slow
@settings(max_examples=15)
@given(seed=st.integers(0, 2**32 - 1), exponent=st.integers(-60, 0))
def test_scaling_and_reversal(seed: int, exponent: int) -> None:
    """Scaled phase scales every deviation; a record read backwards has the same ones."""
    phase = walk(120, seed)
    plain, scaled, backwards = (
        eb.stability(record_of(same), "theo1", averaging=[10, 34, 118], bias="none").deviation
        for same in (phase, phase * 2.0**exponent, phase[::-1].copy())
    )

    assert np.array_equal(scaled, plain * 2.0**exponent)
    assert backwards == pytest.approx(plain, rel=1e-9)


def test_named_grids_are_even_spans() -> None:
    """Every named grid has even spans from ten up, each once; ``every`` has all of them."""
    record = record_of(walk(60))

    for averaging in ("ten_per_decade", "doublings", "every"):
        factors = eb.stability(record, "theo1", averaging=averaging).averaging_factor
        assert np.all(factors % 2 == 0)
        assert np.all(np.diff(factors) > 0)
        assert factors[0] >= 10
    assert factors.tolist() == list(range(10, 60, 2))


def test_odd_and_short_spans_come_back_as_a_finding() -> None:
    """What was asked and does not exist is named, the rest is computed; nothing left is an error."""
    record = record_of(walk(60))
    curve = eb.stability(record, "theo1", averaging=[8, 11, 20])

    assert curve.averaging_factor.tolist() == [20]
    finding = next(f for f in curve.findings if f.code == "FACTORS_NOT_COMPUTED")
    assert "8, 11 were asked for" in finding.sentence
    assert "even numbers from 10 to 58" in finding.sentence
    with pytest.raises(eb.InputError, match="has no averaging factor 9, 11; even numbers from 10 to 58"):
        eb.stability(record, "theo1", averaging=[9, 11])


@pytest.mark.parametrize(("statistic", "needed"), [("theo1", 11), ("theo1_hybrid", 91)])
def test_short_records_and_gaps_are_refused(statistic: str, needed: int) -> None:
    """The sentences name how many samples are needed, and the stretch without gaps."""
    with pytest.raises(eb.errors.TooShortError, match=f"needs at least {needed} samples"):
        eb.stability(record_of(walk(needed - 1)), statistic)
    assert np.all(np.isfinite(eb.stability(record_of(walk(needed)), statistic).deviation))
    holed = walk(300)
    holed[100] = np.nan
    with pytest.raises(eb.InputError, match=r"record\.between\(101, 300\)"):
        eb.stability(record_of(holed), statistic)


@pytest.mark.parametrize("bias", ["exact", "published", "none"])
def test_hybrid_is_both_of_its_parts(bias: str) -> None:
    """Up to a tenth of the record it is the overlapping Allan deviation, beyond it Théo1."""
    record = record_of(walk(400), 10.0)
    hybrid = eb.stability(record, "theo1_hybrid", bias=bias)
    short = hybrid.averaging_time_s <= 399.0
    spans = (hybrid.averaging_factor[~short] // 3 * 4).tolist()
    allan = eb.stability(record, averaging=hybrid.averaging_factor[short].tolist())
    theo1 = eb.stability(record, "theo1", averaging=spans, bias="none")

    assert hybrid.deviation[short] == pytest.approx(allan.deviation)
    assert np.array_equal(hybrid.edf[short], allan.edf)
    assert hybrid.averaging_time_s[~short] == pytest.approx(theo1.averaging_time_s)
    assert hybrid.averaging_time_s[-1] > 0.6 * 3990
    ratio = (theo1.deviation / hybrid.deviation[~short]) ** 2
    if bias == "none":
        assert ratio == pytest.approx(1)
    elif bias == "published":
        assert np.ptp(ratio) < 1e-9
        # SOURCE: NIST SP 1065 (2008), 5.2.16: ratios of the Allan variance at 9 + 3i to Théo1 at 12 + 4i
        places = range(int(400 / 30 - 3) + 1)
        allan_part = eb.stability(record, averaging=[9 + 3 * i for i in places]).deviation
        theo1_part = eb.stability(record, "theo1", averaging=[12 + 4 * i for i in places], bias="none")
        assert ratio[0] == pytest.approx(1 / np.mean((allan_part / theo1_part.deviation) ** 2))


def test_hybrid_tells_where_it_moved_a_factor() -> None:
    """Beyond the join factors are multiples of three; others asked for are moved and named."""
    curve = eb.stability(record_of(walk(400)), "theo1_hybrid", averaging=[5, 100, 102])

    assert curve.averaging_factor.tolist() == [5, 99, 102]
    assert "in place of 100 stand" in next(f for f in curve.findings if f.code == "FACTORS_MOVED").sentence


@pytest.mark.parametrize(("exponent", "within"), [(2, 0.03), (1, 0.04), (0, 0.01), (-1, 0.01), (-2, 0.01)])
def test_freedom_of_long_spans(exponent: int, within: float) -> None:
    """Beyond the exact spans the degrees of freedom are carried over to within a few per cent."""
    # SOURCE: the exact ones of the same span, by the forms that the covariance matrix proves above
    span, starts = 144, 400
    exact = freedom_of_mean(
        starts, overlapping_lags(72, 2), relative_squares(span_rows(span), exponent, overlapping_lags(72, 2))
    )

    assert THEO1.freedom(starts + span, span, exponent) == pytest.approx(exact, rel=within)
