"""A disk that fills up, a call that fails, a process that ends, at every call that changes files."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
COMMANDS = ("add", "import", "convert npy", "convert parquet", "collect", "fleet", "assess", "assess anew")


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the compiled shim, or skip where it cannot be made or loaded."""
    compiler = shutil.which("gcc")
    if compiler is None or not sys.platform.startswith("linux"):
        pytest.skip("the shim needs Linux and gcc")
    library = tmp_path_factory.mktemp("shim") / "faulty_calls.so"
    subprocess.run(
        [compiler, "-O1", "-Wall", "-shared", "-fPIC", "-o", library, HERE / "faulty_calls.c", "-ldl"],
        check=True,
    )
    return library


def check(command: str, shim: Path, folder: Path, step: int) -> int:
    """Try the command, and return how many faults were tried."""
    environment = os.environ | {"LD_PRELOAD": str(shim), "OMP_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, str(HERE / "faulty_runs.py"), command, str(folder), str(step)],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    *failed, last = done.stdout.splitlines()
    assert failed == []
    told = json.loads(last)
    assert told["tried"] >= 3 * (told["calls"] // step) > 0
    return told["tried"]


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    "step", [pytest.param(5, marks=pytest.mark.slow), pytest.param(1, marks=pytest.mark.long)]
)
def test_a_fault_at_every_call(command: str, step: int, shim: Path, tmp_path: Path) -> None:
    """Old state or new state, nothing between, one sentence, nothing left behind, and the next run works."""
    assert check(command, shim, tmp_path, step) > 15 // step
