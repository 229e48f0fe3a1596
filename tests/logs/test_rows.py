"""Rows are read to the last bit whatever stands beside them, and odd lines are named by their numbers."""

from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb


def written(path: Path, header: str, lines: list[str]) -> Path:
    """Write a log and return where."""
    path.write_text("\n".join([header, *lines]) + "\n")
    return path


@pytest.mark.parametrize("digits", [1, 8, 14, 15, 16, 17, 18])
def test_every_bit_is_as_python_reads_it(tmp_path: Path, digits: int) -> None:
    """Random digits and powers of ten, against CPython's correctly rounded ``float``."""
    generator = np.random.default_rng(digits)
    whole = generator.integers(1, 10**digits, 5_000)
    exponents = generator.integers(-60 - digits, 6 - digits, len(whole))
    texts = [f"{'-' * (d % 2)}{d}e{e}" for d, e in zip(whole.tolist(), exponents.tolist(), strict=True)]
    path = written(tmp_path / "log.csv", "elapsed_s,phase_s", [f"{k},{text}" for k, text in enumerate(texts)])
    np.testing.assert_array_equal(eb.read_log(path).values, [float(text) for text in texts])


def test_numbers_next_to_the_middle_of_two_floats_are_rounded_to_the_right_one(tmp_path: Path) -> None:
    """Eighteen digits as close as they come to the middle between neighbouring floats, on both sides."""
    generator = random.Random(7)
    texts = []
    for _ in range(3000):
        low = generator.uniform(1, 10) * 10.0 ** generator.randint(-12, 0)
        middle = (Fraction(low) + Fraction(float(np.nextafter(low, 1e9)))) / 2
        exponent = -17 - generator.randint(0, 12)
        digits = round(middle * Fraction(10) ** -exponent)
        if digits < 10**18:
            texts += [f"{digits + k}e{exponent}" for k in (-1, 0, 1)]
    assert len(texts) > 3000
    path = written(tmp_path / "log.csv", "elapsed_s,phase_s", [f"{k},{text}" for k, text in enumerate(texts)])
    np.testing.assert_array_equal(eb.read_log(path).values, [float(text) for text in texts])


CELLS = ["1.5", "-1.5", "+2.25", "1e-9", "-1.23456789012E-010", "3.", ".5", "0", "nan", "", "OVLD", "-0.0"]
CELLS += ["9.99999999999999999", "123456789012345678", "1.5e-300", "NaN", "none", "1.5 # remark", "Inv"]
TIMES = ["%d", "%d.5", "2026-03-01T00:%02d:00Z", "2026-03-01 00:%02d:00.123456789+01:30"]
ODD = ["====", "12,x", "1,2,3,4,5", "5,7 mV", "1,inf", "1_0,1.5", "0x1,1.5", "1.5", "end of log"]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("time", TIMES)
def test_odd_lines_do_not_touch_their_neighbours(tmp_path: Path, time: str, seed: int) -> None:
    """Cells of every kind with odd lines between: all rows are read as their texts say, all others named."""
    generator = random.Random(f"{time} {seed}")
    lines, numbers = [], []
    for k in range(60):
        cell = generator.choice(CELLS) if k > 5 else "1.25"
        lines.append(f"{time % k},2{k % 7}.5,{cell}")
        text = cell.partition(" #")[0]
        numbers.append(float(text) if text[:1] in "+-.0123456789" and text else np.nan)
        if seed and generator.randint(0, 9) == 0:
            lines.append(generator.choice(ODD))
    path = written(tmp_path / "log.csv", "time,room_c,phase_s", lines)
    record = eb.read_log(path, bad_lines="reject", time_unit=None if "-" in time else "min")
    np.testing.assert_array_equal(record.values, numbers)
    odd = [number for number, line in enumerate(lines, 2) if line in ODD]
    assert sorted(line for reason in record.ledger.reasons for line in reason.lines) == odd
    if odd:
        with pytest.raises(eb.LogError, match=rf"line ({'|'.join(map(str, odd))}): "):
            eb.read_log(path, time_unit=None if "-" in time else "min")


def test_a_bad_line_late_in_a_long_log_is_named_and_the_rest_kept(tmp_path: Path) -> None:
    """Line numbers hold across the pieces in which a log is read, and only the odd line is left out."""
    rows = [f"{1_767_225_600 + k},{1e7 + k % 10 * 1e-4:.4f}" for k in range(200_000)]
    rows[150_000] = "1767375600,ten million"
    rows[160_000:160_000] = ["# a note of the operator", ""]
    path = written(tmp_path / "log.csv", "unix_s,frequency_hz", rows)
    with pytest.raises(eb.LogError, match="line 150002: 'ten million' in column 'frequency_hz'"):
        eb.read_log(path)
    record = eb.read_log(path, bad_lines="reject")
    rejected = next(f for f in record.findings if f.code == "REJECTED_LINES")
    assert rejected.values == {"rejected": 1, "first_line": 150_002}
    assert np.flatnonzero(np.isnan(record.values)).tolist() == [150_000]
    assert (record.ledger.lines, record.ledger.comments, record.ledger.blank) == (200_003, 1, 1)


STYLES = {
    "%d/%m/%Y %H:%M:%S": "day-first",
    "%m/%d/%Y %I:%M:%S %p": "month-first",
    "%d.%m.%Y %H:%M": "day-first",
    "%Y-%m-%dT%H:%M:%S.%f": None,
    "%Y-%m-%d %H:%M:%S.%f+02:00": None,
    "%d-%b-%Y %H:%M:%S": None,
    "%Y-%jT%H:%M:%SZ": None,
}


@pytest.mark.parametrize("style", STYLES)
def test_stamps_of_two_days_are_exact(tmp_path: Path, style: str) -> None:
    """Every minute of two days in each style, against the standard library's calendar."""
    from datetime import datetime, timedelta

    moments = [datetime(2026, 2, 28, 11, 59) + timedelta(minutes=k) for k in range(2880)]
    lines = [f"{moment.strftime(style)};{k % 7}e-9" for k, moment in enumerate(moments)]
    lines[2000] = "pause;1e-9"
    path = written(tmp_path / "log.csv", "time;phase_s", lines)
    record = eb.read_log(path, bad_lines="reject", date_order=STYLES[style])
    zone = np.timedelta64(2, "h") if style.endswith("+02:00") else np.timedelta64(0, "h")
    assert record.start == np.datetime64(moments[0]) - zone
    assert (len(record), record.missing, record.interval_s) == (2880, 1, 60.0)
