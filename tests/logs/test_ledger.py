"""Every line of a log is accounted for once, and every number that is accepted is the one that was written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import evenbeat as eb

ROWS = 120
COMMENTS = ("# a remark", "% bench 3, again", "// see the book", "#", "   # indented")


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A column of readings: its name, how one is written, what stands behind it, and its size in SI."""

    name: str
    text: Callable[[np.random.Generator], str]
    behind: str = ""
    options: tuple[tuple[str, object], ...] = ()


READINGS = (
    Reading(name="frequency_hz", text=lambda r: f"{1e7 + r.normal(0, 2e-3):.4f}"),
    Reading(name="phase_ns", text=lambda r: f"{r.normal(0, 40):.3f}"),
    Reading(name="phase_s", text=lambda r: f"{r.normal(0, 1e-8):.6e}"),
    Reading(name="frequency", text=lambda r: f"{10 + r.normal(0, 2e-9):.10f}", behind=" MHz"),
)
TIMES: dict[str, Callable[[int], str]] = {
    "utc": lambda k: f"{np.datetime64('2026-03-01T00:00:00') + np.timedelta64(10 * k, 's')}Z",
    "time": lambda k: str(np.datetime64("2026-03-13T00:00:00") + np.timedelta64(10 * k, "s")).replace(
        "T", " "
    ),
    "unix_s": lambda k: str(1_767_225_600 + 10 * k),
    "unix_ns": lambda k: str(1_767_225_600_123_456_789 + 10**10 * k),
    "elapsed_s": lambda k: f"{10.0 * k:.1f}",
}


@dataclass(eq=False, kw_only=True)
class Log:
    """A log of random layout: its lines, and what each of them is before anything is done to it."""

    lines: list[str]
    texts: dict[str, str]  # line of a row → its reading as it was written
    decimal: str
    reading: Reading
    timed: bool


def random_log(random: np.random.Generator) -> Log:
    """Return a log with random separator, time, reading, decimal mark, covariate and last cell."""
    separator = str(random.choice([",", ";", "\t", "|", "  ", " ; "]))
    decimal = "," if ";" in separator and random.uniform() < 0.5 else "."
    reading = READINGS[int(random.integers(len(READINGS)))]
    time = (
        str(random.choice([*TIMES, "none"])) if separator != "  " else str(random.choice(["utc", "unix_s"]))
    )
    behind = reading.behind if separator != "  " else reading.behind.strip()
    names = [*([time] if time != "none" else []), reading.name]
    beside = bool(random.uniform() < 0.4) or time == "none"
    names += ["room_temp_c"] if beside else []
    lines, texts = [separator.join(names)], {}
    for k in range(ROWS):
        text = reading.text(random).replace(".", decimal)
        cells = [*([TIMES[time](k).replace(".", decimal)] if time != "none" else []), text + behind]
        cells += [f"{random.integers(200, 230) / 10:.2f}".replace(".", decimal)] if beside else []
        lines.append(separator.join(cells))
        texts[lines[-1]] = text
    return Log(lines=lines, texts=texts, decimal=decimal, reading=reading, timed=time != "none")


def mutated(log: Log, random: np.random.Generator) -> list[str]:
    """Return the lines with some cut, garbled, doubled or swapped, and comments and blanks among them."""
    lines = list(log.lines)
    for _ in range(int(random.integers(1, 7))):
        at = int(random.integers(2, len(lines) - 1))
        line = lines[at]
        match int(random.integers(6)):
            case 0:
                lines[at] = line[: int(random.integers(0, len(line) + 1))]
            case 1:
                k = int(random.integers(len(line) or 1))
                lines[at] = line[:k] + str(random.choice(list("?x@!#_~"))) + line[k + 1 :]
            case 2:
                lines.insert(at, line)
            case 3 if log.timed:
                lines[at], lines[at + 1] = lines[at + 1], line
            case 4:
                lines.insert(at, str(random.choice([*COMMENTS, COMMENTS[1][:2]])))
            case _:
                lines.insert(at, str(random.choice(["", "   ", "\t"])))
    return lines


def check(path: Path, log: Log, lines: list[str]) -> str:
    """Check the account of one log and its readings; return what became of it."""
    end = "\n" if len(lines) % 5 else ""
    path.write_text("\n".join(lines) + end)
    options = {} if log.timed else {"interval_s": 10.0}
    try:
        record = eb.read_log(path, bad_lines="reject", **options)
    except eb.LogError as error:
        return f"refused: {str(error).partition(': ')[2]}"
    ledger = record.ledger
    assert ledger is not None
    kinds = (ledger.accepted, ledger.left_out, ledger.rejected, ledger.comments, ledger.blank, ledger.header)
    assert ledger.lines == len(lines) - (lines[-1] == "" and not end) == sum(kinds), (ledger, lines)
    told = [line for reason in ledger.reasons for line in reason.lines]
    assert len(told) == len(set(told)) == ledger.rejected
    rejected = set(told)
    blank = sum(not line.strip() for line in lines[: ledger.lines])
    comments = sum(line.lstrip().startswith(("#", "%", "//")) for line in lines)
    assert (ledger.blank, ledger.comments, ledger.header) == (blank, comments, 1)
    whole = [
        line
        for number, line in enumerate(lines, 1)
        if number not in rejected and line.partition("#")[0].strip()
    ]
    rows = [line for line in whole[1:] if not line.lstrip().startswith(("%", "//"))]
    assert len(rows) == ledger.accepted
    for row in rows:  # as it was written, or with its time or temperature garbled into another possible one
        assert row.partition("#")[0].rstrip() in log.texts or is_other(row, log), row
    expected = np.array([number(row, log) for row in rows])
    found = record.values[~np.isnan(record.values)]
    np.testing.assert_array_equal(found, expected)
    return "read"
