"""Long series as what a page can show: smallest, mean and largest reading of every column."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenbeat.quantities import FloatArray

COLUMNS = 700
"""Columns of a figure as wide as a page: more cannot be told apart in print."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Envelope:
    """Smallest, mean and largest of groups of samples; NaN where a group is empty.

    Attributes
    ----------
    position
        Shape (m,): sample number of the middle of each group.
    samples
        In each group.
    """

    position: FloatArray
    smallest: FloatArray
    mean: FloatArray
    largest: FloatArray
    samples: int

    @property
    def is_reduced(self) -> bool:
        """Whether a column stands for more than one sample."""
        return self.samples > 1


def envelope(values: FloatArray, columns: int = COLUMNS) -> Envelope:
    """Return the envelope of a series with at most about ``columns`` columns.

    A series of up to twice as many samples is returned as it is.
    """
    count = len(values)
    size = 1 if count <= 2 * columns else -(-count // columns)
    edges = np.arange(0, count, size)
    present = ~np.isnan(values)
    number = np.add.reduceat(present, edges, dtype=float)
    shift = float(np.nanmean(values)) if present.any() else 0.0
    total = np.add.reduceat(np.where(present, values - shift, 0.0), edges)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(number > 0, total / number + shift, np.nan)
    stops = np.append(edges[1:], count)
    return Envelope(
        position=0.5 * (edges + stops - 1),
        smallest=np.fmin.reduceat(values, edges),
        mean=mean,
        largest=np.fmax.reduceat(values, edges),
        samples=size,
    )


def missing_runs(values: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    """Return first sample and end of every run of missing samples."""
    missing = np.concatenate([[False], np.isnan(values), [False]])
    change = np.flatnonzero(missing[1:] != missing[:-1])
    return change[::2], change[1::2]
