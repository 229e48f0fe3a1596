"""``evenbeat readings``: from a sheet to a verdict, a page, JSON or an empty sheet."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from evenbeat.command.main import main

SHEET = str(Path(__file__).resolve().parents[1] / "data" / "counter-check-readings.csv")


def test_prints_the_check(capsys: pytest.CaptureFixture[str]) -> None:
    """The demo sheet is judged; status 0, or 1 if a failed point is to count."""
    assert main(["readings", SHEET]) == 0
    assert "counts are lost" in " ".join(capsys.readouterr().out.split())
    assert main(["readings", SHEET, "--fail-if-out", "--quiet"]) == 1


def test_json_holds_every_point(capsys: pytest.CaptureFixture[str]) -> None:
    """JSON parses and holds a verdict for each point."""
    assert main(["readings", SHEET, "--json", "--decision-rule", "non_binary", "--clock-tick", "100 ns"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert all(point["verdict"] for point in result["points"])
    assert result["rule"] == "non_binary"


def test_page_is_written_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The page holds the answer, escapes its text, and is not overwritten unasked."""
    page = tmp_path / "check.html"
    assert main(["readings", SHEET, "-o", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert "Counter check" in text
    assert "not a calibration certificate" in text
    assert main(["readings", SHEET, "-o", str(page)]) == 2
    assert "--force" in capsys.readouterr().err
    assert main(["readings", SHEET, "-o", str(page), "--force"]) == 0


def test_blank_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty sheet is made for a described counter, and read back as one without readings."""
    sheet = tmp_path / "blank.csv"
    arguments = ["readings", str(sheet), "--blank", "--rated", "10 Hz to 100 MHz"]
    assert main([*arguments, "--clock-tick", "100 ns"]) == 0
    assert "rated range: 10 Hz to 1e+08 Hz" in sheet.read_text(encoding="utf-8")
    assert main(["readings", str(sheet)]) == 2
    assert "holds no reading" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--set", "rated=100 MHz to 10 Hz"], "does not rise"),
        (["--blank"], "--blank needs"),
        (["--set", "reference_uncertainty=-1"], "must be 0 or positive"),
    ],
)
def test_bad_options_exit_with_two(extra: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Bad input is one sentence and status 2."""
    assert main(["readings", SHEET, *extra]) == 2
    assert words in capsys.readouterr().err
