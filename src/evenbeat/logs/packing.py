"""Packed bytes → the bytes that were packed: gzip, xz, bzip2, and zip with a single member."""

from __future__ import annotations

import bz2
import io
import lzma
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from evenbeat.errors import LogError
from evenbeat.findings import Finding

_MAGICS = {"gzip": b"\x1f\x8b", "xz": b"\xfd7zXZ\x00", "bzip2": b"BZh", "zip": b"PK\x03\x04"}
_DECODERS: dict[str, Callable[[], Any]] = {
    "gzip": lambda: zlib.decompressobj(wbits=31),
    "xz": lzma.LZMADecompressor,
    "bzip2": bz2.BZ2Decompressor,
}
_DAMAGE = (zlib.error, lzma.LZMAError, OSError, EOFError, ValueError)
_PIECE = 1 << 20
_GROWS_TO = 1 << 23
LARGEST_UNPACKED = 1 << 28
"""Bytes beyond which a file may not grow to more than ``LARGEST_RATIO`` times its size."""
LARGEST_RATIO = 100


def refuse_bomb(unpacked: int, size: int, what: str, path: str | Path) -> None:
    """Raise ``LogError`` where a file becomes too large for its size, as no measured log does.

    Parameters
    ----------
    unpacked, size
        Bytes in memory, so far, and in the file.
    what
        What it is, for the sentence.
    """
    if unpacked > LARGEST_UNPACKED and unpacked > LARGEST_RATIO * size:
        msg = (
            f"the {what} would take {unpacked / 1e6:.0f} MB or more in memory, more than {LARGEST_RATIO} "
            "times its size, as no measured log does; if it is meant, unpack it to a text file first"
        )
        raise LogError(msg, path=path)


def packing_of(content: bytes) -> str:
    """Return how the bytes are packed: ``gzip``, ``xz``, ``bzip2``, ``zip``, or nothing."""
    for name, magic in _MAGICS.items():
        if content.startswith(magic):
            return name
    return ""


def unpacked(content: bytes, path: str | Path, *, partial: bool = False) -> tuple[bytes, tuple[Finding, ...]]:
    """Return what was packed; plain bytes come back as they are.

    Parameters
    ----------
    partial
        Return what can be unpacked of a file that was cut off, with a finding.

    Raises
    ------
    LogError
        If the file is cut off or damaged, or a zip file holds no single member.
    """
    packing = packing_of(content)
    if not packing:
        return content, ()
    if packing == "zip":
        return _single_member(content, path), ()
    pieces, whole = _decoded(content, packing, path)
    text = b"".join(pieces)
    if whole:
        return text, ()
    lines = text.count(b"\n")
    if not (partial and lines):
        msg = (
            f"the {packing} file ends too early (it was cut off while written or copied); copy it again, "
            "or take its complete lines with --set partial=yes (partial=True)"
        )
        raise LogError(msg, path=path, line=lines + 1)
    sentence = f"The {packing} file is cut off after line {lines}; the complete lines before were used."
    finding = Finding(code="CUT_OFF", severity="caution", sentence=sentence, values={"lines": lines})
    return text, (finding,)


def _decoded(content: bytes, packing: str, path: str | Path) -> tuple[list[bytes], bool]:
    """Return the unpacked pieces of all joined streams and whether the last one is complete."""
    pieces: list[bytes] = []
    total = 0
    rest: bytes | memoryview = content
    while len(rest):
        decoder = _DECODERS[packing]()
        start = 0
        try:
            while start < len(rest) and not decoder.eof:
                for piece in _grown(decoder, rest[start : start + _PIECE]):
                    pieces.append(piece)
                    total += len(piece)
                    refuse_bomb(total, len(content), f"{packing} file", path)
                start += _PIECE
        except LogError:
            raise
        except _DAMAGE as error:
            if b"".join(pieces[:1]) and not _may_begin(rest, packing):
                break  # padding behind the last stream
            msg = f"the {packing} file is damaged ({error}); copy it again"
            raise LogError(msg, path=path) from None
        if not decoder.eof:
            return pieces, False
        unused = len(decoder.unused_data)
        consumed = min(start, len(rest)) - unused
        rest = bytes(rest[consumed:]).lstrip(b"\x00")
    return pieces, True


def _grown(decoder: Any, packed: bytes | memoryview) -> Iterator[bytes]:
    """Yield what some packed bytes become, at most a few megabytes at a time."""
    while len(packed) or not getattr(decoder, "needs_input", True):
        yield decoder.decompress(packed, _GROWS_TO)
        packed = getattr(decoder, "unconsumed_tail", b"")  # of zlib; the others keep it to themselves
        if decoder.eof:
            return


def _may_begin(rest: bytes | memoryview, packing: str) -> bool:
    return bytes(rest[: len(_MAGICS[packing])]) == _MAGICS[packing]


def _single_member(content: bytes, path: str | Path) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            member = _member(archive, path)
            pieces, total = [], 0
            with archive.open(member) as file:
                while piece := file.read(_GROWS_TO):
                    pieces.append(piece)
                    total += len(piece)
                    refuse_bomb(total, len(content), "zip file", path)
            return b"".join(pieces)
    except LogError:
        raise
    except (zipfile.BadZipFile, EOFError, *_DAMAGE) as error:
        msg = f"the zip file is cut off or damaged ({error}); copy it again"
        raise LogError(msg, path=path) from None
    except (RuntimeError, NotImplementedError) as error:
        msg = f"the zip file cannot be unpacked here ({error}); unpack it and give the log"
        raise LogError(msg, path=path) from None


def _member(archive: zipfile.ZipFile, path: str | Path) -> zipfile.ZipInfo:
    """Return the only member."""
    members = [m for m in archive.infolist() if not (m.is_dir() or m.filename.startswith("__MACOSX"))]
    if any(m.filename.startswith(("xl/", "content.xml")) for m in members):
        msg = "this is a spreadsheet workbook; save the sheet of the log as CSV and give that file"
        raise LogError(msg, path=path)
    if len(members) != 1:
        named = ", ".join(m.filename for m in members[:4]) + (", …" if len(members) > 4 else "")
        msg = f"the zip file holds {len(members)} files ({named or 'none'}); unpack it and give the log"
        raise LogError(msg, path=path)
    return members[0]
