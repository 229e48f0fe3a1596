"""Quantiles of weighted sums of chi-squared variables: how a mean of squared correlated terms is distributed.

The mean of M squared Gaussian terms, over its expectation, is ``Σ wᵢ χ²₁`` with the eigenvalues of the terms'
covariance as weights, their sum made one. A single chi-squared with ``edf = 1/Σ wᵢ²`` has the same mean and
variance but another shape: where few weights stand out its intervals hold the truth up to 13 points more
often than they say. Here the quantiles are those of the sum, by the saddlepoint approximation (Kuonen 1999,
Biometrika 86; Lugannani and Rice 1980, in the form of Barndorff-Nielsen), which needs no integration.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.quantities import FloatArray

LEADING = 16
"""Weights kept one by one; the others are one chi-squared variable of their mean and variance."""
FARTHEST = 40.0
MOST_SECANTS = 60
CLOSE = 1e-12
NEAR_THE_MEAN = 1e-3
SMALLEST_WEIGHT = 1e-9
MIXED_ROUNDS, MIXED_TO = 60, 1e-7


@dataclass(frozen=True, eq=False, kw_only=True)
class ChiSquaredSums:
    """Distributions of mean one, each of a weighted sum of independent chi-squared variables.

    ``edf`` (n,) are degrees of freedom of the chi-squared variable of equal variance, NaN where unknown. Rows
    of ``weights`` and ``degrees`` (n, k) are the weights of the variables and their degrees of freedom, with
    ``Σ weights degrees`` one; weights beyond the last variable are zero. Mixed over ``scales`` and
    ``freedoms`` (n, m) where these are given.
    """

    edf: FloatArray
    weights: FloatArray
    degrees: FloatArray
    scales: FloatArray | None = None
    freedoms: FloatArray | None = None

    @classmethod
    def of_edf(cls, edf: FloatArray) -> Self:
        """Return plain chi-squared distributions over their degrees of freedom."""
        row = edf[:, np.newaxis]
        return cls(edf=edf, weights=1 / row, degrees=np.array(row))

    @classmethod
    def of_weights(
        cls,
        edf: FloatArray,
        weights: npt.ArrayLike,
        *,
        scales: FloatArray | None = None,
        freedoms: FloatArray | None = None,
    ) -> Self:
        """Return the distributions from all weights of each (n, k), largest first; plain where NaN."""
        every = np.asarray(weights, dtype=float)
        lead, rest = every[:, :LEADING], every[:, LEADING:]
        share = rest.sum(axis=1)
        others = np.where(share > SMALLEST_WEIGHT, share, 0.0)
        found, degrees = np.zeros((len(every), LEADING + 1)), np.ones((len(every), LEADING + 1))
        found[:, : lead.shape[1]] = np.where(lead > SMALLEST_WEIGHT, lead, 0.0)
        found[np.isnan(every[:, 0]), 0] = 1.0
        np.divide(others**2, np.sum(rest**2, axis=1), out=degrees[:, LEADING], where=others > 0)
        found[:, LEADING] = others / degrees[:, LEADING]
        return cls(edf=edf, weights=found, degrees=degrees, scales=scales, freedoms=freedoms)

    def quantile(self, probability: npt.ArrayLike) -> FloatArray:
        """Return the quantiles, shape (n,) for one probability and (p, n) for several; NaN if unknown.

        Notes
        -----
        The chi-squared quantile times the proportion of those of both by saddlepoint, so that a plain
        chi-squared distribution is exact. The probability below it is right to 0.01 for sums as they
        occur here (simulated; worst in the middle, to 0.002 at 0.025 and 0.975).
        """
        asked = np.atleast_1d(np.asarray(probability, dtype=float))
        if self.scales is not None and self.freedoms is not None and self.scales.shape[1] > 1:
            many = (len(asked), 1)
            rows = np.tile(self.scales, many), np.tile(self.freedoms, many)
            exact = _mixed(*rows, np.repeat(asked, len(self.edf))).reshape(len(asked), -1)
        else:
            exact = 2 * special.gammaincinv(0.5 * self.edf, asked[:, np.newaxis]) / self.edf
        proportion = np.ones((len(asked), len(self.weights)))
        several = np.flatnonzero(self.weights[:, 1:].any(axis=1))  # a single variable is its own chi-squared
        if len(several):
            weights, degrees = self.weights[several], self.degrees[several]
            single, one = np.zeros_like(weights), np.ones_like(degrees)
            single[:, 0] = np.sum(degrees * weights**2, axis=1)
            one[:, 0] = 1 / single[:, 0]
            rows = np.vstack([weights, single] * len(asked)), np.vstack([degrees, one] * len(asked))
            found = _by_saddlepoint(*rows, np.repeat(asked, 2 * len(several)))
            own, plain = np.moveaxis(found.reshape(len(asked), 2, -1), 1, 0)
            proportion[:, several] = own / plain
        return np.asarray(exact * proportion).reshape(*np.shape(probability), len(self.edf))


def _by_saddlepoint(weights: FloatArray, degrees: FloatArray, probability: FloatArray) -> FloatArray:
    """Return the values at which the approximated probability is the one asked for, one for each row.

    The saddlepoint t lies below ``1/(2 w)`` of the largest weight w and is sought as ``(1 - exp(-s))/(2 w)``,
    by secants within a bracket. Each row goes its own way, whatever others there are.
    """
    deviate = special.ndtri(probability)
    low, high = np.full(len(weights), -FARTHEST), np.full(len(weights), FARTHEST)
    before, root = np.zeros(len(weights)), np.zeros(len(weights))
    # to first order the deviate is t √K''(0)
    place = 2 * deviate * weights.max(axis=1) / np.sqrt(2 * np.sum(degrees * weights**2, axis=1))
    place = np.clip(place, -FARTHEST, 0.5 * FARTHEST)
    value, left = np.ones(len(weights)), np.arange(len(weights))
    missed = _normal_deviate(weights, degrees, before)[0] - deviate
    for _ in range(MOST_SECANTS):
        off, found = _normal_deviate(weights[left], degrees[left], place[left])
        off, value[left] = off - deviate[left], found
        low[left] = np.where(off < 0, place[left], low[left])
        high[left] = np.where(off < 0, high[left], place[left])
        with np.errstate(divide="ignore", invalid="ignore"):
            root = place[left] - off * (place[left] - before[left]) / (off - missed[left])
        inside = (root > low[left]) & (root < high[left])
        following = np.where(inside, root, 0.5 * (low[left] + high[left]))
        moves = (np.abs(off) > CLOSE) & (following != place[left])
        before[left], missed[left] = place[left], off
        place[left] = following
        left = left[moves]
        if not len(left):
            break
    return value


def _normal_deviate(
    weights: FloatArray, degrees: FloatArray, place: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the normal deviate of equal probability, and the value, at each saddlepoint."""
    t = -np.expm1(-place) / (2 * weights.max(axis=1))
    rest = 1 - 2 * weights * t[:, np.newaxis]
    ratio = weights / rest
    logarithm = -0.5 * np.sum(degrees * np.log(rest), axis=1)
    powers = degrees * ratio
    value = np.sum(powers, axis=1)
    powers = powers * ratio
    second = 2 * np.sum(powers, axis=1)
    root = np.sign(t) * np.sqrt(np.maximum(2 * (t * value - logarithm), 0.0))
    near = np.abs(root) < NEAR_THE_MEAN
    safe = np.where(near, 1.0, root)
    change = np.log(np.where(near, 1.0, t * np.sqrt(second)) / safe) / safe
    third = 8 * np.sum(powers * ratio, axis=1)
    return root + np.where(near, third / second**1.5 / 6, change), value


def _mixed(scales: FloatArray, freedoms: FloatArray, probability: FloatArray) -> FloatArray:
    """Return quantiles of equal mixtures of scaled chi-squared variables, NaN where nothing is known.

    By Newton's steps of the normal deviate, which is nearly straight in the logarithm, within a bracket that
    is halved where they leave it, and every sixth time. Each row goes its own way.
    """
    half, deviate = 0.5 * freedoms, special.ndtri(probability)
    each = np.log(scales * special.gammaincinv(half, probability[:, np.newaxis]) / half)
    low, high, place = each.min(axis=1), each.max(axis=1), each.mean(axis=1)
    constant, left = special.gammaln(half), np.flatnonzero(high > low)
    for number in range(MIXED_ROUNDS):
        some, here = half[left], place[left]
        at = some * np.exp(here)[:, np.newaxis] / scales[left]
        normal = special.ndtri(np.mean(special.gammainc(some, at), axis=1))
        density = np.mean(np.exp(some * np.log(at) - at - constant[left]), axis=1)
        below = normal < deviate[left]
        low[left], high[left] = np.where(below, here, low[left]), np.where(below, high[left], here)
        with np.errstate(all="ignore"):  # a step across a gap in the mixture may be infinite
            step = (deviate[left] - normal) * np.exp(-0.5 * normal**2) / (math.sqrt(2 * math.pi) * density)
        near, moved = np.abs(step) < MIXED_TO, here + step
        inside = near | ((moved > low[left]) & (moved < high[left]) & (number % 6 < 5))
        place[left] = np.where(inside, moved, 0.5 * (low[left] + high[left]))
        left = left[~near]
        if not len(left):
            break
    return np.asarray(np.exp(place))
