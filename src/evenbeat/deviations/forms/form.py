"""What a statistic must tell of itself, and what follows for forms of phase that are written out.

A form gives, for phase in units of the sampling interval, the variance, its expectation and scatter under
every noise, and the variance that it estimates. Three kinds are here: terms that are linear in phase, one at
each start (gaps allowed); quadratic forms ``xᵀ A x`` of the whole record; and of these the means over
stretches, given by rows of weights, which is all that a new statistic needs.

With the generalized covariance ``K = Σ h_α K_α`` of the phase, freed of what A does not see (constants,
slopes, for the Hadamard family curvature), the expectation of a form is ``tr A K``, the variance ``2 tr (A
K)²``, and it is a sum of chi-squared variables weighted by the eigenvalues of ``A K`` (Imhof 1961, Biometrika
48). Of a long record what does not depend on its length is taken from a shorter one in equal proportions.

Of a sum over M stretches one sample apart the relative variance is ``2 Σ n(k) g(k)/M²`` with ``g(k) = ‖B K_k
Bᵀ‖²/(tr B K_0 Bᵀ)²``, B the rows of weights and K_k the generalized covariance of two stretches k samples
apart (the trace formula for Gaussian quadratic forms; own derivation, tested in
tests/deviations/test_total.py and test_theo1.py). This is exact. Beyond some factor the ratio to the degrees
of freedom of a difference statistic with the same terms, which varies slowly, is carried over from two
shorter forms.
"""

from __future__ import annotations

import math
import os
from abc import ABC, abstractmethod
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import ClassVar, Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import exponents_of, phase_kernel
from evenbeat.deviations.freedom import (
    Moments,
    at_least_one,
    has_weights,
    lag_weights,
    moments_of_terms,
    overlapping_lags,
    usual_lags,
    weighing_of_terms,
)
from evenbeat.deviations.sums.kernels import Progress, TermSum
from evenbeat.deviations.sums.samples import PhasePoints, Samples
from evenbeat.quantities import FloatArray

Bias = Literal["exact", "published", "none"]
MOST_POINTS = 161
MOST_INTERVALS = 40
"""In the shorter record: with more of them nothing changes but the number of terms."""
STRETCHES_AT_ONCE = 16
FEWEST_SAMPLES_FOR_THREADS = 1 << 12
LONGEST_ROWS = 32
"""Averaging factor up to which the degrees of freedom of rows of weights are exact; beyond it proportions."""
TERMS_AT_ONCE = 1 << 12


class Form(ABC):
    """One statistic, for phase in units of the sampling interval."""

    effective_share: ClassVar[float] = 1.0
    """Averaging time over averaging factor, in sampling intervals."""
    smallest: ClassVar[int] = 1
    step: ClassVar[int] = 1
    """The averaging factors are multiples of this, from the smallest on."""
    takes_gaps: ClassVar[bool] = False

    @property
    @abstractmethod
    def order(self) -> int:
        """2 for the Allan, 3 for the Hadamard family."""

    @abstractmethod
    def largest(self, points: int) -> int:
        """Return the largest averaging factor of a record with this many phase points."""

    @abstractmethod
    def variances(
        self,
        samples: Samples,
        factors: IntArray,
        *,
        bias: Bias = "exact",
        minimum_coverage: float = 1.0,
        progress: Progress | None = None,
    ) -> list[TermSum]:
        """Return the variance at each factor as ``total``, NaN without a term, and which terms there are."""

    @abstractmethod
    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias = "exact") -> Moments:
        """Return its expectation and scatter, and the variance that is estimated."""

    @abstractmethod
    def weighing(
        self, terms: TermSum, points: int, factor: int, moments: Moments, levels: FloatArray
    ) -> FloatArray | None:
        """Return matrices, shape (1 or 2, n, n), whose eigenvalues are in proportion to the weights.

        Of the chi-squared variables behind it; ``None`` where one will do.
        """

    def published_bias(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the published expectation over the variance that is estimated."""
        return 1.0


def in_threads(
    one: Callable[[int], TermSum], samples: Samples, factors: IntArray, progress: Progress | None
) -> list[TermSum]:
    """Return what each factor gives, of long records in two threads."""
    longest_first, found = np.asarray(factors).tolist()[::-1], []  # they take longest
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        threads = samples.points >= FEWEST_SAMPLES_FOR_THREADS
        for terms in pool.map(one, longest_first) if threads else map(one, longest_first):
            found.append(terms)
            if progress is not None:
                progress(len(found), len(longest_first))
    return found[::-1]


class TermForm(Form):
    """A mean of squares of terms that are linear in phase; those that touch a gap are left out."""

    takes_gaps: ClassVar[bool] = True

    @property
    @abstractmethod
    def spans(self) -> int:
        """How many averaging times one term spans."""

    @property
    def overlapping(self) -> bool:
        """Whether a term starts at every sample, or once per averaging time."""
        return True

    @abstractmethod
    def scale(self, factor: int) -> float:
        """Return the variance over the mean square of the terms."""

    @abstractmethod
    def covariances(self, lags: IntArray, factor: int) -> FloatArray:
        """Return the covariance of two terms that many terms apart per unit of each level, (noises, n)."""

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias = "exact") -> Moments:  # noqa: ARG002
        """Return those of the terms that exist."""
        found, scale = self.of_mean_square(terms, factor), self.scale(factor)
        expected = scale * found.expected
        return Moments(expected=expected, aimed_at=expected, products=scale**2 * found.products)

    def of_mean_square(self, terms: TermSum, factor: int) -> Moments:
        """Return the moments of the mean square of the terms; so few left out do not matter."""
        if terms.nearly_complete:
            return _of_all(self, terms.terms, factor)
        return self._of_terms(terms, factor)

    def _of_terms(self, terms: TermSum, factor: int) -> Moments:
        return moments_of_terms(
            terms,
            factor,
            partial(_usual_covariances, self, factor),
            spans=self.spans,
            overlapping=self.overlapping,
        )

    def weighing(
        self,
        terms: TermSum,
        points: int,  # noqa: ARG002
        factor: int,
        moments: Moments,
        levels: FloatArray,
    ) -> FloatArray | None:
        """Return those of the terms that exist."""
        return weighing_of_terms(
            terms,
            factor if self.overlapping else 1,
            moments.freedom(levels),
            lambda lags: levels @ self.covariances(lags, factor),
        )


@lru_cache(maxsize=4096)
def _of_all(form: TermForm, possible: int, factor: int) -> Moments:
    return form._of_terms(variance_of(0.0, possible), factor)


@lru_cache(maxsize=1024)
def _usual_covariances(form: TermForm, factor: int, last: int) -> FloatArray:
    return form.covariances(usual_lags(factor, form.spans, last, overlapping=form.overlapping)[0], factor)


class WholeForm(Form):
    """A quadratic form of a record without gaps: written out if short, in proportion to one if long."""

    @property
    def intervals(self) -> float:
        """How many averaging times stand for one averaging factor of samples."""
        return 1.0

    @abstractmethod
    def variance(self, samples: Samples, factor: int, bias: Bias) -> TermSum:
        """Return the raw variance as ``total``, and the number of terms."""

    @abstractmethod
    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase, shape (points, points)."""

    @abstractmethod
    def expected(self, points: int, factor: int, exponent: int) -> float:
        """Return the expectation per unit of the level."""

    @abstractmethod
    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the variance that is estimated per unit of the level."""

    @abstractmethod
    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom under one noise, in records too long to be written out."""

    def variances(
        self,
        samples: Samples,
        factors: IntArray,
        *,
        bias: Bias = "exact",
        minimum_coverage: float = 1.0,  # noqa: ARG002
        progress: Progress | None = None,
    ) -> list[TermSum]:
        """Return the raw variances."""
        return in_threads(lambda factor: self.variance(samples, factor, bias), samples, factors, progress)

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias = "exact") -> Moments:  # noqa: ARG002
        """Return expectation and scatter: exact for up to ``MOST_POINTS`` points.

        In longer records expectations are exact and each noise has its own degrees of freedom; how far the
        scatter of two noises is joint is taken from a record in equal proportions.
        """
        return _moments(self, points, factor)

    def weighing(
        self,
        terms: TermSum,  # noqa: ARG002
        points: int,
        factor: int,
        moments: Moments,
        levels: FloatArray,
    ) -> FloatArray | None:
        """Return those of a record in equal proportions, each noise with the share that it really has."""
        if not has_weights(points / factor * self.intervals, moments.freedom(levels)):
            return None
        short_points, short = in_proportion(points, factor, self.step)
        inner, written = _written_out(self, short_points, short)
        return weighing_of_form(inner, short_points, levels * moments.expected / written.expected, self.order)


@dataclass(frozen=True)
class RowsForm(WholeForm):
    """A statistic given by rows of weights: the mean over all stretches of the sum of squares of the rows.

    Attributes
    ----------
    rows_of
        Averaging factor to weights of phase in units of the sampling interval, shape (rows, points of a
        stretch); they annihilate constants and slopes, for the Hadamard family curvature too.
    of_order
        2, or 3 for the Hadamard family.
    """

    rows_of: Callable[[int], FloatArray]
    of_order: int = 2

    @property
    def order(self) -> int:
        """2 for the Allan, 3 for the Hadamard family."""
        return self.of_order

    def rows(self, factor: int) -> FloatArray:
        """Return the weights."""
        return self.rows_of(factor)

    def starts(self, points: int, factor: int) -> int:
        """Return how many stretches there are."""
        return points - self.rows(factor).shape[1] + 1

    def divisor(self, factor: int) -> float:  # noqa: ARG002
        """Return what the sum of squares of the rows is divided by."""
        return 1.0

    def largest(self, points: int) -> int:
        """Return the largest factor with a stretch in the record."""
        low, high = 0, points
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.starts(points, middle) > 0 else (low, middle)
        return low

    def variance(self, samples: Samples, factor: int, bias: Bias) -> TermSum:  # noqa: ARG002
        """Return the sum over all stretches, term by term."""
        phase, rows = gap_free_phase(samples), self.rows(factor)
        starts, total = self.starts(len(phase), factor), 0.0
        for begin in range(0, starts, TERMS_AT_ONCE):
            stretch = np.asarray(phase[begin : begin + TERMS_AT_ONCE + rows.shape[1] - 1], dtype=float)
            terms = sliding_window_view(stretch - stretch[0], rows.shape[1]) @ rows.T
            total += float(np.einsum("ij,ij->", terms, terms))
        return variance_of(total / (starts * self.divisor(factor)), starts)

    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase."""
        rows = self.rows(factor)
        return form_of_stretches(rows.T @ rows, points) / self.divisor(factor)

    def expected(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the exact expectation."""
        return expected_sum(self.rows(factor), exponent) / self.divisor(factor)

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the expectation: the statistic is its own definition."""
        return self.expected(0, factor, exponent)

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom, exact up to ``LONGEST_ROWS``."""
        short = min(factor, LONGEST_ROWS // self.step * self.step)
        starts = max(1, round(self.starts(points, factor) * short / factor))
        return self.exact_freedom(starts, short, exponent)

    def exact_freedom(self, starts: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom of a mean over so many stretches."""
        return freedom_of_mean(starts, *_lags_and_squares(self, factor, exponent))

    def lags(self, factor: int) -> IntArray:
        """Return the lags between stretches, shape (n,), at which their covariance is formed."""
        return overlapping_lags(factor, max(1, self.rows(factor).shape[1] // factor))


@lru_cache(maxsize=1024)
def _lags_and_squares(form: RowsForm, factor: int, exponent: int) -> tuple[IntArray, FloatArray]:
    lags = form.lags(factor)
    return lags, relative_squares(form.rows(factor), exponent, lags)


@lru_cache(maxsize=128)
def _written_out(form: WholeForm, points: int, factor: int) -> tuple[FloatArray, Moments]:
    """Return the form as differences of phase see it, and its moments."""
    inner = seen_by_differences(form.matrix(points, factor), form.order)
    return inner, moments_of_form(inner, points, form.order)


@lru_cache(maxsize=4096)
def _moments(form: WholeForm, points: int, factor: int) -> Moments:
    noises = exponents_of(form.order)
    aimed = np.array([form.aimed_at(factor, alpha) for alpha in noises])
    short_points, short = in_proportion(points, factor, form.step)
    _, written = _written_out(form, short_points, short)
    if points <= MOST_POINTS:
        return Moments(expected=written.expected, aimed_at=aimed, products=written.products)
    size = np.sqrt(np.diag(written.products))
    joint = written.products / np.outer(size, size)
    # terms under white PM depend on few others: its joint scatter falls as the root of the number of terms
    joint[0, 1:] *= np.sqrt(short / factor)
    joint[1:, 0] *= np.sqrt(short / factor)
    expected = np.array([form.expected(points, factor, alpha) for alpha in noises])
    freedom = np.array([form.freedom(points, factor, alpha) for alpha in noises])
    spread = expected / np.sqrt(freedom)
    return Moments(expected=expected, aimed_at=aimed, products=joint * np.outer(spread, spread))


def variance_of(value: float, terms: int) -> TermSum:
    """Return a variance, given as it is, with its number of terms."""
    return TermSum(total=value, possible=terms, terms=terms)


def gap_free_phase(samples: Samples) -> FloatArray:
    """Return the phase of a record that is known to have no gaps."""
    if not isinstance(samples, PhasePoints):  # unreachable: gaps are refused before
        msg = "phase points without gaps are needed"
        raise TypeError(msg)
    return samples.phase_s


def in_proportion(points: int, factor: int, step: int) -> tuple[int, int]:
    """Return number of points and averaging factor, a multiple of ``step``, of a record short enough."""
    if points <= MOST_POINTS:
        return points, factor
    intervals = min((points - 1) / factor, MOST_INTERVALS)
    shorter = max(1, min(factor, int((MOST_POINTS - 1) / intervals)) // step) * step
    return round(intervals * shorter) + 1, shorter


def form_of_stretches(form: FloatArray, points: int) -> FloatArray:
    """Return the mean of ``form`` over all stretches of the record, shape (points, points)."""
    length = len(form)
    starts = points - length + 1
    whole = np.zeros((points, points))
    for start in range(starts):
        whole[start : start + length, start : start + length] += form
    return whole / starts


@lru_cache(maxsize=32)
def _covariances(points: int, order: int) -> tuple[FloatArray, FloatArray]:
    """Return a basis of what differences of ``order`` see, shape (points, d), and K in it per level."""
    trend = np.polynomial.legendre.legvander(np.linspace(-1, 1, points), order - 1)
    basis = np.linalg.qr(trend, mode="complete")[0][:, order:]
    lag = np.abs(np.arange(points)[:, np.newaxis] - np.arange(points)).astype(float)
    return basis, np.array([basis.T @ phase_kernel(lag, alpha) @ basis for alpha in exponents_of(order)])


def seen_by_differences(form: FloatArray, order: int) -> FloatArray:
    """Return a form, shape (points, points), in the basis of what differences of ``order`` see."""
    basis, _ = _covariances(len(form), order)
    return np.asarray(basis.T @ form @ basis)


def moments_of_form(inner: FloatArray, points: int, order: int) -> Moments:
    """Return expectation and scatter of a form in that basis, aimed at itself."""
    _, kernels = _covariances(points, order)
    products = inner @ kernels
    expected = np.trace(products, axis1=1, axis2=2)
    scatter = np.tensordot(products, products.swapaxes(1, 2), axes=((1, 2), (1, 2)))
    return Moments(expected=expected, aimed_at=expected, products=scatter)


def weighing_of_form(inner: FloatArray, points: int, levels: FloatArray, order: int) -> FloatArray:
    """Return the matrix, shape (1, d, d), whose eigenvalues are in proportion to the weights."""
    _, kernels = _covariances(points, order)
    covariance = np.tensordot(levels, kernels, axes=1)
    covariance /= np.trace(covariance)
    # far below the least eigenvalue of any noise of so few points, above what rounding leaves of it
    root = np.linalg.cholesky(covariance + 1e-12 * np.eye(len(covariance)))
    return np.asarray(root.T @ inner @ root)[np.newaxis]


def allan_variance(factor: float, exponent: int) -> float:
    """Return the Allan variance at ``factor`` sampling intervals per unit of the level."""
    at = phase_kernel(np.array([0.0, factor, 2 * factor]), exponent)
    return float(3 * at[0] - 4 * at[1] + at[2]) / factor**2


def hadamard_variance(factor: float, exponent: int) -> float:
    """Return the Hadamard variance at ``factor`` sampling intervals, likewise."""
    at = phase_kernel(factor * np.arange(4.0), exponent)
    return float(20 * at[0] - 30 * at[1] + 12 * at[2] - 2 * at[3]) / (6 * factor**2)


def expected_sum(rows: FloatArray, exponent: int) -> float:
    """Return the expected sum of squares of linear forms of phase, weights of shape (forms, points)."""
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
    """Return the degrees of freedom of a mean over stretches, given ``relative_squares`` at lags from 0."""
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
    """Return ``freedom(starts, factor)`` by its ratio to one like it that can be had at any factor.

    The ratio is that at ``shorter`` and half of it at equal proportions, which goes on as the logarithm of
    the factor where it grows (Théo1, flicker PM) and else tends to a limit as its reciprocal.
    """

    def ratio(at: int) -> float:
        scaled = max(1, round(starts * at / factor))
        return freedom(scaled, at) / like(scaled, at)

    whole, half = ratio(shorter), ratio(shorter // 2)
    beyond = math.log2(factor / shorter) if grows else 1 - shorter / factor
    return at_least_one(like(starts, factor) * (whole + (whole - half) * beyond))
