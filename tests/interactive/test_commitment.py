"""Predictions: what follows waits, the verdict comes with the commitment, first answers make the score."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from IPython.core.error import UsageError
from IPython.core.interactiveshell import InteractiveShell

from evenbeat.interactive import commitment, exercises, predict, score


@pytest.fixture
def shell(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """Return a shell as a notebook has one; what it displays is kept."""
    shown: list[Any] = []
    monkeypatch.delenv("EVENBEAT_PREDICTIONS", raising=False)
    own = InteractiveShell.instance()
    monkeypatch.setattr(commitment, "get_ipython", lambda: own)
    monkeypatch.setattr(commitment, "display", shown.append)
    monkeypatch.setattr(commitment, "_first", {})
    own.shown = shown
    yield own
    InteractiveShell.clear_instance()


def test_what_follows_waits_although_it_has_run(shell: Any) -> None:
    """Its names are there for the cells below; what it prints comes with the commitment, and not before."""
    guess = predict("Longer or shorter?", ["longer", "shorter"])
    shell.user_ns["guess"] = guess
    shell.run_cell(
        "%%after guess\nlasts = 75\nprint('it lasts', lasts)\nguess.right('shorter')"
    ).raise_error()
    assert shell.user_ns["lasts"] == 75
    (place,) = shell.shown
    assert "waits for your prediction" in place.outputs[0]["data"]["text/html"]
    assert "Longer or shorter?" in place.outputs[0]["data"]["text/html"]
    assert "it lasts" not in str(place.outputs)
    assert guess.commit.disabled
    guess.fields[""].value = "longer"
    assert not guess.commit.disabled
    assert "it lasts" not in str(place.outputs)
    guess.commit.click()
    assert place.outputs[0]["text"] == "it lasts 75\n"
    assert "Not so. The answer: shorter." in guess.words.value
    assert guess.fields[""].disabled
    assert "predictions: 0 of 1" in score().value


def test_after_the_commitment_nothing_waits(shell: Any, capsys: pytest.CaptureFixture[str]) -> None:
    """A cell that is run again shows what it has at once; so does any where predictions are revealed."""
    guess = predict("How many?", unit="d")
    shell.user_ns["guess"] = guess
    guess.fields[""].value = "12 d"
    assert guess.given == 12.0
    guess.commit.click()
    shell.run_cell("%%after guess\nprint('so many')\nguess.right(12.4)").raise_error()
    assert "so many" in capsys.readouterr().out
    assert shell.shown == []
    assert ">Right." in guess.words.value
    assert "predictions: 1 of 1" in score().value


def test_several_at_once_need_all_of_them(shell: Any) -> None:
    """The button waits for the last choice."""
    guess = predict("Which slope?", {"white FM": ["−1/2", "0"], "flicker FM": ["−1/2", "0"]})
    guess.fields["white FM"].value = "−1/2"
    assert guess.commit.disabled
    guess.fields["flicker FM"].value = "−1/2"
    guess.commit.click()
    guess.right({"white FM": "−1/2", "flicker FM": "0"})
    assert "1 of 2 right; not so: flicker FM." in guess.words.value


def test_errors_do_not_wait(shell: Any) -> None:
    """A cell that fails says so at once; one that names no prediction is told what to do."""
    shell.user_ns["guess"] = predict("Which?", ["one", "other"])
    with pytest.raises(ZeroDivisionError):
        shell.run_cell("%%after guess\n1 / 0").raise_error()
    with pytest.raises(UsageError, match="run its cell first"):
        shell.run_cell("%%after nothing\n1").raise_error()


def test_exercises_are_checked_and_counted_once(shell: Any) -> None:
    """The first answer makes the score; the dots make none."""
    check = exercises("02")
    for answer in (..., 10.0, 100.0):
        check(2, answer)
    texts = [each.value for each in shell.shown]
    assert "in the place of the dots" in texts[0]
    assert "too small by a factor of 10" in texts[1]
    assert ">Right." in texts[2]
    assert "exercises: 0 of 1" in score().value
