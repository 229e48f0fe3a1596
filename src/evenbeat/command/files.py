"""Single files that a command writes: whole or not at all, and nothing replaced unasked."""

from __future__ import annotations

from pathlib import Path

from evenbeat.disk import write_whole
from evenbeat.errors import OutputError


def check_absent(path: Path, *, force: bool) -> None:
    """Refuse to replace a file unasked; call it before the work, so that none is done in vain."""
    if path.exists() and not force:
        msg = f"{path} exists; name another file or pass --force"
        raise OutputError(msg)


def write_text(path: Path, text: str, *, force: bool) -> None:
    """Write a whole file or nothing."""
    check_absent(path, force=force)
    try:
        write_whole(path, text.encode())
    except OSError as error:
        msg = f"{path} cannot be written: {error.strerror}"
        raise OutputError(msg) from error
