"""Chunks of work: here, on processes of this computer, or on a Dask cluster that is already there.

How the work is cut does not depend on who does it, so that the result does not either. Linear algebra runs
on one thread in every process. In a script of your own that starts processes, call from below
``if __name__ == "__main__":`` as for any use of :mod:`multiprocessing`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from importlib import import_module
from multiprocessing import get_context
from typing import Any

from threadpoolctl import threadpool_limits

from evenbeat.assessment.case import software_versions
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.fleet.due import DueInstrument
from evenbeat.fleet.judged import Question

Judge = Callable[[Question, Sequence[Any]], list[DueInstrument]]
Progress = Callable[[int, int], None]
Done = tuple[list[DueInstrument], tuple[tuple[str, str], ...]]
"""What one chunk gave, and the versions that computed it."""
PATIENCE_S = 20
ATTEMPTS = 3


def handed_out(
    judge: Judge,
    question: Question,
    chunks: Sequence[Sequence[Any]],
    progress: Progress | None = None,
    *,
    processes: int = 1,
    cluster: str | None = None,
) -> tuple[list[DueInstrument], list[Finding]]:
    """Return the lines of all chunks in order, and what happened on the way.

    So many processes here do the work, or the cluster at an address.
    """
    findings: list[Finding] = []
    done: dict[int, Done] = {}

    def keep(at: int, one: Done) -> None:
        done[at] = one
        if progress is not None:
            progress(sum(len(lines) for lines, _ in done.values()), sum(map(len, chunks)))

    with _helpers(min(processes, len(chunks)), cluster) as helpers:
        try:
            futures: dict[Future[Done], int] = {
                helpers.submit(do_chunk, judge, question, chunk): at
                for at, chunk in enumerate(chunks if helpers is not None else ())
            }
            for future in as_completed(futures):
                keep(futures[future], future.result())
        except BrokenProcessPool:
            sentence = (
                f"A worker process died (memory, or a signal); {len(chunks) - len(done)} of {len(chunks)} "
                "chunks were computed without helpers."
            )
            findings.append(note("WORKER_DIED", sentence))
    for at in sorted(set(range(len(chunks))) - done.keys()):
        keep(at, do_chunk(judge, question, chunks[at]))
    versions = {version for _, used in done.values() for version in used} - set(software())
    if versions:
        strange = sorted(f"{name} {number}" for name, number in versions)
        sentence = f"Some workers computed with other versions than this process: {', '.join(strange)}."
        findings.append(caution("VERSIONS_DIFFER", sentence))
    return [line for at in sorted(done) for line in done[at][0]], findings


@contextmanager
def _helpers(processes: int, cluster: str | None) -> Iterator[Any]:
    """Give what chunks are handed to, ``None`` where this process does them itself."""
    if cluster is not None:
        try:
            distributed = import_module("distributed")
        except ModuleNotFoundError as error:
            msg = "a cluster needs the package distributed; install it with: pip install 'evenbeat[fleet]'"
            raise InputError(msg) from error
        try:
            client = distributed.Client(cluster, timeout=PATIENCE_S, set_as_default=False)
        except (OSError, ValueError) as error:
            msg = f"no Dask scheduler answers at {cluster!r}; give an address such as tcp://127.0.0.1:8786"
            raise InputError(msg) from error
        with client:
            # a worker that dies takes nothing with it: the scheduler gives its work to others
            yield client.get_executor(pure=False, retries=ATTEMPTS)
    elif processes > 1:
        # fresh processes: forking one with threads may hang
        executor = ProcessPoolExecutor(processes, mp_context=get_context("spawn"))
        try:
            yield executor
        finally:
            executor.shutdown(wait=True, cancel_futures=True)
    else:
        yield None


def software() -> tuple[tuple[str, str], ...]:
    """Return the versions that a result depends on."""
    return tuple(software_versions().items())


def usual_processes() -> int:
    """Return the number of cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on this operating system
        return os.cpu_count() or 1


def do_chunk(judge: Judge, question: Question, chunk: Sequence[Any]) -> Done:
    """Do one chunk in this process."""
    with threadpool_limits(limits=1):
        return judge(question, chunk), software()
