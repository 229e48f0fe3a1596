"""Sums of products near one end of a row, ``Σ z_i z_{i+qm}`` over the i below pm, for every m at once.

One by one they take as many multiplications as half the square of the largest m. The pairs (i, m) fill a
triangle: it is halved again and again, and the rectangle that is left beside the two halves is a
correlation, which one Fourier transform gives for all its m. All rectangles of one size are transformed
together; the smallest triangles are summed as they stand.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from evenbeat.deviations.averaging import IntArray
from evenbeat.quantities import FloatArray

SMALLEST = 32
"""Values of m in a triangle that is not halved any more."""
AT_ONCE = 1 << 18
"""Numbers transformed in one go."""


def products_near_start(values: FloatArray, largest: int, *, reach: int = 1, apart: int = 1) -> FloatArray:
    """Return ``Σ z_i z_{i + apart·m}`` over all i from 0 to below ``reach·m``, for m from 0 to ``largest``.

    Parameters
    ----------
    values
        Shape (n,): z, taken for zero beyond its end.
    largest
        The largest m.
    reach, apart
        Small whole numbers.
    """
    count = SMALLEST
    while count <= largest:
        count *= 2
    span = reach + apart
    row = np.zeros(span * count + 1)
    used = min(len(values), len(row))
    row[:used] = values[:used]
    found = _in_triangles(row, count, reach, apart)
    size = 2 * SMALLEST
    while size <= count:
        begins = range(0, count, size)
        together = max(1, AT_ONCE // (span * size))
        for first in range(0, len(begins), together):
            some = np.arange(first, min(first + together, len(begins))) * size
            upper = (some[:, np.newaxis] + np.arange(size // 2, size)).ravel()
            found[upper] += _in_rectangles(row, some, size, reach, apart).ravel()
        size *= 2
    return found[: largest + 1]


def _in_triangles(row: FloatArray, count: int, reach: int, apart: int) -> FloatArray:
    """Return the parts with m from M on and i from ``reach·M`` on, for every multiple M of ``SMALLEST``."""
    offset, place = np.arange(SMALLEST), np.arange(reach * SMALLEST)
    inside = (place[:, np.newaxis] < reach * offset).astype(float)
    step = row.strides[0]
    first = row[: reach * count].reshape(-1, reach * SMALLEST)
    second = np.lib.stride_tricks.as_strided(
        row,
        (len(first), reach * SMALLEST, SMALLEST),
        ((reach + apart) * SMALLEST * step, step, apart * step),
        writeable=False,
    )
    return np.einsum("ba,bac,ac->bc", first, second, inside).ravel()


def _in_rectangles(row: FloatArray, begins: IntArray, size: int, reach: int, apart: int) -> FloatArray:
    """Return the parts with m in the upper half of ``size`` values and i in the lower half."""
    half = size // 2
    length = (reach + apart) * half
    first = row[(reach * begins)[:, np.newaxis] + np.arange(reach * half)]
    second = row[((reach + apart) * begins + apart * half)[:, np.newaxis] + np.arange(length)]
    spectrum = np.conj(fft.rfft(first, length)) * fft.rfft(second, length)
    return np.asarray(fft.irfft(spectrum, length)[:, : apart * half : apart])
