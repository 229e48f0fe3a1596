"""The probability that an offset has never left its tolerance: first passage, by simulation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenbeat.calibration.offset_forecast import OffsetForecast
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.paths import share_that_stayed, staying
from evenbeat.errors import InputError
from evenbeat.quantities import Estimate, FloatArray

PATHS = 4000
MOMENTS = 96
FEWEST_PATHS = 100


@dataclass(frozen=True, eq=False, kw_only=True)
class NeverLeft:
    """P(never having left) at increasing times, with the standard error of its simulation, shape (m,)."""

    elapsed_s: FloatArray
    probability: FloatArray
    standard_error: FloatArray
    paths: int


def never_left(
    forecast: OffsetForecast,
    limits: Tolerance,
    *,
    until_s: float,
    as_left: Estimate | None = None,
    constant_uncertainty: float = 0.0,
    paths: int = PATHS,
    seed: int = 0,
) -> NeverLeft:
    """Simulate the probability of never having left a tolerance until each of some moments.

    Parameters
    ----------
    constant_uncertainty
        Standard uncertainty that is one unknown for each course: reference, environment, transport.
    paths
        Simulated courses: the standard error of a probability near 95 % is about 0.003 for 4000.

    Raises
    ------
    InputError
        For fewer than 100 paths.

    Notes
    -----
    Every course draws its drift, its noise levels and its aging law. Between two moments a random walk
    makes a Brownian bridge (:func:`evenbeat.clock.paths.staying`). For a clock model an offset is the mean
    over one block of the model.
    """
    if paths < FEWEST_PATHS:
        msg = f"paths is {paths}; fewer than {FEWEST_PATHS} say nothing about a probability"
        raise InputError(msg)
    times = moments(until_s)
    generator = np.random.default_rng(seed)
    bounds = (limits.lower, limits.upper)
    stayed, inside = [], []
    for courses in forecast.offset_courses(times, as_left, paths, generator):
        offset = courses.drawn(generator)
        offset = offset + constant_uncertainty * generator.standard_normal((len(offset), 1))
        stayed.append(staying(offset, times, bounds, courses.diffusion))
        inside.append((offset >= limits.lower) & (offset <= limits.upper))
    within = limits.probability(forecast.offset_after(times, as_left).widened(constant_uncertainty))
    chance, error = share_that_stayed(np.vstack(stayed), np.vstack(inside), within)
    return NeverLeft(
        elapsed_s=times, probability=np.minimum.accumulate(chance), standard_error=error, paths=paths
    )


def moments(until_s: float) -> FloatArray:
    """Return the start and moments up to the end, close together at first and evenly spaced later on."""
    early = np.geomspace(until_s / 1000, until_s, MOMENTS // 3)
    return np.unique(np.concatenate([early, np.linspace(0, until_s, MOMENTS)]))
