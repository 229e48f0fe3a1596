"""A collecting process that is stopped or killed, or meets a full disk, loses only the reading in flight."""

from __future__ import annotations

import itertools
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evenbeat.command.main import main

Rows = Callable[[Path], list[list[str]]]
LINE = re.compile(
    r"#.*|utc,frequency_Hz,room_temperature_c"
    r"|20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z,1\d{7}\.\d{3},(?:\+2\.150E\+01)?"
)
TEMPERATURE = "room_temperature_c=temperature_query@"


def started(counter: Any, folder: Path, *options: str, ahead: str = "") -> subprocess.Popen[str]:
    """Start the command in a process of its own."""
    script = f"import sys; {ahead}\nfrom evenbeat.command.main import main; sys.exit(main())"
    arguments = ["collect", "frequency_query", counter.address, "-o", str(folder), "--interval", "0.004"]
    return subprocess.Popen(
        [sys.executable, "-c", script, *arguments, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for_answers(counter: Any, process: subprocess.Popen[str], count: int) -> None:
    """Wait until the counter has answered so many queries in all."""
    limit = time.monotonic() + 60
    while len(counter.answered) < count:
        assert process.poll() is None, process.communicate()[1]
        assert time.monotonic() < limit
        time.sleep(0.002)


@pytest.mark.slow
@pytest.mark.parametrize("times", [3, pytest.param(100, marks=pytest.mark.slow)])
def test_killed_at_random_moments(times: int, counter: Any, tmp_path: Path, rows_in: Rows) -> None:
    """Kill -9 again and again: at most one reading lost each time, none repeated, and the log reads."""
    random = np.random.default_rng(times)
    folder = tmp_path / "bench"
    for _ in range(times):
        beside = ("--beside", TEMPERATURE + counter.address)
        process = started(counter, folder, "--set", "sync=0", "--set", "part_size=20000", *beside)
        wait_for_answers(counter, process, len(counter.answered) + int(random.integers(1, 60)))
        time.sleep(float(random.uniform(0.0, 0.008)))
        process.kill()
        process.communicate()
    time.sleep(0.2)
    logged = [round((float(row[1]) - 1e7) * 1000) for row in rows_in(folder)]
    lost = sorted(set(counter.answered) - set(logged))

    assert all(b > a for a, b in itertools.pairwise(logged))
    assert len(lost) <= times
    assert set(logged) <= set(counter.answered)
    assert all(len(row) == 3 for row in rows_in(folder))
    content = "".join(part.read_text() for part in folder.glob("*.csv"))
    assert "torn" not in content
    assert all(LINE.fullmatch(line) for line in content.splitlines())


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_clean_stop_on_a_signal(number: int, counter: Any, tmp_path: Path, rows_in: Rows) -> None:
    """The reading in flight is logged, the end is told, and the status is 0."""
    process = started(counter, tmp_path / "bench")
    wait_for_answers(counter, process, 30)
    process.send_signal(number)
    out, error = process.communicate(timeout=20)
    rows = rows_in(tmp_path / "bench")

    assert process.returncode == 0
    assert error == ""
    assert len(rows) == len(counter.answered)
    assert f"{len(rows)} rows collected" in " ".join(out.split())
    assert "collection ends (asked to stop)" in (tmp_path / "bench" / "bench-0001.csv").read_text()
    assert "state: asked to stop" in (tmp_path / "bench" / "heartbeat.txt").read_text()


@pytest.mark.slow
def test_stop_does_not_wait_for_a_silent_instrument(counter: Any, tmp_path: Path) -> None:
    """An instrument that owes an answer for half a minute does not delay the stop beyond the grace of 2 s."""
    counter.behave = lambda k: [] if k == 5 else [(0.0, b"10000000.0\n")]
    process = started(counter, tmp_path / "bench")
    wait_for_answers(counter, process, 6)
    begun = time.monotonic()
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)

    assert process.returncode == 0
    assert time.monotonic() - begun < 6.0


@pytest.mark.slow
def test_full_disk_ends_with_one_sentence(counter: Any, tmp_path: Path, rows_in: Rows) -> None:
    """A limit on file size stands for a full disk: status 2, one sentence, whole rows; then it resumes."""
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000))"
    process = started(counter, tmp_path / "bench", ahead=limit)
    _, error = process.communicate(timeout=60)
    before = (tmp_path / "bench" / "bench-0001.csv").read_bytes()

    assert process.returncode == 2
    assert error.count("\n") == 1
    assert error.startswith("evenbeat: ")
    assert "the log cannot be written (File too large); all rows before are whole" in error
    assert before.endswith(b"\n")

    answered, kept = len(counter.answered), len(rows_in(tmp_path / "bench"))
    assert kept in {answered - 1, answered}  # the write refused was a row or, on a late schedule, a remark
    process = started(counter, tmp_path / "bench", "--rows", "5")
    assert process.wait(timeout=60) == 0
    process.communicate()
    logged = [round((float(row[1]) - 1e7) * 1000) for row in rows_in(tmp_path / "bench")]
    assert (tmp_path / "bench" / "bench-0001.csv").read_bytes().startswith(before)
    assert logged == [*range(kept), *range(answered, answered + 5)]


def test_bad_input_gets_status_2(counter: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown description: one sentence and nothing left behind."""
    assert main(["collect", "nothing", counter.address, "-o", str(tmp_path / "bench")]) == 2

    error = capsys.readouterr().err
    assert error.startswith("evenbeat: nothing: there is no such file; give one or a name of ")
    assert error.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
