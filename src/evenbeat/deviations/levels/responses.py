"""What each power-law noise contributes in expectation to a variance of sampled phase, exactly.

The expectations at small averaging factors differ from the textbook limits (at factor 1 the modified Allan
variance is the Allan variance), and a fit that uses the limits there is wrong by tens of percent. Here every
noise is a discrete process: phase sampled from the continuous white, flicker and random-walk FM, white PM
cut off at half the sampling rate, and flicker PM as the half-order sum of white noise (Hosking 1981), which
is also what :func:`evenbeat.simulate_clock` makes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import special

from evenbeat.deviations.averaging import IntArray
from evenbeat.powerlaw import phase_covariance
from evenbeat.quantities import FloatArray

EXPONENTS = (2, 1, 0, -1, -2)
LONGEST_SUMMED = 1024
"""Beyond this factor averages of flicker noises follow their power law to 1e-6."""


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
    With K the generalized covariance of the phase the expectation is the central difference of K of
    twice the order; averaging adds two orders on the double sum of K (own derivation,
    as in :mod:`evenbeat.deviations.covariance`).
    """
    if not averaged or factor == 1:
        return _central_difference(_PHASE[exponent], factor, order)
    if exponent in _DOUBLE_SUM:
        return -_central_difference(_DOUBLE_SUM[exponent], factor, order + 1) / factor**2
    summed = min(factor, LONGEST_SUMMED)
    sums = _double_sums(exponent, (order + 1) * summed + 1)
    value = -_central_difference(lambda k: sums[k.astype(np.int64)], summed, order + 1) / summed**2
    return value * (factor / summed) ** (0 if exponent == 1 else 2)


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


def _flicker_pm(lag: FloatArray) -> FloatArray:
    """Return the structure of the half-order sum, K(k) - K(0) = -Σ_{j<=k} 1/(2j - 1) / (2π²)."""
    rise = special.digamma(lag + 0.5) + np.euler_gamma + 2 * math.log(2)
    return np.asarray(-rise / (4 * math.pi**2))


_PHASE: dict[int, Callable[[FloatArray], FloatArray]] = {
    2: lambda k: (k == 0) / (8 * math.pi**2),
    1: _flicker_pm,
    0: lambda k: phase_covariance(0, k),
    -1: lambda k: phase_covariance(-1, k),
    -2: lambda k: phase_covariance(-2, k),
}
# F with F(k+1) - 2 F(k) + F(k-1) = K(k)
_DOUBLE_SUM: dict[int, Callable[[FloatArray], FloatArray]] = {
    2: lambda k: k / (16 * math.pi**2),
    0: lambda k: -(k**3 - k) / 24,
    -2: lambda k: math.pi**2 / 6 * (k**5 / 20 - k**3 / 12 + k / 30),
}


@lru_cache(maxsize=16)
def _double_sums(exponent: int, count: int) -> FloatArray:
    covariance = _PHASE[exponent](np.arange(count, dtype=float))
    slopes = np.concatenate([[0.5 * covariance[0]], covariance[1:-1]]).cumsum()
    return np.concatenate([[0.0], np.cumsum(slopes)])


def _central_difference(shape: Callable[[FloatArray], FloatArray], factor: int, order: int) -> float:
    steps = np.arange(-order, order + 1)
    weights = (-1.0) ** (steps % 2) * special.comb(2 * order, order + steps)
    return float(np.sum(weights * shape(np.abs(steps * factor).astype(float))))
