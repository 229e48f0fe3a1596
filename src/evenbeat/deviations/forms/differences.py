"""The six statistics that are means of squared differences of phase, by two kernels, gaps allowed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.covariance import term_covariances
from evenbeat.deviations.forms.form import Bias, TermForm
from evenbeat.deviations.sums.kernels import Progress, TermSum, sums_of_squares
from evenbeat.deviations.sums.samples import Samples
from evenbeat.quantities import FloatArray


@dataclass(frozen=True, kw_only=True)
class Differences(TermForm):
    """Differences of phase, squared.

    Attributes
    ----------
    differences
        Order of the difference of phase: 2 (Allan) or 3 (Hadamard).
    at_every_sample
        Whether a difference starts at every sample, or once per averaging time.
    averaged
        Whether each term is the mean of as many neighbouring differences as the averaging factor.
    stride
        How many samples the terms are apart, if all are at every so many: the factor then counts these.

    Notes ----- Degrees of freedom are for the model of sampled phase, not of phase averaged over the sampling
    interval as in the published table of Greenhall and Riley (2003): the two differ by 17 % at factor 1 for
    white FM and agree from factor 100 up. Flicker PM depends weakly on the bandwidth, here half the sampling
    rate.
    """

    differences: int
    at_every_sample: bool
    averaged: bool = False
    stride: int = 1

    @property
    def order(self) -> int:
        """The order of the difference."""
        return self.differences

    @property
    def overlapping(self) -> bool:
        """Whether a term starts at every sample."""
        return self.at_every_sample

    @property
    def spans(self) -> int:
        """How many averaging times one term spans."""
        return self.order + self.averaged

    @property
    def divisor(self) -> int:
        """Sum of squares of the binomial weights of the frequency averages: 2 for Allan, 6 for Hadamard."""
        return math.comb(2 * (self.order - 1), self.order - 1)

    def largest(self, points: int) -> int:
        """Return the largest averaging factor with at least one term."""
        return points // self.spans if self.averaged else (points - 1) // self.spans

    def variances(
        self,
        samples: Samples,
        factors: IntArray,
        *,
        bias: Bias = "exact",  # noqa: ARG002
        minimum_coverage: float = 1.0,
        progress: Progress | None = None,
    ) -> list[TermSum]:
        """Return the variances, all of them in one pass over the record."""
        sums = sums_of_squares(
            samples,
            factors,
            self.order,
            averaged=self.averaged,
            overlapping=self.overlapping,
            minimum_coverage=minimum_coverage,
            progress=progress,
        )
        for terms, factor in zip(sums, np.asarray(factors).tolist(), strict=True):
            terms.total = self.scale(factor) * terms.total / terms.terms if terms.terms else math.nan
        return sums

    def scale(self, factor: int) -> float:
        """Return the variance over the mean square of the terms."""
        return 1 / (self.divisor * float(factor) ** 2)

    def covariances(self, lags: IntArray, factor: int) -> FloatArray:
        """Return the covariance of two terms that many terms apart."""
        step = self.stride * (1 if self.overlapping else factor)
        return term_covariances(lags * step, factor * self.stride, order=self.order, averaged=self.averaged)


def equivalent_degrees_of_freedom(
    terms: TermSum, factor: int, *, exponent: int, order: int, averaged: bool, overlapping: bool
) -> float:
    """Return the equivalent degrees of freedom of a mean of squared differences under one noise.

    At least 1; NaN without any term.
    """
    form = Differences(differences=order, at_every_sample=overlapping, averaged=averaged)
    found = form.moments(terms, 0, factor)
    return found.freedom(np.arange(2, 2 - len(found.expected), -1) == exponent)


def like_differences(count: int, factor: int, exponent: int, *, order: int, averaged: bool = False) -> float:
    """Return the same of so many overlapping terms, none missing."""
    terms = TermSum(total=0.0, possible=count, terms=count)
    return equivalent_degrees_of_freedom(
        terms, factor, exponent=exponent, order=order, averaged=averaged, overlapping=True
    )
