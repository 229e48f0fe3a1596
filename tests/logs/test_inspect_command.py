"""``evenbeat inspect`` and ``convert``: what they print, their exit status, and what they leave behind."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

TABLE = "elapsed_s,phase_s\n" + "".join(f"{10 * k},{k % 7}e-9\n" for k in range(30))


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Return a plain log."""
    path = tmp_path / "log.csv"
    path.write_text(TABLE)
    return path


def test_inspect_shows_how_a_log_is_read(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The ways to read it, what each column is and why, and the rejected lines stand in the text."""
    assert main(["inspect", str(log)]) == 0
    shown = capsys.readouterr()
    assert "1. cells separated by comma, decimal point, 2 columns" in shown.out
    assert "the name says phase in s" in shown.out
    assert " accepted, " in shown.out
    assert not shown.err


def test_inspect_of_an_unclear_log_ends_with_status_two(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the log needs is one line on the error stream, with line number and option."""
    log.write_text(TABLE.replace("phase_s", "reading"))
    assert main(["inspect", str(log)]) == 2
    shown = capsys.readouterr()
    assert shown.err.count("\n") == 1
    assert "line 2: nothing says whether the small readings of column 'reading'" in shown.err
    assert "--quantity phase" in shown.err
    assert "undecided" not in shown.out  # its columns are known, only their meaning is not


def test_inspect_as_json_and_its_layout(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON holds everything; the written layout reads the log and is not overwritten unasked."""
    layout = log.parent / "bench.toml"
    assert main(["inspect", str(log), "--json", "--write-bench", str(layout)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["readable"]
    assert [column["taken_for"] for column in told["columns"]] == ["time", "the clock"]
    np.testing.assert_array_equal(eb.read_log(log, layout=layout).values, eb.read_log(log).values)
    assert main(["inspect", str(log), "--write-bench", str(layout)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_convert_writes_columns_or_nothing(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A good log becomes a file; a bad one ends with status 2 and leaves none."""
    new = log.parent / "log.npy"
    assert main(["convert", str(log), str(new)]) == 0
    assert "30 rows of log.csv written to log.npy" in capsys.readouterr().out
    np.testing.assert_array_equal(eb.read_log(new).values, eb.read_log(log).values)
    log.write_text(TABLE + "oops,1\n")
    assert main(["convert", str(log), str(log.parent / "other.npy")]) == 2
    assert "line 32: 'oops'" in capsys.readouterr().err
    assert sorted(path.name for path in log.parent.iterdir()) == ["log.csv", "log.npy"]


@pytest.mark.parametrize(
    "content",
    [
        "".join(f"F,{k},{1e7 + k}\nT,{k},{25 + k}\n" for k in range(9)),
        "".join(f"61100 {100 + k}.0\n 1e-9 2e-9\n" for k in range(9)),
        "elapsed_s,phase_s\n" + "".join(f"{k},1e-9\n{k},2e-9\n" for k in range(9)),
        "".join(f'"1{k},5","2,5"\n' for k in range(9)),
    ],
    ids=["record types", "wrapped records", "several rows per epoch", "quoted decimal commas"],
)
def test_forms_that_are_not_read_are_refused_not_misread(log: Path, content: str) -> None:
    """Record types, wrapped records and the like get a sentence with a line, never wrong numbers."""
    log.write_text(content)
    with pytest.raises(eb.LogError, match=r"line \d+: .*(could all be|repeated rows|rows more than)"):
        eb.read_log(log, interval_s=1)
