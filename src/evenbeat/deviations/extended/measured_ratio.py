"""The bias of Théo1 as the handbook measures it in the record itself, and what that costs.

The mean ratio of the Allan variance at 9 + 3i samples to Théo1 at span 12 + 4i, for i up to N/30 - 3 (NIST
SP 1065, 5.2.16; Taylor and Howe, FCS 2010), of long records at ``RATIOS`` of these places spread evenly,
scatters with the record. To first order the variance that it corrects is a quadratic form of phase like
Théo1 itself, whose degrees of freedom count that scatter. Where the ratio depends on the averaging time
(white and flicker PM) one ratio does not fit all of them.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import linalg

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.extended.form_weights import form_of_stretches, in_proportion, root_of_covariance
from evenbeat.deviations.extended.quadratic import expected_sum
from evenbeat.deviations.extended.theo1 import span_rows, theo1_bias, theo1_variance
from evenbeat.deviations.freedom import at_least_one
from evenbeat.deviations.sums.kernels import sum_of_squared_differences
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.deviations.term_weights import raised_to_freedom
from evenbeat.quantities import FloatArray

RATIOS = 24
MOST_POINTS = 321


def ratio_places(points: int) -> IntArray:
    """Return the places i at which the ratio is formed, shape (n,)."""
    last = math.floor(points / 30 - 3)
    return np.unique(np.linspace(0, last, min(last + 1, RATIOS)).round().astype(np.int64))


def measured_ratio(samples: PhasePoints) -> float:
    """Return Théo1 over the Allan variance, from the mean ratio of the latter to it where both exist."""
    ratios = []
    for place in ratio_places(samples.points).tolist():
        factor = 9 + 3 * place
        terms = sum_of_squared_differences(samples, factor, 2)
        allan = terms.total / (2.0 * float(factor) ** 2 * terms.terms)
        ratios.append(allan / theo1_variance(samples.phase_s, 12 + 4 * place))
    return 1.0 / float(np.mean(ratios))


def expected_misfit(points: int, span: int, exponent: int) -> float:
    """Return by how much of itself the corrected variance is too large, to first order."""
    mean = np.mean([1 / theo1_bias(12 + 4 * place, exponent) for place in ratio_places(points).tolist()])
    return theo1_bias(span, exponent) * float(mean) - 1


def corrected_weights(
    points: int, span: int, exponent: int, weights: FloatArray | None
) -> tuple[float, FloatArray | None]:
    """Return degrees of freedom and weights of Théo1 divided by the measured ratio.

    Parameters
    ----------
    points, span
        Of the record.
    exponent
        α of the noise.
    weights
        Those of Théo1 alone.
    """
    edf = _corrected_freedom(*in_proportion(points, span, 2, most=MOST_POINTS), exponent)
    return edf, None if weights is None else raised_to_freedom(weights, edf)


@lru_cache(maxsize=1024)
def _corrected_freedom(points: int, span: int, exponent: int) -> float:
    root = root_of_covariance(points, exponent, 2)
    covariance = root.T @ (_relative_theo1(points, span, exponent) + _relative_ratio(points, exponent)) @ root
    values = linalg.eigvalsh(covariance)
    return at_least_one(float(values.sum() ** 2 / np.sum(values**2)))


def _relative_theo1(points: int, span: int, exponent: int) -> FloatArray:
    """Return the form of Théo1 over its expectation."""
    rows = span_rows(span)
    whole = form_of_stretches(rows.T @ rows, points)
    return whole / (expected_sum(rows, exponent) * (points - span))


@lru_cache(maxsize=64)
def _relative_ratio(points: int, exponent: int) -> FloatArray:
    """Return the form whose value is the relative error of the mean ratio, to first order."""
    total = np.zeros((points, points))
    shares = 0.0
    for place in ratio_places(points).tolist():
        share = 1 / theo1_bias(12 + 4 * place, exponent)
        rows = np.zeros((1, 2 * (9 + 3 * place) + 1))
        rows[0, [0, 9 + 3 * place, -1]] = 1.0, -2.0, 1.0
        allan = form_of_stretches(rows.T @ rows, points)
        allan /= expected_sum(rows, exponent) * (points - rows.shape[1] + 1)
        total += share * (allan - _relative_theo1(points, 12 + 4 * place, exponent))
        shares += share
    return total / shares
