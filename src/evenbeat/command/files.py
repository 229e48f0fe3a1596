"""Single files that a command writes: whole or not at all, and nothing replaced unasked."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from evenbeat.errors import OutputError
from evenbeat.logs.bulk.writers import umask


def check_absent(path: Path, *, force: bool) -> None:
    """Refuse to replace a file unasked; call it before the work, so that none is done in vain."""
    if path.exists() and not force:
        msg = f"{path} exists; name another file or pass --force"
        raise OutputError(msg)


def write_text(path: Path, text: str, *, force: bool) -> None:
    """Write a whole file or nothing."""
    check_absent(path, force=force)
    part: Path | None = None
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", prefix=f".{path.name}.", suffix=".part", dir=path.parent, delete=False
        ) as file:
            part = Path(file.name)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o666 & ~umask())
        part.replace(path)
    except OSError as error:
        if part is not None:
            part.unlink(missing_ok=True)
        msg = f"{path} cannot be written: {error.strerror}"
        raise OutputError(msg) from error
