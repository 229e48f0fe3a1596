"""The noise of a record as one mixture ``S_y = Σ h_α f^α``, as surely as it is known.

Expectation, degrees of freedom and bias of every statistic follow from it, and they do not jump from one
averaging time to the next. What is not known of the mixture is kept as nodes, levels drawn from what is
believed of them after looking at the record (:mod:`evenbeat.deviations.noise_search`); intervals are mixed
over them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from evenbeat.deviations.chi_squared_sums import ChiSquaredSums
from evenbeat.deviations.covariance import EXPONENTS
from evenbeat.deviations.freedom import Moments
from evenbeat.errors import InputError
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels
from evenbeat.quantities import FloatArray

GROUPS = 8
"""Of nodes alike in what they say of one averaging time, for its interval."""
TOGETHER = 0.4
"""Correlation taken between the errors of bias and of variance: of Théo1 0.5 to 0.9 in simulated mixtures,
next to none where one noise is alone."""
SMALLEST = 1e-9


@dataclass(frozen=True, eq=False, kw_only=True)
class NoiseMixture:
    """Levels of the noises in a record, with what is not known of them.

    Attributes
    ----------
    nodes
        Shape (draws, noises): h_α for a sampling interval of one second, white PM first, all as likely.
        ``h_α interval^(1-α)`` of the levels in their usual units.
    interval_s
        Of the record.
    """

    nodes: FloatArray
    interval_s: float

    @classmethod
    def stated(cls, noise: NoiseLevels | str, interval_s: float) -> Self:
        """Return a mixture that is taken as given: levels, or the name of the one noise there is.

        Raises
        ------
        InputError
            For an unknown name, or levels all zero.
        """
        if isinstance(noise, str):
            found = [exponent for exponent, name in NOISE_NAMES.items() if name.lower() == noise.lower()]
            if not found:
                msg = f"noise is {noise!r}; it must be levels or one of {', '.join(NOISE_NAMES.values())}"
                raise InputError(msg)
            levels = {exponent: float(exponent == found[0]) for exponent in NOISE_NAMES}
        else:
            levels = noise.by_exponent
            if not any(levels.values()):
                msg = "noise has all levels zero; at least one must be above zero"
                raise InputError(msg)
        row = [level * interval_s ** (1 - exponent) for exponent, level in levels.items()]
        return cls(nodes=np.array([row]), interval_s=interval_s)

    @property
    def levels(self) -> FloatArray:
        """Shape (noises,): the mean of the nodes."""
        return self.nodes.mean(axis=0)

    @property
    def noise_levels(self) -> NoiseLevels:
        """The mean levels in their usual units; of the five noises that these have."""
        names = (name.replace(" ", "_").replace("-", "_").lower() for name in NOISE_NAMES.values())
        units = self.interval_s ** (1.0 - np.array(EXPONENTS[: len(NOISE_NAMES)]))
        return NoiseLevels(**dict(zip(names, (self.levels[: len(units)] / units).tolist(), strict=True)))

    def levels_for(self, noises: int) -> FloatArray:
        """Return the nodes with so many noises: those beyond left out, those not looked for zero."""
        kept = self.nodes[:, :noises]
        return np.pad(kept, ((0, 0), (0, noises - kept.shape[1])))


@dataclass(frozen=True, eq=False, kw_only=True)
class Law:
    """How a statistic is distributed at several averaging times under a mixture.

    Attributes
    ----------
    levels
        Shape (noises,): of the mean mixture.
    aimed_at
        Shape (n,): the variance aimed at under the five usual noises of the mean mixture; NaN if unknown.
    bias
        Shape (n,): expectation over the variance aimed at.
    edf
        Shape (n,): under the mean mixture; NaN where there is no term.
    exponent
        Shape (n,): α of the noise that makes the largest part of the expectation; NaN likewise.
    surely
        Shape (n,): share of the nodes under which it is that noise.
    scales, freedoms
        Shape (n, groups): over the bias, and degrees of freedom, of nodes that are alike.
    """

    levels: FloatArray
    aimed_at: FloatArray
    bias: FloatArray
    edf: FloatArray
    exponent: FloatArray
    surely: FloatArray
    scales: FloatArray
    freedoms: FloatArray

    @classmethod
    def of(cls, mixture: NoiseMixture | None, moments: Sequence[Moments]) -> Self:
        """Return the law of each point; of an unknown noise that with the fewest degrees of freedom."""
        if mixture is None or not moments:
            return cls._unknown(moments)
        expected = np.array([point.expected for point in moments])
        aimed = np.array([point.aimed_at for point in moments])
        products = np.array([point.products for point in moments])
        count, noises = expected.shape
        nodes = mixture.levels_for(noises)
        mean = nodes.mean(axis=0)
        # sums along the last axis: a point is the same to the last bit whatever other points there are
        levels = np.concatenate([nodes, mean[np.newaxis]])
        parts = levels * expected[:, np.newaxis]
        whole, sought = parts.sum(axis=-1), (levels * aimed[:, np.newaxis]).sum(axis=-1)
        pairs = (levels[:, :, np.newaxis] * levels[:, np.newaxis]).reshape(1, len(levels), -1)
        scatter = (pairs * products.reshape(count, 1, -1)).sum(axis=-1)
        freedoms = np.maximum(whole**2 / scatter, 1.0)
        logarithms = np.log(whole / sought)
        bias = np.exp(logarithms[:, :-1].mean(axis=-1))
        scales = np.exp(logarithms[:, :-1] - np.log(bias)[:, np.newaxis])
        strongest = np.argmax(parts[:, -1], axis=1)
        scales, grouped = _grouped(_widened(scales, freedoms[:, :-1]), freedoms[:, :-1])
        return cls(
            levels=mean,
            aimed_at=(mean * aimed)[:, : len(NOISE_NAMES)].sum(axis=-1),
            bias=bias,
            edf=freedoms[:, -1],
            exponent=np.where(np.isnan(freedoms[:, -1]), np.nan, 2.0 - strongest),
            surely=np.mean(np.argmax(parts[:, :-1], axis=2) == strongest[:, np.newaxis], axis=1),
            scales=scales,
            freedoms=grouped,
        )

    @classmethod
    def _unknown(cls, moments: Sequence[Moments]) -> Self:
        levels = [point.least_freedom for point in moments]
        fewest = np.array([point.freedom(row) for point, row in zip(moments, levels, strict=True)])
        return cls(
            levels=levels[-1] if levels else np.zeros(0),
            aimed_at=np.full(len(moments), np.nan),
            bias=np.ones(len(moments)),
            edf=fewest,
            exponent=np.full(len(moments), np.nan),
            surely=np.zeros(len(moments)),
            scales=np.ones((len(moments), 1)),
            freedoms=fewest[:, np.newaxis],
        )

    def distribution(self, weights: Sequence[FloatArray | None]) -> ChiSquaredSums:
        """Return the distribution of variance over expectation, given the weights at each averaging time."""
        return ChiSquaredSums.of_weights(self.edf, weights, scales=self.scales, freedoms=self.freedoms)


def _widened(scales: FloatArray, freedoms: FloatArray) -> FloatArray:
    """Return scales wide enough for errors of bias and variance that go together.

    A variance too large by chance looks like a steeper noise, whose bias is lower, and the other way round.
    The variance of the logarithms' sum is ``s_b² + s_Q² + 2ρ s_b s_Q``, of which nodes mixed independently
    have the first two.
    """
    logarithms = np.log(scales)
    of_bias = logarithms.std(axis=1, keepdims=True)
    of_variance = np.sqrt(2 / freedoms.mean(axis=1, keepdims=True))
    grown = np.sqrt(1 + 2 * TOGETHER * of_variance / np.maximum(of_bias, SMALLEST))
    return np.asarray(np.exp(np.where(of_bias > SMALLEST, logarithms * grown, logarithms)))


def _grouped(scales: FloatArray, freedoms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return means over groups of nodes with neighbouring lower quantiles, shape (n, groups)."""
    count, nodes = scales.shape
    if nodes <= GROUPS:
        return scales, freedoms
    order = np.argsort(np.log(scales) - 2 / np.sqrt(freedoms), axis=1, kind="stable")
    size = math.ceil(nodes / GROUPS)
    shape = (count, nodes // size, size)
    by_scale = np.take_along_axis(scales, order, axis=1).reshape(shape)
    by_freedom = np.take_along_axis(freedoms, order, axis=1).reshape(shape)
    scale = by_scale.mean(axis=2)
    # second moments of a group are kept: relative variance of a scaled chi-squared variable is 2/edf
    spread = np.mean(by_scale**2 * (1 + 2 / by_freedom), axis=2) / scale**2 - 1
    return scale, np.maximum(2 / spread, 1.0)
