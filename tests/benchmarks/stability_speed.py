"""Time and extra memory of the deviations and MTIE beside allantools, measured in one run on one machine.

Of records as they come, with a frequency offset, drift, white PM and three missing samples, through
``eb.condition``, and of complete ones; with compiled loops and with numpy's.

Run as ``python tests/benchmarks/stability_speed.py``; the tables of ``stability_speed.md`` and the figure
``stability_speed.svg`` beside this script are made anew. Every case runs in a process of its own, so that the
peak of memory is its own. Nothing is judged. Times are the best of several runs; elapsed time suffers from
other work on the machine, processor time (of all threads together) much less.
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
from threadpoolctl import threadpool_limits

import evenbeat as eb
from evenbeat.deviations.sums import kernels, plain
from evenbeat.deviations.sums.samples import PhasePoints

TABLE = Path(__file__).with_suffix(".md")
FIGURE = Path(__file__).with_suffix(".svg")
THEIRS = {
    "overlapping_allan": "oadev",
    "modified_allan": "mdev",
    "time": "tdev",
    "overlapping_hadamard": "ohdev",
    "mtie": "mtie",
}
SPANS = {"overlapping_allan": 2, "overlapping_hadamard": 3}
ROUNDS = 3
STYLES = {
    "overlapping_allan": ("#0072B2", "o", "-"),
    "modified_allan": ("#D55E00", "s", "--"),
    "overlapping_hadamard": ("#009E73", "^", "-."),
    "mtie": ("#CC79A7", "D", ":"),
}
LABELS = {
    "overlapping_allan": "overlapping Allan",
    "modified_allan": "modified Allan",
    "overlapping_hadamard": "overlapping Hadamard",
    "mtie": "MTIE",
}
Values = dict[int, float]
Cost = tuple[int, int, float]


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


def factors_for(statistic: str, points: int, grid: str) -> np.ndarray:
    """Return the averaging factors of a grid that both libraries compute."""
    largest = (points - 1) // SPANS.get(statistic, 3) - 1
    if grid == "every":
        return np.arange(1, largest + 1)
    if grid.isdigit():
        return np.unique(np.geomspace(1, largest, int(grid)).round().astype(int))
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


def measure(library: str, statistic: str, points: int, grid: str, offset: float = 0.0) -> dict[str, Any]:
    """Return the best times, the extra memory, and the values."""
    phase = white_fm_phase(points)
    phase += offset * np.arange(points)
    if library.startswith("numpy's "):
        library, kernels.loops = library.removeprefix("numpy's "), plain
    factors = factors_for(statistic, points, grid).tolist()
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

    rounds = 1 if library == "allantools" and (points > 1_000_000 or grid == "every") else ROUNDS
    rounds = 1 if library == "allantools" and statistic == "mtie" else rounds
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


def in_own_process(
    library: str, statistic: str, points: int, grid: str, offset: float = 0.0
) -> dict[str, Any]:
    """Return what ``measure`` gives in a fresh interpreter."""
    program = [sys.executable, __file__, "--one", library, statistic, str(points), grid, str(offset)]
    outcome = subprocess.run(program, capture_output=True, text=True, check=True)
    return json.loads(outcome.stdout.splitlines()[-1])


def beside_allantools(cases: Sequence[tuple[str, int, str]], say: Callable[[str], None]) -> None:
    """Write one line for each case."""
    say(
        "| statistic | points | factors | evenbeat s | processor s | extra MiB | sums | allantools s "
        "| processor s | extra MiB | s × | processor × | difference |"
    )
    say("|---|---|---|---|---|---|---|---|---|---|---|---|---|")
    for statistic, points, grid in cases:
        mine = in_own_process("ours", statistic, points, grid)
        other = in_own_process("allantools", statistic, points, grid)
        common = mine["values"].keys() & other["values"].keys()
        difference = max(abs(mine["values"][key] / other["values"][key] - 1) for key in common)
        say(
            f"| {statistic} | {points:.0e} | {mine['factors']} | {mine['elapsed']:.3f} | {mine['work']:.3f} "
            f"| {mine['extra_mib']:.0f} | {mine['work'] / mine['streams']:.1f} | {other['elapsed']:.3f} "
            f"| {other['work']:.3f} | {other['extra_mib']:.0f} | {other['elapsed'] / mine['elapsed']:.1f} "
            f"| {other['work'] / mine['work']:.1f} | {difference:.0e} |"
        )


def as_they_come(points: Sequence[int], say: Callable[[str], None]) -> dict[str, list[Cost]]:
    """Write one line for each record as it comes beside the complete one, and return its times."""
    found: dict[str, list[Cost]] = {"overlapping_allan": [], "modified_allan": []}
    say(
        "| statistic | points | conditioned s | numpy's loops s | complete s | allantools, complete s "
        "| × conditioned | × numpy's | × complete | beyond allantools ms | conditioning s |"
    )
    say("|---|---|---|---|---|---|---|---|---|---|---|")
    for name, rows in found.items():
        for count in points:
            mine, other, whole = (
                in_own_process(library, name, count, "ten_per_decade")
                for library in ("conditioned", "allantools", "ours")
            )
            rows.append((count, mine["factors"], mine["work"]))
            say(
                f"| {name} | {count:.0e} | {mine['work']:.4f} | {mine['plain']:.4f} | {whole['work']:.4f} "
                f"| {other['work']:.4f} | {other['work'] / mine['work']:.1f} "
                f"| {other['work'] / mine['plain']:.1f} | {other['work'] / whole['work']:.1f} "
                f"| {1e3 * (mine['work'] - other['work']):.0f} | {mine['conditioning']:.2f} |"
            )
    return found


def kernels_alone(points: Sequence[int], say: Callable[[str], None]) -> None:
    """Write the processor time of the sums alone beside that of streaming the record."""
    say("| statistic | points | factors | compiled s | sums | numpy's loops s | sums |")
    say("|---|---|---|---|---|---|---|")
    for count in points:
        for name in ("overlapping_allan", "modified_allan", "overlapping_hadamard"):
            mine, pure = (
                in_own_process(library, name, count, "ten_per_decade")
                for library in ("kernel", "numpy's kernel")
            )
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
        other = in_own_process("allantools", "mtie", count, "ten_per_decade")
        for offset in (1e-8, 1e-11, 0.0):
            mine, pure = (
                in_own_process(library, "mtie", count, "ten_per_decade", offset)
                for library in ("ours", "numpy's ours")
            )
            say(
                f"| {count:.0e} | {offset:g} | {mine['factors']} | {mine['work']:.4f} | {pure['work']:.4f} "
                f"| {other['work']:.3f} | {other['work'] / mine['work']:.0f} "
                f"| {other['work'] / pure['work']:.0f} |"
            )


def costs(cases: Sequence[tuple[int, str]], say: Callable[[str], None]) -> dict[str, list[Cost]]:
    """Write our own times against the number of points and of averaging times, and return them."""
    found: dict[str, list[Cost]] = {name: [] for name in STYLES}
    say("| points | factors | " + " | ".join(STYLES) + " |")
    say("|---|---|" + "---|" * len(STYLES))
    for points, grid in cases:
        cells = []
        for name in STYLES:
            case = in_own_process("ours", name, points, grid)
            found[name].append((points, case["factors"], case["work"]))
            cells.append(f"{case['elapsed']:.3f} ({case['work']:.3f}) {case['factors']}")
        say(f"| {points:.0e} | {grid} | " + " | ".join(cells) + " |")
    return found


def draw(
    by_points: dict[str, list[Cost]], by_factors: dict[str, list[Cost]], conditioned: dict[str, list[Cost]]
) -> None:
    """Draw processor time against the number of points and of averaging times."""
    import matplotlib as mpl

    mpl.use("Agg")
    mpl.rcParams.update({"svg.hashsalt": "evenbeat", "svg.fonttype": "none"})
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(9, 4), layout="constrained", sharey=True)
    for name, (colour, marker, line) in STYLES.items():
        look = {"color": colour, "marker": marker, "linestyle": line, "label": LABELS[name]}
        axes[0].loglog([n for n, _, _ in by_points[name]], [t for _, _, t in by_points[name]], **look)
        axes[1].loglog([k for _, k, _ in by_factors[name]], [t for _, _, t in by_factors[name]], **look)
    for name, rows in conditioned.items():
        look = {"color": STYLES[name][0], "marker": STYLES[name][1], "linestyle": "none", "fillstyle": "none"}
        axes[0].loglog([n for n, _, _ in rows], [t for _, _, t in rows], **look)
    axes[0].set(
        xlabel="number of phase points",
        ylabel="processor time / s",
        title="ten per decade (open: three gaps)",
    )
    axes[1].set(xlabel="number of averaging times", title=f"{by_factors['mtie'][0][0]:,} phase points")
    for panel in axes:
        panel.grid(visible=True, which="major", alpha=0.4)
    axes[0].legend()
    figure.savefig(FIGURE, metadata={"Date": None})


def parts() -> dict[str, float]:
    """Return the processor time of the parts that a sum is made of, in units of one ``numpy.sum``."""
    phase = white_fm_phase(10_000_000)
    block, lag = 1 << 15, 1 << 20
    work, short = np.empty(block), phase[: 3 * block].copy()

    def seconds(action: Callable[[], object]) -> float:
        times = []
        for _ in range(5):
            start = time.process_time()
            action()
            times.append(time.process_time() - start)
        return min(times)

    def squared_second_differences(values: np.ndarray, apart: int, times: int) -> None:
        for start in range(0, times * block, block) if times > 1 else (0,) * (len(phase) // block):
            np.subtract(values[start + 2 * apart :][:block], values[start + apart :][:block], out=work)
            np.subtract(work, values[start + apart :][:block], out=work)
            np.add(work, values[start:][:block], out=work)
            np.dot(work, work)

    far, whole = (len(phase) - 2 * lag) // block, len(phase) / block
    with threadpool_limits(1):  # threads that wait for each other would count as work
        unit = seconds(lambda: np.sum(phase))
        return {
            "in cache": seconds(lambda: squared_second_differences(short, 1, 1)) / unit,
            "from memory": seconds(lambda: squared_second_differences(phase, lag, far)) * whole / far / unit,
            "unit_ms": 1e3 * unit,
        }


def main() -> None:
    """Make the tables."""
    lines: list[str] = []

    def say(line: str) -> None:
        lines.append(line)
        print(line, flush=True)

    say("# Speed of the difference statistics and of MTIE\n")
    say(
        f"Made by `python tests/benchmarks/stability_speed.py` on {os.cpu_count()} processors, load "
        f"{os.getloadavg()[0]:.1f} at the start. Best of {ROUNDS} runs (allantools at 1e7 points: one). "
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
    conditioned = as_they_come((1000, 10_000, 100_000, 1_000_000, 10_000_000), say)
    say("\n## MTIE, ten per decade to a third of the record (allantools: one run, without offset)\n")
    movements((10_000, 100_000), say)
    say(
        "\n## The sums alone: processor time\n\nOf complete records, without noise and intervals; sums: over "
        "that of one `numpy.sum` of the array for each averaging time.\n"
    )
    kernels_alone((100_000, 1_000_000, 10_000_000), say)
    say("\n## Complete records, ten averaging times per decade\n")
    differences = list(THEIRS)[:4]
    beside_allantools(
        [(name, points, "ten_per_decade") for points in (1_000_000, 10_000_000) for name in differences], say
    )
    cost = parts()
    say(
        f"\nProcessor time of parts, in units of one `numpy.sum` of 1e7 points ({cost['unit_ms']:.1f} ms): "
        f"in numpy taking and squaring a second difference takes {cost['in cache']:.1f} where all is in "
        f"cache and {cost['from memory']:.1f} where three places are read from memory."
    )
    say("\n## Every averaging time, given as a list (allantools: one run)\n")
    beside_allantools([(name, 100_000, "every") for name in differences], say)
    say("\n## Cost against the number of points and of averaging times: elapsed (processor) s, factors\n")
    by_points = costs(
        [(points, "ten_per_decade") for points in (10_000, 100_000, 1_000_000, 10_000_000)], say
    )
    say("")
    by_factors = costs([(100_000, grid) for grid in ("10", "100", "1000", "10000", "every")], say)
    draw(by_points, by_factors, conditioned)
    say(f"\n![Processor time against the number of points and of averaging times]({FIGURE.name})")
    TABLE.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        library, statistic, points, grid, offset = sys.argv[2:7]
        print(json.dumps(measure(library, statistic, int(points), grid, float(offset))))
    else:
        main()
