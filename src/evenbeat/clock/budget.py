"""The variance of a time-error forecast by what causes it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.clock.covariance import FLICKER_FM, RANDOM_WALK_FM, WANDERING_DRIFT, WHITE_FM
from evenbeat.clock.levels import LevelPosterior
from evenbeat.quantities import FloatArray, StudentMixture


@dataclass(frozen=True, eq=False, kw_only=True)
class VarianceTerms:
    """The variance of a time-error forecast by what causes it; the terms add up to the whole.

    Attributes
    ----------
    by_term
        Term to variance [s²] of shape (m,).
    """

    by_term: Mapping[str, FloatArray]

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
