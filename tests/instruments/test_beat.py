"""One beat over restarts and lost links; text that nobody asked for never becomes half a reading."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.errors import InstrumentError
from evenbeat.instruments.collect import collect
from evenbeat.instruments.description import Description
from evenbeat.instruments.links import Stop, open_link
from evenbeat.instruments.source import Source


@pytest.mark.slow
def test_restarts_keep_the_beat(counter: Any, quick: Description, tmp_path: Path) -> None:
    """Three restarts at odd moments: all stamps lie on one grid, and the log is read as one."""
    for pause_s in (0.0, 0.13, 0.26, 0.07):
        time.sleep(pause_s)
        collect(quick, counter.address, tmp_path / "bench", interval_s=0.2, rows=6)
    record = eb.read_log(tmp_path / "bench" / "bench-0001.csv", nominal_frequency_hz=1e7)

    late = 0.0 if record.stamp_offset_s is None else record.stamp_offset_s
    assert record.interval_s == pytest.approx(0.2, rel=0.02)
    assert np.nanmax(np.abs(late)) < 0.05
    assert len(record) - record.missing == 24


def test_half_a_line_that_nobody_asked_for_is_no_reading(counter: Any, quick: Description) -> None:
    """A stray line arrives in two pieces around the query: its rest is set aside with it."""
    source = Source(quick, counter.address)
    source.connect(Stop())
    counter.behave = lambda _: [(0.0, b"10000000.001\n12345"), (0.02, b"234\n")]
    assert source.read(Stop())[0] == b"10000000.001"  # type: ignore[index]
    counter.behave = None
    assert source.read(Stop())[0] == b"10000000.001"  # type: ignore[index]
    assert "12345234" in source.remarks[-1]
    source.close()


def test_a_prompt_does_not_eat_the_answer(counter: Any, quick: Description) -> None:
    """A prompt without line end stands before every answer; the answers are read all the same."""
    link = open_link(counter.address, quick)
    counter.behave = lambda k: [(0.0, f"{10_000_000 + k}.0\n> ".encode())]
    for k in range(3):
        assert link.leftovers() in (b"", b"> ")
        link.send("READ:FREQuency?")
        assert link.receive(0.4, Stop()) == f"{10_000_000 + k}.0".encode()
    link.close()


def test_a_flood_is_refused(counter: Any, quick: Description) -> None:
    """An instrument that never stops talking is told of, in bounded time and memory."""
    link = open_link(counter.address, quick)
    counter.behave = lambda _: [(0.0, b"1" * 65_536)] * 2000
    link.send("READ:FREQuency?")
    time.sleep(0.1)
    begun = time.monotonic()
    with pytest.raises(InstrumentError, match=r"sends without being asked"):
        link.leftovers()
    assert time.monotonic() - begun < 10
    link.close()
