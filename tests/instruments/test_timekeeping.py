"""Time stamps: from the monotonic clock, with steps of the computer's UTC noticed."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from evenbeat.instruments.timekeeping import TiedClock, utc_from_text, utc_text

START_NS = 1_780_000_000_000_000_000


class Clocks:
    """Two clocks that a test may turn."""

    def __init__(self) -> None:
        self.monotonic = 5_000_000_000
        self.utc = START_NS

    def pass_time(self, duration_ns: int) -> None:
        """Let both clocks run."""
        self.monotonic += duration_ns
        self.utc += duration_ns


def test_stamps_follow_the_monotonic_clock_until_tied_again() -> None:
    """A step of UTC does not move stamps before it has been noticed, and is measured when it is."""
    clocks = Clocks()
    tied = TiedClock(lambda: clocks.monotonic, lambda: clocks.utc)
    clocks.pass_time(10_000_000_000)
    clocks.utc -= 3_600_000_000_000  # somebody sets the clock back by an hour

    assert tied.now_ns() == START_NS + 10_000_000_000
    assert tied.retie() == -3_600_000_000_000
    assert tied.now_ns() == START_NS + 10_000_000_000 - 3_600_000_000_000
    assert tied.retie() == 0


def test_real_clocks_agree_within_a_millisecond() -> None:
    """On this computer, at rest, a new tie moves the stamps by less than a millisecond."""
    tied = TiedClock()

    assert abs(tied.retie()) < 1_000_000


@given(st.integers(min_value=0, max_value=4_000_000_000_000_000))
def test_stamp_texts_are_exact_to_the_microsecond(microseconds: int) -> None:
    """Writing and reading a stamp gives the same moment."""
    assert utc_from_text(utc_text(microseconds * 1000)) == microseconds * 1000


def test_known_stamp() -> None:
    """The Unix time 1 000 000 000 was 2001-09-09T01:46:40Z (common knowledge)."""
    assert utc_text(1_000_000_000_000_000_000) == "2001-09-09T01:46:40.000000Z"
    assert utc_from_text("nonsense") is None
    assert utc_from_text("2001-09-09T01:46:40") is None  # no zone: not one of ours
