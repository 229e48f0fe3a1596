"""Distributions against scipy.stats, and numbers with uncertainty against GUM and CODATA."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants, integrate, stats

from evenbeat.errors import InputError
from evenbeat.quantities import Estimate, StudentMixture, checked_probability, number_text


def mixture() -> StudentMixture:
    """Return three components, one of them normal, for two quantities."""
    return StudentMixture(
        weights=np.array([0.5, 0.3, 0.2]),
        locations=np.array([[0.0, 1.0, -2.0], [5.0, 5.0, 9.0]]),
        scales=np.array([[1.0, 0.5, 3.0], [0.1, 2.0, 1.0]]),
        degrees_of_freedom=np.array([4.0, math.inf, 7.5]),
    )


def components(row: int) -> list[tuple[float, object]]:
    """Return the same mixture as weights and frozen scipy.stats distributions."""
    m = mixture()
    return [
        (m.weights[k], stats.norm(m.locations[row, k], m.scales[row, k]))
        if math.isinf(m.degrees_of_freedom[k])
        else (m.weights[k], stats.t(m.degrees_of_freedom[k], m.locations[row, k], m.scales[row, k]))
        for k in range(3)
    ]


@pytest.mark.parametrize("row", [0, 1])
@pytest.mark.parametrize("value", [-30.0, -2.0, 0.3, 5.05, 40.0])
def test_cdf_is_that_of_scipy(row: int, value: float) -> None:
    """The probability is the weighted sum of scipy.stats.t and norm."""
    expected = sum(weight * part.cdf(value) for weight, part in components(row))

    assert mixture().cdf(value)[row] == pytest.approx(expected, rel=1e-12, abs=0)


@pytest.mark.parametrize("degrees", [100, 118.5, 400, 1e5])
def test_many_degrees_of_freedom_are_those_of_scipy(degrees: float) -> None:
    """Where an expansion stands for it, middle and tails are those of scipy.stats.t and norm."""
    z = np.concatenate([-np.geomspace(1e-9, 5, 200), np.geomspace(1e-9, 9, 200)])
    both = StudentMixture(
        weights=np.array([0.75, 0.25]),
        locations=np.zeros((len(z), 2)),
        scales=np.ones((len(z), 2)),
        degrees_of_freedom=np.array([degrees, math.inf]),
    )
    assert both.cdf(z) == pytest.approx(0.75 * stats.t(degrees).cdf(z) + 0.25 * stats.norm.cdf(z), rel=2e-11)
    assert both.cdf(np.full(len(z), np.inf)) == pytest.approx(1.0)


@pytest.mark.parametrize("degrees", [3.0, 40.0, 118.0, math.inf])
@pytest.mark.parametrize("probability", [1e-5, 0.025, 0.5, 0.975])
def test_quantile_of_many_components_undoes_cdf(degrees: float, probability: float) -> None:
    """Of narrow and wide components, near and apart, scipy.stats finds the probability below the quantile."""
    generator = np.random.default_rng(8)
    size = 12, 200
    many = StudentMixture(
        weights=generator.dirichlet(np.ones(size[1])),
        locations=generator.standard_normal(size) * np.geomspace(1e-3, 10, size[0])[:, np.newaxis],
        scales=10 ** generator.uniform(-2, 1, size),
        degrees_of_freedom=np.full(size[1], degrees),
    )
    z = (many.quantile(probability)[:, np.newaxis] - many.locations) / many.scales
    below = stats.norm.cdf(z) if math.isinf(degrees) else stats.t(degrees).cdf(z)
    assert below @ many.weights == pytest.approx(probability, rel=1e-9)


@pytest.mark.grid(2)
@pytest.mark.parametrize("row", [0, 1])
def test_moments_are_those_of_the_density(row: int) -> None:
    """Mean and standard deviation agree with integration of scipy's density."""

    def moment(power: int, centre: float) -> float:
        parts = components(row)
        return sum(
            weight
            * integrate.quad(lambda x, p=part: (x - centre) ** power * p.pdf(x), -np.inf, np.inf, limit=400)[
                0
            ]
            for weight, part in parts
        )

    mean = moment(1, 0.0)

    assert mixture().mean[row] == pytest.approx(mean, rel=1e-8, abs=0)
    assert mixture().standard_deviation[row] == pytest.approx(math.sqrt(moment(2, mean)), rel=1e-5, abs=0)


@given(st.floats(min_value=1e-6, max_value=1 - 1e-6))
def test_quantile_undoes_cdf(probability: float) -> None:
    """The quantile of every probability has that probability below it."""
    m = mixture()

    assert m.cdf(m.quantile(probability)) == pytest.approx([probability, probability], rel=1e-9, abs=0)


@pytest.mark.parametrize("degrees", [1.0, 2.5, 9.0, 100.0, math.inf])
def test_interval_of_one_component_is_that_of_scipy(degrees: float) -> None:
    """The 95 % interval of a single component has the coverage factor of Student's table."""
    one = StudentMixture.student(3.0, 2.0, degrees)
    factor = stats.norm.ppf(0.975) if math.isinf(degrees) else stats.t.ppf(0.975, degrees)

    low, high = one.interval(0.95)

    assert (low, high) == (
        pytest.approx(3 - 2 * factor, rel=1e-10, abs=0),
        pytest.approx(3 + 2 * factor, rel=1e-10, abs=0),
    )


def test_coverage_factors_of_the_gum() -> None:
    """JCGM 100:2008, table G.2: t for 95.45 % is 2.05 at 50 and 2.87 at 4 degrees of freedom."""
    for degrees, factor in ((4, 2.87), (10, 2.28), (50, 2.05), (math.inf, 2.00)):
        _, high = Estimate(distribution=StudentMixture.student(0.0, 1.0, degrees)).interval(0.9545)
        assert round(high, 2) == factor


@settings(max_examples=25)
@given(st.floats(min_value=-300, max_value=300).map(lambda power: 10.0 ** (power / 20)))
def test_intervals_scale_with_the_quantity(factor: float) -> None:
    """Values near 1e-12 lose nothing: the interval of c times the quantity is c times the interval."""
    low, high = mixture().interval()
    scaled_low, scaled_high = mixture().scaled(factor).interval()

    np.testing.assert_allclose([scaled_low / factor, scaled_high / factor], [low, high], rtol=1e-12)


def test_negative_scaling_turns_the_distribution_round() -> None:
    """The distribution of minus a quantity is its mirror image."""
    low, high = mixture().interval()
    turned_low, turned_high = mixture().scaled(-1.0).interval()

    np.testing.assert_allclose([turned_low, turned_high], [-high, -low], rtol=1e-12)


def test_shifting_and_widening() -> None:
    """A shift moves the mean only; an independent uncertainty adds in quadrature for a normal."""
    one = StudentMixture.normal([1.0, 2.0], [3.0, 4.0])

    np.testing.assert_allclose(one.shifted(10.0).mean, [11.0, 12.0])
    np.testing.assert_allclose(one.shifted([1.0, -1.0]).standard_deviation, [3.0, 4.0])
    np.testing.assert_allclose(one.widened([4.0, 3.0]).standard_deviation, [5.0, 5.0])


def test_two_degrees_of_freedom_have_no_standard_deviation() -> None:
    """It is infinite, not a number that looks usable; the interval exists all the same."""
    one = StudentMixture.student(0.0, 1.0, 2.0)

    assert math.isinf(one.standard_deviation)
    assert one.interval()[1] == pytest.approx(stats.t.ppf(0.975, 2), rel=1e-12, abs=0)


def test_a_quantity_known_exactly_has_an_interval_of_no_width() -> None:
    """Zero scale is a point: probability jumps there from zero to one."""
    one = StudentMixture.normal(2.0, 0.0)

    assert one.interval() == (2.0, 2.0)
    assert (one.cdf(1.9), one.cdf(2.1)) == (0.0, 1.0)


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.1, 95.0, math.nan])
def test_impossible_confidence_is_refused(confidence: float) -> None:
    """A confidence level is a probability; 95 is named as what it is."""
    with pytest.raises(InputError, match=r"confidence is .*; it must lie between 0 and 1, such as 0.95"):
        mixture().interval(confidence)
    with pytest.raises(InputError, match="reliability is"):
        checked_probability(confidence, "reliability")
    with pytest.raises(InputError, match="probability is"):
        mixture().quantile(confidence)


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (100.02147, 0.00035, "100.02147(35)"),  # the example of JCGM 100:2008, 7.2.2
        (1.2348e-11, 2.3e-13, "1.235(23)e-11"),
        (-1.2355e-11, 2.3e-13, "-1.236(23)e-11"),
        (0.0, 1e-12, "0.0(10)e-12"),
        (3e-13, 4e-12, "0.3(40)e-12"),
        (9.9999, 0.001, "9.9999(10)"),
        (1.0, 0.0995, "1.00(10)"),
        (1.0, 0.0994, "1.000(99)"),
        (12345.0, 2.0, "12345.0(20)"),
        (12345.0, 25.0, "12345(25)"),
        (123456.0, 200.0, "1.2346(20)e+05"),
        (1.0, 1000.0, "0(1000)"),
        (-0.001, 0.5, "0.00(50)"),
        (5e-11, 0.0, "5e-11"),
        (1.23456e-9, math.nan, "1.23e-09(?)"),
        (1.23456e-9, math.inf, "1.23e-09(?)"),
        (1.0, -1.0, "1(?)"),
        (math.nan, 1.0, "unknown"),
        (math.inf, 1.0, "unknown"),
    ],
)
def test_numbers_are_written_as_the_gum_writes_them(value: float, uncertainty: float, text: str) -> None:
    """Two digits of uncertainty in brackets, in units of the last digit of the value."""
    assert number_text(value, uncertainty) == text


def read_back(text: str) -> tuple[float, float]:
    """Return value and uncertainty of text in bracket notation."""
    whole, fraction, digits, power = re.fullmatch(
        r"(-?\d+)\.?(\d*)\((\d+)\)(?:e([+-]\d+))?", text
    ).groups()  # by hand: an independent reading of the notation
    ten = 10.0 ** int(power or 0)
    value = float(f"{whole}.{fraction or 0}") * ten
    return value, int(digits) * 10.0 ** -len(fraction) * ten


CODATA = {name: (value, u) for name, (value, _, u) in constants.physical_constants.items() if u > 0}


@pytest.mark.parametrize("name", sorted(CODATA))
def test_codata_constants_are_written_without_loss(name: str) -> None:
    """CODATA states two digits of uncertainty: the text reads back to the same two, the value as well."""
    value, uncertainty = CODATA[name]

    read_value, read_uncertainty = read_back(number_text(value, uncertainty))

    assert read_uncertainty == pytest.approx(uncertainty, rel=1e-6, abs=0)
    assert abs(read_value - value) <= 0.0051 * uncertainty + 4e-16 * abs(value)


@given(
    st.floats(min_value=-1e6, max_value=1e6),
    st.floats(min_value=1e-3, max_value=1e3),
    st.integers(min_value=-30, max_value=30),
)
def test_written_numbers_read_back(value: float, uncertainty: float, power: int) -> None:
    """The value is right to a twentieth of its uncertainty, the uncertainty to its second digit."""
    value, uncertainty = value * 10.0**power, uncertainty * 10.0**power

    read_value, read_uncertainty = read_back(number_text(value, uncertainty))

    assert read_uncertainty == pytest.approx(uncertainty, rel=0.051, abs=0)
    assert abs(read_value - value) <= 0.0501 * uncertainty + 1e-15 * abs(value)


def test_estimate_says_value_uncertainty_and_unit() -> None:
    """An estimate prints in bracket notation with its unit, and gives plain numbers for JSON."""
    rate = Estimate.normal(2.0e-16, 3.0e-18, "1/s")

    assert str(rate) == "2.000(30)e-16 1/s"
    assert str(rate.scaled(86400.0, "1/d")) == "1.728(26)e-11 1/d"
    assert repr(Estimate.normal(1.0, 0.1)) == "Estimate(1.00(10))"
    assert rate.probability_below(2.0e-16) == pytest.approx(0.5, rel=1e-12, abs=0)
    assert rate.to_dict() == {
        "value": pytest.approx(2.0e-16, rel=1e-12, abs=0),
        "standard_uncertainty": pytest.approx(3.0e-18, rel=1e-12, abs=0),
        "low_95": pytest.approx(2.0e-16 - 1.959964 * 3.0e-18, rel=1e-6, abs=0),
        "high_95": pytest.approx(2.0e-16 + 1.959964 * 3.0e-18, rel=1e-6, abs=0),
        "unit": "1/s",
    }


def test_a_sign_is_established_where_the_interval_leaves_zero_out() -> None:
    """Two standard deviations from zero at 95 %, not at 99 % (normal quantiles 1.96 and 2.58)."""
    for value in (2.0, -2.0):
        estimate = Estimate.normal(value, 1.0)
        assert estimate.sign_established()
        assert not estimate.sign_established(0.99)
