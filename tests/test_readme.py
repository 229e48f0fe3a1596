"""README: its commands are CI's, its outputs are what the command prints, its links lead somewhere."""

import re
from pathlib import Path

import pytest

from evenbeat.command.main import main

CHECKOUT = Path(__file__).resolve().parents[1]
README = (CHECKOUT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"```sh\n(.+?)\n```", README)


def test_job_comes_first() -> None:
    """One paragraph under the title states the job before anything else."""
    title, paragraph, following, *_ = README.split("\n\n")
    assert title == "# evenbeat"
    assert "when it must be calibrated again" in " ".join(paragraph.split())
    assert following == "## Two commands"


def test_the_test_command_is_that_of_ci() -> None:
    """.ci/run runs README's second command word for word."""
    (stated,) = re.findall(
        r"^README_TEST_COMMAND='(.+)'$", (CHECKOUT / ".ci" / "run").read_text(), re.MULTILINE
    )
    assert COMMANDS[1] == stated


def test_the_first_command_sets_up_and_assesses_a_demo_log() -> None:
    """One line from nothing to a verdict, on a log that is here."""
    assert COMMANDS[0].startswith(
        "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/evenbeat assess"
    )
    assert (CHECKOUT / COMMANDS[0].split()[-3]).is_file()


@pytest.mark.slow
@pytest.mark.parametrize("command", [COMMANDS[0], *re.findall(r"^\$ (.+)$", README, re.MULTILINE)])
def test_printed_outputs_are_what_the_command_prints(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every verdict shown in the tour, line by line."""
    monkeypatch.chdir(CHECKOUT)
    arguments = command.rpartition(".venv/bin/evenbeat ")[2].split()
    assert main([*arguments, "--no-report"]) == 0
    assert capsys.readouterr().out.strip() in README


def test_links_and_pictures_exist() -> None:
    """Every relative link leads to a file of this repository."""
    targets = re.findall(r"\]\(([^)#]+)\)", README)
    assert targets
    assert all((CHECKOUT / target).exists() for target in targets)


def test_options_in_readme_exist(capsys: pytest.CaptureFixture[str]) -> None:
    """No option is described that the command does not know."""
    with pytest.raises(SystemExit):
        main(["assess", "--help"])
    known = set(re.findall(r"--[a-z-]+", capsys.readouterr().out))
    commands = [command for command in COMMANDS if "evenbeat assess" in command]
    used = {option for command in commands for option in re.findall(r"--[a-z-]+", command)}
    assert used
    assert used <= known
