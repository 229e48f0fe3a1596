"""Every line of a log is accounted for once, and accepted numbers are those that were written."""

from __future__ import annotations

import gzip
import json
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

ROWS = 120
COMMENTS = ("# a remark", "% bench 3, again", "// see the book", "#", "   # indented")


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A column of readings: its name, how one is written, what stands behind it, and its value in SI."""

    name: str
    text: Callable[[np.random.Generator], str]
    value: Callable[[float], float]
    behind: str = ""


READINGS = (
    Reading(
        name="frequency_hz", text=lambda r: f"{1e7 + r.normal(0, 2e-3):.4f}", value=lambda x: (x - 1e7) / 1e7
    ),
    Reading(name="phase_ns", text=lambda r: f"{r.normal(0, 40):.3f}", value=lambda x: x * 1e-9),
    Reading(name="phase_s", text=lambda r: f"{r.normal(0, 1e-8):.6e}", value=lambda x: x),
    Reading(
        name="frequency",
        text=lambda r: f"{10 + r.normal(0, 2e-9):.10f}",
        value=lambda x: (x - 10) / 10,
        behind=" MHz",
    ),
)
TIMES: dict[str, Callable[[int], str]] = {
    "utc": lambda k: f"{np.datetime64('2026-03-01T00:00:00') + np.timedelta64(10 * k, 's')}Z",
    "date": lambda k: f"{13 + k // 60:02d}/03/2026 {12 + k // 60:02d}:{k % 60:02d}:00",
    "unix_s": lambda k: str(1_767_225_600 + 10 * k),
    "unix_ns": lambda k: str(1_767_225_600_123_456_789 + 10**10 * k),
    "elapsed_s": lambda k: f"{10.0 * k:.1f}",
}


@dataclass(eq=False, kw_only=True)
class Log:
    """A log of random layout, and the texts of its readings and temperatures as they were written."""

    lines: list[str]
    separator: str
    decimal: str
    reading: Reading
    names: list[str]
    texts: set[str]

    @property
    def timed(self) -> bool:
        """Whether its rows state their time."""
        return self.names[0] in TIMES

    def cell(self, line: str, name: str) -> str:
        """Return one cell of a line without its unit, nothing where it is missing."""
        cells = line.partition("#")[0].split(self.separator.strip(" ") or "  ")
        index = self.names.index(name)
        cell = cells[index].strip() if index < len(cells) else ""
        cell = cell.removesuffix(self.reading.behind.strip()).strip() if name == self.reading.name else cell
        return "" if cell in ("-", "?") else cell  # which stand for a missing reading

    def value(self, text: str) -> float:
        """Return the reading that a text states, in SI."""
        return self.reading.value(float(text.replace(self.decimal, "."))) if text else np.nan


FIELD_OPTIONS: dict[str, dict[str, object]] = {
    "01": {"interval_s": 1.0},
    "03": {"interval_s": 10.0, "nominal_frequency_hz": 1e7},
    "05": {"interval_s": 1.0, "quantity": "phase", "unit": "s"},
    "06": {"every": 2, "offset": 0},
    "08": {"nominal_frequency_hz": 1e7},
    "14": {"unit": "Hz", "nominal_frequency_hz": 1e7},
    "n1": {"nominal_frequency_hz": 12.288e6},
    "n3": {"nominal_frequency_hz": 32768.0},
}


def random_log(random: np.random.Generator) -> Log:
    """Return a log with random separator, time, reading, decimal mark and covariate."""
    separator = str(random.choice([",", ";", "\t", "|", "  ", " ; "]))
    decimal = "," if ";" in separator and random.uniform() < 0.5 else "."
    reading = READINGS[int(random.integers(len(READINGS)))]
    time = str(random.choice([*TIMES, "none"]))
    behind = reading.behind.strip() if separator == "  " else reading.behind
    beside = time == "none" or bool(random.uniform() < 0.4)
    names = [*([time] if time != "none" else []), reading.name, *(["room_temp_c"] if beside else [])]
    lines, texts = [separator.join(names)], {""}
    for k in range(ROWS):
        text = reading.text(random).replace(".", decimal)
        warm = f"{random.integers(200, 230) / 10:.2f}".replace(".", decimal)
        cells = [TIMES[time](k).replace(".", decimal)] if time != "none" else []
        lines.append(separator.join([*cells, text + behind, *([warm] if beside else [])]))
        texts |= {text, warm}
    return Log(lines=lines, separator=separator, decimal=decimal, reading=reading, names=names, texts=texts)


def mutated(log: Log, random: np.random.Generator) -> list[str]:
    """Return the lines with some cut, garbled, doubled or swapped, and comments and blanks among them."""
    lines = list(log.lines)
    for kind in random.integers(0, 6, int(random.integers(1, 4))).tolist():
        at = int(random.integers(2, len(lines) - 1))
        line = lines[at]
        if kind == 0:
            lines[at] = line[: int(random.integers(0, len(line) + 1))]
        elif kind == 1 and line:
            k = int(random.integers(len(line)))
            lines[at] = line[:k] + str(random.choice(list("?x@!#_~"))) + line[k + 1 :]
        elif kind == 2:
            lines.insert(at, line)
        elif kind == 3 and log.timed:
            lines[at], lines[at + 1] = lines[at + 1], line
        elif kind == 4:
            lines.insert(at, str(random.choice(COMMENTS)))
        else:
            lines.insert(at, str(random.choice(["", "   ", "\t"])))
    return lines


def check(path: Path, log: Log, lines: list[str], *, ended: bool) -> bool:
    """Check the account of one log and its readings; return whether it was read."""
    path.write_text("\n".join(lines) + "\n" * ended)
    options = {} if log.timed else {"interval_s": 10.0}
    try:
        record = eb.read_log(path, bad_lines="reject", **options)
    except eb.LogError:
        return False
    ledger = record.ledger
    assert ledger is not None
    kinds = (ledger.accepted, ledger.left_out, ledger.rejected, ledger.comments, ledger.blank, ledger.header)
    assert ledger.lines == len(lines) == sum(kinds)
    rejected = [line for reason in ledger.reasons for line in reason.lines]
    assert len(set(rejected)) == ledger.rejected == len(rejected)
    comments = [line for line in lines if line.lstrip().startswith(("#", "%", "//"))]
    blank = [line for line in lines if not line.strip()]
    assert (ledger.blank, ledger.comments, ledger.header) == (len(blank), len(comments), 1)
    rows = [
        line
        for number, line in enumerate(lines, 1)
        if number > 1 and number not in rejected and line not in comments and line not in blank
    ]
    assert len(rows) == ledger.accepted
    for name in log.names[log.timed :]:  # no number is shorter than it was written
        assert {log.cell(row, name) for row in rows} <= log.texts
    expected = np.array([log.value(log.cell(row, log.reading.name)) for row in rows])
    np.testing.assert_array_equal(record.values[~np.isnan(record.values)], expected[~np.isnan(expected)])
    return True


def check_many(path: Path, count: int, seed: int) -> None:
    """Check random logs; those that are refused in spite of ``reject`` are few."""
    random = np.random.default_rng(seed)
    read = 0
    for _ in range(count):
        log = random_log(random)
        read += check(path, log, mutated(log, random), ended=bool(random.uniform() < 0.8))
    assert read >= 0.97 * count


@pytest.mark.slow
def test_every_line_is_accounted_for(tmp_path: Path) -> None:
    """Random layouts with random damage: the sum holds, and what was accepted is bit-equal to its text."""
    check_many(tmp_path / "log.txt", 150, seed=15)


@pytest.mark.slow
def test_every_line_of_two_thousand_logs_is_accounted_for(tmp_path: Path) -> None:
    """The same for many more."""
    check_many(tmp_path / "log.txt", 2000, seed=16)


def stamped(rows: int = 60) -> list[str]:
    """Return rows ten seconds apart near 10 MHz."""
    stamps = np.datetime64("2026-01-01T00:00:00") + np.arange(rows) * np.timedelta64(10, "s")
    return [f"{stamp}Z,{1e7 + 1e-4 * (k * 7 % 23):.4f}" for k, stamp in enumerate(stamps)]


def damaged(tmp_path: Path) -> Path:
    """Write a log with five rows without a number, a comment, two blank lines and a doubled row."""
    lines = stamped()
    for k in (10, 20, 30, 40, 50):
        lines[k] = lines[k][:21] + "pause"
    lines[5:5] = ["# coffee", "", "  ", lines[4]]
    path = tmp_path / "log.csv"
    path.write_text("utc,frequency_hz\n" + "\n".join(lines) + "\n")
    return path


def test_the_account_is_shown_and_goes_on_with_the_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line with at most three rejected lines of a reason; in the JSON of inspection and record."""
    path = damaged(tmp_path)
    record = eb.read_log(path, bad_lines="reject")
    said = "Of 65 lines 55 accepted, 6 rejected (5 × 'pause' in column 'frequency_hz' is neither"
    assert str(record.ledger).replace("\n", " ").startswith(said)
    assert "1 comment, 2 blank, 1 header" in str(record.ledger).replace("\n", " ")
    assert main(["inspect", str(path), "--set", "bad_lines=reject"]) == 0
    shown = capsys.readouterr().out
    assert "Of 65 lines 55 accepted" in shown
    assert shown.count("line 16: 'pause'") == shown.count("… and 2 more like line 16") == 1
    assert "line 46: 'pause'" not in shown
    counts = record.to_dict()["ledger"]
    assert (counts["accepted"], counts["rejected"], counts["blank"]) == (55, 6, 2)
    assert counts["reasons"][0]["lines"] == [16, 26, 36, 46, 56]
    assert json.loads(json.dumps(eb.inspect_log(path).to_dict()))["ledger"] == counts
    for later in (eb.condition(record), record.between(100.0, 500.0)):
        assert later.ledger is record.ledger


def test_rows_that_were_not_asked_for_are_counted(tmp_path: Path) -> None:
    """One of two oscillators logged in turn: the rows of the other are neither accepted nor rejected."""
    path = tmp_path / "log.csv"
    path.write_text("utc,frequency_hz\n" + "\n".join(stamped()) + "\n")
    ledger = eb.read_log(path, every=2, offset=1).ledger
    assert (ledger.lines, ledger.accepted, ledger.left_out, ledger.header) == (61, 30, 30, 1)


def test_prompts_and_queries_are_counted_once(tmp_path: Path) -> None:
    """A serial dialogue: the answers are accepted, all that was asked is rejected, blank lines are blank."""
    answers = ((f"{1e7 + k % 7 * 1e-4:.4f}", *([""] if k % 9 else [])) for k in range(40))
    lines = [line for answer in answers for line in ("> READ?", *answer)]
    path = tmp_path / "dialogue.txt"
    path.write_text("\n".join(lines) + "\n")
    ledger = eb.read_log(path, interval_s=1.0).ledger
    assert (ledger.accepted, ledger.rejected, ledger.blank) == (40, 40, len(lines) - 80)
    assert ledger.lines == len(lines)


def test_a_binary_file_has_no_lines(tmp_path: Path) -> None:
    """Nothing is counted where there is no text."""
    np.save(tmp_path / "log.npy", np.arange(9.0) * 1e-9)
    assert eb.read_log(tmp_path / "log.npy", interval_s=1.0, quantity="phase", unit="s").ledger is None


@pytest.mark.slow
def test_the_sum_holds_for_every_field_log(field_logs: Path) -> None:
    """Twelve habits of counters: each line of the file once."""
    named = ("accepted", "left_out", "rejected", "comments", "blank", "header")
    paths = [path for path in sorted(field_logs.iterdir()) if path.name != "README.md"]
    for path in paths:
        content = path.read_bytes()
        text = gzip.decompress(content) if path.suffix == ".gz" else content
        ledger = eb.inspect_log(path, **FIELD_OPTIONS.get(path.name[:2], {})).ledger

        assert ledger is not None, path
        assert sum(getattr(ledger, one) for one in named) == ledger.lines == len(text.splitlines()), path
    assert len(paths) == 12


@pytest.mark.slow
def test_many_prompts_take_little_memory(tmp_path: Path) -> None:
    """Reading a serial dialogue takes a few times its text, not an object for each line that is no row."""
    path = tmp_path / "log.txt"
    path.write_text("".join(f"> READ?\n{1e7 + k % 97:.4f}\n" for k in range(150_000)))
    eb.read_log(path, interval_s=1.0)
    tracemalloc.start()
    ledger = eb.read_log(path, interval_s=1.0).ledger
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert (ledger.accepted, ledger.rejected, ledger.reasons[0].count) == (150_000, 150_000, 150_000)
    assert peak < 13 * path.stat().st_size  # 15 where every line was kept; pieces read side by side vary it


def test_of_many_odd_lines_the_first_are_told_word_for_word(tmp_path: Path) -> None:
    """A thousand lines of a kind keep what they hold, later ones their number and kind; all are counted."""
    rows = [f"{1e7 + k % 97:.4f}\npause {k}" * (k % 2) or f"{1e7 + k % 89:.4f}" for k in range(3000)]
    path = tmp_path / "log.txt"
    path.write_text("frequency_hz\n" + "\n".join(rows) + "\n")
    seen = eb.inspect_log(path, interval_s=1.0, bad_lines="reject")
    assert len(seen.rejected) == seen.ledger.rejected == seen.ledger.reasons[0].count == 1500
    assert seen.rejected[999].reason.startswith("'pause 1999' in column 'frequency_hz' is neither a number")
    assert seen.rejected[1000].reason.startswith("'…' in column '…' is neither a number nor a known text")
    text = path.read_text().split("\n")
    assert all(text[line.line - 1].startswith("pause") for line in seen.rejected)
