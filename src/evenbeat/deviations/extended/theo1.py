"""Théo1: differences of frequency averages of every length within a span of m samples.

``Théo1(m) = Σ_i Σ_d (x_i - x_{i+m/2-d} + x_{i+m} - x_{i+m/2+d})² / (m/2 - d) / (0.75 (N - m) (m τ₀)²)`` at
the effective averaging time ``0.75 m τ₀`` (Howe and Tasset, 36th PTTI 2004; NIST SP 1065, 5.2.15, whose
equation omits the 0.75 without which white FM would not come out as its Allan variance). It reaches to
three quarters of the record.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evenbeat.deviations.covariance import phase_kernel
from evenbeat.quantities import FloatArray

SHORTEST_SPAN = 10
EFFECTIVE_SHARE = 0.75
STARTS_AT_ONCE = 4096
ELEMENTS_AT_ONCE = 1 << 16


def theo1_variance(phase: FloatArray, span: int) -> float:
    """Return Théo1 before bias removal, for phase in units of the sampling interval.

    Parameters
    ----------
    phase
        Shape (n,), without gaps.
    span
        Even number m of samples, from 10 to n - 1.
    """
    starts = len(phase) - span
    total = 0.0
    for begin in range(0, starts, STARTS_AT_ONCE):
        count = min(STARTS_AT_ONCE, starts - begin)
        total += _sum_of_block(_without_line(phase[begin : begin + count + span]), span, count)
    return total / (EFFECTIVE_SHARE * starts * float(span) ** 2)


def _without_line(stretch: FloatArray) -> FloatArray:
    values = np.asarray(stretch, dtype=float) - float(stretch[0])
    return values - values[-1] / (len(values) - 1) * np.arange(len(values))


def _sum_of_block(phase: FloatArray, span: int, count: int) -> float:
    half = span // 2
    shifted = sliding_window_view(phase, count)
    ends = phase[:count] + phase[span : span + count]
    rows = max(1, ELEMENTS_AT_ONCE // count)
    work = np.empty((min(rows, half), count))
    weights = span_weights(span)
    total = 0.0
    for first in range(0, half, rows):
        last = min(first + rows, half)
        terms = work[: last - first]
        np.add(
            shifted[half + first : half + last], shifted[half - last + 1 : half - first + 1][::-1], out=terms
        )
        np.subtract(terms, ends, out=terms)
        total += float(np.dot(weights[first:last], np.einsum("ij,ij->i", terms, terms)))
    return total


def span_weights(span: int) -> FloatArray:
    """Return the weights 1/(m/2 - d) for d from 0 to m/2 - 1."""
    return 1.0 / np.arange(span // 2, 0, -1)


def expected_theo1(span: int, exponent: int) -> float:
    """Return the expectation of Théo1 per unit of the level."""
    half = span // 2
    offset = np.arange(half, dtype=float)
    zero, whole = phase_kernel(np.array([0.0, span]), exponent)
    squares = 4 * zero + 2 * whole + 2 * phase_kernel(2 * offset, exponent)
    squares -= 4 * (phase_kernel(half - offset, exponent) + phase_kernel(half + offset, exponent))
    return float(np.dot(span_weights(span), squares)) / (EFFECTIVE_SHARE * float(span) ** 2)


def span_rows(span: int) -> FloatArray:
    """Return weights of the m + 1 points of a span, shape (m/2, m + 1)."""
    half = span // 2
    rows = np.zeros((half, span + 1))
    index = np.arange(half)
    for column, sign in ((0, 1.0), (span, 1.0), (half - index, -1.0), (half + index, -1.0)):
        rows[index, column] += sign
    return np.asarray(rows * np.sqrt(span_weights(span))[:, np.newaxis])


# SOURCE: NIST SP 1065 (2008), table of Théo1 bias: Allan variance over Théo1 is a + b/m^c (from memory)
_PUBLISHED = {
    2: (0.09, 0.74, 0.40),
    1: (0.14, 0.82, 0.30),
    0: (1.00, 0.00, 0.00),
    -1: (1.87, -1.05, 0.79),
    -2: (2.70, -1.53, 0.85),
}


def published_theo1_bias(span: int, exponent: int) -> float:
    """Return Théo1 over the Allan variance by the published fit: within 2 % for FM, 15 % for PM."""
    constant, scale, power = _PUBLISHED[exponent]
    return 1.0 / (constant + scale / math.pow(span, power))
