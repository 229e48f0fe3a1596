"""How far a reader must walk: files and functions of evenbeat that common questions enter.

Run ``python tests/benchmarks/walks.py``. Each question is asked twice, so that what is loaded or computed
only once is left out; a profiler follows the second time and counts the functions entered, their files, and
the hops from one file to another.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import evenbeat as eb
from evenbeat.command.main import main

CHECKOUT = Path(__file__).resolve().parents[2]
PACKAGE = str(Path(eb.__file__).parent)
DAY = 86400.0
FIRST = {
    "read a log of 720 lines": (40, 321, 6247),
    "modified Allan curve": (28, 219, 816),
    "fit, aging rate, holdover": (32, 237, 328),
    "interval": (37, 184, 1786),
    "assess kittiwake.csv.gz": (201, 1129, "not counted"),
}
"""Counted by the same profiler on the tree that ended the first round."""


def walked(question: Callable[[], object]) -> tuple[int, int, int]:
    """Return how many files and functions a question enters, and its hops between files."""
    entered: set[tuple[str, int]] = set()
    hops, here = 0, ""

    def follow(frame: FrameType, event: str, _: object) -> None:
        nonlocal hops, here
        code = frame.f_code
        if event == "call" and code.co_filename.startswith(PACKAGE) and not code.co_name.startswith("<"):
            entered.add((code.co_filename, code.co_firstlineno))
            hops += code.co_filename != here
            here = code.co_filename

    question()
    sys.setprofile(follow)
    try:
        question()
    finally:
        sys.setprofile(None)
    return len({name for name, _ in entered}), len(entered), hops


def questions() -> dict[str, Callable[[], object]]:
    """Return the questions by name."""
    levels = eb.NoiseLevels(white_fm=1e-22, random_walk_fm=1e-30)
    record = eb.simulate_clock(5000, interval_s=60, levels=levels, seed=1)
    model = eb.fit_clock(record)
    out = Path(tempfile.mkdtemp()) / "report"
    kittiwake = str(CHECKOUT / "data" / "kittiwake.csv.gz")

    def from_fit_to_holdover() -> None:
        fitted = eb.fit_clock(record)
        fitted.aging_rate()
        eb.predict_holdover(fitted, [DAY])

    return {
        "read a log of 720 lines": lambda: eb.read_log(CHECKOUT / "data" / "fulmar-evening.csv"),
        "modified Allan curve": lambda: eb.stability(record, "modified_allan"),
        "fit, aging rate, holdover": from_fit_to_holdover,
        "interval": lambda: eb.suggest_interval(model, tolerance=1e-9),
        "assess kittiwake.csv.gz": lambda: main(["assess", kittiwake, "-o", str(out), "--force"]),
    }


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    rows = {name: walked(question) for name, question in questions().items()}
    lines = [
        "# How far a reader must walk",
        "",
        "Files and functions of evenbeat that a question enters, and hops between files, when it is",
        "asked again; in brackets on the first round's tree. `python walks.py` writes this page.",
        "",
        "| question | files | functions | hops |",
        "|---|---|---|---|",
    ]
    for name, row in rows.items():
        cells = [f"{now} ({was})" for now, was in zip(row, FIRST[name], strict=True)]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")
