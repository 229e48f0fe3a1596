"""Processor seconds of a register of 20 000 instruments with 100 000 calibrations, beside another tree.

Run as ``python tests/benchmarks/fleet_speed.py OTHER`` with the root of the other tree of this repository
(``git worktree add``): each job runs in a fresh process on a register that its own tree made, and
``fleet_speed.md`` is written beside this script.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parents[2]
INSTRUMENTS, EACH, ADDED = 20_000, 5, 20
START = "import sys; from evenbeat.command.main import main; sys.exit(main(sys.argv[1:]))"
JOBS = {
    "making an empty register": ["register", "create", "r.sqlite"],
    f"import of a table of {INSTRUMENTS * EACH} rows": ["register", "import", "r.sqlite", "table.csv"],
    f"due list of {INSTRUMENTS} instruments, one process": (
        ["fleet", "r.sqlite", "--on", "2026-06-01", "--processes", "1", "--json"]
    ),
    "one calibration more": [
        *("register", "add-calibration", "r.sqlite", "clock00007", "--date", "2026-05-01"),
        *("--as-found", "1e-9", "--standard-uncertainty", "1e-9"),
    ],
    "verification of the register": ["register", "verify", "r.sqlite"],
}


def write_table(path: Path) -> None:
    """Write calibrations about a year apart of ovens that drift and walk, adjusted beyond 7e-8."""
    generator = np.random.default_rng(1)
    drift = generator.normal(0, 1e-7, INSTRUMENTS)
    offset = np.zeros(INSTRUMENTS)
    lines = ["instrument,oscillator_class,tolerance,date,as_found,as_left,standard_uncertainty,adjusted"]
    for year in range(EACH):
        offset += drift * (year > 0) + generator.normal(0, 2e-8, INSTRUMENTS) * (year > 0)
        found = offset + generator.normal(0, 3e-9, INSTRUMENTS)
        adjusted = np.abs(found) > 7e-8
        offset[adjusted] = 0.0
        days = generator.integers(1, 29, INSTRUMENTS)
        for k in range(INSTRUMENTS):
            left = "0,3e-9,yes" if adjusted[k] else f"{found[k]:.3e},3e-9,no"
            lines.append(f"clock{k:05d},oven,1e-7,{2022 + year}-03-{days[k]:02d},{found[k]:.3e},{left}")
    path.write_text("\n".join(lines) + "\n")


def spent(tree: Path, job: list[str], folder: Path) -> float:
    """Return the processor seconds of a job, NaN of one that the tree cannot do."""
    environment = os.environ | {"PYTHONPATH": str(tree / "src"), "OMP_NUM_THREADS": "1"}
    environment["EVENBEAT_STATE"] = str(folder)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-c", START, *job]
    done = subprocess.run(command, cwd=folder, env=environment, check=False, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    whole = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return float("nan") if done.returncode else whole


def main(other: Path) -> None:
    """Run every job in both trees and write the table."""
    lines = []
    with tempfile.TemporaryDirectory() as kept:
        folders = {tree: Path(kept, name) for tree, name in ((other, "before"), (HERE, "now"))}
        for folder in folders.values():
            folder.mkdir()
            write_table(folder / "table.csv")
        for name, job in JOBS.items():
            before, now = (spent(tree, job, folder) for tree, folder in folders.items())
            lines.append(f"| {name} | {before:.1f} | {now:.1f} | {now / before:.2f} |")
            print(lines[-1], flush=True)
    head = (
        f"# A register of {INSTRUMENTS} instruments\n\n"
        "Written by `fleet_speed.py`: processor seconds, imports included, in another tree of this\n"
        "repository and in this one, each job in a fresh process; load "
        f"{os.getloadavg()[0]:.0f} on {os.cpu_count()} processors at the end.\n\n"
        "The due list weighs three laws of drift, heavy tails and every doubtful reading as a mistake, and\n"
        "verifies the register first; the import reads units and uncertainties of every cell. The tree that\n"
        "ended the first round did none of it.\n\n"
        "| job | before / s | now / s | ratio |\n|---|---|---|---|\n"
    )
    Path(__file__).with_suffix(".md").write_text(head + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())
