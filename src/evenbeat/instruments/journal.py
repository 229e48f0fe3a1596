"""An append-only log in parts: whole rows only, on disk at a chosen rhythm, taken up again after a crash.

What a crash or a power cut has torn is set aside as a comment; nothing is lost.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from evenbeat.disk import sync
from evenbeat.errors import OutputError
from evenbeat.instruments.timekeeping import utc_from_text, utc_text
from evenbeat.units import counted

try:
    import fcntl
except ImportError:  # a system without such locks
    fcntl = None  # type: ignore[assignment]

_SECOND_NS = 1_000_000_000
_OURS = re.compile(rb"(?:#[^\n]*\n)+utc,")
"""How every part begins: comments and the names of the columns."""
_BEAT = re.compile(rb"(?m)^# (\S+) the beat of \S+ s counts from here$")
_BLOCK = 1 << 16
_LOOKED_BACK = 1 << 24
"""Bytes at the end of a log in which torn lines are looked for; more are never on their way to the disk."""


@dataclass(frozen=True, kw_only=True)
class Rhythm:
    """When rows are forced to the disk, and when a new part begins.

    Parameters
    ----------
    sync_s
        Longest time for which rows may wait in the computer's memory, where a power cut (not a killed
        process) would lose them; zero forces every row.
    part_s
        A new part begins at whole multiples of this since 1970 in UTC; infinity for never.
    part_bytes
        A new part begins before a part would grow beyond this; infinity for never.
    """

    sync_s: float = 1.0
    part_s: float = math.inf
    part_bytes: float = math.inf


class Journal:
    """The log of one collection, ``NAME-0001.csv`` and so on in the folder ``NAME``.

    Its settings stand as comments at the head of every part; a collection with other settings begins a new
    part. A row is handed to the system in one piece the moment it is complete, so that a killed process loses
    none. One collector may write into a folder at a time; the system forgets the lock with the process.
    """

    def __init__(
        self,
        folder: Path,
        *,
        settings: Sequence[str],
        columns: Sequence[str],
        rhythm: Rhythm,
        monotonic_ns: Callable[[], int],
    ) -> None:
        self.folder = folder
        self.last_utc_ns: int | None = None
        self._settings = "".join(f"# {line}\n" for line in settings)
        self._columns = ",".join(columns) + "\n"
        self._rhythm = rhythm
        self._monotonic_ns = monotonic_ns
        self._descriptor = -1
        self._size = 0
        self._unsynced_since: int | None = None
        self._part_period = 0
        self.holds_rows = False
        self.path = folder

    def open(self, now_ns: int) -> str:
        """Take up the log where it ended, or begin it; return in words what was found (empty: nothing)."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            newest = self._newest()
            if newest is None:
                self._begin_part(now_ns, "collection begins")
                return ""
            return self._take_up(newest, now_ns)
        except OSError as error:
            raise self._refused(error) from error

    def _take_up(self, newest: Path, now_ns: int) -> str:
        self._descriptor, self.path = self._locked(newest), newest
        if self._newest() != newest:
            raise OutputError(_taken(newest))
        tail = mend_tail(self._descriptor)
        self.last_utc_ns = tail.last_utc_ns
        self.holds_rows = tail.last_utc_ns is not None or _number(newest) > 1
        self._size = os.fstat(self._descriptor).st_size
        torn = f"; {counted(tail.set_aside, 'torn line')} set aside as a comment" if tail.set_aside else ""
        if tail.last_utc_ns is None:
            found = f"collection resumes, no row before{torn}"
        else:
            self._part_period = self._period(tail.last_utc_ns)
            since_s = (now_ns - tail.last_utc_ns) / _SECOND_NS
            found = f"collection resumes {since_s:.3f} s after the last row{torn}"
        if tail.last_utc_ns is not None and tail.last_utc_ns >= now_ns:
            self.new_part(now_ns, f"{found}: the computer's clock has gone back, so a new part begins")
        elif read_at(self._descriptor, len(settings := self._settings.encode()), 0) != settings:
            self.new_part(now_ns, f"{found} with other settings, so a new part begins")
        else:
            self.remark(now_ns, found)
        return found

    def _newest(self) -> Path | None:
        return max(self._parts(), key=_number, default=None)

    def _parts(self) -> list[Path]:
        pattern = re.compile(re.escape(self.folder.name) + r"-\d{4,}\.csv")
        return [path for path in self.folder.iterdir() if pattern.fullmatch(path.name)]

    def _locked(self, path: Path) -> int:
        descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
        if not _OURS.match(read_at(descriptor, _BLOCK, 0)):
            os.close(descriptor)
            raise OutputError(foreign(path))
        if fcntl is not None:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                os.close(descriptor)
                raise OutputError(_taken(path)) from None
        return descriptor

    def _begin_part(self, now_ns: int, why: str) -> None:
        """Begin the next part: its head is whole on disk before it gets its name."""
        newest = self._newest()
        number = 1 if newest is None else _number(newest) + 1
        path = self.folder / f"{self.folder.name}-{number:04d}.csv"
        unnamed = path.with_suffix(".new")
        head = f"{self._settings}# {utc_text(now_ns)} {why}\n{self._columns}".encode()
        try:
            with unnamed.open("wb", buffering=0) as file:
                write_at(file.fileno(), head, 0)
                os.fsync(file.fileno())
            unnamed.rename(path)
            sync(self.folder)
        except OSError:
            unnamed.unlink(missing_ok=True)
            raise
        descriptor = self._locked(path)
        self._let_go()
        self._descriptor, self.path, self._size = descriptor, path, len(head)
        self._part_period = self._period(now_ns)

    def see_to_its_place(self, now_ns: int) -> str:
        """Go on where the log is no longer under its name; return in words what was found (empty: nothing).

        A deleted log is put back whole: its rows live as long as it is open. One that was moved keeps its
        rows where it is now, and a new part begins.
        """
        mine = os.fstat(self._descriptor)
        try:
            there = self.path.stat()
            if (there.st_dev, there.st_ino) == (mine.st_dev, mine.st_ino):
                return ""
        except OSError:  # gone, or its folder is
            pass
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            if mine.st_nlink or self.path.exists():
                found = f"the log {self.path.name} was moved or replaced; a new part begins"
                self._begin_part(now_ns, found)
                self.last_utc_ns = None
                return found
            self._put_back()
        except OutputError:
            raise
        except OSError as error:
            raise self._refused(error) from error
        found = f"the log {self.path.name} was deleted while it was written; it was put back whole"
        self.remark(now_ns, found)
        return found

    def _put_back(self) -> None:
        unnamed = self.path.with_suffix(".new")
        with unnamed.open("wb", buffering=0) as file:
            for place in range(0, self._size, _BLOCK):
                write_at(file.fileno(), read_at(self._descriptor, _BLOCK, place), place)
            os.fsync(file.fileno())
        unnamed.rename(self.path)
        sync(self.folder)
        descriptor = self._locked(self.path)
        self._let_go()
        self._descriptor = descriptor

    def beat_from(self, now_ns: int, interval_s: float) -> int:
        """Return from which moment the beat counts, as the first part says; else from now on."""
        with min(self._parts(), key=_number).open("rb") as file:
            found = _BEAT.search(file.read(_BLOCK))
        stated = None if found is None else utc_from_text(found[1].decode("ascii"))
        if stated is None:
            self.remark(now_ns, f"the beat of {interval_s:g} s counts from here")
        return now_ns if stated is None else stated

    def new_part(self, now_ns: int, why: str) -> None:
        """End this part and begin the next, saying why in both."""
        self.remark(now_ns, why)
        try:
            self._begin_part(now_ns, why)
        except OutputError:
            raise
        except OSError as error:
            raise self._refused(error) from error
        self.last_utc_ns = None

    def row(self, utc_ns: int, cells: Sequence[str]) -> None:
        """Append one row; where the disk takes no more, what was written of it is taken back."""
        line = f"{utc_text(utc_ns)},{','.join(cells)}\n"
        full = self._size + len(line) > self._rhythm.part_bytes
        if full or self._period(utc_ns) > self._part_period:
            self.new_part(utc_ns, "the log goes on in a new part")
        self._append(line)
        self.last_utc_ns = utc_ns
        self.holds_rows = True

    def remark(self, utc_ns: int, text: str) -> None:
        """Append a comment."""
        self._append(f"# {utc_text(utc_ns)} {' '.join(text.split())}\n")

    def _append(self, line: str) -> None:
        data = line.encode("utf-8")
        try:
            write_at(self._descriptor, data, self._size)
        except OSError as error:
            os.ftruncate(self._descriptor, self._size)
            raise self._refused(error) from error
        self._size += len(data)
        if self._unsynced_since is None:
            self._unsynced_since = self._monotonic_ns()
        self.sync_if_due()

    def sync_if_due(self) -> None:
        """Force rows to the disk where they have waited long enough."""
        since = self._unsynced_since
        if since is not None and self._monotonic_ns() - since >= self._rhythm.sync_s * _SECOND_NS:
            self.sync()

    def sync(self) -> None:
        """Force all rows to the disk."""
        try:
            os.fsync(self._descriptor)
        except OSError as error:
            raise self._refused(error) from error
        self._unsynced_since = None

    def abandon(self) -> None:
        """Take a log away in which nothing was ever written, and its folder if that is empty."""
        self._let_go()
        try:
            self.path.unlink()
            self.folder.rmdir()
        except OSError:  # something else lives there
            return

    def close(self) -> None:
        """Force all rows to the disk and let go of the log."""
        try:
            self._let_go()
        except OSError as error:
            raise self._refused(error) from error

    def _let_go(self) -> None:
        if self._descriptor >= 0:
            descriptor, self._descriptor = self._descriptor, -1
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)
        self._unsynced_since = None

    def _period(self, utc_ns: int) -> int:
        seconds = self._rhythm.part_s
        return 0 if math.isinf(seconds) else utc_ns // round(seconds * _SECOND_NS)

    def _refused(self, error: OSError) -> OutputError:
        if isinstance(error, OutputError):
            return error
        reason = error.strerror or str(error)
        return OutputError(
            f"{self.path}: the log cannot be written ({reason}); all rows before are whole, and the same "
            "command takes the log up again once the cause is gone"
        )


def foreign(path: Path) -> str:
    """Return the sentence about a file that is not ours."""
    return f"{path}: this file was not written by a collection; move it away or give another folder"


def _number(path: Path) -> int:
    return int(path.stem.rpartition("-")[2])


def _taken(path: Path) -> str:
    return f"{path}: another collector writes into this folder; stop it first or give another folder"


class Tail(NamedTuple):
    """How a log ended."""

    last_utc_ns: int | None  # stamp of the last whole row, ``None`` where there is no row
    set_aside: int  # number of torn lines that have become comments


def mend_tail(descriptor: int) -> Tail:
    """Turn a torn end into comments and return how the log ended.

    A line without its line feed may be half a number: it is never taken for a reading. A power cut can
    also leave zero bytes where rows were on their way to the disk. Both are rewritten in place as
    comments that quote what was there, whole rows between them stay; should that be interrupted too, the
    next start does it again.
    """
    size = os.fstat(descriptor).st_size
    start = max(0, size - _LOOKED_BACK)
    tail = read_at(descriptor, size - start, start)
    zero = tail.find(b"\x00")
    whole = tail.rfind(b"\n", 0, len(tail) if zero < 0 else zero) + 1
    content, set_aside = _mended(tail[whole:])
    if content:
        write_at(descriptor, content, start + whole)
        os.ftruncate(descriptor, start + whole + len(content))
        os.fsync(descriptor)
    tail = tail[:whole] + content
    stop, last_utc_ns = len(tail), None
    while stop and last_utc_ns is None:
        begin = tail.rfind(b"\n", 0, stop - 1) + 1
        if tail[begin : begin + 1].isdigit():
            stamp = tail[begin:stop].partition(b",")[0]
            last_utc_ns = utc_from_text(stamp.decode("ascii", errors="replace"))
        stop = begin
    return Tail(last_utc_ns=last_utc_ns, set_aside=set_aside)


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


def _mended(torn: bytes) -> tuple[bytes, int]:
    """Return a torn end with its whole lines kept and the others as comments, and how many these are.

    A line is whole between two line feeds without a zero byte between them.
    """
    kept, torn_lines = [], 0
    lines = torn.split(b"\n")
    for number, line in enumerate(lines):
        if b"\x00" not in line and number < len(lines) - 1:
            kept.append(line + b"\n")
        elif text := line.replace(b"\x00", b""):
            quoted = "".join(c if " " <= c <= "~" else "?" for c in text.decode("ascii", errors="replace"))
            kept.append(f"# torn line set aside: {quoted}\n".encode("ascii"))
            torn_lines += 1
    if zeros := torn.count(b"\x00"):
        kept.append(f"# {zeros} zero bytes set aside, as a power cut leaves them\n".encode("ascii"))
    return b"".join(kept), torn_lines + (zeros > 0)
