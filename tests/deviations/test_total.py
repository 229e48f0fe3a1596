"""Total, modified total, time total and Hadamard total deviations."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import evenbeat as eb
from evenbeat.deviations.covariance import exponents_of, phase_kernel
from evenbeat.deviations.forms.stretches import sum_over_stretches
from evenbeat.deviations.forms.total import TotalForm
from evenbeat.deviations.forms.whole import expected_sum
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.samples import PhasePoints

TOTALS = ["total", "modified_total", "time_total", "hadamard_total"]
FEW = settings(max_examples=15)


def record_of(phase: np.ndarray, interval_s: float = 1.0) -> eb.Record:
    """Return a phase record."""
    return eb.Record.from_phase(phase, interval_s=interval_s)


def walk(n: int, seed: int = 1) -> np.ndarray:
    """Return phase with white and random-walk frequency noise."""
    generator = np.random.default_rng(seed)
    return np.cumsum(generator.standard_normal(n) + 0.1 * np.cumsum(generator.standard_normal(n)))


def reflected_total(phase: np.ndarray, factor: int) -> float:
    """Return the total variance with the reflection built, by its definition (NIST SP 1065, 5.2.11)."""
    n = len(phase)
    before = 2 * phase[0] - phase[1:-1][::-1]
    after = 2 * phase[-1] - phase[1:-1][::-1]
    extended = np.concatenate([before, phase, after])
    centre = np.arange(1, n - 1) + n - 2
    terms = extended[centre - factor] - 2 * extended[centre] + extended[centre + factor]
    return float(np.mean(terms**2)) / (2 * factor**2)


@pytest.mark.parametrize("factor", [1, 2, 7, 20, 49])
def test_total_is_that_of_the_reflected_record(factor: int) -> None:
    """Indexing the reflection gives what building it gives."""
    # SOURCE: NIST SP 1065 (2008), 5.2.11, evaluated as written
    phase = walk(100)

    curve = eb.stability(record_of(phase, 10.0), "total", averaging=[factor], bias="none")

    assert curve.deviation[0] * 10.0 == pytest.approx(np.sqrt(reflected_total(phase, factor)), rel=1e-12)
    assert curve.terms[0] == 98


def linear_forms(statistic: str, points: int, factor: int) -> np.ndarray:
    """Return the weights of phase in all terms, found by feeding unit vectors to the definition."""
    rows = []
    for unit in np.eye(points):
        if statistic == "total":
            before, after = 2 * unit[0] - unit[1:-1][::-1], 2 * unit[-1] - unit[1:-1][::-1]
            extended, centre = np.concatenate([before, unit, after]), np.arange(1, points - 1) + points - 2
            rows.append(extended[centre - factor] - 2 * extended[centre] + extended[centre + factor])
        else:
            values = np.diff(unit) if statistic == "hadamard_total" else unit
            rows.append(np.concatenate(list(_stretch_terms(values, factor))))
    return np.array(rows).T


def _stretch_terms(values: np.ndarray, factor: int) -> Iterator[np.ndarray]:
    length = 3 * factor
    half = length // 2
    for begin in range(len(values) - length + 1):
        stretch = values[begin : begin + length]
        slope = (stretch[length - half :].mean() - stretch[:half].mean()) / (length - half)
        level = stretch - slope * np.arange(length)
        extended = np.concatenate([level[::-1], level, level[::-1]])
        means = np.convolve(extended, np.full(factor, 1 / factor), mode="valid")
        places = np.arange(6 * factor)
        yield means[places] - 2 * means[places + factor] + means[places + 2 * factor]


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", ["total", "modified_total", "hadamard_total"])
@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("factor", [1, 2, 5])
def test_expectation_and_freedom_by_full_covariance(statistic: str, exponent: int, factor: int) -> None:
    """Bias and degrees of freedom are those of the covariance matrix of every term, written out."""
    # SOURCE: E = tr C and Var = 2 tr C² for Gaussian terms; the definitions as in NIST SP 1065, 5.2.11 to 14
    points = 33
    forms = linear_forms(statistic, points, factor)
    lag = np.abs(np.arange(points)[:, np.newaxis] - np.arange(points))
    covariance = forms @ phase_kernel(lag, exponent) @ forms.T
    kind = STATISTICS[statistic]
    values = np.random.default_rng(0).standard_normal(points)
    raw = eb.stability(record_of(values), statistic, averaging=[factor], bias="none")
    scale = raw.deviation[0] ** 2 / np.mean((forms @ values) ** 2)
    order, averaged = (3, False) if statistic == "hadamard_total" else (2, statistic == "modified_total")
    reference = _difference_variance(factor, exponent, order, averaged=averaged)
    (terms,) = kind.form.variances(PhasePoints.of(values), np.array([factor]))

    found = kind.form.moments([terms], points, [factor])
    noise = exponents_of(kind.form.order).index(exponent)
    bias = found.expected[0, noise] / found.aimed_at[0, noise]
    edf = found.freedom(np.eye(found.expected.shape[1])[noise])

    assert bias == pytest.approx(scale * np.trace(covariance) / len(forms) / reference, rel=1e-9)
    assert edf == pytest.approx(np.trace(covariance) ** 2 / np.sum(covariance**2), rel=1e-6)


def _difference_variance(factor: int, exponent: int, order: int, *, averaged: bool) -> float:
    """Return the expectation of the Allan, modified Allan or Hadamard variance from its weights."""
    binomial = np.array([1.0, -2.0, 1.0]) if order == 2 else np.array([-1.0, 3.0, -3.0, 1.0])
    spread = np.zeros(order * factor + 1)
    spread[::factor] = binomial
    weights = np.convolve(spread, np.full(factor, 1 / factor)) if averaged else spread
    lag = np.abs(np.arange(len(weights))[:, np.newaxis] - np.arange(len(weights)))
    divisor = 2 if order == 2 else 6
    return float(weights @ phase_kernel(lag, exponent) @ weights) / (divisor * factor**2)


@pytest.mark.parametrize("factor", [1, 2, 8, 9, 20, 33])
def test_stretches_by_their_definition(factor: int) -> None:
    """The sum over half of the places by running sums is that over all places written out."""
    values = walk(150, seed=factor)
    written_out = sum(float(np.mean(terms**2)) for terms in _stretch_terms(values, factor))

    assert sum_over_stretches(values, factor) == pytest.approx(written_out, rel=1e-10)


def test_long_records_keep_their_digits() -> None:
    """A record worked on in many blocks, with a large frequency offset, agrees with its parts."""
    values = walk(9000, seed=3)
    moved = values + 1e6 * np.arange(9000)
    whole = sum_over_stretches(moved, 20)
    parts = sum(
        sum_over_stretches(values[begin : begin + 1000 + 59], 20) for begin in range(0, 8000, 1000)
    ) + sum_over_stretches(values[8000:], 20)

    assert whole == pytest.approx(parts, rel=1e-8)


@pytest.mark.grid(2)
@pytest.mark.parametrize("statistic", TOTALS)
@FEW
@given(seed=st.integers(0, 2**32 - 1), exponent=st.integers(-60, 0))
def test_scaling_and_reversal(statistic: str, seed: int, exponent: int) -> None:
    """Scaled phase scales every deviation; a record read backwards has the same ones."""
    phase = walk(90, seed)
    plain, scaled = (
        eb.stability(record_of(same), statistic, averaging=[1, 7, 28])
        for same in (phase, phase * 2.0**exponent)
    )
    forwards, backwards = (
        eb.stability(record_of(same), statistic, averaging=[1, 7, 28], bias="none").deviation
        for same in (phase, phase[::-1].copy())
    )

    assert np.array_equal(scaled.deviation, plain.deviation * 2.0**exponent)
    # the bias of a mixture told from the same mean squares summed the other way differs in the last digits
    assert backwards == pytest.approx(forwards, rel=1e-9)


def test_hadamard_total_is_blind_to_drift() -> None:
    """A drift of frequency changes no Hadamard total deviation."""
    phase = walk(300)
    drift = 0.3 * np.arange(300) ** 2

    still = eb.stability(record_of(phase), "hadamard_total", bias="none")
    moving = eb.stability(record_of(phase + drift), "hadamard_total", bias="none")

    assert moving.deviation == pytest.approx(still.deviation, rel=1e-8)


def test_time_total_is_the_modified_total_times_the_averaging_time() -> None:
    """τ/√3 times the modified total deviation, in seconds."""
    record = record_of(walk(300), 10.0)

    time, modified = eb.stability(record, "time_total"), eb.stability(record, "modified_total")

    assert time.unit == "s"
    assert time.deviation == pytest.approx(modified.deviation * modified.averaging_time_s / np.sqrt(3))


@pytest.mark.parametrize("statistic", TOTALS)
def test_gaps_are_refused_with_a_way_out(statistic: str) -> None:
    """The error names the longest stretch without a gap, which then works."""
    phase = walk(200)
    phase[[20, 150]] = np.nan
    record = record_of(phase, 10.0)

    with pytest.raises(eb.InputError, match=r"2 of 200 samples are missing .* record\.between\(210, 1500\)"):
        eb.stability(record, statistic)
    assert np.all(np.isfinite(eb.stability(record.between(210, 1500), statistic).deviation))


@pytest.mark.parametrize(
    ("statistic", "needed"), [("total", 3), ("modified_total", 3), ("time_total", 3), ("hadamard_total", 4)]
)
def test_short_records_are_refused(statistic: str, needed: int) -> None:
    """One sample too few is refused with the number needed."""
    with pytest.raises(
        eb.errors.TooShortError, match=f"needs at least {needed} samples; the record has {needed - 1}"
    ):
        eb.stability(record_of(np.arange(needed - 1.0)), statistic)
    assert eb.stability(record_of(walk(needed)), statistic).averaging_factor.tolist() == [1]


def test_unknown_ways_of_bias_removal_are_refused() -> None:
    """The sentence names what would be accepted."""
    with pytest.raises(eb.InputError, match="bias is 'some'; it must be 'exact', 'published' or 'none'"):
        eb.stability(record_of(walk(99)), "total", bias="some")


def test_findings_tell_what_was_done_about_the_bias() -> None:
    """Removed, left in on request, left in where the noise could not be told; all of it ready for JSON."""
    record = record_of(walk(200))
    removed = {f.code: f for f in eb.stability(record, "modified_total").findings}
    left = eb.stability(record, "modified_total", bias="none")
    untold = eb.stability(record_of(np.zeros(7)), "modified_total")

    assert removed["BIAS_REMOVED"].values["smallest_factor"] == pytest.approx(0.5)
    assert "exact expectation" in removed["BIAS_REMOVED"].sentence
    assert "BIAS_LEFT_IN" in {f.code for f in left.findings}
    assert "BIAS_NOT_TOLD" in {f.code for f in untold.findings}
    assert np.all(np.isnan(untold.noise_exponent))
    assert np.all(untold.edf >= 1)
    json.dumps(untold.to_dict(), allow_nan=False)


@pytest.mark.parametrize("exponent", [0, -1, -2])
@pytest.mark.parametrize("factor", [1, 30, 128])
def test_freedom_of_long_records_joins_the_exact_one(exponent: int, factor: int) -> None:
    """Just beyond the length up to which it is exact the degrees of freedom hardly change."""
    exact, carried = (TotalForm().freedom(points, factor, exponent) for points in (257, 259))

    assert carried == pytest.approx(exact * 258 / 256, rel=0.02)


@pytest.mark.parametrize("statistic", ["modified_total", "hadamard_total"])
@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
def test_bias_beyond_the_exact_factors(statistic: str, exponent: int) -> None:
    """The bias carried over to a long averaging factor is that of the forms of this factor."""
    # SOURCE: the ratio of expectations with the forms written out, by which the shorter factors are proven
    hadamard = statistic == "hadamard_total"
    factor = 120
    rows = STATISTICS[statistic].form.rows_of(factor)
    scale = 6 if hadamard else 2 * factor**2
    order = 3 if hadamard else 2
    reference = _difference_variance(factor, exponent, order, averaged=not hadamard)

    form = STATISTICS[statistic].form
    bias = form.expected(1000, factor, exponent) / form.aimed_at(factor, exponent)

    assert bias == pytest.approx(expected_sum(rows, exponent) / scale / reference, rel=2e-3)
