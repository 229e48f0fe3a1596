"""The oracle: every number that the library gives today, for many inputs, frozen as JSON.

    python tests/oracle/make_oracle.py                          # every case: only for a new oracle
    python tests/oracle/make_oracle.py field-17-phase-step      # one case again
    python tests/oracle/make_oracle.py 'simulated-*' fleet      # those that match

One file for each case in ``numbers/``; ``test_oracle.py`` recomputes and compares them. The rule: a change
that means to keep the numbers leaves the files alone. A change that means to change a number regenerates its
cases in the same commit, whose message says which numbers moved and why. ``oracle_cases.py`` holds the cases,
``oracle_numbers.py`` takes the numbers out of the results: where a result is reshaped and its numbers stay,
only its line there follows.

Measured data are read from the folders named by ``EVENBEAT_OPEN_DATA`` and ``EVENBEAT_FIELD_LOGS``, or from
``shared/`` beside the checkout; cases whose folder is absent are left as they are.
"""

from __future__ import annotations

import fnmatch
import json
import math
import os
import sys
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from oracle_cases import CASES

HERE = Path(__file__).resolve().parent
NUMBERS = HERE / "numbers"
CHECKOUT = HERE.parents[1]


def plain(value: Any) -> Any:
    """Return dictionaries, lists and plain numbers."""
    if isinstance(value, Mapping):
        return {str(name): plain(each) for name, each in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(each) for each in value]
    return value


def computed(name: str, folder: Path) -> dict[str, Any]:
    """Return the numbers of a case as a user gets them: a warning of numpy on the way is no error."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return plain(CASES[name].compute(folder))


def text(value: Any, indent: str = "") -> str:
    """Return JSON with one key a line, keys in order, numbers to twelve digits."""
    if isinstance(value, dict):
        inner = indent + " "
        lines = [f"{inner}{json.dumps(key)}: {text(value[key], inner)}" for key in sorted(value)]
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}" if lines else "{}"
    if isinstance(value, list):
        rows = any(isinstance(each, list | dict) for each in value)
        return (
            "[" + (f",\n{indent} " if rows else ", ").join(text(each, indent + " ") for each in value) + "]"
        )
    if isinstance(value, float) and math.isfinite(value):
        return f"{value:.12g}"
    return json.dumps(value, ensure_ascii=False)


def folder_of(needs: str) -> Path:
    """Return where a kind of input is."""
    if needs == "demo_data":
        return CHECKOUT / "data"
    stated = os.environ.get(f"EVENBEAT_{needs.upper()}")
    return Path(stated) if stated else CHECKOUT.parent / "shared" / needs.replace("_", "-")


def main(patterns: Sequence[str]) -> int:
    """Write the cases that match, or all."""
    chosen = [name for name in CASES if not patterns or any(fnmatch.fnmatch(name, p) for p in patterns)]
    if not chosen:
        sys.stderr.write(f"no case matches {' '.join(patterns)}; there are: {', '.join(CASES)}\n")
        return 2
    NUMBERS.mkdir(exist_ok=True)
    for name in chosen:
        folder = folder_of(CASES[name].needs)
        if not folder.is_dir():
            sys.stderr.write(f"{name}: left as it is, because its folder {folder} is absent\n")
            continue
        (NUMBERS / f"{name}.json").write_text(text(computed(name, folder)) + "\n", encoding="utf-8")
        sys.stderr.write(f"{name}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
