"""Least squares beside a constant: contrasts that do not see it (Helmert), columns that can be told apart.

A column counts as told apart from those before it if more than ``TOLD_APART`` of its length is left once
they are taken out; less would inflate the variance of its coefficient more than 10¹⁰-fold. Source: QR
factorisation and rank decision on scaled columns, Golub & Van Loan, Matrix Computations, 5.4.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg

from evenbeat.quantities import FloatArray


@dataclass(frozen=True, eq=False)
class Contrasts:
    """The orthogonal complement of a constant: each of n values less the mean of those before it."""

    count: int

    @cached_property
    def _matrix(self) -> FloatArray:
        return np.asarray(linalg.helmert(self.count))

    def of(self, columns: FloatArray) -> FloatArray:
        """Return the contrasts of columns, shape (n, …) to (n - 1, …)."""
        return np.tensordot(self._matrix, columns, axes=1)

    def of_covariance(self, matrix: FloatArray) -> FloatArray:
        """Return the covariance of the contrasts, shape (n, n) to (n - 1, n - 1)."""
        return self._matrix @ matrix @ self._matrix.T


def stacked(columns: Sequence[FloatArray], count: int) -> FloatArray:
    """Return columns of shape (count,) beside each other, though there be none."""
    return np.array(columns, dtype=float).reshape(len(columns), count).T


TOLD_APART = 1e-5


@dataclass(frozen=True, eq=False, kw_only=True)
class Ranked:
    """The columns that can be told apart, and their QR factorisation beside the constant, if there is one."""

    kept: npt.NDArray[np.bool_]  # Shape (p,)
    # basis, triangle: q of shape (n, r) and R of shape (r, r) of the constant and the columns that are kept
    basis: FloatArray
    triangle: FloatArray

    def least_squares(self, values: FloatArray) -> tuple[float, FloatArray]:
        """Return the constant and the coefficients of all columns, shape (p,), zero of those not kept.

        Not valid without a constant.
        """
        solution = np.linalg.solve(self.triangle, self.basis.T @ values)
        coefficients = np.zeros(len(self.kept))
        coefficients[self.kept] = solution[1:]
        return float(solution[0]), coefficients


def ranked(columns: FloatArray, *, constant: bool = True) -> Ranked:
    """Return which columns, shape (n, p), can be told apart from those before them, a constant before all."""
    first = int(constant)
    beside = np.empty((len(columns), first + columns.shape[1]))
    beside[:, :first], beside[:, first:] = 1.0, columns
    least = TOLD_APART * np.sqrt(np.einsum("np,np->p", beside, beside))
    kept = np.arange(len(least))
    while True:
        basis, triangle = np.linalg.qr(beside[:, kept])
        left = np.abs(np.diagonal(triangle))
        same = np.flatnonzero(left <= least[kept[: len(left)]])
        if not len(same) and len(left) < len(kept):
            same = np.array([len(left)])  # more columns than rows
        if not len(same):
            found = np.zeros(columns.shape[1], dtype=bool)
            found[kept[first:] - first] = True
            return Ranked(kept=found, basis=basis, triangle=triangle)
        kept = np.delete(kept, same[0])


@dataclass(frozen=True, eq=False, kw_only=True)
class Inverted:
    """The inverse of normal equations on what they tell apart."""

    inverse: FloatArray  # Shape (…, q, q)
    rank: npt.NDArray[np.int_]  # Number of directions that are told apart, shape (…)
    log_determinant: FloatArray  # Of the information in these directions, shape (…)


def inverted(information: FloatArray, size: FloatArray) -> Inverted:
    """Return the inverse of information matrices, shape (…, q, q), that may be singular.

    ``size`` has the squared lengths of the columns before anything was taken out of them, shape (…, q).
    """
    unit = np.sqrt(np.where(size > 0, size, 1.0))
    values, vectors = np.linalg.eigh(information / (unit[..., :, np.newaxis] * unit[..., np.newaxis, :]))
    told = values > TOLD_APART**2
    over = np.where(told, 1 / np.where(told, values, 1.0), 0.0)
    inverse = (vectors * over[..., np.newaxis, :]) @ np.swapaxes(vectors, -1, -2)
    logs = np.where(told, np.log(np.where(told, values, 1.0)), 0.0) + 2 * np.log(unit)
    return Inverted(
        inverse=inverse / (unit[..., :, np.newaxis] * unit[..., np.newaxis, :]),
        rank=told.sum(axis=-1),
        log_determinant=logs.sum(axis=-1),
    )
