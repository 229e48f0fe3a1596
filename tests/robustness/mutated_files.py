"""Damaged files of every format: whatever they hold, a result or one sentence of ours.

``python tests/robustness/mutated_files.py FIRST COUNT`` runs some of the mutations and prints what failed.
The same number is the same file, byte for byte, on any day: no specimen holds the time it was made.
"""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
import re
import shutil
import sys
import tempfile
import time
import warnings
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from borrowed import borrowed
from random_logs import WAYS, said_of, written

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.report.recomputed import verify_record

LONGEST_S, MOST_MB = 20.0, 800  # beside what the process holds already
NUMBER = re.compile(rb"\d+(?:\.\d+)?")
ODD = [
    *(b"1e308", b"-1e308", b"1e-320", b"nan", b"inf", b"-0", b"", b"9" * 400, b"0x1p9", b"1e99999", b"1_0"),
    *(
        b"\x00",
        b"\xff\xfe",
        b"\xe2\x80\xae",
        b"\x1b[2J",
        b"\r",
        b"\n\n",
        b"\t",
        b'"',
        b"'",
        b"[" * 3000,
        b"{",
        b"= ",
        b",",
    ),
]
SPECIFICATION = b"""name = "recorder"

[[line]]
quantity = "aging_per_day"
limit = 5e-10

[[line]]
quantity = "aging_per_day"
limit = [-1e-10, 2e-10]
"""
BENCH = b"""nominal_frequency = "10 MHz"
interval = "1 s"
quantity = "fractional_frequency"
unit = "1"
tolerance = "2 ppb"
reliability = 0.9
reference = "rubidium R-2"
reference_uncertainty = "0.02 ppb"
oscillator_class = "oven"

[beside]
room_c = "temperature_query@tcp://192.0.2.10:5025"
"""


def _text_log(rng: np.random.Generator) -> bytes:
    way = {name: each[rng.integers(len(each))] for name, each in WAYS.items()} | {"pack": bytes}
    return written([f"{value:.9e}" for value in 1e-9 * rng.standard_normal(30)], way)


def _zip(content: bytes) -> bytes:
    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("log.csv"), content)
    return memory.getvalue()


class Specimens:
    """Sound files of every format, in a folder; each with what opens it."""

    def __init__(self, folder: Path) -> None:
        import h5py
        import pandas as pd

        self.folder, exchange = folder, borrowed("logs/test_exchange_formats.py")
        clock = folder / "log.csv"
        noise = 1e-9 * np.random.default_rng(1).standard_normal(40)
        clock.write_text("fractional_frequency\n" + "".join(f"{value:.12e}\n" for value in noise))
        frame = pd.DataFrame(
            {"utc": pd.date_range("2026-03-01", periods=40, freq="s", tz="UTC"), "time_error_s": noise}
        )
        frame.to_parquet(folder / "p")
        np.save(folder / "n.npy", noise)
        with h5py.File(folder / "h", "w") as file:
            file.create_dataset("time_error_s", data=noise, compression="gzip")
        table = Path(__file__).parents[2] / "data" / "kittiwake-history.csv"
        self.table = Path(shutil.copy(table, folder / "history.csv"))
        fleet = table.with_name("fleet-history.csv").read_bytes()
        register = eb.Register.create(folder / "r.sqlite", who="me")
        with mock.patch("evenbeat.register.register.datetime") as clock_of_the_register:
            clock_of_the_register.now.return_value = datetime(2026, 3, 1, tzinfo=UTC)
            register.add_instrument("kittiwake", tolerance=1e-8)
            for month in (1, 4, 7):
                register.add_calibration(
                    "kittiwake", date=f"2025-0{month}-01", as_found=1e-9 * month, standard_uncertainty=1e-10
                )

        def log(path: Path) -> Any:
            stated = {
                ".clk": {"clock": "TERN"},
                ".npy": {"quantity": "phase", "unit": "s", "interval_s": 1.0},
            }
            usual = {} if "cctf" in path.name or "cggtts" in path.name else {"interval_s": 1.0}
            record = eb.read_log(path, bad_lines="reject", **stated.get(path.suffix, usual))
            record.to_dict()
            return record

        def look(path: Path) -> Any:
            return str(eb.inspect_log(path, interval_s=1.0))

        def beside(path: Path) -> Any:
            return str(eb.read_log(clock, layout=path))

        def opened(path: Path) -> Any:
            found = eb.Register.open(path)
            str(eb.register.verify_register(found))
            return [entry.to_dict() for entry in found.entries()], eb.assess_fleet(
                path, on="2026-01-01"
            ).to_dict()

        def brought(path: Path) -> Any:
            new = path.with_name("new.sqlite")
            new.unlink(missing_ok=True)
            return str(eb.register.import_table(eb.Register.create(new), path))

        self.kinds: list[tuple[str, Callable[[np.random.Generator], bytes], Callable[[Path], Any]]] = [
            ("log.txt", _text_log, log),
            ("log.txt", _text_log, look),
            ("log.gz", lambda rng: gzip.compress(_text_log(rng), mtime=0), log),
            ("log.xz", lambda rng: lzma.compress(_text_log(rng)), log),
            ("log.bz2", lambda rng: bz2.compress(_text_log(rng)), log),
            ("log.zip", lambda rng: _zip(_text_log(rng)), log),
            ("log.clk", lambda _: exchange.rinex({"G01": 1e-4, "TERN": -2e-7}).encode(), log),
            ("log.cggtts", lambda _: exchange.cggtts().encode(), log),
            ("log.cctf", lambda _: exchange.two_frequencies().encode(), log),
            ("log.npy", lambda _: (folder / "n.npy").read_bytes(), log),
            ("log.parquet", lambda _: (folder / "p").read_bytes(), log),
            ("log.h5", lambda _: (folder / "h").read_bytes(), log),
            ("bench.toml", lambda _: BENCH, beside),
            ("spec.toml", lambda _: SPECIFICATION, eb.calibration.Specification.from_toml),
            ("r.sqlite", lambda _: (folder / "r.sqlite").read_bytes(), opened),
            (
                "history.csv",
                lambda _: table.read_bytes(),
                lambda path: str(eb.CalibrationHistory.from_table(path)),
            ),
            ("fleet.csv", lambda _: fleet, brought),
            (
                "result.json",
                lambda _: self.audit_record.read_bytes(),
                lambda path: str(verify_record(path, [self.table])),
            ),
        ]

    @cached_property
    def audit_record(self) -> Path:
        """The record of a history."""
        with contextlib.redirect_stdout(None):
            words = [
                "history",
                str(self.table),
                "--tolerance",
                "1e-8",
                "--set",
                "analysed_on=2026-03-01",
                "--set",
                "pdf=no",
            ]
            assert main([*words, "-o", str(self.folder / "record")]) == 0
        return self.folder / "record" / "result.json"


def mutated(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a file with one to four injuries."""
    for _ in range(rng.integers(1, 5)):
        size = max(1, len(content))
        place, length = int(rng.integers(size)), int(rng.integers(1, 2 + min(size, 200)))
        other, what = int(rng.integers(size)), rng.integers(9)
        if what == 0:
            content = (
                content[:place]
                + bytes([content[place] ^ (1 << rng.integers(8))] if content else b"\1")
                + content[place + 1 :]
            )
        elif what == 1:
            content = content[:place] + rng.bytes(length) + content[place + length :]
        elif what == 2:
            content = content[:place] + content[place + length :]
        elif what == 3:
            content = content[:place] + content[other : other + length] + content[place:]
        elif what == 4:
            content = (
                content[:place] if rng.random() < 0.3 else content[place:] if rng.random() < 0.1 else content
            )
        elif what == 5:
            content = content[:place] + ODD[rng.integers(len(ODD))] + content[place:]
        elif numbers := list(NUMBER.finditer(content)):
            found = numbers[rng.integers(len(numbers))]
            content = content[: found.start()] + ODD[rng.integers(len(ODD))] + content[found.end() :]
    return content


def peak_mb(*, anew: bool = False) -> int:
    """Return the most memory held since this was last asked anew; 0 where the system cannot tell."""
    if not sys.platform.startswith("linux"):
        return 0
    if anew:
        Path("/proc/self/clear_refs").write_text("5")
    return int(Path("/proc/self/status").read_text().partition("VmHWM:")[2].split()[0]) // 1024


def run(seed: int, specimens: Specimens) -> list[str]:
    """Return everything that failed with one mutation."""
    rng = np.random.default_rng([20, seed])
    name, sound, opens = specimens.kinds[seed % len(specimens.kinds)]
    path = specimens.folder / "mutated" / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(mutated(sound(rng), rng))
    begun, before_mb, failed = time.process_time(), peak_mb(anew=True), []
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            opens(path)
        except eb.EvenbeatError as error:
            if "\n" in str(error):
                failed.append(f"more than a line: {error}")
        except Exception as error:
            failed.append(said_of(error))
    spent, memory = time.process_time() - begun, peak_mb() - before_mb
    if spent > LONGEST_S or memory > MOST_MB:
        failed.append(f"took {spent:.0f} s and {memory} MB")
    return [f"mutation {seed} of {name}: {fault}" for fault in failed]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as kept:
        sound = Specimens(Path(kept))
        for number in range(int(sys.argv[1]), int(sys.argv[1]) + int(sys.argv[2])):
            for told in run(number, sound):
                print(told, flush=True)
