"""Runs a command with a fault at every call that changes files, one after the other; prints what came of it.

``LD_PRELOAD=… python faulty_runs.py COMMAND FOLDER STEP`` with ``faulty_calls.c`` compiled. Everything is
imported and run once, then a process is forked for each fault: the disk is full from this call on, the call
alone fails, or the process ends there, a write half done. Afterwards the state must be the old or the new
one, and the next run must work.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib
import itertools
import json
import os
import re
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from borrowed import borrowed

import evenbeat as eb
from evenbeat.command.main import main

CALLS = ctypes.CDLL(None)
CALLS.faults_seen.restype = ctypes.c_char_p
KINDS = {"full disk": 1, "failing call": 2, "kill": 3}
KILLED = 137
LOG = "# nominal frequency: 10 MHz\nutc,frequency_hz\n"
HEADER = "instrument,date,as_found,as_left,standard_uncertainty,adjusted,tolerance\n"
State = Mapping[str, Any]


@dataclass(frozen=True)
class Case:
    """A command: how its folder is prepared, what is called, and what the folder then holds, item by item.

    ``state`` is called with nothing armed. ``again`` names the calls that must work after a fault.
    """

    prepare: Callable[[Path], None]
    words: Callable[[Path], list[str]]
    state: Callable[[Path], State]
    between: Callable[[State, State, State], str] = lambda old, new, seen: next(
        (item for item in seen if seen[item] not in (old.get(item), new.get(item))), ""
    )


def _log(path: Path, seed: int, rows: int = 60) -> None:
    noise = 1e-10 * np.random.default_rng(seed).standard_normal(rows)
    times = np.datetime64("2026-03-01T00:00:00") + np.arange(rows) * np.timedelta64(600, "s")
    lines = [f"{at}Z,{1e7 * (1 + 2e-9 + y):.4f}\n" for at, y in zip(times, noise, strict=True)]
    path.write_text(LOG + "".join(lines))


def _done(*words: object) -> None:
    with contextlib.redirect_stdout(None):
        status = main([str(word) for word in words])
    assert status == 0, words


def _bytes(path: Path) -> bytes | None:
    return path.read_bytes() if path.exists() else None


def _entries(folder: Path) -> list[tuple[str, str, str]]:
    register = eb.Register.open(folder / "r.sqlite")
    assert eb.register.verify_register(register).intact
    return [(entry.kind, entry.instrument, entry.content) for entry in register.entries()]


def _register(folder: Path) -> None:
    _done("register", "create", folder / "r.sqlite")
    _done("register", "add-instrument", folder / "r.sqlite", "auk", "--tolerance", "1e-8")
    rows = [f"tern {i},2024-0{k}-01,{k}e-9,,1e-10,no,1e-7\n" for i in range(40) for k in (1, 4, 7)]
    (folder / "table.csv").write_text(HEADER + "".join(rows))


def _fleet(folder: Path) -> None:
    _register(folder)
    few = "".join(f"auk {i},2024-0{k}-01,{k}e-9,,1e-10,no,1e-7\n" for i in range(2) for k in (1, 4, 7))
    (folder / "few.csv").write_text(HEADER + few)
    _done("register", "import", folder / "r.sqlite", folder / "few.csv")
    for name in ("due.csv", "due.html", "due.ics", "labels.txt"):
        (folder / name).write_text("old\n")


def _convert(folder: Path) -> None:
    _log(folder / "log.csv", 1)
    _log(folder / "other.csv", 2)
    for suffix in ("npy", "parquet"):
        _done("convert", folder / "other.csv", folder / f"out.{suffix}")


def _report(folder: Path) -> None:
    _log(folder / "log.csv", 1)
    _done("assess", folder / "log.csv", "--tolerance", "2e-8", "-o", folder / "report")
    (folder / "report" / "mine.txt").write_text("the user's\n")


def _report_state(folder: Path, name: str = "report") -> State:
    files = {file: _bytes(folder / name / file) for file in ("report.html", "report.pdf", "result.json")}
    return {"report": tuple(files.values()), "mine": _bytes(folder / name / "mine.txt")}


def _counter() -> Any:
    return borrowed("instruments/conftest.py").SimulatedCounter()


def _rows(folder: Path) -> list[int]:
    """Return the readings of all whole rows; every other whole line is a comment or names columns."""
    readings = []
    for part in sorted((folder / "bench").glob("bench-*.csv")):
        for line in part.read_text().splitlines(keepends=True):
            if line.endswith("\n") and line[0] == "2":
                assert re.fullmatch(r"20\S{24}Z,1\d{7}\.\d{3}\n", line), line
                readings.append(round((float(line.split(",")[1]) - 1e7) * 1000))
            assert line[0] in "#2" or line.startswith("utc,") or not line.endswith("\n"), line
    return readings


def _collected(folder: Path) -> State:
    rows = _rows(folder)
    assert all(b > a for a, b in itertools.pairwise(rows)), rows
    first = folder / "bench" / "bench-0001.csv"
    return {"rows": len(rows), "head": first.read_bytes()[:400] if first.exists() else None}


def _collect_between(old: State, new: State, seen: State) -> str:
    lost = seen["rows"] < old["rows"] or seen["rows"] > new["rows"]
    return "rows" if lost or seen["head"] != old["head"] else ""


def cases() -> dict[str, Case]:
    """Return every command with what it is tried on."""
    found = {
        "add": Case(
            _register,
            lambda f: [
                "register",
                "add-calibration",
                f / "r.sqlite",
                "auk",
                "--date",
                "2024-01-01",
                "--as-found",
                "in",
            ],
            lambda f: {"entries": _entries(f)},
        ),
        "import": Case(
            _register,
            lambda f: ["register", "import", f / "r.sqlite", f / "table.csv"],
            lambda f: {"entries": _entries(f)},
        ),
        "fleet": Case(
            _fleet,
            lambda f: [
                *("fleet", f / "r.sqlite", "--on", "2024-09-01", "--processes", "1", "--force", "--keep"),
                *(
                    "-o",
                    f / "due.csv",
                    "--page",
                    f / "due.html",
                    "--calendar",
                    f / "due.ics",
                    "--labels",
                    f / "labels.txt",
                ),
            ],
            lambda f: (
                {name: _bytes(f / name) for name in ("due.csv", "due.html", "due.ics", "labels.txt")}
                | {"entries": _entries(f)}
            ),
        ),
        "assess": Case(
            _report,
            lambda f: ["assess", f / "log.csv", "--tolerance", "1e-8", "-o", f / "report", "--force"],
            _report_state,
        ),
        "assess anew": Case(
            lambda f: _log(f / "log.csv", 1),
            lambda f: ["assess", f / "log.csv", "--tolerance", "1e-8", "-o", f / "report", "--force"],
            _report_state,
        ),
    }
    for suffix in ("npy", "parquet"):
        found[f"convert {suffix}"] = Case(
            _convert,
            lambda f, suffix=suffix: ["convert", f / "log.csv", f / f"out.{suffix}", "--force"],
            lambda f, suffix=suffix: {"out": _bytes(f / f"out.{suffix}")},
        )
    collect = [
        "collect",
        "frequency_query",
        "",
        "--interval",
        "0.002",
        "--rows",
        "3",
        "-q",
        "--set",
        "sync=0",
        "-o",
    ]
    if "collect" in sys.argv[1]:
        collect[2] = _counter().address
    found["collect"] = Case(
        lambda f: _done(*collect, f / "bench"),
        lambda f: [*collect, f / "bench"],
        _collected,
        _collect_between,
    )
    return found


def tried(folder: Path, words: list[str], kind: int, number: int) -> tuple[int, str, str]:
    """Run a command in a process of its own with a fault; return its status, complaint and calls."""
    note = folder.parent / "note.json"
    note.unlink(missing_ok=True)
    child = os.fork()
    if not child:
        status = 99
        try:
            with (
                (folder.parent / "said").open("w") as said,
                contextlib.redirect_stderr(said),
                contextlib.redirect_stdout(None),
            ):
                CALLS.faults_arm(str(folder).encode(), kind, number)
                status = main([str(word) for word in words])
                calls = CALLS.faults_seen().decode()
                CALLS.faults_arm(b"", 0, 0)
            note.write_text(calls)
        finally:
            os._exit(status)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return status, (folder.parent / "said").read_text(), note.read_text() if note.exists() else ""


def remember(module: str, name: str) -> None:
    """Let a function that takes long be computed once for every tolerance, footer or settings."""
    owner, kept = importlib.import_module(module), {}
    real = getattr(owner, name)

    def once(subject: Any, *more: Any, **options: Any) -> Any:
        key = str(
            [options.get("tolerance"), *(getattr(subject, name, "") for name in ("footer", "settings"))]
        )
        if key not in kept:
            kept[key] = real(subject, *more, **options)
        return kept[key]

    setattr(owner, name, once)


def run(case: Case, folder: Path, step: int) -> Iterator[str]:
    """Try a fault of every kind at every ``step``-th call; yield what failed, and how many were tried."""
    template, work = folder / "template", folder / "work"
    os.environ["EVENBEAT_STATE"] = str(work / "state")
    work.mkdir()
    case.prepare(work)
    shutil.copytree(work, template, symlinks=True)
    old = case.state(work)
    _done(*case.words(work))  # what is computed once is known to all that are forked
    shutil.rmtree(work)
    shutil.copytree(template, work, symlinks=True)
    status, said, calls = tried(work, case.words(work), 0, 0)
    assert status == 0, said
    new, names = case.state(work), calls.split()
    assert old != new
    usual = {path.name for path in work.rglob("*")} | {path.name for path in template.rglob("*")}
    count = 0
    for kind, code in KINDS.items():
        for number in range(1, len(names) + 1, step):
            shutil.rmtree(work)
            shutil.copytree(template, work, symlinks=True)
            status, said, made = tried(work, case.words(work), code, number)
            what, count = f"{kind} at call {number} of {len(names)} ({names[number - 1]}): ", count + 1
            if status == 0 and len(made.split()) < number:
                continue  # a collection writes as often as its clock says: this one ended before
            seen: State = {}
            try:
                seen = case.state(work)
                if item := case.between(old, new, seen):
                    yield f"{what}{item} is neither old nor new"
            except (AssertionError, OSError, sqlite3.Error, eb.EvenbeatError) as error:
                yield f"{what}the state cannot be read: {type(error).__name__} {error}"
            told = said.startswith("evenbeat: ") and said.count("\n") == 1
            good = {"kill": status == KILLED, "full disk": status == 0 or (status == 2 and told)}
            if not good.get(kind, status == 0 or (status == 2 and told)):
                yield f"{what}status {status}: {said[:300]!r}"
            if kind != "kill" and status == 0 and case.between(new, new, seen):
                yield f"{what}status 0, and not the new state"
            left = {path.name for path in work.rglob("*")} - usual
            if left and kind != "kill" and names[number - 1] not in ("unlink", "rmdir"):
                yield f"{what}left behind {sorted(left)}"
            status, said, _ = tried(work, case.words(work), 0, 0)
            if status != 0 and not (status == 2 and case.between(old, old, seen)):
                yield f"{what}the next run ends with {status}: {said[:300]!r}"
            elif (
                not case.between(old, old, seen) and case.between is Case.between and case.state(work) != new
            ):
                yield f"{what}the next run does not reach the new state"
    yield json.dumps({"calls": len(names), "tried": count, "names": names})


if __name__ == "__main__":
    remember("evenbeat.assessment.assess", "assess")
    for module, name in (
        ("log_report", "log_document"),
        ("history_report", "history_document"),
        ("page", "html_page"),
        ("pdf", "pdf_bytes"),
    ):
        remember(f"evenbeat.report.{module}", name)
    for told in run(cases()[sys.argv[1]], Path(sys.argv[2]), int(sys.argv[3])):
        print(told, flush=True)
