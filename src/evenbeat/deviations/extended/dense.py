"""Quadratic forms of phase written out: what they are in expectation, how they scatter and are distributed.

The total family and Théo1 are quadratic forms ``xᵀ A x`` of the whole record. With the generalized
covariance ``K = Σ h_α K_α`` of the phase, freed of what A does not see (constants, slopes, for the Hadamard
family curvature), the expectation is ``tr A K``, the variance ``2 tr (A K)²``, and the form is a sum of
chi-squared variables weighted by the eigenvalues of ``A K`` (Imhof 1961, Biometrika 48). Of a long record
what does not depend on its length is taken from a shorter one in equal proportions.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import linalg

from evenbeat.deviations.covariance import exponents_of, phase_kernel
from evenbeat.deviations.freedom import Moments, at_least_one
from evenbeat.quantities import FloatArray

MOST_POINTS = 161
MOST_INTERVALS = 40
"""In the shorter record: with more of them nothing changes but the number of terms."""


def in_proportion(points: int, factor: int, step: int, *, most: int = MOST_POINTS) -> tuple[int, int]:
    """Return number of points and averaging factor, a multiple of ``step``, of a record short enough."""
    if points <= most:
        return points, factor
    intervals = min((points - 1) / factor, MOST_INTERVALS)
    shorter = max(1, min(factor, int((most - 1) / intervals)) // step) * step
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


def freedom_of_form(inner: FloatArray, points: int, levels: FloatArray, order: int) -> float:
    """Return the degrees of freedom of such a form under these levels."""
    _, kernels = _covariances(points, order)
    product = inner @ np.tensordot(levels, kernels, axes=1)
    return at_least_one(float(np.trace(product) ** 2 / np.sum(product * product.T)))


def weights_of_form(inner: FloatArray, points: int, levels: FloatArray, order: int) -> FloatArray:
    """Return the weights of such a form under these levels, largest first and their sum one."""
    _, kernels = _covariances(points, order)
    covariance = np.tensordot(levels, kernels, axes=1)
    covariance /= np.trace(covariance)
    # far below the least eigenvalue of any noise of so few points, above what rounding leaves of it
    root = linalg.cholesky(covariance + 1e-12 * np.eye(len(covariance)), lower=True)
    values = np.maximum(linalg.eigvalsh(root.T @ inner @ root)[::-1], 0.0)
    return np.asarray(values / values.sum())
