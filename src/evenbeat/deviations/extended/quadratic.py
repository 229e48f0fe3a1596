"""Expectation and degrees of freedom of statistics whose terms are quadratic forms of phase.

Modified total, Hadamard total and Théo1 sum, for every start of a stretch of phase, the same quadratic form
of that stretch. Under a power-law noise the mean over M starts has relative variance ``2 Σ n(k) g(k) / M²``
with ``g(k) = ‖B K_k Bᵀ‖² / (tr B K_0 Bᵀ)²``, where BᵀB is the form and K_k the generalized covariance of
two stretches k samples apart (the trace formula for Gaussian quadratic forms; own derivation, tested in
tests/deviations/test_total.py and test_theo1.py). This is exact. Beyond some factor the ratio to the
degrees of freedom of a difference statistic with the same terms, which varies slowly, is carried over from
two shorter forms.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import phase_kernel
from evenbeat.deviations.freedom import at_least_one, lag_weights
from evenbeat.quantities import FloatArray

STRETCHES_AT_ONCE = 16


def allan_variance(factor: float, exponent: int) -> float:
    """Return the Allan variance at ``factor`` sampling intervals per unit of the level."""
    at = phase_kernel(np.array([0.0, factor, 2 * factor]), exponent)
    return float(3 * at[0] - 4 * at[1] + at[2]) / factor**2


def hadamard_variance(factor: float, exponent: int) -> float:
    """Return the Hadamard variance at ``factor`` sampling intervals, likewise."""
    at = phase_kernel(factor * np.arange(4.0), exponent)
    return float(20 * at[0] - 30 * at[1] + 12 * at[2] - 2 * at[3]) / (6 * factor**2)


def expected_sum(rows: FloatArray, exponent: int) -> float:
    """Return the expected sum of squares of linear forms of phase.

    Parameters
    ----------
    rows
        Shape (forms, points): the weights of neighbouring phase points, annihilating what the noise needs.
    exponent
        α of S_y.
    """
    form = rows.T @ rows
    index = np.arange(rows.shape[1])
    return float(np.sum(form * phase_kernel(np.abs(index[:, np.newaxis] - index), exponent)))


def relative_squares(rows: FloatArray, exponent: int, lags: IntArray) -> FloatArray:
    """Return ``g`` at each lag, shape (n,)."""
    points = rows.shape[1]
    index = np.arange(points)
    apart = index[np.newaxis, :] - index[:, np.newaxis]
    norms = np.empty(len(lags))
    for begin in range(0, len(lags), STRETCHES_AT_ONCE):
        some = lags[begin : begin + STRETCHES_AT_ONCE, np.newaxis, np.newaxis]
        covariance = rows @ phase_kernel(np.abs(apart + some), exponent) @ rows.T
        norms[begin : begin + len(some)] = np.einsum("kij,kij->k", covariance, covariance)
    return norms / expected_sum(rows, exponent) ** 2


def freedom_of_mean(starts: int, lags: IntArray, squares: FloatArray) -> float:
    """Return the degrees of freedom of a mean over ``starts`` stretches, at least 1.

    Parameters
    ----------
    starts
        How many stretches, one sample apart.
    lags, squares
        Shape (n,): ``relative_squares`` at these lags, the first of them zero.
    """
    inside = lags[lags < starts]
    last = min(starts - 1, int(lags[-1]))
    inside = inside if inside[-1] == last else np.append(inside, last)
    pairs = (starts - inside) * np.interp(inside, lags, squares)
    return at_least_one(starts**2 / float(lag_weights(inside) @ pairs))


def freedom_by_ratio(
    starts: int,
    factor: int,
    shorter: int,
    freedom: Callable[[int, int], float],
    like: Callable[[int, int], float],
    *,
    grows: bool = False,
) -> float:
    """Return ``freedom(starts, factor)`` from those of two shorter averaging factors at equal proportions.

    Parameters
    ----------
    starts, factor
        Number of terms and averaging factor.
    shorter
        The longer of the averaging factors at which ``freedom`` can be had; the other is half of it.
    freedom, like
        Degrees of freedom of the statistic, and of one like it that can be had at any factor.
    grows
        Whether the ratio of both goes on as the logarithm of the factor (Théo1, flicker PM); otherwise it
        tends to a limit as its reciprocal.
    """

    def ratio(at: int) -> float:
        scaled = max(1, round(starts * at / factor))
        return freedom(scaled, at) / like(scaled, at)

    whole, half = ratio(shorter), ratio(shorter // 2)
    beyond = math.log2(factor / shorter) if grows else 1 - shorter / factor
    return at_least_one(like(starts, factor) * (whole + (whole - half) * beyond))
