"""Rows read by their digits hold what reading them one by one holds: every bit, line and reason."""

from __future__ import annotations

import random
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import evenbeat as eb
from evenbeat.logs.files import load_text
from evenbeat.logs.form.rewriting import readable_cells
from evenbeat.logs.options import Options
from evenbeat.logs.rows.alike import AlikeReader
from evenbeat.logs.rows.decimals import LARGEST_EXPONENT, scaled
from evenbeat.logs.rows.lines import row_lines
from evenbeat.logs.rows.parts import parse_part
from evenbeat.logs.rows.single import part_by_line
from evenbeat.logs.sheet import layout_of, probe, wanted_columns


def as_python_reads(digits: np.ndarray, exponents: np.ndarray) -> np.ndarray:
    """Return the numbers as ``float`` reads their text: correctly rounded, IEEE 754."""
    return np.array([float(f"{d}e{e}") for d, e in zip(digits.tolist(), exponents.tolist(), strict=True)])


@pytest.mark.parametrize("digits", [1, 8, 15, 16, 17, 18])
def test_every_bit_is_as_python_reads_it(digits: int) -> None:
    """Random digits and powers of ten, against CPython's correctly rounded ``float``."""
    generator = np.random.default_rng(digits)
    whole = generator.integers(0, 10**digits, 20_000)
    exponents = generator.integers(-LARGEST_EXPONENT, LARGEST_EXPONENT + 1, len(whole))
    np.testing.assert_array_equal(scaled(whole, exponents), as_python_reads(whole, exponents))
    for exponent in (-24, -11, 0, 22, 23):
        expected = as_python_reads(whole, np.full(len(whole), exponent))
        np.testing.assert_array_equal(scaled(whole.copy(), exponent), expected)


def test_numbers_next_to_the_middle_of_two_floats_are_rounded_to_the_right_one() -> None:
    """Eighteen digits as close as they come to the middle between neighbouring floats, on both sides."""
    generator = random.Random(7)
    wholes, exponents = [], []
    for _ in range(3000):
        low = generator.uniform(1, 10) * 10.0 ** generator.randint(-12, 3)
        middle = (Fraction(low) + Fraction(float(np.nextafter(low, 1e9)))) / 2
        exponent = -17 - generator.randint(0, 12)
        digits = round(middle * Fraction(10) ** -exponent)
        if digits < 10**18:
            wholes += [digits - 1, digits, digits + 1]
            exponents += [exponent] * 3
    assert len(wholes) > 3000
    digits_, powers = np.array(wholes), np.array(exponents)
    np.testing.assert_array_equal(scaled(digits_, powers), as_python_reads(digits_, powers))


TIMES = ["%d", "%d.5", "%d.250000", "2026-03-01T00:%02d:00Z", "2026-03-01T00:%02d:00.123456789+01:30"]
CELLS = ["1.5", "-1.5", "+2.25", "10000000.0012", "1e-9", "-1.23456789012E-010", "3.", ".5", "0", "nan", ""]
CELLS += ["OVLD", "-0.0", "9.99999999999999999", "123456789012345678", "1234567890123456789", "1.5e-300"]
ODD = [
    "# a note",
    "",
    "   ",
    "// a note",
    "====",
    "12,x",
    "1,2,3,4,5",
    "1.5 # remark",
    "%",
    "5,7 mV",
    "1,inf",
]


@st.composite
def tables(draw: st.DrawFn) -> tuple[bytes, bool]:
    """Return a table of rows with odd lines between them, and whether those are passed over."""
    time = draw(st.sampled_from(TIMES))
    rows = [f"{time % k},1.25,2{k % 7}.5" for k in range(4)]
    for k in range(4, draw(st.integers(5, 59))):
        cells = [draw(st.sampled_from(CELLS)) for _ in range(2)]
        rows.append(f"{time % k},{cells[0]},{cells[1]}")
        if draw(st.integers(0, 9)) == 0:
            rows.append(draw(st.sampled_from(ODD)))
    return ("\n".join(["time,phase_s,room_c", *rows]) + "\n" * draw(st.booleans())).encode(), draw(
        st.booleans()
    )


@settings(max_examples=50)
@given(table=tables())
def test_both_ways_of_reading_give_the_same(
    tmp_path_factory: pytest.TempPathFactory, table: tuple[bytes, bool]
) -> None:
    """Numbers to the bit, moments, exact times, rejected lines with their reasons, and refusals."""
    content, reject = table
    path = tmp_path_factory.mktemp("alike") / "log.csv"
    path.write_bytes(content)
    log, form = readable_cells(load_text(path))
    layout = layout_of(log, form, Options(), first=lambda index: probe(log, form, index))
    wanted = wanted_columns(log, layout)
    start = log.text.index(b"\n") + 1
    found, refusal, expected, refused = None, "", None, ""
    try:
        found = AlikeReader(log, form, wanted, reject=reject).read(start, len(log.text))
    except eb.LogError as error:
        refusal = str(error)
    try:
        rows = row_lines(log, form)
        plain = dict.fromkeys(wanted.numbers, "")
        expected = part_by_line(rows, form, wanted, reject=reject, path=str(path), units=plain)
    except eb.LogError as error:
        refused = str(error)
    assert refusal in ("", refused)
    by_pandas = parse_part(log.text[start:], form, wanted)
    if by_pandas is not None and not reject:
        assert expected is not None
        for index in wanted.numbers:
            np.testing.assert_array_equal(by_pandas.numbers[index], expected.numbers[index])
    if found is None:  # left to other ways of reading
        return
    assert expected is not None
    assert found.rows == expected.rows
    assert found.rejected == expected.rejected
    for index in wanted.numbers:
        np.testing.assert_array_equal(found.numbers[index], expected.numbers[index])
        signs = np.signbit(found.numbers[index]) == np.signbit(expected.numbers[index])
        assert (signs | np.isnan(expected.numbers[index])).all()
    if wanted.exact is not None:
        np.testing.assert_array_equal(found.whole, expected.whole)
    if found.lines is not None:
        np.testing.assert_array_equal(found.lines, expected.lines)
    if wanted.moment is not None and found.moments is not None:
        stamps = np.array([datetime.fromisoformat(s[:19]) for s in expected.stamps])
        seconds = (found.moments.ns // 10**9 + (5400 if "+" in expected.stamps[0] else 0)).tolist()
        assert seconds == [(s - stamps[0]).total_seconds() + seconds[0] for s in stamps]


@pytest.mark.parametrize(("digits", "at_once"), [(14, True), (17, False)])
def test_rows_of_many_lengths_are_read_to_the_last_bit(tmp_path: Path, digits: int, at_once: bool) -> None:
    """Both signs beside a growing row count, as a program prints them; seventeen digits go to pandas."""
    noise = np.random.default_rng(3).standard_normal(20_000) * 1e-9
    values = np.array([float(f"{value:.{digits}g}") for value in noise])
    path = tmp_path / "log.csv"
    path.write_text("elapsed_s,phase_s\n" + "".join(f"{k},{v!r}\n" for k, v in enumerate(values.tolist())))
    log, form = readable_cells(load_text(path))
    layout = layout_of(log, form, Options(), first=lambda index: probe(log, form, index))
    part = AlikeReader(log, form, wanted_columns(log, layout)).read(18, len(log.text))
    assert (part is not None) is at_once
    if part is not None:
        np.testing.assert_array_equal(part.numbers[1], values)
    np.testing.assert_array_equal(eb.read_log(path).values, values)


def test_a_bad_line_late_in_a_long_log_is_named_and_the_rest_kept(tmp_path: Path) -> None:
    """Line numbers hold across the pieces in which a log is read, and only the odd line is left out."""
    rows = [f"{1_767_225_600 + k},{1e7 + k % 10 * 1e-4:.4f}" for k in range(400_000)]
    rows[300_000] = "1767525600,ten million"
    rows[310_000:310_000] = ["# a note of the operator", ""]
    path = tmp_path / "log.csv"
    path.write_text("unix_s,frequency_hz\n" + "\n".join(rows) + "\n")
    with pytest.raises(eb.LogError, match="line 300002: 'ten million' in column 'frequency_hz'"):
        eb.read_log(path)
    record = eb.read_log(path, bad_lines="reject")
    rejected = next(f for f in record.findings if f.code == "REJECTED_LINES")
    assert rejected.values == {"rejected": 1, "first_line": 300_002}
    assert len(record) == 400_000
    assert record.missing == 1
    assert np.isnan(record.values[300_000])
