"""Variances of one record at doublings of the averaging time, with their joint covariance under any levels.

Three statistics look at the same record: overlapping Allan, modified Allan and overlapping Hadamard.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenbeat.deviations.covariance import (
    FIVE,
    in_seconds,
    mean_square_difference,
    sampled_density,
    squared_gain,
)
from evenbeat.deviations.forms.differences import Differences
from evenbeat.deviations.statistics import DIFFERENCES
from evenbeat.deviations.sums.samples import samples_of
from evenbeat.errors import TooShortError
from evenbeat.quantities import FloatArray
from evenbeat.record import Record

FEWEST_POINTS = 128
LONGEST_SHARE = 8
"""The longest averaging time is the record divided by this: beyond it two or three degrees are left."""
OCTAVE_POINTS = 509
"""A prime, so that no doubled averaging factor falls in step with the points of an octave."""
OCTAVES_BELOW = 5
SHRINKAGE = 0.02
LONG_SHRINKAGE = 0.15
"""Share taken off every correlation, and how much more at the longest averaging time: no direction that the
sampled integral or the ends of the record blur is to be trusted. With the first alone a random walk in a
mixture scattered by 20 %, where 17 % are possible."""


LOOKS = ("overlapping_allan", "modified_allan", "overlapping_hadamard")


@dataclass(frozen=True, eq=False, kw_only=True)
class Variance:
    """One variance: what it is, its value [1], and the terms behind it."""

    form: Differences
    factor: int
    value: float
    terms: int
    possible: int
    single_freedom: FloatArray
    """Shape (5,): degrees of freedom were each noise alone."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Variances:
    """All variances of a record; the noises in the order of :data:`FIVE`, drift last."""

    points: tuple[Variance, ...]
    interval_s: float

    @cached_property
    def values(self) -> FloatArray:
        """Shape (n,): the variances."""
        return np.array([point.value for point in self.points])

    @cached_property
    def responses(self) -> FloatArray:
        """Shape (n, 6): expected variance per unit h_α, and per unit squared drift [1/s²]."""
        return np.array(
            [
                [
                    *(self._expected(p, alpha) for alpha in FIVE),
                    0.0 if p.form.order > 2 else 0.5 * (p.factor * self.interval_s) ** 2,
                ]
                for p in self.points
            ]
        )

    def _expected(self, point: Variance, exponent: int) -> float:
        """Return the expected variance per unit h_α."""
        form, factor = point.form, point.factor
        square = mean_square_difference(exponent, factor, order=form.order, averaged=form.averaged)
        return square * in_seconds(exponent, self.interval_s) * form.scale(factor) / self.interval_s**2

    @cached_property
    def _spectra(self) -> FloatArray:
        """Shape (5, n, frequencies): contribution of each frequency to each variance, per unit h_α.

        Each point is multiplied by the square root of its width, so that products sum to integrals.
        """
        frequency, width = self._frequencies
        gains = np.array(
            [
                squared_gain(frequency, np.array([p.factor]), order=p.form.order, averaged=p.form.averaged)[0]
                * p.form.scale(p.factor)
                / self.interval_s**2
                for p in self.points
            ]
        )
        densities = np.array(
            [sampled_density(alpha, frequency) * in_seconds(alpha, self.interval_s) for alpha in FIVE]
        )
        return np.asarray(gains[np.newaxis] * (densities * np.sqrt(width))[:, np.newaxis])

    @cached_property
    def _frequencies(self) -> tuple[FloatArray, FloatArray]:
        """Octaves with evenly spaced points, down to well below the longest averaging time; their widths."""
        longest = max(point.factor for point in self.points)
        octaves = math.ceil(math.log2(longest)) + OCTAVES_BELOW
        inside = (np.arange(OCTAVE_POINTS) + 0.5) / OCTAVE_POINTS
        edges = 0.5 ** np.arange(2, octaves + 2)
        return (edges[:, np.newaxis] * (1 + inside)).ravel(), np.repeat(edges / OCTAVE_POINTS, OCTAVE_POINTS)

    def spectral_parts(self, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return each variance's spectrum under levels of shape (6,), shape (n, frequencies), and the widths.

        In cycles per sample; twice its integral is the variance expected of the noises.
        """
        width = self._frequencies[1]
        return np.tensordot(levels[:5], self._spectra, axes=1) / np.sqrt(width), width

    def covariance(self, levels: FloatArray) -> FloatArray:
        """Return the covariance of the variances, shape (n, n), for levels of shape (6,).

        Notes
        -----
        The sum of the squared covariances of two statistics' terms over all lags is the integral of the
        product of the spectra of the terms (Parseval). That the record has ends and gaps is in the
        variances only: they are scaled, noise by noise, to the exact ones of
        :mod:`evenbeat.deviations.freedom`, which the mixture follows by the shares of its noises.
        """
        pairs = np.multiply.outer(levels[:5], levels[:5])
        products = np.tensordot(pairs, self._products, axes=2)
        diagonal = np.sqrt(np.diag(products))
        correlation = products / np.outer(diagonal, diagonal)
        trusted = np.sqrt(1 - self._shrinkage)
        correlation = correlation * np.outer(trusted, trusted) + np.diag(self._shrinkage)
        spread = np.sqrt(self._mixture_variance(levels, diagonal**2))
        return np.asarray(correlation * np.outer(spread, spread))

    @cached_property
    def _shrinkage(self) -> FloatArray:
        """Shape (n,): share taken off the correlations of each variance."""
        factors = np.array([point.factor for point in self.points], dtype=float)
        return SHRINKAGE + LONG_SHRINKAGE * factors / factors.max()

    def _mixture_variance(self, levels: FloatArray, products: FloatArray) -> FloatArray:
        noise = levels[:5]
        means = self.responses[:, :5] * noise
        single = self._single_freedom
        alone = self._single_products * noise**2
        # how much more the ends of the record matter for this noise than the integral says
        ends = 2 * means**2 / single / np.where(alone > 0, alone, 1.0)
        weights = means / np.sum(means, axis=1, keepdims=True)
        pure = products * np.sum(weights * ends, axis=1)
        drift = self.responses[:, 5] * levels[5]
        freedom = 2 * np.sum(means, axis=1) ** 2 / pure
        return np.asarray(pure + 4 * drift * np.sum(means, axis=1) / np.maximum(freedom, 1.0))

    @cached_property
    def _single_freedom(self) -> FloatArray:
        """Shape (n, 5)."""
        return np.array([point.single_freedom for point in self.points])

    @cached_property
    def _products(self) -> FloatArray:
        """Shape (5, 5, n, n): integrals of the products of all spectra, per unit of both h_α."""
        kinds, count, _ = self._spectra.shape
        flat = self._spectra.reshape(kinds * count, -1)
        return np.ascontiguousarray((flat @ flat.T).reshape(kinds, count, kinds, count).swapaxes(1, 2))

    @cached_property
    def _single_products(self) -> FloatArray:
        return np.einsum("aaii->ia", self._products)


def variances_of(record: Record) -> Variances:
    """Return the variances of a record at doublings up to an eighth of it.

    Raises
    ------
    TooShortError
        If the record has fewer than 128 phase points.
    """
    samples = samples_of(record, 1.0)
    if samples.points < FEWEST_POINTS:
        needed = FEWEST_POINTS - (record.kind == "frequency")
        msg = f"a fit of noise levels needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    factors = 2 ** np.arange(int(math.log2((samples.points - 1) / LONGEST_SHARE)) + 1)
    points = []
    for form in (DIFFERENCES[name] for name in LOOKS):
        # at factor 1 the modified Allan variance is the Allan variance
        wanted = factors[form.averaged :]
        for terms, factor in zip(form.variances(samples, wanted), wanted.tolist(), strict=True):
            if terms.terms < 2:
                continue
            moments = form.moments(terms, samples.points, factor)
            single = moments.expected**2 / np.diag(moments.products)
            points.append(
                Variance(
                    form=form,
                    factor=factor,
                    value=terms.total / record.interval_s**2,
                    terms=terms.terms,
                    possible=terms.possible,
                    single_freedom=np.maximum(single, 1.0)[: len(FIVE)],
                )
            )
    return Variances(points=tuple(points), interval_s=record.interval_s)
