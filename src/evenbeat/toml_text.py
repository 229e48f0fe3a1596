"""The text of a TOML file → its tables, whatever is wrong with it as one sentence."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from evenbeat.errors import LogError


def toml_of(text: str, what: str, path: str | Path | None) -> dict[str, Any]:
    """Return the tables in a text.

    Parameters
    ----------
    what
        What it is, for a complaint: ``layout file``.

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
