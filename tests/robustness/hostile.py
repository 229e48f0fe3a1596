"""Names and remarks that would run, steer a terminal or break a line, brought into every page and print."""

from __future__ import annotations

import re
from pathlib import Path

import evenbeat as eb

TEXTS = (
    "<script>window.struck = 1</script>",
    '"><img src=x onerror="window.struck = 1">',
    "' onmouseover='window.struck = 1' x='",
    "</style></title></script><svg onload=window.struck=1>",
    "javascript:window.struck=1//",
    "{{ 7 * 7 }}{% raw %}${7*7}",
    "\x1b[2J\x1b]0;struck\x07\x9b31m",
    "\u202egnp.exe\u2066\u200f",
    "$\\frac{1}{$ ^_ \\input{x}",
    "\U0001f602 \ue000 漢字 \u0301\u0489 \U000e0041",
    "=1+1|calc!A1",
    "'); DROP TABLE entries; --",
    "%s %n %(x)s {0}",
)
LISTS = {"--page": "due.html", "-o": "due.csv", "--calendar": "due.ics", "--labels": "labels.txt"}
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
"""What a terminal would obey; line feeds and tabs apart."""
DUE = ["--on", "2026-03-01", "--processes", "1"]


def printable(text: str) -> bool:
    """Return whether a register takes it for a name: others are refused."""
    return not any(ord(letter) < 32 for letter in text)


def register(folder: Path, texts: tuple[str, ...]) -> Path:
    """Return a register whose instruments, people, places and remarks are the texts."""
    path = folder / "workshop.sqlite"
    kept = eb.Register.create(path, who=texts[0], role=texts[-1])
    for text in texts:
        kept.add_instrument(text, tolerance=1e-7, place=text, remark=text, model=text)
        for month in (1, 9):
            kept.add_calibration(
                text,
                date=f"2025-0{month}-01",
                as_found=1e-9 * month,
                standard_uncertainty=1e-10,
                remark=text,
                certificate=text,
            )
    return path


def outputs(folder: Path) -> list[str]:
    """Return the options by which every list is written into a folder."""
    return [word for option, name in LISTS.items() for word in (option, str(folder / name))]
