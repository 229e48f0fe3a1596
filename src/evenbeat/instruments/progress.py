"""How a collection is getting on: the numbers behind the status screen and the heartbeat file."""

from __future__ import annotations

import os
import textwrap
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from evenbeat.errors import OutputError
from evenbeat.instruments.running import RunningAllan
from evenbeat.instruments.timekeeping import utc_text
from evenbeat.results import PAGE_WIDTH
from evenbeat.units import duration_text

_MOST_LINES = 12


@dataclass
class Progress:
    """Counts of one run, changed by the collector as it goes."""

    name: str
    title: str
    address: str
    state: str = "connecting"
    rows: int = 0
    missing: int = 0
    set_aside: int = 0
    skipped: int = 0
    reconnections: int = 0
    clock_steps: int = 0
    last_utc_ns: int | None = None
    last_cells: str = ""
    trouble: str = ""

    def lines(self, now_ns: int, path: Path) -> list[str]:
        """Return what there is to know, one ``key: value`` per line."""
        last = "none yet"
        if self.last_utc_ns is not None:
            last = f"{self.last_cells} at {utc_text(self.last_utc_ns)}"
        return [
            f"collection: {self.name}",
            f"instrument: {self.title} at {self.address}",
            f"utc: {utc_text(now_ns)}",
            f"state: {self.state}",
            f"log: {path}",
            f"rows: {self.rows}",
            f"last reading: {last}",
            f"rows without a value: {self.missing}",
            f"answers set aside: {self.set_aside}",
            f"queries skipped: {self.skipped}",
            f"reconnections: {self.reconnections}",
            f"steps of the computer's clock: {self.clock_steps}",
            f"last trouble: {self.trouble or 'none'}",
        ]


def stability_lines(running: RunningAllan | None) -> list[str]:
    """Return the running Allan deviation as a small table; the longest averaging times are shown."""
    if running is None:
        return []
    rows = running.table()[-_MOST_LINES:]
    head = "running Allan deviation of the raw readings (averaging time, deviation, pairs)"
    return [
        head,
        *(f"{duration_text(tau):>10}  {deviation:9.3e}  {pairs:>9}" for tau, deviation, pairs in rows),
    ]


class Heartbeat:
    """A small text file, replaced as a whole, that shows from outside that the collection lives."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "heartbeat.txt"

    def beat(self, lines: list[str]) -> None:
        """Write the present state.

        Raises
        ------
        OutputError
            If the file cannot be written.
        """
        beside = self._path.with_suffix(".new")
        content = "".join(f"{line}\n" for line in [*lines, f"process: {os.getpid()}"])
        try:
            beside.write_text(content, encoding="utf-8")
            beside.replace(self._path)
        except OSError as error:
            with suppress(OSError):  # a full disk leaves it empty
                beside.unlink()
            msg = f"{self._path}: the heartbeat cannot be written ({error.strerror or error})"
            raise OutputError(msg) from error


class Screen:
    """The state on one screen of a terminal, renewed in place; on anything else only what changes."""

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self._renews = stream is not None and stream.isatty()
        self._last_state = ""

    def show(self, state: str, lines: list[str], *, last: bool = False) -> None:
        """Show the lines; where the screen cannot be renewed, one line per change of state."""
        if self._stream is None:
            return
        if self._renews:
            shown = [textwrap.shorten(line, PAGE_WIDTH) if ": " in line else line for line in lines]
            hint = [] if last else ["Ctrl-C stops after the reading in flight."]
            self._stream.write("\x1b[H\x1b[J" + "\n".join([*shown, *hint]) + "\n")
        elif state != self._last_state:
            self._stream.write(f"{lines[2].removeprefix('utc: ')} {state}\n")
        self._last_state = state
        self._stream.flush()
