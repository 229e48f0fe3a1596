"""The posterior of the noise levels on a grid, the overall level integrated out.

Sources: restricted likelihood, Patterson & Thompson 1971 and Harville 1974; the integrated likelihood gives
a Student-t distribution for every linear quantity at each point of the grid (Box & Tiao 1973, 2.7).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.clock.determined import ranked
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.quantities import FloatArray

MOST_PRODUCTS = 500_000
"""Products of columns that are held at once, for as many nodes as that allows."""


@dataclass(frozen=True, eq=False, kw_only=True)
class GridFit:
    """The fixed effects of one design, estimated at every point of the grid.

    Attributes
    ----------
    coefficients
        Shape (nodes, r, p).
    inverse_information
        Shape (nodes, r, p, p): covariance of the coefficients over σ².
    level
        Shape (nodes, r): estimate of σ² with ``degrees_of_freedom``.
    kept
        Which columns can be told apart, shape (p,); the others have neither effect nor uncertainty.
    log_restricted, log_likelihood
        Shape (nodes, r): restricted log likelihood with σ² integrated out, and the ordinary one at
        its maximum over σ² and the coefficients.
    walks
        How many nodes, the first ones, have a random walk and no wandering drift.
    """

    coefficients: FloatArray
    inverse_information: FloatArray
    level: FloatArray
    degrees_of_freedom: int
    kept: npt.NDArray[np.bool_]
    log_restricted: FloatArray
    log_likelihood: FloatArray
    walks: int


def fit_on_grid(grid: NoiseGrid, frequency: FloatArray, design: FloatArray) -> GridFit:
    """Estimate the fixed effects at every grid point.

    Parameters
    ----------
    frequency
        Shape (n,), scaled to order one.
    design
        Shape (n, p) without the constant.
    """
    ranks = ranked(design)
    # squares are summed of what least squares leaves, lest a large step drown the noise in rounding
    begin = ranks.least_squares(frequency)[1]
    both = grid.contrasts.of(np.column_stack([design[:, ranks.kept], frequency - design @ begin]))
    n, p = len(both), both.shape[1] - 1
    gram = np.empty((*grid.log_determinants.shape, p + 1, p + 1))
    at_once = max(1, MOST_PRODUCTS // (n * (p + 1) ** 2))
    for first in range(0, len(gram), at_once):
        some = slice(first, first + at_once)
        turned = grid.turned(both, some)
        products = (turned[..., :, np.newaxis] * turned[..., np.newaxis, :]).reshape(*turned.shape[:2], -1)
        gram[some] = (grid.weights[some] @ products).reshape(gram[some].shape)
    information, score = gram[..., :p, :p], gram[..., :p, p]
    inverse = np.linalg.inv(information)
    change = np.einsum("grpq,grq->grp", inverse, score)
    rss = gram[..., p, p] - np.einsum("grp,grp->gr", change, score)
    rss = np.maximum(rss, np.finfo(float).tiny)
    log_det_x = np.linalg.slogdet(information)[1]
    freedom = n - p
    coefficients = np.tile(begin, (*rss.shape, 1))
    coefficients[..., ranks.kept] += change
    if p < len(ranks.kept):
        of_kept, places = inverse, np.ix_(ranks.kept, ranks.kept)
        inverse = np.zeros((*rss.shape, len(ranks.kept), len(ranks.kept)))
        inverse[..., places[0], places[1]] = of_kept
    return GridFit(
        coefficients=coefficients,
        inverse_information=inverse,
        level=rss / freedom,
        degrees_of_freedom=freedom,
        kept=ranks.kept,
        log_restricted=-0.5 * (freedom * np.log(rss) + grid.log_determinants + log_det_x),
        log_likelihood=-0.5 * (n * np.log(rss / n) + grid.log_determinants + n),
        walks=grid.walks,
    )
