"""The two published test sets of the handbook, to the printed digits."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb

# SOURCE: NIST SP 1065 (Riley, Handbook of Frequency Stability Analysis, 2008), section 12, table 30 (data:
# NBS Monograph 140, 1974, annex 8.E): nine frequencies; the table as quoted, with table and page, in the
# documentation of allantools
NINE_FREQUENCIES = [892, 809, 823, 798, 671, 644, 883, 903, 677]
TABLE_30 = {
    "allan": ("91.22945", "115.8082"),
    "overlapping_allan": ("91.22945", "85.95287"),
    "modified_allan": ("91.22945", "74.78849"),
    "time": ("52.67135", "86.35831"),
    "hadamard": ("70.80607", "116.7980"),
    "overlapping_hadamard": ("70.80607", "85.61487"),
}
# SOURCE: NIST SP 1065, section 12, table 31 and equation (73), likewise quoted; averaging factors 1, 10, 100
TABLE_31 = {
    "allan": ("2.922319e-01", "9.965736e-02", "3.897804e-02"),
    "overlapping_allan": ("2.922319e-01", "9.159953e-02", "3.241343e-02"),
    "modified_allan": ("2.922319e-01", "6.172376e-02", "2.170921e-02"),
    "time": ("1.687202e-01", "3.563623e-01", "1.253382e+00"),
    "hadamard": ("2.943883e-01", "1.052754e-01", "3.910861e-02"),
    "overlapping_hadamard": ("2.943883e-01", "9.581083e-02", "3.237638e-02"),
}


def thousand_frequencies() -> list[float]:
    """Return the portable random set: n ← 16807 n mod 2147483647, the seed itself the first value."""
    state, values = 1234567890, []
    for _ in range(1000):
        values.append(state / 2147483647)
        state = 16807 * state % 2147483647
    return values


def assert_prints_as(value: float, printed: str) -> None:
    """Check a value against printed digits: within one unit of the last of them."""
    digits = printed.partition("e")[0].lstrip("-").replace(".", "").lstrip("0")
    unit = 10.0 ** (np.floor(np.log10(float(printed))) - len(digits) + 1)
    # half a unit is the rounding of the table; a whole one allows for its own last-digit rounding
    assert abs(value - float(printed)) <= unit, f"{value:.9g} is not {printed}"


@pytest.mark.parametrize("statistic", TABLE_30)
def test_nine_point_set(statistic: str) -> None:
    """Every statistic gives the printed digits of the nine-point set."""
    record = eb.Record.from_frequency(NINE_FREQUENCIES, interval_s=1.0)

    curve = eb.stability(record, statistic, averaging=[1, 2])

    for value, printed in zip(curve.deviation, TABLE_30[statistic], strict=True):
        assert_prints_as(value, printed)


@pytest.mark.parametrize("statistic", TABLE_31)
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_thousand_point_set(statistic: str, kind: str) -> None:
    """Every statistic gives the printed digits of the thousand-point set, from frequency and from phase."""
    record = eb.Record.from_frequency(thousand_frequencies(), interval_s=1.0)
    record = record.to_phase() if kind == "phase" else record

    curve = eb.stability(record, statistic, averaging=[1, 10, 100])

    for value, printed in zip(curve.deviation, TABLE_31[statistic], strict=True):
        assert_prints_as(value, printed)


def test_generator_is_the_published_one() -> None:
    """The second, third and fourth integers of the generator are the published ones."""
    # SOURCE: NIST SP 1065, section 12 (quoted in the tests of allantools)
    integers = [round(value * 2147483647) for value in thousand_frequencies()[:4]]

    assert integers == [1234567890, 395529916, 1209410747, 633705974]


def test_error_bars_of_the_thousand_point_set() -> None:
    """The published limits at averaging factor 10 come out, as near as their rounded percentiles allow."""
    # SOURCE: NIST SP 1065, section 12, table of error bars (from memory): overlapping Allan 8.223942e-02
    # (2.5 % in either tail, lower limit) and modified Allan 5.419961e-02. The handbook looks up chi-squared
    # at the whole part of the degrees of freedom, and takes them from a fit: hence 5e-3 and not the printed
    # digits.
    record = eb.Record.from_frequency(thousand_frequencies(), interval_s=1.0)

    overlapping = eb.stability(record, averaging=[10]).confidence_interval(0.95)
    modified = eb.stability(record, "modified_allan", averaging=[10]).confidence_interval(0.95)
    one_sided = eb.stability(record, averaging=[10]).confidence_interval(0.90)

    assert overlapping[0][0] == pytest.approx(8.223942e-02, rel=5e-3)
    assert modified[0][0] == pytest.approx(5.419961e-02, rel=5e-3)
    assert one_sided[1][0] == pytest.approx(1.014923e-01, rel=5e-3)


def test_noise_of_the_thousand_point_set() -> None:
    """The portable set is white FM at averaging factors 1 and 10."""
    # SOURCE: NIST SP 1065, section 12: the set is uncorrelated by construction; lag-1 ids 0.055 and 0.360
    record = eb.Record.from_frequency(thousand_frequencies(), interval_s=1.0)

    assert eb.stability(record, averaging=[1, 10]).noise_exponent.tolist() == [0.0, 0.0]


# SOURCE: Howe, Allan and Barnes, "Properties of signal sources and measurement methods", 35th Annual
# Frequency Control Symposium 1981 (NIST TN 1337), worked example (from memory): sum of squares 4.51e-10,
# deviation 5.67e-6
def test_worked_example_of_eight_readings() -> None:
    """The eight readings of the classic tutorial give its printed Allan deviation."""
    readings = np.array([4.36, 4.61, 3.19, 4.21, 4.47, 3.96, 4.10, 3.08]) * 1e-5

    curve = eb.stability(eb.Record.from_frequency(readings, interval_s=1.0), "allan", averaging=[1])

    assert curve.deviation[0] == pytest.approx(5.67e-6, abs=0.005e-6)
    assert curve.terms[0] == 7
