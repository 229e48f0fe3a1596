"""Random logs and damaged files: a result whose numbers hold together, or one sentence of ours."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import mutated_files
import numpy as np
import pytest
import random_logs

HERE = Path(__file__).parent
FAILED_ONCE = (1868, 2138, 2753, 4429)
"""Mutations that once failed: JSON of an entry, a table's form, numbers and exponents beyond arithmetic."""
FOUND = (21, 37, 2359)
"""Logs that once failed: values too large, a probability above one, equal terms; the slow form holds 15."""


@pytest.mark.parametrize("seed", FOUND)
def test_logs_that_once_failed(seed: int, tmp_path: Path) -> None:
    """Each from reading to the interval."""
    assert random_logs.run(seed, tmp_path) == []


def test_the_campaign_sees_what_is_wrong() -> None:
    """A probability above one, a number without end, crossed limits."""
    crossed = SimpleNamespace(
        low=np.array([1.0, 2.0]), deviation=np.array([2.0, 1.9]), high=np.array([3.0, 3.0])
    )
    wrong = [{"probability": 1.0000001}, {"time": math.inf}, crossed]
    told = [list(random_logs.faults_of("x", result)) for result in wrong]
    assert [len(each) for each in told] == [1, 1, 1]
    assert told[:2] == [["x.probability is 1.0000001"], ["x.time is inf without a finding"]]
    assert list(random_logs.faults_of("x", {"probability": 1.0, "time": 3.0})) == []


@pytest.fixture(scope="module")
def specimens(tmp_path_factory: pytest.TempPathFactory) -> mutated_files.Specimens:
    """Return sound files of every format."""
    pytest.importorskip("h5py")
    pytest.importorskip("pyarrow")
    return mutated_files.Specimens(tmp_path_factory.mktemp("specimens"))


def test_undamaged_files_open(specimens: mutated_files.Specimens) -> None:
    """Each is something to be damaged."""
    for name, sound, opens in specimens.kinds[:-1]:
        path = specimens.folder / name
        path.write_bytes(sound(np.random.default_rng(1)))
        assert opens(path)


@pytest.mark.slow
def test_a_number_makes_the_same_file_again(specimens: mutated_files.Specimens, tmp_path: Path) -> None:
    """Made in another folder at another time: what failed once can be looked at."""
    others = mutated_files.Specimens(tmp_path)
    for (name, sound, _), (_, again, _) in zip(specimens.kinds, others.kinds, strict=True):
        assert sound(np.random.default_rng(1)) == again(np.random.default_rng(1)), name


@pytest.mark.parametrize(
    "seed", [*range(17), *(pytest.param(seed, marks=pytest.mark.slow) for seed in FAILED_ONCE)]
)
def test_one_mutation_of_every_format(seed: int, specimens: mutated_files.Specimens) -> None:
    """Text, packed text, exchange formats, columns, bench files, registers and tables."""
    assert mutated_files.run(seed, specimens) == []


@pytest.mark.timeout(4 * 3600)
@pytest.mark.parametrize(
    ("script", "count"),
    [
        pytest.param("random_logs.py", 30, marks=pytest.mark.slow),
        pytest.param("mutated_files.py", 1200, marks=pytest.mark.long),
        pytest.param("random_logs.py", 5000, marks=pytest.mark.long),
        pytest.param("mutated_files.py", 10_000, marks=pytest.mark.long),
    ],
)
def test_the_campaign(script: str, count: int) -> None:
    """Two processes, each half of it; each prints what failed, with the number that makes it again."""
    half = count // 2
    halves = [
        subprocess.Popen(
            [sys.executable, str(HERE / script), str(first), str(half)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=os.environ | {"OMP_NUM_THREADS": "1"},
        )
        for first in (0, half)
    ]
    assert [(process.communicate()[0], process.returncode) for process in halves] == [("", 0)] * 2
