"""Parabolic variance: two-sample variance of frequencies fitted by least squares to adjacent stretches.

``PVAR = 72/(M m⁴ τ²) Σ_i [Σ_k ((m-1)/2 - k) (x_{i+k} - x_{i+m+k})]²`` with all M = N - 2m + 1 terms, and the
Allan variance at m = 1 (Vernotte, Lenczner, Bourgeois and Rubiola, IEEE Trans. UFFC 63, 2016,
arXiv:1506.00687). The inner sum is a convolution of phase advances, by FFT in blocks; the terms are linear
in phase, so that their exact covariance gives the degrees of freedom, with gaps too.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import fft

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.deviations.extended.quadratic import allan_variance, phase_kernel
from evenbeat.deviations.freedom import freedom_of_terms
from evenbeat.deviations.sums.kernels import TermSum, sum_of_squared_differences
from evenbeat.deviations.sums.samples import Samples
from evenbeat.deviations.term_weights import MOST_AVERAGING_TIMES, weights_of_terms
from evenbeat.quantities import FloatArray

LARGEST_EXACT = 48
"""Up to this factor the covariance is summed over all pairs of samples; beyond it is that of this factor."""
SHORTEST_BLOCK = 1 << 14
LONGEST_DIRECT = 16


def parabolic_terms(samples: Samples, factor: int) -> TermSum:
    """Return the sum of the squared terms ``Σ_k ((m-1)/2 - k) (x_{i+k} - x_{i+m+k}) / m``.

    Terms that touch a gap are left out and counted. At factor 1 they are second differences.
    """
    if factor == 1:
        return sum_of_squared_differences(samples, 1, 2)
    possible = samples.points - 2 * factor + 1
    valid = np.ones(possible, dtype=bool) if samples.has_gaps else None
    block = max(SHORTEST_BLOCK, 3 * factor)
    total = 0.0
    for begin in range(0, possible, block):
        count = min(block, possible - begin)
        advances = np.empty(count + factor - 1)
        samples.fill_advances(advances, begin, factor)
        if valid is not None:
            valid[begin : begin + count] = _complete(advances, factor)
            np.nan_to_num(advances, copy=False)
        terms = _weighted_sums(advances, factor)
        terms = terms if valid is None else terms[valid[begin : begin + count]]
        total += float(np.einsum("i,i->", terms, terms))
    used = possible if valid is None else int(np.count_nonzero(valid))
    return TermSum(total=total / factor**2, possible=possible, terms=used, valid=valid)


def _complete(advances: FloatArray, factor: int) -> BoolArray:
    """Return which windows of ``factor`` advances hold no unknown one."""
    unknown = np.concatenate([[0], np.cumsum(np.isnan(advances))])
    return np.asarray(unknown[factor:] == unknown[:-factor])


def _weighted_sums(advances: FloatArray, factor: int) -> FloatArray:
    """Return ``Σ_k (k - (m-1)/2) advance_{i+k}`` for every i; the weights see no constant."""
    weights = np.arange(factor) - 0.5 * (factor - 1)
    level = advances - float(np.mean(advances))
    if factor <= LONGEST_DIRECT:
        count = len(level) - factor + 1
        return np.asarray(sum(weight * level[k : k + count] for k, weight in enumerate(weights)))
    length = fft.next_fast_len(len(level), real=True)
    product = fft.rfft(level, length) * np.conj(fft.rfft(weights, length))
    return np.asarray(fft.irfft(product, length)[: len(level) - factor + 1])


def parabolic_variance(terms: TermSum, factor: int) -> float:
    """Return the parabolic variance, for phase in units of the sampling interval."""
    mean_square = terms.total / terms.terms
    return 0.5 * mean_square if factor == 1 else 72.0 * mean_square / float(factor) ** 4


def parabolic_freedom(terms: TermSum, factor: int, exponent: int) -> float:
    """Return the degrees of freedom from the covariance of the terms: exact up to ``LARGEST_EXACT``."""
    return freedom_of_terms(terms, factor, _covariance(factor, exponent), spans=3, overlapping=True)


def parabolic_weights_of_terms(terms: TermSum, factor: int, exponent: int, edf: float) -> FloatArray | None:
    """Return the weights of the chi-squared variables behind the mean of the squared terms."""
    return weights_of_terms(terms, factor, edf, _covariance(factor, exponent))


def _covariance(factor: int, exponent: int) -> Callable[[IntArray], FloatArray]:
    def covariance(lags: IntArray) -> FloatArray:
        scale = max(1.0, factor / LARGEST_EXACT)
        at, values = _covariances(min(factor, LARGEST_EXACT), exponent)
        return np.interp(lags / scale, at, values)

    return covariance


@lru_cache(maxsize=512)
def _covariances(factor: int, exponent: int) -> tuple[FloatArray, FloatArray]:
    """Return lags up to the reach of the sum over lags, and the covariance of two terms there."""
    reach = (MOST_AVERAGING_TIMES + 1) * factor
    weights = parabolic_weights(factor)
    pairs = np.correlate(weights, weights, mode="full")
    side = len(weights) - 1
    kernel = phase_kernel(np.abs(np.arange(-side, reach + side + 1, dtype=float)), exponent)
    return np.arange(reach + 1, dtype=float), np.convolve(kernel, pairs, mode="valid")


def parabolic_weights(factor: int) -> FloatArray:
    """Return the weights of the phase points in one term, up to a factor."""
    if factor == 1:
        return np.array([1.0, -2.0, 1.0])
    ramp = 0.5 * (factor - 1) - np.arange(factor)
    return np.concatenate([ramp, -ramp])


def white_phase_ratio(factor: int) -> float:
    """Return the parabolic over the Allan variance under white PM."""
    unit = allan_variance(factor, 2)
    return 1.0 if factor == 1 else 12.0 * (factor**2 - 1) / float(factor) ** 5 / unit
