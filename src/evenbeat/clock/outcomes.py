"""What a record shows after a moment, to hold a forecast made at that moment against it."""

from __future__ import annotations

import math

import numpy as np

from evenbeat.quantities import FloatArray
from evenbeat.record import Record


class Outcomes:
    """Mean frequency and time error over any part of a record.

    Parameters
    ----------
    record
        Phase or frequency; excluded samples count as missing.
    without_steps
        Take known steps out, as if the clock had not made them.
    most_missing
        Share of a part that may be missing from a frequency record; what is missing then counts as
        being like the rest of the part. A phase record only needs its two ends.
    """

    def __init__(self, record: Record, *, without_steps: bool, most_missing: float) -> None:
        self._record = record
        self._most_missing = most_missing
        values = np.asarray(record.usable_values(without_steps=without_steps), dtype=float)
        self._phase = values if record.kind == "phase" else None
        if record.kind == "frequency":
            present = ~np.isnan(values)
            self._middle = float(np.nanmean(values)) if present.any() else math.nan
            self._count = np.concatenate([[0], np.cumsum(present)])
            self._sum = np.concatenate([[0.0], np.cumsum(np.where(present, values - self._middle, 0.0))])

    def mean_frequency(self, start_s: float, stop_s: float) -> float:
        """Return the mean frequency between two times; NaN where too much is missing."""
        first, last = (round(moment / self._record.interval_s) for moment in (start_s, stop_s))
        if not 0 <= first < last <= self._samples:
            return math.nan
        if self._phase is not None:
            change = float(self._phase[last] - self._phase[first])
            return change / ((last - first) * self._record.interval_s) + self._record.removed_frequency
        present = int(self._count[last] - self._count[first])
        if present == 0 or present < (1 - self._most_missing) * (last - first):
            return math.nan
        return self._middle + float(self._sum[last] - self._sum[first]) / present

    def time_error(self, start_s: float, stop_s: float) -> float:
        """Return the time gained between two times in seconds; NaN where too much is missing."""
        return self.mean_frequency(start_s, stop_s) * (stop_s - start_s)

    @property
    def _samples(self) -> int:
        """Number of whole intervals."""
        return len(self._record) - (self._record.kind == "phase")


def record_until(record: Record, moment_s: float) -> Record:
    """Return what was known of a record at a moment: every sample up to it, and nothing of later ones."""
    if record.epochs_ns is not None:
        later = int(np.count_nonzero(record.elapsed_s < moment_s)) + (record.kind == "phase")
        return record.between(0, record.time_of(later) if later < len(record) else record.duration_s + 1)
    last = round(moment_s / record.interval_s) + (record.kind == "phase")
    return record.between(0, last * record.interval_s)


def moments(record: Record, first_s: float, last_s: float, count: int) -> FloatArray:
    """Return up to ``count`` moments between two times, evenly spaced, each at the edge of a sample."""
    samples = np.linspace(first_s, last_s, count) / record.interval_s
    return np.unique(np.round(samples)) * record.interval_s
