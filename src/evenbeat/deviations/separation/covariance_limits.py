"""Limits of a covariance estimated from few terms, and what a signed variance is written as.

The sample covariance of two jointly normal quantities is a Wishart element. With the sample covariance
s, the root g of the product of the two sample variances and ν degrees of freedom, the covariance is
distributed (fiducially, which is also the right-Haar posterior; Berger and Sun, Annals of Statistics 36,
2008) as ``ν/χ²_ν · (s - √(g² - s²) t_{ν-1}/√(ν-1))``. Where s = g this is the chi-squared interval of a
variance.
"""

from __future__ import annotations

import numpy as np

from evenbeat.quantities import FloatArray
from evenbeat.results import UNKNOWN

NODES = 120
STEPS = 50
FARTHEST = 40.0
"""Limits are searched up to sinh(40) ≈ 1e17 times g: with one degree of freedom they are far away."""
FEWEST_LEFT = 1e-2


def covariance_limit(
    probability: float, covariance: FloatArray, product_root: FloatArray, edf: FloatArray
) -> FloatArray:
    """Return the value that the covariance does not exceed with this probability; same shape as given.

    Parameters
    ----------
    probability
        Between 0 and 1.
    covariance, product_root
        Sample covariance, and root of the product of the two sample variances.
    edf
        Equivalent degrees of freedom of the means.

    Notes
    -----
    A covariance is never larger than the root of the product of the two variances, so that the limits
    stay within the chi-squared limit of that root. Below two degrees of freedom not even the sign is
    known: a single pair of terms looks perfectly correlated whatever the truth.
    """
    scale = np.where(product_root > 0, product_root, 1.0)
    share = np.clip(covariance / scale, -1.0, 1.0)
    low, high = np.full(share.shape, -FARTHEST), np.full(share.shape, FARTHEST)
    nodes, weights, spread = _nodes(share, edf)
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        below = _distribution(np.sinh(middle), share, edf, nodes * spread, weights) < probability
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    farthest = _farthest(min(probability, 1 - probability), edf)
    limit = np.clip(np.sinh(0.5 * (low + high)), -farthest, farthest) * scale
    return np.where(np.isfinite(covariance) & np.isfinite(edf), limit, np.nan)


def _nodes(share: FloatArray, edf: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return Student-t nodes of shape (..., nodes), their weights, and by how much they spread."""
    from scipy import special

    at, weights = np.polynomial.legendre.leggauss(NODES)
    left = np.maximum(np.nan_to_num(edf, nan=1.0) - 1, FEWEST_LEFT)[..., np.newaxis]
    nodes = special.stdtrit(left, 0.5 * (at + 1)) / np.sqrt(left)
    sign_unknown = np.clip(2 - np.nan_to_num(edf, nan=1.0), 0.0, 1.0)
    spread = np.sqrt(np.maximum(1 - share**2, sign_unknown))
    return np.asarray(nodes), 0.5 * weights, spread[..., np.newaxis]


def _farthest(tail: float, edf: FloatArray) -> FloatArray:
    """Return the chi-squared limit of a variance of one."""
    from scipy import special

    known = np.nan_to_num(edf, nan=1.0)
    return np.asarray(known / (2 * special.gammaincinv(0.5 * known, tail)))


def _distribution(
    value: FloatArray, share: FloatArray, edf: FloatArray, offsets: FloatArray, weights: FloatArray
) -> FloatArray:
    """Return the probability of being at or below ``value``, in units of g."""
    from scipy import special

    half = 0.5 * np.nan_to_num(edf, nan=1.0)[..., np.newaxis]
    sign = np.where(value < 0, -1.0, 1.0)
    centre = (share[..., np.newaxis] - offsets) * sign[..., np.newaxis]
    size = np.maximum(np.abs(value), 1e-300)[..., np.newaxis]
    with np.errstate(over="ignore"):
        reached = special.gammaincc(half, half * np.maximum(centre, 0.0) / size) @ weights
    return np.where(sign < 0, 1 - reached, reached)


def deviation_of(variance: FloatArray) -> FloatArray:
    """Return the root of positive variances; NaN for the others, which have no deviation."""
    return np.sqrt(np.where(variance > 0, variance, np.nan))


def deviation_cell(variance: float, low: float, limit: float) -> str:
    """Return ``1.234e-12``, or ``< 3e-13`` where zero cannot be excluded."""
    if np.isnan(variance):
        return UNKNOWN
    if low > 0:
        return f"{np.sqrt(variance):.3e}"
    return f"< {limit:.2e}" if np.isfinite(limit) else "none"
