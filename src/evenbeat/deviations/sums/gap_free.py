"""Sums of squares of a record without gaps at all averaging factors, by the quickest way for each."""

from __future__ import annotations

import bisect
import math
import threading

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.sums.exact_sums import less_line
from evenbeat.deviations.sums.in_turn import Progress, in_order
from evenbeat.deviations.sums.kernels import (
    BLOCK,
    TermSum,
    Workspace,
    sum_of_squared_averages,
    sum_of_squared_differences,
    sums_in_span,
)
from evenbeat.deviations.sums.lagged_products import TOLERANCE, RecordProducts, sums_by_lagged_products
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.deviations.sums.shared_blocks import MOST_INDEPENDENT, SharedBlocks, best_differenced
from evenbeat.quantities import FloatArray

BLOCKS_AT_ONCE = 16
FEWEST_PIECES = 8
"""A record is worked on in no fewer pieces than this, so that two threads end together."""
MOST_FLATTENED = 1 << 17
"""Points up to which a line is removed before differences of points far apart are taken. Of longer records
these are so many that the rounding of some of them by the line is far below the last digits of their sum."""
FEWEST_FOR_PRODUCTS = 200
"""Averaging factors below which a Fourier transform of the record is not worth its time."""
MOST_FOR_PRODUCTS = 1 << 21
"""Points above which it would take too much memory."""


def sums_without_gaps(
    samples: PhasePoints,
    factors: IntArray,
    order: int,
    *,
    averaged: bool,
    progress: Progress | None = None,
    block: int = BLOCK,
) -> list[TermSum]:
    """Return the sums of squares of the overlapping terms at rising averaging factors.

    Parameters
    ----------
    samples
        Phase without gaps.
    factors
        Shape (n,): averaging factors in rising order, each with at least one term.
    order
        Order of the differences.
    averaged
        Whether a term is the mean of as many consecutive differences as the factor.
    progress
        Told how many averaging factors are done, those that share the reading of a block in proportion.
    block
        Number of terms worked on at once.

    Notes
    -----
    The result depends neither on the number of threads nor, beyond rounding, on ``block``.
    """
    totals = np.full(len(factors), np.nan)
    if len(factors) >= FEWEST_FOR_PRODUCTS and samples.points <= MOST_FOR_PRODUCTS:
        totals = sums_by_lagged_products(samples, factors, order, averaged=averaged)
    left = np.isnan(totals)
    tell = _Teller(progress, len(factors))
    tell.done(len(factors) - int(np.count_nonzero(left)))
    totals[left] = _block_sums(
        samples, factors[left].tolist(), order, averaged=averaged, block=block, tell=tell
    )
    possible = samples.points - (order + averaged) * factors + averaged
    return [
        TermSum(total=total, possible=terms, terms=terms)
        for total, terms in zip(totals.tolist(), possible.tolist(), strict=True)
    ]


class _Teller:
    """Tells how many averaging factors are done, each once."""

    def __init__(self, progress: Progress | None, count: int) -> None:
        self._progress, self._count, self.told = progress, count, 0

    def done(self, number: int) -> None:
        """Tell all up to this number that have not been told."""
        while self.told < number:
            self.told += 1
            if self._progress is not None:
                self._progress(self.told, self._count)


def _block_sums(
    samples: PhasePoints, lags: list[int], order: int, *, averaged: bool, block: int, tell: _Teller
) -> list[float]:
    """Return the sums piece by piece, at long lags those of means or from a file each for itself."""
    if not lags:
        return []
    near = bisect.bisect_right(lags, block // (order + averaged))
    together = near if averaged or samples.mapping is not None else len(lags)
    before, way = tell.told, sum_of_squared_averages if averaged else sum_of_squared_differences
    far = _less_a_line(samples) if near < len(lags) and samples.points <= MOST_FLATTENED else samples
    pieces = _pieces(samples.points, block) if together else []
    products = RecordProducts(samples, lags[near:together], order, MOST_INDEPENDENT**0.5 * TOLERANCE)
    left = [lag for lag in lags[near:together] if lag not in products.lags]
    own = threading.local()

    def work(task: range | int) -> FloatArray:
        if not hasattr(own, "workspace"):
            own.workspace = Workspace(order + averaged, block)
            if near:
                own.blocks = SharedBlocks(samples, lags[:near], order, averaged=averaged, block=block)
        if isinstance(task, int):
            return np.array([way(far, task, order, workspace=own.workspace).total])
        span = (task.start, task.stop)
        at_near = own.blocks.sums(*span) if near else np.zeros(0)
        at_far = sums_in_span(far, span, left, order, own.workspace)
        return np.concatenate([at_near, at_far, products.in_span(span, block).ravel()])

    parts: list[FloatArray] = []
    tasks: list[range | int] = [*pieces, *lags[together:]]
    for part in in_order(work, tasks, points=samples.points, terms=samples.points * len(lags)):
        parts.append(part)
        alone = len(parts) - len(pieces)
        tell.done(before + (together + alone if alone >= 0 else together * len(parts) // len(pieces)))
    shared = [math.fsum(column) for column in np.transpose(parts[: len(pieces)])]
    by_lag = dict(zip([*lags[:near], *left], shared, strict=False))
    of_record = products.sums(np.reshape(shared[len(by_lag) :], (len(products.lags), order)))
    by_lag |= dict(zip(products.lags, of_record.tolist(), strict=True))
    for lag in products.lags:
        if math.isnan(by_lag[lag]):
            by_lag[lag] = sum_of_squared_differences(far, lag, order).total
    by_lag |= {lag: float(one[0]) for lag, one in zip(lags[together:], parts[len(pieces) :], strict=True)}
    return [by_lag[lag] for lag in lags]


def _less_a_line(samples: PhasePoints) -> PhasePoints:
    """Return the phase less a line, of which differences lose no digit of the first samples."""
    phase = np.empty(samples.points)
    samples.fill_points(phase, 0)
    flat = less_line(phase, np.arange(len(phase), dtype=float), np.empty(len(phase)))
    return PhasePoints(phase_s=best_differenced(phase, flat), has_gaps=False)


def _pieces(points: int, block: int) -> list[range]:
    size = block * max(1, min(BLOCKS_AT_ONCE, points // (FEWEST_PIECES * block)))
    return [range(begin, min(begin + size, points)) for begin in range(0, points, size)]
