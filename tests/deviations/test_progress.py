"""Averaging times in turn: order, threads, progress."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

import evenbeat as eb


@pytest.mark.parametrize("points", [2000, 300_000])
def test_progress_counts_averaging_times(points: int) -> None:
    """Progress is told after each averaging time, on the caller's thread, and changes nothing."""
    record = eb.Record.from_phase(np.random.default_rng(1).standard_normal(points), interval_s=1.0)
    told: list[tuple[int, int]] = []
    threads = set()

    def progress(done: int, count: int) -> None:
        told.append((done, count))
        threads.add(threading.get_ident())

    curve = eb.stability(record, "modified_allan", averaging="doublings", progress=progress)

    assert told == [(done, len(curve)) for done in range(1, len(curve) + 1)]
    assert threads == {threading.get_ident()}
    silent = eb.stability(record, "modified_allan", averaging="doublings")
    assert curve.deviation.tolist() == silent.deviation.tolist()


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", ["total", "modified_total", "hadamard_total", "theo1", "theo1_hybrid"])
@pytest.mark.parametrize("points", [300, 5000])
def test_progress_of_the_total_family(statistic: str, points: int) -> None:
    """The total family, Théo1 and the hybrid tell of every averaging time as well, and change nothing."""
    record = eb.Record.from_phase(np.random.default_rng(1).standard_normal(points), interval_s=1.0)
    told: list[tuple[int, int]] = []

    curve = eb.stability(
        record,
        statistic,
        averaging="doublings",
        progress=lambda done, count: told.append((done, count)),
    )

    assert told == [(done, len(curve)) for done in range(1, len(curve) + 1)]
    silent = eb.stability(record, statistic, averaging="doublings")
    assert curve.deviation.tolist() == silent.deviation.tolist()


def test_progress_may_stop_the_work() -> None:
    """An error raised by the progress hook ends the computation and reaches the caller."""
    record = eb.Record.from_phase(np.random.default_rng(1).standard_normal(300_000), interval_s=1.0)

    def stop(done: int, count: int) -> None:
        if done == 3:
            msg = "enough"
            raise RuntimeError(msg)

    with pytest.raises(RuntimeError, match="enough"):
        eb.stability(record, progress=stop)


@pytest.mark.grid(3)
@pytest.mark.parametrize("gap", [False, True])
@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan", "parabolic"])
def test_linear_algebra_starts_no_threads(statistic: str, gap: bool) -> None:
    """Linear algebra has one thread while a curve is made, with gaps too, and as many as before after it."""
    phase = np.cumsum(np.random.default_rng(1).standard_normal(3000))
    phase[700] = np.nan if gap else phase[700]
    record = eb.Record.from_phase(phase, interval_s=1.0)
    during: list[int] = []

    def threads() -> list[int]:
        return [library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]

    with threadpool_limits(2, user_api="blas"):
        eb.stability(record, statistic, progress=lambda *_: during.extend(threads()))
        after = threads()

    assert set(during) == {1}
    assert set(after) == {2}
