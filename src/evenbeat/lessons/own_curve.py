"""Draw your own curve: what a page needs to make a clock with a sketched Allan deviation, by itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from evenbeat.deviations.dead_time import dead_time_bias
from evenbeat.lessons.noise_mixture import FIELDS
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_HOUR

INTERVAL_S = SECONDS_PER_HOUR
SAMPLES, CLOCKS = 1024, 3
FACTORS = 2 ** np.arange(9)
"""Averaging times of the sketch, in readings."""
DAYS = np.geomspace(1, 3650, 73)
"""After which the frequency may be checked again."""
STARTS: Mapping[str, Mapping[str, float]] = {
    "quartz in an oven": {"white_fm": 1e-12, "flicker_fm": 2e-12, "random_walk_fm": 1e-13},
    "rubidium": {"white_fm": 4e-13, "flicker_fm": 4e-14, "random_walk_fm": 1e-14},
    "a counter's noise over a quiet clock": {"white_pm": 2e-11, "flicker_fm": 1e-13},
}
"""Sketches to begin with: Allan deviation of each noise at one hour; orders of magnitude, common practice."""


def levels_of(deviations: Mapping[str, float]) -> NoiseLevels:
    """Return the noise levels with these Allan deviations at one hour, one reading an hour."""
    return NoiseLevels.from_allan_deviations(INTERVAL_S, cutoff_hz=0.5 / INTERVAL_S, **deviations)


def apart(exponent: int, days: FloatArray) -> FloatArray:
    """Return the variance of the change of a daily mean after so many days, over the Allan variance at 1 h.

    Notes
    -----
    ``2 σ²(1 d) B2(r, μ)`` with r the days: two means with dead time between them (Barnes, NBS TN 375, 1969).
    """
    mu = {2: -2.0, 1: -2.0, 0: -1.0, -1: 0.0, -2: 1.0}[exponent]
    daily = levels_of({FIELDS[exponent]: 1.0}).deviation(SECONDS_PER_DAY, cutoff_hz=0.5 / INTERVAL_S)
    return 2 * float(daily) ** 2 * np.array([dead_time_bias(float(ratio), mu) for ratio in days])


def ingredients(seed: int) -> dict[str, Any]:
    """Return five noises of unit Allan deviation at one hour: their shapes, a few clocks of each, starts."""
    noises = []
    for exponent, name in FIELDS.items():
        unit = levels_of({name: 1.0})
        shape = unit.deviation(FACTORS * INTERVAL_S, cutoff_hz=0.5 / INTERVAL_S) ** 2
        seeds = [np.random.default_rng([seed, exponent + 2, k]) for k in range(CLOCKS)]
        clocks = [simulate_clock(SAMPLES, interval_s=INTERVAL_S, levels=unit, seed=each) for each in seeds]
        noises.append(
            {
                "name": NOISE_NAMES[exponent],
                "field": name,
                "shape": [float(f"{each:.6g}") for each in shape],
                "apart": [float(f"{each:.6g}") for each in apart(exponent, DAYS)],
                "clocks": [np.round(clock.values, 4).tolist() for clock in clocks],
            }
        )
    return {
        "interval_s": INTERVAL_S,
        "tau_s": (FACTORS * INTERVAL_S).tolist(),
        "days": [float(f"{day:.6g}") for day in DAYS],
        "noises": noises,
        "starts": {name: dict(start) for name, start in STARTS.items()},
    }
