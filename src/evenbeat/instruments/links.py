"""Ways to an instrument: a TCP socket, a serial line, anything PyVISA opens by its resource name.

Every wait on the way ends early where somebody wishes to stop.
Resources are opened by name only and never listed: listing them broadcasts on the network.
"""

from __future__ import annotations

import math
import select
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, cast
from urllib.parse import parse_qs, urlsplit

from evenbeat.errors import InputError, InstrumentError
from evenbeat.instruments.description import Description, shown

_LONGEST_LINE = 4096
_QUIET_S = 0.05
"""A line that has begun and stands still for so long was a prompt, not half a line."""
_LONGEST_STRAY_S = 2.0
_LARGEST_STRAY = 1 << 16
_SLICE_S, _NAP_S = 0.1, 0.05
GRACE_S = 2.0
"""How long a reading in flight may still take after the wish to stop."""
_CONNECT_LIMIT_S = 10.0
_EXTRA = 'install what it takes with: pip install "evenbeat[collect]"'


class Stop:
    """A wish that a signal handler may state at any moment; no lock, so that no handler can hang on it."""

    def __init__(self) -> None:
        self.requested = False
        self.grace_until = math.inf

    def request(self, grace_s: float = GRACE_S) -> None:
        """Wish to stop; a reading in flight may still take that long."""
        self.grace_until = time.monotonic() + grace_s
        self.requested = True

    def wait(self, seconds: float) -> bool:
        """Sleep that long unless asked to stop before; return whether asked to."""
        limit = time.monotonic() + seconds
        while not self.requested and (left := limit - time.monotonic()) > 0:
            time.sleep(min(_NAP_S, left))
        return self.requested


def address_parts(address: str) -> tuple[str, str, int]:
    """Return the kind of way, where it leads, and the TCP port or the speed (0: not stated)."""
    if "::" in address and "://" not in address:
        return "visa", address, 0
    with suppress(ValueError):
        url = urlsplit(address)
        if url.scheme == "tcp" and url.hostname and url.port:
            return "tcp", url.hostname, url.port
        if url.scheme == "serial" and url.path:
            (baud,) = parse_qs(url.query).get("baud", ["0"])
            return "serial", url.path, int(baud)
    msg = (
        f"the address '{address}' is not understood; give tcp://HOST:PORT, serial:PORT or a VISA resource "
        "name such as TCPIP0::HOST::PORT::SOCKET"
    )
    raise InputError(msg)


def open_link(address: str, description: Description, *, visa_library: str = "@py") -> Link:
    """Return an open link; an address of no known form, or for which a package is missing, is an InputError.

    Known are ``tcp://HOST:PORT``, ``serial:PORT`` with an optional ``?baud=19200``, and VISA resource names
    such as ``TCPIP0::HOST::PORT::SOCKET``, ``USB0::…::INSTR`` or ``ASRL/dev/ttyUSB0::INSTR``.
    """
    kind, where, port = address_parts(address)
    if kind == "tcp":
        return _SocketLink(where, port, description)
    if kind == "serial":
        return _SerialLink(where, port or description.baud, description)
    return _VisaLink(where, visa_library, description)


class Link:
    """One open way to an instrument, line by line; every method raises InstrumentError when it is gone."""

    _longest_wait_s = _SLICE_S  # for a piece, so that a wish to stop is soon seen

    def __init__(self, where: str, description: Description) -> None:
        self._where, self._end, self._held = where, description.line_end.encode("ascii"), bytearray()

    def send(self, line: str) -> None:
        """Send one line."""
        with _told(self._where):
            self._write(line.encode("ascii") + self._end)

    def receive(self, time_limit_s: float, stop: Stop) -> bytes:
        """Return the next line without its end; empty if asked to stop."""
        limit = time.monotonic() + time_limit_s
        while (place := self._held.find(self._end)) < 0 and len(self._held) <= _LONGEST_LINE:
            now = time.monotonic()
            if stop.requested and now > stop.grace_until:
                return b""
            if now >= limit:
                rest = f"; an answer had begun: {shown(self._all())}" if self._held else ""
                msg = f"{self._where}: no complete answer came within {time_limit_s:g} s{rest}"
                raise InstrumentError(msg)
            self._take(min(self._longest_wait_s, limit - now))
        length, skipped = (place, len(self._end)) if place >= 0 else (_LONGEST_LINE, 0)
        line = bytes(self._held[:length])
        del self._held[: length + skipped]
        return line

    def leftovers(self) -> bytes:
        """Return and forget what has come in unasked, to the end of a line that is on its way.

        The rest of such a line, coming later, would pass for an answer.
        """
        limit = time.monotonic() + _LONGEST_STRAY_S
        while self._take(_QUIET_S if self._held and not self._held.endswith(self._end) else 0.0):
            if len(self._held) > _LARGEST_STRAY or time.monotonic() > limit:
                sent = shown(self._all())
                msg = f"{self._where}: the instrument sends without being asked and does not stop: {sent}"
                raise InstrumentError(msg)
        return self._all()

    def close(self) -> None:
        """Let go of it."""
        raise NotImplementedError

    def _write(self, line: bytes) -> None:
        raise NotImplementedError

    def _piece(self, wait_s: float) -> bytes:
        """Return what has come within that time."""
        raise NotImplementedError

    def _take(self, wait_s: float) -> bool:
        with _told(self._where):
            piece = self._piece(wait_s)
        self._held += piece
        return bool(piece)

    def _all(self) -> bytes:
        held = bytes(self._held)
        self._held.clear()
        return held


class _SocketLink(Link):
    """A plain TCP connection."""

    def __init__(self, host: str, port: int, description: Description) -> None:
        super().__init__(f"tcp://{host}:{port}", description)
        with _told(self._where):
            self._socket = socket.create_connection((host, port), timeout=_CONNECT_LIMIT_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def _write(self, line: bytes) -> None:
        self._socket.sendall(line)

    def _piece(self, wait_s: float) -> bytes:
        if not select.select([self._socket], [], [], wait_s)[0]:
            return b""
        piece = self._socket.recv(4096)
        if not piece:
            msg = f"{self._where}: the instrument has closed the connection"
            raise InstrumentError(msg)
        return piece

    def close(self) -> None:
        self._socket.close()


class _SerialLink(Link):
    """A serial line, a USB adapter or a pseudo-terminal."""

    def __init__(self, port: str, baud: int, description: Description) -> None:
        super().__init__(f"serial:{port}", description)
        try:
            import serial
        except ImportError:
            msg = f"a serial line needs the package pyserial; {_EXTRA}"
            raise InputError(msg) from None
        with _told(self._where):
            self._port = serial.Serial(port, baud, timeout=_SLICE_S, write_timeout=_CONNECT_LIMIT_S)
            self._port.reset_input_buffer()

    def _write(self, line: bytes) -> None:
        self._port.write(line)

    def _piece(self, wait_s: float) -> bytes:
        self._port.timeout = wait_s
        first: bytes = self._port.read(1)
        more: bytes = self._port.read(self._port.in_waiting) if first else b""
        return first + more

    def close(self) -> None:
        self._port.close()


class _VisaLink(Link):
    """A VISA resource, opened by its name.

    A socket or serial line hands over what it has after a pause, whole or not: only the line's end tells that
    the answer is complete. Other buses mark the end of a message themselves, and no wait for one is cut.
    """

    _longest_wait_s = math.inf

    def __init__(self, name: str, library: str, description: Description) -> None:
        super().__init__(name, description)
        try:
            import pyvisa
        except ImportError:
            msg = f"the address '{name}' needs the package pyvisa; {_EXTRA}"
            raise InputError(msg) from None
        self._errors = (pyvisa.errors.Error, OSError, ValueError)
        self._needs_end = name.upper().startswith("ASRL") or name.upper().endswith("::SOCKET")
        with _told(name):
            self._manager = cast("Any", pyvisa.ResourceManager(library))
            self._resource: Any = self._manager.open_resource(name, open_timeout=int(_CONNECT_LIMIT_S * 1e3))
            self._resource.read_termination = description.line_end
            if name.upper().startswith("ASRL"):
                self._resource.baud_rate = description.baud

    def receive(self, time_limit_s: float, stop: Stop) -> bytes:
        return b"" if stop.requested else super().receive(time_limit_s, stop)

    def _write(self, line: bytes) -> None:
        self._resource.write_raw(line)

    def _piece(self, wait_s: float) -> bytes:
        self._resource.timeout = max(1, int(wait_s * 1e3))
        piece: bytes = self._resource.read_raw()
        return piece if self._needs_end or piece.endswith(self._end) else piece + self._end

    def leftovers(self) -> bytes:
        return self._all()

    def close(self) -> None:
        with suppress(*self._errors):  # it was gone before
            self._resource.close()
            self._manager.close()


@contextmanager
def _told(where: str) -> Iterator[None]:
    """Say in one sentence what a library complains of: besides OSError they raise every class there is."""
    try:
        yield
    except InstrumentError:
        raise
    except Exception as error:
        reason = " ".join((getattr(error, "strerror", None) or str(error) or type(error).__name__).split())
        msg = f"{where}: there is no link to the instrument ({reason})"
        raise InstrumentError(msg) from None
