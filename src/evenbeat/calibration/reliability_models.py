"""Families of survival functions: the probability of still being in tolerance after some time.

Those in common use for calibration intervals (ILAC-G24:2022/OIML D 10 names the statistical method; the
formulas are from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.quantities import FloatArray


@dataclass(frozen=True, kw_only=True)
class ReliabilityModel:
    """One family of survival functions; time is in units of a typical time, parameters as logarithms."""

    name: str
    parameters: tuple[str, ...]
    survival: Callable[[FloatArray, FloatArray], FloatArray]
    dimensions: tuple[float, ...]
    """Power of 1/time in each parameter, to give it back in SI."""
    says: str


def _exponential(t: FloatArray, p: FloatArray) -> FloatArray:
    return np.exp(-p[0] * t)


def _weibull(t: FloatArray, p: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):
        return np.exp(-((p[0] * t) ** p[1]))


def _mixed_exponential(t: FloatArray, p: FloatArray) -> FloatArray:
    return (1 + p[0] * t / p[1]) ** -p[1]


def _random_walk(t: FloatArray, p: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return 2 * special.ndtr(1 / np.sqrt(p[0] * t)) - 1


def _random_walk_from_spread(t: FloatArray, p: FloatArray) -> FloatArray:
    return 2 * special.ndtr(1 / np.sqrt(p[1] + p[0] * t)) - 1


def _warranty(t: FloatArray, p: FloatArray) -> FloatArray:
    return special.expit(-p[1] * (p[0] * t - 1))


def _restricted_walk(t: FloatArray, p: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return 2 * special.ndtr(1 / np.sqrt(p[0] * -np.expm1(-p[1] * t))) - 1


def _modified_gamma(t: FloatArray, p: FloatArray) -> FloatArray:
    x = p[0] * t
    return np.exp(-x) * (1 + x + 0.5 * x**2)


def _mortality_drift(t: FloatArray, p: FloatArray) -> FloatArray:
    return np.exp(-(p[0] * t + p[1] * t**2))


def _linear_drift(t: FloatArray, p: FloatArray) -> FloatArray:
    return special.ndtr((1 - p[0] * t) / p[1]) + special.ndtr((1 + p[0] * t) / p[1]) - 1


RELIABILITY_MODELS: dict[str, ReliabilityModel] = {
    model.name: model
    for model in (
        ReliabilityModel(
            name="exponential",
            parameters=("rate",),
            survival=_exponential,
            dimensions=(1,),
            says="e^(-λt): failures come at random and do not depend on age",
        ),
        ReliabilityModel(
            name="weibull",
            parameters=("rate", "shape"),
            survival=_weibull,
            dimensions=(1, 0),
            says="e^(-(λt)^β): failures grow more (β > 1) or less frequent",
        ),
        ReliabilityModel(
            name="mixed_exponential",
            parameters=("rate", "shape"),
            survival=_mixed_exponential,
            dimensions=(1, 0),
            says="(1 + λt/β)^(-β): units differ in their rate",
        ),
        ReliabilityModel(
            name="random_walk",
            parameters=("growth",),
            survival=_random_walk,
            dimensions=(1,),
            says="2Φ(1/√(bt)) - 1: the offset walks, its variance growing with time",
        ),
        ReliabilityModel(
            name="random_walk_from_spread",
            parameters=("growth", "spread"),
            survival=_random_walk_from_spread,
            dimensions=(1, 0),
            says="2Φ(1/√(a + bt)) - 1: the same from offsets that are spread already at the start",
        ),
        ReliabilityModel(
            name="warranty",
            parameters=("rate", "steepness"),
            survival=_warranty,
            dimensions=(1, 0),
            says="1/(1 + e^(b(t/a - 1))): hardly any until about a, then nearly all; a = 1/rate",
        ),
        ReliabilityModel(
            name="restricted_walk",
            parameters=("variance", "rate"),
            survival=_restricted_walk,
            dimensions=(0, 1),
            says="2Φ(1/√(b(1 - e^(-ct)))) - 1: a walk that settles",
        ),
        ReliabilityModel(
            name="modified_gamma",
            parameters=("rate",),
            survival=_modified_gamma,
            dimensions=(1,),
            says="e^(-λt)(1 + λt + (λt)²/2): three shocks before failure",
        ),
        ReliabilityModel(
            name="mortality_drift",
            parameters=("rate", "rate_squared"),
            survival=_mortality_drift,
            dimensions=(1, 2),
            says="e^(-(at + bt²)): a rate that grows in proportion to age",
        ),
        ReliabilityModel(
            name="linear_drift",
            parameters=("drift", "spread"),
            survival=_linear_drift,
            dimensions=(1, 0),
            says="Φ((1-dt)/s) + Φ((1+dt)/s) - 1: a common drift with a spread, in units of the tolerance",
        ),
    )
}
