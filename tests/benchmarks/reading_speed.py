"""Reading text beside the C parser of pandas, both in this process, as ratios of the best of several runs.

``python tests/benchmarks/reading_speed.py`` writes the table of reading_speed.md beside itself. With a number
of rows, ``… 1e8``, a log of that length is converted in blocks instead; with the root of another tree of this
repository (``git worktree add``), ``… ../other``, both read the same logs in fresh processes. A run writes
its own section and leaves the others.
"""

from __future__ import annotations

import gzip
import io
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import evenbeat as eb
from evenbeat.logs.files import LogText, load_text
from evenbeat.logs.rewriting import readable_cells
from evenbeat.logs.rows import read_columns
from evenbeat.logs.sheet import layout_of, wanted_columns
from evenbeat.logs.terms import Options

ROWS = 4_000_000
OLDER_ROWS = 1_000_000
RUNS = 5
HERE = Path(__file__).resolve().parents[2]
READ = """
import sys, time
import evenbeat as eb
def peak():  # reset where a process begins, as that of getrusage is not
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))
path, small, options = sys.argv[1], sys.argv[2], eval(sys.argv[3])
eb.read_log(small, **options)
imported = peak()
begun = time.process_time()
eb.read_log(path, **options)
print(time.process_time() - begun, imported, peak())
"""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A clean log of an invented bench, and how it is read on both sides."""

    name: str
    path: Path
    pandas: dict[str, Any] = field(default_factory=dict)
    ours: dict[str, Any] = field(default_factory=dict)
    time: str = ""

    def table(self) -> pd.DataFrame:
        """Read it by pandas, as it comes."""
        return pd.read_csv(self.path, **self.pandas)

    def dated(self) -> pd.DataFrame:
        """Read it by pandas with its time as datetime64."""
        frame = self.table()
        if self.time:
            unit = {"unit": "s"} if frame[self.time].dtype.kind in "fi" else {}
            frame[self.time] = pd.to_datetime(frame[self.time], **unit)
        return frame

    def table_of(self, text: bytes) -> pd.DataFrame:
        """Read its text by pandas."""
        return pd.read_csv(io.BytesIO(text), **self.pandas)

    def columns_of(self, loaded: LogText) -> object:
        """Read its text to columns by evenbeat: layout detected, no grid."""
        log, form, _ = readable_cells(loaded)
        layout = layout_of(log, form, Options(**self.ours))
        return read_columns(log, form, wanted_columns(log, layout))

    def columns(self) -> object:
        """Read the file to columns by evenbeat: hash taken, text checked, layout detected, no grid."""
        return self.columns_of(load_text(self.path))

    def record(self) -> eb.Record:
        """Read it to a record."""
        return eb.read_log(self.path, **self.ours)


def write_logs(folder: Path, rows: int) -> list[Case]:
    """Write clean logs of an invented bench in the ways that counters and loggers mostly write."""
    generator = np.random.default_rng(1)
    noise = generator.standard_normal(rows)
    hertz = (1e7 + 2e-3 * noise + 1e-3 * noise.cumsum() / np.sqrt(rows)).tolist()
    phase = (1e-9 * noise).tolist()
    moments = np.datetime64("2026-01-01T00:00:00") + np.arange(rows).astype("m8[s]")
    stamps = np.datetime_as_string(moments).tolist()
    warm = [350 + k % 17 * 0.1 for k in range(rows)]

    def written(name: str, header: str, lines: Iterable[str], **how: Any) -> Case:
        path = folder / f"{name}.csv"
        path.write_text(header + "\n" + "\n".join(lines) + "\n")
        return Case(name=name, path=path, **how)

    pairs = list(zip(stamps, hertz, strict=True))
    cases = [
        written(
            "comma, ISO stamp and hertz",
            "utc,frequency_hz",
            (f"{t}Z,{f:.4f}" for t, f in pairs),
            time="utc",
        ),
        written(
            "semicolon, ISO stamp, decimal comma",
            "utc;frequency_hz",
            (f"{t};{f:.4f}".replace(".", ",") for t, f in pairs),
            time="utc",
            pandas={"sep": ";", "decimal": ","},
        ),
        written(
            "blank, Unix seconds and hertz",
            "unix_s frequency_hz",
            (f"{1767225600 + k} {f:.4f}" for k, f in enumerate(hertz)),
            time="unix_s",
            pandas={"sep": " "},
        ),
        written("one column, hertz", "frequency_hz", (f"{f:.4f}" for f in hertz), ours={"interval_s": 1.0}),
        written(
            "comma, Unix seconds, hertz, kelvin",
            "unix_s,frequency_hz,oven_temperature_k",
            (
                f"{1767225600 + k}.00,{f:.4f},{w:.2f}"
                for k, (f, w) in enumerate(zip(hertz, warm, strict=True))
            ),
            time="unix_s",
        ),
        written(
            "comma, elapsed and phase, 17 digits",
            "elapsed_s,phase_s",
            (f"{k},{v!r}" for k, v in enumerate(phase)),
        ),
    ]
    packed = folder / "packed.csv.gz"
    packed.write_bytes(gzip.compress(cases[0].path.read_bytes(), 6, mtime=0))
    return [*cases, replace(cases[0], name="the first as .gz", path=packed)]


def best(jobs: dict[str, Callable[[], object]]) -> dict[str, tuple[float, float]]:
    """Return the best wall-clock and processor seconds of each job, the jobs taking turns."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
    for _ in range(RUNS):
        for name, job in jobs.items():
            begun = time.perf_counter(), time.process_time()
            job()
            times[name].append((time.perf_counter() - begun[0], time.process_time() - begun[1]))
    return {name: (min(w for w, _ in spent), min(c for _, c in spent)) for name, spent in times.items()}


def table(cases: Sequence[Case]) -> list[str]:
    """Return the lines of the table."""
    lines = [
        (
            "| log | MB | pandas, text | text to columns | pandas | pandas with times | columns | read_log "
            "| text to columns / pandas, text | read_log / pandas with times | read_log / pandas "
            "| columns / pandas |"
        ),
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for case in cases:
        loaded = load_text(case.path)
        jobs = {
            "pandas, text": partial(case.table_of, loaded.text),
            "text": partial(case.columns_of, loaded),
            "pandas": case.table,
            "dated": case.dated,
            "columns": case.columns,
            "record": case.record,
        }
        spent = best(jobs)
        cells = [f"{wall:.2f} ({cpu:.2f})" for wall, cpu in spent.values()]
        pairs = (
            ("text", "pandas, text"),
            ("record", "dated"),
            ("record", "pandas"),
            ("columns", "pandas"),
        )
        ratios = [
            f"{spent[other][0] / spent[own][0]:.2f} ({spent[other][1] / spent[own][1]:.2f})"
            for own, other in pairs
        ]
        size = case.path.stat().st_size / 1e6
        lines.append(f"| {case.name} | {size:.0f} | {' | '.join([*cells, *ratios])} |")
        print(lines[-1], flush=True)
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


def beside(folder: Path, other: Path) -> list[str]:
    """Return what reading takes in another tree and in this one."""
    lines = [
        (
            f"Logs of {OLDER_ROWS:,} rows: processor seconds of `read_log`, imports not counted, and peak of "
            "resident memory in MiB, in brackets beyond that of reading twelve rows, which is that of the "
            "libraries (pandas and pyarrow among them now); the other tree / this one, in fresh processes, "
            f"the better of two; load average {os.getloadavg()[0]:.0f}.\n"
        ),
        "| log | processor s | ratio | memory MiB | ratio |",
        "|---|---|---|---|---|",
    ]
    for name, path, options in _logs(folder, OLDER_ROWS):
        small = path.with_suffix(".small")
        with path.open() as log:
            small.write_text("".join(log.readline() for _ in range(13)))
        command = [sys.executable, "-c", READ, str(path), str(small), repr(options)]
        runs = []
        for tree in (other, HERE, other, HERE):
            environment = os.environ | {"PYTHONPATH": str(tree / "src"), "OMP_NUM_THREADS": "1"}
            told = subprocess.check_output(command, env=environment, text=True)
            runs.append([float(word) for word in told.split()])
        (old_s, old_base, old), (new_s, new_base, new) = np.min([runs[:2], runs[2:]], axis=0)
        lines.append(
            f"| {name} | {old_s:.2f} / {new_s:.2f} | {new_s / old_s:.2f} "
            f"| {old:.0f} ({old - old_base:.0f}) / {new:.0f} ({new - new_base:.0f}) "
            f"| {new / old:.2f} ({(new - new_base) / (old - old_base):.2f}) |"
        )
        print(lines[-1], flush=True)
        path.unlink()
    return lines


def _logs(folder: Path, rows: int) -> Iterator[tuple[str, Path, dict[str, Any]]]:
    generator = np.random.default_rng(1)
    moments = np.datetime64("2026-01-01T00:00:00") + np.arange(rows).astype("m8[s]")
    stamps = np.datetime_as_string(moments).tolist()
    hertz = [f"{f:.4f}" for f in (1e7 - 0.32 + 2e-4 * generator.standard_normal(rows)).tolist()]
    other = generator.permutation(np.arange(rows) % 2 == 1).tolist()
    other[:12] = [False] * 12
    path = folder / "log.csv"
    path.write_text("utc,frequency_hz\n" + "".join(f"{t}Z,{f}\n" for t, f in zip(stamps, hertz, strict=True)))
    yield "ISO stamps and hertz", path, {}
    path.write_text("frequency_hz\n" + "".join(f"{f}\n" for f in hertz))
    yield "hertz alone", path, {"interval_s": 1.0}
    path.write_text("unix_s frequency_hz\n" + "".join(f"{1767225600 + k} {f}\n" for k, f in enumerate(hertz)))
    yield "Unix seconds and hertz", path, {}
    lines = (f"{f}\n" + "ERR timeout\n" * odd for f, odd in zip(hertz, other, strict=True))
    path.write_text("frequency_hz\n" + "".join(lines))
    yield "hertz between half as many error lines", path, {"interval_s": 1.0, "bad_lines": "reject"}


def write_section(heading: str, lines: Sequence[str]) -> None:
    """Put a section into the page, where it replaces the one of that heading."""
    page = Path(__file__).with_suffix(".md")
    title, *sections = f"\n{page.read_text()}".split("\n## ") if page.exists() else ["\n# Reading text\n"]
    kept = {section.partition("\n")[0]: section.partition("\n")[2].strip() for section in sections}
    kept[heading] = "\n".join(lines)
    page.write_text(title.strip() + "\n" + "".join(f"\n## {name}\n\n{body}\n" for name, body in kept.items()))


def main() -> None:
    """Write one section of the page."""
    asked = sys.argv[1] if len(sys.argv) > 1 else ""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if Path(asked, "src").is_dir() and asked:
            write_section("Beside an earlier tree", beside(folder, Path(asked).resolve()))
        elif asked:
            write_section("Long logs in blocks", conversion(folder, int(float(asked))))
        else:
            lines = table(write_logs(folder, ROWS))
            write_section("Beside pandas", [*_introduction(), "", *lines])


def _introduction() -> list[str]:
    return [
        (
            f"pandas {pd.__version__}. Clean logs of {ROWS:,} rows, seconds of the best of {RUNS} runs in "
            f"turn, processor seconds in brackets; load average {os.getloadavg()[0]:.0f} on "
            f"{os.cpu_count()} processors, Python {platform.python_version()}, {platform.machine()}. "
            "'pandas, text' is its C parser on the text of the log in memory, 'text to columns' is "
            "evenbeat on the same, its layout detected and times read to the nanosecond. 'pandas' is "
            "`read_csv` on the file, which takes two threads and leaves times as they are written; 'with "
            "times' makes them datetime64, which is what compares with a record. 'columns' is evenbeat on"
            " the file with the SHA-256 of it and a check that it is text and did not change meanwhile; "
            "`read_log` is the whole way to a record on its grid. The last four columns are pandas' time "
            "by ours, in brackets by processor seconds: above 1 evenbeat is faster. It reads on two "
            "threads, which on a loaded machine have to share its processors."
        )
    ]


if __name__ == "__main__":
    main()
