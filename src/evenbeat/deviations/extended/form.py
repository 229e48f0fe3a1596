"""What a statistic that reaches beyond differences of phase must tell of itself, and what follows."""

from __future__ import annotations

from functools import lru_cache
from typing import ClassVar, Literal, Protocol

import numpy as np

from evenbeat.deviations.covariance import exponents_of
from evenbeat.deviations.extended.dense import (
    MOST_POINTS,
    in_proportion,
    moments_of_form,
    seen_by_differences,
    weights_of_form,
)
from evenbeat.deviations.freedom import Moments
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.deviations.sums.samples import PhasePoints, Samples
from evenbeat.deviations.term_weights import has_weights, raised_to_freedom
from evenbeat.quantities import FloatArray

Bias = Literal["exact", "published", "none"]


class Form(Protocol):
    """One statistic at one averaging factor, for phase in units of the sampling interval."""

    effective_share: ClassVar[float]
    smallest: ClassVar[int]
    step: ClassVar[int]

    def largest(self, points: int) -> int:
        """Return the largest averaging factor of a record with this many phase points."""

    def terms(self, samples: Samples, factor: int, bias: Bias) -> TermSum:
        """Return the variance as ``total``, and the number of terms."""

    def moments(self, terms: TermSum, points: int, factor: int, bias: Bias) -> Moments:
        """Return its expectation and scatter, and the variance that is estimated."""

    def published_bias(self, points: int, factor: int, exponent: int) -> float:
        """Return the published expectation in proportion to the variance that is estimated."""

    def weights(
        self, terms: TermSum, points: int, factor: int, moments: Moments, levels: FloatArray
    ) -> FloatArray | None:
        """Return the weights of the chi-squared variables behind it; ``None`` where one will do."""

    def white_phase_variance(self, factor: int) -> float:
        """Return about the variance that independent phase errors of unit variance make."""


class WholeForm(Protocol):
    """A form that can be written out for a short record, and what it tends to for a long one."""

    step: ClassVar[int]

    def __hash__(self) -> int:
        """Return a hash by which what follows from a form is remembered."""

    @property
    def order(self) -> int:
        """2 for the Allan, 3 for the Hadamard family."""

    @property
    def spans(self) -> float:
        """How many averaging times stand for one averaging factor of samples."""

    def matrix(self, points: int, factor: int) -> FloatArray:
        """Return the form of phase, shape (points, points)."""

    def expected(self, points: int, factor: int, exponent: int) -> float:
        """Return the expectation per unit of the level."""

    def aimed_at(self, factor: int, exponent: int) -> float:
        """Return the variance that is estimated per unit of the level."""

    def freedom(self, points: int, factor: int, exponent: int) -> float:
        """Return the degrees of freedom under one noise, in records too long to be written out."""


@lru_cache(maxsize=128)
def _written_out(form: WholeForm, points: int, factor: int) -> tuple[FloatArray, Moments]:
    """Return the form as differences of phase see it, and its moments."""
    inner = seen_by_differences(form.matrix(points, factor), form.order)
    return inner, moments_of_form(inner, points, form.order)


@lru_cache(maxsize=4096)
def moments_of(form: WholeForm, points: int, factor: int) -> Moments:
    """Return expectation and scatter: exact for up to ``MOST_POINTS`` points.

    In longer records expectations are exact and each noise has its own degrees of freedom; how far the
    scatter of two noises is joint is taken from a record in equal proportions.
    """
    noises = exponents_of(form.order)
    aimed = np.array([form.aimed_at(factor, alpha) for alpha in noises])
    short_points, short = in_proportion(points, factor, form.step)
    _, written = _written_out(form, short_points, short)
    if points <= MOST_POINTS:
        return Moments(expected=written.expected, aimed_at=aimed, products=written.products)
    size = np.sqrt(np.diag(written.products))
    joint = written.products / np.outer(size, size)
    # terms under white PM depend on few others: its joint scatter falls as the root of the number of terms
    joint[0, 1:] *= np.sqrt(short / factor)
    joint[1:, 0] *= np.sqrt(short / factor)
    expected = np.array([form.expected(points, factor, alpha) for alpha in noises])
    freedom = np.array([form.freedom(points, factor, alpha) for alpha in noises])
    spread = expected / np.sqrt(freedom)
    return Moments(expected=expected, aimed_at=aimed, products=joint * np.outer(spread, spread))


def weights_of(
    form: WholeForm, points: int, factor: int, moments: Moments, levels: FloatArray
) -> FloatArray | None:
    """Return the weights of a record in equal proportions, each noise with the share that it really has."""
    edf = moments.freedom(levels)
    if not has_weights(points / factor * form.spans, edf):
        return None
    short_points, short = in_proportion(points, factor, form.step)
    inner, written = _written_out(form, short_points, short)
    weights = weights_of_form(inner, short_points, levels * moments.expected / written.expected, form.order)
    return raised_to_freedom(weights, edf)


def variance_of(value: float, terms: int) -> TermSum:
    """Return a variance, given as it is, with its number of terms."""
    return TermSum(total=value, possible=terms, terms=terms)


def gap_free_phase(samples: Samples) -> FloatArray:
    """Return the phase of a record that is known to have no gaps."""
    if not isinstance(samples, PhasePoints):  # unreachable: gaps are refused before
        msg = "phase points without gaps are needed"
        raise TypeError(msg)
    return samples.phase_s
