"""Covariance of two terms of a statistic under one power-law noise, up to a constant factor.

A term is a difference of ``order`` of phase points ``factor`` apart, for the modified statistics the
mean of ``factor`` such neighbouring differences. With the generalized covariance K of the phase the
covariance of two terms is a finite difference of K of twice the order; averaging adds two orders on
the double sum of K. Own derivation; the degrees of freedom that follow are held to those of Greenhall and
Riley, 35th PTTI 2003 (tests/reference/test_published_freedom.py), and to dense covariances
(tests/deviations/test_freedom.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from evenbeat.powerlaw import phase_covariance
from evenbeat.quantities import FloatArray

LONGEST_DISCRETE_AVERAGE = 64
"""Up to this factor averages of flicker noises are summed; beyond it the integral agrees to 1e-4."""

_Shape = Callable[[FloatArray], FloatArray]


_FLICKER_PM_ZERO_LAG = math.log(math.pi) + np.euler_gamma  # cut-off at half the sampling rate


def _power_and_logarithm(power: int) -> _Shape:
    return lambda t: np.asarray(t**power * np.log(np.where(t > 0, t, 1.0)))


def _flicker_pm(t: FloatArray) -> FloatArray:
    return np.where(t > 0, -np.log(np.where(t > 0, t, 1.0)), _FLICKER_PM_ZERO_LAG)


_PHASE: dict[int, _Shape] = {
    2: lambda t: (t == 0).astype(float),
    1: _flicker_pm,
    0: lambda t: phase_covariance(0, t),
    -1: lambda t: phase_covariance(-1, t),
    -2: lambda t: phase_covariance(-2, t),
    -3: _power_and_logarithm(4),
    -4: lambda t: t**5,
}
# F with F(k+1) - 2 F(k) + F(k-1) = K(k), up to the factor of K
_DOUBLE_SUM: dict[int, _Shape] = {
    2: lambda t: t,
    0: lambda t: t**3 - t,
    -2: lambda t: t**5 / 20 - t**3 / 12 + t / 30,
    -4: lambda t: t**7 / 42 - t**5 / 12 + t**3 / 12 - t / 42,
}
# F with F'' = K, up to the factor of K and polynomials that the differences annihilate
_DOUBLE_INTEGRAL: dict[int, _Shape] = {
    1: _power_and_logarithm(2),
    -1: _power_and_logarithm(4),
    -3: _power_and_logarithm(6),
}
EXPONENTS = tuple(_PHASE)


def lowest_exponent(order: int) -> int:
    """Return the steepest noise for which differences of ``order`` are stationary."""
    return 2 - 2 * order if order < 3 else -4


def term_covariance(
    lag: npt.ArrayLike, factor: int, *, exponent: int, order: int, averaged: bool
) -> FloatArray:
    """Return the covariance of two terms ``lag`` samples apart, up to a constant factor.

    Parameters
    ----------
    lag
        Whole numbers of samples, shape (n,).
    factor
        Averaging factor.
    exponent
        α of S_y, from 2 to ``2 - 2 * order``.
    order
        2 for the Allan, 3 for the Hadamard statistics.
    averaged
        Whether a term is the mean of ``factor`` differences (modified statistics).
    """
    t = np.asarray(lag, dtype=float)
    if not averaged or factor == 1:
        return _difference(_PHASE[exponent], t, factor, order)
    if exponent in _DOUBLE_SUM:
        return _difference(_DOUBLE_SUM[exponent], t, factor, order + 1)
    if factor > LONGEST_DISCRETE_AVERAGE:
        return _difference(_DOUBLE_INTEGRAL[exponent], t, factor, order + 1)
    return _summed(t, factor, exponent, order)


def _difference(shape: _Shape, lag: FloatArray, factor: int, order: int) -> FloatArray:
    total = np.zeros_like(lag)
    for step in range(-order, order + 1):
        weight = (-1) ** (step % 2) * math.comb(2 * order, order + step)
        total += weight * shape(np.abs(lag + step * factor))
    return total


def _summed(lag: FloatArray, factor: int, exponent: int, order: int) -> FloatArray:
    """Return the covariance of averages by the sum over all pairs of their differences."""
    reach = int(np.max(np.abs(lag), initial=0.0)) + factor
    pairs = _difference(_PHASE[exponent], np.arange(-reach, reach + 1, dtype=float), factor, order)
    triangle = factor - np.abs(np.arange(1 - factor, factor))
    return np.asarray(np.convolve(pairs, triangle, mode="same")[reach + lag.astype(np.int64)])
