"""``evenbeat register`` and ``evenbeat fleet``: a workshop's papers from the table to the due list."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from evenbeat.command.main import main

TABLE = str(Path(__file__).resolve().parents[1] / "data" / "fleet-history.csv")
ON = ["--on", "2026-08-20"]


@pytest.fixture
def workshop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """Return a register that holds the demo fleet."""
    path = str(tmp_path / "workshop.sqlite")
    assert main(["register", "create", path]) == 0
    assert main(["register", "import", path, TABLE]) == 0
    assert "22 instruments and 114 calibrations added" in capsys.readouterr().out
    return path


def test_a_register_from_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Add, correct, withdraw, show: every step is an entry."""
    path = str(tmp_path / "r.sqlite")
    values = ["--as-found", "-1.7e-9", "--standard-uncertainty", "1e-10", "--certificate", "C 17"]
    steps = [
        ["create", path],
        ["add-instrument", path, "kittiwake", "--tolerance", "1e-8", "--nominal-frequency", "10 MHz"],
        ["add-calibration", path, "kittiwake", "--date", "2026-02-26", *values],
        ["correct", path, "2", "--because", "sign lost", "--as-found", "1.7e-9"],
        ["add-calibration", path, "kittiwake", "--date", "2026-03-26", "--as-found", "in"],
        ["withdraw", path, "4", "--because", "was another"],
    ]
    for step in steps:
        assert main(["register", *step]) == 0
    capsys.readouterr()

    assert main(["register", "show", path, "kittiwake"]) == 0
    shown = capsys.readouterr().out
    assert "corrects entry 2: sign lost" in shown
    assert "withdraws entry 4: was another" in shown
    assert shown.count("(no longer stands)") == 2
    assert main(["register", "list", path, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["calibrations"] == 1
    assert main(["register", "export", path]) == 0
    assert "kittiwake,2026-02-26,1.7e-09,1.7e-09,1e-10,no,C 17,,,1e-08,10000000.0" in (
        capsys.readouterr().out
    )


def test_verify(workshop: str, capsys: pytest.CaptureFixture[str]) -> None:
    """An intact register exits with 0 and prints its head; a changed one exits with 2."""
    assert main(["register", "verify", workshop, "--json"]) == 0
    head = json.loads(capsys.readouterr().out)["head"]
    assert main(["register", "verify", workshop, "--head", head]) == 0
    connection = sqlite3.connect(workshop)
    connection.execute("DROP TRIGGER entries_never_change")
    connection.execute("UPDATE entries SET instrument = 'auk' WHERE number = 5")
    connection.commit()
    connection.close()
    capsys.readouterr()

    assert main(["register", "verify", workshop]) == 2
    assert "Entry 5" in capsys.readouterr().out


def test_bad_input_is_one_sentence(workshop: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2, one line, no traceback."""
    result = tmp_path / "result.json"
    result.write_text("[]", encoding="utf-8")
    for step, sentence in (
        (["list", "none.sqlite"], "no such file"),
        (["create", workshop], "exists already"),
        (["add-calibration", workshop, "auk", "--date", "2026-01-01", "--as-found", "in"], "no instrument"),
        (["import", workshop, "none.csv"], "there is no such file"),
        (["show", workshop, "auk"], "no entry of 'auk'"),
        (["correct", workshop, "2", "--because", "x"], "nothing would change"),
        (["add-assessment", workshop, "knot", str(result), "--date", "2026-01-01"], "not a result.json"),
    ):
        assert main(["register", *step]) == 2
        said = capsys.readouterr().err
        assert sentence in said
        assert len(said.splitlines()) == 1


@pytest.mark.slow
def test_the_due_list(workshop: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """List, table, page and notes in the register; a second run writes the same bytes."""
    due, page = str(tmp_path / "due.csv"), str(tmp_path / "due.html")
    command = ["fleet", workshop, *ON, "-o", due, "--page", page]

    assert main([*command, "--keep", "--fail-if-out"]) == 1

    shown = capsys.readouterr().out
    assert "22 instruments on 2026-08-20" in shown
    assert "turnstone" in Path(due).read_text(encoding="utf-8")
    html = Path(page).read_text(encoding="utf-8")
    assert "not part of a calibration certificate" in html
    assert "<script" not in html
    assert main(["register", "show", workshop, "knot", "--json"]) == 0
    entries = json.loads(capsys.readouterr().out)
    assert entries[-1]["kind"] == "assessment"
    assert main(["fleet", TABLE, *ON, "--page", page, "--force", "-q"]) == 0
    once = Path(page).read_bytes()
    assert main(["fleet", TABLE, *ON, "--page", page, "--force", "-q"]) == 0
    assert Path(page).read_bytes() == once


def test_bad_questions_to_the_fleet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be done is said before any work."""
    page = tmp_path / "due.html"
    page.write_text("mine", encoding="utf-8")
    for extra, sentence in (
        (["--page", str(page)], "exists"),
        (["--on", "tomorrow"], "ISO such as"),
        (["--keep"], "cannot be read as a register"),
        (["--processes", "0"], "must be 1 or more"),
    ):
        assert main(["fleet", TABLE, *extra]) == 2
        assert sentence in capsys.readouterr().err
    assert page.read_text(encoding="utf-8") == "mine"
