"""Sums of squares at thousands of averaging factors from the products of phase with itself, by one transform.

The square of a difference is a sum of products of phase at two points. Over all terms these are the lagged
products ``Σ z_i z_{i+k}``, which one Fourier transform gives for every k, less those of points near either
end that some term lacks. For the modified statistics z are the running sums of phase. What the differences
cancel also cancels between the products, so that digits are lost where the differences are small beside z:
a polynomial that the differences annihilate is removed first, and no sum is returned whose rounding error
could exceed ``TOLERANCE``. These are mostly those at small factors, which other ways give.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.polynomial import Legendre
from scipy import fft
from threadpoolctl import threadpool_limits

from evenbeat.quantities import FloatArray
from evenbeat.stability.averaging import IntArray
from evenbeat.stability.exact_sums import exact_sums, largest_of, remove_line
from evenbeat.stability.kernels import running_sums
from evenbeat.stability.samples import PhasePoints

TOLERANCE = 2e-12
"""Largest bound on the relative rounding error of a sum, twice that of the deviation."""
TRIED_TOGETHER = 256
"""Factors after whose failure smaller ones are not tried."""
_UNIT = 2.0**-53


def sums_by_lagged_products(
    samples: PhasePoints, factors: IntArray, order: int, *, averaged: bool
) -> FloatArray:
    """Return the sums of squares of the overlapping terms, NaN where they would not be exact enough.

    Parameters are those of :func:`evenbeat.stability.gap_free.sums_without_gaps`.
    """
    values = np.empty(samples.points)
    samples.fill_points(values, 0)
    remove_line(values, np.arange(len(values), dtype=float), np.empty(len(values)))
    times = order + averaged
    if averaged:
        sums = exact_sums(values, [np.empty(len(values) + 1) for _ in range(5)])
        values = sums.coarse + sums.rest
    products = _Products(values, times)
    totals = np.full(len(factors), np.nan)
    with threadpool_limits(limits=1, user_api="blas"):
        for end in range(len(factors), 0, -TRIED_TOGETHER):
            some = slice(max(0, end - TRIED_TOGETHER), end)
            totals[some] = products.sums(factors[some])
            if np.isnan(totals[some]).all():
                break
    return totals / factors.astype(float) ** 2 if averaged else totals


class _Products:
    """Sums of squared differences of some values from their lagged products.

    Parameters
    ----------
    values
        Shape (n,).
    times
        How many times differences are taken.
    """

    def __init__(self, values: FloatArray, times: int) -> None:
        self._times, self._scale = times, largest_of(values) or 1.0
        place = np.linspace(-1.0, 1.0, len(values))
        trend = Legendre.fit(place, values / self._scale, times - 1, domain=[-1, 1])
        self._values = values / self._scale - trend(place)
        self._backwards = self._values[::-1].copy()
        length = fft.next_fast_len(2 * len(values), real=True)
        spectrum = fft.rfft(self._values, length)
        self._lagged = fft.irfft(spectrum.real**2 + spectrum.imag**2, length)[: len(values)]
        buffers = (np.empty(len(values)), np.empty(len(values)))
        self._squares = np.concatenate([[0.0], running_sums(self._values**2, 0.0, buffers)[0]])
        self._rounding = _UNIT * math.log2(length) * 4**times * float(self._squares[-1])
        self._weights = [(-1) ** k * math.comb(times, k) for k in range(times + 1)]
        self._ends = [
            (apart, first, self._weight(apart, first + 1))
            for apart in range(1, times)
            for first in range(times - apart)
        ]

    def _weight(self, apart: int, first: int) -> float:
        """Return the sum of the products of weights so many points apart, from the ``first`` one."""
        weights = self._weights[first:]
        return float(sum(one * other for one, other in zip(weights, weights[apart:], strict=False)))

    def sums(self, factors: IntArray) -> FloatArray:
        """Return the sums at some factors, NaN where rounding could exceed ``TOLERANCE``."""
        terms = len(self._values) - self._times * factors
        total = np.zeros(len(factors))
        for k, weight in enumerate(self._weights):
            total += weight**2 * (self._squares[k * factors + terms] - self._squares[k * factors])
        for apart in range(1, self._times + 1):
            total += 2 * self._weight(apart, 0) * self._lagged[apart * factors]
        total -= 2 * np.array([self._at_ends(factor) for factor in factors.tolist()])
        # the values themselves are rounded to four units of the largest
        inherited = 2 * 2**self._times * 4 * _UNIT * np.sqrt(terms * np.maximum(total, 0.0))
        firm = self._rounding + inherited < TOLERANCE * total
        return np.where(firm, total, np.nan) * self._scale**2

    def _at_ends(self, factor: int) -> float:
        """Return the products of points near either end of the values that some term lacks, weighted."""
        total = 0.0
        for apart, first, weight in self._ends:
            here = slice(first * factor, (first + 1) * factor)
            there = slice((first + apart) * factor, (first + apart + 1) * factor)
            for values in (self._values, self._backwards):
                total += weight * float(np.dot(values[here], values[there]))
        return total
