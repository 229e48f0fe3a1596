"""A packed or plain text file → blocks of whole lines, with the hash and the bytes read so far."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

from evenbeat.errors import LogError
from evenbeat.logs.files import utf8
from evenbeat.logs.packing import packing_of

_OPENERS: dict[str, Callable[[IO[bytes]], Any]] = {
    "gzip": lambda f: gzip.GzipFile(fileobj=f),
    "xz": lzma.open,
}
_OPENERS["bzip2"] = bz2.open
_DAMAGE = (zlib.error, lzma.LZMAError, OSError, ValueError)


class Counted(io.RawIOBase):
    """A file that counts and hashes the bytes that are read from it."""

    def __init__(self, file: IO[bytes], seen: Callable[[int], None]) -> None:
        self._file = file
        self._seen = seen
        self.hash = hashlib.sha256()
        self.bytes = 0

    def readable(self) -> bool:
        """Say that this file is for reading."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Read into a buffer."""
        piece = self._file.read(len(buffer))
        buffer[: len(piece)] = piece
        self.hash.update(piece)
        self.bytes += len(piece)
        self._seen(len(piece))
        return len(piece)


def blocks_of(
    path: Path, size: int, seen: Callable[[int], None], done: Callable[[str, int], None]
) -> Iterator[bytes]:
    """Yield blocks of whole lines, UTF-8 with line feeds.

    Parameters
    ----------
    size
        Bytes of text in a block, about.
    seen
        Called with the number of bytes taken from the disk.
    done
        Called at the end with the SHA-256 and the size of the file.

    Raises
    ------
    LogError
        If the file is damaged, changes while it is read, or is no text.
    """
    before = path.stat()
    lines = 0
    with path.open("rb") as file:
        packing = packing_of(file.read(8))
        if packing == "zip":
            msg = "a zip file is not converted in blocks; unpack it and give the log"
            raise LogError(msg, path=path)
        file.seek(0)
        counted = Counted(file, seen)
        buffered = io.BufferedReader(counted, 1 << 20)
        try:
            for block in _whole_lines(_opened(packing, buffered), size, path):
                lines += block.count(b"\n")
                yield utf8(block, path).replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        except (EOFError, *_DAMAGE) as error:
            if isinstance(error, LogError):
                raise
            what = "ends too early" if isinstance(error, EOFError) else f"is damaged ({error})"
            msg = f"the {packing or 'text'} file {what}; copy it again"
            raise LogError(msg, path=path, line=lines + 1) from None
        while buffered.read(1 << 20):
            pass
    after = path.stat()
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        msg = (
            f"the file changed while it was read (from {before.st_size} to {after.st_size} bytes); convert a "
            "copy"
        )
        raise LogError(msg, path=path, line=lines + 1)
    done(counted.hash.hexdigest(), counted.bytes)


def _opened(packing: str, file: Any) -> Any:
    if packing == "gzip":
        return gzip.GzipFile(fileobj=file)
    if packing == "bzip2":
        return bz2.open(file)
    return lzma.open(file) if packing == "xz" else file


def _whole_lines(stream: Any, size: int, path: Path) -> Iterator[bytes]:
    rest = b""
    while piece := stream.read(size):
        cut = piece.rfind(b"\n") + 1
        if not cut:
            rest += piece
            if len(rest) > 4 * size:
                msg = f"no line ends within {len(rest)} bytes; a table of readings is needed"
                raise LogError(msg, path=path)
            continue
        yield rest + piece[:cut]
        rest = piece[cut:]
    if rest:
        yield rest
