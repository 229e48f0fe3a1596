"""The command's options for conditioning and for a second log."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from evenbeat.command.main import main

ROWS = 80  # few, because each assessment fits a clock model


def log(path: Path, seed: int, *, start: str = "2026-03-01T00:00:00", offset_hz: float = 0.0) -> Path:
    """Write 80 readings of a 10 MHz source once a second, one of them wild; return the path."""
    generator = np.random.default_rng(seed)
    hertz = 1e7 + offset_hz + generator.normal(0, 1e-3, ROWS)
    hertz[30] += 5.0
    stamps = np.datetime64(start, "s") + np.arange(ROWS).astype("m8[s]")
    rows = [f"{stamp}Z,{value:.6f}\n" for stamp, value in zip(stamps, hertz, strict=True)]
    path.write_text("# reference: house standard\ntime,frequency [Hz]\n" + "".join(rows))
    return path


def assessed(capsys: pytest.CaptureFixture[str], *words: object) -> dict:
    """Return what a command prints as JSON."""
    assert main([*map(str, words), "--no-report", "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def fast_by(headline: str) -> float:
    """Return the fractional frequency in a headline such as ``fast by 5.000(13)e-08``."""
    (found,) = re.findall(r"fast by (\d\.\d+)\(\d+\)(e-\d+)", headline)
    return float("".join(found))


def test_checks_are_left_out_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """skip_checks keeps a wild reading in use, and the history tells it."""
    path = log(tmp_path / "a.csv", 1)
    record = assessed(capsys, "assess", path, "--set", "skip_checks=outliers,steps")["record"]
    assert record["excluded"] == 0
    assert "condition(skip_checks=('outliers', 'steps'))" in record["history"]


def test_a_second_log_is_subtracted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """compare: 0.3 Hz against -0.2 Hz of one reference is 0.5 Hz, over the time that both share."""
    one = log(tmp_path / "one.csv", 1, offset_hz=0.3)
    two = log(tmp_path / "two.csv", 2, offset_hz=-0.2, start="2026-03-01T00:00:20")
    printed = assessed(capsys, "compare", one, two)
    record = printed["record"]
    assert record["samples"] == ROWS - 20
    assert record["source"]["name"] == "one.csv minus two.csv"
    assert [part["name"] for part in record["source"]["parts"]] == ["one.csv", "two.csv"]
    assert fast_by(printed["verdict"]["headline"]) == pytest.approx(5e-8, abs=5e-10)  # 4 sigma of the fit


def test_a_better_reference_is_taken_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Compare --through: 0.3 Hz against a reference that is 0.1 Hz fast is 0.4 Hz."""
    one, reference = log(tmp_path / "one.csv", 1, offset_hz=0.3), log(tmp_path / "ref.csv", 2, offset_hz=0.1)
    assert main(["compare", str(one), str(reference), "--through", "--no-report", "-q"]) == 0
    assert fast_by(capsys.readouterr().out) == pytest.approx(4e-8, abs=5e-10)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["assess", "--set", "skip_checks=gates"], "skip_checks names 'gates'"),
        (["assess", "--set", "sawtooth=sawtooth_ns"], "a sawtooth correction belongs to a phase record"),
        (["compare", "--set", "wrap_period=100 ns", "{late}"], "the records share 0 s"),
        (["compare", "{half}"], "part_interval='accept'"),
    ],
)
def test_bad_input_is_one_sentence(
    words: list[str], sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2, one line, nothing else."""
    late = log(tmp_path / "late.csv", 2, start="2027-03-01T00:00:00")
    half = log(tmp_path / "half.csv", 2)
    half.write_text(half.read_text().replace("Z,", ".5Z,"))
    command, *words = [word.format(late=late, half=half) for word in words]
    assert main([command, str(log(tmp_path / "a.csv", 1)), *words, "--no-report"]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert sentence in printed.err
    assert printed.err.count("\n") == 1


def test_inspect_tells_what_conditioning_finds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table of checks follows the columns, and stands in the JSON."""
    path = log(tmp_path / "a.csv", 1)
    assert main(["inspect", str(path)]) == 0
    told = capsys.readouterr().out
    assert "missed and extra pulses" in told
    assert "1 sample set aside" in " ".join(told.split())
    assert main(["inspect", str(path), "--json"]) == 0
    plain = json.loads(capsys.readouterr().out)
    assert {check["check"]: check["found"] for check in plain["conditioning"]["checks"]}["outliers"] == 1
