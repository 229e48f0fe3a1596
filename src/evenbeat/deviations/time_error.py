"""How far the time error moves within a window: maximum time interval error, and its rms."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from evenbeat.deviations.averaging import Averaging, IntArray, asked_factors, chosen_factors
from evenbeat.deviations.extremes import complete_windows, largest_movements
from evenbeat.deviations.statistics import name_of
from evenbeat.deviations.sums.kernels import sums_of_squares
from evenbeat.deviations.sums.samples import FrequencySums, PhasePoints, Samples
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.record import Record, check_record
from evenbeat.results import Column, Result
from evenbeat.units import duration_text, time_text

_TITLES: Mapping[str, str] = MappingProxyType(
    {"mtie": "Maximum time interval error", "rms": "RMS time interval error"}
)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class TimeErrorCurve(Result):
    """How far the time error moves within windows, made by :func:`evenbeat.time_interval_error`.

    Attributes
    ----------
    statistic
        ``"mtie"`` or ``"rms"``.
    averaging_factor, averaging_time_s
        Shape (n,): length of the window in samples and seconds.
    time_error_s
        Shape (n,): seconds; NaN where gaps leave no window.
    windows
        Shape (n,): number of windows used.
    """

    statistic: str
    interval_s: float
    averaging_factor: IntArray
    averaging_time_s: FloatArray
    time_error_s: FloatArray
    windows: IntArray
    record_name: str = ""

    def __len__(self) -> int:
        return len(self.averaging_factor)

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("averaging_time_s", self.averaging_time_s, "window / s", ".6g"),
            Column("averaging_factor", self.averaging_factor),
            Column("time_error_s", self.time_error_s, "time error", time_text),
            Column("windows", self.windows, "windows"),
        )

    def _headline(self) -> str:
        of = f" of {self.record_name}" if self.record_name else ""
        longest = duration_text(float(self.averaging_time_s[-1]))
        return f"{_TITLES[self.statistic]}{of}: {time_text(float(self.time_error_s[-1]))} within {longest}"


def time_interval_error(
    record: Record,
    statistic: str = "mtie",
    *,
    averaging: Averaging = "ten_per_decade",
    averaging_time_s: Sequence[float] | float | None = None,
) -> TimeErrorCurve:
    """Return how far the time error moves within windows of given lengths.

    Parameters
    ----------
    record
        Phase or frequency; the frequency offset counts, and so do steps. Flagged samples are left out.
    statistic
        ``mtie``: the largest peak-to-peak time error in any window; ``rms`` (``tierms``): root mean square
        of the change from the beginning to the end of the windows.
    averaging
        Window lengths in samples, as for :func:`evenbeat.stability`.
    averaging_time_s
        In place of it the lengths in seconds.

    Returns
    -------
    TimeErrorCurve
        In seconds.

    Raises
    ------
    InputError
        For an unknown statistic or impossible window lengths.
    TooShortError
        If every window asked for is longer than the record.

    Notes
    -----
    ITU-T G.810 (1996) appendix II. A window of n intervals holds n + 1 samples; the last one, as long as
    the record, counts. Windows that touch a gap are left out: what happened in the gap is not known, so
    that the maximum is a lower limit there. The maximum of one record is not an estimate with an
    interval. Both take little extra memory.

    References
    ----------
    Formula: MTIE(τ) = max over windows of (max x - min x)
    Source: ITU-T G.810 (1996), appendix II
    Tests: tests/deviations/test_time_error.py
    """
    check_record(record, grid_for="time_interval_error")
    statistic = name_of(statistic)
    if statistic not in _TITLES:
        msg = f"statistic is {statistic!r}; it must be 'mtie' or 'rms'"
        raise InputError(msg)
    points = len(record) + (record.kind == "frequency")
    averaging = asked_factors(averaging, averaging_time_s, interval_s=record.interval_s)
    chosen = chosen_factors(averaging, largest=points - 1, samples=len(record), interval_s=record.interval_s)
    computed = _largest_movements if statistic == "mtie" else _root_mean_squares
    errors, windows = computed(record, chosen.factors)
    return TimeErrorCurve(
        statistic=statistic,
        interval_s=record.interval_s,
        averaging_factor=chosen.factors,
        averaging_time_s=chosen.factors * record.interval_s,
        time_error_s=errors,
        windows=windows,
        record_name="" if record.source is None else record.source.name,
        findings=(*chosen.findings, *_gap_findings(points - chosen.factors, windows)),
    )


def _root_mean_squares(record: Record, factors: IntArray) -> tuple[FloatArray, IntArray]:
    sums = sums_of_squares(_samples_with_offset(record), factors, 1)
    errors = [math.sqrt(term.total / term.terms) if term.terms else math.nan for term in sums]
    return np.array(errors), np.array([term.terms for term in sums], dtype=np.int64)


def _samples_with_offset(record: Record) -> Samples:
    values = record.usable_values(without_steps=False)
    if record.kind == "frequency" and np.isnan(values).any():
        return FrequencySums.of(np.asarray(values, dtype=float), record.interval_s, 1.0, 0.0)
    return PhasePoints.of(_time_error(record))


def _time_error(record: Record) -> FloatArray:
    """Return the complete time error; between the parts of a frequency record with gaps stands one NaN."""
    values = record.usable_values(without_steps=False)
    if record.kind == "phase":
        removed = record.removed_frequency
        return values + removed * record.elapsed_s if removed else values
    values = np.asarray(values, dtype=float)
    present = np.flatnonzero(~np.isnan(values))
    parts = np.split(values[present], np.flatnonzero(np.diff(present) > 1) + 1)
    pieces = []
    for part in parts:
        pieces += [_integrated(part, record.interval_s), np.array([np.nan])]
    return np.concatenate(pieces[:-1])


def _integrated(frequency: FloatArray, interval_s: float) -> FloatArray:
    mean = float(frequency.mean())
    wander = np.concatenate([[0.0], np.cumsum((frequency - mean) * interval_s)])
    return wander + mean * interval_s * np.arange(len(wander))


def _largest_movements(record: Record, factors: IntArray) -> tuple[FloatArray, IntArray]:
    phase = _time_error(record)
    return largest_movements(phase, factors), complete_windows(phase, factors)


def _gap_findings(possible: IntArray, windows: IntArray) -> tuple[Finding, ...]:
    lost = int(np.sum(possible - windows))
    if lost == 0:
        return ()
    share = lost / int(np.sum(possible))
    sentence = (
        f"Windows that touch a missing or excluded sample were left out ({share:.2%} of all); "
        "the time error may have moved further there."
    )
    values: dict[str, float | int | str] = {"windows_left_out": lost, "windows_left_out_share": share}
    return (Finding(code="GAPS_SKIPPED", severity="caution", sentence=sentence, values=values),)
