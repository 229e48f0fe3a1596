"""How long a probability stays at or above what is asked: the search shared by holdover and interval."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from evenbeat.quantities import FloatArray

REFINEMENTS = 3
POINTS_EACH = 33


def holds_until(times: FloatArray, probability: Callable[[FloatArray], FloatArray], asked: float) -> float:
    """Return the largest time up to which the probability is never below ``asked``.

    Parameters
    ----------
    times
        Shape (n,), increasing: where to look first. An excursion between two of them goes unseen.
    probability
        Times of shape (m,) to probabilities of shape (m,).

    Returns
    -------
    float
        NaN if it does not hold at the first time, ``inf`` if it holds at all of them; otherwise a time
        within a 30 000th of the interval between two of ``times``, on the safe side.
    """
    below = np.flatnonzero(probability(times) < asked)
    if len(below) == 0:
        return math.inf
    if below[0] == 0:
        return math.nan
    low, high = float(times[below[0] - 1]), float(times[below[0]])
    for _ in range(REFINEMENTS):
        finer = np.linspace(low, high, POINTS_EACH)[1:-1]
        fallen = np.append(probability(finer) < asked, True)
        first = int(np.argmax(fallen))
        edges = np.concatenate([[low], finer, [high]])
        low, high = float(edges[first]), float(edges[first + 1])
    return low
