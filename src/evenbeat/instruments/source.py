"""One instrument: connected, asked or listened to, and what it said with the moment when it had said it."""

from __future__ import annotations

import re
import threading
import time
from collections import deque
from dataclasses import dataclass

from evenbeat.errors import EvenbeatError, InstrumentError
from evenbeat.instruments.description import Description, read_answer, shown
from evenbeat.instruments.links import Link, Stop, open_link

_MOST_REMARKS = 100
_FIRST_WAIT_S, _LONGEST_WAIT_S = 1.0, 60.0
_ERROR_ANSWER_LIMIT_S = 5.0


class Source:
    """An instrument at an address, by its description; its ``remarks`` are worth a comment in the log."""

    def __init__(self, description: Description, address: str, *, visa_library: str = "@py") -> None:
        self.description = description
        self.address = address
        self.remarks: deque[str] = deque(maxlen=_MOST_REMARKS)
        self.identity = ""
        self._visa_library = visa_library
        self._link: Link | None = None
        self._in_line = False

    def connect(self, stop: Stop) -> None:
        """Open the link, send what prepares the instrument, and ask who it is."""
        self.close()
        self._link = open_link(self.address, self.description, visa_library=self._visa_library)
        self._in_line = False
        for line in self.description.prepare:
            self._link.send(line)
        limit_s = min(_ERROR_ANSWER_LIMIT_S, self.description.time_limit_s)
        if self.description.identify:
            identity = shown(_asked(self._link, self.description.identify, limit_s, stop))
            if identity != self.identity and not stop.requested:
                self.remarks.append(f"instrument: {identity}")
            self.identity = identity
        if self.description.errors:
            complaint = _asked(self._link, self.description.errors, limit_s, stop)
            if not re.match(rb"\s*[+-]?0+\s*(,|$)", complaint) and not stop.requested:
                self.remarks.append(f"the instrument reports: {shown(complaint)}")

    def read(self, stop: Stop) -> tuple[bytes, int] | None:
        """Return the next answer and the moment (monotonic, ns) it was complete; ``None`` if to stop."""
        link = self._link
        if link is None:
            msg = f"{self.address}: the instrument is not connected"
            raise InstrumentError(msg)
        limit_s = self.description.time_limit_s
        if self.description.ask:
            stray = link.leftovers()
            if stray:
                self.remarks.append(f"text that nobody asked for set aside: {shown(stray)}")
            answer = _asked(link, self.description.ask, limit_s, stop)
            return self._timed(answer, stop)
        if not self._in_line:
            begun = link.receive(limit_s, stop)
            if stop.requested:
                return None
            self.remarks.append(f"line that may have begun before we listened set aside: {shown(begun)}")
            self._in_line = True
        return self._timed(link.receive(limit_s, stop), stop)

    @staticmethod
    def _timed(answer: bytes, stop: Stop) -> tuple[bytes, int] | None:
        moment = time.monotonic_ns()
        return (answer, moment) if answer or not stop.requested else None

    def close(self) -> None:
        """Let go of the link."""
        link, self._link = self._link, None
        if link is not None:
            link.close()


def _asked(link: Link, query: str, time_limit_s: float, stop: Stop) -> bytes:
    """Return the answer to a query; who waits in vain learns to what."""
    try:
        link.send(query)
        return link.receive(time_limit_s, stop)
    except InstrumentError as error:
        msg = f"{error}, asked '{query}'"
        raise InstrumentError(msg) from None


@dataclass(frozen=True, kw_only=True)
class Backoff:
    """How long to wait between tries to reach an instrument: doubling up to a limit."""

    first_s: float = _FIRST_WAIT_S
    longest_s: float = _LONGEST_WAIT_S

    def wait_s(self, attempt: int) -> float:
        """Return the wait after that many failed tries, counted from one."""
        return float(min(self.longest_s, self.first_s * 2.0 ** min(attempt - 1, 30)))


class Beside:
    """Something measured beside the clock, such as a temperature, in a thread of its own.

    A thermometer that is slow or gone never delays the clock: a row takes the latest value if it is
    not older than three of its intervals, and an empty cell otherwise.
    """

    def __init__(self, name: str, source: Source, *, backoff: Backoff) -> None:
        self.name = name
        self.source = source
        self.remarks: deque[str] = deque(maxlen=_MOST_REMARKS)
        self._backoff = backoff
        self._latest: tuple[int, str] | None = None
        self._pattern = re.compile(source.description.value)
        self._stop = Stop()
        self._thread = threading.Thread(target=self._run, name=f"beside {name}", daemon=True)

    @property
    def oldest_s(self) -> float:
        """Age beyond which a value is not used."""
        return 3 * self.source.description.every_s

    def start(self) -> None:
        """Begin to measure."""
        self._thread.start()

    def cell(self, moment_ns: int) -> str:
        """Return the value for a row that is complete at that moment (monotonic), empty if there is none."""
        latest = self._latest
        if latest is None or (moment_ns - latest[0]) * 1e-9 > self.oldest_s:
            return ""
        return latest[1]

    def stop(self) -> None:
        """Let the thread end."""
        self._stop.request(grace_s=0.0)
        if self._thread.is_alive():
            self._thread.join(self.source.description.time_limit_s + 1.0)

    def _run(self) -> None:
        attempt = 0
        while not self._stop.requested:
            try:
                self.source.connect(self._stop)
                if attempt:
                    self.remarks.append(f"{self.name}: connected again after {attempt} failed tries")
                attempt = 0
                self._measure()
            except EvenbeatError as error:
                attempt += 1
                if attempt == 1:
                    self.remarks.append(f"{self.name}: {error}")
                self._stop.wait(self._backoff.wait_s(attempt))
            finally:
                self.source.close()

    def _measure(self) -> None:
        due = time.monotonic()
        while not self._stop.requested:
            taken = self.source.read(self._stop)
            if taken is None:
                return
            reading = read_answer(taken[0], self._pattern)
            if reading.remark:
                self.remarks.append(f"{self.name}: {reading.remark}")
            if reading.text is not None:
                self._latest = (taken[1], reading.text)
            while self.source.remarks:
                self.remarks.append(f"{self.name}: {self.source.remarks.popleft()}")
            if self.source.description.ask:
                due = max(due + self.source.description.every_s, time.monotonic())
                self._stop.wait(due - time.monotonic())
