"""Single files that a command writes: whole or not at all, and nothing replaced unasked."""

from __future__ import annotations

from pathlib import Path

from evenbeat.errors import OutputError


def check_absent(path: Path, *, force: bool) -> None:
    """Refuse to replace a file unasked; call it before the work, so that none is done in vain."""
    if path.exists() and not force:
        msg = f"{path} exists; name another file or pass --force"
        raise OutputError(msg)


def write_text(path: Path, text: str, *, force: bool) -> None:
    """Write a whole file or nothing."""
    check_absent(path, force=force)
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        msg = f"{path} cannot be written: {error.strerror}"
        raise OutputError(msg) from error
