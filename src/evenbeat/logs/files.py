"""Bytes on disk → clean UTF-8 text with the hash of what was read."""

from __future__ import annotations

import hashlib
import io
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.packing import packing_of, unpacked

_UTF8_BOM = b"\xef\xbb\xbf"
_UTF16_BOMS = (b"\xff\xfe", b"\xfe\xff")
_TEXT_CONTROLS = b"\t\n\r\f\v\x1a"
_CONTROLS = bytes(code for code in range(32) if code not in _TEXT_CONTROLS) + b"\x7f"
_PROBE_BYTES = 1 << 16
_LARGE = 1 << 22


@dataclass(frozen=True, eq=False, kw_only=True)
class LogText:
    """The text of a log and where it came from.

    Parameters
    ----------
    text
        UTF-8, lines ended by line feeds only, no byte-order mark.
    sha256
        Of the bytes on disk, before anything was unpacked; 64 hexadecimal digits.
    size_bytes
        Of the file on disk.
    lines
        How many there are.
    packing
        ``gzip``, ``xz``, ``bzip2`` or ``zip``; empty where the file is plain.
    encoding
        ``UTF-8``, ``UTF-16`` or, where it is neither, ``Windows-1252`` or ``Latin-1``.
    first_rows
        The lines of the first rows, by the form in which they were looked at.
    """

    path: str
    text: bytes
    sha256: str
    size_bytes: int
    lines: int = 0
    packing: str = ""
    encoding: str = "UTF-8"
    findings: tuple[Finding, ...] = ()
    first_rows: dict[object, list[str]] = field(default_factory=dict, repr=False)


@dataclass(frozen=True, eq=False, kw_only=True)
class RawFile:
    """The bytes of a file, the same before and after they were read."""

    path: str
    content: bytes
    sha256: str
    findings: tuple[Finding, ...] = ()


def load_text(path: str | Path, *, partial: bool = False) -> LogText:
    """Return the text of a plain, gzip, xz, bzip2 or zip file.

    Parameters
    ----------
    partial
        Read the complete lines of a file that is cut off or still being written.

    Raises
    ------
    LogError
        If there is no such file, or it is a folder, empty, binary, damaged, or changes while it is read.
    """
    return text_of(load_raw(path, partial=partial), partial=partial)


def load_raw(path: str | Path, *, partial: bool = False) -> RawFile:
    """Return the bytes of a file with their hash.

    Raises
    ------
    LogError
        If there is no such file, or it is a folder, empty, or changes while it is read.
    """
    place = Path(path)
    if place.is_dir():
        msg = "this is a folder; give one file"
        raise LogError(msg, path=path)
    try:
        before = place.stat()
        content, sha256 = read_hashed(place, before.st_size)
        after = place.stat()
    except FileNotFoundError:
        msg = "there is no such file"
        raise LogError(msg, path=path) from None
    except (OSError, ValueError) as error:
        msg = f"the file cannot be read ({getattr(error, 'strerror', None) or error})"
        raise LogError(msg, path=path) from error
    if not content:
        msg = "the file is empty; a table is needed"
        raise LogError(msg, path=path)
    findings = _checked_rest(before, after, content, path, partial=partial)
    return RawFile(path=str(path), content=content, sha256=sha256, findings=findings)


def text_of(raw: RawFile, *, partial: bool = False) -> LogText:
    """Return the text in the bytes of a file.

    Raises
    ------
    LogError
        If the file is binary or damaged, or holds only blanks.
    """
    packing = packing_of(raw.content)
    content, findings = unpacked(raw.content, raw.path, partial=partial)
    if partial and not content.endswith(b"\n") and b"\n" in content:
        content = content[: content.rindex(b"\n") + 1]
    text, encoding = decoded(content, raw.path)
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if not text[:_PROBE_BYTES].strip() and not text.strip():
        msg = "the file holds only blanks; a table is needed"
        raise LogError(msg, path=raw.path)
    return LogText(
        path=raw.path,
        text=text,
        sha256=raw.sha256,
        size_bytes=len(raw.content),
        lines=line_feeds(text, 0, len(text)) + (not text.endswith(b"\n")),
        packing=packing,
        encoding=encoding,
        findings=(*raw.findings, *findings),
    )


def read_hashed(path: Path, size: int) -> tuple[bytes, str]:
    """Return the bytes of a file and their SHA-256; a large file is hashed while it is read."""
    if size < _LARGE:
        content = path.read_bytes()
        return content, hashlib.sha256(content).hexdigest()
    memory, digest = io.BytesIO(bytes(size)), hashlib.sha256()
    taken = 0
    with path.open("rb", buffering=0) as file, memory.getbuffer() as room, ThreadPoolExecutor(1) as pool:
        coming = pool.submit(file.readinto, room[:_LARGE])
        while read := coming.result():
            piece = slice(taken, taken := taken + read)
            coming = pool.submit(file.readinto, room[taken : taken + _LARGE])
            digest.update(room[piece])
        rest = file.read()  # of a file that grew
    digest.update(rest)
    return memory.getvalue()[:taken] + rest, digest.hexdigest()  # the bytes themselves, where nothing changed


def _checked_rest(
    before: os.stat_result, after: os.stat_result, content: bytes, path: str | Path, *, partial: bool
) -> tuple[Finding, ...]:
    """Refuse a file that was written to while it was read, unless its complete lines are wanted."""
    same = (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
    if (same and len(content) in (after.st_size, 0)) or not after.st_size:  # devices state no size
        return ()
    if partial and after.st_size >= before.st_size:
        sentence = "The file grew while it was read; the lines complete at that moment were used."
        return (Finding(code="STILL_WRITTEN", severity="caution", sentence=sentence),)
    line = content.count(b"\n") + 1
    msg = (
        f"the file changed while it was read (from {before.st_size} to {after.st_size} bytes); read a copy, "
        "or take the lines that are complete with --set partial=yes (partial=True)"
    )
    raise LogError(msg, path=path, line=line)


def utf8(content: bytes, path: str | Path) -> bytes:
    """Return bytes of text as UTF-8 without byte-order mark, see :func:`decoded`."""
    return decoded(content, path)[0]


def decoded(content: bytes, path: str | Path) -> tuple[bytes, str]:
    """Return bytes of text as UTF-8 without byte-order mark, and what they were.

    Raises
    ------
    LogError
        If the bytes are no text.
    """
    if content.startswith(_UTF16_BOMS):
        try:
            return content.decode("utf-16").encode(), "UTF-16"
        except UnicodeError:
            raise _binary(path) from None
    probe = content[:_PROBE_BYTES]
    controls = len(probe) - len(probe.translate(None, _CONTROLS))
    if b"\x00" in content or controls > len(probe) / 1000:
        raise _binary(path)
    text = content.removeprefix(_UTF8_BOM)
    if text.isascii():
        return text, "UTF-8"
    try:
        text.decode()
    except UnicodeDecodeError:
        try:
            return text.decode("cp1252").encode(), "Windows-1252"
        except UnicodeDecodeError:  # five of its codes are no letters
            return text.decode("latin-1").encode(), "Latin-1"
    return text, "UTF-8"


def line_feeds(text: bytes, start: int, stop: int) -> int:
    """Return how many lines end between two places; several times as fast as ``bytes.count``."""
    count = 0
    for first in range(start, stop, _PROBE_BYTES):
        codes = np.frombuffer(text, np.uint8, min(_PROBE_BYTES, stop - first), first)
        count += int(np.count_nonzero(codes == ord("\n")))
    return count


def _binary(path: str | Path) -> LogError:
    msg = (
        "this is a binary file of no kind that is known here; a text table (plain, gzip, xz or zip), "
        "Parquet, HDF5 or NumPy file is needed"
    )
    return LogError(msg, path=path)
