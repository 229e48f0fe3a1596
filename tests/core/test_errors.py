"""Errors carry what a caller needs, and survive the way to another process."""

from __future__ import annotations

import pickle

import pytest

from evenbeat.errors import (
    EvenbeatError,
    EvenbeatWarning,
    InputError,
    LogError,
    OutputError,
    TooShortError,
)


@pytest.mark.parametrize(
    ("error", "also"),
    [
        (InputError("x"), ValueError),
        (LogError("x"), InputError),
        (TooShortError("x", needed=3, available=2), InputError),
        (OutputError("x"), OSError),
    ],
)
def test_errors_are_caught_by_kind_and_by_builtin(error: EvenbeatError, also: type[Exception]) -> None:
    """Every error is an EvenbeatError and the built-in that says the same."""
    assert isinstance(error, EvenbeatError)
    assert isinstance(error, also)


def test_warning_is_a_user_warning() -> None:
    """Python's filters for user warnings apply."""
    assert issubclass(EvenbeatWarning, UserWarning)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({}, "no number found"),
        ({"path": "logs/a.csv"}, "logs/a.csv: no number found"),
        ({"path": "logs/a.csv", "line": 7}, "logs/a.csv, line 7: no number found"),
        ({"line": 7}, "no number found"),
    ],
)
def test_log_error_says_where(arguments: dict[str, object], message: str) -> None:
    """The message starts with the file and the line where they are known."""
    assert str(LogError("no number found", **arguments)) == message


@pytest.mark.parametrize(
    "error",
    [
        LogError("no number", path="a.csv", line=3),
        TooShortError("too short", needed=5, available=2),
        OutputError("cannot write"),
    ],
)
def test_errors_survive_pickling(error: EvenbeatError) -> None:
    """An error raised in another process arrives with its message and its numbers."""
    again = pickle.loads(pickle.dumps(error))

    assert type(again) is type(error)
    assert str(again) == str(error)
    assert vars(again) == vars(error)
