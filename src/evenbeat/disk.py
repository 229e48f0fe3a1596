"""How files of ours come to be: complete or not at all, with the rights that new files get here."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def umask() -> int:
    """Return which rights new files do not get here."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that takes its name only when it is complete and on the disk; on failure nothing is left.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o666 & ~umask())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
