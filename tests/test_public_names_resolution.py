"""``evenbeat.stability`` and ``evenbeat.crosscheck`` are functions, whatever is imported in which order."""

from __future__ import annotations

import itertools
import subprocess
import sys

import pytest

STATEMENTS = [
    "import evenbeat.stability",
    "import evenbeat.crosscheck",
    "import evenbeat.stability.curve",
    "from evenbeat.stability import covariance",
    "from evenbeat.crosscheck import Crosscheck",
    "import evenbeat as eb; eb.stability; eb.crosscheck",
    "from evenbeat import stability, crosscheck",
]
CHECK = """
import inspect, pickle, sys
import evenbeat as eb
assert inspect.isfunction(eb.stability) and eb.stability.__name__ == "stability"
assert inspect.isfunction(eb.crosscheck) and eb.crosscheck.__name__ == "crosscheck"
assert inspect.ismodule(sys.modules["evenbeat.stability"])
assert inspect.ismodule(sys.modules["evenbeat.crosscheck"])
assert pickle.loads(pickle.dumps(eb.stability)) is eb.stability
"""


def run(program: str) -> subprocess.CompletedProcess[str]:
    """Run a program in a fresh interpreter."""
    return subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("first", STATEMENTS)
def test_functions_win_whatever_is_imported_first(first: str) -> None:
    """In a fresh interpreter, with any of the imports first, both names are the functions."""
    outcome = run(first + CHECK)

    assert outcome.returncode == 0, outcome.stderr


def test_all_imports_one_after_the_other() -> None:
    """The names hold after every statement in several permutations within one interpreter each."""
    for shuffled in itertools.islice(itertools.permutations(STATEMENTS), 0, 5040, 1260):
        outcome = run("\n".join(statement + CHECK for statement in shuffled))
        assert outcome.returncode == 0, outcome.stderr


def test_import_stays_light() -> None:
    """Loading the two rooms at once imports neither numpy nor anything heavier."""
    outcome = run(
        "import sys, evenbeat\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'allantools', 'jinja2'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    assert outcome.returncode == 0, outcome.stderr
