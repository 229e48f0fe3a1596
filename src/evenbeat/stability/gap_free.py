"""Sums of squares of a record without gaps at all averaging factors, by the quickest way for each."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable, Iterator

import numpy as np

from evenbeat.quantities import FloatArray
from evenbeat.stability.averaging import IntArray
from evenbeat.stability.in_turn import Progress, in_order
from evenbeat.stability.kernels import (
    BLOCK,
    TermSum,
    Workspace,
    sum_of_squared_averages,
    sum_of_squared_differences,
)
from evenbeat.stability.samples import PhasePoints
from evenbeat.stability.shared_blocks import SharedBlocks

BLOCKS_AT_ONCE = 16
FEWEST_PIECES = 8
"""A record is worked on in no fewer pieces than this, so that two threads end together."""


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
    lags, spans = factors.tolist(), order + averaged
    near = int(np.searchsorted(factors, 2 * block // spans, side="right"))
    pieces = _pieces(samples.points, block) if near else []
    own = threading.local()

    def work(task: range | int) -> FloatArray:
        if isinstance(task, range):
            if not hasattr(own, "blocks"):
                own.blocks = SharedBlocks(samples, lags[:near], order, averaged=averaged, block=block)
            sums: FloatArray = own.blocks.sums(task.start, task.stop)
            return sums
        if not hasattr(own, "workspace"):
            own.workspace = Workspace(spans, block)
        way = sum_of_squared_averages if averaged else sum_of_squared_differences
        return np.array([way(samples, task, order, workspace=own.workspace).total])

    tasks = [*pieces, *lags[near:]]
    results = in_order(work, tasks, points=samples.points, terms=samples.points * len(lags))
    parts = list(_told(results, len(pieces), near, len(lags), progress))
    totals = [math.fsum(column) for column in np.transpose(parts[: len(pieces)])]
    totals += [float(far[0]) for far in parts[len(pieces) :]]
    possible = (samples.points - spans * factors + averaged).tolist()
    return [TermSum(total=t, possible=n, terms=n) for t, n in zip(totals, possible, strict=True)]


def _pieces(points: int, block: int) -> list[range]:
    size = block * max(1, min(BLOCKS_AT_ONCE, points // (FEWEST_PIECES * block)))
    return [range(begin, min(begin + size, points)) for begin in range(0, points, size)]


def _told(
    results: Iterable[FloatArray], pieces: int, near: int, count: int, progress: Progress | None
) -> Iterator[FloatArray]:
    """Pass the results on and tell how many averaging factors are done, each once."""
    told = 0
    for number, result in enumerate(results, start=1):
        done = near * number // pieces if number <= pieces else near + number - pieces
        while progress is not None and told < done:
            told += 1
            progress(told, count)
        yield result
