"""A part of a log: as good as a log that holds nothing else, by the command and in Python."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

START = np.datetime64("2026-03-01T00:00:00")
ROWS = 400
HERTZ = 1e7 + np.random.default_rng(7).normal(0, 1e-3, ROWS) + np.where(np.arange(ROWS) < 150, 0.4, 0.0)
PART = "PART_OF_LOG"
KEPT = np.delete(np.arange(ROWS), np.r_[145:153, 200, 201])  # a hole at the start of the part, and one in it


def log(path: Path, rows: np.ndarray = KEPT, *, stamped: bool = True) -> Path:
    """Write readings of a 10 MHz source every 10 s, with UTC or with seconds; return the path."""
    times = START + 10 * rows if stamped else 10 * rows
    zone = "Z" if stamped else ""
    lines = [f"{time}{zone},{HERTZ[row]:.6f}\n" for time, row in zip(times, rows, strict=True)]
    path.parent.mkdir(exist_ok=True)
    path.write_text(f"{'time' if stamped else 'elapsed_s'},frequency [Hz]\n" + "".join(lines))
    return path


def assessed(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    """Return what ``assess`` prints as JSON."""
    question = ["--nominal-frequency", "10 MHz", "--tolerance", "1e-8", "--no-report", "--json"]
    question += ["--set", "aging=linear"]  # quickly
    assert main(["assess", *map(str, words), *question]) == 0
    return json.loads(capsys.readouterr().out)


def numbers(result: Any) -> Any:
    """Return a result without what tells of the file: its hash, and that it was a part."""
    if isinstance(result, list):
        return [numbers(each) for each in result if not (isinstance(each, dict) and each.get("code") == PART)]
    if isinstance(result, dict):
        return {name: numbers(each) for name, each in result.items() if name != "record_sha256"}
    return result


def test_a_part_is_a_log_of_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--from and --until: every number is that of a log which holds only the part; the record says so."""
    whole = assessed(capsys, log(tmp_path / "log.csv"), "--from", "2026-03-01T00:25:00Z", "--until", "60 min")
    alone = assessed(capsys, log(tmp_path / "part" / "log.csv", KEPT[(KEPT >= 150) & (KEPT < 360)]))
    assert whole["record"]["samples"] == alone["record"]["samples"] == 207
    assert whole["record"]["samples_sha256"] == alone["record"]["samples_sha256"]
    assert whole["record"]["start_utc"] == alone["record"]["start_utc"] == "2026-03-01T00:25:30.000000000"
    for name in ("verdict", "stability", "clock_model", "interval", "holdover", "tolerance_now"):
        assert numbers(whole[name]) == numbers(alone[name]), name
    (said,) = [finding for finding in whole["findings"] if finding["code"] == PART]
    assert (said["values"]["readings"], said["values"]["readings_of_log"]) == (205, 390)


def test_python_takes_the_same_moments(tmp_path: Path) -> None:
    """UTC as text or datetime64, or seconds; one end may be left open."""
    record = eb.read_log(log(tmp_path / "log.csv"), nominal_frequency_hz=1e7)
    parts = [
        eb.assess(record, start=start).record  # seven readings are too few for a model, so it is quick
        for start in ("2026-03-01T01:05:30Z", np.datetime64("2026-03-01T01:05:30"), 3930)
    ]
    assert {len(part) for part in parts} == {7}
    assert len({part.fingerprint() for part in parts}) == 1
    assert len(eb.assess(record, stop=70).record) == 7


def test_a_log_without_times_has_a_part_by_seconds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And none by UTC: the sentence says what to give instead."""
    path = log(tmp_path / "log.csv", stamped=False)
    assert assessed(capsys, path, "--until", "70")["record"]["samples"] == 7
    assert main(["assess", str(path), "--no-report", "--from", "2026-03-01T00:25:00Z"]) == 2
    assert "states no start time, so 2026-03-01T00:25:00Z cannot be placed" in capsys.readouterr().err


def test_the_other_log_keeps_its_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--offset counts from the start of the whole log, wherever the part begins."""
    one = log(tmp_path / "one.csv", np.arange(ROWS), stamped=False)
    two = tmp_path / "two.csv"
    two.write_text(
        "elapsed_s,frequency [Hz]\n" + "".join(f"{10 * k},{HERTZ[k + 20]:.6f}\n" for k in range(380))
    )
    for words in ([], ["--from", "30 min"]):
        question = [*map(str, ("compare", one, two)), "--offset", "200", "--set", "common_reference=yes"]
        assert main([*question, "--no-report", "--json", "--nominal-frequency", "10 MHz", *words]) == 0
        record = json.loads(capsys.readouterr().out)["record"]
        assert record["samples"] == (220 if words else 380)
    assert main([*question, "--no-report", "-q", "--nominal-frequency", "10 MHz", "--from", "30 min"]) == 0
    assert "same" in capsys.readouterr().out  # every difference is zero, as no other pairing makes it


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--from", "2027-01-01"], "the log: its readings are of 2026-03-01T00:00:00 to 2026-03-01T01:06"),
        (["--until", "2026-02-28T00:00:00Z"], "stop (--until) is 2026-02-28T00:00:00Z, which lies outside"),
        (["--from", "2 h"], "start (--from) is 7200.0 s, which lies outside the log"),
        (["--from", "1 h", "--until", "30 min"], "the stop must lie after the start"),
        (["--from", "1450", "--until", "1530"], "0 readings lie between"),
        (["--from", "4 h ago"], "'4 h ago' is neither a moment in UTC such as"),
        (["--from", "-5 s"], "'-5 s' is neither a moment in UTC such as"),
        (["--until", "2026-13-01"], "'2026-13-01' is not a moment; give UTC"),
        (["--from", "2026-03-01T00:25:00+01:00"], "is given with an offset from UTC"),
    ],
)  # fmt: skip
def test_a_moment_that_cannot_be_is_one_sentence(
    words: list[str], sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2; what was given and what the log holds."""
    question = ["assess", str(log(tmp_path / "log.csv")), "--no-report", *words]
    try:
        status = main(question)
    except SystemExit as stopped:  # argparse ends this way
        status = stopped.code
    printed = capsys.readouterr()
    assert (status, printed.out) == (2, "")
    assert sentence in printed.err.splitlines()[-1]


@pytest.mark.slow
def test_advice_to_assess_a_part_names_the_option(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A clock that becomes ten times noisier, and that option heard."""
    noise = np.random.default_rng(2).normal(0, 1e-3, 400) * np.where(np.arange(400) < 200, 1, 10)
    path = tmp_path / "log.csv"
    path.write_text(
        "elapsed_s,frequency [Hz]\n" + "".join(f"{10 * k},{1e7 + f:.6f}\n" for k, f in enumerate(noise))
    )
    (advice,) = [f for f in assessed(capsys, path)["findings"] if f["code"] == "CLOCK_CHANGED"]
    assert advice["sentence"].endswith("assess the part since then by itself (--from or start).")
    moment = advice["values"]["elapsed_s"]
    assert 1800 <= moment <= 2200
    later = assessed(capsys, path, "--from", f"{moment:g}")
    assert "CLOCK_CHANGED" not in {finding["code"] for finding in later["findings"]}
