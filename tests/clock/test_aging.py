"""Aging laws: published rates, exact derivatives and means, reparametrisation by age, and refusals."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from evenbeat.clock.aging import AGING_LAWS, AgingLaw, chosen_laws
from evenbeat.clock.fit import fit_clock
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Flag, Record

DAY = 86400.0
LAWS = list(AGING_LAWS.values())
RETRACING = AGING_LAWS["logarithmic"].with_retrace((0.3, 0.7))


def at(law: AgingLaw, share: float) -> tuple[float, ...]:
    """Return a point within the law's grid of curvatures."""
    return tuple(axis[0] * (axis[-1] / axis[0]) ** share for axis in law.axes)


# SOURCE: A = 5e-9, B = 0.2 per day; rates A B / (1 + B t) of the law of MIL-PRF-55310 worked by hand
@pytest.mark.parametrize(
    ("day", "rate"),
    [
        (0, 1e-9),
        (1, 8.33333e-10),
        (10, 3.33333e-10),
        (30, 1.42857e-10),
        (100, 4.7619e-11),
        (365, 1.35135e-11),
    ],
)
def test_rate_of_the_logarithmic_law(day: int, rate: float) -> None:
    """The slope per day, of a year's record whose coefficient is the law's value at its end."""
    law, length = AGING_LAWS["logarithmic"], 365.0
    bend = (0.2 * length,)
    coefficient = 5e-9 * np.log1p(0.2 * length)
    slope = law.slope_at(np.array([day / length]), bend)[0, 0]
    assert coefficient * slope / length == pytest.approx(rate, rel=1e-5)


# SOURCE: the same law by hand: y(30 d) = 9.72955e-9, y(365 d) = 2.152033e-8
def test_values_of_the_logarithmic_law() -> None:
    """The shape at thirty days and at the end of the year."""
    law, bend = AGING_LAWS["logarithmic"], (73.0,)
    values = 5e-9 * np.log1p(73.0) * law.values(np.array([30 / 365, 1.0]), bend)[:, 0]
    assert values == pytest.approx([9.72955e-9, 2.152033e-8], rel=1e-6)


@pytest.mark.grid(3)
# SOURCE: central differences of the shape itself
@pytest.mark.parametrize("law", [*LAWS, RETRACING], ids=lambda law: f"{law.name} {law.columns}")
@given(u=st.floats(0.01, 2.5), share=st.floats(0, 1))
def test_slope_is_the_derivative(law: AgingLaw, u: float, share: float) -> None:
    """Every column of every law, within the record and one and a half records after it."""
    if min(abs(u - 0.3), abs(u - 0.7)) < 1e-3:  # where a transient begins there is no derivative
        return
    bend, step = at(law, share), 1e-6
    two = law.values(np.array([u - step, u + step]), bend)
    slope = law.slope_at(np.array([u]), bend)[0]
    assert slope == pytest.approx((two[1] - two[0]) / (2 * step), rel=2e-5, abs=1e-8)


# SOURCE: adaptive quadrature, scipy.integrate.quad
@pytest.mark.parametrize("law", [*LAWS, RETRACING], ids=lambda law: f"{law.name} {law.columns}")
@pytest.mark.parametrize("span", [(0.0, 0.002), (0.0, 1.0), (0.25, 0.75), (0.999, 1.0), (1.0, 2.0)])
def test_mean_is_the_integral(law: AgingLaw, span: tuple[float, float]) -> None:
    """The mean over short and long spans, from the steepest start on."""
    start, stop = span
    for share in (0.0, 0.5, 1.0):
        bend = at(law, share)
        means = law.mean_over(np.array([start]), np.array([stop]), bend)[0]
        for column, mean in enumerate(means):
            area = _area(law, bend, column, start, stop)
            assert mean == pytest.approx(area / (stop - start), rel=1e-7, abs=1e-12)


def _area(law: AgingLaw, bend: tuple[float, ...], column: int, start: float, stop: float) -> float:
    """Return the integral of one column, in pieces between the beginnings of transients."""
    edges = [start, *(u for u in (0.001, 0.01, 0.1, 0.3, 0.7) if start < u < stop), stop]
    return sum(
        integrate.quad(lambda u: law.values(np.array([u]), bend)[0, column], a, b, epsabs=0, epsrel=1e-10)[0]
        for a, b in itertools.pairwise(edges)
    )


def test_laws_meet_where_their_curvature_vanishes() -> None:
    """Power tends to the logarithm as its exponent vanishes, to the line at one; root is power at 1/2."""
    u = np.linspace(0, 2, 9)
    power = AGING_LAWS["power"]
    assert power.values(u, (30.0, 1e-7)) == pytest.approx(
        AGING_LAWS["logarithmic"].values(u, (30.0,)), rel=1e-5
    )
    assert power.values(u, (30.0, 1.0)) == pytest.approx(u[:, np.newaxis], rel=1e-9)
    assert power.values(u, (30.0, 0.5)) == pytest.approx(
        AGING_LAWS["square_root"].values(u, (30.0,)), rel=1e-9
    )
    assert AGING_LAWS["exponential"].values(u, (1e-5,)) == pytest.approx(u[:, np.newaxis], rel=1e-4)


@given(age=st.floats(1e-3, 30), bend=st.floats(0.1, 1e3))
def test_an_age_is_an_apparent_bend(age: float, bend: float) -> None:
    """A ln(1 + B (t + age)) is A ln(1 + B' t) + constant with 1/B' = age + 1/B: never more than 1/age."""
    u = np.array([0.2, 0.7, 1.5])
    older = np.log1p(bend * (u + age)) - np.log1p(bend * age)
    apparent = 1 / (age + 1 / bend)
    shape = AGING_LAWS["logarithmic"].values(u, (apparent,))[:, 0]
    assert older / older[0] == pytest.approx(shape / shape[0], rel=1e-7)
    bounded = AGING_LAWS["logarithmic"].begun_before(age)
    assert max(bounded.axes[0]) <= 1 / age * (1 + 1e-12)
    assert list(bounded.axes[0]) == sorted(set(bounded.axes[0]))


def test_an_age_leaves_laws_alone_that_do_not_begin() -> None:
    """A line has no beginning, an exponential no age."""
    for name in ("none", "linear", "exponential"):
        assert AGING_LAWS[name].begun_before(3.0) is AGING_LAWS[name]


def test_a_transient_decays_from_where_it_begins() -> None:
    """Zero before, one at once, 1/e a time constant later; the other columns stay."""
    values = RETRACING.values(np.array([0.29, 0.3, 0.4]), (30.0, 10.0))
    assert values[:, 1] == pytest.approx([0.0, 1.0, np.exp(-1)])
    assert values[:, :1] == pytest.approx(
        AGING_LAWS["logarithmic"].values(np.array([0.29, 0.3, 0.4]), (30.0,))
    )
    assert AGING_LAWS["linear"].with_retrace(()) is AGING_LAWS["linear"]


def test_several_laws_by_name() -> None:
    """Each once, in the order given."""
    assert [law.name for law in chosen_laws(("power", "linear", "power"))] == ["power", "linear"]


@pytest.mark.parametrize(
    ("aging", "sentence"),
    [("cubic", "aging is 'cubic'; it must be 'auto' or one of 'none'"), ((), "aging names no law")],
)
def test_unknown_laws_are_refused(aging: object, sentence: str) -> None:
    """The sentence lists what exists."""
    with pytest.raises(InputError, match=sentence):
        chosen_laws(aging)


def _interrupted() -> Record:
    """Return a clock whose power failed on day 40: a step, and a transient of five days."""
    record = simulate_clock(
        120 * 4,
        interval_s=DAY / 4,
        levels=NoiseLevels(white_fm=1e-22),
        seed=8,
        aging=lambda t: (
            1e-12 * t / DAY + np.where(t > 40 * DAY, 2e-11 - 1e-10 * np.exp(-(t / DAY - 40) / 5), 0)
        ),
    )
    flags = (
        Flag(cause="warm_up", start=159, stop=160, excluded=True, sentence=""),
        Flag(cause="frequency_step", start=160, stop=160, excluded=False, sentence="", size=2e-11),
    )
    return record.with_flags(*flags)


@pytest.mark.slow
def test_retrace_after_an_interruption_does_not_bend_the_aging() -> None:
    """With its exponential the rate is found, and far better known than without."""
    record = _interrupted()
    with_it = fit_clock(record, aging="linear", retrace=True).aging_rate().per_day
    without = fit_clock(record, aging="linear").aging_rate().per_day
    low, high = with_it.interval()
    assert low < 1e-12 < high
    assert with_it.value == pytest.approx(1e-12, rel=0.1)
    assert with_it.standard_uncertainty < 0.2 * without.standard_uncertainty


def test_retrace_without_an_interruption_is_refused() -> None:
    """The sentence says what is missing."""
    record = replace(_interrupted(), flags=())
    with pytest.raises(InputError, match="conditioning flagged none"):
        fit_clock(record, retrace=True)


def test_a_stated_age_bounds_the_bend() -> None:
    """An oscillator that ran for ten record lengths cannot bend much within one."""
    record = simulate_clock(100, interval_s=DAY, levels=NoiseLevels(white_fm=1e-22), seed=1)
    model = fit_clock(record, aging="logarithmic", age_s=1000 * DAY)
    assert max(variant.curvature[0] for variant in model.variants) <= 0.1 * (1 + 1e-9)
    with pytest.raises(InputError, match="age_s is -1"):
        fit_clock(record, age_s=-1.0)
