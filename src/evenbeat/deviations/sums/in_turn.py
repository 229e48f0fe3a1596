"""Work on one averaging time after the other, on two threads where that pays, with word of progress."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from evenbeat.deviations.sums.kernels import BLOCK, Workspace

FEWEST_TERMS_FOR_THREADS = 1 << 22
"""Terms of all averaging times together; below it starting a thread takes longer than the work."""
FEWEST_POINTS_FOR_THREADS = 1 << 18
"""Below it the pieces of work are so short that the threads cost each other a third of their time."""

Progress = Callable[[int, int], None]
_Task = TypeVar("_Task")
_Result = TypeVar("_Result")


def in_turn(
    work: Callable[[int, Workspace], _Result],
    count: int,
    *,
    points: int,
    order: int,
    progress: Progress | None = None,
) -> list[_Result]:
    """Return the results for all averaging times in their order.

    Parameters
    ----------
    work
        Makes the result of an averaging time, by its number, with the buffers of the thread it runs on.
    count
        Number of averaging times.
    points
        Length of the record.
    order
        Highest order of differences asked for.
    progress
        Called on the thread of the caller with the number of results and that of all averaging times.
    """
    own = threading.local()

    def one(number: int) -> _Result:
        if not hasattr(own, "workspace"):
            own.workspace = Workspace(order, min(BLOCK, points))
        return work(number, own.workspace)

    results = []
    for result in in_order(one, range(count), points=points, terms=points * count):
        results.append(result)
        if progress is not None:
            progress(len(results), count)
    return results


def in_order(
    work: Callable[[_Task], _Result], tasks: Sequence[_Task], *, points: int, terms: int
) -> Iterator[_Result]:
    """Yield the results of some tasks in their order, made on two threads where that pays.

    Parameters
    ----------
    work
        Does a task.
    tasks
        What is to be done.
    points
        Length of the record.
    terms
        Number of terms of all tasks together.
    """
    if points < FEWEST_POINTS_FOR_THREADS or terms < FEWEST_TERMS_FOR_THREADS:
        yield from map(work, tasks)
        return
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        yield from pool.map(work, tasks)
