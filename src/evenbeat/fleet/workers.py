"""Chunks of work: here, on processes of this computer, or on a Dask cluster that is already there.

How the work is cut does not depend on who does it, so that the result does not either. Linear algebra runs
on one thread in every process. In a script of your own that starts processes, call from below
``if __name__ == "__main__":`` as for any use of :mod:`multiprocessing`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
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
PATIENCE_S = 20
ATTEMPTS = 3


@dataclass(frozen=True, kw_only=True)
class Done:
    """What one chunk gave, and the versions that computed it."""

    lines: tuple[DueInstrument, ...]
    software: tuple[tuple[str, str], ...]


Counted = Callable[[Done], Done]


@dataclass(frozen=True, kw_only=True)
class Crew:
    """Who does the work: so many processes here, or the cluster at an address."""

    processes: int = 1
    cluster: str | None = None

    def run(
        self,
        judge: Judge,
        question: Question,
        chunks: Sequence[Sequence[Any]],
        progress: Progress | None = None,
    ) -> tuple[list[DueInstrument], list[Finding]]:
        """Return the lines of all chunks in order, and what happened on the way."""
        findings: list[Finding] = []
        total, finished = sum(map(len, chunks)), 0

        def counted(done: Done) -> Done:
            nonlocal finished
            finished += len(done.lines)
            if progress is not None:
                progress(finished, total)
            return done

        if self.cluster is not None:
            done = _on_cluster(self.cluster, judge, question, chunks, counted)
        elif self.processes > 1:
            done = _on_processes(self.processes, judge, question, chunks, counted, findings)
        else:
            done = [counted(do_chunk(judge, question, chunk)) for chunk in chunks]
        versions = {version for each in done for version in each.software} - set(software())
        if versions:
            strange = sorted(f"{name} {number}" for name, number in versions)
            sentence = f"Some workers computed with other versions than this process: {', '.join(strange)}."
            findings.append(caution("VERSIONS_DIFFER", sentence))
        return [line for each in done for line in each.lines], findings


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
        return Done(lines=tuple(judge(question, chunk)), software=software())


def _on_processes(
    processes: int,
    judge: Judge,
    question: Question,
    chunks: Sequence[Sequence[Any]],
    counted: Counted,
    findings: list[Finding],
) -> list[Done]:
    done: dict[int, Done] = {}
    # fresh processes: forking one with threads may hang
    executor = ProcessPoolExecutor(min(processes, len(chunks)), mp_context=get_context("spawn"))
    try:
        futures: dict[Future[Done], int] = {
            executor.submit(do_chunk, judge, question, chunk): at for at, chunk in enumerate(chunks)
        }
        for future in as_completed(futures):
            done[futures[future]] = counted(future.result())
    except BrokenProcessPool:
        pass
    finally:
        executor.shutdown(wait=True, cancel_futures=True)
    left = [at for at in range(len(chunks)) if at not in done]
    if left:
        sentence = (
            f"A worker process died (memory, or a signal); {len(left)} of {len(chunks)} chunks were computed "
            "without helpers."
        )
        findings.append(note("WORKER_DIED", sentence))
    for at in left:
        done[at] = counted(do_chunk(judge, question, chunks[at]))
    return [done[at] for at in range(len(chunks))]


def _on_cluster(
    address: str, judge: Judge, question: Question, chunks: Sequence[Sequence[Any]], counted: Counted
) -> list[Done]:
    try:
        distributed = import_module("distributed")
    except ModuleNotFoundError as error:
        msg = "a cluster needs the package distributed; install it with: pip install 'evenbeat[fleet]'"
        raise InputError(msg) from error
    try:
        client = distributed.Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        msg = f"no Dask scheduler answers at {address!r}; give an address such as tcp://127.0.0.1:8786"
        raise InputError(msg) from error
    with client:
        futures = {
            # a worker that dies in the middle takes nothing with it: the scheduler gives its work to others
            client.submit(do_chunk, judge, question, chunk, pure=False, retries=ATTEMPTS): at
            for at, chunk in enumerate(chunks)
        }
        finished = distributed.as_completed(list(futures), loop=client.loop, with_results=True)
        done = {futures[future]: counted(result) for future, result in finished}
    return [done[at] for at in range(len(chunks))]
