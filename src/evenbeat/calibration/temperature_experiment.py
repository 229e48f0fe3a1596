"""An experiment that tells the influence of temperature from aging: steps up and down.

A temperature that runs with time looks like drift (2 K over 30 days with 2e-10/K: 1.3e-11 a day). Steps
in the order up, down, down, up have no slope, so that neither effect hides in the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.calibration.experiment_lengths import BLOCKS, coefficient_uncertainties, record_length
from evenbeat.errors import InputError
from evenbeat.plain import Plain
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_HOUR, duration_text

ORDER = (1.0, -1.0, -1.0, 1.0)
DWELL_LAGS = 5.0
"""Lags to wait at each temperature: 99 % of a step has arrived by then."""
SHORTEST_DWELL_S = 2 * SECONDS_PER_HOUR


@dataclass(frozen=True, kw_only=True)
class TemperatureExperiment(Plain):
    """Steps of temperature that are planned.

    Attributes
    ----------
    step_k
        Up and down from the middle.
    dwell_s
        At each of the four levels.
    sensitivity_uncertainty_per_k
        Standard uncertainty of the sensitivity that follows, the noise being known.
    variance_inflation
        By the drift: 1 means that neither hides in the other.
    """

    step_k: float
    dwell_s: float
    sensitivity_uncertainty_per_k: float
    variance_inflation: float

    _also = ("duration_s", "order")

    @property
    def order(self) -> tuple[float, ...]:
        """Up and down, in steps."""
        return ORDER

    @property
    def duration_s(self) -> float:
        """Of the whole experiment."""
        return len(ORDER) * self.dwell_s

    @property
    def sentence(self) -> str:
        """What to do."""
        return (
            f"Change the temperature on purpose by {self.step_k:g} K: up, down, down, up, "
            f"{duration_text(self.dwell_s)} at each ({duration_text(self.duration_s)} in all); the "
            f"sensitivity is then known to {self.sensitivity_uncertainty_per_k:.1e}/K."
        )


def variance_inflation(covariate: npt.ArrayLike, times: npt.ArrayLike | None = None) -> float:
    """Return 1/(1 - R²) of a covariate regressed on time: how much its effect hides in a drift.

    Parameters
    ----------
    covariate, times
        Shape (n,); evenly spaced times where none are given.

    Raises
    ------
    InputError
        If the covariate is constant or the lengths differ.

    Notes
    -----
    A sinusoid of n whole cycles in sine phase: R² = 6/(π n)². Infinite for a straight line.
    """
    values = np.asarray(covariate, dtype=float)
    time = np.arange(len(values)) if times is None else np.asarray(times, dtype=float)
    if values.shape != time.shape or values.ndim != 1 or len(values) < 3:
        msg = (
            f"covariate and times have shapes {values.shape} and {time.shape}; both need the same, 3 at least"
        )
        raise InputError(msg)
    values, time = values - values.mean(), time - time.mean()
    size = float(values @ values)
    if not size > 0:
        msg = "the covariate is constant: its effect cannot be seen at all"
        raise InputError(msg)
    share = float(values @ time) ** 2 / (size * float(time @ time))
    return math.inf if share >= 1 - 1e-12 else 1 / (1 - share)


def plan_temperature(
    levels: NoiseLevels, *, step_k: float, lag_s: float, wanted_per_k: float | None, interval_s: float
) -> TemperatureExperiment:
    """Return the steps that give a sensitivity to the uncertainty wanted, or the shortest that settle.

    Raises
    ------
    InputError
        If the step or what is wanted is not positive, or no dwell suffices.
    """
    for name, value in {"temperature_step_k": step_k, "sensitivity_uncertainty_per_k": wanted_per_k}.items():
        if value is not None and not (value > 0 and math.isfinite(value)):
            msg = f"{name} is {value}; it must be positive"
            raise InputError(msg)
    pattern = _pattern()

    def uncertainty(duration_s: float) -> float:
        column = (step_k * pattern)[:, np.newaxis]
        return float(coefficient_uncertainties(levels, duration_s, interval_s=interval_s, columns=column)[1])

    dwell = max(DWELL_LAGS * lag_s, SHORTEST_DWELL_S)
    if wanted_per_k is not None and uncertainty(len(ORDER) * dwell) > wanted_per_k:
        duration = record_length(uncertainty, wanted_per_k)
        if math.isinf(duration):
            msg = (
                f"steps of {step_k:g} K cannot give {wanted_per_k:g}/K with this noise; make them larger "
                f"than {step_k * uncertainty(len(ORDER) * dwell) / wanted_per_k:.2g} K"
            )
            raise InputError(msg)
        dwell = duration / len(ORDER)
    return TemperatureExperiment(
        step_k=step_k,
        dwell_s=dwell,
        sensitivity_uncertainty_per_k=uncertainty(len(ORDER) * dwell),
        variance_inflation=variance_inflation(pattern),
    )


def _pattern() -> FloatArray:
    return np.repeat(ORDER, BLOCKS // len(ORDER))
