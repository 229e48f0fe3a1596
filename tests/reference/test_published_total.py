"""The total family in the published test sets, and its published bias and degrees of freedom."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.kernels import TermSum

# SOURCE: NIST SP 1065 (Riley, Handbook of Frequency Stability Analysis, 2008), section 12, table 30 (data:
# NBS Monograph 140, 1974, annex 8.E); the table as quoted, with table and page, in the documentation of
# allantools
NINE_FREQUENCIES = [892, 809, 823, 798, 671, 644, 883, 903, 677]
TABLE_30 = {
    "total": ("91.22945", "93.90379"),
    "modified_total": ("75.50203", "75.83606"),
    "time_total": ("43.59112", "87.56794"),
    "hadamard_total": ("70.80607", "91.16396"),
}
# SOURCE: NIST SP 1065, section 12, table 31 and equation (73), likewise quoted; averaging factors 1, 10, 100
TABLE_31 = {
    "total": ("2.922319e-01", "9.134743e-02", "3.406530e-02"),
    "modified_total": ("2.418528e-01", "6.499161e-02", "2.287774e-02"),
    "time_total": ("1.396338e-01", "3.752293e-01", "1.320847e+00"),
    "hadamard_total": ("2.943883e-01", "9.614787e-02", "3.058103e-02"),
}


def thousand_frequencies() -> list[float]:
    """Return the portable random set: n ← 16807 n mod 2147483647, the seed itself the first value."""
    state, values = 1234567890, []
    for _ in range(1000):
        values.append(state / 2147483647)
        state = 16807 * state % 2147483647
    return values


def assert_prints_as(value: float, printed: str) -> None:
    """Check a value against printed digits: within one and a half units of the last of them."""
    digits = printed.partition("e")[0].lstrip("-").replace(".", "").lstrip("0")
    unit = 10.0 ** (np.floor(np.log10(float(printed))) - len(digits) + 1)
    # half a unit is the rounding of the table; one more allows for its own last-digit rounding (75.83606 is
    # 75.836066 in double precision, 87.56794 is 87.567945)
    assert abs(value - float(printed)) <= 1.5 * unit, f"{value:.9g} is not {printed}"


@pytest.mark.parametrize("statistic", TABLE_30)
def test_nine_point_set(statistic: str) -> None:
    """With the published bias factors every total statistic gives the printed digits of the nine points."""
    record = eb.Record.from_frequency(NINE_FREQUENCIES, interval_s=1.0)

    curve = eb.stability(record, statistic, averaging=[1, 2], bias="published", noise="white FM")

    for value, printed in zip(curve.deviation, TABLE_30[statistic], strict=True):
        assert_prints_as(value, printed)


@pytest.mark.parametrize("statistic", TABLE_31)
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_thousand_point_set(statistic: str, kind: str) -> None:
    """With the published bias factors the printed digits of the thousand points come out."""
    record = eb.Record.from_frequency(thousand_frequencies(), interval_s=1.0)
    record = record.to_phase() if kind == "phase" else record

    curve = eb.stability(record, statistic, averaging=[1, 10, 100], bias="published", noise="white FM")

    for value, printed in zip(curve.deviation, TABLE_31[statistic], strict=True):
        assert_prints_as(value, printed)


def test_exact_bias_at_factor_one_gives_the_allan_deviation() -> None:
    """At factor 1 the exact bias of the modified total is one half, and 64.50896 becomes 91.22945."""
    # SOURCE: arithmetic on SP 1065, table 30: its 75.50203 is the raw 64.50896 over the root of 0.73; a
    # stretch of three points less its slope has half the square of its second difference
    record = eb.Record.from_frequency(NINE_FREQUENCIES, interval_s=1.0)
    raw = eb.stability(record, "modified_total", averaging=[1], bias="none").deviation[0]
    exact = eb.stability(record, "modified_total", averaging=[1], bias="exact").deviation[0]

    assert raw == pytest.approx(64.50896, rel=2e-7)
    assert exact == pytest.approx(91.22945, rel=2e-7)


def test_parabolic_of_the_thousand_point_set() -> None:
    """The definition with all N - 2m + 1 terms, evaluated as plain sums."""
    # SOURCE: arXiv:1506.00687, definition; 0.21434933 and 0.10335957 are independent evaluations of it
    curve = eb.stability(
        eb.Record.from_frequency(thousand_frequencies(), interval_s=1.0), "parabolic", averaging=[2, 10]
    )

    assert curve.deviation == pytest.approx([0.21434933, 0.10335957], rel=5e-8)
    assert curve.terms.tolist() == [998, 982]


# SOURCE: Howe, Beard, Greenhall and Riley, 32nd PTTI 2000, as quoted in allantools: Hadamard total bias
@pytest.mark.parametrize(
    ("exponent", "printed"), [(0, 0.995), (-1, 0.851), (-2, 0.771), (-3, 0.717), (-4, 0.679)]
)
def test_hadamard_total_bias_is_the_published_one(exponent: int, printed: float) -> None:
    """The exact expectation has the published digits."""
    form = STATISTICS["hadamard_total"].form
    bias = form.expected(10_000, 200, exponent) / form.aimed_at(200, exponent)

    assert bias == pytest.approx(printed, abs=6e-4)


# SOURCE: Greenhall, Howe and Percival, IEEE Trans. UFFC 46 (1999): 1 - a τ/T, a = 0, 1/(3 ln 2), 3/4
@pytest.mark.parametrize(("exponent", "slope"), [(0, 0.0), (-1, 1 / (3 * np.log(2))), (-2, 0.75)])
@pytest.mark.parametrize("factor", [400, 1500, 4000])
def test_total_bias_is_the_published_line(exponent: int, slope: float, factor: int) -> None:
    """The exact expectation lies on the published line at long averaging times."""
    form = STATISTICS["total"].form
    bias = form.expected(8001, factor, exponent) / form.aimed_at(factor, exponent)

    assert bias == pytest.approx(1 - slope * factor / 8000, abs=1e-3)


# SOURCE: NIST SP 1065 (2008), table of Théo1 bias, from memory: Allan variance over Théo1 is a + b/m^c
PUBLISHED_THEO1 = {
    2: (0.09, 0.74, 0.40),
    1: (0.14, 0.82, 0.30),
    -1: (1.87, -1.05, 0.79),
    -2: (2.70, -1.53, 0.85),
}


@pytest.mark.parametrize("exponent", PUBLISHED_THEO1)
@pytest.mark.parametrize("span", [10, 40, 200])
def test_theo1_bias_is_near_the_published_fit(exponent: int, span: int) -> None:
    """The exact bias lies within 2 % of the printed fit for the FM noises, within 15 % for those of phase."""
    constant, scale, power = PUBLISHED_THEO1[exponent]
    exact = STATISTICS["theo1"].form.published_bias(1000, span, exponent)
    assert 1 / exact == pytest.approx(constant + scale / span**power, rel=0.02 if exponent < 0 else 0.15)


# SOURCE: exact expectations evaluated from the definition: Allan variance over Théo1. White FM is unbiased
# because of the divisor 0.75.
@pytest.mark.parametrize(
    ("exponent", "span", "exact"),
    [
        (0, 10, 1.0),
        (0, 200, 1.0),
        (-2, 10, 2.445652),
        (-2, 40, 2.623907),
        (-2, 200, 2.684003),
        (2, 40, 0.2760342),
        (2, 200, 0.19259),
    ],
)
def test_theo1_bias(exponent: int, span: int, exact: float) -> None:
    """The exact bias is right."""
    form = STATISTICS["theo1"].form

    assert form.aimed_at(span, exponent) / form.expected(1000, span, exponent) == pytest.approx(
        exact, rel=1e-6
    )


def freedom(case: tuple[str, int, int, int, int]) -> float:
    """Return the degrees of freedom of a statistic for points, factor, exponent and number of terms."""
    statistic, points, factor, exponent, terms = case
    kind = STATISTICS[statistic]
    count = TermSum(total=1.0, possible=terms, terms=terms)
    found = kind.form.moments([count], points, [factor])
    return found.freedom(np.eye(found.expected.shape[1])[2 - exponent])[0]


# SOURCE: published fits b T/τ - c (SP 1065, tables 7 and 8), (T/τ)/(b0 + b1 τ/T) (Howe et al. 2000) and the
# Théo1 formulas (Tasset, Howe and Percival 2004), from memory, with the distance of the exact covariance
@pytest.mark.parametrize(
    ("case", "printed", "within"),
    [
        (("total", 1025, 32, 0, 1023), 48.0, 0.005),
        (("total", 1025, 32, -1, 1023), 37.15, 0.005),
        (("total", 1025, 32, -2, 1023), 29.31, 0.01),
        (("modified_total", 257, 16, 1, 210), 17.8, 0.05),
        (("modified_total", 257, 16, -1, 210), 13.1, 0.09),
        (("hadamard_total", 257, 16, 0, 209), 25.7338, 0.015),
        (("hadamard_total", 257, 16, -1, 209), 17.0349, 0.005),
        (("hadamard_total", 257, 16, -3, 209), 14.114, 0.005),
        (("theo1", 257, 20, 0, 237), 61.6559, 0.005),
        (("theo1", 257, 64, 0, 193), 18.5533, 0.015),
        (("theo1", 257, 20, -1, 237), 32.9306, 0.08),
        (("theo1", 257, 64, -2, 193), 5.33203, 0.04),
        (("theo1", 257, 20, 2, 237), 201.948, 0.05),
    ],
)
def test_freedom_is_near_the_published_fit(
    case: tuple[str, int, int, int, int], printed: float, within: float
) -> None:
    """The degrees of freedom agree with the published fit as well as the fit with the exact ones."""
    assert freedom(case) == pytest.approx(printed, rel=within)


# SOURCE: the same statistics evaluated by tr(C)²/tr(C²) over the covariance matrix of all terms
@pytest.mark.parametrize(
    ("case", "exact", "within"),
    [
        (("total", 513, 1, 0, 511), 340.9, 1e-3),
        (("total", 513, 128, 2, 511), 29.1, 3e-3),
        (("total", 1025, 32, 0, 1023), 47.94147769, 0.005),
        (("modified_total", 257, 16, -1, 210), 14.16328696, 1e-3),
        (("hadamard_total", 257, 16, 0, 209), 25.37983024, 1e-3),
        (("hadamard_total", 257, 16, -3, 209), 14.0877531, 1e-3),
        (("theo1", 257, 20, -2, 237), 20.7345294, 1e-3),
        (("theo1", 257, 64, 0, 193), 18.78295, 5e-3),
        (("theo1", 257, 64, -1, 193), 8.360549, 5e-3),
        (("theo1", 257, 64, 2, 193), 185.7189, 2e-2),
    ],
)
def test_freedom_is_exact(case: tuple[str, int, int, int, int], exact: float, within: float) -> None:
    """The degrees of freedom are those of the covariance matrix of all terms."""
    assert freedom(case) == pytest.approx(exact, rel=within)
