"""What README says about live collection is what the command understands."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from evenbeat.command.main import main

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")


def test_readmes_command_is_understood(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command parses, its descriptions are shipped; only the instrument is not there."""
    (command,) = re.findall(r"^\.venv/bin/evenbeat (collect .+)$", README, re.MULTILINE)
    arguments = shlex.split(command.replace("192.0.2.10:5025", "127.0.0.1:1"))
    monkeypatch.chdir(tmp_path)

    assert main(arguments) == 2
    assert "tcp://127.0.0.1:1: there is no link to the instrument" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_help_carries_the_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever asks for help is told what breaks hardware before connecting it."""
    with pytest.raises(SystemExit):
        main(["collect", "--help"])
    text = " ".join(capsys.readouterr().out.split())

    assert "check the maximum voltage of every input" in text
    assert "never join RS-232" in text
