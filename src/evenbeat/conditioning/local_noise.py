"""Robust local level and spread of a series, for every check of this room."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from evenbeat.quantities import FloatArray

MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal distribution in units of its median absolute deviation."""

_BLOCK = 1024
_QUIETEST = 0.25
_TAIL_SHARE = 0.05
_HEAVIEST = 3.0
_GOLDEN = 0.6180339887498949


def present(values: FloatArray) -> npt.NDArray[np.intp]:
    """Return the positions of the samples that are not missing."""
    return np.flatnonzero(~np.isnan(values))


def running_median(values: FloatArray, width: int) -> FloatArray:
    """Return the median of ``width`` neighbours (odd) around each sample; no sample may be missing."""
    width = min(width, len(values) - (len(values) + 1) % 2)
    return np.asarray(ndimage.median_filter(values, size=max(width, 1), mode="reflect"))


def spread(values: FloatArray) -> float:
    """Return the scaled median absolute deviation, an estimate of sigma that outliers do not move."""
    if not len(values):
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def tail_spread(values: FloatArray, share: float) -> float:
    """Return an estimate of sigma that heavy tails raise but the ``share`` farthest values do not.

    The larger of :func:`spread` and the quantile that ``share`` of the values exceed, in units of what
    it is for a normal distribution.
    """
    if not len(values):
        return 0.0
    share = min(max(share, 1e-3), 0.5)
    quantile = float(np.quantile(np.abs(values - np.median(values)), 1 - share))
    return max(spread(values), quantile / float(special.ndtri(1 - share / 2)))


def local_spread(residual: FloatArray, step: float | None) -> FloatArray:
    """Return the spread around each sample, from blocks of about a thousand.

    Where the farthest twentieth lies farther out than that of a normal distribution (the comb of a
    time-interval counter does), the spread is raised accordingly, at most threefold.

    Parameters
    ----------
    residual
        Shape (n,), around zero.
    step
        Step of the display. The readings are spread evenly over it (a fixed low-discrepancy sequence),
        because the median absolute deviation of coarse readings jumps between multiples of the step.
    """
    size = np.abs(residual + _even_dither(len(residual)) * step if step else residual)
    middle = MAD_TO_SIGMA * float(np.median(size))
    tails = tail_spread(size * np.where(np.arange(len(size)) % 2, 1.0, -1.0), _TAIL_SHARE)
    heaviness = min(tails / middle, _HEAVIEST) if middle > 0 else 1.0
    blocks = max(1, len(size) // _BLOCK)
    edges = np.linspace(0, len(size), blocks + 1).astype(int)
    scale = np.array([np.median(size[a:b]) for a, b in pairwise(edges)])
    if blocks >= 3:
        scale = ndimage.median_filter(scale, size=3, mode="nearest")
    scale = MAD_TO_SIGMA * heaviness * np.maximum(scale, _QUIETEST * float(np.median(size)))
    return np.repeat(scale, np.diff(edges))


def _even_dither(n: int) -> FloatArray:
    """Return n numbers that fill -1/2 to 1/2 evenly."""
    return np.mod(np.arange(n) * _GOLDEN, 1.0) - 0.5
