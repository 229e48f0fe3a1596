"""What a record shows after a moment, to hold a forecast made at that moment against it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.clock.forecast import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.quantities import FloatArray
from evenbeat.record import Record


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What readings at epochs of their own show of a part of a record.

    Attributes
    ----------
    start_s, stop_s
        From the first to the end of the last of them.
    centre_s
        Of the time that was measured.
    frequency
        Mean over it; NaN where nothing was read.
    unmeasured
        By how much its variance under white FM of unit h₀/2 exceeds that of the mean from start to stop.
    share
        Part of the time asked for that was measured.
    """

    start_s: float
    stop_s: float
    centre_s: float
    frequency: float
    unmeasured: float = 0.0
    share: float = 1.0


NEAR = 0.25
"""Part of the time between two readings of phase by which they may lie beside the times asked for."""


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
        self._values = values
        self._phase = values if record.kind == "phase" else None

    def mean_frequency(self, start_s: float, stop_s: float) -> float:
        """Return the mean frequency between two times; NaN where too much is missing."""
        first, last = (round(moment / self._record.interval_s) for moment in (start_s, stop_s))
        if not 0 <= first < last <= self._samples:
            return math.nan
        if self._phase is not None:
            change = float(self._phase[last] - self._phase[first])
            return change / ((last - first) * self._record.interval_s) + self._record.removed_frequency
        part = self._values[first:last]
        part = part[~np.isnan(part)]
        if not len(part) or len(part) < (1 - self._most_missing) * (last - first):
            return math.nan
        return float(part.mean())

    def seen(self, start_s: float, stop_s: float) -> Seen:
        """Return what readings at epochs of their own show between two times.

        Of time errors the two readings next to the times are compared, within a quarter of what lies between.
        """
        nothing = Seen(start_s=start_s, stop_s=stop_s, centre_s=start_s, frequency=math.nan)
        elapsed, present = self._record.elapsed_s, ~np.isnan(self._values)
        if self._record.spans_s is None:
            at = np.flatnonzero(present)
            if not len(at):
                return nothing
            first, last = (int(at[np.argmin(np.abs(elapsed[at] - moment))]) for moment in (start_s, stop_s))
            begin, end = float(elapsed[first]), float(elapsed[last])
            far = max(abs(begin - start_s), abs(end - stop_s)) > NEAR * (stop_s - start_s)
            if far or last <= first:
                return nothing
            change = float(self._values[last] - self._values[first]) / (end - begin)
            frequency = change + self._record.removed_frequency
            return Seen(start_s=begin, stop_s=end, centre_s=0.5 * (begin + end), frequency=frequency)
        within = np.flatnonzero(present & (elapsed >= start_s) & (elapsed < stop_s))
        if not len(within):
            return nothing
        spans = self._record.spans_s[within]
        begin, end = float(elapsed[within[0]]), float(elapsed[within[-1]] + spans[-1])
        weight = spans / spans.sum()
        return Seen(
            start_s=begin,
            stop_s=end,
            centre_s=float(weight @ (elapsed[within] + 0.5 * spans)),
            frequency=float(weight @ self._values[within]),
            unmeasured=max(float(weight @ (weight / spans)) - 1 / (end - begin), 0.0),
            share=float(spans.sum()) / (stop_s - start_s),
        )

    def time_error(self, start_s: float, stop_s: float) -> float:
        """Return the time gained between two times in seconds; NaN where too much is missing."""
        return self.mean_frequency(start_s, stop_s) * (stop_s - start_s)

    @property
    def _samples(self) -> int:
        """Number of whole intervals."""
        return len(self._record) - (self._record.kind == "phase")


def seen_frequency(model: ClockModel, seen: Seen) -> Forecast:
    """Return what a model expects of the mean that readings at epochs of their own show.

    It is less sure than that of the mean over all of the time, by the white FM of what was not measured.
    """
    forecast = model.frequency_at([seen.centre_s], averaging_time_s=seen.stop_s - seen.start_s)
    noise = math.sqrt(0.5 * model.white_fm * seen.unmeasured)  # h₀/2τ
    return replace(forecast, distribution=forecast.distribution.widened(noise))


def record_until(record: Record, moment_s: float) -> Record:
    """Return what was known of a record at a moment: every sample up to it, and nothing of later ones."""
    if record.epochs_ns is not None:
        later = int(np.count_nonzero(record.elapsed_s < moment_s)) + (record.kind == "phase")
        return record.between(0, record.time_of(later) if later < len(record) else record.duration_s + 1)
    last = round(moment_s / record.interval_s) + (record.kind == "phase")
    return record.between(0, last * record.interval_s)


def moments(record: Record, first_s: float, last_s: float, count: int) -> FloatArray:
    """Return up to ``count`` moments between two times, evenly spaced, each at the edge of a sample."""
    if record.epochs_ns is not None:
        elapsed = record.elapsed_s[~np.isnan(record.usable_values(without_steps=False))]
        wanted = np.linspace(first_s, last_s, count)[:, np.newaxis]
        return np.unique(elapsed[np.argmin(np.abs(elapsed - wanted), axis=1)])
    samples = np.linspace(first_s, last_s, count) / record.interval_s
    return np.unique(np.round(samples)) * record.interval_s
