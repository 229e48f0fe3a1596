"""Sums over all spans of a record of the squares that Théo1 is made of, by Fourier transforms.

With m = 2h and E_i = x_i + x_{i+m} the sum over starts i and 0 ≤ d < h of w_d (E_i - x_{i+h-d} - x_{i+h+d})²
falls into squares of E, products of E with a moving mean of x, squares of x, and the products
``Σ_i x_{i+h-d} x_{i+h+d}``: the lagged products of the stretch, of which those near its ends that no start
reaches fill a triangle u + d < h. It is halved again and again; the squares that are left beside the halves
are correlations. Products lose digits where the terms are small beside x: the stretches are a few spans long,
and each is given less a line, which the terms do not see.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from evenbeat.deviations.averaging import IntArray
from evenbeat.quantities import FloatArray

SMALLEST = 16
"""Side of a triangle that is not halved any more."""


def squares_in_spans(stretches: FloatArray, weights: FloatArray) -> float:
    """Return the sum over all starts and d of w_d times the squares, all stretches together.

    Parameters
    ----------
    stretches
        Shape (k, n): phase less a line.
    weights
        Shape (h,): of d from 0, for spans of 2h samples; n is above 2h.
    """
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
