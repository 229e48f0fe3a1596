"""Reading text beside the C parser of pandas, both in this process, as ratios of the best of several runs.

Run ``python tests/benchmarks/reading_speed.py``; it writes reading_speed.md next to itself. With a number
of rows, ``python tests/benchmarks/reading_speed.py 1e8``, a log of that length is also converted in blocks.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

import evenbeat as eb
from evenbeat.logs.files import load_text
from evenbeat.logs.form.rewriting import readable_cells
from evenbeat.logs.options import Options
from evenbeat.logs.rows.tables import read_columns
from evenbeat.logs.sheet import layout_of, probe, wanted_columns

ROWS = 4_000_000
RUNS = 7


def write_logs(folder: Path, rows: int) -> dict[str, Path]:
    """Write clean logs of an invented bench: two columns of numbers, three, and time stamps."""
    generator = np.random.default_rng(1)
    hertz = 1e7 + 1e-3 * generator.standard_normal(rows).cumsum() / np.sqrt(rows)
    phase = (1e-9 * generator.standard_normal(rows)).tolist()
    stamps = np.datetime_as_string(np.datetime64("2026-01-01T00:00:00") + np.arange(rows).astype("m8[s]"))
    logs = {name: folder / f"{name}.csv" for name in ("elapsed, phase", "Unix, hertz, kelvin", "ISO, hertz")}
    logs["elapsed, phase"].write_text(
        "elapsed_s,phase_s\n" + "".join(f"{k},{v!r}\n" for k, v in enumerate(phase))
    )
    logs["Unix, hertz, kelvin"].write_text(
        "unix_s,frequency_hz,oven_temperature_k\n"
        + "".join(f"{1767225600 + k}.00,{f:.4f},{350 + k % 17 * 0.1:.2f}\n" for k, f in enumerate(hertz))
    )
    logs["ISO, hertz"].write_text(
        "utc,frequency_hz\n" + "".join(f"{t}Z,{f:.4f}\n" for t, f in zip(stamps, hertz, strict=True))
    )
    return logs


def columns_of(path: Path) -> object:
    """Read a log to columns, detection of its layout and hash included."""
    log, form = readable_cells(load_text(path))
    layout = layout_of(log, form, Options(), first=lambda index: probe(log, form, index))
    return read_columns(log, form, wanted_columns(log, layout)), log.sha256


def best(jobs: dict[str, Callable[[], object]]) -> dict[str, tuple[float, float]]:
    """Return the best wall-clock and processor seconds of each job, the jobs taking turns."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
    for _ in range(RUNS):
        for name, job in jobs.items():
            begun = time.perf_counter(), time.process_time()
            job()
            times[name].append((time.perf_counter() - begun[0], time.process_time() - begun[1]))
    return {name: (min(w for w, _ in spent), min(c for _, c in spent)) for name, spent in times.items()}


def table(logs: dict[str, Path]) -> list[str]:
    """Return the lines of the table."""
    lines = [
        "| log | MB | pandas s (CPU) | columns s (CPU) | read_log s (CPU) | to columns | to record |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, path in logs.items():
        dates = [0] if name.startswith("ISO") else None
        spent = best(
            {
                "pandas": lambda path=path, dates=dates: pd.read_csv(path, parse_dates=dates),
                "columns": lambda path=path: columns_of(path),
                "read_log": lambda path=path: eb.read_log(path),
            }
        )
        cells = [f"{wall:.2f} ({cpu:.2f})" for wall, cpu in spent.values()]
        ratios = [f"{spent['pandas'][0] / spent[job][0]:.2f}" for job in ("columns", "read_log")]
        lines.append(f"| {name} | {path.stat().st_size / 1e6:.0f} | {' | '.join([*cells, *ratios])} |")
    return lines


def long_log(path: Path, rows: int) -> None:
    """Write a log of many rows without holding it in memory."""
    generator = np.random.default_rng(9)
    with path.open("wb") as file:
        file.write(b"elapsed_s,phase_ns\n")
        for first in range(0, rows, 1_000_000):
            k = np.arange(first, min(first + 1_000_000, rows))
            picoseconds = np.abs(np.rint(generator.normal(500e3, 10e3, len(k)))).astype(np.int64)
            digits = [k // 10**j % 10 for j in range(8, -1, -1)]
            reading = [picoseconds // 10**j % 10 for j in range(5, -1, -1)]
            text = [*digits, -4, *reading[:3], -2, *reading[3:], -38]  # comma, point and line feed
            rows_text = np.stack([np.broadcast_to(d + 48, k.shape) for d in text], 1)
            file.write(rows_text.astype(np.uint8).tobytes())


def conversion(folder: Path, rows: int) -> list[str]:
    """Return what the conversion of a long log took."""
    log = folder / "long.csv"
    long_log(log, rows)
    lines = []
    for name in ("long.npy", "long.parquet"):
        begun = time.perf_counter()
        written = eb.convert_log(log, folder / name, progress=True)
        seconds = time.perf_counter() - begun
        status = Path("/proc/self/status").read_text().splitlines()
        peak = int(next(line for line in status if "VmHWM" in line).split()[1]) / 1e6
        size = (folder / name).stat().st_size
        lines.append(
            f"- {written.rows:,} rows ({log.stat().st_size / 1e9:.2f} GB) to {name}: {seconds:.0f} s "
            f"({written.rows / seconds / 1e6:.2f} million rows/s), {size / 1e9:.2f} GB, "
            f"peak memory of the process {peak:.2f} GB."
        )
        (folder / name).unlink()
    return lines


def main() -> None:
    """Write the page."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        long_lines = conversion(folder, int(float(sys.argv[1]))) if len(sys.argv) > 1 else []
        (folder / "long.csv").unlink(missing_ok=True)
        lines = table(write_logs(folder, ROWS))
    load = f"{os.getloadavg()[0]:.0f}"
    page = Path(__file__).with_suffix(".md")
    head = (
        f"# Reading text beside pandas {pd.__version__}\n\n"
        f"Clean logs of {ROWS:,} rows, best of {RUNS} runs in turn, load average {load}, "
        f"Python {platform.python_version()}, {platform.machine()}. 'pandas' is `read_csv` alone (stamps "
        "parsed); 'columns' is the same table read by evenbeat with detection of the layout and "
        "the SHA-256 of the file; `read_log` is the whole way to a record on its grid. "
        "The last two columns are pandas' time by ours: above 1 evenbeat is "
        f"faster; it spreads over {os.cpu_count()} processors, which on a loaded machine it has to share.\n\n"
    )
    body = "\n".join(lines) + "\n"
    if long_lines:
        body += "\n## Long logs in blocks\n\n" + "\n".join(long_lines) + "\n"
    page.write_text(head + body)
    print(body)


if __name__ == "__main__":
    main()
