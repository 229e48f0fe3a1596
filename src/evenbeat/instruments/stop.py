"""The wish to stop: asked for by a signal, obeyed between two readings."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

GRACE_S = 2.0
"""How long a reading in flight may still take after the wish to stop."""

_SLICE_S = 0.05


class Stop:
    """A wish that a signal handler may state at any moment; no lock, so that no handler can hang on it."""

    def __init__(self) -> None:
        self.requested = False
        self.grace_until = float("inf")

    def request(self, grace_s: float = GRACE_S) -> None:
        """Wish to stop; a reading in flight may still take that long."""
        self.grace_until = time.monotonic() + grace_s
        self.requested = True

    def wait(self, seconds: float) -> bool:
        """Sleep that long unless asked to stop before; return whether asked to."""
        limit = time.monotonic() + seconds
        while not self.requested and (left := limit - time.monotonic()) > 0:
            time.sleep(min(_SLICE_S, left))
        return self.requested


@contextmanager
def stopped_by_signals(stop: Stop) -> Iterator[None]:
    """Let SIGINT and SIGTERM state the wish; a second one ends the program as usual."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}

    def _handle(_number: int, _frame: FrameType | None) -> None:
        stop.request()
        for number, handler in before.items():
            signal.signal(number, handler)

    for number in before:
        signal.signal(number, _handle)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
