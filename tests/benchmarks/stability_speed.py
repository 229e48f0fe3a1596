"""Time and extra memory of the deviations and MTIE beside allantools, measured in one run on one machine.

Of records as they come, with a frequency offset, drift, white PM and three missing samples, through
``eb.condition``, and of complete ones; with compiled loops and with numpy's.

Run as ``python tests/benchmarks/stability_speed.py``; the tables of ``stability_speed.md`` beside this script
are made anew. Every case runs in a process of its own, so that the peak of memory is its own. Nothing is
judged. Times are the best of several runs; elapsed time suffers from other work on the machine, processor
time (of all threads together) much less.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

import evenbeat as eb
from evenbeat.deviations.sums import kernels, plain
from evenbeat.deviations.sums.samples import PhasePoints

TABLE = Path(__file__).with_suffix(".md")
THEIRS = {
    "overlapping_allan": "oadev",
    "modified_allan": "mdev",
    "time": "tdev",
    "overlapping_hadamard": "ohdev",
    "mtie": "mtie",
}
SPANS = {"overlapping_allan": 2, "overlapping_hadamard": 3}
ROUNDS, MANY_ROUNDS = 3, 15
Values = dict[int, float]


def white_fm_phase(points: int) -> np.ndarray:
    """Return phase in seconds with white FM of 1e-11 at one second."""
    phase = np.random.default_rng(1).standard_normal(points)
    phase *= 1e-11
    return np.cumsum(phase, out=phase)


def record_as_it_comes(points: int) -> eb.Record:
    """Return that phase with offset, drift, white PM and three missing samples."""
    phase, place = white_fm_phase(points), np.arange(points, dtype=float)
    phase += 1e-10 * np.random.default_rng(2).standard_normal(points)
    phase += 3e-8 * place + 5e-16 * place**2
    phase[[points // 5, points // 2, 4 * points // 5]] = np.nan
    return eb.Record.from_phase(phase, interval_s=1.0)


def peak_mib() -> float:
    """Return the largest resident size of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def factors_for(statistic: str, points: int) -> np.ndarray:
    """Return the averaging factors, ten per decade, that both libraries compute."""
    largest = (points - 1) // SPANS.get(statistic, 3) - 1
    decade = np.unique(np.round(10 ** (np.arange(100) / 10)).astype(np.int64))
    return decade[decade <= largest]


def ours(statistic: str, phase: np.ndarray, factors: Sequence[int]) -> Values:
    """Return our deviations, the record made anew as a user would."""
    record = eb.Record.from_phase(phase, interval_s=1.0)
    if statistic == "mtie":
        movement = eb.time_interval_error(record, averaging=factors)
        return dict(zip(movement.averaging_factor.tolist(), movement.time_error_s.tolist(), strict=True))
    return our_curve(record, statistic, factors)


def our_curve(record: eb.Record, statistic: str, factors: Sequence[int]) -> Values:
    """Return our deviations of a record, the kinds of noise and the intervals found too."""
    curve = eb.stability(record, statistic, averaging=factors)
    curve.confidence_interval()
    return dict(zip(curve.averaging_factor.tolist(), curve.deviation.tolist(), strict=True))


def theirs(statistic: str, phase: np.ndarray, factors: Sequence[int]) -> Values:
    """Return the deviations of allantools."""
    import allantools

    function = getattr(allantools, THEIRS[statistic])
    times, values, _, _ = function(phase, rate=1.0, data_type="phase", taus=np.asarray(factors, dtype=float))
    return dict(zip(np.round(times).astype(int).tolist(), values.tolist(), strict=True))


def measure(library: str, statistic: str, points: int, offset: float = 0.0) -> dict[str, Any]:
    """Return the best times, the extra memory, and the values."""
    phase = white_fm_phase(points)
    phase += offset * np.arange(points)
    if library.startswith("numpy's "):
        library, kernels.loops = library.removeprefix("numpy's "), plain
    factors = factors_for(statistic, points).tolist()
    compute = theirs if library == "allantools" else ours
    compute(statistic, phase[:4096], [1, 2, 4])  # everything imported
    conditioning = 0.0
    if library == "kernel":
        order, averaged = 3 if "hadamard" in statistic else 2, statistic == "modified_allan"
        samples = PhasePoints.of(phase)

        def compute(statistic: str, phase: np.ndarray, factors: Sequence[int]) -> Values:
            sums = kernels.sums_of_squares(samples, factors, order, averaged=averaged)
            return {factor: term.total for factor, term in zip(factors, sums, strict=True)}

    if library == "conditioned":
        raw, start = record_as_it_comes(points), time.process_time()
        record = eb.condition(raw)
        conditioning = time.process_time() - start

        def compute(statistic: str, phase: np.ndarray, factors: Sequence[int]) -> Values:
            # a record of its own for each run: what is remembered with one does not count
            return our_curve(replace(record), statistic, factors)

    rounds = MANY_ROUNDS if points < 1_000_000 else ROUNDS
    if library == "allantools" and (points > 1_000_000 or statistic == "mtie"):
        rounds = 1
    base, elapsed, work, values = peak_mib(), [], [], {}
    for _ in range(rounds):
        start, start_work = time.perf_counter(), time.process_time()
        values = compute(statistic, phase, factors)
        elapsed.append(time.perf_counter() - start)
        work.append(time.process_time() - start_work)
    pure = []
    if library == "conditioned":  # once more with numpy's loops, in the same process
        kernels.loops = plain
        for _ in range(rounds):
            start_work = time.process_time()
            compute(statistic, phase, factors)
            pure.append(time.process_time() - start_work)
    return {
        "elapsed": min(elapsed),
        "work": min(work),
        "plain": min(pure, default=0.0),
        "conditioning": conditioning,
        "extra_mib": peak_mib() - base,
        "values": values,
        "streams": streaming_time(phase) * len(factors),
        "factors": len(factors),
    }


def streaming_time(phase: np.ndarray) -> float:
    """Return the least processor time that one sum over the array takes."""

    def once() -> float:
        start = time.process_time()
        phase.sum()
        return time.process_time() - start

    return min(once() for _ in range(15))


def in_own_process(library: str, statistic: str, points: int, offset: float = 0.0) -> dict[str, Any]:
    """Return what ``measure`` gives in a fresh interpreter."""
    program = [sys.executable, __file__, "--one", library, statistic, str(points), str(offset)]
    outcome = subprocess.run(program, capture_output=True, text=True, check=True)
    return json.loads(outcome.stdout.splitlines()[-1])


def beside_allantools(cases: Sequence[tuple[str, int]], say: Callable[[str], None]) -> None:
    """Write one line for each case."""
    say(
        "| statistic | points | factors | evenbeat s | processor s | extra MiB | sums | allantools s "
        "| processor s | extra MiB | s × | processor × | difference |"
    )
    say("|---|---|---|---|---|---|---|---|---|---|---|---|---|")
    for statistic, points in cases:
        mine = in_own_process("ours", statistic, points)
        other = in_own_process("allantools", statistic, points)
        common = mine["values"].keys() & other["values"].keys()
        difference = max(abs(mine["values"][key] / other["values"][key] - 1) for key in common)
        say(
            f"| {statistic} | {points:.0e} | {mine['factors']} | {mine['elapsed']:.3f} | {mine['work']:.3f} "
            f"| {mine['extra_mib']:.0f} | {mine['work'] / mine['streams']:.1f} | {other['elapsed']:.3f} "
            f"| {other['work']:.3f} | {other['extra_mib']:.0f} | {other['elapsed'] / mine['elapsed']:.1f} "
            f"| {other['work'] / mine['work']:.1f} | {difference:.0e} |"
        )


def as_they_come(points: Sequence[int], say: Callable[[str], None]) -> None:
    """Write one line for each record as it comes beside the complete one."""
    say(
        "| statistic | points | conditioned s | numpy's loops s | complete s | allantools, complete s "
        "| × conditioned | × numpy's | × complete | beyond allantools ms | conditioning s |"
    )
    say("|---|---|---|---|---|---|---|---|---|---|---|")
    for name in ("overlapping_allan", "modified_allan"):
        for count in points:
            mine, other, whole = (
                in_own_process(library, name, count) for library in ("conditioned", "allantools", "ours")
            )
            say(
                f"| {name} | {count:.0e} | {mine['work']:.4f} | {mine['plain']:.4f} | {whole['work']:.4f} "
                f"| {other['work']:.4f} | {other['work'] / mine['work']:.1f} "
                f"| {other['work'] / mine['plain']:.1f} | {other['work'] / whole['work']:.1f} "
                f"| {1e3 * (mine['work'] - other['work']):.0f} | {mine['conditioning']:.2f} |"
            )


def kernels_alone(points: Sequence[int], say: Callable[[str], None]) -> None:
    """Write the processor time of the sums alone beside that of streaming the record."""
    say("| statistic | points | factors | compiled s | sums | numpy's loops s | sums |")
    say("|---|---|---|---|---|---|---|")
    for count in points:
        for name in ("overlapping_allan", "modified_allan", "overlapping_hadamard"):
            mine, pure = (in_own_process(library, name, count) for library in ("kernel", "numpy's kernel"))
            say(
                f"| {name} | {count:.0e} | {mine['factors']} | {mine['work']:.4f} "
                f"| {mine['work'] / mine['streams']:.1f} | {pure['work']:.4f} "
                f"| {pure['work'] / pure['streams']:.1f} |"
            )


def movements(points: Sequence[int], say: Callable[[str], None]) -> None:
    """Write the processor time of MTIE with and without a frequency offset."""
    say("| points | offset | factors | evenbeat s | numpy's loops s | allantools s | × | × numpy's |")
    say("|---|---|---|---|---|---|---|---|")
    for count in points:
        other = in_own_process("allantools", "mtie", count)
        for offset in (1e-8, 1e-11, 0.0):
            mine, pure = (
                in_own_process(library, "mtie", count, offset) for library in ("ours", "numpy's ours")
            )
            say(
                f"| {count:.0e} | {offset:g} | {mine['factors']} | {mine['work']:.4f} | {pure['work']:.4f} "
                f"| {other['work']:.3f} | {other['work'] / mine['work']:.0f} "
                f"| {other['work'] / pure['work']:.0f} |"
            )


def main() -> None:
    """Make the tables."""
    lines: list[str] = []

    def say(line: str) -> None:
        lines.append(line)
        print(line, flush=True)

    say("# Speed of the difference statistics and of MTIE\n")
    say(
        f"Made by `python tests/benchmarks/stability_speed.py` on {os.cpu_count()} processors, load "
        f"{os.getloadavg()[0]:.1f} at the start. Best of {ROUNDS} runs, below 1e6 "
        f"points of {MANY_ROUNDS} (allantools at 1e7 points: one). "
        "Sums: our processor time over that of one `numpy.sum` of the array for each averaging time. Ratios: "
        "allantools over evenbeat. Evenbeat works on two threads from 2.6e5 points on and includes degrees "
        "of freedom; allantools works on one, without them. Where other work loads the machine, elapsed "
        "times and their ratios say little; those of processor times hold.\n"
    )
    say(
        "## Records as they come, conditioned: processor time\n\n"
        "Ten averaging times per decade, noise and intervals included. A frequency offset of 3e-8, drift of "
        "1e-15 a second, white PM of 1e-10 s and three missing samples, after `eb.condition`, which may flag "
        "more; then the complete record, which has none of these. Ratios: allantools, of the complete "
        "record, over evenbeat. Conditioning itself comes once for all statistics.\n"
    )
    as_they_come((1000, 10_000, 100_000, 1_000_000, 10_000_000), say)
    say("\n## MTIE, ten per decade to a third of the record (allantools: one run, without offset)\n")
    movements((10_000, 100_000), say)
    say(
        "\n## The sums alone: processor time\n\nOf complete records, without noise and intervals; sums: over "
        "that of one `numpy.sum` of the array for each averaging time.\n"
    )
    kernels_alone((100_000, 1_000_000, 10_000_000), say)
    say("\n## Complete records, ten averaging times per decade\n")
    beside_allantools([(name, 1_000_000) for name in list(THEIRS)[:4]], say)
    TABLE.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        library, statistic, points, offset = sys.argv[2:6]
        print(json.dumps(measure(library, statistic, int(points), float(offset))))
    else:
        main()
