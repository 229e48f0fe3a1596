"""Parabolic variance: two-sample variance of frequencies fitted by least squares to adjacent stretches.

``PVAR = 72/(M m⁴ τ²) Σ_i [Σ_k ((m-1)/2 - k) (x_{i+k} - x_{i+m+k})]²`` with all M = N - 2m + 1 terms, and the
Allan variance at m = 1 (Vernotte, Lenczner, Bourgeois and Rubiola, IEEE Trans. UFFC 63, 2016,
arXiv:1506.00687). The inner sum is a convolution of phase advances, by FFT in blocks; the terms are linear
in phase, so that their exact covariance gives the degrees of freedom, with gaps too.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.deviations.covariance import exponents_of, phase_kernel
from evenbeat.deviations.forms.form import Bias, TermForm, in_threads
from evenbeat.deviations.freedom import MOST_AVERAGING_TIMES
from evenbeat.deviations.sums.kernels import Progress, TermSum, sum_of_squared_differences
from evenbeat.deviations.sums.samples import Samples
from evenbeat.quantities import FloatArray

LARGEST_EXACT = 48
"""Up to this factor the covariance is summed over all pairs of samples; beyond it is that of this factor."""
LARGEST_SUMMED = 1 << 10
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


@dataclass(frozen=True)
class ParabolicForm(TermForm):
    """Parabolic variance."""

    @property
    def order(self) -> int:
        """That of the Allan family."""
        return 2

    @property
    def spans(self) -> int:
        """How many averaging times one term spans, with what it still sees beyond."""
        return 3

    def largest(self, points: int) -> int:
        """Return half the number of points, at one point fewer than the Allan variance needs."""
        return points // 2 if points > 3 else (points - 1) // 2

    def variances(
        self,
        samples: Samples,
        factors: IntArray,
        *,
        bias: Bias = "exact",  # noqa: ARG002
        minimum_coverage: float = 1.0,  # noqa: ARG002
        progress: Progress | None = None,
    ) -> list[TermSum]:
        """Return the variances, and which terms exist."""

        def one(factor: int) -> TermSum:
            terms = parabolic_terms(samples, factor)
            scale = self.scale(factor) * float(factor) ** 2
            terms.total = scale * terms.total / terms.terms if terms.terms else np.nan
            return terms

        return in_threads(one, samples, factors, progress)

    def scale(self, factor: int) -> float:
        """Return the variance over the mean square of terms with weights as in ``parabolic_weights``."""
        return 0.5 if factor == 1 else 72.0 / float(factor) ** 6

    def covariances(self, lags: IntArray, factor: int) -> FloatArray:
        """Return the covariances of two terms: exact up to ``LARGEST_EXACT``, beyond it in its proportions.

        Expectations are exact at every factor.
        """
        scale = max(1.0, factor / LARGEST_EXACT)
        at, values = _covariances(min(factor, LARGEST_EXACT))
        shapes = [np.interp(lags / scale, at, row / row[0]) for row in values]
        return np.array(shapes) * _expected(factor)[:, np.newaxis]


@lru_cache(maxsize=512)
def _expected(factor: int) -> FloatArray:
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
def _covariances(factor: int) -> tuple[FloatArray, FloatArray]:
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
