"""The statistics that reach beyond differences of phase: what each of them computes.

A form gives, for phase in units of the sampling interval, the variance, its expectation and scatter under
every noise, and the variance that it estimates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import ClassVar

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.extended.dense import form_of_stretches
from evenbeat.deviations.extended.form import Bias, Form, gap_free_phase, moments_of, variance_of, weights_of
from evenbeat.deviations.extended.parabolic import (
    parabolic_moments,
    parabolic_terms,
    parabolic_variance,
    parabolic_weights_of_terms,
    white_phase_ratio,
)
from evenbeat.deviations.extended.quadratic import (
    allan_variance,
    freedom_by_ratio,
    freedom_of_mean,
    relative_squares,
)
from evenbeat.deviations.extended.stretch_form import StretchForm
from evenbeat.deviations.extended.theo1 import (
    EFFECTIVE_SHARE,
    SHORTEST_SPAN,
    expected_theo1,
    published_theo1_bias,
    span_rows,
    theo1_variance,
)
from evenbeat.deviations.extended.total import (
    published_total_bias,
    total_bias,
    total_form,
    total_freedom,
    total_variance,
)
from evenbeat.deviations.freedom import Moments, equivalent_degrees_of_freedom, overlapping_lags
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.deviations.sums.samples import PhasePoints, Samples
from evenbeat.quantities import FloatArray

LONGEST_SPAN_FOR_FREEDOM = 64


@dataclass(frozen=True)
class TotalForm:
    """Total variance."""

    effective_share: ClassVar[float] = 1.0
    smallest: ClassVar[int] = 1
    step: ClassVar[int] = 1
    order: ClassVar[int] = 2
    spans: ClassVar[float] = 1.0

    def largest(self, points: int) -> int:
        """Return half the number of intervals: published bias and freedom end there."""
        return (points - 1) // 2

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:  # noqa: ARG002
        """Return the raw variance."""
        whole = PhasePoints(phase_s=gap_free_phase(samples), has_gaps=False)
        return variance_of(total_variance(whole, factor), samples.points - 2)

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias) -> Moments:  # noqa: ARG002
        """Return those of the whole form."""
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

    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase."""
        return total_form(points, factor)

    def expected(self, points: int, factor: int, exponent: int) -> float:
        """Return the exact expectation."""
        return total_bias(points, factor, exponent) * allan_variance(factor, exponent)

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the Allan variance."""
        return allan_variance(factor, exponent)

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom under one noise."""
        return total_freedom(points, factor, exponent)

    def published_bias(self, points: int, factor: int, exponent: int) -> float:
        """Return the published expectation over the Allan variance."""
        return published_total_bias(points, factor, exponent)

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the Allan variance."""
        return white_phase_allan(factor)


def white_phase_allan(factor: float) -> float:
    """Return the Allan variance that independent phase errors of unit variance make."""
    return 3.0 / float(factor) ** 2


@dataclass(frozen=True)
class Theo1Form:
    """Théo1."""

    effective_share: ClassVar[float] = EFFECTIVE_SHARE
    smallest: ClassVar[int] = SHORTEST_SPAN
    step: ClassVar[int] = 2
    order: ClassVar[int] = 2
    spans: ClassVar[float] = 2.0

    def largest(self, points: int) -> int:
        """Return the longest even span."""
        return (points - 1) // 2 * 2

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:  # noqa: ARG002
        """Return the raw variance."""
        return variance_of(theo1_variance(gap_free_phase(samples), factor), samples.points - factor)

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias) -> Moments:  # noqa: ARG002
        """Return those of the mean over all spans."""
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

    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase."""
        rows = span_rows(factor)
        return form_of_stretches(rows.T @ rows, points) / (EFFECTIVE_SHARE * float(factor) ** 2)

    def expected(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the exact expectation."""
        return expected_theo1(factor, exponent)

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the Allan variance at the effective averaging time."""
        return allan_variance(EFFECTIVE_SHARE * factor, exponent)

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom: exact up to m = 64, then by their ratio to the Allan variance."""
        starts = points - factor
        if factor <= LONGEST_SPAN_FOR_FREEDOM:
            return self._exact_freedom(starts, factor, exponent)
        return freedom_by_ratio(
            starts,
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
            variance_of(0.0, starts),
            factor // 2,
            exponent=exponent,
            order=2,
            averaged=False,
            overlapping=True,
        )

    def published_bias(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return the published expectation over the Allan variance at the effective averaging time."""
        return published_theo1_bias(factor, exponent)

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the Allan variance at the effective averaging time."""
        return white_phase_allan(EFFECTIVE_SHARE * factor)


def _span_lags(span: int) -> IntArray:
    return overlapping_lags(span // 2, 2)


@lru_cache(maxsize=1024)
def _span_squares(span: int, exponent: int) -> FloatArray:
    return relative_squares(span_rows(span), exponent, _span_lags(span))


@dataclass(frozen=True)
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

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias) -> Moments:  # noqa: ARG002
        """Return those of the terms that exist."""
        return parabolic_moments(terms, factor)

    def weights(
        self,
        terms: TermSum,
        points: int,  # noqa: ARG002
        factor: int,
        moments: Moments,
        levels: FloatArray,
    ) -> FloatArray | None:
        """Return those of the terms that exist."""
        return parabolic_weights_of_terms(terms, factor, levels, moments.freedom(levels))

    def published_bias(self, points: int, factor: int, exponent: int) -> float:  # noqa: ARG002
        """Return one: the statistic is its own definition."""
        return 1.0

    def white_phase_variance(self, factor: int) -> float:
        """Return that of the parabolic variance."""
        return white_phase_allan(factor) * white_phase_ratio(factor)


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
