"""Weights of the chi-squared variables behind a quadratic form of phase, from its covariance.

The total family and Théo1 are quadratic forms ``xᵀ A x`` of the whole record. With the generalized covariance
K of the phase, freed of what A does not see (constants, slopes, for the Hadamard family curvature), the
weights are the eigenvalues of ``A K`` (Imhof 1961, Biometrika 48). Of a long record they are those of a
shorter one in equal proportions.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import linalg

from evenbeat.deviations.extended.quadratic import phase_kernel
from evenbeat.quantities import FloatArray

MOST_POINTS = 161


def in_proportion(points: int, factor: int, step: int, *, most: int | None = None) -> tuple[int, int]:
    """Return number of points and averaging factor, a multiple of ``step``, of a record short enough."""
    longest = most or MOST_POINTS
    if points <= longest:
        return points, factor
    intervals = (points - 1) / factor
    shorter = max(1, int((longest - 1) / intervals / step)) * step
    return round(intervals * shorter) + 1, shorter


def form_of_stretches(form: FloatArray, points: int) -> FloatArray:
    """Return the form that sums ``form`` over all stretches of the record, shape (points, points)."""
    length = len(form)
    whole = np.zeros((points, points))
    for start in range(points - length + 1):
        whole[start : start + length, start : start + length] += form
    return whole


def weights_of_form(form: FloatArray, exponent: int, order: int) -> FloatArray:
    """Return the weights, largest first and their sum one.

    Parameters
    ----------
    form
        Shape (points, points): A.
    exponent
        α of the noise.
    order
        A sees nothing of polynomials below this degree.
    """
    root = root_of_covariance(len(form), exponent, order)
    values = np.maximum(linalg.eigvalsh(root.T @ form @ root)[::-1], 0.0)
    return np.asarray(values / values.sum())


@lru_cache(maxsize=64)
def root_of_covariance(points: int, exponent: int, order: int) -> FloatArray:
    """Return a root of the covariance of the phase less its polynomial of degree ``order - 1``."""
    index = np.arange(points)
    kernel = phase_kernel(np.abs(index[:, np.newaxis] - index), exponent)
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1, 1, points), order - 1))
    kernel = kernel - basis @ (basis.T @ kernel)
    kernel = kernel - (kernel @ basis) @ basis.T
    values, vectors = linalg.eigh(0.5 * (kernel + kernel.T) * np.sign(np.trace(kernel)))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
