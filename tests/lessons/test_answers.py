"""Answers to exercises and predictions: what a reader is told of each kind of mistake."""

import math

import numpy as np
import pytest

from evenbeat.errors import InputError
from evenbeat.lessons.answers import judge, judge_exercise


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (1.02e-11, "Right."),
        (np.float64(0.98e-11), "Right."),
        (-1e-11, "Right size, wrong sign."),
        (3e-11, "Wrong: too large by a factor of 3."),
        (2e-12, "Wrong: too small by a factor of 5."),
        (1e-2, "Right digits, wrong unit: too large by 1,000,000,000 (nano, or giga)."),
        (0.0, "neither size nor sign fits"),
        (math.nan, "this is nan"),
        ("1e-11", "A number of Hz is asked for, and this is a str."),
        (np.ones(3), "an array of shape (3,)"),
        (True, "this is a bool"),
    ],
)
def test_a_number(given: object, words: str) -> None:
    """Right within the margin; else the factor, the sign, the unit or the kind is told."""
    verdict = judge(given, 1e-11, unit="Hz")
    assert words in verdict.sentence
    assert verdict.right == (words == "Right.")


@pytest.mark.parametrize(
    ("given", "unit"), [(86400 * 12.0, "days and seconds"), (12 / 3600, "hours and seconds")]
)
def test_a_wrong_unit_of_time(given: float, unit: str) -> None:
    """Days for seconds are recognised, and the unit that is asked for is named."""
    verdict = judge(given, 12.0, unit="days")
    assert f"({unit})" in verdict.sentence
    assert verdict.sentence.endswith("It is asked for in days.")


def test_words_and_several() -> None:
    """Words count without case and underscores; of several it is said which are not so, with the hint."""
    assert judge("Overlapping Hadamard", "overlapping_hadamard").right
    assert judge("NEITHER", ["neither", "none"]).right
    assert judge("both", "neither", hint="Look again.").sentence == "Not so. Hint: Look again."
    some = judge({"A": "white FM", "B": "flicker FM"}, {"A": "white FM", "B": "white FM", "C": "white PM"})
    assert some.sentence == "1 of 3 right; not so: B, C."
    assert judge({"A": "−1"}, {"A": "-1"}).right
    assert "a dict is asked for" in judge("A", {"A": "x"}).sentence.casefold()


def test_no_answer_yet() -> None:
    """The dots are not a wrong answer."""
    verdict = judge(..., 12.0, unit="days")
    assert verdict.right is None
    assert verdict.sentence == "Put your answer in the place of the dots, in days."


def test_exercises_of_the_notebooks() -> None:
    """An exercise is found by notebook and number; another is refused with those there are."""
    assert judge_exercise("02", 2, 100).right
    assert "days and seconds" in judge_exercise("07", 1, 120 * 86400).sentence
    with pytest.raises(InputError, match="no exercise 9; there are: 1, 2, 3"):
        judge_exercise("02", 9, 1.0)
