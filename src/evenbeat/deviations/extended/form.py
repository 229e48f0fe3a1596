"""What a statistic that reaches beyond differences of phase must tell of itself."""

from __future__ import annotations

from typing import ClassVar, Literal, Protocol

from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.deviations.sums.samples import PhasePoints, Samples
from evenbeat.quantities import FloatArray

Bias = Literal["exact", "published", "none"]


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

    def weights(
        self, terms: TermSum, points: int, factor: int, exponent: int, edf: float
    ) -> FloatArray | None:
        """Return the weights of the chi-squared variables behind it; ``None`` where one will do."""

    def white_phase_variance(self, factor: int) -> float:
        """Return about the variance that independent phase errors of unit variance make."""


def variance_of(value: float, terms: int) -> TermSum:
    """Return a variance, given as it is, with its number of terms."""
    return TermSum(total=value, possible=terms, terms=terms)


def gap_free_phase(samples: Samples) -> FloatArray:
    """Return the phase of a record that is known to have no gaps."""
    if not isinstance(samples, PhasePoints):  # unreachable: gaps are refused before
        msg = "phase points without gaps are needed"
        raise TypeError(msg)
    return samples.phase_s
