"""Aging laws: how the frequency of an undisturbed oscillator moves with time.

A law is a sum of terms, each one column of the regression: ``y = C + Σ A_j S_j(u)`` with u the time
since the start of the record in units of its length. Every shape S is zero at the start of the record
and one at its end (a decaying transient is one when it begins), so that coefficients are alike whatever
the curvature. To add a law, write its :class:`Term` and put an :class:`AgingLaw` into ``AGING_LAWS``.

Sources: linear and logarithmic laws, MIL-PRF-55310 (f(t) = A ln(Bt + 1) + f₀, fitted by least squares);
square root and power, diffusion; exponential, first-order stabilisation and retrace
(common practice).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray

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
    """One column of a law.

    Parameters
    ----------
    shape, slope, integral
        S(u), dS/du and ∫₀ᵘ S du for u >= 0 of shape (n,), given the term's own nonlinear parameters.
    uses
        Which of the law's nonlinear parameters these are.
    """

    shape: Shape
    slope: Shape
    integral: Shape
    uses: tuple[int, ...] = ()

    def own(self, curvature: Curvature) -> Curvature:
        """Return the term's part of the law's nonlinear parameters."""
        return tuple(curvature[index] for index in self.uses)


@dataclass(frozen=True, kw_only=True)
class AgingLaw:
    """Frequency = constant + Σ coefficient × shape(u; curvature), with u = time / record length.

    Parameters
    ----------
    name
        As given to ``fit_clock(aging=…)``.
    formula
        In words of the trade, for the report.
    terms
        None for no aging at all.
    axes
        For each nonlinear parameter the values at which the search starts, rising; empty without any.
    settles
        Whether its rate falls to nothing, so that it would know the sign of an aging that it cannot see.

    Notes
    -----
    Not valid through an adjustment, a change of drive or oven, or a power interruption that was not
    flagged; not valid before the start of the record, where every shape stays zero.
    """

    name: str
    formula: str
    terms: tuple[Term, ...] = ()
    axes: tuple[tuple[float, ...], ...] = ()
    settles: bool = False

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
        return _columns(len(u), [term.shape(u, term.own(curvature)) for term in self.terms])

    def mean_over(self, start: FloatArray, stop: FloatArray, curvature: Curvature) -> FloatArray:
        """Return the exact mean of the shapes over scaled spans, shape (n, columns)."""
        first, last = np.maximum(start, 0.0), np.maximum(stop, 0.0)
        means = [
            (term.integral(last, own) - term.integral(first, own)) / (stop - start)
            for term, own in ((term, term.own(curvature)) for term in self.terms)
        ]
        return _columns(len(start), means)

    def slope_at(self, scaled_time: FloatArray, curvature: Curvature) -> FloatArray:
        """Return the derivatives with respect to scaled time, shape (n, columns)."""
        u = np.maximum(scaled_time, 0.0)
        return _columns(len(u), [term.slope(u, term.own(curvature)) for term in self.terms])

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


def _columns(count: int, columns: Sequence[FloatArray]) -> FloatArray:
    return np.column_stack(columns) if columns else np.empty((count, 0))


def _line(u: FloatArray, _own: Curvature) -> FloatArray:
    return u


def _line_slope(u: FloatArray, _own: Curvature) -> FloatArray:
    return np.ones_like(u)


def _line_integral(u: FloatArray, _own: Curvature) -> FloatArray:
    return 0.5 * u**2


def _logarithm(u: FloatArray, own: Curvature) -> FloatArray:
    (bend,) = own
    return np.log1p(bend * u) / np.log1p(bend)


def _logarithm_slope(u: FloatArray, own: Curvature) -> FloatArray:
    (bend,) = own
    return bend / (1 + bend * u) / np.log1p(bend)


def _logarithm_integral(u: FloatArray, own: Curvature) -> FloatArray:
    (bend,) = own
    return ((1 + bend * u) * np.log1p(bend * u) / bend - u) / np.log1p(bend)


def _power(u: FloatArray, own: Curvature) -> FloatArray:
    bend, exponent = own
    return np.expm1(exponent * np.log1p(bend * u)) / np.expm1(exponent * np.log1p(bend))


def _power_slope(u: FloatArray, own: Curvature) -> FloatArray:
    bend, exponent = own
    return exponent * bend * (1 + bend * u) ** (exponent - 1) / np.expm1(exponent * np.log1p(bend))


def _power_integral(u: FloatArray, own: Curvature) -> FloatArray:
    bend, exponent = own
    raised = np.expm1((exponent + 1) * np.log1p(bend * u)) / (bend * (exponent + 1))
    return (raised - u) / np.expm1(exponent * np.log1p(bend))


def _root(shape: Shape) -> Shape:
    """Return a shape of the power law at the exponent one half."""
    return lambda u, own: shape(u, (*own, 0.5))


def _exponential(u: FloatArray, own: Curvature) -> FloatArray:
    (rate,) = own
    return np.expm1(-rate * u) / np.expm1(-rate)


def _exponential_slope(u: FloatArray, own: Curvature) -> FloatArray:
    (rate,) = own
    return -rate * np.exp(-rate * u) / np.expm1(-rate)


def _exponential_integral(u: FloatArray, own: Curvature) -> FloatArray:
    (rate,) = own
    return -(np.expm1(-rate * u) / rate + u) / np.expm1(-rate)


def _retrace(start: float, index: int) -> Term:
    """Return exp(-(u - start) rate) from ``start`` on, zero before."""

    def shape(u: FloatArray, own: Curvature) -> FloatArray:
        return np.where(u >= start, np.exp(-own[0] * np.maximum(u - start, 0.0)), 0.0)

    def slope(u: FloatArray, own: Curvature) -> FloatArray:
        return -own[0] * shape(u, own)

    def integral(u: FloatArray, own: Curvature) -> FloatArray:
        return -np.expm1(-own[0] * np.maximum(u - start, 0.0)) / own[0]

    return Term(shape=shape, slope=slope, integral=integral, uses=(index,))


_LINE = Term(shape=_line, slope=_line_slope, integral=_line_integral)
_LOGARITHM = Term(shape=_logarithm, slope=_logarithm_slope, integral=_logarithm_integral, uses=(0,))
_ROOT = Term(shape=_root(_power), slope=_root(_power_slope), integral=_root(_power_integral), uses=(0,))
_POWER = Term(shape=_power, slope=_power_slope, integral=_power_integral, uses=(0, 1))
_EXPONENTIAL = Term(shape=_exponential, slope=_exponential_slope, integral=_exponential_integral, uses=(0,))

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
