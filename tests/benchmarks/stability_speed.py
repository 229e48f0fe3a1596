"""Time and extra memory of the deviations beside allantools, both measured in one run on one machine.

Run as ``python tests/benchmarks/stability_speed.py [points ...]``; each case in its own process, so that the
peak of memory is its own. A table of ratios is printed; nothing is judged.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from typing import Any

import numpy as np

import evenbeat as eb

STATISTICS = {
    "overlapping_allan": "oadev",
    "modified_allan": "mdev",
    "overlapping_hadamard": "ohdev",
    "mtie": "mtie",
}
LONGEST_MTIE_OF_ALLANTOOLS = 100_000  # minutes beyond it
ROUNDS = 3


def white_fm_phase(points: int) -> np.ndarray:
    """Return phase in seconds with white FM of 1e-11 at one second."""
    phase = np.random.default_rng(1).standard_normal(points)
    phase *= 1e-11
    return np.cumsum(phase, out=phase)


def peak_bytes() -> int:
    """Return the largest resident size of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def ours(statistic: str, record: eb.Record) -> tuple[np.ndarray, np.ndarray]:
    """Return our factors and deviations at the octaves."""
    if statistic == "mtie":
        curve = eb.time_interval_error(record, averaging="doublings")
        return curve.averaging_factor, curve.time_error_s
    deviations = eb.stability(record, statistic, averaging="doublings")
    return deviations.averaging_factor, deviations.deviation


def measure(library: str, statistic: str, points: int) -> dict[str, Any]:
    """Return the best time of some rounds, the extra memory, and the values."""
    phase = white_fm_phase(points)
    record = eb.Record.from_phase(phase, interval_s=1.0)
    factors, _ = ours(statistic, eb.Record.from_phase(phase[:4096], interval_s=1.0))  # everything imported
    largest = (
        points - 1 if statistic == "mtie" else points // (4 if statistic == "overlapping_hadamard" else 3)
    )
    factors = 2 ** np.arange(int(np.log2(largest)) + 1)
    if library == "allantools":
        import allantools

        function = getattr(allantools, STATISTICS[statistic])
        function(phase[:4096], taus=factors[:5].astype(float))
    base, best, least_work = peak_bytes(), np.inf, np.inf
    for _ in range(ROUNDS if points <= 1_000_000 else 2):
        start, start_work = time.perf_counter(), time.process_time()
        if library == "allantools":
            times, values, _, _ = function(phase, rate=1.0, data_type="phase", taus=factors.astype(float))
            found = dict(zip(np.round(times).astype(int).tolist(), values.tolist(), strict=True))
        else:
            found = dict(zip(*(column.tolist() for column in ours(statistic, record)), strict=True))
        best = min(best, time.perf_counter() - start)
        least_work = min(least_work, time.process_time() - start_work)
    return {"seconds": best, "work": least_work, "extra_mib": (peak_bytes() - base) / 2**20, "values": found}


def in_own_process(library: str, statistic: str, points: int) -> dict[str, Any]:
    """Return what ``measure`` gives in a fresh interpreter."""
    program = [sys.executable, __file__, "--one", library, statistic, str(points)]
    outcome = subprocess.run(program, capture_output=True, text=True, check=True)
    return json.loads(outcome.stdout.splitlines()[-1])


def largest_difference(left: dict[str, float], right: dict[str, float]) -> float:
    """Return the largest relative difference over the factors both have."""
    return max(abs(left[factor] / right[factor] - 1) for factor in left if factor in right)


def main(sizes: list[int]) -> None:
    """Print the table."""
    print("s: elapsed on two threads; cpu: processor seconds, which other work on the machine disturbs less")
    print("| statistic | points | evenbeat s | cpu | MiB | allantools s | cpu | MiB | s × | cpu × | diff |")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for points in sizes:
        for statistic in STATISTICS:
            mine = in_own_process("evenbeat", statistic, points)
            line = f"| {statistic} | {points:.0e} | {_measured(mine)} |"
            if statistic == "mtie" and points > LONGEST_MTIE_OF_ALLANTOOLS:
                print(f"{line} not run: minutes | | | | | |", flush=True)
                continue
            theirs = in_own_process("allantools", statistic, points)
            ratios = [theirs[unit] / mine[unit] for unit in ("seconds", "work")]
            difference = largest_difference(mine["values"], theirs["values"])
            shares = " | ".join(f"{ratio:.1f}" for ratio in ratios)
            print(f"{line} {_measured(theirs)} | {shares} | {difference:.0e} |", flush=True)


def _measured(case: dict[str, Any]) -> str:
    return f"{case['seconds']:.3f} | {case['work']:.3f} | {case['extra_mib']:.0f}"


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(measure(sys.argv[2], sys.argv[3], int(sys.argv[4]))))
    else:
        main([int(float(size)) for size in sys.argv[1:]] or [100_000, 1_000_000, 10_000_000])
