"""Equivalent degrees of freedom against published and independently evaluated values."""

from __future__ import annotations

import numpy as np
import pytest

from evenbeat.deviations.forms.terms import equivalent_degrees_of_freedom
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.kernels import TermSum

NOISES = (2, 1, 0, -1, -2)


def freedom(statistic: str, points: int, factor: int, exponent: int) -> float:
    """Return the degrees of freedom of a record without gaps."""
    kind = STATISTICS[statistic]
    if kind.form.overlapping:
        count = points - kind.form.spans * factor + kind.form.averaged
    else:
        count = (points - 1) // factor + 1 - kind.form.order
    return equivalent_degrees_of_freedom(
        TermSum(total=1.0, possible=count, terms=count),
        factor,
        exponent=exponent,
        order=kind.form.order,
        averaged=kind.form.averaged,
        overlapping=kind.form.overlapping,
    )


# SOURCE: exact evaluation of the overlapping Allan estimator from the generalized covariance of sampled
# phase, made independently of this package (dense double sums); white-PM and long-factor entries agree with
# Greenhall and Riley, 35th PTTI 2003 (514.036, 507.173, 440.207)
@pytest.mark.parametrize(
    ("factor", "expected"),
    [
        (1, (514.0, 666.2, 880.0, 888.1)),
        (10, (507.2, 146.07, 115.12, 91.27)),
        (100, (440.2, 12.813, 9.92, 7.76)),
        (300, (327.7, 3.16, 2.25, 1.66)),
        (500, (1, 1, 1, 1)),
    ],
)
def test_overlapping_allan_of_1001_points(factor: int, expected: tuple[float, ...]) -> None:
    """The exact values at 1001 phase points are reproduced within the one percent of the fast sum."""
    values = [freedom("overlapping_allan", 1001, factor, exponent) for exponent in (2, 0, -1, -2)]

    assert values == pytest.approx(expected, rel=1e-2)


# SOURCE: spectrum of fractionally differenced noise, |2 sin πf|^-2d with d = 1/2 (Hosking 1981,
# Biometrika 68), times the squared gain of second differences (NIST SP 1065): its transform is the covariance
# of the terms, and ν = n² c₀² / Σ Σ c² of Gaussian terms
@pytest.mark.parametrize("factor", [1, 10, 100, 300, 500])
def test_overlapping_allan_of_1001_points_in_flicker_pm(factor: int) -> None:
    """As above for the flicker PM that is simulated, a half-order sum of white noise."""
    f = np.fft.rfftfreq(1 << 20)[1:]
    spectrum = (2 * np.sin(np.pi * factor * f)) ** 4 / (2 * np.sin(np.pi * f))
    count = 1001 - 2 * factor
    covariance = np.fft.irfft(np.append(0.0, spectrum))[:count]
    pairs = np.append(count, 2.0 * np.arange(count - 1, 0, -1))
    expected = (count * covariance[0]) ** 2 / (pairs @ covariance**2)

    assert freedom("overlapping_allan", 1001, factor, 1) == pytest.approx(expected, rel=1e-2)


@pytest.mark.parametrize(
    ("factor", "expected"),
    [(10, (123.94, 98.7, 95.11, 92.65, 75.07)), (100, (9.93, 7.72, 7.41, 7.20, 5.73))],
)
def test_modified_allan_of_1001_points(factor: int, expected: tuple[float, ...]) -> None:
    """As above for the modified Allan deviation."""
    values = [freedom("modified_allan", 1001, factor, exponent) for exponent in NOISES]

    assert values == pytest.approx(expected, rel=1e-2)


def test_overlapping_hadamard_of_1001_points() -> None:
    """As above for the overlapping Hadamard deviation at factor 100."""
    values = [freedom("overlapping_hadamard", 1001, 100, exponent) for exponent in (0, -1, -2)]

    assert values == pytest.approx((9.92, 7.71, 7.40), rel=1e-2)


# SOURCE: Howe, Allan and Barnes 1981 (NIST TN 1337), table of degrees of freedom (from memory), and exact
# values of the same table evaluated independently
@pytest.mark.parametrize(
    ("points", "factor", "exponent", "expected"),
    [
        (9, 1, 0, 4.9),
        (129, 1, 2, 65.579),
        (129, 1, 0, 84.889),
        (9, 2, 2, 3.237),
        (9, 2, 0, 3.448276),
        (9, 2, -1, 3.353553),
        (9, 2, -2, 2.628337),
        (129, 2, 0, 71.92175),
        (129, 2, -1, 71.3516),
        (129, 16, 2, 54.50982),
        (129, 16, 0, 9.860422),
        (129, 16, -2, 5.955294),
        (1025, 1, 0, 682.2223),
        (1025, 1, -1, 901.139),
        (1025, 1, -2, 909.4321),
        (9, 4, 2, 1.0),
        (9, 4, 0, 1.0),
        (9, 4, -2, 1.0),
    ],
)
def test_table_of_exact_values(points: int, factor: int, exponent: int, expected: float) -> None:
    """Short records: the printed digits, up to the one percent of the fast sum at factor 16."""
    tolerance = 1e-2 if factor >= 16 else 2e-4  # three decimals are printed, cut and not rounded

    assert freedom("overlapping_allan", points, factor, exponent) == pytest.approx(expected, rel=tolerance)


# SOURCE: Greenhall and Riley, "Uncertainty of stability variances based on finite differences", 35th PTTI
# 2003: the algorithm of the paper evaluated for 1001 points at factor 100, where its averaging over the
# sampling interval is without effect
@pytest.mark.parametrize(
    ("statistic", "expected"),
    [
        ("overlapping_allan", {2: 440.207, 0: 12.8149, -1: 9.94804, -2: 7.75368}),
        ("modified_allan", {2: 9.93556, 1: 7.72064, 0: 7.41654, -1: 7.22273, -2: 5.72692}),
        ("allan", {2: 4.90909, 0: 6.23077, -1: 8.09157, -2: 8.1}),
        ("hadamard", {2: 3.76914, 0: 4.39695, -1: 5.32853, -2: 6.47191, -3: 7.33409, -4: 6.28969}),
        (
            "overlapping_hadamard",
            {2: 334.443, 0: 9.92284, -1: 7.71192, -2: 7.40694, -3: 7.19629, -4: 5.71927},
        ),
    ],
)
def test_published_algorithm_at_a_long_factor(statistic: str, expected: dict[int, float]) -> None:
    """Every statistic agrees with the published algorithm to one percent at factor 100."""
    values = [freedom(statistic, 1001, 100, exponent) for exponent in expected]

    assert values == pytest.approx(list(expected.values()), rel=1e-2)


@pytest.mark.parametrize("statistic", ["modified_allan", "overlapping_hadamard", "overlapping_allan"])
@pytest.mark.parametrize("exponent", [2, 0, -1, -2])
@pytest.mark.parametrize("factor", [64, 256])
def test_against_the_algorithm_of_allantools(statistic: str, exponent: int, factor: int) -> None:
    """Values for 4097 points lie within two percent of allantools' evaluation of the published algorithm."""
    # SOURCE: allantools.ci.edf_greenhall (LGPL-3.0-or-later), Greenhall and Riley 2003
    from allantools.ci import edf_greenhall

    kind = STATISTICS[statistic]
    theirs = edf_greenhall(
        alpha=exponent, d=kind.form.order, m=factor, N=4097, overlapping=True, modified=kind.form.averaged
    )

    assert freedom(statistic, 4097, factor, exponent) == pytest.approx(theirs, rel=2e-2)


@pytest.mark.parametrize("exponent", NOISES)
@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan", "overlapping_hadamard"])
@pytest.mark.parametrize("factor", [7, 40, 100, 333])
def test_fast_sum_is_the_full_sum(statistic: str, exponent: int, factor: int) -> None:
    """Few well-placed lags give the sum over all lags within one percent."""
    # SOURCE: the defining sum M² c(0)² / Σ n(k) c(k)² over every lag
    from evenbeat.deviations.covariance import term_covariances

    kind = STATISTICS[statistic]
    count = 2000 - kind.form.spans * factor + kind.form.averaged
    lags = np.arange(count)
    covariance = term_covariances(
        lags, factor, exponents=(exponent,), order=kind.form.order, averaged=kind.form.averaged
    )[0]
    squares = (count - lags) * (covariance / covariance[0]) ** 2
    full = count**2 / (2 * squares.sum() - squares[0])

    assert freedom(statistic, 2000, factor, exponent) == pytest.approx(full, rel=1e-2)
