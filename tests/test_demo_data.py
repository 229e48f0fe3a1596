"""The demo data are what their sheet and their truth say, and come out of the committed script."""

from __future__ import annotations

import gzip
import hashlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).resolve().parents[1] / "data"
TRUTH = json.loads((DATA / "truth.json").read_text(encoding="utf-8"))["files"]


def text_of(path: Path) -> bytes:
    """Return the bytes of the text, decompressed where needed."""
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()


def columns(name: str, *, first: int) -> np.ndarray:
    """Return the numeric columns of a log from the given column on, shape (rows, columns)."""
    lines = [line for line in text_of(DATA / name).decode().splitlines() if not line.startswith("#")]
    return np.array([line.split(",")[first:] for line in lines[1:]], dtype=float)


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_file_is_the_one_described(name: str) -> None:
    """Size and hashes are those of truth.json, and the sheet states the same hash."""
    content = (DATA / name).read_bytes()

    assert len(content) == TRUTH[name]["size_bytes"]
    assert hashlib.sha256(content).hexdigest() == TRUTH[name]["sha256"]
    assert hashlib.sha256(text_of(DATA / name)).hexdigest() == TRUTH[name]["text_sha256"]
    assert TRUTH[name]["sha256"] in (DATA / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_file_says_that_it_is_invented(name: str) -> None:
    """The first line says so, before anything else."""
    assert text_of(DATA / name).startswith(b"# Invented demonstration data: simulated, not measured.")


def test_the_logs_are_small_enough_for_git() -> None:
    """All files together stay below 5 MB."""
    assert sum(path.stat().st_size for path in DATA.iterdir() if path.is_file()) < 5e6


def test_small_counter_shows_few_values() -> None:
    """The two-week log has two to six distinct readings, as counted in the truth; the evening has one."""
    values, counts = np.unique(columns("fulmar.csv.gz", first=1), return_counts=True)

    assert {f"{v:.1f}": int(c) for v, c in zip(values, counts, strict=True)} == TRUTH["fulmar.csv.gz"][
        "truth"
    ]["distinct_readings_hz"]
    assert 2 <= len(values) <= 6
    assert set(columns("fulmar-evening.csv", first=1).ravel()) == {10000000.3}


def test_sign_of_the_counter_that_reads_its_reference() -> None:
    """A reading above nominal is a slow timebase: y = f_ref/f_read - 1 (definition of the reading)."""
    readings = columns("fulmar.csv.gz", first=1).ravel()
    truth = TRUTH["fulmar.csv.gz"]["truth"]

    assert 1e7 / readings[-360:].mean() - 1 == pytest.approx(
        truth["timebase_fractional_frequency_last_hour"], abs=5e-9
    )


def test_disciplined_oscillator_holds_then_runs_away() -> None:
    """Within 30 ns while locked, by the stated microseconds at the end of the holdover."""
    phase = columns("gannet.csv.gz", first=1).ravel()
    gained = TRUTH["gannet.csv.gz"]["truth"]["time_error_gained_in_holdover_ns"]["48 h"]

    assert np.abs(phase[:86401]).max() < 30
    assert phase[-1] - phase[86400] == pytest.approx(gained, abs=5)
    assert gained > 2000


@pytest.mark.slow
def test_the_script_makes_the_same_text(tmp_path: Path) -> None:
    """Run anew, the script writes the same text, byte for byte."""
    subprocess.run([sys.executable, DATA / "make_demo_data.py", tmp_path], check=True, capture_output=True)

    for name in TRUTH:
        assert text_of(tmp_path / name) == text_of(DATA / name), name
