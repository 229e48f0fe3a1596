"""Logs with a line that a torn write cut short: no shortened number is read as if it were a reading."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

N = 300
CUTS = 12
SEPARATORS = (",", ";", "\t", "  ")


@dataclass(frozen=True, kw_only=True)
class Writing:
    """A way to write readings: the name of their column, the text of one, and its size in SI."""

    name: str
    text: Callable[[random.Random], str]
    factor: float = 1.0

    def reading(self, text: str) -> float:
        """Return the reading that a text states."""
        return (float(text) - 1e7) / 1e7 if self.name == "frequency_hz" else float(text) * self.factor


WRITINGS = {
    "hertz": Writing(name="frequency_hz", text=lambda r: f"{1e7 + r.gauss(0, 2e-3):.4f}"),
    "hertz of many digits": Writing(name="frequency_hz", text=lambda r: f"{1e7 + r.gauss(0, 2e-3):.11f}"),
    "whole hertz": Writing(name="frequency_hz", text=lambda r: f"{10_000_003 + r.randint(-6, 6)}"),
    "nanoseconds": Writing(name="phase_ns", text=lambda r: f"{r.gauss(0, 40):.3f}", factor=1e-9),
    "exponents": Writing(name="phase_s", text=lambda r: f"{r.gauss(0, 1e-8):.4e}"),
    "three digits of exponent": Writing(
        name="phase_s", text=lambda r: f"{r.gauss(0, 1e-8):+.6E}".replace("E-", "E-0")
    ),
    "as a program prints": Writing(name="phase_s", text=lambda r: repr(r.gauss(0, 1e-9))),
}


def stamp(k: int) -> str:
    """Return the time of row ``k``, ten seconds apart."""
    return f"{np.datetime64('2026-03-01T00:00:00') + np.timedelta64(10 * k, 's')}"


ROWS: dict[str, tuple[str, Callable[[int, str], list[str]]]] = {
    "alone": ("{value}", lambda _, value: [value]),
    "behind a stamp": ("utc|{value}", lambda k, value: [stamp(k) + "Z", value]),
    "behind seconds": ("elapsed_s|{value}", lambda k, value: [str(10 * k), value]),
    "before a temperature": (
        "elapsed_s|{value}|oven_temp_c",
        lambda k, value: [str(10 * k), value, f"{40 + k % 7 / 10:.2f}"],
    ),
    "before its stamp": ("{value}|utc", lambda k, value: [value, stamp(k)]),
    "before its seconds": ("{value}|elapsed_s", lambda k, value: [value, f"{10 * k:.1f}"]),
}


def log_of(
    writing: str, row: str, separator: str, generator: random.Random
) -> tuple[str, list[str], np.ndarray]:
    """Return header, lines and readings of a log."""
    way, (header, cells) = WRITINGS[writing], ROWS[row]
    texts = [way.text(generator) for _ in range(N)]
    lines = [separator.join(cells(k, text)) for k, text in enumerate(texts)]
    if separator == ";":
        lines = [line.replace(".", ",") for line in lines]
    header = header.format(value=way.name).replace("|", separator)
    return header, lines, np.array([way.reading(text) for text in texts])


def tells(record: eb.Record, line: int) -> bool:
    """Return whether a finding names a line or the next, or counts a reading as missing."""
    for finding in record.findings:
        if finding.code == "MISSING_READINGS":
            return True
        if finding.code in ("REJECTED_LINES", "SHORT_NUMBERS", "LATE_ROWS"):
            named = "".join(re.findall(r"lines? ([\d, ]+)", finding.sentence))
            if {str(line), str(line + 1)} & set(re.findall(r"\d+", named)):
                return True
    return False


def check(path: Path, policy: str, readings: np.ndarray, line: int, *, timed: bool) -> None:
    """Check that a log is refused, or that all but the torn rows are read to the bit and these are named."""
    try:
        record = eb.read_log(path, bad_lines=policy, **({} if timed else {"interval_s": 10.0}))
    except eb.LogError as error:
        refusal = str(error)
    else:
        read = ~np.isnan(record.values)
        np.testing.assert_array_equal(record.values[read], readings[: len(record)][read])
        assert len(readings) - 2 <= read.sum() <= len(readings)
        assert read.sum() == len(readings) or tells(record, line)
        return
    assert policy == "refuse", refusal
    assert re.search(r"line \d+: ", refusal)


@pytest.mark.grid(4)
@pytest.mark.parametrize(
    ("writing", "row"),
    [
        # every writing and every row once in the fast run, all of them together in the slow one
        pytest.param(writing, row, marks=() if i % len(ROWS) == j else pytest.mark.slow)
        for i, writing in enumerate(WRITINGS)
        for j, row in enumerate(ROWS)
    ],
)
def test_no_number_is_read_shorter_than_it_was(tmp_path: Path, writing: str, row: str) -> None:
    """Random cuts of random lines: refused, or named and passed over; all that is read is true to the bit."""
    generator = random.Random(f"{writing} {row}")
    path = tmp_path / "log.txt"
    for trial in range(CUTS):
        header, lines, readings = log_of(writing, row, generator.choice(SEPARATORS), generator)
        at = generator.randrange(1, N - 2) if trial % 3 else N - 1
        head = lines[at][: generator.randrange(1, len(lines[at]))]
        if trial % 3 < 2:  # the line ends early, the last one without a line end
            lines[at] = head
        elif not ROWS[row][0].startswith("{value}") or (writing != "nanoseconds" and head.strip("+-")):
            lines[at : at + 2] = [head + lines[at + 1]]  # 1 and 2.345 would be a possible 12.345
            readings = np.delete(readings, at + 1) if row == "alone" else readings
        path.write_text("\n".join([header, *lines]) + "\n" * (trial % 3 > 0))
        for policy in ("refuse", "reject"):
            check(path, policy, readings, at + 2, timed=row != "alone")


def written(tmp_path: Path, header: str, lines: list[str], end: str = "\n") -> Path:
    """Write a log and return where."""
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header, *lines]) + end)
    return path


def hertz(rows: int = N) -> list[str]:
    """Return stamped rows near 10 MHz."""
    return [f"{stamp(k)}Z,{1e7 + 1e-4 * (k * 7 % 23):.4f}" for k in range(rows)]


@pytest.mark.parametrize(
    ("short", "why"),
    [
        ("10000000.00", "its last number '10000000.00' has 2 decimals where the others have 4"),
        ("10000", "its last number '10000' has 0 decimals where the others have 4"),
        ("", "the row has 1 cell where the others have 2"),
    ],
)
def test_a_line_cut_short_is_refused_or_counted(
    tmp_path: Path, short: str, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The refusal names line and option; with that option the line is passed over, counted and told why."""
    lines = hertz()
    lines[150] = f"{stamp(150)}Z" + f",{short}" * bool(short)
    path = written(tmp_path, "utc,frequency_hz", lines)
    with pytest.raises(eb.LogError, match=rf"line 152: {re.escape(why)}.*--set bad_lines=reject"):
        eb.read_log(path)
    record = eb.read_log(path, bad_lines="reject")
    (found,) = [finding for finding in record.findings if finding.code == "REJECTED_LINES"]
    assert "1 line was rejected" in found.sentence
    assert "(line 152): 1 × " + why in found.sentence
    assert np.flatnonzero(np.isnan(record.values)).tolist() == [150]
    assert main(["inspect", str(path)]) == 2
    shown = capsys.readouterr()
    assert f"line 152: {why}" in " ".join(shown.err.split())
    assert why not in " ".join(shown.out.split())  # each thing once
    assert "--set bad_lines=reject" in shown.err


@pytest.mark.slow
def test_a_last_line_without_its_end_is_left_out_unless_it_is_whole(tmp_path: Path) -> None:
    """Cut anywhere it is counted among the rejected lines; with all its decimals it is a reading."""
    lines = hertz()
    whole = eb.read_log(written(tmp_path, "utc,frequency_hz", lines, end=""))
    assert len(whole) == N
    assert not any(finding.code == "REJECTED_LINES" for finding in whole.findings)
    for length in range(1, len(lines[-1])):
        record = eb.read_log(written(tmp_path, "utc,frequency_hz", [*lines[:-1], lines[-1][:length]], end=""))
        np.testing.assert_array_equal(record.values, whole.values[:-1])
        (found,) = [finding for finding in record.findings if finding.code == "REJECTED_LINES"]
        assert f"(line {N + 1}): 1 × the last line has no line end" in found.sentence


def test_readings_without_times_keep_their_places(tmp_path: Path) -> None:
    """A row that was cut short is missing where it stood; the others do not move up."""
    values = [1e7 + 1e-4 * (k * 7 % 23) for k in range(N)]
    lines = [f"{value:.4f}" for value in values]
    lines[40], lines[90] = lines[40][:10], "1.000.1"
    record = eb.read_log(written(tmp_path, "frequency_hz", lines), interval_s=1.0, bad_lines="reject")
    assert np.flatnonzero(np.isnan(record.values)).tolist() == [40, 90]
    np.testing.assert_allclose(record.values[91:], np.array(values[91:]) / 1e7 - 1, atol=1e-13)


@pytest.mark.grid(3)
@pytest.mark.parametrize(
    "text",
    [
        lambda r: repr(round(1e7 + r.gauss(0, 0.3), 2)),
        lambda r: f"{r.gauss(0, 1e-7):.6g}",
        lambda r: str(r.randint(-2000, 2000)),
        lambda r: f"{10 ** r.uniform(-3, 3):#.6g}",
        lambda r: f"{20 + r.randint(0, 9) * 0.25}",
        lambda r: repr(r.choice([0.0, 1.0]) * r.gauss(0, 1e-9)),
    ],
    ids=["zeros left out", "six digits", "whole numbers", "six digits with zeros", "quarters", "many zeros"],
)
def test_honest_logs_are_read_whole(tmp_path: Path, text: Callable[[random.Random], str]) -> None:
    """Writers that leave out trailing zeros or show so many digits in all: no row is refused."""
    generator = random.Random(5)
    for _ in range(20):
        texts = [text(generator) for _ in range(N)]
        lines = [f"{10 * k},{value}" for k, value in enumerate(texts)]
        record = eb.read_log(written(tmp_path, "elapsed_s,reading", lines), quantity="phase", unit="s")
        np.testing.assert_array_equal(record.values, [float(value) for value in texts])


def test_a_stretch_with_fewer_decimals_is_a_setting(tmp_path: Path) -> None:
    """Neighbours that end alike were not cut short: another gate time for half a minute."""
    lines = hertz(3000)
    lines[900:903] = [line[:-1] for line in lines[900:903]]
    assert eb.read_log(written(tmp_path, "utc,frequency_hz", lines)).missing == 0


def test_few_rows_are_no_proof_but_named(tmp_path: Path) -> None:
    """A dozen rows by hand, one with a decimal less: read as written, and said."""
    lines = [f"{10 * k},{1.25 + 0.25 * (k % 3) + 0.01:.2f}" for k in range(12)]
    lines[7] = lines[7][:-1]
    record = eb.read_log(written(tmp_path, "elapsed_s,phase_ns", lines))
    (found,) = [finding for finding in record.findings if finding.code == "SHORT_NUMBERS"]
    assert "line 9: its last number '1.5' has 1 decimal where the others have 2" in found.sentence
    assert record.values[7] == 1.5 * 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("block_bytes", [1 << 10, 1 << 20])
def test_long_logs_in_blocks_are_judged_by_all_of_them(tmp_path: Path, block_bytes: int) -> None:
    """A line cut short in a block of few rows, and a last line that stands in a block of its own."""
    lines = hertz(2000)
    path = written(tmp_path, "utc,frequency_hz", [*lines[:-1], lines[-1][:-2]], end="")
    converted = eb.convert_log(path, tmp_path / "log.npy", block_bytes=block_bytes)
    assert converted.rows == 1999
    assert any("line 2001" in f.sentence for f in converted.findings if f.code == "REJECTED_LINES")
    lines[1500] = lines[1500][:-2]
    path = written(tmp_path, "utc,frequency_hz", lines)
    with pytest.raises(eb.LogError, match="line 1502: its last number"):
        eb.convert_log(path, tmp_path / "other.npy", block_bytes=block_bytes)
    options = {"bad_lines": "reject", "block_bytes": block_bytes}
    assert eb.convert_log(path, tmp_path / "other.npy", **options).rows == 1999


@pytest.mark.grid(2)
@pytest.mark.parametrize(
    "row",
    [
        lambda k: f"time={stamp(k)}Z freq={1e7 + k % 9 * 1e-3:.4f}",
        lambda k: f"{10 * k:8d}  {1e7 + k % 9 * 1e-3:14.4f}  {20 + k % 5:6.2f}",
    ],
    ids=["pairs", "fixed columns"],
)
def test_rows_without_separators_are_no_exception(tmp_path: Path, row: Callable[[int], str]) -> None:
    """name=value and columns of fixed width: every cut of a line in the middle is refused or named."""
    lines = [row(k) for k in range(N)]
    whole = eb.read_log(written(tmp_path, "elapsed_s frequency_hz temp_c" * (lines[0][0] == " "), lines))
    for length in range(1, len(lines[170])):
        torn = [*lines[:170], lines[170][:length], *lines[171:]]
        path = written(tmp_path, "elapsed_s frequency_hz temp_c" * (lines[0][0] == " "), torn)
        record = eb.read_log(path, bad_lines="reject")
        read = ~np.isnan(record.values)
        np.testing.assert_array_equal(record.values[read], whole.values[read])
        for name, column in record.covariates.items():
            there = ~np.isnan(column)
            np.testing.assert_array_equal(column[there], whole.covariates[name][there])
