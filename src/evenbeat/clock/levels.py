"""Noise levels from the posterior: a value where a noise is seen, an upper limit where it is not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.clock.covariance import (
    FLICKER_FM,
    RANDOM_WALK_FM,
    WANDERING_DRIFT,
    WHITE_FM,
    WHITE_PM,
    unit_level,
)
from evenbeat.clock.noise_grid import GridFit, NoiseGrid
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import FloatArray, StudentMixture
from evenbeat.record import Record

SEEN_SHARE = 0.05
"""Share of the Allan variance that a noise must reach at some averaging time to count as seen."""
SEEN_PROBABILITY = 0.9
LIMIT_PROBABILITY = 0.95
_SLOPE = {WHITE_PM: -2, WHITE_FM: -1, FLICKER_FM: 0, RANDOM_WALK_FM: 1, WANDERING_DRIFT: 3}
"""Of the Allan variance over averaging time."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LevelPosterior:
    """What is known of the noise levels: points with weights."""

    weights: FloatArray  # Shape (k,)
    # For each point, exponent to Allan variance at one block relative to white FM; of a wandering drift the
    # Hadamard variance
    ratios: tuple[dict[int, float], ...]
    allan_variance: FloatArray  # Shape (k,): estimated Allan variance of white FM at one block
    degrees_of_freedom: FloatArray  # Shape (k,), of that estimate
    block_s: float  # Length of one block in seconds
    # See :class:`evenbeat.clock.noise_grid.NoiseGrid`: what hides under the averages of sparse readings
    dilution: float = 1.0

    def estimates(self, exponent: int) -> FloatArray:
        """Return h_α at every point, shape (k,) (white PM: variance of phase; wandering drift: growth)."""
        ratio = np.array([each[exponent] for each in self.ratios])
        return ratio * self.allan_variance * unit_level(exponent, self.block_s)

    def mean(self, exponent: int) -> float:
        """Return the posterior mean of h_α; ν/(ν - 2) turns each estimate into its mean."""
        heavier = self.degrees_of_freedom / (self.degrees_of_freedom - 2)
        return float(self.weights @ (heavier * self.estimates(exponent)))

    def median(self, exponent: int) -> float:
        """Return the posterior median of the estimates of h_α."""
        return _quantile(self.estimates(exponent), self.weights, 0.5)


def noise_levels(posterior: LevelPosterior, if_present: Mapping[int, float], record: Record) -> NoiseLevels:
    """Return the noise levels of a posterior for the record it came from.

    A noise is seen where it makes up at least a twentieth of the Allan variance at some averaging time
    between one block and a quarter of the record, with 90 % probability; else its limit is that of
    :func:`limits_if_present`. White PM is given as h₊₂ for the sampling interval of the record (cut-off at
    half the sampling rate).
    """
    blocks = np.geomspace(1.0, max(1.0, record.duration_s / (4 * posterior.block_s)), 12)
    relative = [{**each, WHITE_FM: posterior.dilution} for each in posterior.ratios]
    variances = {
        e: np.multiply.outer([each[e] for each in relative], blocks ** _SLOPE[e]) for e in relative[0]
    }
    whole = sum(variances.values())
    values: dict[int, float] = {}
    limits: dict[int, float] = {}
    for exponent in (WHITE_PM, WHITE_FM, FLICKER_FM, RANDOM_WALK_FM):
        level = posterior.estimates(exponent)
        if not level.any() and exponent not in if_present:
            continue
        unit = 8 * math.pi**2 * record.spacing_s if exponent == WHITE_PM else 1.0
        shares = (variances[exponent] / whole).max(axis=1)
        if posterior.weights @ (shares >= SEEN_SHARE) >= SEEN_PROBABILITY:
            values[exponent] = unit * _quantile(level, posterior.weights, 0.5)
        else:
            limits[exponent] = unit * if_present.get(
                exponent, _quantile(level, posterior.weights, LIMIT_PROBABILITY)
            )
    return NoiseLevels(
        white_pm=values.get(WHITE_PM, 0.0),
        white_fm=values.get(WHITE_FM, 0.0),
        flicker_fm=values.get(FLICKER_FM, 0.0),
        random_walk_fm=values.get(RANDOM_WALK_FM, 0.0),
        upper_limits=limits,
    )


def limits_if_present(grid: NoiseGrid, fit: GridFit, *, scale: float, block_s: float) -> dict[int, float]:
    """Return 95 % upper limits of white PM, flicker and random-walk FM and a wandering drift, by exponent.

    Quantiles for a clock that has the noise, its Allan deviation relative to that of white FM flat and the
    other noises as the grid holds them: what the prior gives to its absence would otherwise become a limit of
    zero. In 100 simulated clocks each with a walk of 0.3 % and with flicker FM of 10 % of white FM, 100
    averages, no noise exceeded its limit; of 105 with a drift that wandered unseen, one did (200 averages).
    """
    walks, wanders = slice(grid.walks), slice(grid.walks, None)
    ratios = {
        WHITE_PM: (walks, np.array([[node.white_pm] for node in grid.nodes[walks]])),
        FLICKER_FM: (walks, np.array([[node.flicker_fm] for node in grid.nodes[walks]])),
        RANDOM_WALK_FM: (walks, np.array([grid.ratios.random_walk_fm])),
        WANDERING_DRIFT: (wanders, np.array([grid.ratios.wander])),
    }
    limits = {}
    for exponent, (nodes, narrow) in ratios.items():
        level, likely = fit.level[nodes], fit.log_restricted[nodes]
        if not len(level):
            continue
        ratio = np.broadcast_to(narrow, level.shape)
        there = ratio > ratio.min()
        if not there.any():
            continue
        weight = np.exp(likely[there] - likely[there].max()) * np.sqrt(ratio[there])
        level = (ratio * level)[there] * scale**2 * unit_level(exponent, block_s)
        limits[exponent] = _quantile(level, weight / weight.sum(), LIMIT_PROBABILITY)
    return limits


def _quantile(values: FloatArray, weights: FloatArray, probability: float) -> float:
    order = np.argsort(values)
    position = int(np.searchsorted(np.cumsum(weights[order]), probability))
    return float(values[order][min(position, len(values) - 1)])


@dataclass(frozen=True, eq=False, kw_only=True)
class VarianceTerms:
    """The variance of a time-error forecast by what causes it; the terms add up to the whole."""

    by_term: Mapping[str, FloatArray]  # Term to variance [s²] of shape (m,)

    @property
    def total(self) -> FloatArray:
        """Sum of the terms, shape (m,)."""
        return np.sum(list(self.by_term.values()), axis=0)


def variance_terms(
    distribution: StudentMixture,
    *,
    horizon_s: FloatArray,
    levels: LevelPosterior,
    aging: FloatArray,
    environment: FloatArray,
    display: FloatArray,
    reference: FloatArray | None = None,
) -> VarianceTerms:
    """Divide the variance of a time error, shape (m,), into its causes.

    Notes
    -----
    The noise terms are what no past record could predict (optimum predictors, NIST TN 1337: h₀t/2,
    2h₋₁t² and (2π²/3)h₋₂t³; qt⁵/20 of a wandering drift). What is left after all terms is the frequency
    at the start, which would be known better from a longer or quieter record; it cannot be negative, because
    observing the sum of the noises tells less than observing each.
    """
    spread = (distribution.locations - distribution.mean[:, np.newaxis]) ** 2 @ distribution.weights
    terms = {
        "white FM": levels.mean(WHITE_FM) / 2 * horizon_s,
        "flicker FM": 2 * levels.mean(FLICKER_FM) * horizon_s**2,
        "random-walk FM": 2 * math.pi**2 / 3 * levels.mean(RANDOM_WALK_FM) * horizon_s**3,
        "wandering drift": levels.mean(WANDERING_DRIFT) / 20 * horizon_s**5,
        "aging": aging,
        "environment": environment,
        "display": display,
        "noise model": spread,
    }
    if reference is not None:
        terms["reference"] = reference
    rest = distribution.standard_deviation**2 - sum(terms.values())
    # calibrations bind the terms to each other: what they know of the sum, no term knows by itself
    for name in ("aging", "reference", "flicker FM"):
        if name in terms:
            taken = np.minimum(np.maximum(-rest, 0.0), terms[name])
            terms[name], rest = terms[name] - taken, rest + taken
    return VarianceTerms(by_term={"starting frequency": np.maximum(rest, 0.0), **terms})
