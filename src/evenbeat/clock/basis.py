"""Readings and what is asked of them, turned into the basis of each node of the noise grid.

What every prediction begins with: in the basis of a node the contrasts of the readings are uncorrelated for
every ratio of the random walk, so that the turning is done once for all of these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.clock.covariance import FLICKER_FM, RANDOM_WALK_FM, WHITE_FM, WHITE_PM
from evenbeat.clock.likelihood import Node, NoiseGrid
from evenbeat.quantities import FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Solved:
    """The linear algebra of one node and one ratio of the random walk, over σ².

    Attributes
    ----------
    readings
        Uncorrelated combinations of the block averages, shape (n - 1,).
    covariance, weighted
        Of the m quantities asked with them, shape (n - 1, m), and the same over their variances: the
        weights of the best linear prediction.
    own
        (Co)variance of the quantities asked, of the shape that was given.
    """

    readings: FloatArray
    covariance: FloatArray
    weighted: FloatArray
    own: FloatArray


class Bases:
    """Turns readings, covariances and designs into the basis of a node, each once.

    Parameters
    ----------
    frequency
        Block averages, shape (n,).
    with_data
        Exponent to covariance of the quantities asked with the contrasts of the blocks, shape (n - 1, m).
    own
        Exponent to their own variances or covariances.
    """

    def __init__(
        self,
        grid: NoiseGrid,
        frequency: FloatArray,
        with_data: Mapping[int, FloatArray],
        own: Mapping[int, FloatArray],
    ) -> None:
        self._grid = grid
        self._readings = grid.contrasts.of(frequency)
        self._with_data = with_data
        self._own = own
        self._turned: dict[int, tuple[FloatArray, FloatArray, FloatArray]] = {}

    def solved(self, index: int, walk: int) -> Solved:
        """Return what is needed of one node at one ratio of the random walk, by their positions."""
        node, ratio = self._grid.nodes[index], self._grid.ratios.random_walk_fm[walk]
        if index not in self._turned:
            fixed = _without_walk(self._with_data, node)
            self._turned[index] = (
                node.transform @ self._readings,
                node.transform @ fixed,
                node.transform @ self._with_data[RANDOM_WALK_FM],
            )
        readings, fixed, moving = self._turned[index]
        covariance = fixed + ratio * moving
        return Solved(
            readings=readings,
            covariance=covariance,
            weighted=covariance / (1 + ratio * node.eigenvalues)[:, np.newaxis],
            own=_without_walk(self._own, node) + ratio * self._own[RANDOM_WALK_FM],
        )

    def design(self, index: int, columns: FloatArray) -> FloatArray:
        """Return a design of shape (n, p) in the basis of a node, shape (n - 1, p)."""
        return self._grid.nodes[index].transform @ self._grid.contrasts.of(columns)


def _without_walk(parts: Mapping[int, FloatArray], node: Node) -> FloatArray:
    """Return the sum of white FM, flicker FM and white PM in the node's ratios."""
    total = parts[WHITE_FM] + node.flicker_fm * parts[FLICKER_FM]
    return total + node.white_pm * parts[WHITE_PM] if node.white_pm > 0 else total
