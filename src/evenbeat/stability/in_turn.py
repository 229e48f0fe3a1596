"""Work on one averaging time after the other, on two threads where that pays, with word of progress."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import chain
from typing import TypeVar

import numpy as np

from evenbeat.stability.averaging import IntArray
from evenbeat.stability.kernels import BLOCK, Workspace

FEWEST_TERMS_FOR_THREADS = 1 << 22
"""Terms of all averaging times together; below it starting a thread takes longer than the work."""
FEWEST_POINTS_FOR_THREADS = 1 << 18
"""Below it the pieces of work are so short that the threads cost each other a third of their time."""

Progress = Callable[[int, int], None]
_Result = TypeVar("_Result")


def in_turn(
    work: Callable[[range, Workspace], list[_Result]],
    tasks: Sequence[range],
    *,
    points: int,
    order: int,
    progress: Progress | None = None,
) -> list[_Result]:
    """Return the results for all averaging times in their order.

    Parameters
    ----------
    work
        Makes the results of some averaging times with the buffers of the thread it runs on.
    tasks
        Averaging times worked on together, by their number, as from :func:`groups_of_near`.
    points
        Length of the record.
    order
        Highest order of differences asked for.
    progress
        Called on the thread of the caller with the number of results and that of all averaging times.
    """
    own = threading.local()

    def one(task: range) -> list[_Result]:
        if not hasattr(own, "workspace"):
            own.workspace = Workspace(order, min(BLOCK, points))
        return work(task, own.workspace)

    count = sum(map(len, tasks))
    if points < FEWEST_POINTS_FOR_THREADS or points * count < FEWEST_TERMS_FOR_THREADS:
        return list(_told(map(one, tasks), count, progress))
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        return list(_told(pool.map(one, tasks), count, progress))


def groups_of_near(factors: IntArray, *, most: int) -> list[range]:
    """Return the averaging factors by number, those within a block in groups of at most ``most``."""
    near = int(np.count_nonzero(factors <= BLOCK))
    groups = [range(begin, min(begin + most, near)) for begin in range(0, near, most)]
    return groups + [range(far, far + 1) for far in range(near, len(factors))]


def _told(results: Iterable[list[_Result]], count: int, progress: Progress | None) -> Iterator[_Result]:
    for done, result in enumerate(chain.from_iterable(results), start=1):
        if progress is not None:
            progress(done, count)
        yield result
