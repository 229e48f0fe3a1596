"""Statistics that are quadratic forms ``xᵀ A x`` of a whole record without gaps, and their law.

Those that are means over stretches are given by rows of weights, which is all that a new statistic needs.
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
from abc import abstractmethod
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import exponents_of, phase_kernel
from evenbeat.deviations.forms.terms import Form, equivalent_degrees_of_freedom
from evenbeat.deviations.freedom import Moments, at_least_one, has_weights, lag_weights, overlapping_lags
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.quantities import FloatArray

MOST_POINTS = 161
MOST_INTERVALS = 40
"""In the shorter record: with more of them nothing changes but the number of terms."""
STRETCHES_AT_ONCE = 16
LONGEST_ROWS = 32
"""Averaging factor up to which the degrees of freedom of rows of weights are exact; beyond it proportions."""
TERMS_AT_ONCE = 1 << 12


class WholeForm(Form):
    """A quadratic form of phase without gaps: written out if short, in proportion to one if long.

    ``intervals`` of the averaging factor stand for one averaging time of samples.
    """

    intervals = 1.0

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

    def published_bias(self, points: int, factor: int, exponent: int) -> float:
        """Return the published bias, expectation over what is estimated; if there is none the exact one."""
        return self.expected(points, factor, exponent) / self.aimed_at(factor, exponent)

    def moments(self, sums: Sequence[TermSum], points: int, factors: Sequence[int]) -> Moments:  # noqa: ARG002
        """Return those of each factor: exact for up to ``MOST_POINTS`` points.

        In longer records expectations are exact and each noise has its own degrees of freedom; how far the
        scatter of two noises is joint is taken from a record in equal proportions.
        """
        return Moments.joined([_moments(self, points, factor) for factor in factors])

    def weighing(
        self,
        terms: TermSum,  # noqa: ARG002
        points: int,
        factor: int,
        levels: FloatArray,
        edf: float,
        expected: FloatArray,
    ) -> FloatArray | None:
        """Return that of a record in equal proportions, each noise with the share that it really has."""
        if not has_weights(points / factor * self.intervals, edf):
            return None
        short_points, short = in_proportion(points, factor, self.step)
        inner, written = written_out(self, short_points, short)
        return weighing_of_form(inner, short_points, levels * expected / written.expected[0], self.order)


@dataclass(frozen=True)
class RowsForm(WholeForm):
    """A statistic given by rows of weights: the mean over all stretches of the sum of squares of the rows.

    Attributes
    ----------
    rows_of
        Averaging factor to weights of phase in units of the sampling interval, shape (rows, points of a
        stretch); they annihilate constants and slopes, for the Hadamard family curvature too.
    order
        2, or 3 for the Hadamard family.
    """

    rows_of: Callable[[int], FloatArray]
    order: int = 2

    def starts(self, points: int, factor: int) -> int:
        """Return how many stretches there are."""
        return points - self.rows_of(factor).shape[1] + 1

    def divisor(self, factor: int) -> float:  # noqa: ARG002
        """Return what the sum of squares of the rows is divided by."""
        return 1.0

    def largest(self, points: int) -> int:
        """Return the largest factor with a stretch in the record."""
        return bisect_left(range(1, points), 0, key=lambda factor: -self.starts(points, factor))

    def variance(self, samples: PhasePoints, factor: int) -> TermSum:
        """Return the sum over all stretches, term by term."""
        phase, rows = samples.phase_s, self.rows_of(factor)
        starts, total = self.starts(len(phase), factor), 0.0
        for begin in range(0, starts, TERMS_AT_ONCE):
            stretch = np.asarray(phase[begin : begin + TERMS_AT_ONCE + rows.shape[1] - 1], dtype=float)
            terms = sliding_window_view(stretch - stretch[0], rows.shape[1]) @ rows.T
            total += float(np.einsum("ij,ij->", terms, terms))
        return TermSum(total=total / (starts * self.divisor(factor)), possible=starts)

    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase."""
        rows = self.rows_of(factor)
        return form_of_stretches(rows.T @ rows, points) / self.divisor(factor)

    def expected(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the exact expectation."""
        return expected_sum(self.rows_of(factor), exponent) / self.divisor(factor)

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

    def freedom_by_ratio(
        self,
        starts: int,
        factor: int,
        exponent: int,
        *,
        exact_to: int,
        like: int = 1,
        averaged: bool = False,
        grows: bool = False,
    ) -> float:
        """Return them exactly up to a factor, beyond by ratio to a statistic of differences over factor/like.

        The ratio is that at ``exact_to`` and half of it at equal proportions, which goes on as the logarithm
        of the factor where it grows (Théo1, flicker PM) and else tends to a limit as its reciprocal.
        """
        if factor <= exact_to:
            return self.exact_freedom(starts, factor, exponent)

        def of_differences(count: int, at: int) -> float:
            return like_differences(count, at // like, exponent, order=self.order, averaged=averaged)

        def ratio(at: int) -> float:
            scaled = max(1, round(starts * at / factor))
            return self.exact_freedom(scaled, at, exponent) / of_differences(scaled, at)

        whole, half = ratio(exact_to), ratio(exact_to // 2)
        beyond = math.log2(factor / exact_to) if grows else 1 - exact_to / factor
        return at_least_one(of_differences(starts, factor) * (whole + (whole - half) * beyond))

    def lags(self, factor: int) -> IntArray:
        """Return the lags between stretches, shape (n,), at which their covariance is formed."""
        return overlapping_lags(factor, max(1, self.rows_of(factor).shape[1] // factor))


@lru_cache(maxsize=1024)
def _lags_and_squares(form: RowsForm, factor: int, exponent: int) -> tuple[IntArray, FloatArray]:
    lags = form.lags(factor)
    return lags, relative_squares(form.rows_of(factor), exponent, lags)


@lru_cache(maxsize=128)
def written_out(form: WholeForm, points: int, factor: int) -> tuple[FloatArray, Moments]:
    """Return the form as differences of phase see it, and its moments."""
    inner = seen_by_differences(form.matrix(points, factor), form.order)
    return inner, moments_of_form(inner, points, form.order)


@lru_cache(maxsize=4096)
def _moments(form: WholeForm, points: int, factor: int) -> Moments:
    noises = exponents_of(form.order)
    aimed = np.array([form.aimed_at(factor, alpha) for alpha in noises])
    short_points, short = in_proportion(points, factor, form.step)
    _, written = written_out(form, short_points, short)
    if points <= MOST_POINTS:
        return replace(written, aimed_at=aimed[np.newaxis])
    size = np.sqrt(np.diag(written.products[0]))
    joint = written.products[0] / np.outer(size, size)
    # terms under white PM depend on few others: its joint scatter falls as the root of the number of terms
    joint[0, 1:] *= np.sqrt(short / factor)
    joint[1:, 0] *= np.sqrt(short / factor)
    expected = np.array([form.expected(points, factor, alpha) for alpha in noises])
    freedom = np.array([form.freedom(points, factor, alpha) for alpha in noises])
    spread = expected / np.sqrt(freedom)
    products = joint * np.outer(spread, spread)
    return Moments(expected=expected[np.newaxis], aimed_at=aimed[np.newaxis], products=products[np.newaxis])


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
    expected = np.trace(products, axis1=1, axis2=2)[np.newaxis]
    scatter = np.tensordot(products, products.swapaxes(1, 2), axes=((1, 2), (1, 2)))
    return Moments(expected=expected, aimed_at=expected, products=scatter[np.newaxis])


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


def expected_sum(rows: FloatArray, exponent: int) -> float:
    """Return the expected sum of squares of linear forms of phase, weights of shape (forms, points)."""
    index = np.arange(rows.shape[1])
    return float(np.sum((rows.T @ rows) * phase_kernel(np.abs(index[:, np.newaxis] - index), exponent)))


def relative_squares(rows: FloatArray, exponent: int, lags: IntArray) -> FloatArray:
    """Return ``g`` at each lag, shape (n,)."""
    index = np.arange(rows.shape[1])
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


def like_differences(count: int, factor: int, exponent: int, *, order: int, averaged: bool = False) -> float:
    """Return the degrees of freedom of so many overlapping squared differences, none missing."""
    terms = TermSum(total=0.0, possible=count)
    return equivalent_degrees_of_freedom(terms, factor, exponent=exponent, order=order, averaged=averaged)
