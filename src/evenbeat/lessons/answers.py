"""Answers to exercises and predictions, judged: right, or wrong by a factor, a unit, the sign."""

from __future__ import annotations

import math
import numbers
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from evenbeat.errors import InputError

WITHIN = 0.1
"""How far a number may be off, relative, where nothing else is stated."""
UNITS: Mapping[float, str] = {
    1e3: "milli, or kilo",
    1e6: "micro, or mega",
    1e9: "nano, or giga",
    1e12: "pico",
    100.0: "per cent",
    60.0: "minutes and seconds",
    1440.0: "days and minutes",
    3600.0: "hours and seconds",
    24.0: "days and hours",
    86400.0: "days and seconds",
    365.25: "years and days",
    365.25 * 86400.0: "years and seconds",
}
"""Factors by which a right number is off in a wrong unit, and what was then mistaken for what."""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What an answer is worth.

    Attributes
    ----------
    right
        Whether it is right; ``None`` where nothing was answered yet.
    sentence
        That in words, with a hint where it is wrong.
    """

    right: bool | None
    sentence: str


def judge(given: object, expected: Any, *, within: float = WITHIN, unit: str = "", hint: str = "") -> Verdict:
    """Return what an answer is worth.

    Parameters
    ----------
    given
        A number, a text, or several by name; ``...`` stands for none yet.
    expected
        Of the same kind; a list of texts holds those that are as good as each other.
    within
        How far a number may be off, relative.
    unit
        In which a number is asked for.
    hint
        Added to a wrong answer.
    """
    if given is ...:
        asked = f", in {unit}" if unit else ""
        return Verdict(right=None, sentence=f"Put your answer in the place of the dots{asked}.")
    if isinstance(expected, Mapping):
        verdict = _several(given, expected, within)
    elif isinstance(expected, numbers.Real):
        verdict = _number(given, float(expected), within, unit)
    else:
        accepted = [expected] if isinstance(expected, str) else list(expected)
        verdict = _text(given, accepted)
    if verdict.right or not hint:
        return verdict
    return Verdict(right=False, sentence=f"{verdict.sentence} Hint: {hint}")


def _number(given: object, expected: float, within: float, unit: str) -> Verdict:
    asked = f" of {unit}" if unit else ""
    if isinstance(given, bool) or not isinstance(given, numbers.Real):
        text = f"A number{asked} is asked for, and this is {_kind(given)}."
        return Verdict(right=False, sentence=text)
    value = float(given)
    if not math.isfinite(value):
        return Verdict(right=False, sentence=f"A number{asked} is asked for, and this is {value}.")
    if abs(value - expected) <= within * abs(expected):
        return Verdict(right=True, sentence="Right.")
    if abs(value + expected) <= within * abs(expected):
        return Verdict(right=False, sentence="Right size, wrong sign.")
    if value == 0 or expected == 0 or (value < 0) != (expected < 0):
        return Verdict(right=False, sentence="Wrong: neither size nor sign fits.")
    ratio = value / expected
    off = ratio if ratio > 1 else 1 / ratio
    size = "large" if ratio > 1 else "small"
    for factor, mistaken in UNITS.items():
        if abs(off / factor - 1) <= within:
            text = f"Right digits, wrong unit: too {size} by {factor:,.10g} ({mistaken})."
            return Verdict(right=False, sentence=text + (f" It is asked for in {unit}." if unit else ""))
    return Verdict(right=False, sentence=f"Wrong: too {size} by a factor of {off:.3g}.")


def _text(given: object, accepted: Sequence[str]) -> Verdict:
    if not isinstance(given, str):
        return Verdict(right=False, sentence=f"A word is asked for, and this is {_kind(given)}.")
    plain = {_plain(each) for each in accepted}
    right = _plain(given) in plain
    return Verdict(right=right, sentence="Right." if right else "Not so.")


def _several(given: object, expected: Mapping[str, Any], within: float) -> Verdict:
    if not isinstance(given, Mapping):
        names = ", ".join(expected)
        return Verdict(right=False, sentence=f"A dict is asked for, with an answer for each of {names}.")
    wrong = [
        name for name, value in expected.items() if not judge(given.get(name, ""), value, within=within).right
    ]
    if not wrong:
        return Verdict(right=True, sentence="Right, all of them.")
    count = f"{len(expected) - len(wrong)} of {len(expected)} right"
    return Verdict(right=False, sentence=f"{count}; not so: {', '.join(wrong)}.")


def _plain(text: str) -> str:
    return " ".join(text.replace("_", " ").replace("−", "-").casefold().split())


def _kind(given: object) -> str:
    shape = getattr(given, "shape", None)
    return f"an array of shape {shape}" if shape else f"a {type(given).__name__}"


def judge_exercise(notebook: str, number: int, given: object) -> Verdict:
    """Return what an answer to an exercise of a notebook is worth.

    Parameters
    ----------
    notebook
        Its number, such as ``'03'``.
    number
        Of the exercise.

    Raises
    ------
    InputError
        If there is no such exercise.
    """
    known = _exercises().get(notebook, {})
    if str(number) not in known:
        there = ", ".join(known) or "none"
        msg = f"notebook {notebook!r} has no exercise {number!r}; there are: {there}"
        raise InputError(msg)
    return judge(given, **known[str(number)])


@cache
def _exercises() -> dict[str, dict[str, dict[str, Any]]]:
    return tomllib.loads((files("evenbeat.lessons") / "exercises.toml").read_text(encoding="utf-8"))
