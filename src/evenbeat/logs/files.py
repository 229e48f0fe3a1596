"""Bytes on disk → clean UTF-8 text with the hash of what was read; whole, or in blocks of whole lines."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import os
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from evenbeat.errors import LogError, blamed
from evenbeat.findings import Finding, caution

_MAGICS = {"gzip": b"\x1f\x8b", "xz": b"\xfd7zXZ\x00", "bzip2": b"BZh", "zip": b"PK\x03\x04"}
_OPENERS: dict[str, Callable[[BinaryIO], Any]] = {
    "": lambda file: file,
    "gzip": lambda file: gzip.GzipFile(fileobj=file),
    "xz": lzma.LZMAFile,
    "bzip2": bz2.BZ2File,
    "zip": lambda file: (archive := zipfile.ZipFile(file)).open(_member(archive)),
}
_DAMAGE = (zlib.error, lzma.LZMAError, zipfile.BadZipFile, OSError, ValueError)
_PIECE = 1 << 20
LARGEST_UNPACKED = 1 << 28
"""Bytes beyond which a file may not grow to more than ``LARGEST_RATIO`` times its size."""
LARGEST_RATIO = 100


def refuse_bomb(unpacked: int, size: int, what: str) -> None:
    """Refuse a file that becomes too large in memory for its size on disk, as no measured log does."""
    if unpacked > LARGEST_UNPACKED and unpacked > LARGEST_RATIO * size:
        msg = (
            f"the {what} would take {unpacked / 1e6:.0f} MB or more in memory, more than {LARGEST_RATIO} "
            "times its size, as no measured log does; if it is meant, unpack it to a text file first"
        )
        raise LogError(msg)


def packing_of(content: bytes) -> str:
    """Return how the bytes are packed: ``gzip``, ``xz``, ``bzip2``, ``zip``, or nothing."""
    for name, magic in _MAGICS.items():
        if content.startswith(magic):
            return name
    return ""


def unpacked(content: bytes, *, partial: bool = False) -> tuple[bytes, tuple[Finding, ...]]:
    """Return what was packed; plain bytes come back as they are.

    Of a file that was cut off what can be unpacked comes back where that is wanted, with a finding.
    """
    packing = packing_of(content)
    if not packing:
        return content, ()
    pieces, total, whole = list[bytes](), 0, True
    try:
        for piece in _pieces(io.BytesIO(content), packing):
            pieces.append(piece)
            total += len(piece)
            refuse_bomb(total, len(content), f"{packing} file")
    except EOFError:
        whole = False
    text = b"".join(pieces)
    if whole:
        return text, ()
    lines = text.count(b"\n")
    if not (partial and lines):
        msg = (
            f"the {packing} file ends too early (it was cut off while written or copied); copy it again, "
            "or take its complete lines with --set partial=yes (partial=True)"
        )
        raise LogError(msg, line=lines + 1)
    sentence = f"The {packing} file is cut off after line {lines}; the complete lines before were used."
    return text, (caution("CUT_OFF", sentence, lines=lines),)


def _pieces(file: BinaryIO, packing: str) -> Iterator[bytes]:
    """Yield what a file holds, about a megabyte at a time; ``EOFError`` where what was packed is cut off."""
    try:
        opened = _OPENERS[packing](file)
        while piece := opened.read1(_PIECE):
            yield piece
    except LogError:
        raise
    except _DAMAGE as error:
        cut = "cut off or " * (packing == "zip")
        msg = f"the {packing} file is {cut}damaged ({error}); copy it again"
        raise LogError(msg) from None
    except (RuntimeError, NotImplementedError) as error:
        msg = f"the zip file cannot be unpacked here ({error}); unpack it and give the log"
        raise LogError(msg) from None


def _member(archive: zipfile.ZipFile) -> zipfile.ZipInfo:
    """Return the only member."""
    members = [m for m in archive.infolist() if not (m.is_dir() or m.filename.startswith("__MACOSX"))]
    if any(m.filename.startswith(("xl/", "content.xml")) for m in members):
        msg = "this is a spreadsheet workbook; save the sheet of the log as CSV and give that file"
        raise LogError(msg)
    if len(members) != 1:
        named = ", ".join(m.filename for m in members[:4]) + (", …" if len(members) > 4 else "")
        msg = f"the zip file holds {len(members)} files ({named or 'none'}); unpack it and give the log"
        raise LogError(msg)
    return members[0]


_UTF8_BOM = b"\xef\xbb\xbf"
_UTF16_BOMS = (b"\xff\xfe", b"\xfe\xff")
_TEXT_CONTROLS = b"\t\n\r\f\v\x1a"
_CONTROLS = bytes(code for code in range(32) if code not in _TEXT_CONTROLS) + b"\x7f"
_PROBE_BYTES = 1 << 16


@dataclass(frozen=True, eq=False, kw_only=True)
class LogText:
    """The text of a log and where it came from."""

    path: str
    text: bytes = b""  # UTF-8, lines ended by line feeds only, no byte-order mark
    raw: bytes = field(default=b"", repr=False)  # the bytes on disk, until they are text
    sha256: str  # of the bytes on disk, before anything was unpacked; 64 hexadecimal digits
    size_bytes: int  # of the file on disk
    lines: int = 0  # how many there are
    packing: str = ""  # ``gzip``, ``xz``, ``bzip2`` or ``zip``; empty where the file is plain
    encoding: str = "UTF-8"  # ``UTF-8``, ``UTF-16`` or, where it is neither, ``Windows-1252`` or ``Latin-1``
    findings: tuple[Finding, ...] = ()
    # the cells of the first rows, by the form in which they were looked at
    first_rows: dict[object, list[list[str]]] = field(default_factory=dict, repr=False)


def load_text(path: str | Path, *, partial: bool = False) -> LogText:
    """Return the text of a plain or packed file, of one still written ``partial`` the complete lines."""
    with blamed(path):
        return text_of(load_raw(path, partial=partial), partial=partial)


def load_raw(path: str | Path, *, partial: bool = False) -> LogText:
    """Return the bytes of a file with their hash."""
    place = Path(path)
    if place.is_dir():
        msg = "this is a folder; give one file"
        raise LogError(msg)
    try:
        before = place.stat()
        content = place.read_bytes()
        after = place.stat()
    except FileNotFoundError:
        msg = "there is no such file"
        raise LogError(msg) from None
    except (OSError, ValueError) as error:
        msg = f"the file cannot be read ({getattr(error, 'strerror', None) or error})"
        raise LogError(msg) from error
    if not content:
        msg = "the file is empty; a table is needed"
        raise LogError(msg)
    findings = _checked_rest(before, after, content, partial=partial)
    sha256 = hashlib.sha256(content).hexdigest()
    return LogText(path=str(path), raw=content, sha256=sha256, size_bytes=len(content), findings=findings)


def text_of(file: LogText, *, partial: bool = False) -> LogText:
    """Return a file with the text in its bytes."""
    content, findings = unpacked(file.raw, partial=partial)
    if partial and not content.endswith(b"\n") and b"\n" in content:
        content = content[: content.rindex(b"\n") + 1]
    text, encoding = decoded(content)
    if not text[:_PROBE_BYTES].strip() and not text.strip():
        msg = "the file holds nothing but spaces; a table is needed"
        raise LogError(msg)
    return replace(
        file,
        text=text,
        raw=b"",
        lines=line_feeds(text, 0, len(text)) + (not text.endswith(b"\n")),
        packing=packing_of(file.raw),
        encoding=encoding,
        findings=(*file.findings, *findings),
    )


def _checked_rest(
    before: os.stat_result, after: os.stat_result, content: bytes, *, partial: bool
) -> tuple[Finding, ...]:
    """Refuse a file that was written to while it was read, unless its complete lines are wanted."""
    same = (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
    if (same and len(content) in (after.st_size, 0)) or not after.st_size:  # devices state no size
        return ()
    if partial and after.st_size >= before.st_size:
        sentence = "The file grew while it was read; the lines complete at that moment were used."
        return (caution("STILL_WRITTEN", sentence),)
    line = content.count(b"\n") + 1
    msg = (
        f"the file changed while it was read (from {before.st_size} to {after.st_size} bytes); read a copy, "
        "or take the lines that are complete with --set partial=yes (partial=True)"
    )
    raise LogError(msg, line=line)


def decoded(content: bytes) -> tuple[bytes, str]:
    """Return bytes of text as UTF-8 with line feeds, without byte-order mark, and what they were."""
    text, encoding = content.removeprefix(_UTF8_BOM), "UTF-8"
    probe = content[:_PROBE_BYTES]
    utf16 = content.startswith(_UTF16_BOMS)
    binary = not utf16 and (
        b"\x00" in content or len(probe) - len(probe.translate(None, _CONTROLS)) > len(probe) / 1000
    )
    ways = ("UTF-16",) if utf16 else ("UTF-8", "Windows-1252", "Latin-1")  # the second has no letter for five
    if not binary and (utf16 or not text.isascii()):
        for encoding in ways:
            try:
                text = content.decode("utf-16").encode() if utf16 else text.decode(encoding).encode()
                break
            except UnicodeError:
                binary = utf16
    if binary:
        msg = (
            "this is a binary file of no kind that is known here; a text table (plain, gzip, xz or zip), "
            "Parquet, HDF5 or NumPy file is needed"
        )
        raise LogError(msg)
    return (text.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in text else text), encoding


def line_feeds(text: bytes, start: int, stop: int) -> int:
    """Return how many lines end between two places; several times as fast as ``bytes.count``."""
    count = 0
    for first in range(start, stop, _PROBE_BYTES):
        codes = np.frombuffer(text, np.uint8, min(_PROBE_BYTES, stop - first), first)
        count += int(np.count_nonzero(codes == ord("\n")))
    return count


def blocks_of(
    path: Path, size: int, seen: Callable[[int], object], done: Callable[[str, int], None]
) -> Iterator[bytes]:
    """Yield blocks of whole lines, about ``size`` bytes of UTF-8 with line feeds.

    ``seen`` is called with numbers of bytes taken from the disk, ``done`` at the end with the SHA-256 and the
    size of the file.
    """
    before, lines, place = path.stat(), 0, 0
    with path.open("rb") as file:
        packing = packing_of(file.read(8))
        if packing == "zip":
            msg = "a zip file is not converted in blocks; unpack it and give the log"
            raise LogError(msg)
        file.seek(0)
        try:
            for block in _whole_lines(_pieces(file, packing), size):
                lines += block.count(b"\n")
                yield decoded(block)[0]
                seen(file.tell() - place)
                place = file.tell()
        except EOFError:
            msg = f"the {packing} file ends too early; copy it again"
            raise LogError(msg, line=lines + 1) from None
        file.seek(0)
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    after = path.stat()
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        was = f"from {before.st_size} to {after.st_size} bytes"
        msg = f"the file changed while it was read ({was}); convert a copy"
        raise LogError(msg, line=lines + 1)
    done(sha256, after.st_size)


def _whole_lines(pieces: Iterator[bytes], size: int) -> Iterator[bytes]:
    held = bytearray()
    for piece in pieces:
        held += piece
        while len(held) >= size:
            cut = held.rfind(b"\n", 0, size) + 1 or held.find(b"\n", size) + 1
            if not cut and len(held) > 4 * size:
                msg = f"no line ends within {len(held)} bytes; a table of readings is needed"
                raise LogError(msg)
            if not cut:
                break
            yield bytes(held[:cut])
            del held[:cut]
    cut = held.rfind(b"\n") + 1
    yield from (bytes(part) for part in (held[:cut], held[cut:]) if part)  # a torn end by itself
