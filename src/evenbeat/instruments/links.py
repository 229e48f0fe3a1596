"""Ways to an instrument: a TCP socket, a serial line, anything PyVISA opens by its resource name.

Every wait on the way ends early where somebody wishes to stop.
Resources are opened by name only and never listed: listing them broadcasts on the network.
"""

from __future__ import annotations

import select
import socket
import time
from typing import Any, Protocol, cast
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
        self.grace_until = float("inf")

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


class Link(Protocol):
    """One open way to an instrument; every method raises InstrumentError when it is gone."""

    def send(self, line: str) -> None:
        """Send one line."""

    def receive(self, time_limit_s: float, stop: Stop) -> bytes:
        """Return the next line without its end; empty if asked to stop."""

    def leftovers(self) -> bytes:
        """Return and forget what has come in unasked, to the end of a line that is on its way."""

    def close(self) -> None:
        """Let go of it."""


def check_address(address: str) -> None:
    """Refuse an address that has none of the known forms.

    Raises
    ------
    InputError
        Naming the forms that are known.
    """
    _parts(address)


def open_link(address: str, description: Description, *, visa_library: str = "@py") -> Link:
    """Return an open link.

    Parameters
    ----------
    address
        ``tcp://HOST:PORT``, ``serial:PORT`` with an optional ``?baud=19200``, or a VISA resource name
        such as ``TCPIP0::HOST::PORT::SOCKET``, ``USB0::…::INSTR`` or ``ASRL/dev/ttyUSB0::INSTR``.
    visa_library
        PyVISA's name of the library; ``@py`` is pure Python.

    Raises
    ------
    InputError
        If the address is not understood or an optional package is missing.
    InstrumentError
        If there is no way to the instrument.
    """
    kind, where, port = _parts(address)
    if kind == "tcp":
        return _SocketLink(where, port, description)
    if kind == "serial":
        return _SerialLink(where, port or description.baud, description)
    return _VisaLink(where, visa_library, description)


def _parts(address: str) -> tuple[str, str, int]:
    """Return the kind of way, where it leads, and the TCP port or the speed (0: not stated)."""
    if "::" in address and "://" not in address:
        return "visa", address, 0
    try:
        url = urlsplit(address)
        if url.scheme == "tcp" and url.hostname and url.port:
            return "tcp", url.hostname, url.port
        if url.scheme == "serial" and url.path:
            (baud,) = parse_qs(url.query).get("baud", ["0"])
            return "serial", url.path, int(baud)
    except ValueError:
        pass
    msg = (
        f"the address '{address}' is not understood; give tcp://HOST:PORT, serial:PORT or a VISA resource "
        "name such as TCPIP0::HOST::PORT::SOCKET"
    )
    raise InputError(msg)


class _Lines:
    """Bytes in pieces → lines; a line without end is not kept for ever."""

    def __init__(self, line_end: str) -> None:
        self._end = line_end.encode("ascii")
        self._held = bytearray()

    def add(self, piece: bytes) -> None:
        self._held += piece

    def next(self) -> bytes | None:
        place = self._held.find(self._end)
        if place < 0 and len(self._held) <= _LONGEST_LINE:
            return None
        length, skipped = (place, len(self._end)) if place >= 0 else (_LONGEST_LINE, 0)
        line = bytes(self._held[:length])
        del self._held[: length + skipped]
        return line

    def all(self) -> bytes:
        held = bytes(self._held)
        self._held.clear()
        return held

    @property
    def held(self) -> int:
        return len(self._held)

    @property
    def within_line(self) -> bool:
        return bool(self._held) and not self._held.endswith(self._end)


class _SocketLink:
    """A plain TCP connection."""

    def __init__(self, host: str, port: int, description: Description) -> None:
        self._where = f"tcp://{host}:{port}"
        self._end = description.line_end
        self._lines = _Lines(description.line_end)
        try:
            self._socket = socket.create_connection((host, port), timeout=_CONNECT_LIMIT_S)
        except OSError as error:
            raise _gone(self._where, error) from None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def send(self, line: str) -> None:
        """Send one line."""
        try:
            self._socket.sendall((line + self._end).encode("ascii"))
        except OSError as error:
            raise _gone(self._where, error) from None

    def receive(self, time_limit_s: float, stop: Stop) -> bytes:
        """Return the next line without its end."""
        return _received(self._lines, self._piece, self._where, time_limit_s, stop)

    def _piece(self, wait_s: float) -> bytes:
        try:
            if not select.select([self._socket], [], [], wait_s)[0]:
                return b""
            piece = self._socket.recv(4096)
        except OSError as error:
            raise _gone(self._where, error) from None
        if not piece:
            msg = f"{self._where}: the instrument has closed the connection"
            raise InstrumentError(msg)
        return piece

    def leftovers(self) -> bytes:
        """Return and forget what has come in unasked, to the end of a line that is on its way."""
        return _stray(self._lines, self._piece, self._where)

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()


class _SerialLink:
    """A serial line, a USB adapter or a pseudo-terminal."""

    def __init__(self, port: str, baud: int, description: Description) -> None:
        try:
            import serial
        except ImportError:
            msg = f"a serial line needs the package pyserial; {_EXTRA}"
            raise InputError(msg) from None
        self._where = f"serial:{port}"
        self._end = description.line_end
        self._lines = _Lines(description.line_end)
        try:
            self._port = serial.Serial(port, baud, timeout=_SLICE_S, write_timeout=_CONNECT_LIMIT_S)
            self._port.reset_input_buffer()
        except Exception as error:  # SerialException, termios.error, ValueError for a speed
            raise _gone(self._where, error) from None

    def send(self, line: str) -> None:
        """Send one line."""
        try:
            self._port.write((line + self._end).encode("ascii"))
        except Exception as error:
            raise _gone(self._where, error) from None

    def receive(self, time_limit_s: float, stop: Stop) -> bytes:
        """Return the next line without its end."""
        return _received(self._lines, self._piece, self._where, time_limit_s, stop)

    def _piece(self, wait_s: float) -> bytes:
        try:
            self._port.timeout = wait_s
            first: bytes = self._port.read(1)
            more: bytes = self._port.read(self._port.in_waiting) if first else b""
        except Exception as error:  # besides OSError: termios.error, TypeError where the port has vanished
            raise _gone(self._where, error) from None
        return first + more

    def leftovers(self) -> bytes:
        """Return and forget what has come in unasked, to the end of a line that is on its way."""
        return _stray(self._lines, self._piece, self._where)

    def close(self) -> None:
        """Close the port."""
        self._port.close()


class _VisaLink:
    """A VISA resource, opened by its name."""

    def __init__(self, name: str, library: str, description: Description) -> None:
        try:
            import pyvisa
        except ImportError:
            msg = f"the address '{name}' needs the package pyvisa; {_EXTRA}"
            raise InputError(msg) from None
        self._where = name
        self._errors = (pyvisa.errors.Error, OSError, ValueError)
        self._end = description.line_end
        self._lines = _Lines(description.line_end)
        self._needs_end = name.upper().startswith("ASRL") or name.upper().endswith("::SOCKET")
        try:
            self._manager = cast("Any", pyvisa.ResourceManager(library))
            self._resource: Any = self._manager.open_resource(name, open_timeout=int(_CONNECT_LIMIT_S * 1e3))
            self._resource.read_termination = description.line_end
            self._resource.write_termination = description.line_end
            if name.upper().startswith("ASRL"):
                self._resource.baud_rate = description.baud
        except Exception as error:  # the libraries behind VISA raise every class there is
            raise _gone(name, error) from None

    def send(self, line: str) -> None:
        """Send one line."""
        try:
            self._resource.write(line)
        except self._errors as error:
            raise _gone(self._where, error) from None

    def receive(self, time_limit_s: float, stop: Stop) -> bytes:
        """Return the next line without its end.

        A socket or serial line hands over what it has after a pause, whole or not: only the line's end
        tells that the answer is complete. Other buses mark the end of a message themselves.
        """
        limit = time.monotonic() + time_limit_s
        while (line := self._lines.next()) is None:
            if stop.requested:
                return b""
            left_s = limit - time.monotonic()
            if left_s <= 0:
                raise _silent(self._where, time_limit_s, self._lines.all())
            self._resource.timeout = max(1, int(left_s * 1e3))
            try:
                piece = self._resource.read_raw()
            except self._errors as error:
                raise _gone(self._where, error) from None
            self._lines.add(piece)
            if not self._needs_end and not piece.endswith(self._end.encode("ascii")):
                self._lines.add(self._end.encode("ascii"))
        return line

    def leftovers(self) -> bytes:
        """Return and forget what was read but not asked for."""
        return self._lines.all()

    def close(self) -> None:
        """Close the resource."""
        try:
            self._resource.close()
            self._manager.close()
        except self._errors:  # it was gone before
            return


def _received(lines: _Lines, piece: Any, where: str, time_limit_s: float, stop: Stop) -> bytes:
    limit = time.monotonic() + time_limit_s
    while (line := lines.next()) is None:
        if stop.requested and time.monotonic() > stop.grace_until:
            return b""
        left_s = limit - time.monotonic()
        if left_s <= 0:
            raise _silent(where, time_limit_s, lines.all())
        lines.add(piece(min(_SLICE_S, left_s)))
    return line


def _stray(lines: _Lines, piece: Any, where: str) -> bytes:
    """Take what was not asked for; its rest, coming later, would pass for an answer."""
    limit = time.monotonic() + _LONGEST_STRAY_S
    while coming := piece(_QUIET_S if lines.within_line else 0.0):
        lines.add(coming)
        if lines.held > _LARGEST_STRAY or time.monotonic() > limit:
            msg = f"{where}: the instrument sends without being asked and does not stop: {shown(lines.all())}"
            raise InstrumentError(msg)
    return lines.all()


def _gone(where: str, error: Exception) -> InstrumentError:
    reason = " ".join((getattr(error, "strerror", None) or str(error) or type(error).__name__).split())
    return InstrumentError(f"{where}: there is no link to the instrument ({reason})")


def _silent(where: str, time_limit_s: float, begun: bytes) -> InstrumentError:
    rest = f"; an answer had begun: {shown(begun)}" if begun else ""
    return InstrumentError(f"{where}: no complete answer came within {time_limit_s:g} s{rest}")
