"""Aging: how the frequency of an undisturbed oscillator moves with time, by which laws and at what rate.

A law is a sum of terms, each one column of the regression: ``y = C + Σ A_j S_j(u)`` with u the time
since the start of the record in units of its length. Every shape S is zero at the start of the record
and one at its end (a decaying transient is one when it begins), so that coefficients are alike whatever
the curvature. To add a law, write its :class:`Term` and put an :class:`AgingLaw` into ``AGING_LAWS``.

Sources: linear and logarithmic laws, MIL-PRF-55310 (f(t) = A ln(Bt + 1) + f₀, fitted by least squares);
square root and power, diffusion; exponential, first-order stabilisation and retrace
(common practice).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.special import boxcox1p

from evenbeat.clock.regression import ranked, stacked
from evenbeat.errors import InputError
from evenbeat.plain import Plain
from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR

Curvature = tuple[float, ...]
Shape = Callable[[FloatArray, Curvature], FloatArray]

BENDS = (0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0)
"""Record length over apparent age: from hardly bent to all in the first thousandth of the record."""
SINGULAR_BENDS = (1e4, 1e5)
"""Beyond those, for powers of time, which may begin with the record at an infinite rate."""
RETRACE_RATES = (3.0, 10.0, 30.0, 100.0)
"""Record length over the time constant of a transient after a power interruption."""


@dataclass(frozen=True, kw_only=True)
class Term:
    """One column of a law: S(u), dS/du and ∫₀ᵘ S du, shape (n,), given its own nonlinear parameters."""

    shape: Shape
    slope: Shape
    integral: Shape
    uses: tuple[int, ...] = ()  # Which of the law's nonlinear parameters these are

    def own(self, curvature: Curvature) -> Curvature:
        """Return the term's part of the law's nonlinear parameters."""
        return tuple(curvature[index] for index in self.uses)


@dataclass(frozen=True, kw_only=True)
class AgingLaw:
    """Frequency = constant + Σ coefficient × shape(u; curvature), with u = time / record length.

    Not valid through an adjustment, a change of drive or oven, or a power interruption that was not
    flagged; not valid before the start of the record, where every shape stays zero.
    """

    name: str  # As given to ``fit_clock(aging=…)``
    formula: str  # In words of the trade, for the report
    terms: tuple[Term, ...] = ()  # None for no aging at all
    axes: tuple[tuple[float, ...], ...] = ()  # Of each nonlinear parameter the first values tried, rising
    settles: bool = False  # Whether its rate ends: it would know the sign of an aging that it cannot see

    @property
    def columns(self) -> int:
        """Number of columns of the regression."""
        return len(self.terms)

    @property
    def parameters(self) -> int:
        """Number of parameters besides the constant."""
        return len(self.terms) + len(self.axes)

    def values(self, scaled_time: FloatArray, curvature: Curvature) -> FloatArray:
        """Return the shapes at scaled times of shape (n,), shape (n, columns)."""
        u = np.maximum(scaled_time, 0.0)
        return stacked([term.shape(u, term.own(curvature)) for term in self.terms], len(u))

    def mean_over(self, start: FloatArray, stop: FloatArray, curvature: Curvature) -> FloatArray:
        """Return the exact mean of the shapes over scaled spans, shape (n, columns)."""
        first, last = np.maximum(start, 0.0), np.maximum(stop, 0.0)
        means = [
            (term.integral(last, own) - term.integral(first, own)) / (stop - start)
            for term, own in ((term, term.own(curvature)) for term in self.terms)
        ]
        return stacked(means, len(start))

    def slope_at(self, scaled_time: FloatArray, curvature: Curvature) -> FloatArray:
        """Return the derivatives with respect to scaled time, shape (n, columns)."""
        u = np.maximum(scaled_time, 0.0)
        return stacked([term.slope(u, term.own(curvature)) for term in self.terms], len(u))

    def begun_before(self, scaled_age: float) -> AgingLaw:
        """Return the law of an oscillator that ran for ``scaled_age`` record lengths before the record.

        The bend of a law that began then is at most 1 / age: A ln(1 + B (t + age)) has the apparent age
        age + 1/B at the start of the record.
        """
        if not self.axes or self.name not in DATED:
            return self
        most = 1 / scaled_age
        bends = (*(bend for bend in self.axes[0] if bend < 0.9 * most), most)
        if len(bends) < len(self.axes[0]):
            bends = tuple(float(bend) for bend in np.geomspace(most / 100, most, 5))
        return replace(self, axes=(bends, *self.axes[1:]))

    def with_retrace(self, starts: Sequence[float]) -> AgingLaw:
        """Return the law with a decaying transient from each of some scaled times on.

        One time constant is shared by all; steps that came with them are columns of their own.
        """
        if not starts:
            return self
        index = len(self.axes)
        added = tuple(_retrace(start, index) for start in starts)
        return replace(
            self,
            formula=f"{self.formula} + retrace R exp(-(t - t₀)/T₂)",
            terms=(*self.terms, *added),
            axes=(*self.axes, RETRACE_RATES),
        )


def _bent(exponent: float | None, uses: tuple[int, ...]) -> Term:
    """Return (1 + B u)^p over its change in the record, and its limit ln(1 + B u) at p = 0.

    Box and Cox 1964: ``boxcox1p(x, p)`` is ((1 + x)^p - 1)/p. Without an exponent it is the second parameter.
    """

    def of(own: Curvature) -> tuple[float, float]:
        return own[0], own[1] if exponent is None else exponent

    def shape(u: FloatArray, own: Curvature) -> FloatArray:
        bend, p = of(own)
        return np.asarray(boxcox1p(bend * u, p) / boxcox1p(bend, p))

    def slope(u: FloatArray, own: Curvature) -> FloatArray:
        bend, p = of(own)
        return np.asarray(bend * (1 + bend * u) ** (p - 1) / boxcox1p(bend, p))

    def integral(u: FloatArray, own: Curvature) -> FloatArray:
        bend, p = of(own)
        whole = ((1 + bend * u) * boxcox1p(bend * u, p) / bend - u) / (p + 1)
        return np.asarray(whole / boxcox1p(bend, p))

    return Term(shape=shape, slope=slope, integral=integral, uses=uses)


def _retrace(start: float, index: int) -> Term:
    """Return exp(-(u - start) rate) from ``start`` on, zero before."""

    def shape(u: FloatArray, own: Curvature) -> FloatArray:
        return np.where(u >= start, np.exp(-own[0] * np.maximum(u - start, 0.0)), 0.0)

    def slope(u: FloatArray, own: Curvature) -> FloatArray:
        return -own[0] * shape(u, own)

    def integral(u: FloatArray, own: Curvature) -> FloatArray:
        return -np.expm1(-own[0] * np.maximum(u - start, 0.0)) / own[0]

    return Term(shape=shape, slope=slope, integral=integral, uses=(index,))


_LINE = Term(
    shape=lambda u, _own: u, slope=lambda u, _own: np.ones_like(u), integral=lambda u, _own: 0.5 * u**2
)
_LOGARITHM, _ROOT, _POWER = _bent(0.0, (0,)), _bent(0.5, (0,)), _bent(None, (0, 1))
_EXPONENTIAL = Term(  # each (rate,) is record length over time constant
    shape=lambda u, own: np.expm1(-own[0] * u) / np.expm1(-own[0]),
    slope=lambda u, own: -own[0] * np.exp(-own[0] * u) / np.expm1(-own[0]),
    integral=lambda u, own: -(np.expm1(-own[0] * u) / own[0] + u) / np.expm1(-own[0]),
    uses=(0,),
)

AGING_LAWS: dict[str, AgingLaw] = {
    law.name: law
    for law in (
        AgingLaw(name="none", formula="y = C"),
        AgingLaw(name="linear", formula="y = C + D t", terms=(_LINE,)),
        AgingLaw(name="logarithmic", formula="y = C + A ln(1 + B t)", terms=(_LOGARITHM,), axes=(BENDS,)),
        AgingLaw(
            name="square_root",
            formula="y = C + A √(1 + B t)",
            terms=(_ROOT,),
            axes=((*BENDS, *SINGULAR_BENDS),),
        ),
        AgingLaw(
            name="power",
            formula="y = C + A (1 + B t)^p, 0 < p < 1",
            terms=(_POWER,),
            axes=((1.0, 10.0, 100.0, 1000.0, *SINGULAR_BENDS), (0.2, 0.4, 0.8)),
        ),
        AgingLaw(
            name="exponential",
            formula="y = C + A (1 - exp(-t/T₁))",
            terms=(_EXPONENTIAL,),
            axes=((0.3, 1.0, 3.0, 10.0, 30.0),),  # what settles faster is warm-up
            settles=True,
        ),
        AgingLaw(
            name="logarithmic_and_linear",
            formula="y = C + A ln(1 + B t) + D t",
            terms=(_LOGARITHM, _LINE),
            axes=((3.0, 10.0, 30.0, 100.0, 300.0, 1000.0),),
        ),
    )
}
DATED = ("logarithmic", "square_root", "power", "logarithmic_and_linear")
"""Laws whose bend B is the inverse of an age: 1/B is the age of the oscillator if nothing else bends it."""
AUTOMATIC_LAWS = ("linear", "logarithmic", "exponential")
"""After the record the frequency goes on as it does, slows down without end, or stops: these three span what
the other laws do in between, and more of them would only divide the same weight. ``none`` is not among
them because a clock that certainly does not drift would be a promise that no record can support."""


def chosen_laws(aging: str | Sequence[str]) -> tuple[AgingLaw, ...]:
    """Return the laws that ``aging`` stands for: by name or names, or those that ``'auto'`` compares."""
    names = (aging,) if isinstance(aging, str) else tuple(dict.fromkeys(aging))
    if names == ("auto",):
        names = AUTOMATIC_LAWS
    for name in names:
        if name not in AGING_LAWS:
            msg = f"aging is {name!r}; it must be 'auto' or one of {', '.join(map(repr, AGING_LAWS))}"
            raise InputError(msg)
    if not names:
        msg = "aging names no law; 'none' stands for a frequency that does not age"
        raise InputError(msg)
    return tuple(AGING_LAWS[name] for name in names)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class AgingRate(Estimate):
    """An aging rate per second that can be read per day and per year (365.25 d).

    Its value is the median: where laws disagree, the mean can lie outside the interval.
    """

    @cached_property
    def value(self) -> float:
        """The median."""
        return float(self.distribution.quantile(0.5))

    def scaled(self, factor: float, unit: str) -> AgingRate:
        """Return the same rate in another unit."""
        return AgingRate(distribution=self.distribution.scaled(factor), unit=unit)

    @property
    def per_day(self) -> AgingRate:
        """The rate per day."""
        return self.scaled(SECONDS_PER_DAY, "/day")

    @property
    def per_year(self) -> AgingRate:
        """The rate per year if it stayed as it is: an illustration, not a forecast."""
        return self.scaled(SECONDS_PER_YEAR, "/year")


@dataclass(frozen=True, eq=False, kw_only=True)
class LeastSquaresLine(Plain):
    """What plain least squares on the block averages says of the aging rate, per second.

    Its standard uncertainty holds only if the residuals are white, which those of oscillators are not.
    """

    rate: AgingRate
    # Of the constant, the slope per record length, and what else the model has; shapes (p,) and (p, p)
    coefficients: FloatArray
    covariance: FloatArray
    variance: float  # Of the residuals
    degrees_of_freedom: int
    duration_s: float  # Length of the record
    level: FloatArray  # What the other columns are after the record, shape (p - 2,)

    def frequency_at(self, times_s: npt.ArrayLike) -> StudentMixture:
        """Return the average frequency that the line predicts at times since the start, shape (m,).

        Parameters
        ----------
        times_s
            Seconds since the start of the record; the environment counts at its mean, every step as made.

        Notes
        -----
        Prediction interval of ordinary regression (Draper & Smith, Applied Regression Analysis, 3.1): that
        of the line and of one more average. Not valid where residuals are not white: the forecast of the
        clock model is.
        """
        scaled = np.atleast_1d(np.asarray(times_s, dtype=float)) / self.duration_s
        row = np.column_stack([np.ones_like(scaled), scaled, np.tile(self.level, (len(scaled), 1))])
        line = np.einsum("mi,ij,mj->m", row, self.covariance, row)
        return StudentMixture.student(
            row @ self.coefficients, np.sqrt(line + self.variance), self.degrees_of_freedom
        )

    def _facts(self) -> Mapping[str, object]:
        return {"aging_rate_per_second": self.rate, "aging_rate_per_day": self.rate.per_day}


def least_squares_line(
    frequency: FloatArray, design: FloatArray, duration_s: float, level: FloatArray
) -> LeastSquaresLine:
    """Return the ordinary least-squares line of frequencies, shape (n,).

    The design, shape (n, p), has scaled time first, then what else the model has, without the constant;
    ``level`` is what these other columns are after the record: zero for the environment, one for steps.
    """
    scale = float(np.std(frequency)) or 1.0
    y = (frequency - frequency.mean()) / scale
    columns = np.column_stack([np.ones(len(y)), design])
    ranks = ranked(design)
    solution = np.append(*ranks.least_squares(y))
    known = np.flatnonzero(np.append(True, ranks.kept))
    freedom = len(y) - len(known)
    variance = float(np.sum((y - columns @ solution) ** 2)) / freedom
    root = np.zeros((columns.shape[1], len(known)))
    root[known] = np.linalg.inv(ranks.triangle)
    inverse = root @ root.T  # (X'X)⁻¹ = R⁻¹R⁻ᵀ
    error = math.sqrt(variance * inverse[1, 1])
    factor = scale / duration_s
    constant = np.zeros(columns.shape[1])
    constant[0] = float(frequency.mean())
    return LeastSquaresLine(
        rate=AgingRate(
            distribution=StudentMixture.student(solution[1] * factor, error * factor, freedom), unit="/s"
        ),
        coefficients=constant + scale * solution,
        covariance=scale**2 * variance * inverse,
        variance=scale**2 * variance,
        degrees_of_freedom=freedom,
        duration_s=duration_s,
        level=level,
    )
