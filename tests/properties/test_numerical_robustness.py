"""Phase with large offsets, slopes and drifts, in any number type: no digit lost that the samples hold.

SOURCE: exact whole-number arithmetic. The samples are whole multiples of a power of two, so that every
difference and moving sum of the definitions (NIST SP 1065, 5.2) is computed without any rounding in
64-bit integers, which wrap around where partial sums overflow and are right again in the difference.
"""

from __future__ import annotations

import math
from fractions import Fraction
from functools import cache
from itertools import accumulate

import numpy as np
import numpy.typing as npt
import pytest

import evenbeat as eb
from evenbeat.deviations.sums import kernels

POINTS = 1_000_000
INTERVAL_S = 10.0
FACTORS = [1, 2, 7, 31, 32, 100, 1023, 12_345, 50_000, 250_000]
STATISTICS = ["overlapping_allan", "modified_allan", "time", "overlapping_hadamard"]
Counts = npt.NDArray[np.int64]


@cache
def white_fm(fractional_frequency: float, count_s: float, seed: int = 4) -> Counts:
    """Return phase of white FM in counts of a resolution, over 10⁷ s."""
    steps = np.random.default_rng(seed).standard_normal(POINTS) * fractional_frequency * INTERVAL_S
    return np.round(np.cumsum(steps) / count_s).astype(np.int64)


def exact(counts: Counts, factor: int, statistic: str) -> float:
    """Return a deviation times the averaging time, in counts, every difference and sum exact."""
    order = 3 if "hadamard" in statistic else 2
    terms, divisor = counts, {2: 2, 3: 6}[order]
    for _ in range(order):
        terms = terms[factor:] - terms[:-factor]
    whole = terms.astype(np.longdouble)
    if statistic in ("modified_allan", "time"):
        first = int(terms[0])  # a drift makes them all large: only what they differ by is summed
        sums = np.concatenate([np.zeros(1, np.int64), np.cumsum(terms - first)])
        whole = (sums[factor:] - sums[:-factor]).astype(np.longdouble) + np.longdouble(first) * factor
        divisor *= factor**2
    value = math.sqrt(float(np.mean(whole**2)) / divisor)
    return value / math.sqrt(3) if statistic == "time" else value


def check(record: eb.Record, counts: Counts, count_s: float, statistic: str, within: float) -> None:
    """Compare a statistic of a record with the exact one at all factors; no noise is told."""
    curve = eb.stability(record, statistic, averaging=FACTORS, noise="white FM")
    for factor, time, value in zip(FACTORS, curve.averaging_time_s, curve.deviation, strict=True):
        scale = count_s if statistic == "time" else count_s / time
        assert value == pytest.approx(scale * exact(counts, factor, statistic), rel=within), factor


@pytest.mark.grid(4)
@pytest.mark.parametrize("statistic", STATISTICS)
def test_frequency_offset(statistic: str) -> None:
    """A frequency offset of 1e-6 and white FM of 1e-12 over 1e7 s: within 1e-12 of exact arithmetic."""
    count_s = 2.0**-49  # the last digit of 10 s in double precision
    counts = white_fm(1e-12, count_s) + np.round(1e-6 * INTERVAL_S / count_s * np.arange(POINTS)).astype(int)

    check(
        eb.Record.from_phase(counts * count_s, interval_s=INTERVAL_S),
        counts,
        count_s,
        statistic,
        within=1e-12,
    )


def test_the_frequency_offset_is_hard() -> None:
    """On the same samples a single running sum of phase is wrong in the first digits."""
    count_s = 2.0**-49
    counts = white_fm(1e-12, count_s) + np.round(1e-6 * INTERVAL_S / count_s * np.arange(POINTS)).astype(int)
    sums = np.cumsum(counts * count_s)
    terms = sums[21:] - 3 * sums[14:-7] + 3 * sums[7:-14] - sums[:-21]

    naive = math.sqrt(np.mean(terms**2) / 2) / 7 / count_s

    assert naive > 1.1 * exact(counts, 7, "modified_allan")


@pytest.mark.grid(4)
@pytest.mark.parametrize("statistic", STATISTICS)
def test_constant_phase(statistic: str) -> None:
    """A constant of 1000 s beside noise of picoseconds: within 1e-12 of exact arithmetic."""
    count_s = 2.0**-43  # the last digit of 1000 s in double precision
    counts = white_fm(1e-12, count_s) + round(1000 / count_s)

    check(
        eb.Record.from_phase(counts * count_s, interval_s=INTERVAL_S),
        counts,
        count_s,
        statistic,
        within=1e-12,
    )


@pytest.mark.grid(4)
@pytest.mark.parametrize("statistic", STATISTICS)
def test_quadratic_drift(statistic: str) -> None:
    """A drift that moves the phase by 100 s: within 1e-12, the Hadamard deviation as well."""
    count_s = 2.0**-46
    time = np.arange(POINTS) - POINTS // 2
    counts = white_fm(1e-12, count_s) + 2 * round(100 / count_s / POINTS**2) * time**2

    check(
        eb.Record.from_phase(counts * count_s, interval_s=INTERVAL_S),
        counts,
        count_s,
        statistic,
        within=1e-12,
    )


@pytest.mark.grid(4)
@pytest.mark.parametrize("statistic", STATISTICS)
@pytest.mark.parametrize(("dtype", "count_s"), [("float32", 2.0**-20), ("int64", 1.0), ("int32", 1.0)])
def test_number_types(statistic: str, dtype: str, count_s: float) -> None:
    """Phase stored in other types is widened block by block, not computed in them."""
    counts = white_fm(1e-3, 1.0)
    counts = counts % (1 << 23) if dtype == "float32" else counts + (1 << 30)
    phase = (counts * count_s).astype(dtype)
    assert np.array_equal(phase.astype(np.float64), counts * count_s)

    check(eb.Record.from_phase(phase, interval_s=INTERVAL_S), counts, count_s, statistic, within=1e-12)


@pytest.mark.parametrize("statistic", STATISTICS)
def test_threads(statistic: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """One thread and two give the same bits."""
    count_s = 2.0**-49
    phase = white_fm(1e-12, count_s)[:300_000] * count_s + 1e-5 * np.arange(300_000)
    record = eb.Record.from_phase(phase, interval_s=INTERVAL_S)

    two = eb.stability(record, statistic)
    monkeypatch.setattr(kernels, "FEWEST_POINTS_FOR_THREADS", 10**12)
    one = eb.stability(record, statistic)

    assert one.deviation.tolist() == two.deviation.tolist()
    assert one.edf.tolist() == two.edf.tolist()
    assert kernels.FEWEST_POINTS_FOR_THREADS > 300_000 > kernels.SPAN


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", STATISTICS)
@pytest.mark.parametrize("factor", [1, 13, 80, 400])
def test_samples_of_unequal_fineness(statistic: str, factor: int) -> None:
    """Where the first samples hold finer digits than the last: within 1e-9 of rational arithmetic."""
    # SOURCE: Python's fractions
    time = 5000.0 * np.arange(2001)
    steps = np.random.default_rng(3).standard_normal(2001)
    phase = 1e-6 * time + 1e-12 * 5000.0 * np.cumsum(steps) + 1e-12 * steps
    terms = [Fraction(value) for value in phase.tolist()]
    order = 3 if "hadamard" in statistic else 2
    for _ in range(order):
        terms = [later - earlier for later, earlier in zip(terms[factor:], terms, strict=False)]
    if statistic in ("modified_allan", "time"):
        sums = [Fraction(0), *accumulate(terms)]
        terms = [(later - earlier) / factor for later, earlier in zip(sums[factor:], sums, strict=False)]
    variance = sum(term**2 for term in terms) / len(terms) / {2: 2, 3: 6}[order]
    expected = math.sqrt(variance) / (math.sqrt(3) if statistic == "time" else factor * 5000.0)

    curve = eb.stability(eb.Record.from_phase(phase, interval_s=5000.0), statistic, averaging=[factor])

    assert curve.deviation[0] == pytest.approx(expected, rel=1e-9)
