"""The posterior of the noise levels on a grid, the overall level integrated out.

The covariance of the block averages is ``σ² (W + p P + f F + r R)``: white FM, white PM, flicker FM
and random-walk FM, each scaled to unit Allan variance at the length of one block, so that p, f and r
are ratios of Allan variances at one block. On contrasts that remove the constant it is a true
covariance. One eigendecomposition for each (p, f) serves every r, every aging law and every target.

Sources: restricted likelihood, Patterson & Thompson 1971 and Harville 1974; generalized covariance
and universal kriging, Matheron 1973; the integrated likelihood gives a Student-t distribution for
every linear quantity at each point of the grid (Box & Tiao 1973, 2.7).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from scipy import linalg

from evenbeat.clock.covariance import (
    FLICKER_FM,
    MODELLED,
    RANDOM_WALK_FM,
    WHITE_FM,
    WHITE_PM,
    Gating,
    Spans,
    block_covariance,
    mean_frequency_covariance,
    mean_frequency_variance,
    unit_level,
)
from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray
from evenbeat.stability.sums.kernels import one_thread

NoisePrior = Literal["uniform", "balanced", "cautious"]
LARGEST_RATIO = 1e3
WEAKEST_WALK = 0.1
"""Ratio of a random walk to white FM at one block, times the square of the number of blocks, where the
grid starts. At 4 the walk adds as much to the variance of the drift as white FM does: q₂/T beside 12q₁/T³."""
WEAKEST_FLICKER = 0.1
"""The same for flicker FM, times the number of blocks."""

MOST_PRODUCTS = 500_000
"""Products of columns that are held at once, for as many nodes as that allows."""
FEW_BLOCKS, ENOUGH_BLOCKS = 20, 60
SAME_TIME = 1e-11
"""Shares of the record that count as the same: a block is at least 1/400 of it."""


@dataclass(frozen=True, kw_only=True)
class PriorShape:
    """What a prior holds of noises that hide under white FM.

    Attributes
    ----------
    no_walk
        Weight of a clock without random-walk FM, for which the weakest ratio of the grid stands.
    weakest_walk
        Where there is one, its ratio starts at this value (in the unit of ``WEAKEST_WALK``).
    walk_slope
        From there its weight per decade falls as the ratio to the power ``-walk_slope`` in records of 60
        block lengths and more; in those of 20 and fewer, which hardly tell a strong walk from a weak one,
        it is flat, and between them in between.
    no_flicker, no_flicker_beside_walk
        Weight of a clock without flicker FM, where there is no random walk and where there is; the rest is
        flat in the logarithm of the ratio.
    """

    no_walk: float = 0.0
    weakest_walk: float
    walk_slope: float = 0.0
    no_flicker: float
    no_flicker_beside_walk: float


PRIORS: dict[str, PriorShape] = {
    "uniform": PriorShape(weakest_walk=10**-1.0, no_flicker=0.5, no_flicker_beside_walk=0.5),
    "balanced": PriorShape(
        no_walk=0.5, weakest_walk=100.0, walk_slope=0.5, no_flicker=0.85, no_flicker_beside_walk=0.99
    ),
    "cautious": PriorShape(weakest_walk=10**0.5, no_flicker=0.9, no_flicker_beside_walk=0.9),
}


@dataclass(frozen=True, kw_only=True)
class Ratios:
    """The grid of Allan-variance ratios to white FM at one block."""

    white_pm: tuple[float, ...]
    flicker_fm: tuple[float, ...]
    random_walk_fm: tuple[float, ...]


def ratio_grid(count: float, *, with_white_pm: bool) -> Ratios:
    """Return the ratios for a record of ``count`` block lengths.

    Half decades up to 1e3, decades for flicker FM where white PM is in the model too. They start where a
    noise can no longer be seen, which depends on the length of the record: see ``WEAKEST_WALK``.
    """
    walks = _decades(WEAKEST_WALK / count**2, step=0.5)
    if not with_white_pm:
        flicker = _decades(WEAKEST_FLICKER / count, step=0.5)
        return Ratios(white_pm=(0.0,), flicker_fm=(0.0, *flicker), random_walk_fm=walks)
    flicker = _decades(WEAKEST_FLICKER / count, step=1.0)
    return Ratios(white_pm=(0.0, *_decades(1e-2, step=1.0)), flicker_fm=(0.0, *flicker), random_walk_fm=walks)


def _decades(lowest: float, *, step: float) -> tuple[float, ...]:
    """Return values from ``lowest`` in steps of so many decades until 1e3 is reached."""
    count = int(np.ceil(np.log10(LARGEST_RATIO / lowest) / step - 1e-9)) + 1
    return tuple(float(lowest * 10 ** (step * k)) for k in range(count))


@dataclass(frozen=True, eq=False)
class Contrasts:
    """The orthogonal complement of a constant: sums and differences of pairs that mirror each other.

    The first of n values is paired with the last, and so on inwards. In the sums a Householder reflection
    turns the constant into the first coordinate, which is left out. Where blocks mirror each other about the
    middle of the record, sums and differences are uncorrelated: see :attr:`halves`.
    """

    count: int

    @property
    def halves(self) -> tuple[slice, slice]:
        """Places of the sums and of the differences among the contrasts."""
        sums = self.count - self.count // 2 - 1
        return slice(0, sums), slice(sums, self.count - 1)

    @cached_property
    def _reflector(self) -> FloatArray:
        vector = np.full(self.count - self.count // 2, np.sqrt(2 / self.count))
        if self.count % 2:
            vector[-1] = 1 / np.sqrt(self.count)
        vector[0] += 1.0
        return vector / np.linalg.norm(vector)

    def of(self, columns: FloatArray) -> FloatArray:
        """Return the contrasts of columns, shape (n, …) to (n - 1, …)."""
        pairs = self.count // 2
        first, last = columns[:pairs], columns[: -pairs - 1 : -1]
        sums = np.concatenate([(first + last) / np.sqrt(2), columns[pairs : self.count - pairs]])
        sums = sums - 2 * np.multiply.outer(self._reflector, self._reflector @ sums)
        return np.concatenate([sums[1:], (first - last) / np.sqrt(2)])

    def of_covariance(self, matrix: FloatArray) -> FloatArray:
        """Return the covariance of the contrasts, shape (n, n) to (n - 1, n - 1)."""
        half = self.of(matrix)
        return self.of(half.T)


@dataclass(frozen=True, eq=False, kw_only=True)
class Node:
    """One pair of ratios (white PM, flicker FM): the basis in which every random-walk ratio is diagonal.

    In it contrasts become uncorrelated numbers of variance ``σ² (1 + r eigenvalue)``.

    Attributes
    ----------
    parts
        Places of contrasts that are uncorrelated with all others, and the square matrix that turns them.
    """

    white_pm: float
    flicker_fm: float
    parts: tuple[tuple[slice, FloatArray], ...]
    eigenvalues: FloatArray
    log_determinant: float

    def turned(self, contrasts: FloatArray) -> FloatArray:
        """Return contrasts, shape (n - 1, …), in the basis of the node."""
        return np.concatenate([matrix @ contrasts[places] for places, matrix in self.parts])


@dataclass(frozen=True, eq=False, kw_only=True)
class NoiseGrid:
    """All nodes for one layout of blocks; independent of the readings, so shared between fits.

    Attributes
    ----------
    spans
        In units of the record length.
    block
        Length of a regular block in the same unit, at which the ratios are taken.
    covariances
        Exponent to covariance of the block averages, shape (n, n), scaled to unit Allan variance.
    turns
        Places of contrasts that are uncorrelated with all others, and the matrices that turn them into the
        basis of every node, shape (nodes, m, m); those of the nodes are views of them.
    """

    spans: Spans
    block: float
    ratios: Ratios
    contrasts: Contrasts
    covariances: dict[int, FloatArray]
    nodes: tuple[Node, ...]
    turns: tuple[tuple[slice, FloatArray], ...]

    def turned(self, contrasts: FloatArray, some: slice) -> FloatArray:
        """Return contrasts, shape (n - 1, q), in the bases of some nodes, shape (nodes, n - 1, q)."""
        return np.concatenate([turn[some] @ contrasts[where] for where, turn in self.turns], axis=1)

    @cached_property
    def spreads(self) -> FloatArray:
        """Variances ``1 + r eigenvalue`` over σ², shape (nodes, random-walk ratios, n - 1)."""
        eigenvalues = np.array([node.eigenvalues for node in self.nodes])
        return 1 + np.array(self.ratios.random_walk_fm)[:, np.newaxis] * eigenvalues[:, np.newaxis, :]

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
        (``tests/coverage/clock_limits.md``). ``tests/coverage/clock_coverage.md`` is the published panel.
        """
        if prior not in PRIORS:
            msg = f"noise_prior is {prior!r}; it must be one of {', '.join(map(repr, PRIORS))}"
            raise InputError(msg)
        shape = PRIORS[prior]
        strength = np.array(self.ratios.random_walk_fm) / self.block**2
        told = np.clip(np.log(1 / (FEW_BLOCKS * self.block)) / np.log(ENOUGH_BLOCKS / FEW_BLOCKS), 0, 1)
        there = np.where(strength > 0.99 * shape.weakest_walk, strength ** -(shape.walk_slope * told), 0.0)
        absent = np.zeros(len(strength))
        absent[0] = shape.no_walk  # 0.1: adds a fortieth to what white FM leaves unknown of the drift
        weight = np.multiply.outer(self._flicker_weight(shape.no_flicker), absent)
        weight += np.multiply.outer(
            self._flicker_weight(shape.no_flicker_beside_walk), (1 - shape.no_walk) * there / there.sum()
        )
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(weight))

    def _flicker_weight(self, without: float) -> FloatArray:
        """Return the prior weight of every node where clocks without flicker FM have ``without``."""
        flicker = np.array([node.flicker_fm for node in self.nodes])
        present = max(len(self.ratios.flicker_fm) - 1, 1)
        weight = np.where(flicker == 0, without, (1 - without) / present)
        return np.asarray(weight / weight.sum())

    def target_covariances(self, target: Spans) -> tuple[dict[int, FloatArray], dict[int, FloatArray]]:
        """Return covariance with the contrasts and variance of ``target - mean of the blocks``.

        Returns
        -------
        exponent to array of shape (n - 1, m), exponent to array of shape (m,)
        """
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


def noise_grid(
    spans: Spans,
    block: float,
    *,
    with_white_pm: bool,
    gating: Gating | None = None,
    ratios: Ratios | None = None,
) -> NoiseGrid:
    """Return the grid for these spans (scaled to the record length); the last few layouts are kept.

    Parameters
    ----------
    block
        Length of a regular block.
    gating
        Where readings have dead time between them, in the unit of the spans.
    ratios
        Other ratios than those of :func:`ratio_grid`.
    """
    chosen = ratio_grid(1 / block, with_white_pm=with_white_pm) if ratios is None else ratios
    return _cached_grid(spans.start.tobytes(), spans.stop.tobytes(), block, gating, chosen)


@lru_cache(maxsize=4)
def _cached_grid(start: bytes, stop: bytes, block: float, gating: Gating | None, ratios: Ratios) -> NoiseGrid:
    spans = Spans(start=np.frombuffer(start), stop=np.frombuffer(stop))
    contrasts = Contrasts(len(spans))
    exponents = [e for e in MODELLED if e != WHITE_PM or any(ratios.white_pm)]
    covariances = {e: unit_level(e, block) * block_covariance(e, spans, gating) for e in exponents}
    contrasted = {e: contrasts.of_covariance(matrix) for e, matrix in covariances.items()}
    places = contrasts.halves if _mirrored(spans) else (slice(0, len(spans) - 1),)
    pairs = [(p, f) for p in ratios.white_pm for f in ratios.flicker_fm]
    with one_thread():
        parts = [_part(where, contrasted, pairs) for where in places]
    eigenvalues = np.concatenate([each for _, each, _ in parts], axis=1)
    log_determinants = np.sum([each for _, _, each in parts], axis=0)
    turns = tuple((where, turn) for where, (turn, _, _) in zip(places, parts, strict=True))
    nodes = tuple(
        Node(
            white_pm=p,
            flicker_fm=f,
            parts=tuple((where, turn[k]) for where, turn in turns),
            eigenvalues=eigenvalues[k],
            log_determinant=float(log_determinants[k]),
        )
        for k, (p, f) in enumerate(pairs)
    )
    return NoiseGrid(
        spans=spans,
        block=block,
        ratios=ratios,
        contrasts=contrasts,
        covariances=covariances,
        nodes=nodes,
        turns=turns,
    )


def _mirrored(spans: Spans) -> bool:
    """Return whether the spans are the same when time runs backwards: no gap, or none but in the middle."""
    about = spans.start + spans.stop[::-1]
    return bool(np.ptp(about) < SAME_TIME)


def _part(
    where: slice, contrasted: dict[int, FloatArray], pairs: Sequence[tuple[float, float]]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what turns contrasts into the basis of each node, the eigenvalues and log determinants.

    Of contrasts that are uncorrelated with all others; shapes (nodes, m, m), (nodes, m) and (nodes,).
    """
    covariances = {exponent: matrix[where, where] for exponent, matrix in contrasted.items()}
    count, size = len(pairs), len(covariances[WHITE_FM])
    turn, eigenvalues, log_determinants = (
        np.empty((count, size, size)),
        np.empty((count, size)),
        np.empty(count),
    )
    for k, (p, f) in enumerate(pairs):
        turn[k], eigenvalues[k], log_determinants[k] = _diagonalised(covariances, p, f)
    return turn, eigenvalues, log_determinants


def _diagonalised(
    covariances: dict[int, FloatArray], p: float, f: float
) -> tuple[FloatArray, FloatArray, float]:
    """Return what turns contrasts into the basis of a node, the eigenvalues, and the log determinant."""
    base = covariances[WHITE_FM] + f * covariances[FLICKER_FM]
    if p > 0:
        base = base + p * covariances[WHITE_PM]
    lower = np.linalg.cholesky(0.5 * (base + base.T))
    inverse = linalg.lapack.dtrtri(lower, lower=1)[0]
    whitened = inverse @ covariances[RANDOM_WALK_FM] @ inverse.T
    eigenvalues, vectors = np.linalg.eigh(0.5 * (whitened + whitened.T))
    log_determinant = 2 * float(np.sum(np.log(np.diag(lower))))
    return vectors.T @ inverse, np.maximum(eigenvalues, 0.0), log_determinant


@dataclass(frozen=True, eq=False, kw_only=True)
class GridFit:
    """The fixed effects of one design, estimated at every point of the grid.

    Attributes
    ----------
    coefficients
        Shape (nodes, r, p).
    inverse_information
        Shape (nodes, r, p, p): covariance of the coefficients over σ².
    level
        Shape (nodes, r): estimate of σ² with ``degrees_of_freedom``.
    log_restricted, log_likelihood
        Shape (nodes, r): restricted log likelihood with σ² integrated out, and the ordinary one at
        its maximum over σ² and the coefficients.
    """

    coefficients: FloatArray
    inverse_information: FloatArray
    level: FloatArray
    degrees_of_freedom: int
    log_restricted: FloatArray
    log_likelihood: FloatArray


def fit_on_grid(grid: NoiseGrid, frequency: FloatArray, design: FloatArray) -> GridFit:
    """Estimate the fixed effects at every grid point.

    Parameters
    ----------
    frequency
        Shape (n,), scaled to order one.
    design
        Shape (n, p) without the constant.
    """
    both = grid.contrasts.of(np.column_stack([design, frequency]))
    n, p = len(both), both.shape[1] - 1
    gram = np.empty((*grid.log_determinants.shape, p + 1, p + 1))
    at_once = max(1, MOST_PRODUCTS // (n * (p + 1) ** 2))
    for first in range(0, len(gram), at_once):
        some = slice(first, first + at_once)
        turned = grid.turned(both, some)
        products = (turned[..., :, np.newaxis] * turned[..., np.newaxis, :]).reshape(*turned.shape[:2], -1)
        gram[some] = (grid.weights[some] @ products).reshape(gram[some].shape)
    information, score = gram[..., :p, :p], gram[..., :p, p]
    inverse = np.linalg.inv(information)
    coefficients = np.einsum("grpq,grq->grp", inverse, score)
    rss = gram[..., p, p] - np.einsum("grp,grp->gr", coefficients, score)
    rss = np.maximum(rss, np.finfo(float).tiny)
    log_det_x = np.linalg.slogdet(information)[1]
    freedom = n - p
    return GridFit(
        coefficients=coefficients,
        inverse_information=inverse,
        level=rss / freedom,
        degrees_of_freedom=freedom,
        log_restricted=-0.5 * (freedom * np.log(rss) + grid.log_determinants + log_det_x),
        log_likelihood=-0.5 * (n * np.log(rss / n) + grid.log_determinants + n),
    )
