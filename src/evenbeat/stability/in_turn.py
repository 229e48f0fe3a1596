"""Work on one averaging time after the other, on two threads where that pays, with word of progress."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from evenbeat.stability.kernels import BLOCK, Workspace

FEWEST_TERMS_FOR_THREADS = 1 << 22
"""Terms of all averaging times together; below it starting a thread takes longer than the work."""
FEWEST_POINTS_FOR_THREADS = 1 << 15
"""Below it the threads mostly wait for each other between short pieces of work."""

Progress = Callable[[int, int], None]
_Task = TypeVar("_Task")
_Result = TypeVar("_Result")


def in_turn(
    work: Callable[[_Task, Workspace], _Result],
    tasks: Sequence[_Task],
    *,
    points: int,
    order: int,
    progress: Progress | None = None,
) -> list[_Result]:
    """Return the results of the tasks in their order.

    Parameters
    ----------
    work
        What to do with a task and the buffers of the thread it runs on.
    tasks
        One for each averaging time.
    points
        Length of the record.
    order
        Highest order of differences asked for.
    progress
        Called on the thread of the caller with the number of results and that of all tasks.
    """
    own = threading.local()

    def one(task: _Task) -> _Result:
        if not hasattr(own, "workspace"):
            own.workspace = Workspace(order, min(BLOCK, points))
        return work(task, own.workspace)

    if points < FEWEST_POINTS_FOR_THREADS or points * len(tasks) < FEWEST_TERMS_FOR_THREADS:
        return _told(map(one, tasks), len(tasks), progress)
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        return _told(pool.map(one, tasks), len(tasks), progress)


def _told(results: Iterable[_Result], count: int, progress: Progress | None) -> list[_Result]:
    return list(results if progress is None else _with_word(results, count, progress))


def _with_word(results: Iterable[_Result], count: int, progress: Progress) -> Iterator[_Result]:
    for done, result in enumerate(results, start=1):
        progress(done, count)
        yield result
