"""Answers: numbers keep their digits, garbage is set aside with its text, and nothing crashes."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbeat.instruments.description import Description, read_answer

PLAIN = re.compile(Description(name="", title="", quantity="frequency", unit="Hz").value)


@pytest.mark.parametrize(
    ("answer", "text"),
    [
        (b"10000000", "10000000"),  # NR1 of IEEE Std 488.2
        (b"-1.500\r", "-1.500"),  # NR2
        (b" +1.00000000001E+007 ", "+1.00000000001E+007"),  # NR3
    ],
)
def test_numbers_of_the_standard_keep_their_digits(answer: bytes, text: str) -> None:
    """Integer, fixed and floating point forms, trailing zeros included: the last digit is the resolution."""
    assert read_answer(answer, PLAIN).text == text


@pytest.mark.parametrize("answer", [b"9.91E37", b"+9.91E+37", b"9.9E37", b"-9.9E37", b"1e999"])
def test_the_standards_absent_values_are_missing(answer: bytes) -> None:
    """SCPI-1999 volume 1, 7.2.1.4 (from memory): 9.91E37 is not a number, ±9.9E37 are infinities."""
    reading = read_answer(answer, PLAIN)

    assert reading.text == "NaN"
    assert answer.decode() in reading.remark


@pytest.mark.parametrize(
    "answer", [b"", b"OVLD", b"12,34#5", b"1e7 1e7", b"10000000.1Hz", b"\xff\xfe10", b"nan", b"inf", b"1_000"]
)
def test_garbage_is_set_aside_with_its_text(answer: bytes) -> None:
    """What is not exactly a number is no reading, and is quoted."""
    reading = read_answer(answer, PLAIN)

    assert reading.text is None
    assert reading.remark.startswith("answer set aside: '")


def test_own_pattern_finds_the_number() -> None:
    """A description may say where the number stands; another unit does not pass."""
    pattern = re.compile(r"F=(?P<value>[-+.\d]+) Hz")

    assert read_answer(b"F=10.50 Hz\r\n", pattern).text == "10.50"
    assert read_answer(b"F=10.50 kHz", pattern).text is None


@given(st.floats(min_value=-1e37, max_value=1e37))
def test_every_float_comes_through_bit_exact(value: float) -> None:
    """The text in the log is the number that was sent."""
    text = read_answer(repr(value).encode(), PLAIN).text

    assert text is not None
    assert float(text) == value
    assert math.copysign(1.0, float(text)) == math.copysign(1.0, value)


@given(st.binary(max_size=300))
def test_random_bytes_make_a_number_or_a_short_printable_remark(answer: bytes) -> None:
    """No answer crashes, and no remark can break the lines of the log."""
    reading = read_answer(answer, PLAIN)

    assert reading.text is not None or reading.remark
    assert reading.remark.isprintable()
    assert len(reading.remark) < 130
