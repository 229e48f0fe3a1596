"""Modified total and Hadamard total: every stretch of 3m values, its slope removed, reflected at both ends.

Each stretch less its half-average slope is extended by even reflection, and the second differences of
adjacent m-averages are squared at all 6m places (NIST SP 1065, 5.2.12 and 5.2.14; Howe and Vernotte, 31st
PTTI 1999; Howe, Beard, Greenhall and Riley, 32nd PTTI 2000). Applied to phase this is the modified total,
to frequency the Hadamard total. The extension has period 6m and is even, so half of the places suffice;
they are third differences of the running sum, reflected with a change of sign, which are formed for many
stretches and places at once.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evenbeat.quantities import FloatArray

LARGEST_BY_MATRIX = 8
"""Up to this factor the forms are multiplied out: a running sum would lose digits against short averages."""
STRETCHES_AT_ONCE = 1024
ELEMENTS_AT_ONCE = 1 << 16


def sum_over_stretches(values: FloatArray, factor: int) -> float:
    """Return the sum over all stretches of the mean square of the 6m second differences.

    Parameters
    ----------
    values
        Shape (n,), n >= 3 ``factor``: phase, or phase increments; without gaps.
    factor
        Averaging factor m.
    """
    starts = len(values) - 3 * factor + 1
    block = max(STRETCHES_AT_ONCE, factor)
    total = 0.0
    for begin in range(0, starts, block):
        count = min(block, starts - begin)
        stretch = _without_line(values[begin : begin + count + 3 * factor - 1])
        by = _by_matrix if factor <= LARGEST_BY_MATRIX else _by_running_sum
        total += by(stretch, factor, count)
    return total


@lru_cache(maxsize=64)
def stretch_rows(factor: int) -> FloatArray:
    """Return weights of the 3m values, shape (3m, 3m); their squares add up to the mean over the places."""
    length = 3 * factor
    mirrored = np.concatenate([np.arange(length)[::-1], np.arange(length), np.arange(length)[::-1]])
    places = np.zeros((2 * length, length))
    second_difference = np.repeat([1.0, -2.0, 1.0], factor) / factor
    for place in range(2 * length):
        np.add.at(places[place], mirrored[place : place + length], second_difference)
    rows = places @ _slope_removal(length) / math.sqrt(2 * length)
    reduced: FloatArray = np.asarray(np.linalg.qr(rows, mode="r"))
    reduced.flags.writeable = False
    return reduced


def _slope_removal(length: int) -> FloatArray:
    """Return the matrix that takes the slope between the means of both halves from a stretch."""
    half, distance = length // 2, (length + 1) // 2
    slope = np.zeros(length)
    slope[:half], slope[length - half :] = -1.0, 1.0
    return np.asarray(np.eye(length) - np.outer(np.arange(length), slope / (half * distance)))


def _without_line(stretch: FloatArray) -> FloatArray:
    """Return a stretch less the line through its ends, which no second difference sees."""
    values = np.asarray(stretch, dtype=float) - float(stretch[0])
    return values - values[-1] / max(len(values) - 1, 1) * np.arange(len(values))


def _by_matrix(values: FloatArray, factor: int, count: int) -> float:
    rows = stretch_rows(factor)
    # the rows annihilate a constant: on increments no digits are lost to the level
    on_increments = np.cumsum(rows[:, ::-1], axis=1)[:, ::-1][:, 1:]
    windows = sliding_window_view(np.diff(values), 3 * factor - 1)[:count]
    # einsum would be slow here and BLAS threads slower; the product is small
    terms = windows @ on_increments.T
    return float(np.einsum("ij,ij->", terms, terms))


class _Places(NamedTuple):
    """Neighbouring places whose four points lie on the same side of the ends, and how often they count."""

    first: int
    last: int
    weight: int


def _by_running_sum(values: FloatArray, factor: int, count: int) -> float:
    length = 3 * factor
    sums = np.concatenate([[0.0], np.cumsum(values)])
    once, thrice = sliding_window_view(sums, count), sliding_window_view(3 * sums, count)
    half, distance = length // 2, (length + 1) // 2
    slope = once[length] - once[length - half] - once[half] + once[0]
    slope = slope / (half * distance)
    rows = max(1, ELEMENTS_AT_ONCE // count)
    work, spare = np.empty((rows, count)), np.empty((rows, count))
    ramp = _ramp_response(factor)
    total = 0.0
    for run in _runs(factor):
        constant = _end_weights(run.first, factor) @ np.stack([once[0], once[length]])
        for first in range(run.first, run.last + 1, rows):
            last = min(first + rows - 1, run.last)
            terms, slopes = work[: last - first + 1], spare[: last - first + 1]
            _third_differences(terms, once, thrice, first, factor)
            np.multiply(ramp[first + length : last + length + 1, np.newaxis], slope, out=slopes)
            np.subtract(terms, slopes, out=terms)
            if constant.any():
                np.add(terms, constant, out=terms)
            total += run.weight * float(np.einsum("ij,ij->", terms, terms))
    return total / (2 * length * factor**2)


@lru_cache(maxsize=256)
def _runs(factor: int) -> tuple[_Places, ...]:
    """Return half of the 6m places: those on both axes of symmetry count once, the others twice."""
    length = 3 * factor
    first, last = -(length // 2), length // 2
    edges = sorted({first, -factor, 0, 1, factor + 1, last + 1})
    if length % 2 == 0:
        edges = sorted({*edges, first + 1, last})
    runs = []
    for begin, end in pairwise(edges):
        on_axis = length % 2 == 0 and begin in {first, last}
        runs.append(_Places(begin, end - 1, 1 if on_axis else 2))
    return tuple(runs)


_BINOMIAL = (-1, 3, -3, 1)


def _third_differences(
    out: FloatArray, once: FloatArray, thrice: FloatArray, first: int, factor: int
) -> None:
    """Write the differences less their end values: row r is for the place ``first + r``."""
    length, rows = 3 * factor, len(out)
    last = first + rows - 1
    for number, weight in enumerate(_BINOMIAL):
        source = thrice if abs(weight) == 3 else once
        begin, end = first + number * factor, last + number * factor
        inside = begin >= 0 and end <= length
        if inside:
            part = source[begin : end + 1]
        else:
            begin, end = (-begin, -end) if begin < 0 else (2 * length - begin, 2 * length - end)
            part = source[end : begin + 1][::-1]
        adds = (weight > 0) == inside
        if number == 0:
            np.copyto(out, part) if adds else np.negative(part, out=out)
        else:
            (np.add if adds else np.subtract)(out, part, out=out)


def _end_weights(place: int, factor: int) -> FloatArray:
    """Return how often the running sum at either end of the stretch enters by the reflection."""
    weights = np.zeros(2)
    for number, weight in enumerate(_BINOMIAL):
        point = place + number * factor
        if point < 0:
            weights[0] += 2 * weight
        elif point > 3 * factor:
            weights[1] += 2 * weight
    return weights


@lru_cache(maxsize=64)
def _ramp_response(factor: int) -> FloatArray:
    """Return the third differences for values 0, 1, 2 …, for places from -3m to 3m."""
    length = 3 * factor
    index = np.arange(length + 1, dtype=float)
    inside = index * (index - 1) / 2
    extended = np.concatenate([-inside[:0:-1], inside, 2 * inside[-1] - inside[-2::-1]])
    # extended[j] is the running sum at j - 3m; a place at 3m would reach beyond 6m and is not asked for
    response = np.zeros(2 * length + 1)
    whole = len(extended) - length
    response[:whole] = (
        extended[length:]
        - 3 * extended[2 * factor : 2 * factor + whole]
        + 3 * extended[factor : factor + whole]
        - extended[:whole]
    )
    return response
