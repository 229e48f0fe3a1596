"""What a log could mean: the likeliest reading first, with its answer and the option that picks it."""

from __future__ import annotations

import shlex
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

N = 600
Y = 2e-11 * np.random.default_rng(1).standard_normal(N) - 3.2e-8


def log(path: Path, name: str, cells: list[str], step: int = 10) -> Path:
    """Write a log with a time in the first column."""
    path.write_text(f"{name}\n" * bool(name) + "".join(f"{step * k},{c}\n" for k, c in enumerate(cells)))
    return path


@pytest.mark.grid(3)
@pytest.mark.parametrize(
    ("name", "cells", "step", "typed"),
    [
        ("", [f"{x:.3f}" for x in 1e10 * np.cumsum(Y)], 10, "--quantity phase --unit ns"),
        ("", [f"{x:.4e}" for x in 10 * np.cumsum(Y)], 10, "--quantity phase --unit s"),
        ("stamp,frequency", [f"{1e7 * (1 + y):.4f}" for y in Y], 10**10, "--set time_unit=ns"),
        ("t,frequency_Hz", [f"{12.288e6 * (1 + y):.4f}" for y in Y], 10, "--nominal-frequency '12.288 MHz'"),
        ("t,delta_f", [f"{1e7 * y:.6f}" for y in Y], 10, "--unit Hz --nominal-frequency '10 MHz'"),
        ("t,a", [f"{1 + y:.12f}" for y in Y], 10, "--quantity frequency_ratio"),
    ],
)
def test_the_likeliest_reading_is_the_true_one(
    tmp_path: Path, name: str, cells: list[str], step: int, typed: str
) -> None:
    """A log that is refused: among the first three stands the truth, and its option makes it readable."""
    path = log(tmp_path / "log.csv", name, cells, step)
    with pytest.raises(eb.LogError):
        eb.read_log(path)
    seen = eb.inspect_log(path)

    assert seen.needs
    first = {meant.command_options: meant for meant in seen.hypotheses[:3]}
    assert typed in first
    assert "-3.2e-08, every 10 s" in first[typed].answer
    assert not first[typed].doubt
    record = eb.read_log(path, **first[typed].options)
    mean = np.median(record.values) if record.kind == "frequency" else np.ptp(record.values) / -(10 * (N - 1))
    assert mean == pytest.approx(-3.2e-8, rel=0.01)
    assert main(["inspect", str(path), *shlex.split(typed)]) == 0


def test_two_in_turn_are_offered_each(field_logs: Path) -> None:
    """Field log 06b: -3.2e-8 and +2.1e-7, each with the option that picks it; never their mean."""
    seen = eb.inspect_log(field_logs / "06b-two-interleaved-nolabel.csv.gz")
    said = [f"{meant} | {meant.command_options}" for meant in seen.hypotheses[:2]]

    assert "-3.2e-08, every 10 s | --set every=2 --set row_offset=0" in said[0]
    assert "+2.1e-07, every 10 s | --set every=2 --set row_offset=1" in said[1]


def test_doubts_are_said(tmp_path: Path) -> None:
    """A fraction of one half is no oscillator's; as parts per million it may be."""
    seen = eb.inspect_log(log(tmp_path / "log.csv", "t,fractional_frequency", [f"{0.5 + y:.12f}" for y in Y]))
    doubts = {meant.command_options: meant.doubt for meant in seen.hypotheses}

    assert doubts["--unit ppm"] == ""
    assert doubts["--unit 1"] == "implausible for any oscillator"


def test_a_log_that_states_itself_has_one_meaning(tmp_path: Path) -> None:
    """Nothing is proposed where log and caller say everything."""
    path = log(tmp_path / "log.csv", "time_s,frequency_Hz", [f"{1e7 * (1 + y):.4f}" for y in Y])
    (meant,) = eb.inspect_log(path, nominal_frequency_hz=1e7).hypotheses

    assert (meant.command_options, meant.options) == ("", {})


def test_a_refusal_is_said_once(field_logs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is wrong stands on the error output, and nowhere else."""
    assert main(["inspect", str(field_logs / "n12288.csv.gz")]) == 2
    out, error = capsys.readouterr()

    assert error.count("the log states no nominal frequency") == 1
    assert "the log states no nominal frequency" not in out
    assert "1. column 'frequency_hz' as frequencies of a 12.288 MHz source, -2e-05, every 1 s" in out
    assert "--nominal-frequency '12.288 MHz'" in out


def test_a_line_that_was_cut_is_told_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By the refusal; without one by the account of the lines."""
    cells = [f"{1e7 * (1 + y):.4f}" for y in Y]
    cells[50] = cells[50][:8]
    path = str(log(tmp_path / "log.csv", "t_s,frequency_Hz", cells))

    assert main(["inspect", path, "--nominal-frequency", "10MHz"]) == 2
    out, error = capsys.readouterr()
    assert (out + error).count("has 0 decimals where the others have 4") == 1
    assert "1 rejected" in out
    assert main(["inspect", path, "--nominal-frequency", "10MHz", "--set", "bad_lines=reject"]) == 0
    assert capsys.readouterr().out.count("has 0 decimals where the others have 4") == 1


def test_labels_are_offered_by_name(tmp_path: Path) -> None:
    """Two oscillators in turn with a label each: the label is the option, not the number of the row."""
    cells = [f"{'AB'[k % 2]},{1e7 * (1 + y) + 2.4 * (k % 2):.4f}" for k, y in enumerate(Y)]
    first, second = eb.inspect_log(log(tmp_path / "log.csv", "t_s,ch,frequency_Hz", cells)).hypotheses[:2]

    assert (first.command_options, second.command_options) == ("--set select=A", "--set select=B")
    assert first.meaning.startswith("rows labelled 'A', column 'frequency_Hz'")


def test_a_bare_word_of_a_program_is_no_name(field_logs: Path) -> None:
    """What is not trusted to say phase is not said to say it."""
    seen = eb.inspect_log(field_logs / "05-1pps-ti.txt.gz", interval_s=1.0)

    assert "nothing says whether the small readings" in seen.needs
    assert seen.columns[0].because == "no other column is left"


def test_names_in_the_rows_are_names_of_what_the_log_could_mean(tmp_path: Path) -> None:
    """Of name=value rows the column is told by its name, and a name that says frequency leaves no other."""
    path = tmp_path / "log.txt"
    path.write_text("".join(f"time={10 * k} freq={1e7 * (1 + y):.4f}\n" for k, y in enumerate(Y)))
    meanings = [hypothesis.meaning for hypothesis in eb.inspect_log(path).hypotheses]
    assert meanings[0] == "column 'freq' as frequencies of a 10 MHz source"
    assert not [meaning for meaning in meanings if "time errors" in meaning]
