"""The bias of Théo1 as the handbook measures it in the record itself, and what that costs.

The mean ratio of the Allan variance at 9 + 3i samples to Théo1 at span 12 + 4i, for i up to N/30 - 3 (NIST
SP 1065, 5.2.16; Taylor and Howe, FCS 2010), of long records at ``RATIOS`` of these places spread evenly,
scatters with the record. To first order the variance that it corrects is a quadratic form of phase like
Théo1 itself, whose degrees of freedom count that scatter. Where the ratio depends on the averaging time
(white and flicker PM) one ratio does not fit all of them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import exponents_of
from evenbeat.deviations.extended.dense import (
    form_of_stretches,
    freedom_of_form,
    in_proportion,
    seen_by_differences,
)
from evenbeat.deviations.extended.quadratic import allan_variance, expected_sum
from evenbeat.deviations.extended.theo1 import EFFECTIVE_SHARE, expected_theo1, span_rows, theo1_variance
from evenbeat.deviations.freedom import Moments
from evenbeat.deviations.sums.kernels import sum_of_squared_differences
from evenbeat.deviations.sums.samples import PhasePoints
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


def expected_misfit(points: int, span: int, nodes: FloatArray) -> float:
    """Return by how much of itself the corrected variance is too large, to first order.

    Parameters
    ----------
    nodes
        Shape (draws, noises): levels in keeping with the record; the median over them is returned.
    """
    mean = np.mean([1 / _bias(12 + 4 * place, nodes) for place in ratio_places(points).tolist()], axis=0)
    return float(np.median(_bias(span, nodes) * mean - 1))


def _bias(span: int, levels: FloatArray) -> FloatArray:
    """Return the expectation of Théo1 over the Allan variance at its effective averaging time."""
    noises = exponents_of(2)
    whole = levels @ [expected_theo1(span, alpha) for alpha in noises]
    return np.asarray(whole / (levels @ [allan_variance(EFFECTIVE_SHARE * span, alpha) for alpha in noises]))


def corrected_moments(points: int, span: int, levels: FloatArray, moments: Moments) -> Moments:
    """Return the moments of Théo1 divided by the measured ratio, whose scatter adds to its own.

    Parameters
    ----------
    points, span
        Of the record.
    levels
        Of the noises, per unit of the sampling interval.
    moments
        Those of Théo1 alone.
    """
    short_points, short = in_proportion(points, span, 2, most=MOST_POINTS)
    scale = (points - 1) / (short_points - 1)
    # a noise h f^α looks the same in a record so much shorter at this level; those of phase stay
    shorter = levels * scale ** np.maximum(1.0 - np.array(exponents_of(2)), 0.0)
    ratio = _relative_ratio(short_points, tuple(shorter.tolist()))
    whole = _relative_theo1(short_points, short, shorter) + ratio
    alone, both = (
        freedom_of_form(seen_by_differences(form, 2), short_points, shorter, 2)
        for form in (whole - ratio, whole)
    )
    return replace(moments, products=moments.products * alone / both)


def _relative_theo1(points: int, span: int, levels: FloatArray) -> FloatArray:
    """Return the form of Théo1 over its expectation."""
    rows = span_rows(span)
    expected = levels @ [expected_sum(rows, alpha) for alpha in exponents_of(2)]
    return np.asarray(form_of_stretches(rows.T @ rows, points) / expected)


@lru_cache(maxsize=8)
def _relative_ratio(points: int, levels: tuple[float, ...]) -> FloatArray:
    """Return the form whose value is the relative error of the mean ratio, to first order."""
    given = np.array(levels)
    total = np.zeros((points, points))
    shares = 0.0
    for place in ratio_places(points).tolist():
        share = 1 / float(_bias(12 + 4 * place, given))
        rows = np.zeros((1, 2 * (9 + 3 * place) + 1))
        rows[0, [0, 9 + 3 * place, -1]] = 1.0, -2.0, 1.0
        expected = given @ [expected_sum(rows, alpha) for alpha in exponents_of(2)]
        allan = form_of_stretches(rows.T @ rows, points) / expected
        total += share * (allan - _relative_theo1(points, 12 + 4 * place, given))
        shares += share
    return total / shares
