"""The house from outside: a light import, every file had by its name, one version, a relative approx.

Which room may import which, and what the library never does, are rules of the linters (pyproject.toml).
"""

from __future__ import annotations

import importlib.metadata
import pkgutil
import subprocess
import sys

import numpy as np
import pytest

import evenbeat


def test_every_file_can_be_imported_by_its_name() -> None:
    """``import evenbeat.room.file as x`` gives the file, whatever else is named alike."""
    files = [file.name for file in pkgutil.walk_packages(evenbeat.__path__, "evenbeat.")]
    names = [name for name in files if "__main__" not in name]
    for name in names:
        had: dict[str, object] = {}
        exec(f"import {name} as module", had)
        assert had["module"] is sys.modules[name], name

    assert len(names) > 100


def test_functions_are_had_whatever_is_imported_first() -> None:
    """A room and a function never share a name, so an import of a file hides no public function."""
    program = (
        "import inspect, pickle\n"
        "import evenbeat.deviations.curve, evenbeat.second_opinion\n"
        "import evenbeat as eb\n"
        "assert inspect.isfunction(eb.stability) and inspect.isfunction(eb.crosscheck)\n"
        "assert pickle.loads(pickle.dumps(eb.stability)) is eb.stability"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr


def test_version_stands_in_one_place() -> None:
    """The installed package, ``python -m evenbeat --version`` and the library agree."""
    done = subprocess.run(
        [sys.executable, "-m", "evenbeat", "--version"], capture_output=True, text=True, check=True
    )

    assert done.stdout == f"evenbeat {evenbeat.__version__}\n"
    assert importlib.metadata.version("evenbeat") == evenbeat.__version__


def test_import_is_light() -> None:
    """Importing evenbeat brings in no drawing, table, notebook or check library.

    Using the foundations imports none either but scipy, nor does the name of ``plot`` a drawing one.
    """
    script = (
        "import sys, evenbeat as eb\n"
        "heavy = {'matplotlib', 'pandas', 'IPython', 'ipykernel', 'jupyterlab', 'ipywidgets', 'allantools'}\n"
        "print(*(heavy | {'scipy'}) & set(sys.modules), file=sys.stderr)\n"
        "print(eb.simulate_clock(99, interval_s=1, levels=eb.NoiseLevels(flicker_fm=1e-22), seed=1))\n"
        "print(*heavy & set(sys.modules), file=sys.stderr)\n"
        "eb.plot\n"
        "print(*{'matplotlib'} & set(sys.modules), file=sys.stderr)"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stderr.split() == []
    assert "Record of 99 fractional frequencies" in done.stdout


def test_a_log_is_assessed_without_slow_imports() -> None:
    """The verdict on a day at 1 s waits as long for imports as for numbers: optimizers take a sixth of it."""
    script = (
        "import sys, evenbeat as eb\n"
        "levels = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)\n"
        "print(eb.assess(eb.simulate_clock(600, interval_s=60, levels=levels, seed=1)))\n"
        "slow = {'scipy.optimize', 'scipy.stats', 'scipy.integrate', 'pandas', 'matplotlib'}\n"
        "print(*slow & set(sys.modules), file=sys.stderr)"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stderr.split() == []
    assert "aging" in done.stdout


def test_approx_is_relative() -> None:
    """Values of the size of a variance are told apart by the tests; see conftest.py."""
    assert pytest.approx(2e-22) != 1e-22
    assert pytest.approx([2e-22]) != [1e-22]
    assert pytest.approx(np.array([2e-22]), rel=1e-3) != np.array([1e-22])
    assert pytest.approx(2e-22) == 2e-22 * (1 + 1e-9)
