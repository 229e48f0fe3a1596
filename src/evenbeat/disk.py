"""How files of ours come to be: complete or not at all, with the rights that new files get here."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path


def umask() -> int:
    """Return which rights new files do not get here."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def sync(path: Path) -> None:
    """Force a file to the disk, or the names in a folder where the system lets one be opened."""
    if os.name != "posix" and path.is_dir():
        return
    descriptor = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a new file beside a path that takes its name when it is complete and on the disk.

    On failure nothing is left, and what had the name keeps it.

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
        sync(part)
        part.chmod(0o666 & ~umask())
        part.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise
    sync(path.parent)


def exchange(one: Path, other: Path) -> None:
    """Let two folders change names, in one step where the system can; else ``one`` takes the name alone.

    Raises
    ------
    OSError
        If neither can be done; both then have their names.
    """
    import ctypes

    swap = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if os.name == "posix" else None
    if swap is not None:
        here, exchanged = -100, 2  # of the system's interface: AT_FDCWD, RENAME_EXCHANGE
        if swap(here, os.fsencode(one), here, os.fsencode(other), exchanged) == 0:
            return
        code = ctypes.get_errno()
        if code not in (errno.EINVAL, errno.ENOSYS):
            raise OSError(code, os.strerror(code))
    aside = Path(tempfile.mkdtemp(prefix=".former-", dir=other.parent)) / "former"
    other.rename(aside)
    try:
        one.rename(other)
    except OSError:
        aside.rename(other)
        raise
    finally:
        shutil.rmtree(aside.parent, ignore_errors=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file as :func:`replacing` does."""
    with replacing(path) as part:
        part.write_bytes(content)
