"""Readings and what is asked of them, turned into the basis of each node of the noise grid.

What every prediction begins with: in the basis of a node the contrasts of the readings are uncorrelated for
every ratio of the random walk, so that the turning is done once for all of these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from evenbeat.clock.covariance import FLICKER_FM, WHITE_FM, WHITE_PM
from evenbeat.clock.noise_grid import Node, NoiseGrid
from evenbeat.quantities import FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Turned:
    """Readings and covariances in the basis of one node, over σ², before any random walk.

    Attributes
    ----------
    readings, eigenvalues
        Uncorrelated combinations of the block averages, shape (n - 1,); their variances at a ratio r of the
        random walk (or the wandering drift) are 1 + r times the eigenvalues.
    ratios
        All values of r.
    fixed, moving
        Covariance of the m quantities asked with them, shape (n - 1, m): ``fixed + r * moving``.
    own_fixed, own_moving
        (Co)variance of the quantities asked, likewise.
    """

    readings: FloatArray
    eigenvalues: FloatArray
    ratios: FloatArray
    fixed: FloatArray
    moving: FloatArray
    own_fixed: FloatArray
    own_moving: FloatArray


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
        self._turned: dict[int, Turned] = {}

    def turned(self, index: int) -> Turned:
        """Return what all ratios of the random walk at one node share, by its position."""
        if index not in self._turned:
            node = self._grid.nodes[index]
            self._turned[index] = Turned(
                readings=node.turned(self._readings),
                eigenvalues=node.eigenvalues,
                ratios=node.ratios,
                fixed=node.turned(_without_walk(self._with_data, node)),
                moving=node.turned(self._with_data[node.moving]),
                own_fixed=_without_walk(self._own, node),
                own_moving=self._own[node.moving],
            )
        return self._turned[index]

    def design(self, index: int, columns: FloatArray) -> FloatArray:
        """Return a design of shape (n, p) in the basis of a node, shape (n - 1, p)."""
        return self._grid.nodes[index].turned(self._grid.contrasts.of(columns))


def _without_walk(parts: Mapping[int, FloatArray], node: Node) -> FloatArray:
    """Return the sum of white FM, flicker FM and white PM in the node's ratios."""
    total = parts[WHITE_FM] + node.flicker_fm * parts[FLICKER_FM]
    return total + node.white_pm * parts[WHITE_PM] if node.white_pm > 0 else total
