"""Simulated instruments: a counter that speaks SCPI over real TCP, and a pair of pseudo-terminals."""

from __future__ import annotations

import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from evenbeat.instruments.description import Description

FIRST_HZ, STEP_HZ = 10_000_000.0, 0.001


class SimulatedCounter:
    """A counter on a loopback port; its k-th reading is 10 MHz + k mHz, so that every reading is known.

    ``behave`` may be set to a function of k that returns the bytes to send instead, in pieces with the
    pause before each; an empty list is silence.
    """

    def __init__(self) -> None:
        self.answered: list[int] = []
        self.heard: list[str] = []
        self.behave: Callable[[int], list[tuple[float, bytes]]] | None = None
        self._lock = threading.Lock()
        self._open: list[socket.socket] = []
        self.port = 0
        self.plug_in()

    @property
    def address(self) -> str:
        """Address for a plain TCP link."""
        return f"tcp://127.0.0.1:{self.port}"

    @property
    def resource(self) -> str:
        """VISA resource name."""
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def plug_in(self) -> None:
        """Listen, on the same port as before."""
        self._server = socket.create_server(("127.0.0.1", self.port))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._accept, args=(self._server,), daemon=True).start()

    def unplug(self) -> None:
        """Drop every connection and refuse new ones."""
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        while self._open:
            link = self._open.pop()
            with suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
            link.close()

    def _accept(self, server: socket.socket) -> None:
        while True:
            try:
                link, _ = server.accept()
            except OSError:
                return
            self._open.append(link)
            threading.Thread(target=self._serve, args=(link,), daemon=True).start()

    def _serve(self, link: socket.socket) -> None:
        try:
            with link.makefile("rb") as lines:
                for line in lines:
                    for pause_s, piece in self._answer(line.decode().strip()):
                        time.sleep(pause_s)
                        link.sendall(piece)
        except (OSError, ValueError):
            return

    def _answer(self, query: str) -> list[tuple[float, bytes]]:
        self.heard.append(query)
        if query == "*IDN?":
            return [(0.0, b"invented,simulated counter,0,1\n")]
        if query == "SYSTem:ERRor?":
            return [(0.0, b'0,"No error"\n')]
        if query == "MEASure:TEMPerature?":
            return [(0.0, b"+2.150E+01\n")]
        if not query.startswith("READ:"):
            return []
        with self._lock:
            k = len(self.answered)
            self.answered.append(k)
        if self.behave is not None:
            return self.behave(k)
        return [(0.0, reading(k))]


def reading(k: int) -> bytes:
    """Return the k-th reading as it is sent."""
    return f"{FIRST_HZ + k * STEP_HZ:.3f}\n".encode()


@pytest.fixture
def counter() -> Iterator[SimulatedCounter]:
    """Return a simulated counter that is plugged in."""
    simulated = SimulatedCounter()
    yield simulated
    simulated.unplug()


@pytest.fixture
def quick() -> Description:
    """Return what to ask the simulated counter, with short limits."""
    return Description(
        name="quick",
        title="simulated counter",
        quantity="frequency",
        unit="Hz",
        ask="READ:FREQuency?",
        every_s=0.005,
        time_limit_s=0.4,
    )


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """Return the instrument's end of a pseudo-terminal (descriptor) and the name of ours."""
    theirs, ours = os.openpty()
    tty.setraw(theirs)
    tty.setraw(ours)
    yield theirs, os.ttyname(ours)
    for descriptor in (theirs, ours):
        with suppress(OSError):
            os.close(descriptor)


def rows_of(folder: Path) -> list[list[str]]:
    """Return the cells of every row in all parts of a log, in order."""
    lines = [line for part in sorted(folder.glob("*.csv")) for line in part.read_text().splitlines()]
    return [line.split(",") for line in lines if line[:1].isdigit()]


def comments_of(folder: Path) -> str:
    """Return the comments in all parts of a log."""
    lines = [line for part in sorted(folder.glob("*.csv")) for line in part.read_text().splitlines()]
    return "\n".join(line for line in lines if line.startswith("#"))


@pytest.fixture
def rows_in() -> Callable[[Path], list[list[str]]]:
    """Return the function that gives the cells of every row of a log."""
    return rows_of


@pytest.fixture
def comments_in() -> Callable[[Path], str]:
    """Return the function that gives the comments of a log."""
    return comments_of
