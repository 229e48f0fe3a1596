"""Total variance: overlapping second differences of the record reflected at both ends, with a change of sign.

Phase x_0 … x_{N-1} is continued by ``2 x_0 - x_j`` before and ``2 x_{N-1} - x_{N-1-j}`` after; all N - 2
second differences centred in the record are used (NIST SP 1065, 5.2.11; Greenhall, Howe and Percival, IEEE
Trans. UFFC 46, 1999). The reflection is never built: away from the ends the terms are those of the
overlapping Allan variance.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.extended.quadratic import allan_variance, phase_kernel
from evenbeat.deviations.freedom import at_least_one, equivalent_degrees_of_freedom
from evenbeat.deviations.sums.kernels import TermSum, sum_of_squared_differences
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.quantities import FloatArray

BLOCK = 1 << 15
LARGEST_EXACT = 257
"""Number of points up to which the covariance of all terms is written out."""
LARGEST_EXACT_WHITE = 1 << 15
PLACES_FOR_EXPECTATION = 2000


def total_variance(samples: PhasePoints, factor: int) -> float:
    """Return the total variance before bias removal, for phase in units of the sampling interval.

    Parameters
    ----------
    samples
        At least three points, without gaps.
    factor
        Averaging factor m, at most half the number of intervals.
    """
    inside = sum_of_squared_differences(samples, factor, 2).total
    ends = _sum_at_start(samples.phase_s, factor) + _sum_at_start(samples.phase_s[::-1], factor)
    return (inside + ends) / (2.0 * float(factor) ** 2 * (samples.points - 2))


def _sum_at_start(phase: FloatArray, factor: int) -> float:
    """Return the sum of squares of the terms whose earlier point lies before the first sample."""
    total, first = 0.0, np.float64(phase[0])
    for begin in range(1, factor, BLOCK):
        end = min(begin + BLOCK, factor)
        here = np.asarray(phase[begin:end], dtype=float)
        terms = np.asarray(phase[begin + factor : end + factor], dtype=float) - here
        terms -= here - first
        terms -= np.asarray(phase[factor - end + 1 : factor - begin + 1], dtype=float)[::-1] - first
        total += float(np.einsum("i,i->", terms, terms))
    return total


def _points_and_weights(points: int, factor: int, centre: IntArray) -> tuple[IntArray, FloatArray]:
    """Return the points, shape (n, 5), and their weights in the terms centred at these samples."""
    last = points - 1
    before, after = centre - factor, centre + factor
    early, late = before < 0, after > last
    index = np.stack(
        [np.abs(before), centre, np.where(late, 2 * last - after, after), 0 * centre, 0 * centre + last],
        axis=1,
    )
    weights = np.stack(
        [
            np.where(early, -1.0, 1.0),
            np.full(len(centre), -2.0),
            np.where(late, -1.0, 1.0),
            2.0 * early,
            2.0 * late,
        ],
        axis=1,
    )
    return index, weights


@lru_cache(maxsize=4096)
def total_bias(points: int, factor: int, exponent: int) -> float:
    """Return the expectation of the total variance over the Allan variance."""
    places = np.unique(np.linspace(1, factor - 1, min(factor - 1, PLACES_FOR_EXPECTATION)).astype(np.int64))
    inside = (points - 2 * factor) * 2.0 * float(factor) ** 2 * allan_variance(factor, exponent)
    if len(places) == 0:
        return 1.0
    index, weights = _points_and_weights(points, factor, places)
    lag = np.abs(index[:, :, np.newaxis] - index[:, np.newaxis, :])
    squares = np.einsum("ni,nij,nj->n", weights, phase_kernel(lag, exponent), weights)
    at_start = (
        float(np.interp(np.arange(1, factor), places, squares).sum())
        if factor < BLOCK
        else (float(np.trapezoid(squares, places)) + 0.5 * float(squares[0] + squares[-1]))
    )
    whole = inside + 2 * at_start
    return whole / ((points - 2) * 2.0 * float(factor) ** 2 * allan_variance(factor, exponent))


_PUBLISHED = {2: 0.0, 1: 0.0, 0: 0.0, -1: 0.481, -2: 0.75}


def published_total_bias(points: int, factor: int, exponent: int) -> float:
    """Return ``1 - a τ/T`` with the published a; nothing is published for the phase noises."""
    return 1.0 - _PUBLISHED[exponent] * factor / (points - 1)


def total_freedom(points: int, factor: int, exponent: int) -> float:
    """Return the degrees of freedom of the total variance, at least 1.

    Exact for records of up to ``LARGEST_EXACT`` points, under white PM up to ``LARGEST_EXACT_WHITE``. Longer
    ones take from a record of that length and equal proportions how much the ends change the reciprocal of
    those of the overlapping Allan variance.
    """
    if points <= LARGEST_EXACT:
        return at_least_one(1.0 / _relative_variance(points, factor, exponent))
    if exponent == 2 and points <= LARGEST_EXACT_WHITE:
        return at_least_one(1.0 / _relative_variance_of_white_phase(points, factor))
    intervals = (points - 1) / factor
    shorter = max(1, int((LARGEST_EXACT - 1) / intervals))
    scaled = min(LARGEST_EXACT, round(intervals * shorter) + 1)
    at_ends = _relative_variance(scaled, shorter, exponent) - 1 / _overlapping(scaled, shorter, exponent)
    at_ends *= ((scaled - 1) / shorter / intervals) ** 2
    return at_least_one(1.0 / (1 / _overlapping(points, factor, exponent) + at_ends))


def _overlapping(points: int, factor: int, exponent: int) -> float:
    count = points - 2 * factor
    return equivalent_degrees_of_freedom(
        TermSum(total=0.0, possible=count, terms=count),
        factor,
        exponent=exponent,
        order=2,
        averaged=False,
        overlapping=True,
    )


def _rows(points: int, factor: int) -> FloatArray:
    """Return the weights of the phase in each term, shape (points - 2, points)."""
    index, weights = _points_and_weights(points, factor, np.arange(1, points - 1))
    rows = np.zeros((points - 2, points))
    np.add.at(rows, (np.arange(points - 2)[:, np.newaxis], index), weights)
    return rows


def total_form(points: int, factor: int) -> FloatArray:
    """Return the quadratic form of phase, up to a factor, shape (points, points)."""
    rows = _rows(points, factor)
    return np.asarray(rows.T @ rows)


@lru_cache(maxsize=1024)
def _relative_variance(points: int, factor: int, exponent: int) -> float:
    """Return ``tr C² / (tr C)²`` of the covariance C of all terms."""
    rows = _rows(points, factor)
    lag = np.abs(np.arange(points)[:, np.newaxis] - np.arange(points))
    covariance = rows @ phase_kernel(lag, exponent) @ rows.T
    return float(np.sum(covariance**2) / np.trace(covariance) ** 2)


@lru_cache(maxsize=1024)
def _relative_variance_of_white_phase(points: int, factor: int) -> float:
    """Return the same under white PM, where C is the product of the weights with themselves."""
    from scipy import sparse

    index, weights = _points_and_weights(points, factor, np.arange(1, points - 1))
    row = np.repeat(np.arange(points - 2), index.shape[1])
    rows = sparse.csr_array((weights.ravel(), (row, index.ravel())), shape=(points - 2, points))
    form = rows.T @ rows
    return float(form.power(2).sum() / form.diagonal().sum() ** 2)
