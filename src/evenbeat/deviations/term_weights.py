"""Weights of the chi-squared variables that make up a mean of squared terms: eigenvalues of their covariance.

Of the terms at long averaging times, which overlap for the most part, evenly spread ones are enough; with
gaps, the valid ones in each stretch of so many count as so many at their mean place. Where the record holds
many averaging times, or many terms are independent, chi-squared itself is good to half a point of
probability and no weights are formed.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import linalg, optimize

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import term_covariances
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.quantities import FloatArray

MOST_TERMS = 112
MOST_AVERAGING_TIMES = 32
LARGEST_FREEDOM = 100.0
STEEPEST = 4.0
LONGEST_TABLE = 1 << 15


def has_weights(averaging_times: float, edf: float) -> bool:
    """Return whether a record this long and a statistic of so many degrees of freedom need weights."""
    return averaging_times <= MOST_AVERAGING_TIMES and 1 < edf < LARGEST_FREEDOM


def weights_of_differences(
    terms: TermSum,
    factor: int,
    edf: float,
    *,
    levels: FloatArray,
    order: int,
    averaged: bool,
    overlapping: bool,
) -> FloatArray | None:
    """Return the weights, largest first and their sum one, of a mean of squared differences.

    Parameters are those of :func:`evenbeat.deviations.freedom.moments_of_differences`, from which ``edf``
    follows under these levels; ``None`` where chi-squared will do.
    """

    def covariance(lags: IntArray) -> FloatArray:
        step = 1 if overlapping else factor
        return levels @ term_covariances(lags * step, factor, order=order, averaged=averaged)

    return weights_of_terms(terms, factor if overlapping else 1, edf, covariance)


def weights_of_terms(
    terms: TermSum, overlap: int, edf: float, covariance: Callable[[IntArray], FloatArray]
) -> FloatArray | None:
    """Return the same for terms that are linear in phase in any other way.

    Parameters
    ----------
    terms, edf
        As above.
    overlap
        How many terms begin within one averaging time.
    covariance
        Covariance of two terms that many terms apart, up to a constant factor.
    """
    if not has_weights(terms.possible / overlap, edf):
        return None
    stride = -(-terms.possible // MOST_TERMS)
    if terms.complete:
        lags = np.arange(-(-terms.possible // stride), dtype=np.int64) * stride
        return fitted_weights(linalg.toeplitz(covariance(lags)), edf)
    places, counts = terms.stretches(stride if terms.terms > MOST_TERMS else 1)
    apart = np.abs(places[:, np.newaxis] - places)
    if terms.possible <= LONGEST_TABLE:  # far fewer distances than pairs
        some = np.zeros(terms.possible, dtype=bool)
        some[apart] = True
        at = np.zeros(terms.possible)
        at[some] = covariance(np.flatnonzero(some))
        matrix = at[apart]
    else:
        matrix = covariance(apart.ravel()).reshape(apart.shape)
    matrix *= np.sqrt(np.outer(counts, counts))
    return fitted_weights(matrix, edf)


def fitted_weights(matrix: FloatArray, edf: float) -> FloatArray | None:
    """Return the eigenvalues of a covariance, raised to the power that makes the degrees of freedom these.

    Of the matrix only what is on the diagonal and below it is read.
    The power is near one: the matrix is that of some of the terms, or of a shorter record. ``None``
    where no power does it.
    """
    values = np.maximum(linalg.eigvalsh(matrix / matrix[0, 0])[::-1], 0.0)
    return raised_to_freedom(values / values.sum(), edf)


def raised_to_freedom(weights: FloatArray, edf: float) -> FloatArray | None:
    """Return weights raised to a common power, their sum one, so that ``1/Σ w²`` is ``edf``."""

    def raised(power: float) -> FloatArray:
        powers = (weights / weights[0]) ** power
        return np.asarray(powers / powers.sum())

    def excess(power: float) -> float:
        return float(np.sum(raised(power) ** 2)) * edf - 1

    if abs(excess(1.0)) < 1e-9:
        return weights
    if excess(1 / STEEPEST) >= 0 or excess(STEEPEST) <= 0:
        return None
    return raised(float(optimize.brentq(excess, 1 / STEEPEST, STEEPEST, xtol=1e-6)))
