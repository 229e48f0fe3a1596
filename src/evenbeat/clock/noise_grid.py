"""The covariance of block averages at every point of a grid of noise ratios, diagonalised once.

It is ``σ² (W + p P + f F + r R)``: white FM, white PM, flicker FM and random-walk FM, each scaled to unit
Allan variance at the length of one block, so that p, f and r are ratios of Allan variances at one block. On
contrasts that remove the constant it is a true covariance. One eigendecomposition for each (p, f) serves
every r, every aging law and every target. At some more nodes R is a wandering drift instead of a random walk.

The fixed effects of a design are estimated at every point, the overall level integrated out. From the
posterior over it follow the noise levels: a value where a noise is seen, an upper limit where it is not.

Sources: generalized covariance and universal kriging, Matheron 1973; restricted likelihood, Patterson &
Thompson 1971 and Harville 1974; the integrated likelihood gives a Student-t distribution for every linear
quantity at each point of the grid (Box & Tiao 1973, 2.7).
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import linalg

from evenbeat.clock.covariance import (
    FLICKER_FM,
    MODELLED,
    RANDOM_WALK_FM,
    WANDERING_DRIFT,
    WHITE_FM,
    WHITE_PM,
    Gates,
    Gating,
    Spans,
    block_covariance,
    mean_frequency_covariance,
    mean_frequency_variance,
    unit_level,
)
from evenbeat.clock.regression import Contrasts, ranked
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import FloatArray
from evenbeat.record import Record

FEW_BLOCKS, ENOUGH_BLOCKS = 20, 60


@dataclass(frozen=True, eq=False, kw_only=True)
class Node:
    """One pair of ratios (white PM, flicker FM): the basis in which every random-walk ratio is diagonal.

    In it contrasts become uncorrelated numbers of variance ``σ² (1 + r eigenvalue)``.
    """

    white_pm: float
    flicker_fm: float
    moving: int  # The noise whose ratio r is: random-walk FM or a wandering drift
    ratios: FloatArray  # Its ratios, shape (r,)
    turn: FloatArray  # The square matrix that turns contrasts
    eigenvalues: FloatArray
    log_determinant: float

    def turned(self, contrasts: FloatArray) -> FloatArray:
        """Return contrasts, shape (n - 1, …), in the basis of the node."""
        return self.turn @ contrasts

    def without_moving(self, parts: Mapping[int, FloatArray]) -> FloatArray:
        """Return the sum of what white FM, flicker FM and white PM give, by exponent, in its ratios."""
        total = parts[WHITE_FM] + self.flicker_fm * parts[FLICKER_FM]
        return total + self.white_pm * parts[WHITE_PM] if self.white_pm > 0 else total


@dataclass(frozen=True, eq=False, kw_only=True)
class NoiseGrid:
    """All nodes for one layout of blocks; independent of the readings, so shared between fits."""

    spans: Spans  # In units of the record length
    block: float  # Length of a regular block in the same unit, at which the ratios are taken
    ratios: Ratios
    contrasts: Contrasts
    # Exponent to covariance of the block averages, shape (n, n), scaled to unit Allan variance
    covariances: dict[int, FloatArray]
    nodes: tuple[Node, ...]
    # The matrices that turn contrasts into the basis of every node, shape (nodes, n - 1, n - 1)
    turns: FloatArray
    # By how much dead time between readings of their own times raises the variance of a block under white
    # FM: the ratios are as much larger
    dilution: float = 1.0

    @cached_property
    def walks(self) -> int:
        """How many nodes have a random walk: they come first, the others have a wandering drift."""
        return sum(node.moving == RANDOM_WALK_FM for node in self.nodes)

    def covariance_at(self, node: int, walk: int) -> FloatArray:
        """Return the generalized covariance of the blocks over σ² at one point, shape (n, n)."""
        at = self.nodes[node]
        return at.without_moving(self.covariances) + at.ratios[walk] * self.covariances[at.moving]

    @cached_property
    def spreads(self) -> FloatArray:
        """Variances ``1 + r eigenvalue`` over σ², shape (nodes, random-walk ratios, n - 1)."""
        return np.array([1 + np.multiply.outer(node.ratios, node.eigenvalues) for node in self.nodes])

    @cached_property
    def weights(self) -> FloatArray:
        """Their inverses, likewise."""
        return np.asarray(1 / self.spreads)

    @cached_property
    def log_determinants(self) -> FloatArray:
        """Of the covariances of the contrasts over σ², shape (nodes, random-walk ratios)."""
        fixed = np.array([node.log_determinant for node in self.nodes])
        return np.asarray(fixed[:, np.newaxis] + np.log(self.spreads).sum(axis=2))

    def log_prior(self, prior: NoisePrior) -> FloatArray:
        """Return the log of the prior weight of every point, shape (nodes, random-walk ratios).

        Notes
        -----
        A random walk hidden under white FM moves the drift long before it shows, so that no prior covers
        it without widening the band of a clock that has none. ``'balanced'`` gives even odds to none and to
        one that hides (from where it widens the aging rate five times), and nothing between: what lies there
        is served by both. It was found by search over such shapes; freer ones did no better. The others
        have a walk in every clock and say from which size on. Simulated clocks (27 kinds, 60 to 600 blocks,
        300 of each; not those of the published panel) gave for aging rate and time error, and over all
        answers in the lowest and highest kind of clock:

        ========  =============  =============  ============  ===================  ===========
        prior     95 % covered   lowest clock   68 %          width, known levels  white FM
        ========  =============  =============  ============  ===================  ===========
        uniform   .941 / .953    .910           .583 to .800  1.52 / 1.35          2.6 / 2.0
        balanced  .940 / .951    .917           .603 to .759  1.58 / 1.36          2.7 / 2.0
        cautious  .967 / .967    .929           .618 to .836  1.85 / 1.55          3.3 / 2.3
        ========  =============  =============  ============  ===================  ===========

        Widths are of the 95 % intervals, relative to the best linear unbiased predictor that knows the
        levels (time error: mean of half a record ahead and a whole one). Of the aging rate alone the 68 %
        interval covers .49 of some hidden walks and .83 at most; with two noises only and their level known
        the best of all rules would cover .60 of every walk and .73 of white FM
        (``tests/coverage/clock_limits.md``). ``tests/coverage/real_clocks.md`` is the published panel.

        A drift that wanders has a tenth of every prior. With a quarter, 95 % of the rates of a mild one
        are covered .83 times instead of .63 (none at all: .30), and intervals of the rate of white FM
        grow by 1.7 instead of 1.1. Falling with the root of its strength instead of flat, with 0.12,
        beside 0.05 flat, it would cover .60 instead of .35 of 68 % rates after one change of drift, .75
        instead of .67 of 95 % rates of the mild one, and widen rates of white FM by four tenths (48 of
        each of seventeen clocks); no such shape covers the mild one.
        """
        if prior not in PRIORS:
            msg = f"noise_prior is {prior!r}; it must be one of {', '.join(map(repr, PRIORS))}"
            raise InputError(msg)
        shape = PRIORS[prior]
        told = np.clip(np.log(1 / (FEW_BLOCKS * self.block)) / np.log(ENOUGH_BLOCKS / FEW_BLOCKS), 0, 1)
        strength: FloatArray = np.array(self.ratios.random_walk_fm) / self.dilution / self.block**2
        there = _from(strength, shape.weakest_walk, shape.walk_slope * told)
        absent = np.zeros(len(strength))
        absent[0] = shape.no_walk  # 0.1: adds a fortieth to what white FM leaves unknown of the drift
        walks, wanders = self.nodes[: self.walks], self.nodes[self.walks :]
        wander = shape.wander if wanders else 0.0
        weight = np.multiply.outer(_flicker_weight(walks, shape.no_flicker), absent)
        weight += np.multiply.outer(
            _flicker_weight(walks, shape.no_flicker_beside_walk), (1 - shape.no_walk - wander) * there
        )
        if wanders:
            strength = wanders[0].ratios / self.dilution / self.block**4
            there = wander * _from(strength, shape.weakest_wander, 0.0)
            beside = _flicker_weight(wanders, shape.no_flicker_beside_wander)
            weight = np.vstack([weight, np.multiply.outer(beside, there)])
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(weight))

    def target_covariances(self, target: Spans) -> tuple[dict[int, FloatArray], dict[int, FloatArray]]:
        """Return covariance with the contrasts, (n - 1, m), and variance, (m,), of targets less the mean."""
        with_data, own = {}, {}
        for exponent, matrix in self.covariances.items():
            level = unit_level(exponent, self.block)
            cross = level * mean_frequency_covariance(exponent, self.spans, target)
            row = matrix.mean(axis=1)
            with_data[exponent] = self.contrasts.of(cross - row[:, np.newaxis])
            own[exponent] = (
                level * mean_frequency_variance(exponent, target) - 2 * cross.mean(axis=0) + row.mean()
            )
        return with_data, own


def _from(strength: FloatArray, weakest: float, slope: float) -> FloatArray:
    """Return weights that begin at ``weakest`` and fall as strength to the power ``-slope``, sum one."""
    weight = np.where(strength > 0.99 * weakest, strength**-slope, 0.0)
    return np.asarray(weight / weight.sum())


def _flicker_weight(nodes: Sequence[Node], without: float) -> FloatArray:
    """Return the prior weight of nodes where clocks without flicker FM have ``without``."""
    flicker = np.array([node.flicker_fm for node in nodes])
    present = max(len(np.unique(flicker)) - 1, 1)
    weight = np.where(flicker == 0, without, (1 - without) / present)
    return np.asarray(weight / weight.sum())


def noise_grid(
    spans: Spans,
    block: float,
    *,
    with_white_pm: bool,
    gating: Gating | Gates | None = None,
    ratios: Ratios | None = None,
) -> NoiseGrid:
    """Return the grid for spans and regular blocks scaled to the record length; the last few are kept.

    Dead time between readings is in the unit of the spans; ``ratios`` stand for those of :func:`ratio_grid`.
    """
    dilution = gating.dilution(block) if isinstance(gating, Gates) else 1.0
    if ratios is None:
        ratios = ratio_grid(1 / block, with_white_pm=with_white_pm).times(dilution)
    return replace(
        _cached_grid(spans.start.tobytes(), spans.stop.tobytes(), block, gating, ratios), dilution=dilution
    )


@lru_cache(maxsize=4)
def _cached_grid(
    start: bytes, stop: bytes, block: float, gating: Gating | Gates | None, ratios: Ratios
) -> NoiseGrid:
    spans = Spans(start=np.frombuffer(start), stop=np.frombuffer(stop))
    contrasts = Contrasts(len(spans))
    exponents = [e for e in MODELLED if e != WHITE_PM or any(ratios.white_pm)]
    exponents += [WANDERING_DRIFT] if ratios.wander else []
    covariances = {e: unit_level(e, block) * block_covariance(e, spans, gating) for e in exponents}
    contrasted = {e: contrasts.of_covariance(matrix) for e, matrix in covariances.items()}
    pairs = [(p, f, RANDOM_WALK_FM) for p in ratios.white_pm for f in ratios.flicker_fm]
    pairs += [(0.0, f, WANDERING_DRIFT) for f in ratios.flicker_beside_wander]
    moved = {RANDOM_WALK_FM: np.array(ratios.random_walk_fm), WANDERING_DRIFT: np.array(ratios.wander)}
    turns = np.empty((len(pairs), len(spans) - 1, len(spans) - 1))
    nodes = []
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        diagonal = pool.map(lambda pair: _diagonalised(contrasted, *pair), pairs)
        for turn, (p, f, moving), found in zip(turns, pairs, diagonal, strict=True):
            turn[:], eigenvalues, log_determinant = found
            nodes.append(
                Node(
                    white_pm=p,
                    flicker_fm=f,
                    moving=moving,
                    ratios=moved[moving],
                    turn=turn,
                    eigenvalues=eigenvalues,
                    log_determinant=log_determinant,
                )
            )
    return NoiseGrid(
        spans=spans,
        block=block,
        ratios=ratios,
        contrasts=contrasts,
        covariances=covariances,
        nodes=tuple(nodes),
        turns=turns,
    )


def _diagonalised(
    covariances: dict[int, FloatArray], p: float, f: float, moving: int
) -> tuple[FloatArray, FloatArray, float]:
    """Return what turns contrasts into the basis of a node, the eigenvalues, and the log determinant."""
    base = covariances[WHITE_FM] + f * covariances[FLICKER_FM]
    if p > 0:
        base = base + p * covariances[WHITE_PM]
    lower = np.linalg.cholesky(0.5 * (base + base.T))
    whitened = linalg.lapack.dsygst(covariances[moving], lower, lower=1)[0]  # the lower half of L⁻¹ R L⁻ᵀ
    eigenvalues, vectors = np.linalg.eigh(whitened)  # lets another thread run, as scipy's does not
    log_determinant = 2 * float(np.sum(np.log(np.diag(lower))))
    turn = linalg.blas.dtrsm(1.0, lower, vectors, lower=1, trans_a=1).T
    return turn, np.maximum(eigenvalues, 0.0), log_determinant


NoisePrior = Literal["uniform", "balanced", "cautious"]
LARGEST_RATIO = 1e3
WEAKEST_WALK = 0.1
"""Ratio of a random walk to white FM at one block, times the square of the number of blocks, where the
grid starts. At 4 the walk adds as much to the variance of the drift as white FM does: q₂/T beside 12q₁/T³."""
WEAKEST_FLICKER = 0.1
"""The same for flicker FM, times the number of blocks."""
WEAKEST_WANDER = 10.0
"""The same for a wandering drift (Hadamard variances), times the fourth power of the number of blocks. At 2.2
it adds as much to the variance of the drift at the end as white FM does: q/2 beside 12 σ²/n."""


@dataclass(frozen=True, kw_only=True)
class PriorShape:
    """What a prior holds of noises that hide under white FM."""

    # Weight of a clock without random-walk FM, for which the weakest ratio of the grid stands
    no_walk: float = 0.0
    # Where there is one, its ratio starts at this value (in the unit of ``WEAKEST_WALK``)
    weakest_walk: float
    # From there its weight per decade falls as the ratio to the power ``-walk_slope`` in records of 60 block
    # lengths and more; in those of 20 and fewer, which hardly tell a strong walk from a weak one, it is
    # flat, and between them in between
    walk_slope: float = 0.0
    # no_flicker, no_flicker_beside_walk, no_flicker_beside_wander: weight of a clock without flicker FM,
    # where there is no random walk, where there is, and where the drift wanders; the rest is flat in the
    # logarithm of the ratio
    no_flicker: float
    no_flicker_beside_walk: float
    no_flicker_beside_wander: float = 0.4
    wander: float = 0.1  # Weight of a clock whose drift wanders, which then has no random walk
    # From there it is flat in the logarithm of the ratio, in the unit of ``WEAKEST_WANDER``
    weakest_wander: float = 30.0


PRIORS: dict[str, PriorShape] = {
    "uniform": PriorShape(weakest_walk=10**-1.0, no_flicker=0.5, no_flicker_beside_walk=0.5),
    "balanced": PriorShape(
        no_walk=0.5, weakest_walk=100.0, walk_slope=0.5, no_flicker=0.85, no_flicker_beside_walk=0.99
    ),
    "cautious": PriorShape(weakest_walk=10**0.5, no_flicker=0.9, no_flicker_beside_walk=0.9),
}


@dataclass(frozen=True, kw_only=True)
class Ratios:
    """The grid of Allan-variance ratios to white FM at one block.

    Those of a wandering drift, beside flicker FM of its own ratios and no white PM, are as many as those of
    the random walk, which it replaces; none leaves it out.
    """

    white_pm: tuple[float, ...]
    flicker_fm: tuple[float, ...]
    random_walk_fm: tuple[float, ...]
    wander: tuple[float, ...] = ()
    flicker_beside_wander: tuple[float, ...] = ()

    def times(self, factor: float) -> Ratios:
        """Return the ratios to a white FM that dead time makes as much larger in the averages."""
        if factor == 1:
            return self
        return Ratios(**{name: tuple(factor * r for r in ratios) for name, ratios in vars(self).items()})


def ratio_grid(count: float, *, with_white_pm: bool) -> Ratios:
    """Return the ratios for a record of ``count`` block lengths.

    Half decades up to 1e3, decades for flicker FM where white PM is in the model too. They start where a
    noise can no longer be seen, which depends on the length of the record: see ``WEAKEST_WALK``.
    """
    walks = _decades(WEAKEST_WALK / count**2, step=0.5)
    few = (0.0, *_decades(WEAKEST_FLICKER / count, step=1.0))
    return Ratios(
        white_pm=(0.0, *_decades(1e-2, step=1.0)) if with_white_pm else (0.0,),
        flicker_fm=few if with_white_pm else (0.0, *_decades(WEAKEST_FLICKER / count, step=0.5)),
        random_walk_fm=walks,
        wander=tuple((WEAKEST_WANDER / count**4 * 10.0 ** (0.5 * np.arange(len(walks)))).tolist()),
        flicker_beside_wander=few,
    )


def _decades(lowest: float, *, step: float) -> tuple[float, ...]:
    """Return values from ``lowest`` in steps of so many decades until 1e3 is reached."""
    count = int(np.ceil(np.log10(LARGEST_RATIO / lowest) / step - 1e-9)) + 1
    return tuple(float(lowest * 10 ** (step * k)) for k in range(count))


MOST_PRODUCTS = 500_000
"""Products of columns that are held at once, for as many nodes as that allows."""


@dataclass(frozen=True, eq=False, kw_only=True)
class GridFit:
    """The fixed effects of one design, estimated at every point of the grid."""

    coefficients: FloatArray  # Shape (nodes, r, p)
    inverse_information: FloatArray  # Shape (nodes, r, p, p): covariance of the coefficients over σ²
    level: FloatArray  # Shape (nodes, r): estimate of σ² with ``degrees_of_freedom``
    degrees_of_freedom: int
    # Which columns can be told apart, shape (p,); the others have neither effect nor uncertainty
    kept: npt.NDArray[np.bool_]
    # log_restricted, log_likelihood: shape (nodes, r): restricted log likelihood with σ² integrated out, and
    # the ordinary one at its maximum over σ² and the coefficients
    log_restricted: FloatArray
    log_likelihood: FloatArray
    walks: int  # How many nodes, the first ones, have a random walk and no wandering drift


def shared(designs: Sequence[FloatArray]) -> tuple[FloatArray, list[npt.NDArray[np.intp]]]:
    """Return the columns of some designs, each once, shape (n, Q), and where those of each design are."""
    places: dict[bytes, tuple[int, FloatArray]] = {}
    used = [
        np.array([places.setdefault(each.tobytes(), (len(places), each))[0] for each in design.T], dtype=int)
        for design in designs
    ]
    columns = [column for _, column in places.values()]
    return np.array(columns).reshape(len(columns), len(designs[0])).T, used


def fit_on_grid(grid: NoiseGrid, frequency: FloatArray, *designs: FloatArray) -> list[GridFit]:
    """Estimate the fixed effects of some designs, shape (n, p) without the constant, at every grid point.

    Frequency is scaled to order one. What the designs share is computed once.
    """
    ranks = [ranked(design) for design in designs]
    columns, used = shared([design[:, rank.kept] for design, rank in zip(designs, ranks, strict=True)])
    together = np.zeros((columns.shape[1], columns.shape[1]), dtype=bool)
    for place in used:
        together[np.ix_(place, place)] = True
    one, other = np.nonzero(np.triu(together))
    pair = np.zeros(together.shape, dtype=np.intp)
    pair[one, other] = pair[other, one] = np.arange(len(one))
    contrasts = grid.contrasts.of(np.column_stack([columns, frequency]))
    begin = [rank.least_squares(frequency)[1] for rank in ranks]
    points = grid.log_determinants.shape
    information = np.empty((*points, len(one)))
    score = [np.empty((*points, len(place) + 1)) for place in used]
    at_once = max(1, MOST_PRODUCTS // (len(contrasts) * max(len(one), 1)))
    for first in range(0, len(information), at_once):
        some = slice(first, first + at_once)
        turned = grid.turns[some] @ contrasts
        information[some] = grid.weights[some] @ (turned[..., one] * turned[..., other])
        for beside, place, rank, already in zip(score, used, ranks, begin, strict=True):
            # squares are summed of what least squares leaves, lest a large step drown the noise in rounding
            rest = turned[..., -1:] - (turned[..., place] @ already[rank.kept])[..., np.newaxis]
            beside[some] = grid.weights[some] @ (np.concatenate([turned[..., place], rest], axis=-1) * rest)
    return [
        _solved(grid, rank.kept, already, information[..., pair[np.ix_(place, place)]], beside)
        for rank, already, place, beside in zip(ranks, begin, used, score, strict=True)
    ]


def _solved(
    grid: NoiseGrid,
    told_apart: npt.NDArray[np.bool_],
    begin: FloatArray,
    information: FloatArray,
    beside: FloatArray,
) -> GridFit:
    """Return the fit that normal equations make of what is left beside ``begin``."""
    n, p = grid.contrasts.count - 1, information.shape[-1]
    score = beside[..., :p]
    inverse = np.linalg.inv(information)
    change = np.einsum("grpq,grq->grp", inverse, score)
    rss = np.maximum(beside[..., p] - np.einsum("grp,grp->gr", change, score), np.finfo(float).tiny)
    log_det_x = np.linalg.slogdet(information)[1]
    freedom = n - p
    coefficients = np.tile(begin, (*rss.shape, 1))
    coefficients[..., told_apart] += change
    if p < len(told_apart):
        of_kept, places = inverse, np.ix_(told_apart, told_apart)
        inverse = np.zeros((*rss.shape, len(told_apart), len(told_apart)))
        inverse[..., places[0], places[1]] = of_kept
    return GridFit(
        coefficients=coefficients,
        inverse_information=inverse,
        level=rss / freedom,
        degrees_of_freedom=freedom,
        kept=told_apart,
        log_restricted=-0.5 * (freedom * np.log(rss) + grid.log_determinants + log_det_x),
        log_likelihood=-0.5 * (n * np.log(rss / n) + grid.log_determinants + n),
        walks=grid.walks,
    )


SEEN_SHARE = 0.05
"""Share of the Allan variance that a noise must reach at some averaging time to count as seen."""
SEEN_PROBABILITY = 0.9
LIMIT_PROBABILITY = 0.95
_SLOPE = {WHITE_PM: -2, WHITE_FM: -1, FLICKER_FM: 0, RANDOM_WALK_FM: 1, WANDERING_DRIFT: 3}
"""Of the Allan variance over averaging time."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LevelPosterior:
    """What is known of the noise levels: points with weights."""

    weights: FloatArray  # Shape (k,)
    # For each point, exponent to Allan variance at one block relative to white FM; of a wandering drift the
    # Hadamard variance
    ratios: tuple[dict[int, float], ...]
    allan_variance: FloatArray  # Shape (k,): estimated Allan variance of white FM at one block
    degrees_of_freedom: FloatArray  # Shape (k,), of that estimate
    block_s: float  # Length of one block in seconds
    # See :class:`evenbeat.clock.noise_grid.NoiseGrid`: what hides under the averages of sparse readings
    dilution: float = 1.0

    def estimates(self, exponent: int) -> FloatArray:
        """Return h_α at every point, shape (k,) (white PM: variance of phase; wandering drift: growth)."""
        ratio = np.array([each[exponent] for each in self.ratios])
        return ratio * self.allan_variance * unit_level(exponent, self.block_s)

    def mean(self, exponent: int) -> float:
        """Return the posterior mean of h_α; ν/(ν - 2) turns each estimate into its mean."""
        heavier = self.degrees_of_freedom / (self.degrees_of_freedom - 2)
        return float(self.weights @ (heavier * self.estimates(exponent)))

    def median(self, exponent: int) -> float:
        """Return the posterior median of the estimates of h_α."""
        return _quantile(self.estimates(exponent), self.weights, 0.5)


def noise_levels(posterior: LevelPosterior, if_present: Mapping[int, float], record: Record) -> NoiseLevels:
    """Return the noise levels of a posterior for the record it came from.

    A noise is seen where it makes up at least a twentieth of the Allan variance at some averaging time
    between one block and a quarter of the record, with 90 % probability; else its limit is that of
    :func:`limits_if_present`. White PM is given as h₊₂ for the sampling interval of the record (cut-off at
    half the sampling rate).
    """
    blocks = np.geomspace(1.0, max(1.0, record.duration_s / (4 * posterior.block_s)), 12)
    relative = [{**each, WHITE_FM: posterior.dilution} for each in posterior.ratios]
    variances = {
        e: np.multiply.outer([each[e] for each in relative], blocks ** _SLOPE[e]) for e in relative[0]
    }
    whole = sum(variances.values())
    values: dict[int, float] = {}
    limits: dict[int, float] = {}
    for exponent in (WHITE_PM, WHITE_FM, FLICKER_FM, RANDOM_WALK_FM):
        level = posterior.estimates(exponent)
        if not level.any() and exponent not in if_present:
            continue
        unit = 8 * math.pi**2 * record.spacing_s if exponent == WHITE_PM else 1.0
        shares = (variances[exponent] / whole).max(axis=1)
        if posterior.weights @ (shares >= SEEN_SHARE) >= SEEN_PROBABILITY:
            values[exponent] = unit * _quantile(level, posterior.weights, 0.5)
        else:
            limits[exponent] = unit * if_present.get(
                exponent, _quantile(level, posterior.weights, LIMIT_PROBABILITY)
            )
    return NoiseLevels(
        white_pm=values.get(WHITE_PM, 0.0),
        white_fm=values.get(WHITE_FM, 0.0),
        flicker_fm=values.get(FLICKER_FM, 0.0),
        random_walk_fm=values.get(RANDOM_WALK_FM, 0.0),
        upper_limits=limits,
    )


def limits_if_present(grid: NoiseGrid, fit: GridFit, *, scale: float, block_s: float) -> dict[int, float]:
    """Return 95 % upper limits of white PM, flicker and random-walk FM and a wandering drift, by exponent.

    Quantiles for a clock that has the noise, its Allan deviation relative to that of white FM flat and the
    other noises as the grid holds them: what the prior gives to its absence would otherwise become a limit of
    zero. In 100 simulated clocks each with a walk of 0.3 % and with flicker FM of 10 % of white FM, 100
    averages, no noise exceeded its limit; of 105 with a drift that wandered unseen, one did (200 averages).
    """
    walks, wanders = slice(grid.walks), slice(grid.walks, None)
    ratios = {
        WHITE_PM: (walks, np.array([[node.white_pm] for node in grid.nodes[walks]])),
        FLICKER_FM: (walks, np.array([[node.flicker_fm] for node in grid.nodes[walks]])),
        RANDOM_WALK_FM: (walks, np.array([grid.ratios.random_walk_fm])),
        WANDERING_DRIFT: (wanders, np.array([grid.ratios.wander])),
    }
    limits = {}
    for exponent, (nodes, narrow) in ratios.items():
        level, likely = fit.level[nodes], fit.log_restricted[nodes]
        if not len(level):
            continue
        ratio = np.broadcast_to(narrow, level.shape)
        there = ratio > ratio.min()
        if not there.any():
            continue
        weight = np.exp(likely[there] - likely[there].max()) * np.sqrt(ratio[there])
        level = (ratio * level)[there] * scale**2 * unit_level(exponent, block_s)
        limits[exponent] = _quantile(level, weight / weight.sum(), LIMIT_PROBABILITY)
    return limits


def _quantile(values: FloatArray, weights: FloatArray, probability: float) -> float:
    order = np.argsort(values)
    position = int(np.searchsorted(np.cumsum(weights[order]), probability))
    return float(values[order][min(position, len(values) - 1)])
