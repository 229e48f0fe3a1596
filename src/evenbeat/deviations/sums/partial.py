"""Averages of which some samples are missing: sums over terms whose parts are known to a stated share."""

from __future__ import annotations

import numpy as np

from evenbeat.deviations.averaging import BoolArray
from evenbeat.deviations.sums.samples import Samples, needed_samples
from evenbeat.quantities import FloatArray

BLOCK = 1 << 16


def squares_of_differences(samples: Samples, lag: int, order: int) -> tuple[float, BoolArray]:
    """Return the sum of squares of the differences that are known, and which these are, shape (possible,)."""
    possible = samples.points - order * lag
    valid, total = np.zeros(possible, dtype=bool), 0.0
    for begin in range(0, possible, BLOCK):
        found = _differences(samples, begin, min(BLOCK, possible - begin), lag, order)
        known = valid[begin : begin + len(found)] = ~np.isnan(found)
        total += float(np.sum(found[known] ** 2))
    return total, valid


def squares_of_means(
    samples: Samples, lag: int, order: int, minimum_coverage: float
) -> tuple[float, BoolArray]:
    """Return the same of means of ``lag`` consecutive differences, of those that are known of each."""
    needed = needed_samples(lag, minimum_coverage)
    possible = samples.points - (order + 1) * lag + 1
    valid, total = np.zeros(possible, dtype=bool), 0.0
    for begin in range(0, possible, BLOCK):
        count = min(BLOCK, possible - begin)
        found = _differences(samples, begin, count + lag - 1, lag, order)
        known = ~np.isnan(found)
        sums, counts = (np.cumsum(np.concatenate([[0], row])) for row in (np.where(known, found, 0.0), known))
        counts = counts[lag:] - counts[:-lag]
        good = valid[begin : begin + count] = counts >= needed
        means = (sums[lag:] - sums[:-lag])[good] / counts[good]
        total += float(np.sum(means**2))
    return total, valid


def _differences(samples: Samples, begin: int, count: int, lag: int, order: int) -> FloatArray:
    """Return differences from the first on, NaN where an advance is unknown."""
    rows = np.empty((order, count))
    for number, row in enumerate(rows):
        samples.fill_advances(row, begin + number * lag, lag)
    return np.asarray(np.diff(rows, order - 1, axis=0)[0])
