"""Combinations of block averages that do not see a constant (Helmert)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
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
