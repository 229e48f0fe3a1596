"""Time and resident memory for a memory-mapped record far longer than the memory one wants to spend.

Run as ``python tests/benchmarks/long_record.py FOLDER [points]``: a file of 8 bytes per point (default 10⁹
points) is made in the folder and removed afterwards. Progress goes to the terminal, the table into
``long_record.md`` beside this script.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

import evenbeat as eb

STATISTICS = ("overlapping_allan", "modified_allan")
CHUNK = 10_000_000
TABLE = Path(__file__).with_suffix(".md")
HEAD = """# A memory-mapped record

Made by `python tests/benchmarks/long_record.py FOLDER {points}`: phase with white FM of 1e-11 at one second
as float64 in a `.npy` file, opened with `np.load(..., mmap_mode="r")`; all doublings; each statistic in its
own process, two threads. Resident memory is the peak the system counted for the process, pages of the
file included; where other work loads the machine (load {load} at the end), the processor time
holds. "First" is the deviation at one second, known to be 1e-11, "slope" that of log σ against
log τ from 16 s to a thousandth of the record, known to be -1/2.

| statistic | points | file / GB | elapsed / s | processor / s | resident peak / MiB | first | slope |
|---|---|---|---|---|---|---|---|
"""


def write_record(path: Path, points: int) -> None:
    """Write the phase in chunks, so that it is never in memory as a whole."""
    generator, last = np.random.default_rng(1), 0.0
    header = np.lib.format.header_data_from_array_1_0(np.empty(0))
    with path.open("wb") as file:
        np.lib.format.write_array_header_1_0(file, {**header, "shape": (points,)})
        for begin in range(0, points, CHUNK):
            chunk = generator.standard_normal(min(CHUNK, points - begin)) * 1e-11
            chunk[0] += last
            np.cumsum(chunk, out=chunk)
            last = float(chunk[-1])
            chunk.tofile(file)


def resident_mib() -> float:
    """Return the peak of the resident memory of this process."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


def measure(path: Path, statistic: str) -> dict[str, float]:
    """Return what one statistic takes, told as it goes."""

    def progress(done: int, count: int) -> None:
        print(f"\r{statistic}: {done} of {count}", end="", file=sys.stderr, flush=True)

    start, work = time.perf_counter(), time.process_time()
    record = eb.Record.from_phase(np.load(path, mmap_mode="r"), interval_s=1.0)
    curve = eb.stability(record, statistic, averaging="doublings", progress=progress)
    elapsed, work = time.perf_counter() - start, time.process_time() - work
    print(file=sys.stderr)
    short = (curve.averaging_factor >= 16) & (curve.averaging_factor < len(record) / 1000)
    slope = np.polyfit(np.log(curve.averaging_time_s[short]), np.log(curve.deviation[short]), 1)[0]
    return {
        "elapsed": elapsed,
        "work": work,
        "resident": resident_mib(),
        "first": float(curve.deviation[0]),
        "slope": float(slope),
    }


def main(folder: Path, points: int) -> None:
    """Make the file, measure, write the table."""
    path = folder / "phase_of_a_long_record.npy"
    lines = []
    try:
        write_record(path, points)
        for statistic in STATISTICS:
            program = [sys.executable, __file__, "--one", statistic, str(path)]
            outcome = subprocess.run(program, stdout=subprocess.PIPE, text=True, check=True)
            case = json.loads(outcome.stdout)
            lines.append(
                f"| {statistic} | {points:.0e} | {8e-9 * points:.1f} | {case['elapsed']:.0f} | "
                f"{case['work']:.0f} | {case['resident']:.0f} | {case['first']:.5g} | {case['slope']:.4f} |"
            )
    finally:
        path.unlink(missing_ok=True)
    TABLE.write_text(
        HEAD.format(points=f"{points:.0e}", load=f"{os.getloadavg()[0]:.0f}") + "\n".join(lines) + "\n"
    )
    print(TABLE.read_text())


if __name__ == "__main__":
    if sys.argv[1] == "--one":
        print(json.dumps(measure(Path(sys.argv[3]), sys.argv[2])))
    else:
        main(Path(sys.argv[1]), int(float(sys.argv[2])) if len(sys.argv) > 2 else 1_000_000_000)
