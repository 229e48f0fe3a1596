"""Equivalent degrees of freedom of a variance, from the exact covariance of its terms.

A mean of M squared Gaussian terms with covariance c(k) at lag k has relative variance
``2 Σ n(k) c(k)² / (M c(0))²``, where n(k) is the number of pairs of terms k apart, so that it is
distributed nearly as chi-squared with ``edf = M² c(0)² / Σ n(k) c(k)²`` (Greenhall and Riley 2003; the
sum runs over lags of both signs). With gaps n(k) is the autocorrelation of the mask of valid terms
(:mod:`evenbeat.deviations.sums.pairs`).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import term_covariance
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.quantities import FloatArray

REACH = 30
REACH_WITH_GAPS = 10
"""Lags beyond this many averaging times are left out: what remains is below 1e-4 of the sum."""
FINEST_STEPS = 12
GROWTH = 1.1
BINS = 256
"""Bins in a long averaging time, at least, in which lags are taken together. Degrees of freedom are then
right to 0.2 %, under flicker PM to 7 % where gaps recur within a bin."""


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
    if not terms.complete:
        squares = _sum_with_gaps(terms, factor, covariance, spans=spans, overlapping=overlapping)
        return at_least_one(terms.terms**2 / squares)
    lags = _lags(factor, spans, overlapping=overlapping, possible=terms.possible)
    at = covariance(lags)
    squares = (terms.possible - lags) * (at / at[0]) ** 2
    return at_least_one(terms.terms**2 / sum_over_lags(lags, squares))


def at_least_one(edf: float) -> float:
    """Return degrees of freedom, one where rounding left less; NaN stays NaN."""
    return 1.0 if edf < 1 else edf


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


def _sum_with_gaps(
    terms: TermSum,
    factor: int,
    covariance: Callable[[IntArray], FloatArray],
    *,
    spans: int,
    overlapping: bool,
) -> float:
    """Return ``Σ n(k) c(k)²/c(0)²`` over the lags of both signs.

    Every lag is counted, since n(k) jumps from lag to lag where gaps are regular. At long averaging times
    lags are taken together in bins of a small share of one, except the corners of the covariance: under
    noise of phase c(k) stands out there from its neighbours.
    """
    width = max(1, factor // BINS) if overlapping else 1
    last = min(terms.possible - 1, REACH_WITH_GAPS * (factor if overlapping else 1))
    pairs = terms.pairs(width, last // width + 1)
    if width == 1:
        at = covariance(np.arange(last + 1, dtype=np.int64))
        return _over_both_signs(pairs, (at / at[0]) ** 2)
    lags = overlapping_lags(factor, spans)
    at = covariance(lags)
    squares = (at / at[0]) ** 2
    corners = factor * np.arange(spans + 1)
    where = np.searchsorted(lags, corners)
    alone = squares[where] - 0.5 * (squares[np.abs(where - 1)] + squares[where + 1])
    squares[where] -= alone
    at_corners = np.array([terms.pairs_apart(lag) for lag in corners.tolist()])
    means = _means_of_bins(lags, squares, width, len(pairs))
    return _over_both_signs(at_corners, alone) + _over_both_signs(pairs, means)


def _over_both_signs(pairs: FloatArray, values: FloatArray) -> float:
    return float(2 * np.dot(pairs, values) - pairs[0] * values[0])


def _means_of_bins(lags: IntArray, values: FloatArray, width: int, count: int) -> FloatArray:
    """Return the means of an even function over bins of lags, the first centred at zero.

    From its values at some lags, straight lines between them.
    """
    upto = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(lags))])
    borders = np.minimum(np.append(0.0, (np.arange(count) + 0.5) * width), lags[-1])
    before = np.searchsorted(lags, borders, side="right") - 1
    there = np.interp(borders, lags, values)
    means = np.diff(upto[before] + 0.5 * (borders - lags[before]) * (there + values[before])) / width
    means[0] *= 2
    return np.asarray(means)
