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
SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "blanks": "  "}


@dataclass(frozen=True, kw_only=True)
class Number:
    """A way to write readings: a text of each, and what the column is called."""

    name: str
    written: Callable[[random.Random], str]
    factor: float = 1.0
    nominal: float = 0.0

    def read(self, text: str) -> float:
        """Return what a reading of the text is in SI, as the reader computes it."""
        number = float(text)
        return (number - self.nominal) / self.nominal if self.nominal else number * self.factor


NUMBERS = {
    "hertz": Number(
        name="frequency_hz", written=lambda r: f"{1e7 + r.gauss(0, 2e-3):.4f}", nominal=1e7
    ),
    "hertz of many digits": Number(
        name="frequency_hz", written=lambda r: f"{1e7 + r.gauss(0, 2e-3):.11f}", nominal=1e7
    ),
    "whole hertz": Number(name="frequency_hz", written=lambda r: f"{10_000_003 + r.randint(-6, 6)}", nominal=1e7),
    "nanoseconds": Number(name="phase_ns", written=lambda r: f"{r.gauss(0, 40):.3f}", factor=1e-9),
    "exponents": Number(name="phase_s", written=lambda r: f"{r.gauss(0, 1e-8):.4e}"),
    "three digits of exponent": Number(
        name="phase_s", written=lambda r: f"{r.gauss(0, 1e-8):+.6E}".replace("E-", "E-0")
    ),
    "as a program prints": Number(name="phase_s", written=lambda r: repr(r.gauss(0, 1e-9))),
}


def stamp(k: int) -> str:
    """Return a time of row ``k``, ten seconds apart."""
    return f"{np.datetime64('2026-03-01T00:00:00') + np.timedelta64(10 * k, 's')}"


ROWS: dict[str, tuple[str, Callable[[int, str], list[str]]]] = {
    "alone": ("{value}", lambda _, value: [value]),
    "behind a stamp": ("utc|{value}", lambda k, value: [stamp(k) + "Z", value]),
    "behind seconds": ("elapsed_s|{value}", lambda k, value: [str(10 * k), value]),
    "before a temperature": ("elapsed_s|{value}|oven_temp_c", lambda k, value: [str(10 * k), value, f"{40 + k % 7 / 10:.2f}"]),
    "before its stamp": ("{value}|utc", lambda k, value: [value, stamp(k)]),
    "before its seconds": ("{value}|elapsed_s", lambda k, value: [value, f"{10 * k:.1f}"]),
}


def rows_of(number: str, row: str, separator: str, generator: random.Random) -> tuple[str, list[str], list[float]]:
    """Return header, lines and readings of a log."""
    way, (header, cells) = NUMBERS[number], ROWS[row]
    texts = [way.written(generator) for _ in range(N)]
    mark = SEPARATORS[separator]
    lines = [mark.join(cells(k, text)) for k, text in enumerate(texts)]
    if separator == "semicolon":
        lines = [line.replace(".", ",") for line in lines]
    return header.format(value=way.name).replace("|", mark), lines, [way.read(text) for text in texts]


def named(record: eb.Record) -> set[int]:
    """Return the lines that findings name as cut short or passed over."""
    sentences = [f.sentence for f in record.findings if f.code in ("REJECTED_LINES", "SHORT_NUMBERS", "LATE_ROWS")]
    return {int(n) for s in sentences for part in re.findall(r"lines? ([\d, ]+)", s) for n in re.findall(r"\d+", part)}


@pytest.mark.parametrize("separator", SEPARATORS)
@pytest.mark.parametrize("row", ROWS)
@pytest.mark.parametrize("number", NUMBERS)
def test_no_number_is_read_shorter_than_it_was(tmp_path: Path, number: str, row: str, separator: str) -> None:
    """Random cuts of random lines: refused, or named and passed over; all that is read is true to the bit."""
    if row == "alone" and separator != "comma":
        pytest.skip("a log of one column has no separator")
    generator = random.Random(f"{number} {row} {separator}")
    path = tmp_path / "log.txt"
    for trial in range(24):
        header, lines, true = rows_of(number, row, separator, generator)
        how = ("at the end", "before a line end", "into the next line")[trial % 3]
        cut = N - 1 if how == "at the end" else generator.randrange(1, N - 2)
        head = lines[cut][: generator.randrange(1, len(lines[cut]))]
        if how == "into the next line":
            if row == "alone" and number == "nanoseconds":
                continue  # 1 and 2.345 may be a true 12.345
            lines[cut : cut + 2] = [head + lines[cut + 1]]
        else:
            lines[cut] = head
        path.write_text("\n".join([header, *lines]) + "\n" * (how != "at the end"))
        options = {"interval_s": 10.0} if row == "alone" else {}
        for policy in ("refuse", "reject"):
            try:
                record = eb.read_log(path, bad_lines=policy, **options)
            except eb.LogError as error:
                assert policy == "refuse", f"{error}: {lines[cut]!r}"
                continue
            told = f"{how}, {policy}: {lines[cut]!r}"
            values = record.values
            expected = np.array(true[: len(values)])
            if how == "into the next line" and row == "alone":  # two readings in one line
                expected = np.delete(true, cut + 1)[: len(values)]
                expected[cut] = np.nan
            missing = np.isnan(values)
            np.testing.assert_array_equal(values[~missing], expected[~missing], err_msg=told)
            assert missing.sum() + N - len(values) <= 2, told
            if missing.any() or len(values) < N:
                assert named(record) & {cut + 2, cut + 3} or missing[cut:].sum() == 0 == N - 1 - cut, told
