"""The statistics that reach beyond differences of phase: what each of them computes.

A form gives, for phase in units of the sampling interval, the variance, what its expectation is in
proportion to the variance it estimates (exact and published), and its degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import ClassVar, Literal, Protocol

import numpy as np

from evenbeat.quantities import FloatArray
from evenbeat.stability.averaging import IntArray
from evenbeat.stability.extended.parabolic import (
    parabolic_freedom,
    parabolic_terms,
    parabolic_variance,
    white_phase_ratio,
)
from evenbeat.stability.extended.quadratic import (
    allan_variance,
    expected_sum,
    freedom_by_ratio,
    freedom_of_mean,
    hadamard_variance,
    relative_squares,
)
from evenbeat.stability.extended.subsequences import stretch_rows, sum_over_stretches
from evenbeat.stability.extended.theo1 import (
    EFFECTIVE_SHARE,
    SHORTEST_SPAN,
    published_theo1_bias,
    span_rows,
    theo1_bias,
    theo1_variance,
)
from evenbeat.stability.extended.total import published_total_bias, total_bias, total_freedom, total_variance
from evenbeat.stability.freedom import equivalent_degrees_of_freedom, overlapping_lags
from evenbeat.stability.kernels import TermSum, sum_of_squared_differences
from evenbeat.stability.samples import PhasePoints, Samples

Bias = Literal["exact", "published", "none"]
LARGEST_EXACT_STRETCH = 64
LONGEST_STRETCH_FOR_FREEDOM = 16
LONGEST_SPAN_FOR_FREEDOM = 64


class Form(Protocol):
    """One statistic at one averaging factor."""

    effective_share: ClassVar[float]
    smallest: ClassVar[int]
    step: ClassVar[int]

    def largest(self, points: int) -> int:
        """Return the largest averaging factor of a record with this many phase points."""

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:
        """Return the variance as ``total``, and the number of terms."""

    def bias(self, points: int, factor: int, exponent: int, bias: Bias) -> float:
        """Return the expectation in proportion to the variance that is estimated."""

    def freedom(self, terms: TermSum, points: int, factor: int, exponent: int, bias: Bias) -> float:
        """Return the equivalent degrees of freedom."""

    def white_phase_variance(self, factor: int) -> float:
        """Return about the variance that independent phase errors of unit variance make."""


def _variance(value: float, terms: int) -> TermSum:
    return TermSum(total=value, possible=terms, terms=terms)


def gap_free_phase(samples: Samples) -> FloatArray:
    """Return the phase of a record that is known to have no gaps."""
    if not isinstance(samples, PhasePoints):  # unreachable: gaps are refused before
        msg = "phase points without gaps are needed"
        raise TypeError(msg)
    return samples.phase_s


class TotalForm:
    """Total variance."""

    effective_share: ClassVar[float] = 1.0
    smallest: ClassVar[int] = 1
    step: ClassVar[int] = 1

    def largest(self, points: int) -> int:
        """Return half the number of intervals: published bias and freedom end there."""
        return (points - 1) // 2

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:  # noqa: ARG002
        """Return the raw variance."""
        whole = PhasePoints(phase_s=gap_free_phase(samples), has_gaps=False)
        return _variance(total_variance(whole, factor), samples.points - 2)

    def bias(self, points: int, factor: int, exponent: int, bias: Bias) -> float:
        """Return the expectation over the Allan variance."""
        return (total_bias if bias == "exact" else published_total_bias)(points, factor, exponent)

    def freedom(self, terms: TermSum, points: int, factor: int, exponent: int, bias: Bias) -> float:  # noqa: ARG002
        """Return the degrees of freedom."""
        return total_freedom(points, factor, exponent)

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the Allan variance."""
        return allan_variance(factor, 2)


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

    def largest(self, points: int) -> int:
        """Return a third of the number of values."""
        return (points - self.hadamard) // 3

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:
        """Return the raw variance."""
        starts = samples.points - self.hadamard - 3 * factor + 1
        if self._is_replaced(factor, bias):
            return _variance(sum_of_squared_differences(samples, 1, 3).total / (6 * starts), starts)
        phase = gap_free_phase(samples)
        if self.hadamard:
            increments = np.diff(np.asarray(phase, dtype=float))
            return _variance(sum_over_stretches(increments, factor) / (6 * starts), starts)
        return _variance(sum_over_stretches(phase, factor) / (2 * starts * float(factor) ** 2), starts)

    def _is_replaced(self, factor: int, bias: Bias) -> bool:
        """Whether the published tables have the overlapping Hadamard variance here: at factor 1."""
        return self.hadamard and factor == 1 and bias == "published"

    def bias(self, points: int, factor: int, exponent: int, bias: Bias) -> float:  # noqa: ARG002
        """Return the expectation over the modified Allan or the Hadamard variance."""
        if self._is_replaced(factor, bias):
            return 1.0
        if bias == "published":
            return (_PUBLISHED_HADAMARD if self.hadamard else _PUBLISHED_MODIFIED)[exponent]
        return _stretch_bias(factor, exponent, hadamard=self.hadamard)

    def freedom(self, terms: TermSum, points: int, factor: int, exponent: int, bias: Bias) -> float:  # noqa: ARG002
        """Return the degrees of freedom: exact up to factor 16, beyond by ratio to the difference form."""
        if self._is_replaced(factor, bias):
            return self._like(terms.terms, 1, exponent)
        if factor <= LONGEST_STRETCH_FOR_FREEDOM:
            return self._exact_freedom(terms.terms, factor, exponent)
        return freedom_by_ratio(
            terms.terms,
            factor,
            LONGEST_STRETCH_FOR_FREEDOM,
            lambda starts, at: self._exact_freedom(starts, at, exponent),
            lambda starts, at: self._like(starts, at, exponent),
        )

    def _exact_freedom(self, starts: int, factor: int, exponent: int) -> float:
        lags = overlapping_lags(factor, 3)
        return freedom_of_mean(starts, lags, _stretch_squares(factor, exponent, hadamard=self.hadamard))

    def _like(self, starts: int, factor: int, exponent: int) -> float:
        return equivalent_degrees_of_freedom(
            _variance(0.0, starts),
            factor,
            exponent=exponent,
            order=3 if self.hadamard else 2,
            averaged=not self.hadamard,
            overlapping=True,
        )

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the Hadamard or the modified Allan variance."""
        return hadamard_variance(factor, 2) if self.hadamard else allan_variance(factor, 2) / factor


def _rows(factor: int, *, hadamard: bool) -> FloatArray:
    """Return the weights of phase."""
    rows = stretch_rows(factor)
    if not hadamard:
        return rows
    return np.asarray(np.pad(rows, ((0, 0), (1, 0))) - np.pad(rows, ((0, 0), (0, 1))))


@lru_cache(maxsize=1024)
def _stretch_squares(factor: int, exponent: int, *, hadamard: bool) -> FloatArray:
    return relative_squares(_rows(factor, hadamard=hadamard), exponent, overlapping_lags(factor, 3))


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


class Theo1Form:
    """Théo1."""

    effective_share: ClassVar[float] = EFFECTIVE_SHARE
    smallest: ClassVar[int] = SHORTEST_SPAN
    step: ClassVar[int] = 2

    def largest(self, points: int) -> int:
        """Return the longest even span."""
        return (points - 1) // 2 * 2

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:  # noqa: ARG002
        """Return the raw variance."""
        return _variance(theo1_variance(gap_free_phase(samples), factor), samples.points - factor)

    def bias(self, points: int, factor: int, exponent: int, bias: Bias) -> float:  # noqa: ARG002
        """Return the expectation over the Allan variance at the effective averaging time."""
        return (theo1_bias if bias == "exact" else published_theo1_bias)(factor, exponent)

    def freedom(self, terms: TermSum, points: int, factor: int, exponent: int, bias: Bias) -> float:  # noqa: ARG002
        """Return the degrees of freedom: exact up to m = 64, then by their ratio to the Allan variance."""
        if factor <= LONGEST_SPAN_FOR_FREEDOM:
            return self._exact_freedom(terms.terms, factor, exponent)
        return freedom_by_ratio(
            terms.terms,
            factor,
            LONGEST_SPAN_FOR_FREEDOM,
            lambda starts, at: self._exact_freedom(starts, at, exponent),
            lambda starts, at: self._like(starts, at, exponent),
            grows=exponent == 1,
        )

    def _exact_freedom(self, starts: int, factor: int, exponent: int) -> float:
        return freedom_of_mean(starts, _span_lags(factor), _span_squares(factor, exponent))

    def _like(self, starts: int, factor: int, exponent: int) -> float:
        return equivalent_degrees_of_freedom(
            _variance(0.0, starts),
            factor // 2,
            exponent=exponent,
            order=2,
            averaged=False,
            overlapping=True,
        )

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the Allan variance at the effective averaging time."""
        return allan_variance(EFFECTIVE_SHARE * factor, 2)


def _span_lags(span: int) -> IntArray:
    return overlapping_lags(span // 2, 2)


@lru_cache(maxsize=1024)
def _span_squares(span: int, exponent: int) -> FloatArray:
    return relative_squares(span_rows(span), exponent, _span_lags(span))


class ParabolicForm:
    """Parabolic variance."""

    effective_share: ClassVar[float] = 1.0
    smallest: ClassVar[int] = 1
    step: ClassVar[int] = 1

    def largest(self, points: int) -> int:
        """Return half the number of points, at one point fewer than the Allan variance needs."""
        return points // 2 if points > 3 else (points - 1) // 2

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:  # noqa: ARG002
        """Return the variance, and which terms exist."""
        found = parabolic_terms(samples, factor)
        value = parabolic_variance(found, factor) if found.terms else np.nan
        return TermSum(total=value, possible=found.possible, terms=found.terms, valid=found.valid)

    def bias(self, points: int, factor: int, exponent: int, bias: Bias) -> float:  # noqa: ARG002
        """Return one: the statistic is its own definition."""
        return 1.0

    def freedom(self, terms: TermSum, points: int, factor: int, exponent: int, bias: Bias) -> float:  # noqa: ARG002
        """Return the degrees of freedom of the terms that exist."""
        return parabolic_freedom(terms, factor, exponent)

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the parabolic variance."""
        return allan_variance(factor, 2) * white_phase_ratio(factor)


@dataclass(frozen=True, kw_only=True)
class Extended:
    """A statistic of this file, and what it is called.

    Attributes
    ----------
    name, title, symbol, unit
        How it is asked for and how it is written.
    order
        Highest order of differences, as for the noise types it can tell apart.
    form
        What is computed.
    estimates
        The variance in proportion to which its bias is stated; empty where it has none.
    source
        Where it is defined.
    """

    name: str
    title: str
    symbol: str
    order: int
    form: Form
    estimates: str
    source: str
    unit: str = ""


_HANDBOOK = "NIST SP 1065 (2008), 5.2"
EXTENDED: Mapping[str, Extended] = MappingProxyType(
    {
        statistic.name: statistic
        for statistic in (
            Extended(
                name="total",
                title="total deviation",
                symbol="σ_y,total(τ)",
                order=2,
                form=TotalForm(),
                estimates="Allan variance",
                source=f"{_HANDBOOK}.11; Greenhall, Howe and Percival, IEEE Trans. UFFC 46 (1999)",
            ),
            Extended(
                name="modified_total",
                title="modified total deviation",
                symbol="Mod σ_y,total(τ)",
                order=2,
                form=StretchForm(hadamard=False),
                estimates="modified Allan variance",
                source=f"{_HANDBOOK}.12; Howe and Vernotte, 31st PTTI (1999)",
            ),
            Extended(
                name="time_total",
                title="time total deviation",
                symbol="σ_x,total(τ)",
                order=2,
                form=StretchForm(hadamard=False),
                estimates="time variance",
                source=f"{_HANDBOOK}.13 (τ²/3, where the equation prints τ³/3)",
                unit="s",
            ),
            Extended(
                name="hadamard_total",
                title="Hadamard total deviation",
                symbol="Hσ_y,total(τ)",
                order=3,
                form=StretchForm(hadamard=True),
                estimates="Hadamard variance",
                source=f"{_HANDBOOK}.14; Howe, Beard, Greenhall and Riley, 32nd PTTI (2000)",
            ),
            Extended(
                name="theo1",
                title="Théo1 deviation",
                symbol="σ_y,Théo1(0.75 mτ₀)",
                order=2,
                form=Theo1Form(),
                estimates="Allan variance",
                source=f"{_HANDBOOK}.15 with the divisor 0.75 of Howe and Tasset, 36th PTTI (2004)",
            ),
            Extended(
                name="parabolic",
                title="parabolic deviation",
                symbol="Pσ_y(τ)",
                order=2,
                form=ParabolicForm(),
                estimates="",
                source="Vernotte et al., IEEE Trans. UFFC 63 (2016), arXiv:1506.00687",
            ),
        )
    }
)
