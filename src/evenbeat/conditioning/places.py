"""Where in a record something happened, as people say it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from evenbeat.record import Flag, Record
from evenbeat.units import duration_text

MOST_NAMED = 3
MOST_FLAGS = 1000


def moment_text(record: Record, sample: int) -> str:
    """Return the UTC of a sample, or the time since the start where the record states none."""
    elapsed_s = sample * record.interval_s
    if record.start is None:
        return f"{duration_text(elapsed_s)} after the start"
    moment = record.start + np.timedelta64(round(elapsed_s), "s")
    return f"{np.datetime_as_string(moment, unit='s')} UTC"


def places_text(record: Record, samples: Sequence[int] | npt.NDArray[np.intp]) -> str:
    """Return the first three places and how many more there are."""
    named = "; ".join(moment_text(record, int(sample)) for sample in samples[:MOST_NAMED])
    more = len(samples) - MOST_NAMED
    return f"{named}; {more} more" if more > 0 else named


def runs(samples: npt.NDArray[np.intp], apart: int = 1) -> list[npt.NDArray[np.intp]]:
    """Return samples in order, those at most ``apart`` from each other together."""
    if not len(samples):
        return []
    return np.split(samples, np.flatnonzero(np.diff(samples) > apart) + 1)


def flagged_runs(
    samples: npt.NDArray[np.intp], *, cause: str, sentence: str, excluded: bool
) -> tuple[Flag, ...]:
    """Return flags over samples in order, neighbours in one.

    Flags that exclude nothing are joined over short distances where there would be thousands of them.
    """
    found = runs(samples)
    apart = 1
    while not excluded and len(found) > MOST_FLAGS:
        apart *= 4
        found = runs(samples, apart)
    return tuple(
        Flag(cause=cause, start=int(run[0]), stop=int(run[-1]) + 1, excluded=excluded, sentence=sentence)
        for run in found
    )


def counted(number: int, one: str, many: str | None = None) -> str:
    """Return ``1 gap``, ``3 gaps``."""
    return f"{number} {one if number == 1 else many or one + 's'}"
