"""Combinations of block averages that do not see a constant."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenbeat.quantities import FloatArray


@dataclass(frozen=True, eq=False)
class Contrasts:
    """The orthogonal complement of a constant: sums and differences of pairs that mirror each other.

    The first of n values is paired with the last, and so on inwards. In the sums a Householder reflection
    turns the constant into the first coordinate, which is left out. Where blocks mirror each other about the
    middle of the record, sums and differences are uncorrelated: see :attr:`halves`.
    """

    count: int

    @property
    def halves(self) -> tuple[slice, slice]:
        """Places of the sums and of the differences among the contrasts."""
        sums = self.count - self.count // 2 - 1
        return slice(0, sums), slice(sums, self.count - 1)

    @cached_property
    def _reflector(self) -> FloatArray:
        vector = np.full(self.count - self.count // 2, np.sqrt(2 / self.count))
        if self.count % 2:
            vector[-1] = 1 / np.sqrt(self.count)
        vector[0] += 1.0
        return vector / np.linalg.norm(vector)

    def of(self, columns: FloatArray) -> FloatArray:
        """Return the contrasts of columns, shape (n, …) to (n - 1, …)."""
        pairs = self.count // 2
        first, last = columns[:pairs], columns[: -pairs - 1 : -1]
        sums = np.concatenate([(first + last) / np.sqrt(2), columns[pairs : self.count - pairs]])
        sums = sums - 2 * np.multiply.outer(self._reflector, self._reflector @ sums)
        return np.concatenate([sums[1:], (first - last) / np.sqrt(2)])

    def of_covariance(self, matrix: FloatArray) -> FloatArray:
        """Return the covariance of the contrasts, shape (n, n) to (n - 1, n - 1)."""
        half = self.of(matrix)
        return self.of(half.T)
