"""What a contributor meets first: tests that test this checkout, and pins for all that it needs."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from itertools import chain
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_a_copy_elsewhere_is_not_tested(tmp_path: Path) -> None:
    """Where the interpreter finds another evenbeat first, pytest refuses in one sentence that names both."""
    copy = tmp_path / "evenbeat" / "__init__.py"
    copy.parent.mkdir()
    copy.touch()

    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-n", "0", "tests/core"],
        cwd=CHECKOUT,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 4
    assert done.stdout == ""
    assert f"the tests are those of {CHECKOUT / 'src'}, but {sys.executable} finds" in done.stderr
    assert f"finds evenbeat in {copy}; in {CHECKOUT} run pip install -e" in done.stderr
    assert len(done.stderr.split("\n\n")[0].splitlines()) == 1


def test_everything_needed_is_pinned_for_ci() -> None:
    """.ci/constraints.txt holds every package that pyproject.toml names; no run of CI resolves it anew."""
    stated = chain(PROJECT["dependencies"], *PROJECT["optional-dependencies"].values())
    needed = {re.split(r"[><=]", requirement)[0].replace("_", "-") for requirement in stated}
    pinned = re.findall(r"^([^=]+)==", (CHECKOUT / ".ci" / "constraints.txt").read_text(), re.MULTILINE)

    assert needed
    assert needed <= set(pinned)


def test_the_stated_pythons_are_those_that_ci_looks_for() -> None:
    """Classifiers promise no Python on which .ci/run would not run the tests where it is there."""
    promised = {c.rpartition(" ")[2] for c in PROJECT["classifiers"] if "Python :: 3." in c}
    looked_for = re.search(r"for version in ([\d. ]+);", (CHECKOUT / ".ci" / "run").read_text())

    assert looked_for
    assert promised == set(looked_for[1].split())
