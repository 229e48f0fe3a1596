"""Théo1: differences of frequency averages of every length within a span of m samples.

``Théo1(m) = Σ_i Σ_d (x_i - x_{i+m/2-d} + x_{i+m} - x_{i+m/2+d})² / (m/2 - d) / (0.75 (N - m) (m τ₀)²)`` at
the effective averaging time ``0.75 m τ₀`` (Howe and Tasset, 36th PTTI 2004; NIST SP 1065, 5.2.15, whose
equation omits the 0.75 without which white FM would not come out as its Allan variance). It reaches to
three quarters of the record.

Sums over all spans of a record of the squares that Théo1 is made of, by Fourier transforms.

With m = 2h and E_i = x_i + x_{i+m} the sum over starts i and 0 ≤ d < h of w_d (E_i - x_{i+h-d} - x_{i+h+d})²
falls into squares of E, products of E with a moving mean of x, squares of x, and the products
``Σ_i x_{i+h-d} x_{i+h+d}``: the lagged products of the stretch, of which those near its ends that no start
reaches fill a triangle u + d < h. It is halved again and again; the squares that are left beside the halves
are correlations. Products lose digits where the terms are small beside x: the stretches are a few spans long,
and each is given less a line, which the terms do not see.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import phase_kernel
from evenbeat.deviations.forms.whole import RowsForm, allan_variance
from evenbeat.deviations.freedom import overlapping_lags
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.quantities import FloatArray

SHORTEST_SPAN = 10
EFFECTIVE_SHARE = 0.75
STARTS_IN_SPANS = 4
"""How many spans the starts of a stretch cover: more take less time, and leave more of a drift in it."""
ELEMENTS_AT_ONCE = 1 << 18
LONGEST_SPAN_FOR_FREEDOM = 64
SMALLEST = 16
"""Side of a triangle that is not halved any more."""


def theo1_variance(phase: FloatArray, span: int) -> float:
    """Return Théo1 of an even span before bias removal, for phase in units of the sampling interval."""
    starts = len(phase) - span
    count = min(starts, STARTS_IN_SPANS * span)
    whole, rest = divmod(starts, count)
    begins = count * np.arange(whole)
    at_once = max(1, ELEMENTS_AT_ONCE // (count + span))
    weights, total = span_weights(span), 0.0
    for first in range(0, whole, at_once):
        total += squares_in_spans(_stretches(phase, begins[first : first + at_once], count + span), weights)
    if rest:
        total += squares_in_spans(_stretches(phase, np.array([whole * count]), rest + span), weights)
    return total / (EFFECTIVE_SHARE * starts * float(span) ** 2)


def _stretches(phase: FloatArray, begins: IntArray, length: int) -> FloatArray:
    """Return stretches of phase, shape (k, length), each less a line that is never rounded."""
    rows = np.array([phase[begin : begin + length] for begin in begins.tolist()], dtype=float)
    start, end = rows[:, :1].copy(), rows[:, -1:].copy()
    step = 4 * np.spacing(np.maximum(np.abs(start), np.abs(end)))
    rows -= np.rint(start / step) * step
    rows -= np.rint((end - start) / (length - 1) / step) * step * np.arange(length)
    return rows


def span_weights(span: int) -> FloatArray:
    """Return the weights 1/(m/2 - d) for d from 0 to m/2 - 1."""
    return 1.0 / np.arange(span // 2, 0, -1)


def span_rows(span: int) -> FloatArray:
    """Return weights of the m + 1 points of a span, shape (m/2, m + 1)."""
    half = span // 2
    rows = np.zeros((half, span + 1))
    index = np.arange(half)
    for column, sign in ((0, 1.0), (span, 1.0), (half - index, -1.0), (half + index, -1.0)):
        rows[index, column] += sign
    return np.asarray(rows * np.sqrt(span_weights(span))[:, np.newaxis])


@dataclass(frozen=True)
class Theo1Form(RowsForm):
    """Théo1; of its published bias the fit is within 2 % of the exact ratio for FM, 15 % for PM."""

    rows_of: Callable[[int], FloatArray] = span_rows

    effective_share, smallest, step, intervals = EFFECTIVE_SHARE, SHORTEST_SPAN, 2, 2.0

    def starts(self, points: int, factor: int) -> int:
        """Return how many spans there are."""
        return points - factor

    def divisor(self, factor: int) -> float:
        """Return what the sum of squares of the rows is divided by."""
        return EFFECTIVE_SHARE * float(factor) ** 2

    def largest(self, points: int) -> int:
        """Return the longest even span."""
        return (points - 1) // 2 * 2

    def variance(self, samples: PhasePoints, factor: int) -> TermSum:
        """Return the raw variance."""
        return TermSum(total=theo1_variance(samples.phase_s, factor), possible=samples.points - factor)

    def expected(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the exact expectation."""
        offset = np.arange(factor // 2, dtype=float)
        zero, whole = phase_kernel(np.array([0.0, factor]), exponent)
        squares = 4 * zero + 2 * whole + 2 * phase_kernel(2 * offset, exponent)
        for apart in (factor // 2 - offset, factor // 2 + offset):
            squares -= 4 * phase_kernel(apart, exponent)
        return float(np.dot(span_weights(factor), squares)) / self.divisor(factor)

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the Allan variance at the effective averaging time."""
        return allan_variance(EFFECTIVE_SHARE * factor, exponent)

    def lags(self, factor: int) -> IntArray:
        """Return the lags between spans at which their covariance is formed."""
        return overlapping_lags(factor // 2, 2)

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom: exact up to m = 64, then by their ratio to the Allan variance."""
        return self.freedom_by_ratio(
            points - factor,
            factor,
            exponent,
            exact_to=LONGEST_SPAN_FOR_FREEDOM,
            like=2,
            grows=exponent == 1,
        )


def squares_in_spans(stretches: FloatArray, weights: FloatArray) -> float:
    """Return the sum over starts and d of w_d times the squares, of stretches (k, n) of phase less a line."""
    half = len(weights)
    span, length = 2 * half, stretches.shape[1]
    count = length - span
    moving = np.zeros(span + 1)
    moving[half:0:-1] = weights
    moving[half:span] += weights
    ends = stretches[:, :count] + stretches[:, span:]
    total = float(weights.sum()) * float(np.einsum("ij,ij->", ends, ends))

    # the whole lagged products must not meet themselves around the circle
    around = fft.next_fast_len(length + span, real=True)
    spectrum = fft.rfft(stretches, around)
    means = fft.irfft(spectrum * np.conj(fft.rfft(moving, around)), around)[:, :count]
    total -= 2 * float(np.einsum("ij,ij->", ends, means))

    upto = np.concatenate([[0.0], np.cumsum(np.einsum("ij,ij->j", stretches, stretches))])
    total += float(moving @ (upto[count:] - upto[: span + 1]))

    power = np.einsum("ij,ij->j", spectrum.real, spectrum.real)
    power += np.einsum("ij,ij->j", spectrum.imag, spectrum.imag)
    total += 2 * float(weights @ fft.irfft(power, around)[:span:2])
    both_ends = np.concatenate([stretches[:, :span], stretches[:, : -span - 1 : -1]])
    return total - 2 * _in_triangle(both_ends, weights)


def _in_triangle(rows: FloatArray, weights: FloatArray) -> float:
    """Return ``Σ w_d x_u x_{u+2d}`` over u + d < h, of all rows of 2h values."""
    half = len(weights)
    size = SMALLEST
    while size < half:
        size *= 2
    # zeros before the rows make the side a power of two
    padded = np.zeros((len(rows), 2 * size))
    padded[:, size - half : size + half] = rows
    weight = np.zeros(size)
    weight[:half] = weights
    total, side = 0.0, size
    while side > SMALLEST:
        first, second, begins = _tiles(padded, size, side, side // 2)
        around = 3 * side // 2
        spectrum = np.conj(fft.rfft(first, around)) * fft.rfft(second, around)
        lagged = fft.irfft(spectrum.sum(axis=0), around)[:, :side:2]
        total += float(np.sum(lagged * weight[begins + np.arange(side // 2)]))
        side //= 2
    first, second, begins = _tiles(padded, size, side, side)
    for apart in range(side):
        products = first[:, :, : side - apart] * second[:, :, 2 * apart : side + apart]
        total += float(products.sum(axis=(0, 2)) @ weight[begins[:, 0] + apart])
    return total


def _tiles(padded: FloatArray, size: int, side: int, width: int) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return x_u and x_{u+2d} of the corners of the triangles of a side, and where their d begins."""
    place = np.arange(0, size, side)[:, np.newaxis]
    begins = size - side - place
    first = padded[:, place + np.arange(width)]
    second = padded[:, np.minimum(place + 2 * begins + np.arange(3 * width), 2 * size - 1)]
    return first, second, begins
