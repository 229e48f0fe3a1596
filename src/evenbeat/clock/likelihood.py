"""The posterior of the noise levels on a grid, the overall level integrated out.

Sources: restricted likelihood, Patterson & Thompson 1971 and Harville 1974; the integrated likelihood gives
a Student-t distribution for every linear quantity at each point of the grid (Box & Tiao 1973, 2.7).
"""

from __future__ import annotations

from collections.abc import Sequence
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


def shared(designs: Sequence[FloatArray]) -> tuple[FloatArray, list[npt.NDArray[np.intp]]]:
    """Return the columns of some designs, each once, shape (n, Q), and where those of each design are."""
    places: dict[bytes, tuple[int, FloatArray]] = {}
    used = [
        np.array([places.setdefault(each.tobytes(), (len(places), each))[0] for each in design.T], dtype=int)
        for design in designs
    ]
    columns = [column for _, column in places.values()]
    return np.array(columns).reshape(len(columns), len(designs[0])).T, used


def fit_on_grid(grid: NoiseGrid, frequency: FloatArray, *designs: FloatArray) -> list[GridFit]:
    """Estimate the fixed effects of some designs at every grid point; what they share is computed once.

    Parameters
    ----------
    frequency
        Shape (n,), scaled to order one.
    designs
        Each of shape (n, p) without the constant.
    """
    ranks = [ranked(design) for design in designs]
    columns, used = shared([design[:, rank.kept] for design, rank in zip(designs, ranks, strict=True)])
    together = np.zeros((columns.shape[1], columns.shape[1]), dtype=bool)
    for place in used:
        together[np.ix_(place, place)] = True
    one, other = np.nonzero(np.triu(together))
    pair = np.zeros(together.shape, dtype=np.intp)
    pair[one, other] = pair[other, one] = np.arange(len(one))
    contrasts = grid.contrasts.of(np.column_stack([columns, frequency]))
    begin = [rank.least_squares(frequency)[1] for rank in ranks]
    points = grid.log_determinants.shape
    information = np.empty((*points, len(one)))
    score = [np.empty((*points, len(place) + 1)) for place in used]
    at_once = max(1, MOST_PRODUCTS // (len(contrasts) * max(len(one), 1)))
    for first in range(0, len(information), at_once):
        some = slice(first, first + at_once)
        turned = grid.turned(contrasts, some)
        information[some] = grid.weights[some] @ (turned[..., one] * turned[..., other])
        for beside, place, rank, already in zip(score, used, ranks, begin, strict=True):
            # squares are summed of what least squares leaves, lest a large step drown the noise in rounding
            rest = turned[..., -1:] - (turned[..., place] @ already[rank.kept])[..., np.newaxis]
            beside[some] = grid.weights[some] @ (np.concatenate([turned[..., place], rest], axis=-1) * rest)
    return [
        _solved(grid, rank.kept, already, information[..., pair[np.ix_(place, place)]], beside)
        for rank, already, place, beside in zip(ranks, begin, used, score, strict=True)
    ]


def _solved(
    grid: NoiseGrid,
    told_apart: npt.NDArray[np.bool_],
    begin: FloatArray,
    information: FloatArray,
    beside: FloatArray,
) -> GridFit:
    """Return the fit that normal equations make of what is left beside ``begin``."""
    n, p = grid.contrasts.count - 1, information.shape[-1]
    score = beside[..., :p]
    inverse = np.linalg.inv(information)
    change = np.einsum("grpq,grq->grp", inverse, score)
    rss = np.maximum(beside[..., p] - np.einsum("grp,grp->gr", change, score), np.finfo(float).tiny)
    log_det_x = np.linalg.slogdet(information)[1]
    freedom = n - p
    coefficients = np.tile(begin, (*rss.shape, 1))
    coefficients[..., told_apart] += change
    if p < len(told_apart):
        of_kept, places = inverse, np.ix_(told_apart, told_apart)
        inverse = np.zeros((*rss.shape, len(told_apart), len(told_apart)))
        inverse[..., places[0], places[1]] = of_kept
    return GridFit(
        coefficients=coefficients,
        inverse_information=inverse,
        level=rss / freedom,
        degrees_of_freedom=freedom,
        kept=told_apart,
        log_restricted=-0.5 * (freedom * np.log(rss) + grid.log_determinants + log_det_x),
        log_likelihood=-0.5 * (n * np.log(rss / n) + grid.log_determinants + n),
        walks=grid.walks,
    )
