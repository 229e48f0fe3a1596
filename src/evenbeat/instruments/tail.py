"""The end of a log that a crash or a power cut has left: what is torn is set aside, nothing is lost."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass

from evenbeat.instruments.timekeeping import utc_from_text

_BLOCK = 1 << 16


@dataclass(frozen=True, kw_only=True)
class Tail:
    """How a log ended.

    Parameters
    ----------
    last_utc_ns
        Stamp of the last whole row, ``None`` where there is no row.
    set_aside
        Number of torn lines that have become comments.
    """

    last_utc_ns: int | None
    set_aside: int


def mend_tail(descriptor: int) -> Tail:
    """Turn a torn end into comments and return how the log ended.

    A line without its line feed may be half a number: it is never taken for a reading. A power cut can
    also leave zero bytes where rows were on their way to the disk. Both are rewritten in place as
    comments that quote what was there; should that be interrupted too, the next start does it again.
    """
    size = os.fstat(descriptor).st_size
    torn_from = _torn_from(descriptor, size)
    torn = read_at(descriptor, size - torn_from, torn_from)
    comments = _as_comments(torn)
    if torn:
        content = "".join(comments).encode("ascii")
        write_at(descriptor, content, torn_from)
        os.ftruncate(descriptor, torn_from + len(content))
        os.fsync(descriptor)
    return Tail(last_utc_ns=_last_stamp(descriptor, torn_from), set_aside=len(comments))


def read_at(descriptor: int, count: int, offset: int) -> bytes:
    """Return so many bytes from there; fewer where the file ends."""
    os.lseek(descriptor, offset, os.SEEK_SET)
    content = b""
    while len(content) < count and (piece := os.read(descriptor, count - len(content))):
        content += piece
    return content


def write_at(descriptor: int, data: bytes, offset: int) -> None:
    """Write all of it there; the system takes a line in one piece unless the disk is full."""
    os.lseek(descriptor, offset, os.SEEK_SET)
    done = 0
    while done < len(data):
        done += os.write(descriptor, data[done:])


def _torn_from(descriptor: int, size: int) -> int:
    """Return where the torn end begins: after the last line feed that no zero byte precedes."""
    bad = size
    for start, block in _blocks_backwards(descriptor, size):
        zero = block.find(b"\x00")
        if zero >= 0:
            bad = start + zero
            continue
        if bad < start + len(block):
            block = block[: bad - start]  # noqa: PLW2901
        place = block.rfind(b"\n")
        if place >= 0:
            return start + place + 1
    begin = read_at(descriptor, min(bad, _BLOCK), 0)
    return begin.rfind(b"\n") + 1


def _blocks_backwards(descriptor: int, size: int) -> Iterator[tuple[int, bytes]]:
    end = size
    while end > 0:
        start = max(0, end - _BLOCK)
        yield start, read_at(descriptor, end - start, start)
        end = start


def _as_comments(torn: bytes) -> list[str]:
    zeros = torn.count(b"\x00")
    lines = [line for line in torn.replace(b"\x00", b"").split(b"\n") if line]
    comments = [f"# torn line set aside: {_printable(line)}\n" for line in lines]
    if zeros:
        comments.append(f"# {zeros} zero bytes set aside, as a power cut leaves them\n")
    return comments


def _printable(line: bytes) -> str:
    return "".join(c if " " <= c <= "~" else "?" for c in line.decode("ascii", errors="replace"))


def _last_stamp(descriptor: int, end: int) -> int | None:
    """Return the stamp of the last row before ``end``."""
    later = b""
    for start, block in _blocks_backwards(descriptor, end):
        lines = (block + later).split(b"\n")
        whole = lines if start == 0 else lines[1:]
        for line in reversed(whole):
            if line[:1].isdigit():
                stamp = utc_from_text(line.partition(b",")[0].decode("ascii", errors="replace"))
                if stamp is not None:
                    return stamp
        later = lines[0]
    return None
