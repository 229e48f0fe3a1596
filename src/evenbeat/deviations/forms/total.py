"""Total variance: overlapping second differences of the record reflected at both ends, with a change of sign.

Phase x_0 … x_{N-1} is continued by ``2 x_0 - x_j`` before and ``2 x_{N-1} - x_{N-1-j}`` after; all N - 2
second differences centred in the record are used (NIST SP 1065, 5.2.11; Greenhall, Howe and Percival, IEEE
Trans. UFFC 46, 1999). The reflection is never built: away from the ends the terms are those of the
overlapping Allan variance.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import phase_kernel
from evenbeat.deviations.forms.whole import WholeForm, allan_variance, like_differences
from evenbeat.deviations.freedom import at_least_one
from evenbeat.deviations.sums.kernels import TermSum, sum_of_squared_differences
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.quantities import FloatArray

BLOCK = 1 << 15
LARGEST_EXACT = 257
"""Number of points up to which the form is written out for the degrees of freedom."""
FEW_AVERAGING_TIMES = 8
LONGEST_IN_PROPORTION = 32
"""Averaging times in a record beyond which the ends matter as their reciprocal."""
PLACES_FOR_EXPECTATION = 2000
# SOURCE: NIST SP 1065 (2008), 5.2.11: a of the bias 1 - a τ/T; nothing is published for the phase noises
_PUBLISHED = {2: 0.0, 1: 0.0, 0: 0.0, -1: 0.481, -2: 0.75}


@dataclass(frozen=True)
class TotalForm(WholeForm):
    """Total variance."""

    order = 2

    def largest(self, points: int) -> int:
        """Return half the number of intervals: published bias and freedom end there."""
        return (points - 1) // 2

    def variance(self, samples: PhasePoints, factor: int) -> TermSum:
        """Return the raw variance."""
        total, phase = sum_of_squared_differences(samples, factor, 2).total, samples.phase_s
        for end in (phase, phase[::-1]):  # terms whose earlier point lies before the first sample
            first = np.float64(end[0])
            for begin in range(1, factor, BLOCK):
                last = min(begin + BLOCK, factor)
                here = np.asarray(end[begin:last], dtype=float)
                terms = np.asarray(end[begin + factor : last + factor], dtype=float) - here
                terms -= here - first
                terms -= np.asarray(end[factor - last + 1 : factor - begin + 1], dtype=float)[::-1] - first
                total += float(np.einsum("i,i->", terms, terms))
        count = samples.points - 2
        return TermSum(total=total / (2.0 * float(factor) ** 2 * count), possible=count)

    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase."""
        rows = _rows(points, factor)
        return np.asarray(rows.T @ rows) / (2.0 * float(factor) ** 2 * (points - 2))

    def expected(self, points: int, factor: int, exponent: int) -> float:
        """Return the exact expectation."""
        return _expected(points, factor, exponent)

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the Allan variance."""
        return allan_variance(factor, exponent)

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom under one noise, at least 1: exact for ``LARGEST_EXACT`` points.

        Longer records take them from shorter ones in equal proportions. Under FM they depend on the
        proportions, which as many terms of the overlapping Allan variance carry over. Under white PM the
        first and the last point, which are in all terms at the ends, leave a part of ``1/edf`` that does
        not fall with the number of points. Under flicker PM the degrees of freedom of short records rise by
        steps that shrink from octave to octave of the number of points, of records of many averaging times
        as for FM.
        """
        intervals = (points - 1) / factor
        proportion = min(intervals, LONGEST_IN_PROPORTION)
        longest = min(int((LARGEST_EXACT - 1) / proportion), factor)

        def exact(at: int) -> tuple[int, float]:
            scaled = min(round(proportion * at) + 1, LARGEST_EXACT)
            return scaled, _exact_freedom(scaled, at, exponent)

        if points <= LARGEST_EXACT:
            return at_least_one(_exact_freedom(points, factor, exponent))
        scaled, whole = exact(longest)
        if exponent == 2:
            shorter, half = exact(max(1, longest // 2))
            share = (
                (1 / half - 1 / whole) / (1 / shorter - 1 / scaled) if shorter < scaled else scaled / whole
            )
            return at_least_one(float(1 / (1 / whole + share * (1 / points - 1 / scaled))))
        if exponent == 1 and intervals < FEW_AVERAGING_TIMES:
            half, quarter = exact(longest // 2)[1], exact(longest // 4)[1]
            shrinks = min((whole - half) / (half - quarter), 0.95)
            octaves = np.log2(factor / longest)
            steps = (shrinks - shrinks ** (octaves + 1)) / (1 - shrinks)
            return at_least_one(float(whole + (whole - half) * steps))
        ratio = whole / like_differences(scaled - 2, longest, exponent, order=2)
        if factor > longest:
            scaled, half = exact(longest // 2)
            half /= like_differences(scaled - 2, longest // 2, exponent, order=2)
            ratio += (ratio - half) * (np.log2(factor / longest) if exponent == 1 else 1 - longest / factor)
        ratio = 1 + (ratio - 1) * proportion / intervals
        return at_least_one(float(like_differences(points - 2, factor, exponent, order=2) * ratio))

    def published_bias(self, points: int, factor: int, exponent: int) -> float:
        """Return ``1 - a τ/T`` with the published a."""
        return 1.0 - _PUBLISHED[exponent] * factor / (points - 1)


def _points_and_weights(points: int, factor: int, centre: IntArray) -> tuple[IntArray, FloatArray]:
    """Return the points, shape (n, 5), and their weights in the terms centred at these samples."""
    last, before, after = points - 1, centre - factor, centre + factor
    early, late = before < 0, after > last
    ones = np.ones(len(centre))
    index = [np.abs(before), centre, np.where(late, 2 * last - after, after), 0 * centre, 0 * centre + last]
    weights = [np.where(early, -1.0, 1.0), -2 * ones, np.where(late, -1.0, 1.0), 2.0 * early, 2.0 * late]
    return np.stack(index, axis=1), np.stack(weights, axis=1)


def _rows(points: int, factor: int) -> FloatArray:
    """Return the weights of the phase in each term, shape (points - 2, points)."""
    index, weights = _points_and_weights(points, factor, np.arange(1, points - 1))
    rows = np.zeros((points - 2, points))
    np.add.at(rows, (np.arange(points - 2)[:, np.newaxis], index), weights)
    return rows


@lru_cache(maxsize=1024)
def _exact_freedom(points: int, factor: int, exponent: int) -> float:
    """Return ``(tr C)² / tr C²`` of the covariance C of all terms."""
    rows = _rows(points, factor)
    lag = np.abs(np.arange(points)[:, np.newaxis] - np.arange(points))
    covariance = rows @ phase_kernel(lag, exponent) @ rows.T
    return float(np.trace(covariance) ** 2 / np.sum(covariance**2))


@lru_cache(maxsize=4096)
def _expected(points: int, factor: int, exponent: int) -> float:
    """Return the expectation of the total variance."""
    inside = (points - 2 * factor) * allan_variance(factor, exponent)
    places = np.unique(np.linspace(1, factor - 1, min(factor - 1, PLACES_FOR_EXPECTATION)).astype(np.int64))
    if len(places) == 0:
        return allan_variance(factor, exponent)
    index, weights = _points_and_weights(points, factor, places)
    lag = np.abs(index[:, :, np.newaxis] - index[:, np.newaxis, :])
    squares = np.einsum("ni,nij,nj->n", weights, phase_kernel(lag, exponent), weights)
    at_start = (
        float(np.interp(np.arange(1, factor), places, squares).sum())
        if factor < BLOCK
        else (float(np.trapezoid(squares, places)) + 0.5 * float(squares[0] + squares[-1]))
    )
    return (inside + at_start / float(factor) ** 2) / (points - 2)
