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

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import mean_square_difference
from evenbeat.deviations.forms.terms import Differences
from evenbeat.deviations.forms.whole import RowsForm, expected_sum, freedom_of_mean
from evenbeat.deviations.freedom import overlapping_lags
from evenbeat.deviations.sums.kernels import TermSum, sum_of_squared_differences
from evenbeat.deviations.sums.samples import PhasePoints
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
        stretch = np.asarray(values[begin : begin + count + 3 * factor - 1], dtype=float) - float(
            values[begin]
        )
        # less the line through its ends, which no second difference sees
        stretch -= stretch[-1] / max(len(stretch) - 1, 1) * np.arange(len(stretch))
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
    # less the slope between the means of both halves
    half, distance = length // 2, (length + 1) // 2
    slope = np.zeros(length)
    slope[:half], slope[length - half :] = -1.0, 1.0
    removal = np.eye(length) - np.outer(np.arange(length), slope / (half * distance))
    reduced: FloatArray = np.asarray(np.linalg.qr(places @ removal / math.sqrt(2 * length), mode="r"))
    reduced.flags.writeable = False
    return reduced


def hadamard_rows(factor: int) -> FloatArray:
    """Return weights of phase of the Hadamard total, whose stretches are of frequency.

    At factor 1 a stretch has one second difference of frequency, counted once as in the published tables.
    """
    if factor == 1:
        return np.array([[-1.0, 3.0, -3.0, 1.0]])
    rows = stretch_rows(factor)
    return np.asarray(np.pad(rows, ((0, 0), (1, 0))) - np.pad(rows, ((0, 0), (0, 1))))


def _by_matrix(values: FloatArray, factor: int, count: int) -> float:
    rows = stretch_rows(factor)
    # the rows annihilate a constant: on increments no digits are lost to the level
    on_increments = np.cumsum(rows[:, ::-1], axis=1)[:, ::-1][:, 1:]
    windows = sliding_window_view(np.diff(values), 3 * factor - 1)[:count]
    # einsum would be slow here and BLAS threads slower; the product is small
    terms = windows @ on_increments.T
    return float(np.einsum("ij,ij->", terms, terms))


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
    for begin, end, weight in _runs(factor):
        # how often the running sum at either end of the stretch enters by the reflection
        points = list(enumerate(begin + factor * np.arange(4)))
        before = sum(2 * _BINOMIAL[number] for number, point in points if point < 0)
        after = sum(2 * _BINOMIAL[number] for number, point in points if point > length)
        for first in range(begin, end + 1, rows):
            last = min(first + rows - 1, end)
            terms, slopes = work[: last - first + 1], spare[: last - first + 1]
            _third_differences(terms, once, thrice, first, factor)
            np.multiply(ramp[first + length : last + length + 1, np.newaxis], slope, out=slopes)
            np.subtract(terms, slopes, out=terms)
            if before or after:
                np.add(terms, before * once[0] + after * once[length], out=terms)
            total += weight * float(np.einsum("ij,ij->", terms, terms))
    return total / (2 * length * factor**2)


@lru_cache(maxsize=256)
def _runs(factor: int) -> tuple[tuple[int, int, int], ...]:
    """Return half of the 6m places, first and last of those alike, and how often they count.

    Alike are neighbours whose four points lie on the same side of the ends; on an axis of symmetry they count
    once, the others twice.
    """
    length = 3 * factor
    first, last = -(length // 2), length // 2
    edges = sorted({first, -factor, 0, 1, factor + 1, last + 1})
    if length % 2 == 0:
        edges = sorted({*edges, first + 1, last})
    runs = []
    for begin, end in pairwise(edges):
        on_axis = length % 2 == 0 and begin in {first, last}
        runs.append((begin, end - 1, 1 if on_axis else 2))
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


@dataclass(frozen=True)
class StretchForm(RowsForm):
    """Modified total variance (of phase), or if of order 3 Hadamard total variance (of frequency).

    At factor 1 the latter is the overlapping Hadamard variance, as in the published tables.
    """

    rows_of: Callable[[int], FloatArray] = stretch_rows

    def starts(self, points: int, factor: int) -> int:
        """Return how many stretches there are."""
        return points - (self.order - 2) - 3 * factor + 1

    def divisor(self, factor: int) -> float:
        """Return what the sum of squares of the rows is divided by."""
        return 6.0 if self.order == 3 else 2.0 * float(factor) ** 2

    def largest(self, points: int) -> int:
        """Return a third of the number of values."""
        return (points - (self.order - 2)) // 3

    def lags(self, factor: int) -> IntArray:
        """Return the lags between stretches at which their covariance is formed."""
        return overlapping_lags(factor, 3)

    def variance(self, samples: PhasePoints, factor: int) -> TermSum:
        """Return the raw variance."""
        starts, values = self.starts(samples.points, factor), samples.phase_s
        if self.order == 3 and factor == 1:
            total = sum_of_squared_differences(samples, 1, 3).total
        else:
            total = sum_over_stretches(np.diff(values.astype(float)) if self.order == 3 else values, factor)
        return TermSum(total=total / (self.divisor(factor) * starts), possible=starts)

    def expected(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the expectation, exact up to factor 64."""
        return _bias(self, factor, exponent) * self.aimed_at(factor, exponent)

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the modified Allan or the Hadamard variance."""
        form = Differences(order=self.order, averaged=self.order == 2)
        square = mean_square_difference(exponent, factor, order=form.order, averaged=form.averaged)
        return form.scale(factor) * square

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom: exact up to some factor, beyond by ratio to the difference form."""
        exact_to = LONGEST_UNDER_WHITE_PM if exponent == 2 else LONGEST_STRETCH_FOR_FREEDOM
        starts, averaged = self.starts(points, factor), self.order == 2
        return self.freedom_by_ratio(starts, factor, exponent, exact_to=exact_to, averaged=averaged)

    def exact_freedom(self, starts: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom of a mean over so many stretches."""
        if exponent == 2:
            return freedom_of_mean(starts, self.lags(factor), _squares_under_white_phase(self, factor))
        return super().exact_freedom(starts, factor, exponent)

    def published_bias(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the published expectation over the modified Allan or the Hadamard variance."""
        if self.order == 3 and factor == 1:
            return 1.0
        return (_PUBLISHED_HADAMARD if self.order == 3 else _PUBLISHED_MODIFIED)[exponent]


@lru_cache(maxsize=64)
def _squares_under_white_phase(form: StretchForm, factor: int) -> FloatArray:
    """Return the same under white PM, where two stretches share phase points and nothing else.

    With the form F of a stretch ``g(k) = Σ F[i, j] F[i + k, j + k]/(tr F)²``.
    """
    rows, lags = form.rows_of(factor), form.lags(factor)
    square = rows.T @ rows
    length = len(square)
    found = [
        float(np.einsum("ij,ij->", square[: length - k, : length - k], square[k:, k:])) if k < length else 0.0
        for k in lags.tolist()
    ]
    return np.array(found) / np.trace(square) ** 2


@lru_cache(maxsize=1024)
def _bias(form: StretchForm, factor: int, exponent: int) -> float:
    """Return the exact ratio of expectations, extrapolated beyond factor 64.

    Under white PM m² times the numerator of the Hadamard total tends to its limit as 1/m, under flicker PM
    it grows as log m; all other ratios have reached their limit to 1e-4.
    """
    longest = LARGEST_EXACT_STRETCH
    if factor <= longest:
        numerator = expected_sum(form.rows_of(factor), exponent)
    elif form.order == 3 and exponent > 0:
        at = np.array([longest // 2, longest, factor])
        scale = 1.0 / at if exponent == 2 else np.log(at)
        half, whole = (m**2 * expected_sum(form.rows_of(int(m)), exponent) for m in at[:2])
        numerator = whole + (whole - half) * (scale[2] - scale[1]) / (scale[1] - scale[0])
        numerator /= factor**2
    else:
        return _bias(form, longest, exponent)
    return float(numerator) / (form.divisor(factor) * form.aimed_at(factor, exponent))
