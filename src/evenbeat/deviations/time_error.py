"""How far the time error moves within a window: maximum time interval error, and its rms."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from evenbeat.deviations.averaging import Averaging, IntArray, chosen_factors
from evenbeat.deviations.extremes import largest_movements
from evenbeat.deviations.sums.kernels import BLOCK, sum_of_squared_differences
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
    record: Record, statistic: str = "mtie", *, averaging: Averaging = "ten_per_decade"
) -> TimeErrorCurve:
    """Return how far the time error moves within windows of given lengths.

    Parameters
    ----------
    record
        Phase or frequency; the frequency offset counts, and so do steps. Flagged samples are left out.
    statistic
        ``mtie``: the largest peak-to-peak time error in any window; ``rms``: root mean square of the
        change from the beginning to the end of the windows.
    averaging
        Window lengths in samples, as for :func:`evenbeat.stability`.

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
    interval. Both take little extra memory, MTIE of a record with gaps twice that of the record.

    References
    ----------
    Formula: MTIE(τ) = max over windows of (max x - min x)
    Source: ITU-T G.810 (1996), appendix II
    Tests: tests/deviations/test_time_error.py
    """
    check_record(record, grid_for="time_interval_error")
    if statistic not in _TITLES:
        msg = f"statistic is {statistic!r}; it must be 'mtie' or 'rms'"
        raise InputError(msg)
    points = len(record) + (record.kind == "frequency")
    chosen = chosen_factors(averaging, largest=points - 1, samples=len(record), interval_s=record.interval_s)
    computed: Callable[[Record, IntArray], list[tuple[float, int]]]
    computed = _largest_movements if statistic == "mtie" else _root_mean_squares
    pairs = computed(record, chosen.factors)
    windows = np.array([count for _, count in pairs], dtype=np.int64)
    return TimeErrorCurve(
        statistic=statistic,
        interval_s=record.interval_s,
        averaging_factor=chosen.factors,
        averaging_time_s=chosen.factors * record.interval_s,
        time_error_s=np.array([error for error, _ in pairs]),
        windows=windows,
        record_name="" if record.source is None else record.source.name,
        findings=(*chosen.findings, *_gap_findings(points - chosen.factors, windows)),
    )


def _root_mean_squares(record: Record, factors: IntArray) -> list[tuple[float, int]]:
    samples = _samples_with_offset(record)
    sums = [sum_of_squared_differences(samples, int(factor), 1) for factor in factors]
    return [(math.sqrt(s.total / s.terms) if s.terms else math.nan, s.terms) for s in sums]


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


def _largest_movements(record: Record, factors: IntArray) -> list[tuple[float, int]]:
    phase = _time_error(record)
    if len(phase) and not PhasePoints.of(phase).has_gaps:
        return list(zip(largest_movements(phase, factors), (len(phase) - factors).tolist(), strict=True))
    highest, lowest = np.array(phase, dtype=float), np.array(phase, dtype=float)
    length, found = 1, []
    for factor in factors:
        window = int(factor) + 1
        while 2 * length <= window and length < len(phase):
            _widen(highest, np.maximum, length, len(phase))
            _widen(lowest, np.minimum, length, len(phase))
            length *= 2
        found.append(_largest_movement(highest, lowest, len(phase) - int(factor), window - length))
    return found


def _widen(extremes: FloatArray, larger: np.ufunc, length: int, points: int) -> None:
    """Turn the extremes over ``length`` samples into those over twice as many, in place."""
    for begin, end in _spans(points - 2 * length + 1):
        larger(extremes[begin:end], extremes[begin + length : end + length], out=extremes[begin:end])


def _largest_movement(highest: FloatArray, lowest: FloatArray, count: int, shift: int) -> tuple[float, int]:
    """Return the largest peak-to-peak value of windows made of two that overlap, and their number."""
    largest, windows = math.nan, 0
    for begin, end in _spans(count):
        movement = np.maximum(highest[begin:end], highest[begin + shift : end + shift])
        movement -= np.minimum(lowest[begin:end], lowest[begin + shift : end + shift])
        unknown = int(np.count_nonzero(np.isnan(movement)))
        windows += len(movement) - unknown
        if unknown < len(movement):
            largest = float(np.fmax(largest, np.fmax.reduce(movement)))
    return largest, windows


def _spans(length: int) -> Iterator[tuple[int, int]]:
    for begin in range(0, length, BLOCK):
        yield begin, min(begin + BLOCK, length)


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
