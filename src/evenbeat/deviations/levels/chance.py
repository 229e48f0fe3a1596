"""What chance alone does to a fit of noise levels: variances simulated under levels that are given.

The test of a level on its boundary takes the variances as Gaussian. Those at long averaging times are sums of
few squares, skewed to the right, and where several noises have their level tested beside each other chance
lowers the misfit more often than half a chi-squared says.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from evenbeat.deviations.levels.variances import Variances
from evenbeat.quantities import FloatArray

DRAWS = 200
SEED = 1993
"""Of the simulation, fixed: a fit is repeated to the last digit."""


def simulated_variances(everything: Variances, levels: FloatArray, draws: int = DRAWS) -> FloatArray:
    """Return variances of so many simulated records with these levels, shape (draws, n).

    Notes
    -----
    A record's periodogram is at each frequency an exponential variable times the spectrum (large-sample
    theory; Brillinger, Time Series, 1981, 5.2), and every variance is a weighted sum over it. What the ends
    of the record and its gaps add is in the spread alone, which is scaled to the exact one.
    """
    generator = np.random.default_rng(SEED)
    parts, width = everything.spectral_parts(levels)
    samples = max(point.possible for point in everything.points)
    shape = np.broadcast_to(width * samples, (draws, len(width)))
    powers = generator.standard_gamma(shape) / shape - 1
    scatter = powers @ (parts * width).T
    exact = np.sqrt(np.diag(everything.covariance(levels)))
    rms = np.sqrt(np.sum((parts * width) ** 2 / (width * samples), axis=1))
    means = everything.responses @ levels
    return np.asarray(np.maximum(means + scatter * (exact / rms), 0.0))


def probability_by_chance(
    statistic: Callable[[FloatArray], float], simulated: FloatArray, seen: float
) -> float:
    """Return how often chance alone reaches what was seen, counting the record itself among the draws."""
    reached = sum(statistic(values) >= seen for values in simulated)
    return (reached + 1) / (len(simulated) + 1)
