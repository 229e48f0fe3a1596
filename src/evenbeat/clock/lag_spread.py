"""Carrying what is not known of a lag into every answer, where it matters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenbeat.clock.design import Trend
from evenbeat.clock.laws import best
from evenbeat.clock.likelihood import fit_on_grid
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.clock.prediction import Variant
from evenbeat.quantities import FloatArray

SMALL_MOVE = 0.4
"""Share of its standard uncertainty by which a coefficient may move without notice when the lag moves by
√3 of its own: less adds under 3 % to it, and every question to the model would take three times as long."""


def spread_over_lags(
    grid: NoiseGrid, trend: Trend, frequency: FloatArray, variants: tuple[Variant, ...]
) -> tuple[tuple[Variant, ...], Trend]:
    """Return the variants at every set of lags, and the trend; at the middle alone if no answer moves.

    Parameters
    ----------
    frequency
        Block averages, shape (n,), scaled to order one.
    variants
        Fitted at the middle of the lags.
    """
    if len(trend.lag_points) == 1:
        return variants, trend
    if not _matters(grid, trend, frequency, variants):
        middle = replace(trend.lag_points[0], weight=1.0)
        return variants, replace(trend, lag_points=(middle,))
    points = tuple(point for point in trend.lag_points if point.weight > 0)
    trend = replace(trend, lag_points=points)
    moved = [
        _at(grid, trend, frequency, variant, place) for place in range(len(points)) for variant in variants
    ]
    return tuple(moved), trend


def _at(grid: NoiseGrid, trend: Trend, frequency: FloatArray, variant: Variant, place: int) -> Variant:
    design = variant.design.copy()
    first = trend.first_influence(design.shape[1])
    design[:, first : first + trend.width] = trend.lag_points[place].columns
    return replace(variant, design=design, fit=fit_on_grid(grid, frequency, design), lag_point=place)


def _matters(grid: NoiseGrid, trend: Trend, frequency: FloatArray, variants: tuple[Variant, ...]) -> bool:
    top = max(variants, key=lambda variant: best(variant.fit))
    place = np.unravel_index(np.argmax(top.fit.log_restricted), top.fit.log_restricted.shape)
    error = np.sqrt(top.fit.level[place] * np.diag(top.fit.inverse_information[place]))
    for number in range(1, len(trend.lag_points)):
        moved = _at(grid, trend, frequency, top, number)
        change = np.abs(moved.fit.coefficients[place] - top.fit.coefficients[place])
        if np.any(change > SMALL_MOVE * error):
            return True
    return False
