"""Live collection from end to end: what is logged, and what troubles do to it."""

from __future__ import annotations

import io
import itertools
import os
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.instruments.collect import Collector
from evenbeat.instruments.description import Description
from evenbeat.instruments.journal import Rhythm
from evenbeat.instruments.links import Stop
from evenbeat.instruments.progress import Screen
from evenbeat.instruments.source import Backoff, Source
from evenbeat.instruments.timekeeping import TiedClock, utc_from_text

SOON = Backoff(first_s=0.05, longest_s=0.2)
Rows = Callable[[Path], list[list[str]]]
Comments = Callable[[Path], str]


def values(rows: list[list[str]]) -> list[int]:
    """Return which readings of the simulated counter the rows hold."""
    return [round((float(row[1]) - 1e7) * 1000) for row in rows]


def test_log_is_read_without_help(counter: Any, quick: Description, tmp_path: Path) -> None:
    """read_log needs no option: quantity, unit, nominal frequency, time, gaps and temperature are clear."""
    thermometer = replace(quick, quantity="temperature", unit="C", ask="MEASure:TEMPerature?", every_s=100.0)
    begin, odd = time.monotonic_ns(), {5: b"OVLD", 30: b"9.91E37", 31: b"\xff\x00"}

    def _answers() -> Iterator[tuple[bytes, int]]:
        for k in range(60):
            if k == 20:
                time.sleep(0.5)  # until the thermometer has answered
            yield odd.get(k, f"{10_000_000 + k * 0.001:.3f}".encode()), begin + k * 10**9

    description = replace(quick, ask="", every_s=1.0, identify="*IDN?", prepare=("*CLS",))
    beside = {"room_temperature_c": Source(thermometer, counter.address)}
    result = fed(description, counter, tmp_path / "bench", _answers(), rows=58, beside=beside).run()
    record = eb.read_log(result.log)
    expected = np.arange(60) * 1e-10
    expected[list(odd)] = np.nan

    assert (result.rows, result.missing, result.set_aside) == (58, 1, 2)
    assert counter.heard[0] == "*CLS"
    assert (record.nominal_frequency_hz, record.interval_s, record.reference) == (1e7, 1.0, "rubidium")
    np.testing.assert_allclose(record.values, expected, rtol=1e-6, atol=1e-15)
    temperature = record.covariates["room_temperature_c"][21:]
    assert set(temperature[~np.isnan(temperature)]) == {21.5}
    assert "instrument: 'invented,simulated counter,0,1'" in result.log.read_text()


def test_stamps_are_utc_of_the_answer(
    counter: Any, quick: Description, tmp_path: Path, rows_in: Rows
) -> None:
    """Each stamp lies between the computer's UTC before and after, in order, on the beat."""
    before = time.time_ns()
    eb.collect(replace(quick, every_s=0.05), counter.address, tmp_path / "bench", rows=21)
    after = time.time_ns()
    stamps = [utc_from_text(row[0]) for row in rows_in(tmp_path / "bench")]

    assert before - 1000 <= stamps[0] < stamps[-1] <= after + 1000
    assert np.median(np.diff(stamps)) == pytest.approx(0.05e9, rel=0.25)
    assert (np.diff(stamps) > 0).all()


def test_garbage_is_set_aside_in_comments(
    counter: Any, quick: Description, tmp_path: Path, rows_in: Rows, comments_in: Comments
) -> None:
    """Answers that are no number stand in comments with their text; the others are rows."""
    garbage = {3: b"OVLD\n", 5: b"\xff\x00\x80\n", 8: b"9.91E37\n", 9: b"10000000.0,1\n"}
    counter.behave = lambda k: [(0.0, garbage.get(k) or f"{10_000_000 + k * 0.001:.3f}\n".encode())]
    result = eb.collect(quick, counter.address, tmp_path / "bench", rows=20)
    rows, comments = rows_in(tmp_path / "bench"), comments_in(tmp_path / "bench")

    assert (result.rows, result.missing, result.set_aside) == (20, 1, 3)
    assert [row[1] for row in rows].count("NaN") == 1
    assert values([row for row in rows if row[1] != "NaN"]) == [k for k in range(23) if k not in garbage]
    assert all(text in comments for text in ("'OVLD'", "'???'", "'9.91E37'", "'10000000.0,1'"))
    assert "3 answers were no number" in str(result)


def test_ten_garbage_answers_in_a_row_connect_afresh(
    counter: Any, quick: Description, tmp_path: Path, rows_in: Rows
) -> None:
    """A link that has lost its step is opened anew."""
    counter.behave = lambda k: [(0.0, b"?\n" if k < 10 else f"{10_000_000 + k * 0.001:.3f}\n".encode())]
    result = eb.collect(quick, counter.address, tmp_path / "bench", rows=3, backoff=SOON)

    assert (result.set_aside, result.reconnections) == (10, 1)
    assert values(rows_in(tmp_path / "bench")) == [10, 11, 12]


@pytest.mark.grid(2)
@pytest.mark.parametrize("way", ["address", "resource"])
def test_late_answer_is_not_the_next_one(
    way: str, counter: Any, quick: Description, tmp_path: Path, rows_in: Rows
) -> None:
    """After an answer that came too late, every row still holds the answer to its own query."""
    counter.behave = lambda k: [(2.0 if k == 4 else 0.0, f"{10_000_000 + k * 0.001:.3f}\n".encode())]
    folder = tmp_path / "bench"
    patient = replace(quick, time_limit_s=1.2)
    result = eb.collect(patient, getattr(counter, way), folder, rows=12, backoff=SOON)

    assert result.reconnections == 1
    assert values(rows_in(folder)) == [0, 1, 2, 3, *range(5, 13)]
    assert "connected again after" in result.log.read_text()


def test_unplugged_instrument_comes_back(
    counter: Any, quick: Description, tmp_path: Path, rows_in: Rows, comments_in: Comments
) -> None:
    """The socket closes, connections are refused for a while, then it answers again: nothing else is lost."""
    folder, stop = tmp_path / "bench", Stop()

    def _pull_and_plug() -> None:
        for pull in (True, True, False):
            enough = len(counter.answered) + 20
            while len(counter.answered) < enough:
                time.sleep(0.01)
            if pull:
                counter.unplug()
                time.sleep(0.4)
                counter.plug_in()
        stop.request()

    hand = threading.Thread(target=_pull_and_plug)
    hand.start()
    result = eb.collect(quick, counter.address, folder, backoff=SOON, stop=stop)
    hand.join()
    logged = values(rows_in(folder))

    assert result.reconnections == 2
    assert all(b > a for a, b in itertools.pairwise(logged))
    assert len(set(counter.answered) - set(logged)) <= 2  # the readings in flight when it was pulled
    assert comments_in(folder).count("connected again after") == 2


def test_talker_on_a_pseudo_terminal(terminal: tuple[int, str], tmp_path: Path, rows_in: Rows) -> None:
    """Lines that come unasked; the first, which may have begun before, is set aside."""
    theirs, name = terminal
    talker = Description(
        name="t", title="talker", quantity="phase", unit="ns", every_s=0.05, time_limit_s=1.0
    )
    stop = Stop()

    def _talk() -> None:
        k = 0
        while not stop.requested:
            os.write(theirs, f"{k * 0.1:.1f}\r\n".encode())
            k += 1
            time.sleep(0.05)

    mouth = threading.Thread(target=_talk, daemon=True)
    mouth.start()
    result = eb.collect(talker, f"serial:{name}", tmp_path / "bench", rows=20)
    stop.request()
    mouth.join()
    logged = [round(float(row[1]) * 10) for row in rows_in(tmp_path / "bench")]

    assert logged == list(range(logged[0], logged[0] + 20))
    assert logged[0] >= 1
    assert "may have begun before we listened set aside: '" in result.log.read_text()
    assert "\nutc,phase_ns\n" in result.log.read_text()


def test_dead_thermometer_does_not_stop_the_clock(
    counter: Any, quick: Description, tmp_path: Path, rows_in: Rows, comments_in: Comments
) -> None:
    """Its cells stay empty, its trouble is told once, and no reading is late."""
    thermometer = replace(quick, quantity="temperature", unit="C")
    result = eb.collect(
        quick,
        counter.address,
        tmp_path / "bench",
        beside={"room_temperature_c": (thermometer, "tcp://127.0.0.1:1")},
        rows=30,
        backoff=SOON,
    )

    assert result.rows == 30
    assert {row[2] for row in rows_in(tmp_path / "bench")} == {""}
    assert (
        comments_in(tmp_path / "bench").count("room_temperature_c: tcp://127.0.0.1:1: there is no link") == 1
    )


def test_slow_instrument_skips_queries(
    counter: Any, quick: Description, tmp_path: Path, rows_in: Rows, comments_in: Comments
) -> None:
    """Asked every 20 ms but answering after 50 ms: one row per answer, no queue of queries builds up."""
    counter.behave = lambda k: [(0.05, f"{10_000_000 + k * 0.001:.3f}\n".encode())]
    result = eb.collect(replace(quick, every_s=0.02), counter.address, tmp_path / "bench", rows=10)

    assert result.skipped >= 9
    assert values(rows_in(tmp_path / "bench")) == list(range(10))
    assert comments_in(tmp_path / "bench").count("queries are skipped") == 1


def test_running_stability_is_that_of_the_log(counter: Any, quick: Description, tmp_path: Path) -> None:
    """What is shown while it runs equals what the finished log gives, missing readings included."""
    random = np.random.default_rng(1)
    begin = time.monotonic_ns()
    present = [k for k in range(300) if k % 50 not in (7, 8, 9)]
    answers = (
        (f"{1e7 * (1 + 1e-9 * random.standard_normal()):.6f}".encode(), begin + k * 10**9) for k in present
    )
    description = replace(quick, ask="", every_s=1.0)
    result = fed(description, counter, tmp_path / "bench", answers, rows=len(present)).run()
    curve = eb.stability(eb.read_log(result.log), "allan", averaging=[1, 2, 4, 8])

    shown = [deviation for _, deviation, _ in result.stability[:4]]
    assert shown == pytest.approx(list(curve.deviation), rel=1e-6)
    assert [pairs for _, _, pairs in result.stability[:4]] == list(curve.terms)
    assert "Allan deviation" in str(result)


def test_step_of_the_computers_clock_begins_a_new_part(
    counter: Any, quick: Description, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, comments_in: Comments
) -> None:
    """Somebody sets the clock forward by an hour: told with its size, each part evenly spaced by itself."""
    monkeypatch.setattr(
        "evenbeat.instruments.collect.TiedClock",
        lambda: TiedClock(utc_ns=lambda: time.time_ns() + 3_600 * 10**9 * (len(counter.answered) > 9)),
    )
    monkeypatch.setattr("evenbeat.instruments.collect.RETIE_S", 0.05)
    folder = tmp_path / "bench"
    result = eb.collect(replace(quick, every_s=0.05), counter.address, folder, rows=30)
    parts = sorted(folder.glob("*.csv"))

    assert result.clock_steps == 1
    assert len(parts) == 2
    assert "the computer's UTC has moved by +3600.000 s" in comments_in(folder)
    stamps = [
        [utc_from_text(line.split(",")[0]) for line in part.read_text().splitlines() if line[0].isdigit()]
        for part in parts
    ]
    assert stamps[1][0] - stamps[0][-1] > 3600 * 10**9
    assert all(b > a for each in stamps for a, b in itertools.pairwise(each))
    assert sum(map(len, stamps)) == 30


def test_status_and_heartbeat(counter: Any, quick: Description, tmp_path: Path) -> None:
    """On a terminal one screen, renewed; elsewhere a line per change; a file to look at from outside."""

    class _Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal, plain = _Terminal(), io.StringIO()
    eb.collect(quick, counter.address, tmp_path / "one", rows=5, screen=terminal, stability=True)
    eb.collect(quick, counter.address, tmp_path / "two", rows=5, screen=plain)
    last = terminal.getvalue().split("\x1b[H\x1b[J")[-1]
    beat = (tmp_path / "one" / "heartbeat.txt").read_text()

    assert max(len(line) for line in last.splitlines()) <= 80
    assert len(last.splitlines()) <= 24
    assert "rows: 5\n" in last
    assert "Ctrl-C" in terminal.getvalue()
    assert "Ctrl-C" not in last
    assert "running Allan deviation" in last
    assert "state: done\n" in beat
    assert f"process: {os.getpid()}\n" in beat
    assert [line.split(" ", 1)[1] for line in plain.getvalue().splitlines()] == ["collecting", "done"]


@pytest.mark.slow
def test_memory_does_not_grow(counter: Any, quick: Description, tmp_path: Path) -> None:
    """Between row 2000 and row 12000 the process holds no more than before (20 kB allowed)."""
    held: list[int] = []

    def _answers() -> Iterator[tuple[bytes, int]]:
        for k in itertools.count():
            if k in (2000, 12_000):
                held.append(tracemalloc.get_traced_memory()[0])
            yield (b"garbage" if k % 100 == 0 else b"10000000.000"), time.monotonic_ns()

    description = replace(quick, ask="", every_s=1.0)
    collector = fed(description, counter, tmp_path / "bench", _answers(), rows=12_000)
    tracemalloc.start()
    try:
        collector.run()
    finally:
        tracemalloc.stop()

    assert len(held) == 2
    assert held[1] - held[0] < 20_000


def fed(
    description: Description,
    counter: Any,
    folder: Path,
    answers: Iterator[tuple[bytes, int]],
    *,
    rows: int,
    beside: dict[str, Source] | None = None,
) -> Collector:
    """Return a collector that is fed answers and their moments instead of reading its link."""
    source = Source(description, counter.address)
    source.read = lambda _stop: next(answers)  # type: ignore[method-assign]
    return Collector(
        clock_source=source,
        beside=beside or {},
        folder=folder,
        rhythm=Rhythm(sync_s=1e6, part_bytes=100_000),
        backoff=SOON,
        interval_s=None,
        head={"nominal frequency": "10000000 Hz", "reference": "rubidium"},
        limits=(rows, 1e9),
        running=True,
        nominal_frequency_hz=1e7,
        screen=Screen(None),
        stop=Stop(),
    )


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"interval_s": 0.0}, "interval_s is 0.0; it must be a positive number"),
        ({"rows": 0}, "rows is 0; it must be a positive number"),
        ({"rhythm": Rhythm(sync_s=-1.0)}, "sync_s is -1.0; it must be zero or positive"),
        ({"rhythm": Rhythm(part_s=0.5)}, "part_s is 0.5; a part must last at least one second"),
        ({"rhythm": Rhythm(part_bytes=10)}, "part_bytes is 10; a part must hold at least 10000 bytes"),
        ({"beside": {"a b": ("temperature_query", "tcp://h:1")}}, "'a b' is not a name for a column"),
        ({"beside": {"t": ("temperature_query", "h")}}, "the address 'h' is not understood"),
    ],
)
def test_bad_arguments(options: dict[str, Any], sentence: str, tmp_path: Path) -> None:
    """One sentence, and nothing is written."""
    with pytest.raises(eb.InputError, match=sentence):
        eb.collect("frequency_query", "tcp://127.0.0.1:1", tmp_path / "bench", **options)
    assert list(tmp_path.iterdir()) == []


def test_unreachable_instrument_leaves_nothing_behind(tmp_path: Path) -> None:
    """A new collection that cannot begin ends at once, without an empty log."""
    with pytest.raises(eb.errors.InstrumentError, match="there is no link to the instrument"):
        eb.collect("frequency_query", "tcp://127.0.0.1:1", tmp_path / "bench")
    assert list(tmp_path.iterdir()) == []


def test_unanswered_question_is_named(counter: Any, quick: Description, tmp_path: Path) -> None:
    """Who waits in vain learns which question the instrument does not know."""
    odd = replace(quick, identify="WHO ARE YOU?")
    with pytest.raises(
        eb.errors.InstrumentError, match=r"no complete answer came within 0\.4 s, asked 'WHO ARE YOU\?'"
    ):
        eb.collect(odd, counter.address, tmp_path / "bench")


def test_a_log_taken_up_waits_for_its_instrument(
    counter: Any, quick: Description, tmp_path: Path, rows_in: Rows
) -> None:
    """After a power cut the computer may be up before the instrument: it keeps trying."""
    folder = tmp_path / "bench"
    eb.collect(quick, counter.address, folder, rows=3)
    counter.unplug()
    threading.Timer(0.5, counter.plug_in).start()
    result = eb.collect(quick, counter.address, folder, rows=3, backoff=SOON)

    assert result.rows == 3
    assert values(rows_in(folder)) == list(range(6))
