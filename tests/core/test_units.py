"""Durations and time errors as people write them."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbeat import units
from evenbeat.errors import InputError


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("3600", 3600.0),
        ("10 s", 10.0),
        ("1.5h", 5400.0),
        ("90 d", 90 * 86400.0),
        ("  2 weeks ", 14 * 86400.0),
        ("15 min", 900.0),
        ("15 minutes", 900.0),
        ("1 second", 1.0),
        ("1e3", 1000.0),
        ("2.5e-3 s", 0.0025),
        ("1 YEAR", 365.25 * 86400.0),  # Julian year, IAU
        ("+3 D", 3 * 86400.0),
        ("100 ms", 0.1),
        ("250us", 2.5e-4),
        ("40 ns", 4e-8),
    ],
)
def test_duration_is_read(text: str, seconds: float) -> None:
    """Usual spellings of a duration give its seconds."""
    assert units.parse_duration(text) == pytest.approx(seconds, rel=1e-15, abs=0)


@pytest.mark.parametrize(
    "text",
    ["", "s", "ten days", "-3 d", "0 s", "nan", "inf", "1e999 s", "1..2 d", "3 furlongs", "1,5 h", "1 d 2 h"],
)
def test_what_is_no_duration_is_refused(text: str) -> None:
    """Anything else is refused with what would be accepted."""
    with pytest.raises(InputError, match="is not a duration; give a positive number with s, min, h, d"):
        units.parse_duration(text)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"),
        (0.25, "0.25 s"),
        (10.0, "10 s"),
        (119.0, "119 s"),
        (120.0, "2 min"),
        (5400.0, "1.5 h"),
        (3599.0, "60 min"),
        (3600.0, "1 h"),
        (9000.0, "2.5 h"),
        (2 * 86400.0, "2 d"),
        (120 * 86400.0, "120 d"),
        (2.5 * 365.25 * 86400.0, "2.5 years"),
        (-10.0, "-10 s"),
        (math.nan, "unknown"),
        (math.inf, "unknown"),
    ],
)
def test_duration_is_written_as_people_say_it(seconds: float, text: str) -> None:
    """The unit is the largest that leaves a number of at least about two."""
    assert units.duration_text(seconds) == text


@given(st.floats(min_value=1e-3, max_value=1e10))
def test_written_duration_reads_back(seconds: float) -> None:
    """What is written can be read again and differs by rounding to three digits at most."""
    assert units.parse_duration(units.duration_text(seconds)) == pytest.approx(seconds, rel=0.0051, abs=0)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (1.5, "1.5 s"),
        (1234.0, "1234 s"),
        (1.23e-6, "1.23 µs"),
        (45e-9, "45 ns"),
        (1e-9, "1 ns"),
        (999.6e-9, "1000 ns"),
        (-2e-3, "-2 ms"),
        (3.2e-12, "3.2 ps"),
        (4e-15, "0.004 ps"),
        (0.0, "0 s"),
        (math.nan, "unknown"),
    ],
)
def test_time_error_is_written_with_a_prefix(seconds: float, text: str) -> None:
    """A time error has an SI prefix and no power of ten."""
    assert units.time_text(seconds) == text


def test_modified_julian_date_of_the_unix_epoch() -> None:
    """1970-01-01 is MJD 40587 (from memory; MJD 51544 is 2000-01-01 by definition of J2000.0)."""
    days = (2000 - 1970) * 365 + 7  # leap years 1972 to 1996

    assert units.MJD_OF_UNIX_EPOCH + days == 51544


@pytest.mark.parametrize(
    ("text", "dimension", "factor"),
    [
        ("MHz", "frequency", 1e6),
        ("mhz", "frequency", 1e6),
        ("mHz", "frequency", 1e-3),
        ("ns", "time", 1e-9),
        ("ppb", "fractional", 1e-9),
        ("-1e-6", "fractional", -1e-6),
    ],
)
def test_a_unit_says_what_it_measures(text: str, dimension: str, factor: float) -> None:
    """Prefixes of the SI brochure; millihertz is told from megahertz by its small m."""
    assert units.parse_unit(text) == (dimension, pytest.approx(factor))


@pytest.mark.parametrize(
    ("parse", "text", "value"),
    [
        (units.parse_frequency, "10 MHz", 1e7),
        (units.parse_frequency, "32768", 32768.0),
        (units.parse_time, "1.5 us", 1.5e-6),
        (units.parse_time, "100ns", 1e-7),
        (units.parse_time, "1e-6", 1e-6),
    ],
)
def test_measures_are_read_with_their_unit(parse: Callable[[str], float], text: str, value: float) -> None:
    """A number alone is in the SI unit."""
    assert parse(text) == pytest.approx(value)


@pytest.mark.parametrize("text", ["10 bananas", "-1 MHz", "MHz", "0 Hz", "1e999 Hz"])
def test_what_is_no_frequency_is_refused(text: str) -> None:
    """The sentence lists the units."""
    with pytest.raises(InputError, match="Hz, kHz, MHz or GHz"):
        units.parse_frequency(text)
