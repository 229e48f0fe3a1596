"""How long to log: the least uncertainty of an aging rate, and the degrees of freedom of a deviation.

Sources: generalized least squares with the exact covariance of mean frequencies, as in the clock model; its
limits for single noises, sd = C σ_y(T)/T with C = √12 (white FM), 2.40 (flicker FM), √3 (random-walk FM), and
T = 4.81 σ/|D| to tell a drift at two standard uncertainties over a flicker floor (Barnes, 15th PTTI 1983).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import lru_cache

import numpy as np
from scipy import special
from threadpoolctl import threadpool_limits

from evenbeat.clock.covariance import (
    FLICKER_FM,
    RANDOM_WALK_FM,
    WHITE_FM,
    WHITE_PM,
    Spans,
    mean_frequency_covariance,
)
from evenbeat.deviations.forms.differences import equivalent_degrees_of_freedom
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.powerlaw import NoiseLevels, white_pm_deviation
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR

BLOCKS = 100
SHORTEST_S, LONGEST_S = 10.0, 100 * SECONDS_PER_YEAR
FACTOR = 16
"""Averaging factor at which degrees of freedom are taken: they depend on record over averaging time only."""
MOST_AVERAGES = 1e5
HALVINGS = 50


def drift_uncertainty(levels: NoiseLevels, record_s: float, *, interval_s: float = 1.0) -> float:
    """Return the standard uncertainty of a drift per second, the noise being known.

    Parameters
    ----------
    interval_s
        Spacing of readings, which only white PM depends on: it counts as with a hundred averages, which is
        safe for a log of many.
    """
    return float(coefficient_uncertainties(levels, record_s, interval_s=interval_s)[0])


def coefficient_uncertainties(
    levels: NoiseLevels,
    record_s: float,
    *,
    interval_s: float = 1.0,
    columns: FloatArray | None = None,
) -> FloatArray:
    """Return standard uncertainties of the drift per second and of further regressors at best.

    Parameters
    ----------
    columns
        Shape (100, q): further regressors as means over a hundredth of the record each.
    """
    middles, contrasts, by_exponent = _unit()
    inner = np.zeros((BLOCKS - 1, BLOCKS - 1))
    for exponent, level in (
        (WHITE_FM, levels.white_fm / record_s),
        (FLICKER_FM, levels.flicker_fm),
        (RANDOM_WALK_FM, levels.random_walk_fm * record_s),
        (WHITE_PM, (white_pm_deviation(levels.white_pm, interval_s) / record_s) ** 2),
    ):
        if level > 0:
            inner += level * by_exponent[exponent]
    design = middles[:, np.newaxis]
    if columns is not None:
        design = np.column_stack([design, columns])
    reduced = contrasts.T @ design
    with threadpool_limits(limits=1, user_api="blas"):
        inverse = np.linalg.inv(reduced.T @ np.linalg.solve(inner, reduced))
    spread = np.sqrt(np.diag(inverse))
    spread[0] /= record_s
    return np.asarray(spread)


@lru_cache(maxsize=1)
def _unit() -> tuple[FloatArray, FloatArray, Mapping[int, FloatArray]]:
    """Return middles of the blocks of a record of one, contrasts free of the mean, and their covariances.

    The generalized covariance is exact for contrasts.
    """
    edges = np.linspace(0, 1, BLOCKS + 1)
    spans = Spans(start=edges[:-1], stop=edges[1:])
    contrasts = np.linalg.qr(np.column_stack([np.ones(BLOCKS), np.eye(BLOCKS)[:, 1:]]))[0][:, 1:]
    found = {
        exponent: contrasts.T @ mean_frequency_covariance(exponent, spans, spans) @ contrasts
        for exponent in (WHITE_FM, FLICKER_FM, RANDOM_WALK_FM, WHITE_PM)
    }
    return spans.middle, contrasts, found


def record_length(uncertainty: Callable[[float], float], wanted: float) -> float:
    """Return the shortest record at which a falling uncertainty is as wanted; inf past 100 years."""
    low, high = math.log(SHORTEST_S), math.log(LONGEST_S)
    if uncertainty(LONGEST_S) > wanted:
        return math.inf
    if uncertainty(SHORTEST_S) <= wanted:
        return SHORTEST_S
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if uncertainty(math.exp(middle)) > wanted else (low, middle)
    return math.exp(high)


def deviation_half_width(averages: float, exponent: int, confidence: float) -> float:
    """Return half the width of the interval of an overlapping Allan deviation, relative to the deviation.

    Parameters
    ----------
    averages
        Length of the record over the averaging time.
    exponent
        α of the noise at that averaging time.
    """
    count = max(int(averages * FACTOR) - 2 * FACTOR + 1, 0)
    if count < 1:
        return math.inf
    terms = TermSum(total=1.0, possible=count, terms=count)
    edf = equivalent_degrees_of_freedom(
        terms, FACTOR, exponent=exponent, order=2, averaged=False, overlapping=True
    )
    tail = 0.5 * (1 - confidence)
    low, high = (2 * special.gammaincinv(0.5 * edf, p) / edf for p in (tail, 1 - tail))
    return 0.5 * (1 / math.sqrt(low) - 1 / math.sqrt(high))


def averages_for(width: float, exponent: int, confidence: float) -> float:
    """Return how many averaging times a record must hold for this relative half width; inf if too many."""
    low, high = 2.0, 3.0
    while deviation_half_width(high, exponent, confidence) > width:
        low, high = high, 2 * high
        if high > MOST_AVERAGES:
            return math.inf
    while high - low > 1 / FACTOR:
        middle = 0.5 * (low + high)
        low, high = (
            (middle, high) if deviation_half_width(middle, exponent, confidence) > width else (low, middle)
        )
    return high
