"""The noise of a record as one mixture ``S_y = Σ h_α f^α``, as surely as it is known.

Expectation, degrees of freedom and bias of every statistic follow from it, and they do not jump from one
averaging time to the next. What is not known of the mixture is kept as nodes, levels drawn from what is
believed of them after looking at the record; intervals are mixed over them.

The mixture is found once from the record itself. Mean squares of differences of phase at doublings of the
averaging time, plain and averaged (the overlapping and the modified Allan variance, for the Hadamard
statistics the Hadamard variances), are looked at, whatever averaging times are asked for. Their logarithms
are taken as jointly normal, with the mean and variance of the logarithm of a chi-squared variable, and with
the correlations of the sums over lags (Parseval). Every subset of up to three noises, with and without a
drift of frequency, is fitted by Gauss-Newton steps; levels are then drawn about each fit and weighted by
likelihood and prior (importance sampling). Before looking a noise is absent, or of any level up to the most
that the record can hold.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import combinations
from typing import Self

import numpy as np
from scipy import special

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.deviations.chi_squared_sums import ChiSquaredSums
from evenbeat.deviations.covariance import EXPONENTS, exponents_of, products_of, term_spectra
from evenbeat.deviations.forms.terms import Differences, moments_of_terms
from evenbeat.deviations.freedom import Moments
from evenbeat.deviations.sums.kernels import TermSum, sums_of_squares
from evenbeat.deviations.sums.samples import Samples
from evenbeat.errors import InputError
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels
from evenbeat.quantities import FloatArray

FINEST = 64
"""Averaging times longer than this many samples are looked at through every ``factor/FINEST``-th sample."""
MOST_TERMS = 1 << 14
STRETCHES = 4
LEAST_FREEDOM = 1.5
"""Mean squares that have fewer degrees of freedom under random-walk FM say too little."""
STANDS_STILL = 1e-4
NOTHING = 1e-120
"""Mean squares below are none of a clock, and their products too small to be numbers."""
MOST_TOGETHER = 3
ODDS_OF_ONE_MORE = 0.35
"""Before looking, that one more noise is there (or a drift)."""
USUALLY, RARELY = 0.2, 1e-3
"""Chance that a mean square is so small: what a level is likely not to exceed, and what it does not."""
ROUNDS, ROUNDS_OF_ALL = 5, 3
DRAWS = 32
NODES = 64
HOPELESS = 2000.0
"""Sum of squared residuals above the least at which a fit is given up: in 150 simulated mixtures none of them
would have come within exp(-50) of the best likelihood."""
WIDENED = 1.2
SHRINKAGE = 0.05
"""Share taken off the correlations, which are those of a record without ends."""
OCTAVE_POINTS = 127
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
        units = self.interval_s ** (1.0 - np.array(EXPONENTS[: len(NOISE_NAMES)]))
        return NoiseLevels.in_order((self.levels[: len(units)] / units).tolist())

    def levels_for(self, noises: int) -> FloatArray:
        """Return the nodes with so many noises: those beyond left out, those not looked for zero."""
        kept = self.nodes[:, :noises]
        return np.pad(kept, ((0, 0), (0, noises - kept.shape[1])))


@dataclass(frozen=True, eq=False, kw_only=True)
class Law:
    """How a statistic is distributed at n averaging times under a mixture.

    ``levels`` (n, noises) are of the mean mixture, under which there are ``aimed_at``, the variance aimed at
    under the five usual noises (NaN if unknown), ``bias``, the expectation over it, ``edf`` (NaN where there
    is no term) and ``exponent``, α of the noise that makes the largest part (NaN likewise); ``surely`` is the
    share of the nodes under which it is that noise. ``scales`` and ``freedoms``, (n, groups), are what the
    bias is divided by, and degrees of freedom, of nodes that are alike.
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
    def of(cls, mixture: NoiseMixture | None, moments: Moments) -> Self:
        """Return the law of each point; of an unknown noise that with the fewest degrees of freedom."""
        if mixture is None:
            return cls._unknown(moments)
        expected, aimed, products = moments.expected, moments.aimed_at, moments.products
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
            levels=np.broadcast_to(mean, expected.shape),
            aimed_at=(mean * aimed)[:, : len(NOISE_NAMES)].sum(axis=-1),
            bias=bias,
            edf=freedoms[:, -1],
            exponent=np.where(np.isnan(freedoms[:, -1]), np.nan, 2.0 - strongest),
            surely=np.mean(np.argmax(parts[:, :-1], axis=2) == strongest[:, np.newaxis], axis=1),
            scales=scales,
            freedoms=grouped,
        )

    @classmethod
    def _unknown(cls, moments: Moments) -> Self:
        levels = moments.least_freedom
        fewest, count = moments.freedom(levels), len(levels)
        return cls(
            levels=levels,
            aimed_at=np.full(count, np.nan),
            bias=np.ones(count),
            edf=fewest,
            exponent=np.full(count, np.nan),
            surely=np.zeros(count),
            scales=np.ones((count, 1)),
            freedoms=fewest[:, np.newaxis],
        )

    def distribution(self, weights: FloatArray) -> ChiSquaredSums:
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


def mixture_of(samples: Samples, interval_s: float, *, order: int) -> NoiseMixture | None:
    """Return the noise of a record; ``None`` where nothing varies or too few vary.

    ``order`` is 2 for five noises beside a drift, 3 for those steeper than random-walk FM too.
    """
    anchors = _anchors(samples, order)
    return None if anchors is None else NoiseMixture(nodes=_nodes(*anchors, order), interval_s=interval_s)


def _anchors(
    samples: Samples, order: int
) -> tuple[tuple[tuple[int, bool], ...], FloatArray, FloatArray, FloatArray] | None:
    """Return the mean squares [s²] of differences that enough terms stand behind; ``None`` if there are none.

    Their factors and whether they are averaged, their values, and expectation and scatter under each noise.
    """
    factors = 2 ** np.arange(max(0, (samples.points - 1) // order).bit_length())
    short = factors[factors <= FINEST]
    looks = [(1, short, False), (1, short[(short > 1) & ((order + 1) * short <= samples.points)], True)]
    looks += [(factor // FINEST, np.array([FINEST]), False) for factor in factors[len(short) :].tolist()]
    each = sorted(
        (
            (stride * lag, averaged, terms)
            for stride, lags, averaged in looks
            for lag, terms in zip(
                lags.tolist(), _sums(samples.decimated(stride), lags, order, averaged=averaged), strict=True
            )
            if terms.terms and terms.total / terms.terms > NOTHING
        ),
        key=lambda row: row[:2],
    )
    if not each:
        return None
    points = [(factor, averaged) for factor, averaged, _ in each]
    found = []
    for factor, averaged, terms in each:
        stride = max(1, factor // FINEST)
        found.append((Differences(order=order, averaged=averaged, stride=stride), terms, factor // stride))
    moments = moments_of_terms(found)
    random_walk = (np.arange(moments.expected.shape[1]) == exponents_of(2).index(-2)).astype(float)
    squares = np.array([terms.total / terms.terms for _, terms, _ in found])
    kept = np.flatnonzero(moments.freedom(random_walk) >= LEAST_FREEDOM)
    if len(kept) == 0:
        return None
    # mean squares of no noise fall faster than 1/factor: readings that stand still do
    factors = np.array([factor for factor, _ in points])
    still = squares[kept[1:]] <= STANDS_STILL * squares[kept[0]] / factors[kept[1:]]
    kept = np.append(kept[0], kept[1:][~still])
    kinds = tuple(points[k] for k in kept.tolist())
    return kinds, squares[kept], moments.expected[kept], moments.products[kept]


def _sums(samples: Samples, lags: IntArray, order: int, *, averaged: bool) -> list[TermSum]:
    """Return the sums of squared terms, in a long record of stretches beyond the reach of covariances."""
    if samples.points <= MOST_TERMS:
        return sums_of_squares(samples, lags, order, averaged=averaged)
    length = MOST_TERMS // STRETCHES + order * FINEST
    begins = np.linspace(0, samples.points - length, STRETCHES).astype(int).tolist()
    pieces = [samples.between(begin, begin + length) for begin in begins]
    each = [sums_of_squares(piece, lags, order, averaged=averaged) for piece in pieces]
    return [
        TermSum(
            total=math.fsum(part.total for part in parts),
            possible=sum(part.possible for part in parts),
            terms=sum(part.terms for part in parts),
            runs=partial(_runs_joined, parts) if samples.has_gaps else None,
        )
        for parts in zip(*each, strict=True)
    ]


def _runs_joined(parts: Sequence[TermSum]) -> IntArray:
    """Return where runs of used terms begin and end in all parts, one after the other."""
    valid = np.concatenate([part.mask for part in parts])
    return TermSum(total=0.0, possible=len(valid), valid=valid).runs


@lru_cache(maxsize=16)
def _spectral_products(points: tuple[tuple[int, bool], ...], order: int) -> FloatArray:
    """Return integrals of the products of all spectra of terms, shape (noises², n²)."""
    terms = tuple((order, factor, averaged) for factor, averaged in points)
    return products_of(term_spectra(terms, exponents_of(order), OCTAVE_POINTS)[0])


@lru_cache(maxsize=4)
def _subsets(noises: int, *, drift: bool) -> BoolArray:
    """Return which noises are in each subset, the drift last, shape (subsets, unknowns)."""
    without = np.array(
        [
            np.isin(np.arange(noises + drift), some)
            for size in range(1, MOST_TOGETHER + 1)
            for some in combinations(range(noises), size)
        ]
    )
    if not drift:
        return without
    with_drift = without.copy()
    with_drift[:, -1] = True
    return np.concatenate([without, with_drift])


@lru_cache(maxsize=4)
def _normal_draws(unknowns: int) -> FloatArray:
    """Return evenly spread standard normal vectors, shape (draws, unknowns).

    By an additive recurrence with powers of the root of ``x^(d+1) = x + 1`` (Kronecker sequence).
    """
    root = 2.0
    for _ in range(60):  # x^(u + 1) = x + 1
        root = (1 + root) ** (1 / (unknowns + 1))
    places = np.arange(1, DRAWS + 1)[:, np.newaxis] * root ** -np.arange(1.0, unknowns + 1)
    return np.asarray(special.ndtri((0.5 + places) % 1))


def _nodes(
    points: tuple[tuple[int, bool], ...],
    squares: FloatArray,
    response: FloatArray,
    scatter: FloatArray,
    order: int,
) -> FloatArray:
    """Return levels drawn from what the anchors leave of them, shape (draws, noises)."""
    single = np.maximum(response**2 / np.einsum("iaa->ia", scatter), 1.0)
    noises = response.shape[1]
    if order == 2:
        # a drift D adds D m² to every term: its square to their mean square, and beside noise four times its
        # square times the variance of their mean to the scatter of it
        drift = np.array([float(factor) ** 4 for factor, _ in points])[:, np.newaxis]
        beside = (drift * response / single)[:, :, np.newaxis]
        nothing = np.zeros((len(drift), 1, 1))
        scatter = np.block([[scatter, beside], [beside.swapaxes(1, 2), nothing]])
        response, single = np.hstack([response, drift]), np.hstack([single, single[:, -1:]])
    # levels are counted in the most that the record can hold of each
    measured = squares[:, np.newaxis] / response
    usual, least = (2 * special.gammaincinv(0.5 * single, chance) / single for chance in (USUALLY, RARELY))
    most = np.min(measured / least, axis=0)
    pairs = np.multiply.outer(most, most)
    drawn, logarithms = _drawn(
        response=most / measured,
        scatter=scatter * pairs / squares[:, np.newaxis, np.newaxis] ** 2,
        spectral=_spectral_products(points, order) * pairs[:noises, :noises].reshape(-1, 1),
        subsets=_subsets(noises, drift=order == 2),
        likely=np.min(measured / usual, axis=0) / most,
    )
    upto = np.cumsum(np.exp(logarithms - logarithms.max()))
    chosen = np.searchsorted(upto, upto[-1] * (np.arange(NODES) + 0.5) / NODES)
    return np.asarray(drawn[chosen, :noises] * most[:noises])


def _drawn(
    response: FloatArray, scatter: FloatArray, spectral: FloatArray, subsets: BoolArray, likely: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Fit all subsets of unknowns, return levels about each fit and the logarithms of their weights.

    Shape (draws, unknowns) and (draws,); levels are in units of the most there can be of each. ``response``
    (n, unknowns) is the expectation of each mean square over its value, ``scatter`` half its variance
    likewise, ``spectral`` (noises², n²) gives the correlations; up to ``likely`` a level counts as usual.
    """
    levels = np.where(subsets, 0.5 / subsets.sum(axis=1, keepdims=True), 0.0)
    for number in range(ROUNDS):
        residuals, covariance = _residuals(levels, response, scatter, spectral)
        means = levels @ response.T
        slope = response / means[:, :, np.newaxis] * subsets[:, np.newaxis]
        both = np.concatenate([slope, residuals[..., np.newaxis]], axis=2)
        products = both.swapaxes(1, 2) @ np.linalg.solve(covariance, both)
        if number == ROUNDS_OF_ALL - 1:
            hopeful = products[:, -1, -1] <= products[:, -1, -1].min() + HOPELESS
            subsets, levels, products = subsets[hopeful], levels[hopeful], products[hopeful]
        # the unit matrix: a level is not known worse than to the most there can be of it
        normal = products[:, :-1, :-1] + np.eye(subsets.shape[1])
        if number < ROUNDS - 1:
            moved = levels + np.linalg.solve(normal, products[:, :-1, -1:])[..., 0]
            levels = np.where(subsets, np.clip(moved, 0.05 * levels + 1e-9, 1.0), 0.0)
    size = subsets.sum(axis=1)
    root = np.linalg.cholesky(normal)
    normals = _normal_draws(subsets.shape[1])
    away = (np.linalg.inv(root).swapaxes(1, 2) @ (WIDENED * normals.T)).swapaxes(1, 2)
    drawn = levels[:, np.newaxis] + away * subsets[:, np.newaxis]
    inside = np.all((drawn >= 0) & (drawn <= 1), axis=2)
    if not inside.any():  # the record stands at the border of what it can hold
        drawn, inside = np.clip(drawn, 0.0, 1.0), ~inside
    used = np.where(inside[..., np.newaxis], drawn, levels[:, np.newaxis])
    off = residuals[:, np.newaxis] + np.log(means[:, np.newaxis] / (used @ response.T))
    likelihood = _log_likelihood(off, covariance)
    proposed = (_log_size(root) - size * math.log(WIDENED * math.sqrt(2 * math.pi)))[:, np.newaxis]
    proposed = proposed - 0.5 * (subsets @ (normals**2).T)
    prior = (size - 1) * math.log(ODDS_OF_ONE_MORE) - subsets @ np.log(likely)
    weights = np.where(inside, prior[:, np.newaxis] + likelihood - proposed, -np.inf)
    return drawn.reshape(-1, drawn.shape[2]), weights.ravel()


def _residuals(
    levels: FloatArray, response: FloatArray, scatter: FloatArray, spectral: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return residuals of the logarithms and their covariance, of each subset."""
    count = len(response)
    means = levels @ response.T
    half = 0.5 * np.maximum(means**2 / (_pairs(levels) @ scatter.reshape(count, -1).T), 1.0)
    mean, variance = _log_chi_squared(half)
    products = _pairs(levels[:, : math.isqrt(len(spectral))]) @ spectral
    products = products.reshape(-1, count, count)
    root = np.sqrt((1 - SHRINKAGE) * variance / np.einsum("sii->si", products))
    covariance = products * root[:, :, np.newaxis] * root[:, np.newaxis]
    np.einsum("sii->si", covariance)[:] = variance
    return -np.log(means) - mean, covariance


def _log_chi_squared(half: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the logarithm of a chi-squared variable over its degrees of freedom 2x.

    ``ψ(x) - ln x`` and ``ψ'(x)``: from their series at x + 6, which is right to 1e-10 and far quicker than
    the zeta function.
    """
    beyond = half + 6
    square = 1 / beyond**2
    series = 1 / 6 - square * (1 / 30 - square * (1 / 42 - square / 30))
    trigamma = 1 / beyond + square * (0.5 + series / beyond)
    for k in range(6):
        trigamma += 1 / (half + k) ** 2
    return special.digamma(half) - np.log(half), trigamma


def _log_likelihood(off: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return that of residuals, shape (subsets, n, points), given their covariances."""
    squares = np.sum(off * np.linalg.solve(covariance, off.swapaxes(1, 2)).swapaxes(1, 2), axis=2)
    return np.asarray(-0.5 * (np.linalg.slogdet(covariance)[1][:, np.newaxis] + squares))


def _pairs(levels: FloatArray) -> FloatArray:
    """Return all products of two levels, shape (n, levels²)."""
    return np.asarray((levels[:, :, np.newaxis] * levels[:, np.newaxis]).reshape(len(levels), -1))


def _log_size(triangular: FloatArray) -> FloatArray:
    """Return the logarithm of the determinant of each triangular matrix."""
    return np.asarray(np.log(np.einsum("sii->si", triangular)).sum(axis=1))
