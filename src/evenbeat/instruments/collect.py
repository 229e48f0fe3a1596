"""Live collection: a loop that asks, stamps and logs for months, and comes back after every trouble."""

from __future__ import annotations

import math
import re
import signal
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TextIO

from evenbeat import __version__
from evenbeat.errors import EvenbeatError, InputError, InstrumentError, OutputError
from evenbeat.instruments.description import Description, read_answer, read_description
from evenbeat.instruments.journal import Journal, Rhythm
from evenbeat.instruments.links import Stop, address_parts
from evenbeat.instruments.progress import (
    Collected,
    Heartbeat,
    Progress,
    RunningAllan,
    Screen,
    stability_lines,
)
from evenbeat.instruments.source import Backoff, Beside, Source
from evenbeat.instruments.timekeeping import TiedClock, utc_text
from evenbeat.units import parse_unit

RETIE_S = 10.0
BEAT_S = 10.0
SCREEN_S = 1.0
_NOTED_STEP_S = 0.01
_STEP_OF_INTERVAL = 0.1
_MOST_IN_A_ROW = 10
_NAME = re.compile(r"[A-Za-z]\w*")
_SMALLEST_PART = 10_000


def collect(
    description: str | Path | Description,
    address: str,
    folder: str | Path,
    *,
    interval_s: float | None = None,
    nominal_frequency_hz: float | None = None,
    gate_s: float | None = None,
    reference: str = "",
    beside: Mapping[str, tuple[str | Path | Description, str]] | None = None,
    rhythm: Rhythm | None = None,
    backoff: Backoff | None = None,
    rows: int | None = None,
    duration_s: float | None = None,
    stability: bool = False,
    visa_library: str = "@py",
    screen: TextIO | None = None,
    stop: Stop | None = None,
) -> Collected:
    """Log a live instrument until told to stop, into a folder of CSV files that ``read_log`` reads.

    Parameters
    ----------
    description
        Name of a shipped description, a TOML file, or a :class:`Description`.
    address
        ``tcp://HOST:PORT``, ``serial:PORT`` or a VISA resource name.
    folder
        Gets ``FOLDER-0001.csv`` and so on and ``heartbeat.txt``. A folder that holds such a log is
        taken up where it ended.
    interval_s
        From one query to the next in seconds; default: what the description says.
    nominal_frequency_hz, gate_s, reference
        Written at the head of the log for whoever reads it.
    beside
        Name of a further column, such as ``room_temperature_c``, to its description and address.
    rhythm
        When rows are forced to the disk and when a new part begins.
    backoff
        Waits between tries to reach an instrument that is gone.
    rows, duration_s
        Stop after so many rows, or so many seconds; default: never.
    stability
        Keep a running Allan deviation.
    visa_library
        PyVISA's name of its library.
    screen
        Where to show the state; default: nowhere.
    stop
        May be asked to stop from another thread; SIGINT and SIGTERM ask it too.

    Returns
    -------
    Collected
        Counts of this run.

    Raises
    ------
    InputError
        If an argument or the description cannot be used.
    InstrumentError
        If a new collection cannot reach its instrument. One that is taken up keeps trying.
    OutputError
        If the log cannot be written, as on a full disk; every row before is whole.

    Notes
    -----
    A row is stamped in UTC when its answer was complete: later than the end of the gate by what the
    instrument takes to answer. Nothing is sent but the lines of the description.

    Examples
    --------
    >>> import evenbeat as eb
    >>> eb.collect("frequency_query", "tcp://192.0.2.10:5025", "bench", interval_s=2)  # doctest: +SKIP

    References
    ----------
    Source: IEEE 488.2, SCPI-1999 (queries)
    Tests: tests/instruments/test_collect.py
    """
    from evenbeat.intake import check_positive  # loads NumPy, without which the command's help is quick

    for name, value in (
        ("interval_s", interval_s),
        ("nominal_frequency_hz", nominal_frequency_hz),
        ("gate_s", gate_s),
        ("rows", rows),
        ("duration_s", duration_s),
    ):
        check_positive(value, name, optional=True)
    for name in beside or {}:
        if not _NAME.fullmatch(name) or name == "utc":
            msg = f"'{name}' is not a name for a column; use letters, digits and _, as room_temperature_c"
            raise InputError(msg)
    rhythm = rhythm or Rhythm()
    for name, least, needed in (
        ("sync_s", 0, "it must be zero or positive"),
        ("part_s", 1, "a part must last at least one second"),
        ("part_bytes", _SMALLEST_PART, f"a part must hold at least {_SMALLEST_PART} bytes"),
    ):
        if not getattr(rhythm, name) >= least:
            msg = f"{name} is {getattr(rhythm, name)}; {needed}"
            raise InputError(msg)
    collector = Collector(
        clock_source=_source(description, address, visa_library, clock=True),
        beside={name: _source(*each, visa_library, clock=False) for name, each in (beside or {}).items()},
        folder=Path(folder),
        rhythm=rhythm,
        backoff=backoff or Backoff(),
        interval_s=interval_s,
        head={
            "nominal frequency": "" if nominal_frequency_hz is None else f"{nominal_frequency_hz:.15g} Hz",
            "gate": "" if gate_s is None else f"{gate_s:.15g} s",
            "reference": " ".join(reference.split()),
        },
        limits=(rows or math.inf, duration_s or math.inf),
        running=stability,
        nominal_frequency_hz=nominal_frequency_hz,
        screen=Screen(screen),
        stop=stop or Stop(),
    )
    return collector.run()


def _source(description: str | Path | Description, address: str, visa_library: str, *, clock: bool) -> Source:
    found = description if isinstance(description, Description) else read_description(description)
    address_parts(address)
    return Source(found.for_clock() if clock else found, address, visa_library=visa_library)


@dataclass(kw_only=True)
class Collector:
    """One run; what it is given are the arguments of :func:`evenbeat.collect`, checked."""

    clock_source: Source
    beside: Mapping[str, Source]
    folder: Path
    rhythm: Rhythm
    backoff: Backoff
    interval_s: float | None
    head: Mapping[str, str]
    limits: tuple[float, float]  # rows, seconds
    running: bool
    nominal_frequency_hz: float | None
    screen: Screen
    stop: Stop

    def __post_init__(self) -> None:
        description = self.clock_source.description
        self._interval_s = self.interval_s or description.every_s
        self._pattern = re.compile(description.value)
        self._clock = TiedClock()
        self._beside = [Beside(name, source, backoff=self.backoff) for name, source in self.beside.items()]
        self._heartbeat = Heartbeat(self.folder)
        self._progress = Progress(
            name=self.folder.name, title=description.title, address=self.clock_source.address
        )
        self._journal = Journal(
            self.folder,
            settings=_settings(description, self.head, self._interval_s, self._beside),
            columns=["utc", description.column, *self.beside],
            rhythm=self.rhythm,
            monotonic_ns=self._clock.monotonic_ns,
        )
        phase = description.quantity in ("phase", "time_interval")
        self._running = RunningAllan(self._interval_s, phase=phase) if self.running else None
        self._began = time.monotonic()
        self._next_tie = self._next_beat = self._next_screen = self._began
        self._beat_ns: int | None = None
        self._in_a_row = 0
        self._attempts = 0

    def run(self) -> Collected:
        """Collect until told to stop."""
        with stopped_by_signals(self.stop):
            try:
                self._journal.open(self._clock.now_ns())
                self._connect(patient=self._journal.holds_rows)
                for each in self._beside:
                    each.start()
                if self.clock_source.description.ask:  # when the log has always asked
                    self._beat_ns = self._journal.beat_from(self._clock.now_ns(), self._interval_s)
                self._log()
                self._end("asked to stop" if self.stop.requested else "done")
            except OutputError as error:
                self._fail(error)
                raise
            except EvenbeatError:
                if not self._journal.holds_rows:
                    self._journal.abandon()
                raise
            finally:
                self.clock_source.close()
                for each in self._beside:
                    each.stop()
                self._journal.close()
        table = () if self._running is None else self._running.table()
        return self._progress.result(self._journal.path, table)

    def _log(self) -> None:
        p, due = self._progress, self._on_beat()
        most_rows, longest_s = self.limits
        while not (self.stop.requested or p.rows >= most_rows or time.monotonic() - self._began >= longest_s):
            if self.clock_source.description.ask and self._wait(due):
                return
            try:
                taken = self.clock_source.read(self.stop)
            except InstrumentError as error:
                self._lost(error)
                due = self._on_beat()
                continue
            if taken is None:
                return
            self._take(*taken)
            self._upkeep()
            due = self._next_due(due) if self.clock_source.description.ask else due

    def _on_beat(self) -> float:
        """Return the next moment of the beat (monotonic, s)."""
        now = time.monotonic()
        if self._beat_ns is None:
            return now
        since_s = (self._clock.now_ns() - self._beat_ns) * 1e-9
        return now + (-since_s) % self._interval_s

    def _wait(self, due: float) -> bool:
        """Wait for the next query, keeping house meanwhile; return whether to stop."""
        while (left := due - time.monotonic()) > 0:
            if self.stop.wait(min(left, SCREEN_S)):
                return True
            self._upkeep()
        return self.stop.requested

    def _next_due(self, due: float) -> float:
        """Return when to ask next: on the beat, leaving out beats that have passed."""
        late = time.monotonic() - (due + self._interval_s)
        missed = math.ceil(late / self._interval_s) if late > 0 else 0
        if missed and not self._progress.skipped:
            self._remark(
                f"an answer took longer than the interval of {self._interval_s:g} s; queries are skipped, "
                "choose a longer one"
            )
        self._progress.skipped += missed
        return due + (1 + missed) * self._interval_s

    def _take(self, answer: bytes, moment_ns: int) -> None:
        """Log one answer: as a row, or set aside in a comment."""
        p = self._progress
        reading = read_answer(answer, self._pattern)
        utc_ns = self._clock.utc_of(moment_ns)
        if reading.remark:
            p.trouble = reading.remark
            self._journal.remark(utc_ns, reading.remark)
        if reading.text is None:
            p.set_aside += 1
            self._in_a_row += 1
            if self._in_a_row >= _MOST_IN_A_ROW:
                self._in_a_row = 0
                reason = f"{_MOST_IN_A_ROW} answers in a row were no number; connecting afresh"
                self._lost(InstrumentError(reason))
            return
        self._in_a_row = 0
        last = self._journal.last_utc_ns
        if last is not None:
            utc_ns = max(utc_ns, last + 1000)
        cells = [reading.text, *(each.cell(moment_ns) for each in self._beside)]
        if self._running is not None:
            if p.last_utc_ns is not None:
                steps = round((utc_ns - p.last_utc_ns) * 1e-9 / self._interval_s)
                self._running.miss(max(0, steps - 1))
            self._running.add(self._sample(float(reading.text)))
        self._journal.row(utc_ns, cells)
        p.rows += 1
        p.missing += reading.text == "NaN"
        p.last_utc_ns, p.last_cells = utc_ns, ", ".join(cells)

    def _sample(self, number: float) -> float:
        """Return a reading as fractional frequency or seconds, for the running stability."""
        description = self.clock_source.description
        value = number * parse_unit(description.unit)[1]
        if description.quantity == "period":
            value = 1 / value if value else math.nan
        if description.quantity not in ("frequency", "period"):
            return value
        if self.nominal_frequency_hz is None and value > 0:
            self.nominal_frequency_hz = value  # the first reading: its error is far below what is shown
        return value / self.nominal_frequency_hz - 1 if self.nominal_frequency_hz else math.nan

    def _connect(self, *, patient: bool) -> None:
        """Connect; keep trying if patient, as a log that is taken up must be."""
        self._attempts = 0
        while True:
            try:
                self.clock_source.connect(self.stop)
            except InstrumentError as error:
                if not patient:
                    raise
                self._attempts += 1
                if self._attempts == 1:
                    self._trouble(error)
                self._progress.state = f"no link; trying again ({self._attempts} tries so far)"
                if self._wait(time.monotonic() + self.backoff.wait_s(self._attempts)):
                    return
            else:
                self._progress.state = "collecting"
                self._upkeep()
                return

    def _lost(self, error: InstrumentError) -> None:
        """Connect again, so that a late answer cannot pass for the next one."""
        self.clock_source.close()
        began = time.monotonic()
        self._trouble(error)
        if self._wait(began + self.backoff.wait_s(1)):
            return
        self._connect(patient=True)
        if not self.stop.requested:
            self._progress.reconnections += 1
            tries = self._attempts + 1
            self._remark(f"connected again after {time.monotonic() - began:.1f} s, {tries} tries")

    def _trouble(self, error: Exception) -> None:
        self._progress.trouble = str(error)
        self._remark(str(error))

    def _remark(self, text: str) -> None:
        self._journal.remark(self._clock.now_ns(), text)

    def _upkeep(self) -> None:
        """Do what is due besides reading: remarks, disk, clock, heartbeat, screen."""
        for remarks in (self.clock_source.remarks, *(each.remarks for each in self._beside)):
            while remarks:
                self._remark(remarks.popleft())
        self._journal.sync_if_due()
        now = time.monotonic()
        if now >= self._next_tie:
            self._next_tie = now + RETIE_S
            self._retie()
        if now >= self._next_beat:
            self._next_beat = now + BEAT_S
            if found := self._journal.see_to_its_place(self._clock.now_ns()):
                self._progress.trouble = found
            self._heartbeat.beat(self._state_lines())
        if now >= self._next_screen:
            self._next_screen = now + SCREEN_S
            self.screen.show(self._progress.state, self._state_lines())

    def _retie(self) -> None:
        """Tie the monotonic clock to UTC again; a step ends the part, so that its rows stay evenly spaced."""
        before_ns = self._clock.now_ns()
        step_s = self._clock.retie() * 1e-9
        if abs(step_s) < _NOTED_STEP_S:
            return
        self._progress.clock_steps += 1
        text = f"the computer's UTC has moved by {step_s:+.3f} s against its monotonic clock"
        if abs(step_s) < _STEP_OF_INTERVAL * self._interval_s:
            self._journal.remark(before_ns, text)
        else:
            self._journal.new_part(
                before_ns, f"{text}; a new part begins at {utc_text(self._clock.now_ns())}"
            )

    def _state_lines(self) -> list[str]:
        lines = self._progress.lines(self._clock.now_ns(), self._journal.path)
        return [*lines, *stability_lines(self._running)]

    def _end(self, state: str) -> None:
        self._progress.state = state
        self._upkeep()
        self._remark(f"collection ends ({state}) after {self._progress.rows} rows")
        self._heartbeat.beat(self._state_lines())
        self.screen.show(state, self._state_lines(), last=True)

    def _fail(self, error: OutputError) -> None:
        """Show on the screen, and where possible in the heartbeat, that the log has stopped."""
        self._progress.state, self._progress.trouble = "stopped by an error", str(error)
        self.screen.show(self._progress.state, self._state_lines(), last=True)
        with suppress(OutputError):  # the disk that refuses the log may refuse this too
            self._heartbeat.beat(self._state_lines())


def _settings(
    description: Description, head: Mapping[str, str], interval_s: float, beside: Sequence[Beside]
) -> list[str]:
    """Return the comments at the head of every part; ``read_log`` understands the keys it knows."""
    verb = "asked every" if description.ask else "expected every"
    return [
        f"collected by: evenbeat {__version__}",
        f"description: {description.title}",
        f"quantity: {description.quantity}",
        f"unit: {description.unit}",
        *(f"{key}: {value}" for key, value in head.items() if value),
        f"{verb}: {interval_s:g} s",
        "stamps: UTC when the answer was complete",
        *(f"{each.name}: the latest value, at most {each.oldest_s:g} s old" for each in beside),
    ]


@contextmanager
def stopped_by_signals(stop: Stop) -> Iterator[None]:
    """Let SIGINT and SIGTERM state the wish; a second one ends the program as usual."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}

    def _handle(_number: int, _frame: FrameType | None) -> None:
        stop.request()
        for number, handler in before.items():
            signal.signal(number, handler)

    for number in before:
        signal.signal(number, _handle)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
