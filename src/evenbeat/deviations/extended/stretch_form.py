"""Modified total and Hadamard total as a form: bias and degrees of freedom of sums over stretches."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np

from evenbeat.deviations.covariance import term_covariances
from evenbeat.deviations.extended.dense import form_of_stretches
from evenbeat.deviations.extended.form import Bias, gap_free_phase, moments_of, variance_of, weights_of
from evenbeat.deviations.extended.quadratic import (
    expected_sum,
    freedom_by_ratio,
    freedom_of_mean,
    hadamard_variance,
    relative_squares,
)
from evenbeat.deviations.extended.subsequences import stretch_rows, sum_over_stretches
from evenbeat.deviations.freedom import (
    Moments,
    equivalent_degrees_of_freedom,
    moments_of_differences,
    overlapping_lags,
)
from evenbeat.deviations.sums.kernels import TermSum, sum_of_squared_differences
from evenbeat.deviations.sums.samples import Samples
from evenbeat.quantities import FloatArray

LARGEST_EXACT_STRETCH = 64
LONGEST_STRETCH_FOR_FREEDOM = 16
LONGEST_UNDER_WHITE_PM = 128

# SOURCE: Howe and Vernotte 1999 and NIST SP 1065 (2008): modified total over modified Allan variance
_PUBLISHED_MODIFIED = {2: 0.94, 1: 0.83, 0: 0.73, -1: 0.70, -2: 0.69}
# SOURCE: Howe, Beard, Greenhall and Riley 2000: Hadamard total over Hadamard variance; of phase noises
# nothing is published, the handbook's tables use that of white FM throughout
_PUBLISHED_HADAMARD = {2: 0.995, 1: 0.995, 0: 0.995, -1: 0.851, -2: 0.771, -3: 0.717, -4: 0.679}


@dataclass(frozen=True, kw_only=True)
class StretchForm:
    """Modified total variance (of phase), or Hadamard total variance (of frequency)."""

    hadamard: bool
    effective_share: ClassVar[float] = 1.0
    smallest: ClassVar[int] = 1
    step: ClassVar[int] = 1
    spans: ClassVar[float] = 1.0

    def largest(self, points: int) -> int:
        """Return a third of the number of values."""
        return (points - self.hadamard) // 3

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:
        """Return the raw variance."""
        starts = samples.points - self.hadamard - 3 * factor + 1
        if self._is_replaced(factor, bias):
            return variance_of(sum_of_squared_differences(samples, 1, 3).total / (6 * starts), starts)
        phase = gap_free_phase(samples)
        if self.hadamard:
            increments = np.diff(np.asarray(phase, dtype=float))
            return variance_of(sum_over_stretches(increments, factor) / (6 * starts), starts)
        return variance_of(sum_over_stretches(phase, factor) / (2 * starts * float(factor) ** 2), starts)

    def _is_replaced(self, factor: int, bias: Bias) -> bool:
        """Whether the published tables have the overlapping Hadamard variance here: at factor 1."""
        return self.hadamard and factor == 1 and bias == "published"

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias) -> Moments:
        """Return those of the mean over all stretches."""
        if self._is_replaced(factor, bias):
            return moments_of_differences(terms, 1, order=3, averaged=False, overlapping=True)
        return moments_of(self, points, factor)

    def weights(
        self,
        terms: TermSum,  # noqa: ARG002
        points: int,
        factor: int,
        moments: Moments,
        levels: FloatArray,
    ) -> FloatArray | None:
        """Return those of a record in equal proportions."""
        return weights_of(self, points, factor, moments, levels)

    @property
    def order(self) -> int:
        """The order of the differences that it is like."""
        return 3 if self.hadamard else 2

    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase."""
        rows = _rows(factor, hadamard=self.hadamard)
        divisor = 6.0 if self.hadamard else 2.0 * float(factor) ** 2
        return form_of_stretches(rows.T @ rows, points) / divisor

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
        starts = points - self.hadamard - 3 * factor + 1
        longest = LONGEST_UNDER_WHITE_PM if exponent == 2 else LONGEST_STRETCH_FOR_FREEDOM
        if factor <= longest:
            return self._exact_freedom(starts, factor, exponent)
        return freedom_by_ratio(
            starts,
            factor,
            longest,
            lambda starts, at: self._exact_freedom(starts, at, exponent),
            lambda starts, at: self._like(starts, at, exponent),
        )

    def _exact_freedom(self, starts: int, factor: int, exponent: int) -> float:
        lags = overlapping_lags(factor, 3)
        if exponent == 2:
            squares = _squares_under_white_phase(factor, hadamard=self.hadamard)
        else:
            squares = _stretch_squares(factor, exponent, hadamard=self.hadamard)
        return freedom_of_mean(starts, lags, squares)

    def _like(self, starts: int, factor: int, exponent: int) -> float:
        return equivalent_degrees_of_freedom(
            variance_of(0.0, starts),
            factor,
            exponent=exponent,
            order=3 if self.hadamard else 2,
            averaged=not self.hadamard,
            overlapping=True,
        )

    def published_bias(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the published expectation over the modified Allan or the Hadamard variance."""
        if self._is_replaced(factor, "published"):
            return 1.0
        return (_PUBLISHED_HADAMARD if self.hadamard else _PUBLISHED_MODIFIED)[exponent]

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the Hadamard or the modified Allan variance."""
        return 20 / (6.0 * float(factor) ** 2) if self.hadamard else 3.0 / float(factor) ** 3


def _rows(factor: int, *, hadamard: bool) -> FloatArray:
    """Return the weights of phase."""
    rows = stretch_rows(factor)
    if not hadamard:
        return rows
    return np.asarray(np.pad(rows, ((0, 0), (1, 0))) - np.pad(rows, ((0, 0), (0, 1))))


@lru_cache(maxsize=1024)
def _stretch_squares(factor: int, exponent: int, *, hadamard: bool) -> FloatArray:
    return relative_squares(_rows(factor, hadamard=hadamard), exponent, overlapping_lags(factor, 3))


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
