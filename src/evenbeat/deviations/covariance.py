"""Covariance of two terms of a statistic under each power-law noise, per unit of its level.

A term is a difference of ``order`` of phase points ``factor`` apart, for the modified statistics the
mean of ``factor`` such neighbouring differences. With the generalized covariance K of the phase (Matheron
1973, Advances in Applied Probability 5) the covariance of two terms is a finite difference of K of twice
the order; averaging adds two orders on the double sum of K. Own derivation; the degrees of freedom that
follow are held to those of Greenhall and Riley, 35th PTTI 2003 (tests/reference/test_published_freedom.py),
and to dense covariances (tests/deviations/test_freedom.py).

Flicker PM of sampled phase is the half-order sum of white noise (Hosking 1981, Biometrika 68), as
:func:`evenbeat.simulate_clock` draws it: its covariance is closed, its density ``1/(8π sin πf)`` finite up to
half the sampling rate. A sharp cut-off of ``h₁ f`` there has 22 % less Allan variance at factor 1 and tells
nothing of what a counter's input does above that frequency. Expectations are covariances at lag zero. At
small factors they differ from the textbook limits (at factor 1 the modified Allan variance is the Allan
variance), and a fit that uses the limits there is wrong by tens of percent.

Everything is for phase sampled once a second; for another interval the level h_α counts as
``h_α interval^(1-α)``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.deviations.averaging import IntArray
from evenbeat.powerlaw import double_sum, phase_covariance
from evenbeat.quantities import FloatArray

_LONGEST_TABLE = 1 << 16
"""Distances at which averages of flicker noises are summed; beyond them the integral agrees to 1e-7."""

OCTAVES_BELOW = 5

_Shape = Callable[[FloatArray], FloatArray]


def _logarithm(t: FloatArray) -> FloatArray:
    return np.log(np.where(t > 0, t, 1.0))


# K of phase per unit h_α: S_x = h_α f^(α-2)/(4π²); two orders further down K'' = -4π² K
_PHASE: dict[int, _Shape] = {
    2: lambda t: (t == 0) / (8 * math.pi**2),
    1: lambda t: (special.digamma(0.5) - special.digamma(t + 0.5)) / (4 * math.pi**2),
    0: partial(phase_covariance, 0),
    -1: partial(phase_covariance, -1),
    -2: partial(phase_covariance, -2),
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
    """Return the covariance of two terms ``lag`` samples apart, per unit of each level [s²], (noises, lags).

    Each is a difference of ``order`` of points ``factor`` apart, if ``averaged`` the mean of ``factor``
    neighbouring ones (modified statistics); under all noises that these allow unless exponents are given.
    """
    steps = order + (averaged and factor > 1)
    weights = np.array([(-1.0) ** (steps + k) * math.comb(2 * steps, k) for k in range(2 * steps + 1)])
    at = np.abs(np.asarray(lag) + factor * np.arange(-steps, steps + 1)[:, np.newaxis])
    chosen = exponents_of(order) if exponents is None else exponents
    shapes = (_shape(exponent, at, averaged=steps > order) for exponent in chosen)
    found = np.array([weights @ shape for shape in shapes])
    # the difference of F has one order more, and with it the sign of the difference of K changes
    return found / -(float(factor) ** 2) if steps > order else found


def _shape(exponent: int, at: npt.NDArray[np.generic], *, averaged: bool) -> FloatArray:
    """Return K, or its double sum F, at these distances."""
    whole = bool(np.issubdtype(at.dtype, np.integer) and at.size and at.max() < _LONGEST_TABLE)
    if not averaged:
        return _table(exponent)[at] if whole else _PHASE[exponent](at.astype(float))
    if exponent in _DOUBLE_SUM:
        return _DOUBLE_SUM[exponent](at.astype(float))
    if whole:
        return _double_sums(exponent)[at]
    return _DOUBLE_INTEGRAL[exponent](at.astype(float))


@lru_cache(maxsize=len(_PHASE))
def _table(exponent: int) -> FloatArray:
    """Return K at whole distances."""
    return _PHASE[exponent](np.arange(_LONGEST_TABLE, dtype=float))


@lru_cache(maxsize=4)
def _double_sums(exponent: int) -> FloatArray:
    return double_sum(_table(exponent))


def mean_square_difference(exponent: int, factor: int, *, order: int, averaged: bool) -> float:
    """Return the expected square of a term per unit h_α, its covariance at lag zero [s² per h_α]."""
    return float(term_covariances(0, factor, order=order, averaged=averaged, exponents=(exponent,))[0, 0])


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


@lru_cache(maxsize=16)
def term_spectra(
    terms: tuple[tuple[int, int, bool], ...], exponents: tuple[int, ...], octave_points: int
) -> tuple[FloatArray, FloatArray]:
    """Return the spectra of terms (order, factor, averaged), shape (noises, terms, frequencies), and widths.

    Times the root of the width of each frequency in cycles per sample, so that sums of products are
    integrals. There are ``octave_points`` in each octave from half down to ``OCTAVES_BELOW`` below one over
    the longest factor; a prime number falls in step with no doubled factor.
    """
    longest = max(factor for _, factor, _ in terms)
    inside = (np.arange(octave_points) + 0.5) / octave_points
    edges = 0.5 ** np.arange(2, math.ceil(math.log2(longest)) + OCTAVES_BELOW + 2)
    frequency = (edges[:, np.newaxis] * (1 + inside)).ravel()
    width = np.repeat(edges / octave_points, octave_points)
    gains = np.array([squared_gain(frequency, np.array([m]), order=k, averaged=a)[0] for k, m, a in terms])
    densities = np.array([sampled_density(alpha, frequency) for alpha in exponents])
    return gains * (densities * np.sqrt(width))[:, np.newaxis], width


def products_of(spectra: FloatArray) -> FloatArray:
    """Return the integrals of the products of all spectra, shape (noises², terms²).

    The sum over lags of the product of the covariances of two statistics' terms is the integral of the
    product of their spectra (Parseval).
    """
    noises, count, _ = spectra.shape
    flat = spectra.reshape(noises * count, -1)
    products = (flat @ flat.T).reshape(noises, count, noises, count)
    return np.asarray(products.swapaxes(1, 2).reshape(noises**2, -1))


def squared_gain(frequency: FloatArray, factors: IntArray, *, order: int, averaged: bool) -> FloatArray:
    """Return |G(f)|² of the filter from phase to the terms, shape (factors, frequencies)."""
    m = np.asarray(factors, dtype=float)[:, np.newaxis]
    slow = np.sin(np.pi * m * frequency) ** 2
    gain = (4 * slow) ** order
    return gain * slow / (m * np.sin(np.pi * frequency)) ** 2 if averaged else gain
