"""Covariance of two terms of a statistic under each power-law noise, per unit of its level.

A term is a difference of ``order`` of phase points ``factor`` apart, for the modified statistics the
mean of ``factor`` such neighbouring differences. With the generalized covariance K of the phase (Matheron
1973, Advances in Applied Probability 5) the covariance of two terms is a finite difference of K of twice
the order; averaging adds two orders on the double sum of K. Own derivation; the degrees of freedom that
follow are held to those of Greenhall and Riley, 35th PTTI 2003 (tests/reference/test_published_freedom.py),
and to dense covariances (tests/deviations/test_freedom.py).

Everything is for phase sampled once a second; for another interval the level h_α counts as
``h_α interval^(1-α)``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.deviations.averaging import IntArray
from evenbeat.powerlaw import double_sum
from evenbeat.quantities import FloatArray

LONGEST_DISCRETE_AVERAGE = 64
"""Up to this factor averages of flicker noises are summed; beyond it the integral agrees to 1e-4."""
LONGEST_SUMMED = 1024
"""Beyond this factor expectations of averages of flicker noises follow their power law to 1e-6."""
_LONGEST_TABLE = 1 << 13

_Shape = Callable[[FloatArray], FloatArray]
_FLICKER_PM_ZERO_LAG = math.log(math.pi) + np.euler_gamma  # cut-off at half the sampling rate


def _logarithm(t: FloatArray) -> FloatArray:
    return np.log(np.where(t > 0, t, 1.0))


def _flicker_pm(t: FloatArray) -> FloatArray:
    return (np.where(t > 0, 0.0, _FLICKER_PM_ZERO_LAG) - _logarithm(t)) / (4 * math.pi**2)


# K of phase per unit h_α: S_x = h_α f^(α-2)/(4π²); two orders further down K'' = -4π² K
_PHASE: dict[int, _Shape] = {
    2: lambda t: (t == 0) / (8 * math.pi**2),
    1: _flicker_pm,
    0: lambda t: -0.25 * t,
    -1: lambda t: 0.5 * t**2 * _logarithm(t),
    -2: lambda t: math.pi**2 / 6 * t**3,
    -3: lambda t: -(math.pi**2) / 6 * t**4 * _logarithm(t),
    -4: lambda t: -(math.pi**4) / 30 * t**5,
}
# F with F(k+1) - 2 F(k) + F(k-1) = K(k)
_DOUBLE_SUM: dict[int, _Shape] = {
    2: lambda t: t / (16 * math.pi**2),
    0: lambda t: -(t**3 - t) / 24,
    -2: lambda t: math.pi**2 / 6 * (t**5 / 20 - t**3 / 12 + t / 30),
    -4: lambda t: -(math.pi**4) / 30 * (t**7 / 42 - t**5 / 12 + t**3 / 12 - t / 42),
}
# F with F'' = K, up to polynomials that the differences annihilate
_DOUBLE_INTEGRAL: dict[int, _Shape] = {
    1: lambda t: -(t**2) * _logarithm(t) / (8 * math.pi**2),
    -1: lambda t: t**4 * _logarithm(t) / 24,
    -3: lambda t: -(math.pi**2) * t**6 * _logarithm(t) / 180,
}
EXPONENTS = tuple(_PHASE)
FIVE = EXPONENTS[:5]
"""White PM to random-walk FM."""


def exponents_of(order: int) -> tuple[int, ...]:
    """Return the noises under which differences of ``order`` are stationary: to -2 for 2, to -4 for 3."""
    return EXPONENTS[: 2 * order + 1]


def phase_kernel(lag: FloatArray, exponent: int) -> FloatArray:
    """Return the generalized covariance of phase at these lags in samples, per unit of the level."""
    return _PHASE[exponent](np.abs(lag))


def term_covariances(
    lag: npt.ArrayLike, factor: int, *, order: int, averaged: bool, exponents: Sequence[int] | None = None
) -> FloatArray:
    """Return the covariance of two terms ``lag`` samples apart, per unit of each level [s²].

    Parameters
    ----------
    lag
        Whole numbers of samples, shape (n,).
    factor
        Averaging factor.
    order
        2 for the Allan, 3 for the Hadamard statistics.
    averaged
        Whether a term is the mean of ``factor`` differences (modified statistics).
    exponents
        α of the noises; all that the differences allow unless given.

    Returns
    -------
    FloatArray
        Shape (noises, n).
    """
    steps = order + (averaged and factor > 1)
    weights = np.array([(-1.0) ** (steps + k) * math.comb(2 * steps, k) for k in range(2 * steps + 1)])
    at = np.abs(np.asarray(lag) + factor * np.arange(-steps, steps + 1)[:, np.newaxis])
    chosen = exponents_of(order) if exponents is None else exponents
    shapes = (_shape(exponent, factor, at, averaged=steps > order) for exponent in chosen)
    found = np.array([weights @ shape for shape in shapes])
    # the difference of F has one order more, and with it the sign of the difference of K changes
    return found / -(float(factor) ** 2) if steps > order else found


def _shape(exponent: int, factor: int, at: npt.NDArray[np.generic], *, averaged: bool) -> FloatArray:
    """Return K, or its double sum F, at these distances."""
    whole = bool(np.issubdtype(at.dtype, np.integer) and at.size and at.max() < _LONGEST_TABLE)
    if not averaged:
        return _table(exponent)[at] if whole else _PHASE[exponent](at.astype(float))
    if exponent in _DOUBLE_SUM:
        return _DOUBLE_SUM[exponent](at.astype(float))
    if whole and factor <= LONGEST_DISCRETE_AVERAGE:
        return _double_sums(exponent)[at]
    return _DOUBLE_INTEGRAL[exponent](at.astype(float))


@lru_cache(maxsize=len(_PHASE))
def _table(exponent: int) -> FloatArray:
    """Return K at whole distances."""
    return _PHASE[exponent](np.arange(_LONGEST_TABLE, dtype=float))


@lru_cache(maxsize=4)
def _double_sums(exponent: int) -> FloatArray:
    return double_sum(_table(exponent))


def term_covariance(
    lag: npt.ArrayLike, factor: int, *, exponent: int, order: int, averaged: bool
) -> FloatArray:
    """Return the same under one noise, shape (n,)."""
    return term_covariances(lag, factor, order=order, averaged=averaged, exponents=(exponent,))[0]


def mean_square_difference(exponent: int, factor: int, *, order: int, averaged: bool) -> float:
    """Return the expected square of a term per unit h_α, for phase sampled once a second [s² per h_α].

    Parameters
    ----------
    exponent
        α of S_y, from 2 to -2.
    factor
        Averaging factor.
    order
        2 for the Allan, 3 for the Hadamard statistics.
    averaged
        Whether a term is the mean of ``factor`` neighbouring differences.

    Notes
    -----
    The central difference of K of twice the order; averaging adds two orders on the double sum of K. At small
    factors this differs from the textbook limits (at factor 1 the modified Allan variance is the Allan
    variance), and a fit that uses the limits there is wrong by tens of percent. Flicker PM is that of
    :func:`evenbeat.simulate_clock`, the half-order sum of white noise (Hosking 1981), not the sharp cut-off.
    """

    def difference(shape: _Shape, factor: int, order: int) -> float:
        steps = np.arange(-order, order + 1)
        weights = (-1.0) ** (steps % 2) * special.comb(2 * order, order + steps)
        return float(np.sum(weights * shape(np.abs(steps * factor).astype(float))))

    kernel = _half_order_sum if exponent == 1 else _PHASE[exponent]
    if not averaged or factor == 1:
        return difference(kernel, factor, order)
    if exponent in _DOUBLE_SUM:
        return -difference(_DOUBLE_SUM[exponent], factor, order + 1) / factor**2
    summed = min(factor, LONGEST_SUMMED)
    sums = _sums_for_expectation(exponent, (order + 1) * summed + 1)
    value = -difference(lambda k: sums[k.astype(np.int64)], summed, order + 1) / summed**2
    return value * (factor / summed) ** (0 if exponent == 1 else 2)


def _half_order_sum(lag: FloatArray) -> FloatArray:
    """Return K(k) - K(0) = -Σ_{j<=k} 1/(2j - 1)/(2π²), flicker PM of the half-order sum."""
    rise = special.digamma(lag + 0.5) + np.euler_gamma + 2 * math.log(2)
    return np.asarray(-rise / (4 * math.pi**2))


@lru_cache(maxsize=16)
def _sums_for_expectation(exponent: int, count: int) -> FloatArray:
    kernel = _half_order_sum if exponent == 1 else _PHASE[exponent]
    return double_sum(kernel(np.arange(count, dtype=float)))


def in_seconds(exponent: int, interval_s: float) -> float:
    """Return the factor on :func:`mean_square_difference` for another interval: ``interval^(1 - α)``."""
    return float(interval_s ** (1 - exponent))


def sampled_density(exponent: int, frequency: FloatArray) -> FloatArray:
    """Return the two-sided density of phase sampled once a second, per unit h_α, at 0 < f <= 1/2.

    Notes
    -----
    That of the FM noises is ``f^(α-2)/(8π²)`` summed over all its aliases: two Hurwitz zeta functions.
    """
    if exponent == 2:
        return np.full(np.shape(frequency), 1 / (8 * math.pi**2))
    if exponent == 1:
        return 1 / (4 * math.pi) / (2 * np.sin(np.pi * frequency))
    power = 2 - exponent
    aliases = special.zeta(power, frequency) + special.zeta(power, 1 - frequency)
    return np.asarray(aliases / (8 * math.pi**2))


def squared_gain(frequency: FloatArray, factors: IntArray, *, order: int, averaged: bool) -> FloatArray:
    """Return |G(f)|² of the filter from phase to the terms, shape (factors, frequencies)."""
    m = np.asarray(factors, dtype=float)[:, np.newaxis]
    slow = np.sin(np.pi * m * frequency) ** 2
    gain = (4 * slow) ** order
    return gain * slow / (m * np.sin(np.pi * frequency)) ** 2 if averaged else gain
