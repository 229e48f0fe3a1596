"""The covariance of block averages at every point of a grid of noise ratios, diagonalised once.

It is ``σ² (W + p P + f F + r R)``: white FM, white PM, flicker FM and random-walk FM, each scaled to unit
Allan variance at the length of one block, so that p, f and r are ratios of Allan variances at one block. On
contrasts that remove the constant it is a true covariance. One eigendecomposition for each (p, f) serves
every r, every aging law and every target.

Source: generalized covariance and universal kriging, Matheron 1973.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from scipy import linalg

from evenbeat.clock.contrasts import Contrasts
from evenbeat.clock.covariance import (
    FLICKER_FM,
    MODELLED,
    RANDOM_WALK_FM,
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
from evenbeat.clock.noise_ratios import PRIORS, NoisePrior, Ratios, ratio_grid
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray

FEW_BLOCKS, ENOUGH_BLOCKS = 20, 60
SAME_TIME = 1e-11
"""Shares of the record that count as the same: a block is at least 1/400 of it."""


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
    dilution
        By how much dead time between readings of their own times raises the variance of a block under white
        FM: the ratios are as much larger.
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
    dilution: float = 1.0

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
        strength = np.array(self.ratios.random_walk_fm) / self.dilution / self.block**2
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
    gating: Gating | Gates | None = None,
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
