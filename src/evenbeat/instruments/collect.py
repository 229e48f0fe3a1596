"""Live collection: the function that people call and the checks of what they ask."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TextIO

from evenbeat.errors import InputError
from evenbeat.instruments.collector import Collector
from evenbeat.instruments.description import Description, read_description
from evenbeat.instruments.journal import Rhythm
from evenbeat.instruments.links import check_address
from evenbeat.instruments.progress import Screen
from evenbeat.instruments.result import Collected
from evenbeat.instruments.source import Backoff, Source
from evenbeat.instruments.stop import Stop

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

    References
    ----------
    Source: IEEE 488.2, SCPI-1999 (queries)
    Tests: tests/instruments/test_collect.py
    """
    collector = Collector(
        clock_source=_source(description, address, visa_library, clock=True),
        beside={name: _source(*each, visa_library, clock=False) for name, each in (beside or {}).items()},
        folder=Path(folder),
        rhythm=_checked_rhythm(rhythm or Rhythm()),
        backoff=backoff or Backoff(),
        interval_s=_positive(interval_s, "interval_s"),
        head={
            "nominal frequency": _with_unit(_positive(nominal_frequency_hz, "nominal_frequency_hz"), "Hz"),
            "gate": _with_unit(_positive(gate_s, "gate_s"), "s"),
            "reference": " ".join(reference.split()),
        },
        limits=(_positive(rows, "rows") or math.inf, _positive(duration_s, "duration_s") or math.inf),
        running=stability,
        nominal_frequency_hz=nominal_frequency_hz,
        screen=Screen(screen),
        stop=stop or Stop(),
    )
    return collector.run()


def _source(description: str | Path | Description, address: str, visa_library: str, *, clock: bool) -> Source:
    found = description if isinstance(description, Description) else read_description(description)
    check_address(address)
    return Source(found.for_clock() if clock else found, address, visa_library=visa_library)


def _positive(value: float | None, name: str) -> float | None:
    if value is not None and not (math.isfinite(value) and value > 0):
        msg = f"{name} is {value}; it must be a positive number"
        raise InputError(msg)
    return value


def _with_unit(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:.15g} {unit}"


def _checked_rhythm(rhythm: Rhythm) -> Rhythm:
    if not rhythm.sync_s >= 0:
        msg = f"sync_s is {rhythm.sync_s}; it must be zero or positive"
        raise InputError(msg)
    if not rhythm.part_s >= 1:
        msg = f"part_s is {rhythm.part_s}; a part must last at least one second"
        raise InputError(msg)
    if not rhythm.part_bytes >= _SMALLEST_PART:
        msg = f"part_bytes is {rhythm.part_bytes}; a part must hold at least {_SMALLEST_PART} bytes"
        raise InputError(msg)
    return rhythm
