"""Equivalent degrees of freedom of a variance, from the exact covariance of its terms.

A mean of M squared Gaussian terms with covariance c(k) at lag k has relative variance
``2 Σ n(k) c(k)² / (M c(0))²``, where n(k) is the number of pairs of terms k apart, so that it is
distributed nearly as chi-squared with ``edf = M² c(0)² / Σ n(k) c(k)²`` (Greenhall and Riley 2003; the
sum runs over lags of both signs). With gaps n(k) is the autocorrelation of the mask of valid terms.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import fft

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import term_covariance
from evenbeat.deviations.sums.kernels import BoolArray, TermSum
from evenbeat.quantities import FloatArray

REACH = 30
"""Lags beyond this many averaging times are left out: what remains is below 1e-4 of the sum."""
FINEST_STEPS = 12
GROWTH = 1.1
MASK_STEPS = 32


def equivalent_degrees_of_freedom(
    terms: TermSum, factor: int, *, exponent: int, order: int, averaged: bool, overlapping: bool
) -> float:
    """Return the equivalent degrees of freedom of a mean of squared terms.

    Parameters
    ----------
    terms
        Number of terms, and which of them are valid where the record has gaps.
    factor
        Averaging factor.
    exponent
        α of the noise, a whole number.
    order, averaged
        As in :func:`evenbeat.deviations.covariance.term_covariance`.
    overlapping
        Whether neighbouring terms start one sample apart; otherwise one averaging time.

    Returns
    -------
    float
        At least 1; NaN without any term.

    Notes
    -----
    The model of sampled phase, not of phase averaged over the sampling interval as in the published
    table of Greenhall and Riley (2003): the two differ by 17 % at factor 1 for white FM and agree from
    factor 100 up. Flicker PM depends weakly on the bandwidth, here half the sampling rate.
    """

    def covariance(lags: IntArray) -> FloatArray:
        step = 1 if overlapping else factor
        return term_covariance(lags * step, factor, exponent=exponent, order=order, averaged=averaged)

    return freedom_of_terms(terms, factor, covariance, spans=order + averaged, overlapping=overlapping)


def freedom_of_terms(
    terms: TermSum,
    factor: int,
    covariance: Callable[[IntArray], FloatArray],
    *,
    spans: int,
    overlapping: bool,
) -> float:
    """Return the same for terms that are linear in phase in any other way.

    Parameters
    ----------
    terms, factor, overlapping
        As above.
    covariance
        Covariance of two terms that many terms apart, up to a constant factor.
    spans
        How many averaging times one term spans.
    """
    if terms.terms == 0:
        return float("nan")
    if terms.terms == 1:
        return 1.0
    lags = _lags(factor, spans, overlapping=overlapping, possible=terms.possible)
    at = covariance(lags)
    if terms.valid is None:
        pairs = (terms.possible - lags).astype(float)
    else:
        pairs = _valid_pairs(terms.valid, lags, max(1, factor // MASK_STEPS) if overlapping else 1)
    squares = pairs * (at / at[0]) ** 2
    return max(1.0, float(terms.terms * squares[0] / sum_over_lags(lags, squares)))


def _lags(factor: int, spans: int, *, overlapping: bool, possible: int) -> IntArray:
    if not overlapping:
        return np.arange(min(possible, REACH), dtype=np.int64)
    lags = overlapping_lags(factor, spans)
    inside = lags[lags < possible]
    return inside if inside[-1] == possible - 1 else np.append(inside, min(possible - 1, lags[-1]))


@lru_cache(maxsize=256)
def overlapping_lags(factor: int, order: int) -> IntArray:
    """Return lags up to ``REACH`` averaging times, dense where the covariance has corners.

    These are at multiples of the factor up to ``order`` of them.
    """
    distance = _distances(REACH * factor)
    corners = [np.arange(1, dtype=np.int64)]
    for corner in range(order + 1):
        beyond = distance if corner == order else distance[distance <= factor]
        corners += [corner * factor + beyond, np.abs(corner * factor - distance[distance <= factor])]
    lags = np.unique(np.concatenate(corners))
    lags.flags.writeable = False
    return lags


def _distances(largest: int) -> IntArray:
    count = int(np.log(max(largest, 1)) / np.log(GROWTH)) + 2
    grown = np.round(FINEST_STEPS * GROWTH ** np.arange(count)).astype(np.int64)
    distances = np.unique(np.concatenate([np.arange(FINEST_STEPS), grown]))
    return np.append(distances[distances < largest], largest)


def sum_over_lags(lags: IntArray, values: FloatArray) -> float:
    """Return the sum of an even function over all lags of both signs, from its values at some lags."""
    return float(2 * np.dot(_sum_weights(lags), values) - values[0])


def _sum_weights(lags: IntArray) -> FloatArray:
    """Return weights that turn values at some lags into the sum over all lags between them."""
    if len(lags) == 1:
        return np.ones(1)
    gaps = np.diff(lags).astype(float)
    weights = np.full(len(lags), 0.5)
    weights[1:-1] = 0.0
    weights[:-1] += 0.5 * gaps
    weights[1:] += 0.5 * gaps
    return weights


def _valid_pairs(valid: BoolArray, lags: IntArray, stride: int) -> FloatArray:
    """Return the number of pairs of valid terms at each lag, from every ``stride``-th term."""
    mask = valid[::stride]
    coarse = np.minimum(lags / stride, len(mask) - 1)
    pairs = _autocorrelation(mask, int(np.ceil(coarse[-1])) + 1)
    scale = np.count_nonzero(valid) / max(pairs[0], 1.0)
    return scale * np.interp(coarse, np.arange(len(pairs)), pairs)


def _autocorrelation(mask: BoolArray, count: int) -> FloatArray:
    """Return the sums ``Σ mask[i] mask[i + lag]`` for lags below ``count``, by blocks."""
    length = fft.next_fast_len(max(4 * count, 1 << 14), real=True)
    total = np.zeros(count)
    own = length - count + 1
    for begin in range(0, len(mask), own):
        first = fft.rfft(mask[begin : begin + own].astype(float), length)
        reaching = fft.rfft(mask[begin : begin + length].astype(float), length)
        total += fft.irfft(np.conj(first) * reaching, length)[:count]
    return np.maximum(total, 0.0)
