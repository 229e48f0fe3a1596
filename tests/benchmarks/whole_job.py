"""Processor seconds and memory of whole commands, beside those of another tree of this repository.

Run as ``python tests/benchmarks/whole_job.py OTHER [CASE …]`` with the root of the other tree (``git worktree
add``): each command runs in a fresh process, the trees in turn, and ``whole_job.md`` is written beside this
script. Elapsed time is no measure on a machine that does other work; processor time is, and ratios hold best.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

COMPILED = Path(tempfile.gettempdir(), "compiled-for-whole-job")
HERE = Path(__file__).resolve().parents[2]
DEMO = HERE / "data" / "kittiwake.csv.gz"
START = "import sys; from evenbeat.command.main import main; sys.exit(main(sys.argv[1:]))"
CASES = {
    "demo log (1e6 rows, gaps, wild readings, two steps, temperature), no report": (0, 0, ["--no-report"]),
    "the same with page and PDF": (0, 0, ["-o", "report"]),
    "the same as an audit record, no PDF": (
        0,
        0,
        ["-o", "record", "--set", "file_record=yes", "--set", "pdf=no"],
    ),
    "five years at 60 s, an offset, a drift, a walk, a gap": (2_629_800, 60, ["--no-report"]),
    "a day at 1 s, likewise": (86_400, 1, ["--no-report"]),
}


def write_log(path: Path, rows: int, interval_s: int) -> None:
    """Write hertz of an invented oscillator: offset, drift, white FM and a walk, a gap, wild readings."""
    generator = np.random.default_rng(1)
    steps = np.cumsum(generator.standard_normal(rows // 1000 + 2)) * 3e-13
    walk = np.interp(np.arange(rows), 1000 * np.arange(len(steps)), steps)
    fraction = 1e-9 + 1e-10 * np.arange(rows) * interval_s / (30 * 86_400)
    fraction += 1e-11 * generator.standard_normal(rows) + walk
    fraction[generator.integers(0, rows, 3)] += 1e-8
    kept = np.ones(rows, dtype=bool)
    kept[generator.integers(0, rows, 5)] = kept[rows // 3 : rows // 3 + 1800] = False
    moments = np.datetime64("2025-01-01T00:00:00") + np.arange(rows)[kept] * np.timedelta64(interval_s, "s")
    pairs = zip(np.datetime_as_string(moments).tolist(), (1e7 * (1 + fraction[kept])).tolist(), strict=True)
    path.write_text("utc,frequency_hz\n" + "".join(f"{time}Z,{hertz:.5f}\n" for time, hertz in pairs))


def spent(tree: Path, arguments: list[str], folder: Path) -> tuple[float, float]:
    """Return the processor seconds and the peak of resident memory in MiB, NaN of a command that failed."""
    environment = os.environ | {"PYTHONPATH": str(tree / "src"), "OMP_NUM_THREADS": "1"}
    environment |= {"PYTHONPYCACHEPREFIX": str(COMPILED)}  # an installed package is compiled beforehand
    quiet = {"stdout": subprocess.DEVNULL, "cwd": folder, "env": environment}
    child = subprocess.Popen([sys.executable, "-c", START, *arguments], **quiet)  # type: ignore[call-overload]
    _, status, usage = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status):  # an option that the other tree does not know
        return float("nan"), float("nan")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main(other: Path, chosen: list[str]) -> None:
    """Measure the cases whose names hold one of some words, and write the table."""
    lines = []
    for tree in (other, HERE):
        compiling = [sys.executable, "-m", "compileall", "-q", str(tree / "src")]
        subprocess.run(compiling, env=os.environ | {"PYTHONPYCACHEPREFIX": str(COMPILED)}, check=True)
    for name, (rows, interval_s, options) in CASES.items():
        if chosen and not any(word in name for word in chosen):
            continue
        cells = []
        for tree in (other, HERE):
            with tempfile.TemporaryDirectory() as folder:
                log = Path(folder, "log.csv") if rows else DEMO
                if rows:  # elsewhere: the peak of a child is at least what its parent holds when it starts
                    writer = multiprocessing.get_context("spawn").Process(
                        target=write_log, args=(log, rows, interval_s)
                    )
                    writer.start()
                    writer.join()
                cells.append(spent(tree, ["assess", str(log), "--tolerance", "4e-9", *options], Path(folder)))
        (before, much), (now, less) = cells
        lines.append(f"| {name} | {before:.1f} | {now:.1f} | {now / before:.2f} | {much:.0f} | {less:.0f} |")
        print(lines[-1], flush=True)
    head = (
        "# Whole commands\n\n"
        "Written by `whole_job.py`: processor seconds of `evenbeat assess`, imports included, in another "
        f"tree of this repository and in this one, each in a fresh process; load {os.getloadavg()[0]:.0f} on "
        f"{os.cpu_count()} processors at the end.\n\n"
        "| command | before / s | now / s | ratio | before / MiB | now / MiB |\n|---|---|---|---|---|---|\n"
    )
    Path(__file__).with_suffix(".md").write_text(head + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve(), sys.argv[2:])
