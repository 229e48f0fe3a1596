"""The journal: rhythm, parts, and what a crash, a power cut or a full disk leaves."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import evenbeat as eb
from evenbeat.errors import OutputError
from evenbeat.instruments.journal import Journal, Rhythm
from evenbeat.instruments.progress import Heartbeat
from evenbeat.instruments.timekeeping import utc_text

START_NS = 1_780_000_000_000_000_000
SECOND_NS = 1_000_000_000
OPEN, CLOSE = os.open, os.close


class Watch:
    """A monotonic clock that a test turns."""

    def __init__(self) -> None:
        self.now = 0

    def __call__(self) -> int:
        """Return what the test has set."""
        return self.now


def journal(
    folder: Path, *, rhythm: Rhythm | None = None, settings_: tuple[str, ...] = ("unit: Hz",)
) -> Journal:
    """Return a journal of one column, not yet open."""
    return Journal(
        folder,
        settings=settings_,
        columns=["utc", "frequency_Hz"],
        rhythm=rhythm or Rhythm(),
        monotonic_ns=Watch(),
    )


def filled(folder: Path, rows: int = 5, **options: object) -> Path:
    """Write a log of so many rows, a second apart, and return its last part."""
    log = journal(folder, **options)
    log.open(START_NS)
    for k in range(rows):
        log.row(START_NS + k * SECOND_NS, [f"{10_000_000 + k}.0"])
    log.close()
    return log.path


def test_a_log_looks_as_promised(tmp_path: Path) -> None:
    """Head, begin, names and rows, each on its line."""
    path = filled(tmp_path / "bench", rows=2)

    assert path.name == "bench-0001.csv"
    assert path.read_text() == (
        f"# unit: Hz\n# {utc_text(START_NS)} collection begins\nutc,frequency_Hz\n"
        f"{utc_text(START_NS)},10000000.0\n{utc_text(START_NS + SECOND_NS)},10000001.0\n"
    )


def test_rows_are_in_the_file_at_once(tmp_path: Path) -> None:
    """Nothing waits in the process, so that a killed one loses nothing."""
    log = journal(tmp_path / "bench", rhythm=Rhythm(sync_s=3600.0))
    log.open(START_NS)
    log.row(START_NS, ["1.0"])

    assert log.path.read_text().endswith(",1.0\n")
    log.close()


def test_disk_rhythm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are forced to the disk when the oldest has waited for the chosen time, not before."""
    watch, forced = Watch(), []
    log = Journal(
        tmp_path / "bench", settings=[], columns=["utc", "y"], rhythm=Rhythm(sync_s=10.0), monotonic_ns=watch
    )
    log.open(START_NS)
    monkeypatch.setattr(os, "fsync", lambda _: forced.append(watch.now))
    for second in range(25):
        watch.now = second * SECOND_NS
        log.row(START_NS + watch.now, ["1.0"])

    assert forced == [10 * SECOND_NS, 21 * SECOND_NS]
    watch.now = 40 * SECOND_NS
    log.sync_if_due()
    log.sync_if_due()
    assert forced[2:] == [40 * SECOND_NS]
    log.close()


def test_every_row_is_forced_where_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rhythm of zero forces each row."""
    log = journal(tmp_path / "bench", rhythm=Rhythm(sync_s=0.0))
    log.open(START_NS)
    forced = []
    monkeypatch.setattr(os, "fsync", forced.append)
    for k in range(4):
        log.row(START_NS + k, ["1.0"])
    assert len(forced) == 4
    log.close()


def test_parts_by_time(tmp_path: Path, rows_in: Callable[[Path], list[list[str]]]) -> None:
    """A new part begins at whole minutes of UTC, whenever the log began; no row is lost or doubled."""
    filled(tmp_path / "bench", rows=150, rhythm=Rhythm(part_s=60.0))
    seconds = START_NS // SECOND_NS
    borders = sum((seconds + k) % 60 == 0 for k in range(1, 150))

    assert len(list((tmp_path / "bench").glob("*.csv"))) == 1 + borders
    assert borders >= 2
    assert [float(row[1]) for row in rows_in(tmp_path / "bench")] == [1e7 + k for k in range(150)]


def test_parts_joined_are_one_log(tmp_path: Path) -> None:
    """The parts one after the other in one file read as the whole, heads between them and all."""
    filled(tmp_path / "bench", rows=150, rhythm=Rhythm(part_s=60.0), settings_=("nominal frequency: 10 MHz",))
    parts = sorted((tmp_path / "bench").glob("*.csv"))
    joined = tmp_path / "all.csv"
    joined.write_text("".join(part.read_text() for part in parts))

    record = eb.read_log(joined)
    assert record.values == pytest.approx([k / 1e7 for k in range(150)], rel=1e-9)
    assert record.interval_s == 1.0


def test_parts_by_size(tmp_path: Path, rows_in: Callable[[Path], list[list[str]]]) -> None:
    """No part outgrows the limit by more than its closing comment, and all rows are there once."""
    filled(tmp_path / "bench", rows=900, rhythm=Rhythm(part_bytes=10_000))
    parts = list((tmp_path / "bench").glob("*.csv"))

    assert len(parts) > 3
    assert max(part.stat().st_size for part in parts) < 10_000 + 100
    assert len(rows_in(tmp_path / "bench")) == 900
    assert all("\nutc,frequency_Hz\n" in part.read_text() for part in parts)


def test_resuming_goes_on_in_the_same_part(tmp_path: Path) -> None:
    """The gap is told in a comment; rows before are untouched."""
    path = filled(tmp_path / "bench")
    before = path.read_bytes()
    log = journal(tmp_path / "bench")
    log.open(START_NS + 100 * SECOND_NS)
    log.row(START_NS + 100 * SECOND_NS, ["7.0"])
    log.close()

    assert log.path == path
    assert path.read_bytes().startswith(before)
    assert b"collection resumes 96.000 s after the last row\n" in path.read_bytes()


def test_torn_line_is_set_aside_at_every_byte(tmp_path: Path) -> None:
    """However a power cut cuts the last row: rows before stay, the rest becomes a comment that quotes it."""
    path = filled(tmp_path / "bench")
    whole = path.read_bytes()
    begin = whole.rindex(b"\n", 0, -1) + 1
    for cut in range(begin + 1, len(whole)):
        path.write_bytes(whole[:cut])
        log = journal(tmp_path / "bench")
        log.open(START_NS + 50 * SECOND_NS)
        log.close()
        after = path.read_bytes()

        assert after.startswith(whole[:begin] + b"# torn line set aside: " + whole[begin:cut] + b"\n# 2")
        assert b"1 torn line set aside" in after


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(tail=st.binary(max_size=200), zeros=st.sampled_from([0, 1, 4096, 200_000]))
def test_any_torn_end_leaves_rows_and_comments_only(tmp_path: Path, tail: bytes, zeros: int) -> None:
    """Random bytes and long runs of zero bytes after a crash: whole rows stay, the log stays plain text."""
    path = filled(tmp_path / "bench", rows=3)
    whole = path.read_bytes()
    torn = bytes(zeros) + tail.replace(b"\n", b"?") + (b"" if zeros else b"?")
    path.write_bytes(whole + torn)
    log = journal(tmp_path / "bench")
    log.open(START_NS + 50 * SECOND_NS)
    log.close()
    after = path.read_bytes()
    for part in (tmp_path / "bench").glob("*"):
        part.unlink()

    assert after.startswith(whole)
    assert all(line.startswith(b"#") for line in after[len(whole) :].splitlines())
    assert after.isascii()
    assert b"\x00" not in after
    expected = "".join(
        c if " " <= c <= "~" else "?" for c in torn.replace(b"\0", b"").decode("ascii", "replace")
    )
    assert expected in after.decode()


def test_last_row_is_found_behind_many_comments(tmp_path: Path) -> None:
    """A month of failed tries between the last row and the crash does not hide the last row."""
    folder = tmp_path / "bench"
    log = journal(folder)
    log.open(START_NS)
    log.row(START_NS, ["1.0"])
    for k in range(5000):
        log.remark(START_NS + k, "no link to the instrument")
    log.close()
    again = journal(folder)

    assert again.open(START_NS + 10 * SECOND_NS) == "collection resumes 10.000 s after the last row"
    again.close()


def test_clock_that_went_back_begins_a_new_part(tmp_path: Path) -> None:
    """A computer that wakes with a wrong date cannot make times run backwards within a part."""
    filled(tmp_path / "bench")
    log = journal(tmp_path / "bench")
    log.open(START_NS - 3600 * SECOND_NS)
    log.row(START_NS - 3600 * SECOND_NS, ["1.0"])
    log.close()

    assert log.path.name == "bench-0002.csv"
    assert "the computer's clock has gone back" in log.path.read_text()


def test_other_settings_begin_a_new_part(tmp_path: Path) -> None:
    """Rows in kHz do not go on under a head that says Hz."""
    filled(tmp_path / "bench")
    log = journal(tmp_path / "bench", settings_=("unit: kHz",))
    log.open(START_NS + 50 * SECOND_NS)
    log.close()

    assert log.path.name == "bench-0002.csv"
    assert log.path.read_text().startswith("# unit: kHz\n")


def test_two_collectors_do_not_share_a_folder(tmp_path: Path) -> None:
    """The second is refused while the first writes, and welcome afterwards."""
    first = journal(tmp_path / "bench")
    first.open(START_NS)
    second = journal(tmp_path / "bench")
    with pytest.raises(OutputError, match=r"bench-0001\.csv: another collector writes into this folder"):
        second.open(START_NS)
    first.close()
    second.open(START_NS + SECOND_NS)
    second.close()


class _Killed(BaseException):
    """Stands for kill -9: nothing catches it."""


def test_killed_at_every_system_call(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows_in: Callable[[Path], list[list[str]]]
) -> None:
    """Wherever the process ends while parts change, every row is in the log once, at most one is missing."""
    monkeypatch.setattr(os, "fsync", lambda _: None)  # counted, but the disk of the tests may rest
    calls = [(os, "write"), (os, "fsync"), (os, "open"), (os, "lseek"), (os, "close"), (Path, "rename")]
    ended = 0
    for last_call in range(1, 400):
        folder = tmp_path / f"log{last_call}"
        done: list[int] = []
        with pytest.MonkeyPatch.context() as patch:
            spent = _Budget(last_call)
            for owner, name in calls:
                patch.setattr(owner, name, spent.limited(getattr(owner, name)))
            log = journal(folder, rhythm=Rhythm(part_s=2.0, sync_s=0.0))
            try:
                log.open(START_NS)
                for k in range(7):
                    log.row(START_NS + k * SECOND_NS, [str(k)])
                    done.append(k)
            except _Killed:
                ended += 1
        for descriptor in spent.open:  # what the system does for a killed process
            os.close(descriptor)
        again = journal(folder, rhythm=Rhythm(part_s=2.0, sync_s=0.0))
        again.open(START_NS + 100 * SECOND_NS)
        again.row(START_NS + 100 * SECOND_NS, ["100"])
        again.close()
        values = [int(row[1]) for row in rows_in(folder)]

        assert values in ([*done, 100], [*done, len(done), 100])
        if len(done) == 7:
            break
    assert ended == last_call - 1 > 30


class _Budget:
    """Lets so many system calls pass and kills at the next."""

    def __init__(self, calls: int) -> None:
        self._left = calls
        self.open: set[int] = set()

    def limited(self, call: Callable[..., object]) -> Callable[..., object]:
        """Return the call, counted."""

        def _counted(*arguments: object, **options: object) -> object:
            self._left -= 1
            if self._left < 0:
                raise _Killed
            result = call(*arguments, **options)
            if call is OPEN:
                self.open.add(result)
            elif call is CLOSE:
                self.open.discard(arguments[0])
            return result

        return _counted


def test_empty_new_part_is_still_a_log_taken_up(tmp_path: Path) -> None:
    """A crash right after a new part began does not make the collection look new."""
    folder = tmp_path / "bench"
    filled(folder)
    log = journal(folder)
    log.open(START_NS + 10 * SECOND_NS)
    log.new_part(START_NS + 10 * SECOND_NS, "because")
    log.close()
    again = journal(folder)
    again.open(START_NS + 20 * SECOND_NS)

    assert again.holds_rows
    again.close()


def test_full_disk_leaves_whole_rows(tmp_path: Path, rows_in: Callable[[Path], list[list[str]]]) -> None:
    """Where the system writes only half a row (a limit on file size), the half is taken back and told."""
    script = (
        "import resource, sys; from pathlib import Path; from evenbeat.errors import OutputError\n"
        "from evenbeat.instruments.journal import Journal, Rhythm\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "log = Journal(Path(sys.argv[1]), settings=[], columns=['utc', 'y'], rhythm=Rhythm(),\n"
        "              monotonic_ns=lambda: 0)\n"
        f"log.open({START_NS})\n"
        "try:\n"
        f"    [log.row({START_NS} + k * 10**9, [str(k)]) for k in range(100)]\n"
        "except OutputError as error:\n"
        "    sys.stdout.write(str(error))\n"
    )
    folder = tmp_path / "bench"
    done = subprocess.run(
        [sys.executable, "-c", script, str(folder)], capture_output=True, text=True, check=True
    )
    content = (folder / "bench-0001.csv").read_text()

    assert "the log cannot be written (File too large); all rows before are whole" in done.stdout
    assert content.endswith("\n")
    assert 950 < len(content) <= 1000
    assert [row[1] for row in rows_in(folder)] == [str(k) for k in range(len(rows_in(folder)))]


def test_unwritable_folder_is_named(tmp_path: Path) -> None:
    """A file where the folder should be."""
    (tmp_path / "bench").write_text("")
    with pytest.raises(OutputError, match="bench: the log cannot be written"):
        journal(tmp_path / "bench").open(START_NS)


def test_heartbeat_that_cannot_be_written_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk leaves no empty file beside it; one left by a kill is gone with the next beat."""
    heartbeat = Heartbeat(tmp_path)
    heartbeat.beat(["collection: logging"])

    def full(self: Path, *_: object, **__: object) -> int:
        self.touch()
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_text", full)
        with pytest.raises(OutputError, match="the heartbeat cannot be written"):
            heartbeat.beat(["collection: logging"])
    assert [path.name for path in tmp_path.iterdir()] == ["heartbeat.txt"]
    assert (tmp_path / "heartbeat.txt").read_text().startswith("collection: logging")

    (tmp_path / "heartbeat.new").touch()
    Heartbeat(tmp_path).beat(["collection: taken up"])
    assert [path.name for path in tmp_path.iterdir()] == ["heartbeat.txt"]


def rows_and_comments(path: Path) -> tuple[list[str], list[str]]:
    """Return the rows of a log, and the comments."""
    lines = path.read_text().splitlines()
    return [line for line in lines if line[:1].isdigit()], [line for line in lines if line.startswith("#")]


@pytest.mark.parametrize("zeros", [4096, 100_000])
def test_zeros_of_a_power_cut_cost_only_their_own_rows(tmp_path: Path, zeros: int) -> None:
    """Pages of zeros within thousands of rows: every row that was whole on both sides stays a row."""
    path = filled(tmp_path / "bench", rows=20_000)
    content = bytearray(path.read_bytes())
    begin = len(content) - 150_000
    content[begin : begin + zeros] = bytes(zeros)
    path.write_bytes(content)
    lines = bytes(content).split(b"\n")[:-1]
    whole = [line.decode() for line in lines if b"\0" not in line and line[:1].isdigit()]
    torn = sum(line.count(b"\0") > 0 for line in lines)

    log = journal(tmp_path / "bench")
    log.open(START_NS + 30_000 * SECOND_NS)
    log.close()
    rows, comments = rows_and_comments(path)
    assert rows == whole
    assert torn == 1
    assert len(rows) > 20_000 - zeros / 30
    assert any(f"{zeros} zero bytes set aside" in line for line in comments)


def test_a_deleted_log_is_put_back_whole(tmp_path: Path) -> None:
    """Somebody deletes the log while it is written: it comes back whole, and the next row follows."""
    log = journal(tmp_path / "bench")
    log.open(START_NS)
    log.row(START_NS, ["10000000.0"])
    log.path.unlink()
    found = log.see_to_its_place(START_NS + SECOND_NS)
    log.row(START_NS + SECOND_NS, ["10000001.0"])
    log.close()

    rows, comments = rows_and_comments(tmp_path / "bench" / "bench-0001.csv")
    assert [row.rpartition(",")[2] for row in rows] == ["10000000.0", "10000001.0"]
    assert "deleted" in found
    assert found in comments[-1]


@pytest.mark.parametrize("replaced", [False, True])
def test_a_moved_log_goes_on_in_a_new_part(tmp_path: Path, replaced: bool) -> None:
    """The rows so far are where somebody has moved them; those that follow stand in the folder."""
    log = journal(tmp_path / "bench")
    log.open(START_NS)
    log.row(START_NS, ["10000000.0"])
    log.path.rename(tmp_path / "moved.csv")
    if replaced:
        (tmp_path / "bench" / "bench-0001.csv").write_text("another file\n")
    found = log.see_to_its_place(START_NS + SECOND_NS)
    log.row(START_NS + SECOND_NS, ["10000001.0"])
    assert log.see_to_its_place(START_NS + 2 * SECOND_NS) == ""
    log.close()

    assert "moved" in found
    assert rows_and_comments(tmp_path / "moved.csv")[0][0].endswith("10000000.0")
    part = tmp_path / "bench" / f"bench-000{2 if replaced else 1}.csv"
    assert [row.rpartition(",")[2] for row in rows_and_comments(part)[0]] == ["10000001.0"]


@pytest.mark.parametrize("name", ["bench-0001.csv", "heartbeat.txt"])
def test_foreign_files_are_refused(tmp_path: Path, name: str) -> None:
    """A file of that name which no collection has written stays as it is, to the byte."""
    folder = tmp_path / "bench"
    folder.mkdir()
    foreign = folder / name
    foreign.write_text("my own notes,1\n2026-01-01,half a li")

    writes = {
        "heartbeat.txt": lambda: Heartbeat(folder).beat(["collection: bench"]),
        "bench-0001.csv": lambda: journal(folder).open(START_NS),
    }

    with pytest.raises(OutputError, match=f"{name}: .*not written by a collection.*another folder"):
        writes[name]()
    assert foreign.read_text() == "my own notes,1\n2026-01-01,half a li"
