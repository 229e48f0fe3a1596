"""The text of a TOML file → its tables, whatever is wrong with it as one sentence; and tables → text."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from evenbeat.errors import LogError


def toml_of(text: str, what: str, path: str | Path | None) -> dict[str, Any]:
    """Return the tables in a text.

    Parameters
    ----------
    what
        What it is, for a complaint: ``bench file``.

    Raises
    ------
    LogError
        If it is not TOML, or nested or a number in it is longer than anybody writes.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        reason = "too deeply nested" if isinstance(error, RecursionError) else error
        msg = f"the {what} is not valid TOML ({reason})"
        raise LogError(msg, path=path) from None


def toml_in(path: str | Path, what: str) -> dict[str, Any]:
    """Return the tables in a file; see :func:`toml_of`."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeError) as error:
        msg = f"the {what} cannot be read ({getattr(error, 'strerror', None) or error})"
        raise LogError(msg, path=path) from None
    return toml_of(text, what, path)


def toml_pairs(values: Mapping[str, object]) -> list[str]:
    """Return a line of TOML for each key and value: text, numbers, dates, yes or no, or lists of these."""
    return [f"{_key(key)} = {_value(value)}" for key, value in values.items()]


def _key(key: str) -> str:
    return key if key.isascii() and key.replace("_", "").isalnum() else _value(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        text = repr(value)
        return text if any(mark in text for mark in ".en") else f"{text}.0"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
