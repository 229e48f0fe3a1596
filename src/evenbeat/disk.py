"""How files of ours come to be: complete or not at all, with the rights that new files get here."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path


def umask() -> int:
    """Return which rights new files do not get here."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a place for a file that takes its name only when it is complete and on the disk.

    On failure nothing is left of it.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(descriptor)
    part = Path(name)
    try:
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.chmod(0o666 & ~umask())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all; see :func:`replacing`."""
    with replacing(path) as part:
        part.write_bytes(content)
