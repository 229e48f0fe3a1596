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
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import term_covariances
from evenbeat.deviations.forms.differences import Differences, like_differences
from evenbeat.deviations.forms.form import (
    Bias,
    RowsForm,
    expected_sum,
    freedom_by_ratio,
    freedom_of_mean,
    gap_free_phase,
    hadamard_variance,
    variance_of,
)
from evenbeat.deviations.freedom import Moments, overlapping_lags
from evenbeat.deviations.sums.kernels import TermSum, sum_of_squared_differences
from evenbeat.deviations.sums.samples import Samples
from evenbeat.quantities import FloatArray

LARGEST_BY_MATRIX = 8
"""Up to this factor the forms are multiplied out: a running sum would lose digits against short averages."""
STRETCHES_AT_ONCE = 1024
ELEMENTS_AT_ONCE = 1 << 16
LARGEST_EXACT_STRETCH = 64
LONGEST_STRETCH_FOR_FREEDOM = 16
LONGEST_UNDER_WHITE_PM = 128

# SOURCE: Howe and Vernotte 1999 and NIST SP 1065 (2008): modified total over modified Allan variance
_PUBLISHED_MODIFIED = {2: 0.94, 1: 0.83, 0: 0.73, -1: 0.70, -2: 0.69}
# SOURCE: Howe, Beard, Greenhall and Riley 2000: Hadamard total over Hadamard variance; of phase noises
# nothing is published, the handbook's tables use that of white FM throughout
_PUBLISHED_HADAMARD = {2: 0.995, 1: 0.995, 0: 0.995, -1: 0.851, -2: 0.771, -3: 0.717, -4: 0.679}


def sum_over_stretches(values: FloatArray, factor: int) -> float:
    """Return the sum over all stretches of phase, or its increments, of the mean of the 6m squared terms."""
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


@dataclass(frozen=True, kw_only=True)
class StretchForm(RowsForm):
    """Modified total variance (of phase), or Hadamard total variance (of frequency)."""

    hadamard: bool
    rows_of: Callable[[int], FloatArray] = stretch_rows

    @property
    def order(self) -> int:
        """The order of the differences that it is like."""
        return 3 if self.hadamard else 2

    def rows(self, factor: int) -> FloatArray:
        """Return the weights of phase."""
        return _rows(factor, hadamard=self.hadamard)

    def starts(self, points: int, factor: int) -> int:
        """Return how many stretches there are."""
        return points - self.hadamard - 3 * factor + 1

    def divisor(self, factor: int) -> float:
        """Return what the sum of squares of the rows is divided by."""
        return 6.0 if self.hadamard else 2.0 * float(factor) ** 2

    def largest(self, points: int) -> int:
        """Return a third of the number of values."""
        return (points - self.hadamard) // 3

    def lags(self, factor: int) -> IntArray:
        """Return the lags between stretches at which their covariance is formed."""
        return overlapping_lags(factor, 3)

    def variance(self, samples: Samples, factor: int, bias: Bias) -> TermSum:
        """Return the raw variance."""
        starts = self.starts(samples.points, factor)
        if self._is_replaced(factor, bias):
            return variance_of(sum_of_squared_differences(samples, 1, 3).total / (6 * starts), starts)
        values = gap_free_phase(samples)
        if self.hadamard:
            values = np.diff(np.asarray(values, dtype=float))
        return variance_of(sum_over_stretches(values, factor) / (self.divisor(factor) * starts), starts)

    def _is_replaced(self, factor: int, bias: Bias) -> bool:
        """Whether the published tables have the overlapping Hadamard variance here: at factor 1."""
        return self.hadamard and factor == 1 and bias == "published"

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias = "exact") -> Moments:
        """Return those of the mean over all stretches."""
        if self._is_replaced(factor, bias):
            return Differences(differences=3, at_every_sample=True).moments(terms, points, 1)
        return super().moments(terms, points, factor, bias)

    def expected(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the expectation, exact up to factor 64."""
        return _stretch_bias(factor, exponent, hadamard=self.hadamard) * self.aimed_at(factor, exponent)

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the modified Allan or the Hadamard variance."""
        if self.hadamard:
            return hadamard_variance(factor, exponent)
        square = term_covariances([0], factor, order=2, averaged=True, exponents=(exponent,))
        return float(square[0, 0]) / (2 * float(factor) ** 2)

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom: exact up to some factor, beyond by ratio to the difference form."""
        starts = self.starts(points, factor)
        longest = LONGEST_UNDER_WHITE_PM if exponent == 2 else LONGEST_STRETCH_FOR_FREEDOM
        if factor <= longest:
            return self.exact_freedom(starts, factor, exponent)
        return freedom_by_ratio(
            starts,
            factor,
            longest,
            lambda starts, at: self.exact_freedom(starts, at, exponent),
            lambda starts, at: like_differences(
                starts, at, exponent, order=self.order, averaged=not self.hadamard
            ),
        )

    def exact_freedom(self, starts: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom of a mean over so many stretches."""
        if exponent == 2:
            squares = _squares_under_white_phase(factor, hadamard=self.hadamard)
            return freedom_of_mean(starts, overlapping_lags(factor, 3), squares)
        return super().exact_freedom(starts, factor, exponent)

    def published_bias(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the published expectation over the modified Allan or the Hadamard variance."""
        if self._is_replaced(factor, "published"):
            return 1.0
        return (_PUBLISHED_HADAMARD if self.hadamard else _PUBLISHED_MODIFIED)[exponent]


def _rows(factor: int, *, hadamard: bool) -> FloatArray:
    """Return the weights of phase."""
    rows = stretch_rows(factor)
    if not hadamard:
        return rows
    return np.asarray(np.pad(rows, ((0, 0), (1, 0))) - np.pad(rows, ((0, 0), (0, 1))))


@lru_cache(maxsize=64)
def _squares_under_white_phase(factor: int, *, hadamard: bool) -> FloatArray:
    """Return the same under white PM, where two stretches share phase points and nothing else.

    With the form F of a stretch ``g(k) = Σ F[i, j] F[i + k, j + k]/(tr F)²``.
    """
    rows = _rows(factor, hadamard=hadamard)
    form, lags = rows.T @ rows, overlapping_lags(factor, 3)
    length = len(form)
    found = [
        float(np.einsum("ij,ij->", form[: length - k, : length - k], form[k:, k:])) if k < length else 0.0
        for k in lags.tolist()
    ]
    return np.array(found) / np.trace(form) ** 2


@lru_cache(maxsize=1024)
def _stretch_bias(factor: int, exponent: int, *, hadamard: bool) -> float:
    """Return the exact ratio of expectations, extrapolated beyond factor 64.

    Under white PM m² times the numerator of the Hadamard total tends to its limit as 1/m, under flicker PM
    it grows as log m; all other ratios have reached their limit to 1e-4.
    """
    if factor > LARGEST_EXACT_STRETCH and not (hadamard and exponent > 0):
        return _stretch_bias(LARGEST_EXACT_STRETCH, exponent, hadamard=hadamard)
    if factor > LARGEST_EXACT_STRETCH:
        at = np.array([LARGEST_EXACT_STRETCH // 2, LARGEST_EXACT_STRETCH, factor])
        scale = 1.0 / at if exponent == 2 else np.log(at)
        half, whole = (m**2 * expected_sum(_rows(int(m), hadamard=True), exponent) for m in at[:2])
        numerator = whole + (whole - half) * (scale[2] - scale[1]) / (scale[1] - scale[0])
        numerator /= factor**2
    else:
        numerator = expected_sum(_rows(factor, hadamard=hadamard), exponent)
    if hadamard:
        return float(numerator) / (6 * hadamard_variance(factor, exponent))
    difference = np.repeat([1.0, -2.0, 1.0], factor)[np.newaxis, :] / factor
    return float(numerator) / expected_sum(difference, exponent)
