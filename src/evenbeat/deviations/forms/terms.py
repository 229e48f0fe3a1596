"""Statistics that are means of squared terms linear in phase, gaps allowed.

The six means of squared differences of phase, by two kernels; and the parabolic variance, the two-sample
variance of frequencies fitted by least squares to adjacent stretches:
``PVAR = 72/(M m⁴ τ²) Σ_i [Σ_k ((m-1)/2 - k) (x_{i+k} - x_{i+m+k})]²`` with all M = N - 2m + 1 terms, and the
Allan variance at m = 1 (Vernotte, Lenczner, Bourgeois and Rubiola, IEEE Trans. UFFC 63, 2016,
arXiv:1506.00687). Its inner sum is a convolution of phase advances, by FFT in blocks.
"""

from __future__ import annotations

import math
import os
from abc import ABC, abstractmethod
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
from scipy import fft

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import exponents_of, phase_kernel, term_covariances
from evenbeat.deviations.freedom import (
    MOST_AVERAGING_TIMES,
    REACH,
    Moments,
    halves,
    has_weights,
    lag_weights,
    lags_among_gaps,
    overlapping_lags,
    pairs_apart,
    spread_terms,
)
from evenbeat.deviations.sums.kernels import Progress, TermSum, sum_of_squared_differences, sums_of_squares
from evenbeat.deviations.sums.pairs import few_borders, pairs_in_runs
from evenbeat.deviations.sums.samples import Samples
from evenbeat.quantities import FloatArray

FEWEST_SAMPLES_FOR_THREADS = 1 << 12
LARGEST_EXACT = 48
"""Factor up to which parabolic covariances are summed over all pairs of samples; beyond it is that of it."""
LARGEST_SUMMED = 1 << 10
SHORTEST_BLOCK = 1 << 14
LONGEST_DIRECT = 16


class Form(ABC):
    """What a statistic computes, in units of the sampling interval.

    ``order`` is 2 for the Allan, 3 for the Hadamard family. The averaging factors are multiples of ``step``
    from the ``smallest`` on, averaging times ``effective_share`` of them.
    """

    takes_gaps, effective_share, smallest, step = False, 1.0, 1, 1
    order: int

    @abstractmethod
    def largest(self, points: int) -> int:
        """Return the largest averaging factor of a record with this many phase points."""

    def variance(self, samples: Any, factor: int) -> TermSum:
        """Return the raw variance as ``total``, NaN without a term, and which terms there are."""
        raise NotImplementedError

    def variances(
        self,
        samples: Samples,
        factors: IntArray,
        *,
        minimum_coverage: float = 1.0,  # noqa: ARG002
        progress: Progress | None = None,
    ) -> list[TermSum]:
        """Return the raw variance at each factor, of long records in two threads."""
        longest_first, found = np.asarray(factors).tolist()[::-1], []  # they take longest
        with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
            run = pool.map if samples.points >= FEWEST_SAMPLES_FOR_THREADS else map
            for terms in run(partial(self.variance, samples), longest_first):
                found.append(terms)
                if progress is not None:
                    progress(len(found), len(longest_first))
        return found[::-1]

    @abstractmethod
    def moments(self, sums: Sequence[TermSum], points: int, factors: Sequence[int]) -> Moments:
        """Return expectation and scatter at each factor, and the variance that is estimated."""

    @abstractmethod
    def weighing(
        self, terms: TermSum, points: int, factor: int, levels: FloatArray, edf: float, expected: FloatArray
    ) -> FloatArray | None:
        """Return matrices, shape (1 or 2, n, n), whose eigenvalues are in proportion to the weights.

        Of the chi-squared variables behind the variance; ``None`` where one will do.
        """


class TermForm(Form):
    """A mean of squares of terms linear in phase; what touches a gap is left out.

    A term covers ``spans`` averaging times, starts at every sample if ``overlapping``, else once per
    averaging time.
    """

    takes_gaps = True
    spans: int
    overlapping: bool

    @abstractmethod
    def scale(self, factor: int) -> float:
        """Return the variance over the mean square of the terms."""

    @abstractmethod
    def covariances(self, lags: IntArray, factor: int) -> FloatArray:
        """Return the covariance of two terms that many terms apart per unit of each level, (noises, n)."""

    def moments(self, sums: Sequence[TermSum], points: int, factors: Sequence[int]) -> Moments:  # noqa: ARG002
        """Return those of the terms that exist; it is the expectation that is estimated."""
        found = moments_of_terms([(self, terms, m) for terms, m in zip(sums, factors, strict=True)])
        scale = np.array([[self.scale(factor)] for factor in factors])
        expected = scale * found.expected
        products = scale[:, :, np.newaxis] ** 2 * found.products
        return Moments(expected=expected, aimed_at=expected, products=products)

    def weighing(
        self,
        terms: TermSum,
        points: int,  # noqa: ARG002
        factor: int,
        levels: FloatArray,
        edf: float,
        expected: FloatArray,  # noqa: ARG002
    ) -> FloatArray | None:
        """Return covariances of the terms.

        Where the record holds many averaging times, or many terms are independent, chi-squared itself is
        good to half a point of probability, and of a single term it is exact.
        """
        times = terms.possible / (factor if self.overlapping else 1)
        if terms.terms <= 1 or not has_weights(times, edf):
            return None
        places, counts = spread_terms(terms)
        if counts is None:
            return halves(levels @ _spread_covariances(self, factor, len(places), int(places[1])))
        later, sooner = np.tril_indices(len(places))
        distances, each = np.unique(
            places[later] - places[sooner], return_inverse=True
        )  # far fewer than pairs
        matrix = np.zeros((len(places), len(places)))
        matrix[later, sooner] = matrix[sooner, later] = (levels @ self.covariances(distances, factor))[each]
        return (matrix * np.sqrt(np.outer(counts, counts)))[np.newaxis]


def moments_of_terms(points: Sequence[tuple[TermForm, TermSum, int]]) -> Moments:
    """Return those of the mean squares of the terms of some form at a factor, a row each."""
    rows: dict[int, tuple[FloatArray, FloatArray]] = {}
    few, many = [], []
    for number, (form, terms, factor) in enumerate(points):
        if terms.nearly_complete or terms.terms == 1:  # so few left out do not matter
            rows[number] = _of_all(form, terms.terms, factor)
        elif terms.terms == 0:
            one, products = _of_all(form, 1, factor)
            rows[number] = np.full_like(one, np.nan), products
        elif few_borders(terms.runs, terms.possible):
            few.append(number)
        else:
            many.append(number)
    usual = [_usual(form, factor, terms.possible - 1) for form, terms, factor in (points[k] for k in few)]
    counted = pairs_in_runs(
        [points[k][1].runs for k in few], [lags for lags, _, _ in usual], [weights for _, weights, _ in usual]
    )
    for number, (_, _, at), weights in zip(few, usual, counted, strict=True):
        rows[number] = _of_pairs(at, weights, points[number][1].terms)
    for number in many:
        form, terms, factor = points[number]
        lags, weights, at = _usual(form, factor, terms.possible - 1)
        if form.overlapping:
            lags, weights = lags_among_gaps(terms, factor, form.spans)
            at = _usual(form, factor, int(lags[-1]))[2]
        else:
            mask = terms.mask
            weights = weights * [pairs_apart(mask, lag) for lag in lags.tolist()]
        rows[number] = _of_pairs(at, weights, terms.terms)
    expected, scatter = (np.array([rows[number][k] for number in range(len(points))]) for k in (0, 1))
    return Moments(expected=expected, aimed_at=expected, products=scatter)


def _of_pairs(at: FloatArray, weights: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Return expectation and products of so many terms, from covariances at lags with so many pairs each."""
    return at[:, 0], (at * weights) @ at.T / float(count) ** 2


@lru_cache(maxsize=4096)
def _of_all(form: TermForm, count: int, factor: int) -> tuple[FloatArray, FloatArray]:
    lags, weights, at = _usual(form, factor, count - 1)
    return _of_pairs(at, weights * (count - lags), count)


def _usual(form: TermForm, factor: int, last: int) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return lags up to the last, for how many lags each stands, and the covariances there."""
    return _usual_within(
        form, factor, min(last, (REACH + form.spans) * factor if form.overlapping else REACH)
    )


@lru_cache(maxsize=1024)
def _usual_within(form: TermForm, factor: int, last: int) -> tuple[IntArray, FloatArray, FloatArray]:
    if form.overlapping:
        lags = overlapping_lags(factor, form.spans)
    else:
        lags = np.arange(min(last + 1, REACH), dtype=np.int64)
    if lags[-1] > last:
        lags = np.append(lags[lags < last], last)
    return lags, lag_weights(lags), form.covariances(lags, factor)


@lru_cache(maxsize=256)
def _spread_covariances(form: TermForm, factor: int, count: int, stride: int) -> FloatArray:
    return form.covariances(np.arange(count, dtype=np.int64) * stride, factor)


@dataclass(frozen=True, kw_only=True)
class Differences(TermForm):
    """Differences of phase of order 2 (Allan) or 3 (Hadamard), squared.

    If ``averaged`` each term is the mean of as many neighbouring ones as the averaging factor. Terms may all
    be ``stride`` samples apart: the factor then counts these.

    Degrees of freedom are for the model of sampled phase, not of phase averaged over the sampling interval as
    in the published table of Greenhall and Riley (2003): the two differ by 17 % at factor 1 for white FM and
    agree from factor 100 up. Flicker PM depends weakly on the bandwidth, here half the sampling rate.
    """

    order: int
    overlapping: bool = True
    averaged: bool = False
    stride: int = 1

    @property
    def spans(self) -> int:  # type: ignore[override]
        """How many averaging times one term spans."""
        return self.order + self.averaged

    def largest(self, points: int) -> int:
        """Return the largest averaging factor with at least one term."""
        return points // self.spans if self.averaged else (points - 1) // self.spans

    def variances(
        self,
        samples: Samples,
        factors: IntArray,
        *,
        minimum_coverage: float = 1.0,
        progress: Progress | None = None,
    ) -> list[TermSum]:
        """Return the variances, all of them in one pass over the record."""
        sums = sums_of_squares(
            samples,
            factors,
            self.order,
            averaged=self.averaged,
            overlapping=self.overlapping,
            minimum_coverage=minimum_coverage,
            progress=progress,
        )
        for terms, factor in zip(sums, np.asarray(factors).tolist(), strict=True):
            terms.total = self.scale(factor) * terms.total / terms.terms if terms.terms else math.nan
        return sums

    def scale(self, factor: int) -> float:
        """Return one over m² and the squared weights of averages added up: 2 for Allan, 6 for Hadamard."""
        return 1 / (math.comb(2 * (self.order - 1), self.order - 1) * float(factor) ** 2)

    def covariances(self, lags: IntArray, factor: int) -> FloatArray:
        """Return the covariance of two terms that many terms apart."""
        step = self.stride * (1 if self.overlapping else factor)
        return term_covariances(lags * step, factor * self.stride, order=self.order, averaged=self.averaged)


def equivalent_degrees_of_freedom(
    terms: TermSum,
    factor: int,
    *,
    exponent: int,
    order: int,
    averaged: bool = False,
    overlapping: bool = True,
) -> float:
    """Return the equivalent degrees of freedom of a mean of squared differences under one noise.

    At least 1; NaN without any term.
    """
    found = Differences(order=order, overlapping=overlapping, averaged=averaged).moments([terms], 0, [factor])
    return float(found.freedom(np.array(exponents_of(order)) == exponent)[0])


@dataclass(frozen=True)
class ParabolicForm(TermForm):
    """Parabolic variance; a term is counted as three averaging times long, with what it sees beyond."""

    order, spans, overlapping = 2, 3, True

    def largest(self, points: int) -> int:
        """Return half the number of points, at one point fewer than the Allan variance needs."""
        return points // 2 if points > 3 else (points - 1) // 2

    def variance(self, samples: Samples, factor: int) -> TermSum:
        """Return the variance, and which terms exist."""
        terms = parabolic_terms(samples, factor)
        terms.total *= self.scale(factor) * float(factor) ** 2 / terms.terms if terms.terms else math.nan
        return terms

    def scale(self, factor: int) -> float:
        """Return the variance over the mean square of terms with weights as in ``parabolic_weights``."""
        return 0.5 if factor == 1 else 72.0 / float(factor) ** 6

    def covariances(self, lags: IntArray, factor: int) -> FloatArray:
        """Return those of two terms: exact up to ``LARGEST_EXACT``, beyond it in proportion.

        Expectations are exact at every factor.
        """
        scale = max(1.0, factor / LARGEST_EXACT)
        at, values = _parabolic_covariances(min(factor, LARGEST_EXACT))
        shapes = [np.interp(lags / scale, at, row / row[0]) for row in values]
        return np.array(shapes) * _expected_parabolic(factor)[:, np.newaxis]


def parabolic_terms(samples: Samples, factor: int) -> TermSum:
    """Return the sum of the squared terms ``Σ_k ((m-1)/2 - k) (x_{i+k} - x_{i+m+k}) / m``.

    Terms that touch a gap are left out and counted. At factor 1 they are second differences.
    """
    if factor == 1:
        return sum_of_squared_differences(samples, 1, 2)
    possible = samples.points - 2 * factor + 1
    valid = np.ones(possible, dtype=bool) if samples.has_gaps else None
    block = max(SHORTEST_BLOCK, 3 * factor)
    weights, total = np.arange(factor) - 0.5 * (factor - 1), 0.0
    for begin in range(0, possible, block):
        count = min(block, possible - begin)
        advances = np.empty(count + factor - 1)
        samples.fill_advances(advances, begin, factor)
        if valid is not None:
            unknown = np.concatenate([[0], np.cumsum(np.isnan(advances))])
            valid[begin : begin + count] = unknown[factor:] == unknown[:-factor]
            np.nan_to_num(advances, copy=False)
        advances -= float(np.mean(advances))  # the weights see no constant
        if factor <= LONGEST_DIRECT:
            terms = np.asarray(sum(weight * advances[k : k + count] for k, weight in enumerate(weights)))
        else:
            length = fft.next_fast_len(len(advances), real=True)
            product = fft.rfft(advances, length) * np.conj(fft.rfft(weights, length))
            terms = fft.irfft(product, length)[:count]
        terms = terms if valid is None else terms[valid[begin : begin + count]]
        total += float(np.einsum("i,i->", terms, terms))
    used = possible if valid is None else int(np.count_nonzero(valid))
    return TermSum(total=total / factor**2, possible=possible, terms=used, valid=valid)


@lru_cache(maxsize=512)
def _expected_parabolic(factor: int) -> FloatArray:
    """Return the expected square of one term under each noise, per unit of the level."""
    weights = parabolic_weights(min(factor, LARGEST_SUMMED))
    pairs = np.correlate(weights, weights, mode="full")
    lag = np.arange(1 - len(weights), len(weights)).astype(float)
    found = np.array([pairs @ phase_kernel(lag, alpha) for alpha in exponents_of(2)])
    if factor == 1:
        return found
    # a term scales with τ^(1/2 - α/2 + 1); white PM has one power of the number of samples less
    powers = np.array([3.0, 4.0, 5.0, 6.0, 7.0])
    return found * (factor / min(factor, LARGEST_SUMMED)) ** powers


@lru_cache(maxsize=128)
def _parabolic_covariances(factor: int) -> tuple[FloatArray, FloatArray]:
    """Return lags up to the reach of the sum over lags, and the covariances of two terms there."""
    reach = (MOST_AVERAGING_TIMES + 1) * factor
    weights = parabolic_weights(factor)
    pairs = np.correlate(weights, weights, mode="full")
    side = len(weights) - 1
    lag = np.arange(-side, reach + side + 1, dtype=float)
    found = [np.convolve(phase_kernel(lag, alpha), pairs, mode="valid") for alpha in exponents_of(2)]
    return np.arange(reach + 1, dtype=float), np.array(found)


def parabolic_weights(factor: int) -> FloatArray:
    """Return the weights of the phase points in one term, up to a factor."""
    if factor == 1:
        return np.array([1.0, -2.0, 1.0])
    ramp = 0.5 * (factor - 1) - np.arange(factor)
    return np.concatenate([ramp, -ramp])
