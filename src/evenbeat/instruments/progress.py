"""How a collection is getting on, on screen and in a file: counts, a running Allan deviation; its result."""

from __future__ import annotations

import math
import os
import textwrap
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from evenbeat.errors import OutputError
from evenbeat.findings import caution
from evenbeat.instruments.journal import foreign
from evenbeat.instruments.timekeeping import utc_text
from evenbeat.plain import UNLISTED
from evenbeat.result import PAGE_WIDTH, Column, Result
from evenbeat.units import duration_text

_MOST_LINES = 12
_MOST_LEVELS = 40
_HEART = b"collection: "
_LONGEST_GAP = 100_000
"""A longer gap begins every average anew instead of being counted through."""


_COUNTS = (  # name, how it is shown, code and words of its finding
    (
        "missing",
        "rows without a value",
        "ROWS_WITHOUT_VALUE",
        "rows have no value because the instrument had none",
    ),
    (
        "set_aside",
        "answers set aside",
        "ANSWERS_SET_ASIDE",
        "answers were no number; each stands in a comment of the log",
    ),
    (
        "skipped",
        "queries skipped",
        "QUERIES_SKIPPED",
        "queries were skipped because an answer took longer than the interval; choose a longer one",
    ),
    (
        "reconnections",
        "reconnections",
        "RECONNECTIONS",
        "times the link was lost and found again; the log tells when",
    ),
    (
        "clock_steps",
        "steps of the computer's clock",
        "CLOCK_STEPS",
        "times the computer's clock was stepped; the log tells when",
    ),
)


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
            *(f"{shown}: {getattr(self, name)}" for name, shown, _, _ in _COUNTS),
            f"last trouble: {self.trouble or 'none'}",
        ]

    def result(self, log: Path, stability: Sequence[tuple[float, float, int]]) -> Collected:
        """Return what the run has brought, what went wrong on the way as findings with their counts."""
        counts = {name: getattr(self, name) for name, *_ in _COUNTS}
        found = (
            caution(code, f"{counts[name]} {words}.", count=counts[name])
            for name, _, code, words in _COUNTS
            if counts[name]
        )
        return Collected(
            folder=log.parent,
            log=log,
            rows=self.rows,
            **counts,
            stability=tuple(stability),
            findings=tuple(found),
        )


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Collected(Result):
    """What a collection has brought.

    Parameters
    ----------
    folder
        Where the parts of the log are.
    log
        The part that was written last.
    rows
        Rows of this run, those with a value and those without.
    missing, set_aside, skipped, reconnections, clock_steps
        Rows without a value, answers that were no number, queries left out because the instrument was
        slower than the interval, times the link was lost and found again, steps of the computer's clock.
    stability
        Running Allan deviation where asked for: averaging time in seconds, deviation, pairs.
    """

    folder: Path = field(metadata=UNLISTED)
    log: Path = field(metadata=UNLISTED)
    rows: int
    missing: int
    set_aside: int
    skipped: int
    reconnections: int
    clock_steps: int
    stability: tuple[tuple[float, float, int], ...] = field(default=(), metadata=UNLISTED)

    def _facts(self) -> Mapping[str, object]:
        return {"log": self.log.name, **super()._facts()}

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("averaging_time_s", [tau for tau, _, _ in self.stability], "averaging time / s", "g"),
            Column("allan_deviation", [sigma for _, sigma, _ in self.stability], "Allan deviation", ".3e"),
            Column("pairs", [pairs for _, _, pairs in self.stability], "pairs"),
        )

    def _headline(self) -> str:
        return f"{self.rows} rows collected; the last part of the log is {self.log}"


@dataclass
class _Level:
    """Averages over 2^j samples: the half-finished one, the last finished one, and the sum of squares."""

    half: float | None = None
    waiting: bool = False
    last: float = math.nan
    squares: float = 0.0
    pairs: int = 0


@dataclass
class RunningAllan:
    """The Allan deviation (IEEE Std 1139, adjacent averages) of what has come so far.

    Parameters
    ----------
    interval_s
        Nominal spacing of the samples.
    phase
        Samples are time errors in seconds, not fractional frequencies.

    Notes
    -----
    Pairs of adjacent averages, not overlapping ones, so that a few numbers per averaging time are all
    the memory. A missing sample (NaN) takes the averages that contain it away.
    Not valid as a final answer: drift, outliers and steps are in it.
    """

    interval_s: float
    phase: bool = False
    _levels: list[_Level] = field(default_factory=lambda: [_Level()])
    _last_phase: float | None = None

    def add(self, value: float) -> None:
        """Take the next sample; NaN for a missing one."""
        if self.phase:
            before, self._last_phase = self._last_phase, value
            if before is None:  # one phase is no frequency yet
                return
            value = (value - before) / self.interval_s
        for level in self._levels:
            step = value - level.last
            if not math.isnan(step):
                level.squares += step * step
                level.pairs += 1
            level.last = value
            if not level.waiting:
                level.half, level.waiting = value, True
                return
            value = (value + (level.half if level.half is not None else math.nan)) / 2
            level.waiting = False
        if len(self._levels) < _MOST_LEVELS:
            self._levels.append(_Level(last=value, half=value, waiting=True))

    def miss(self, samples: int) -> None:
        """Count missing samples through."""
        if samples > _LONGEST_GAP:
            for level in self._levels:
                level.last, level.half, level.waiting = math.nan, None, False
            self._last_phase = None
            return
        for _ in range(samples):
            self.add(math.nan)

    def table(self) -> list[tuple[float, float, int]]:
        """Return averaging time in seconds, Allan deviation, and number of pairs, where there is one."""
        return [
            (self.interval_s * 2**j, math.sqrt(level.squares / (2 * level.pairs)), level.pairs)
            for j, level in enumerate(self._levels)
            if level.pairs
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
        self._mine = False

    def beat(self, lines: list[str]) -> None:
        """Write the present state.

        Raises
        ------
        OutputError
            If the file cannot be written, or one of that name is not ours.
        """
        if not self._mine:
            head = _HEART
            with suppress(OSError), self._path.open("rb") as file:  # there is none yet, or the writing tells
                head = file.read(len(_HEART))
            if head != _HEART:
                raise OutputError(foreign(self._path))
            self._mine = True
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
