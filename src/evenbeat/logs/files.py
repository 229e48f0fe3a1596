"""Bytes on disk → clean UTF-8 text with the hash of what was read."""

from __future__ import annotations

import gzip
import hashlib
import zlib
from dataclasses import dataclass
from pathlib import Path

from evenbeat.errors import LogError

GZIP_MAGIC = b"\x1f\x8b"
_UTF8_BOM = b"\xef\xbb\xbf"
_UTF16_BOMS = (b"\xff\xfe", b"\xfe\xff")
_TEXT_CONTROLS = b"\t\n\r\f\v\x1a"
_CONTROLS = bytes(code for code in range(32) if code not in _TEXT_CONTROLS) + b"\x7f"
_PROBE_BYTES = 1 << 16


@dataclass(frozen=True, eq=False, kw_only=True)
class LogText:
    """The text of a log and where it came from.

    Parameters
    ----------
    text
        UTF-8, lines ended by line feeds only, no byte-order mark.
    sha256, size_bytes
        Of the bytes on disk, before anything was unpacked.
    """

    path: str
    text: bytes
    sha256: str
    size_bytes: int


def load_text(path: str | Path) -> LogText:
    """Return the text of a plain or gzip file.

    Raises
    ------
    LogError
        If there is no such file, or it is a folder, empty, binary, or a damaged gzip file.
    """
    raw = _read_bytes(Path(path))
    if not raw:
        msg = "the file is empty; a table of readings is needed"
        raise LogError(msg, path=path)
    content = _unpacked(raw, path) if raw.startswith(GZIP_MAGIC) else raw
    text = _utf8(content, path)
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if not text.strip():
        msg = "the file holds only blanks; a table of readings is needed"
        raise LogError(msg, path=path)
    return LogText(path=str(path), text=text, sha256=hashlib.sha256(raw).hexdigest(), size_bytes=len(raw))


def _read_bytes(path: Path) -> bytes:
    if path.is_dir():
        msg = "this is a folder; give the file of one log"
        raise LogError(msg, path=path)
    try:
        return path.read_bytes()
    except FileNotFoundError:
        msg = "there is no such file"
        raise LogError(msg, path=path) from None
    except (OSError, ValueError) as error:
        msg = f"the file cannot be read ({getattr(error, 'strerror', None) or error})"
        raise LogError(msg, path=path) from error


def _unpacked(raw: bytes, path: str | Path) -> bytes:
    try:
        return gzip.decompress(raw)
    except EOFError:
        msg = "the gzip file ends too early (it was cut off while written or copied); copy it again"
        raise LogError(msg, path=path) from None
    except (OSError, zlib.error) as error:
        msg = f"the gzip file is damaged ({error}); copy it again"
        raise LogError(msg, path=path) from None


def _utf8(content: bytes, path: str | Path) -> bytes:
    if content.startswith(_UTF16_BOMS):
        try:
            return content.decode("utf-16").encode()
        except UnicodeError:
            raise _binary(path) from None
    probe = content[:_PROBE_BYTES]
    controls = len(probe) - len(probe.translate(None, _CONTROLS))
    if b"\x00" in content or controls > len(probe) / 1000:
        raise _binary(path)
    text = content.removeprefix(_UTF8_BOM)
    if text.isascii():
        return text
    try:
        text.decode()
    except UnicodeDecodeError:
        return text.decode("latin-1").encode()
    return text


def _binary(path: str | Path) -> LogError:
    return LogError("this is a binary file; a text table (plain or gzip) is needed", path=path)
