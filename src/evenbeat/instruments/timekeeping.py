"""UTC from the monotonic clock: stamps that stay even when somebody sets the computer's clock."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime

_TRIES = 5
_SECOND_NS = 1_000_000_000


class TiedClock:
    """The monotonic clock, tied to the computer's UTC (nanoseconds since 1970) from time to time.

    Not valid when the computer's own UTC is wrong: it is taken as it is. Where the system disciplines
    it, the monotonic clock runs at the same rate, so that the tie moves only when UTC is stepped.
    """

    def __init__(
        self, monotonic_ns: Callable[[], int] = time.monotonic_ns, utc_ns: Callable[[], int] = time.time_ns
    ) -> None:
        self.monotonic_ns = monotonic_ns
        self._utc_ns = utc_ns
        self._offset_ns = self._measured()

    def retie(self) -> int:
        """Tie again and return by how many nanoseconds UTC has moved against the monotonic clock."""
        offset = self._measured()
        moved, self._offset_ns = offset - self._offset_ns, offset
        return moved

    def utc_of(self, monotonic_ns: int) -> int:
        """Return the UTC of a moment of the monotonic clock, in nanoseconds since 1970."""
        return monotonic_ns + self._offset_ns

    def now_ns(self) -> int:
        """Return the UTC of this moment by the present tie, in nanoseconds since 1970."""
        return self.utc_of(self.monotonic_ns())

    def _measured(self) -> int:
        """Return UTC minus monotonic, from the try least disturbed by other work."""
        tries = []
        for _ in range(_TRIES):
            before, utc, after = self.monotonic_ns(), self._utc_ns(), self.monotonic_ns()
            tries.append((after - before, utc - (before + after) // 2))
        return min(tries)[1]


def utc_text(utc_ns: int) -> str:
    """Return a moment as ISO 8601 in microseconds: ``2026-01-31T12:00:00.000000Z``."""
    seconds, rest = divmod(utc_ns, _SECOND_NS)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest // 1000:06d}Z"


def utc_from_text(text: str) -> int | None:
    """Return the nanoseconds since 1970 of such a text, ``None`` where it is none."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        return None
    whole = moment.replace(microsecond=0)
    return int(whole.timestamp()) * _SECOND_NS + moment.microsecond * 1000
