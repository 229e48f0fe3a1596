"""Links: the same talk over TCP, a pseudo-terminal, PyVISA and its simulator; trouble is one sentence."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from evenbeat.errors import InputError, InstrumentError
from evenbeat.instruments.description import Description
from evenbeat.instruments.links import Stop, address_parts, open_link

pytest.importorskip("serial", reason="the extra 'collect' is not installed")
pytest.importorskip("pyvisa_py", reason="the extra 'collect' is not installed")

SIMULATED = """
spec: "1.0"
devices:
  invented:
    eom:
      TCPIP INSTR: {q: "\\n", r: "\\n"}
    dialogues:
      - {q: "*IDN?", r: "invented,simulated counter,0,1"}
      - {q: "READ:FREQuency?", r: "+1.000000000123E+07"}
resources:
  TCPIP::counter.invalid::INSTR: {device: invented}
"""


def echo_readings(descriptor: int, count: int) -> threading.Thread:
    """Answer so many queries on a pseudo-terminal."""

    def _answer() -> None:
        for k in range(count):
            query = b""
            while not query.endswith(b"\n"):
                query += os.read(descriptor, 100)
            os.write(descriptor, f"{query.decode().strip()}{k}\n".encode())

    thread = threading.Thread(target=_answer, daemon=True)
    thread.start()
    return thread


def asked(address: str, description: Description, query: str = "READ:FREQuency?", **options: str) -> bytes:
    """Return one answer."""
    link = open_link(address, description, **options)
    try:
        link.send(query)
        return link.receive(2.0, Stop())
    finally:
        link.close()


def test_tcp_and_visa_socket_say_the_same(counter: Any, quick: Description) -> None:
    """A plain socket and PyVISA's pure-Python socket bring the same lines from a real TCP server."""
    assert asked(counter.address, quick) == b"10000000.000"
    assert asked(counter.resource, quick) == b"10000000.001"
    assert asked(counter.resource, quick, "*IDN?") == b"invented,simulated counter,0,1"


@pytest.mark.parametrize("form", ["serial:{}?baud=19200", "ASRL{}::INSTR"])
def test_serial_lines_through_a_pseudo_terminal(
    form: str, terminal: tuple[int, str], quick: Description
) -> None:
    """A serial line directly, and PyVISA's serial resource."""
    theirs, name = terminal
    echo_readings(theirs, 1)

    assert asked(form.format(name), quick, "7") == b"70"


WATCHED = """
import sys
from pathlib import Path
from evenbeat.instruments.collect import collect
spoken = []
def watch(event, arguments):
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo", "socket.bind"):
        spoken.append((event, arguments[1:] if event != "socket.getaddrinfo" else arguments[:2]))
sys.addaudithook(watch)
collect("frequency_query", sys.argv[1], sys.argv[2], interval_s=0.01, rows=3)
sys.stdout.write(repr(spoken))
"""


@pytest.mark.parametrize("way", ["address", "resource"])
def test_nothing_but_the_instrument_is_spoken_to(way: str, counter: Any, tmp_path: Path) -> None:
    """No search of the network: the only address that is ever named to the system is the one that was given.

    Watched by the audit events of Python's socket module.
    """
    done = subprocess.run(
        [sys.executable, "-c", WATCHED, getattr(counter, way), str(tmp_path / "bench")],
        capture_output=True,
        text=True,
        check=True,
    )
    spoken = ast.literal_eval(done.stdout)
    named = [arguments[0] for event, arguments in spoken if event == "socket.connect"]

    assert named == [("127.0.0.1", counter.port)]
    assert {event for event, _ in spoken} <= {"socket.connect", "socket.getaddrinfo"}
    assert all(arguments[0] == "127.0.0.1" for event, arguments in spoken if event == "socket.getaddrinfo")


def test_visa_simulator(tmp_path: Path, quick: Description) -> None:
    """A message-based instrument of the PyVISA simulator, opened by its explicit name."""
    path = tmp_path / "simulated.yaml"
    path.write_text(SIMULATED)

    answer = asked("TCPIP::counter.invalid::INSTR", quick, visa_library=f"{path}@sim")
    assert answer == b"+1.000000000123E+07"


@pytest.mark.parametrize("way", ["address", "resource"])
def test_answer_in_two_pieces_is_one_answer(way: str, counter: Any, quick: Description) -> None:
    """A pause within an answer never makes half a number of it."""
    counter.behave = lambda _: [(0.0, b"1000"), (0.7, b"0000.5\n")]

    assert asked(getattr(counter, way), quick) == b"10000000.5"


@pytest.mark.parametrize("way", ["address", "resource"])
def test_silence_is_told_after_the_limit(way: str, counter: Any, quick: Description) -> None:
    """No answer within the limit; what had begun is quoted, not taken for a number."""
    counter.behave = lambda _: [(0.0, b"1000")]
    link = open_link(getattr(counter, way), quick)
    link.send("READ:FREQuency?")
    begun = time.monotonic()
    with pytest.raises(InstrumentError, match=r"no complete answer came within 0.4 s|timeout|Timeout"):
        link.receive(0.4, Stop())
    assert 0.3 < time.monotonic() - begun < 2.0
    link.close()


def test_closed_connection_is_told_at_once(counter: Any, quick: Description) -> None:
    """An instrument that closes its socket is noticed without waiting for the limit."""
    link = open_link(counter.address, quick)
    link.send("*IDN?")
    link.receive(1.0, Stop())
    counter.unplug()
    begun = time.monotonic()
    with pytest.raises(InstrumentError, match=r"tcp://127\.0\.0\.1:\d+: "):
        link.receive(10.0, Stop())
    assert time.monotonic() - begun < 2.0
    link.close()
    counter.plug_in()


def test_unplugged_serial_adapter_is_told(terminal: tuple[int, str], quick: Description) -> None:
    """A pseudo-terminal whose other end is gone, as a USB adapter that was pulled."""
    theirs, name = terminal
    link = open_link(f"serial:{name}", quick)
    os.close(theirs)
    with pytest.raises(InstrumentError, match=f"serial:{name}: there is no link to the instrument"):
        link.receive(0.5, Stop())
    link.close()


@pytest.mark.parametrize(
    ("address", "sentence"),
    [
        (
            "tcp://127.0.0.1:1",
            r"tcp://127\.0\.0\.1:1: there is no link to the instrument \(Connection refused\)",
        ),
        (
            "serial:/dev/no-such-port",
            r"serial:/dev/no-such-port: there is no link to the instrument \(.*No such",
        ),
        (
            "ASRL/dev/no-such-port::INSTR",
            r"ASRL/dev/no-such-port::INSTR: there is no link to the instrument \(",
        ),
        ("NONSENSE::1", r"NONSENSE::1: there is no link to the instrument \("),
    ],
)
def test_no_way_to_the_instrument(address: str, sentence: str, quick: Description) -> None:
    """The sentence names the address and the reason, on one line."""
    with pytest.raises(InstrumentError, match=sentence) as caught:
        open_link(address, quick)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "address", ["", "10.0.0.1:5025", "tcp://host", "tcp://host:x", "http://host:80", "serial:"]
)
def test_address_of_no_known_form(address: str) -> None:
    """What is no address is told before anything is opened."""
    with pytest.raises(InputError, match="is not understood; give tcp://HOST:PORT, serial:PORT or a VISA"):
        address_parts(address)


def test_line_ends_and_leftovers(counter: Any, quick: Description) -> None:
    """Two lines in one piece are two answers; what nobody asked for can be taken away."""
    counter.behave = lambda _: [(0.0, b"1\r\n2\r\nrest")]
    link = open_link(counter.address, replace(quick, line_end="\r\n"))
    link.send("READ:FREQuency?")

    assert link.receive(1.0, Stop()) == b"1"
    assert link.leftovers() == b"2\r\nrest"
    link.close()


def test_endless_line_is_cut(counter: Any, quick: Description) -> None:
    """Noise without any line end does not fill the memory: it comes in pieces of 4096 bytes."""
    counter.behave = lambda _: [(0.0, b"x" * 10_000)]
    link = open_link(counter.address, quick)
    link.send("READ:FREQuency?")

    assert len(link.receive(1.0, Stop())) == 4096
    link.close()


@pytest.mark.parametrize(
    ("package", "address"), [("serial", "serial:/dev/ttyUSB0"), ("pyvisa", "GPIB0::3::INSTR")]
)
def test_missing_extra_is_named(
    package: str, address: str, quick: Description, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the optional packages the sentence says what to install."""
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(InputError, match=r'pip install "evenbeat\[collect\]"'):
        open_link(address, quick)
