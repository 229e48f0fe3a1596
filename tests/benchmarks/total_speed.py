"""Time of the total family, Théo1 and the parabolic deviation beside allantools, in one run.

Run as ``python tests/benchmarks/total_speed.py``: writes ``total_speed.md`` beside this file. Nothing is
judged. allantools loops over every term of all but the total deviation: it is timed at ``LOOP_POINTS``
points, and its time at more points is that of as many windows and terms. Averaging factors are doublings.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

import evenbeat as eb

FUNCTIONS = {
    "modified_total": "mtotdev",
    "hadamard_total": "htotdev",
    "theo1": "theo1",
    "parabolic": "pdev",
    "total": "totdev",
}
LOOP_POINTS = (300, 1000)
SIZES = {
    "modified_total": (1000, 10_000, 100_000),
    "hadamard_total": (1000, 10_000, 100_000),
    "theo1": (1000, 10_000, 100_000),
    "parabolic": (1000, 10_000, 100_000),
    "total": (100_000, 1_000_000, 10_000_000),
}


def white_fm_phase(points: int) -> np.ndarray:
    """Return phase in seconds with white FM of 1e-11 at one second."""
    phase = np.random.default_rng(1).standard_normal(points)
    phase *= 1e-11
    return np.cumsum(phase, out=phase)


def doublings(statistic: str, points: int) -> np.ndarray:
    """Return the factors that both libraries compute."""
    largest = {"theo1": points - 1, "parabolic": points // 2, "total": (points - 1) // 2}.get(
        statistic, (points - 1) // 3
    )
    factors = 2 ** np.arange(int(np.log2(largest)) + 1)
    return factors[factors >= 10] if statistic == "theo1" else factors


def work(statistic: str, points: int) -> tuple[float, float]:
    """Return over how many windows, and over how many terms in them, the loops of allantools run."""
    m = doublings(statistic, points).astype(float)
    if statistic == "theo1":
        return float(np.sum(points - m)), float(np.sum((points - m) * m / 2))
    if statistic == "parabolic":
        return float(np.sum(points - 2 * m)), float(np.sum((points - 2 * m) * m))
    return float(np.sum(points - 3 * m + 1)), float(np.sum((points - 3 * m + 1) * 6 * m))


def predicted(statistic: str) -> Callable[[int], float]:
    """Return the time of allantools as a function of the number of points, from two measured ones."""
    measured = [in_own_process("allantools", statistic, points)[0] for points in LOOP_POINTS]
    costs = np.linalg.solve([work(statistic, points) for points in LOOP_POINTS], measured)
    return lambda points: float(np.dot(work(statistic, points), np.maximum(costs, 0.0)))


def seconds(call: Callable[[], object], rounds: int) -> float:
    """Return the best time of some rounds."""
    best = np.inf
    for _ in range(rounds):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


def measure(library: str, statistic: str, points: int) -> tuple[float, float]:
    """Return the best time, and the extra memory in MiB."""
    phase, factors = white_fm_phase(points), doublings(statistic, points)
    record = eb.Record.from_phase(phase, interval_s=1.0)
    eb.stability(eb.Record.from_phase(phase[:500], interval_s=1.0), statistic)  # everything imported
    if library == "allantools":
        import allantools

        function = getattr(allantools, FUNCTIONS[statistic])
        function(phase[:100], taus=[16.0])

        def call() -> object:
            return function(phase, rate=1.0, data_type="phase", taus=factors.astype(float))
    else:

        def call() -> object:
            return eb.stability(record, statistic, averaging=factors.tolist())

    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    best = seconds(call, 3 if library == "evenbeat" and points < 1_000_000 else 1)
    return best, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - base) / 1024


def in_own_process(library: str, statistic: str, points: int) -> tuple[float, float]:
    """Return what ``measure`` gives in a fresh interpreter."""
    program = [sys.executable, __file__, "--one", library, statistic, str(points)]
    done = subprocess.run(program, capture_output=True, text=True, check=True)
    best, memory = done.stdout.split()[-2:]
    return float(best), float(memory)


def line(statistic: str, points: int, theirs: tuple[float, float] | None, ratio_of: float) -> str:
    """Return one line of the table: what was measured of allantools, or predicted."""
    ours, memory = in_own_process("evenbeat", statistic, points)
    stated = f"{theirs[0]:.3g} | {theirs[1]:.0f}" if theirs else f"{ratio_of:.3g} (predicted) | "
    return f"| {statistic} | {points:.0e} | {ours:.4f} | {memory:.0f} | {stated} | {ratio_of / ours:.0f} |"


def main() -> None:
    """Measure and write the table."""
    lines = [
        "Written by `total_speed.py`: seconds and extra memory in MiB at doublings, ratios of one run.",
        f"Predicted: from {LOOP_POINTS[0]} and {LOOP_POINTS[1]} points by the number of windows and terms;",
        "whole runs at 1e4 points took 125 (modified total), 133 (Hadamard total) and 28 s (Théo1) on",
        "another day, so that the ratios there are rather 300 to 600.",
        "",
        "| statistic | points | evenbeat s | MiB | allantools s | MiB | ratio |",
        "|---|---|---|---|---|---|---|",
    ]
    for statistic, sizes in SIZES.items():
        time_of = None if statistic == "total" else predicted(statistic)
        for points in sizes:
            here = time_of is None or points <= LOOP_POINTS[-1]
            measured = in_own_process("allantools", statistic, points) if here else None
            ratio_of = measured[0] if measured else time_of(points)
            lines.append(line(statistic, points, measured, ratio_of))
            print(lines[-1], flush=True)
    Path(__file__).with_name("total_speed.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(*measure(sys.argv[2], sys.argv[3], int(sys.argv[4])))
    else:
        main()
