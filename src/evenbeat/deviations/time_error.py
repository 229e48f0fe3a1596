"""How far the time error moves within a window: maximum time interval error, and its rms.

The largest peak-to-peak value in any window, in little memory.

Short windows: piece by piece, the extremes over twice as many points from those over so many, and a window
from two that overlap. Long windows: those that begin in the same group of points share all groups between
the first and the last one they touch. The extremes of all groups touched bound their peak-to-peak values;
only where this bound exceeds the largest value found so far is the group looked at point by point. A
missing point counts as infinite, so that windows which hold one are told and left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from evenbeat.deviations.averaging import Averaging, IntArray, asked_factors, chosen_factors
from evenbeat.deviations.statistics import name_of
from evenbeat.deviations.sums import kernels
from evenbeat.deviations.sums.kernels import sums_of_squares
from evenbeat.deviations.sums.samples import FrequencySums, PhasePoints, Samples
from evenbeat.errors import InputError
from evenbeat.findings import caution
from evenbeat.intake import SCAN_BLOCK, blocks, let_go, mapping_of
from evenbeat.quantities import FloatArray
from evenbeat.record import Record, check_record
from evenbeat.result import Column, Result
from evenbeat.units import duration_text, percent, time_text

_TITLES: Mapping[str, str] = MappingProxyType(
    {"mtie": "Maximum time interval error", "rms": "RMS time interval error"}
)
GROUP = 1 << 9
PIECE = 1 << 16
FEWEST_GROUPS = 32
"""Groups touched by a window that is called long: shorter ones take less time point by point."""


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

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> curve = eb.time_interval_error(record)
    >>> bool((curve.time_error_s[1:] >= curve.time_error_s[:-1]).all())
    True

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
    factors, findings = chosen_factors(
        averaging, largest=points - 1, samples=len(record), interval_s=record.interval_s
    )
    if statistic == "mtie":
        phase = _time_error(record)
        errors, windows = largest_movements(phase, factors), complete_windows(phase, factors)
    else:
        sums = sums_of_squares(_samples_with_offset(record), factors, 1)
        errors = np.array([math.sqrt(term.total / term.terms) if term.terms else math.nan for term in sums])
        windows = np.array([term.terms for term in sums], dtype=np.int64)
    possible = points - factors
    if lost := int(np.sum(possible - windows)):
        share = lost / int(np.sum(possible))
        sentence = (
            f"Windows that touch a missing or excluded sample were left out ({percent(share, 2)} of all); "
            "the time error may have moved further there."
        )
        left_out = caution("GAPS_SKIPPED", sentence, windows_left_out=lost, windows_left_out_share=share)
        findings = (*findings, left_out)
    return TimeErrorCurve(
        statistic=statistic,
        interval_s=record.interval_s,
        averaging_factor=factors,
        averaging_time_s=factors * record.interval_s,
        time_error_s=errors,
        windows=windows,
        record_name="" if record.source is None else record.source.name,
        findings=findings,
    )


def _samples_with_offset(record: Record) -> Samples:
    values = record.usable_values(without_steps=False)
    if record.kind == "frequency" and np.isnan(values).any():
        return FrequencySums.of(
            blocks(values), len(values), interval_s=record.interval_s, minimum_coverage=1.0
        )
    return PhasePoints.of(_time_error(record))


def _time_error(record: Record) -> FloatArray:
    """Return the complete time error; between the parts of a frequency record with gaps stands one NaN."""
    values = record.usable_values(without_steps=False)
    if record.kind == "phase":
        removed = record.removed_frequency
        return values + removed * record.elapsed_s if removed else values
    borders = np.flatnonzero(np.diff(~np.isnan(values), prepend=False, append=False))
    begins, ends = borders[::2].tolist(), borders[1::2].tolist()
    phase, at = np.full(int(np.sum(borders[1::2] - borders[::2])) + 2 * len(begins) - 1, np.nan), 0
    for begin, end in zip(begins, ends, strict=True):  # in place: the parts may be as long as the record
        frequency, mean = values[begin:end], float(values[begin:end].mean())
        wander = phase[at + 1 : at + 1 + len(frequency)]
        np.subtract(frequency, mean, out=wander)
        wander *= record.interval_s
        np.cumsum(wander, out=wander)
        for first in range(0, len(wander), SCAN_BLOCK):
            some = wander[first : first + SCAN_BLOCK]
            some += mean * record.interval_s * np.arange(first + 1, first + 1 + len(some))
        phase[at] = 0.0
        at += len(frequency) + 2
    return phase


def largest_movements(phase: FloatArray, factors: IntArray) -> FloatArray:
    """Return the largest peak-to-peak value within windows of ``factor + 1`` points, for rising factors.

    NaN where every window has a missing point, or none is so short.
    """
    factors = np.asarray(factors, dtype=np.int64)
    whole = np.full(len(factors), np.nan)
    factors = factors[factors < len(phase)]
    found = np.full(len(factors), -math.inf)
    near = int(np.searchsorted(factors, FEWEST_GROUPS * GROUP))
    if near:
        short, reach = factors[:near], int(factors[near - 1])
        space = np.empty((2, PIECE + reach))
        for begin in range(0, len(phase) - int(factors[0]), PIECE):
            piece = np.ascontiguousarray(phase[begin : begin + PIECE + reach], dtype=float)
            kernels.loops.movements(
                piece, short, space[0, : len(piece)], space[1, : len(piece)], found[:near]
            )
            let_go(mapping_of(phase))
    if near < len(factors):
        high, low = _of_groups(np.maximum, phase, math.inf), _of_groups(np.minimum, phase, -math.inf)
        for number, factor in enumerate(factors[near:].tolist(), near):
            found[number] = _in_groups(phase, factor, high, low)
            let_go(mapping_of(phase))
    whole[: len(found)] = np.where(np.isinf(found), np.nan, found)
    return whole


def complete_windows(phase: FloatArray, factors: IntArray) -> IntArray:
    """Return how many windows of ``factor + 1`` points hold no missing one, shape (n,)."""
    missing = np.concatenate([np.isnan(block) for block in blocks(phase)])
    borders = np.flatnonzero(np.diff(missing, prepend=False, append=False))
    begins, ends = borders[::2], borders[1::2]
    found = np.maximum(len(phase) - factors, 0)
    for number, factor in enumerate(factors.tolist()):
        # a run of missing points spoils the windows that begin at most a factor before it, or in it
        last = np.minimum(ends - 1, len(phase) - 1 - factor)
        first = np.maximum(begins - factor, np.concatenate([[0], last[:-1] + 1]))
        found[number] = max(0, int(found[number]) - int(np.maximum(last - first + 1, 0).sum()))
    return found


def _in_groups(phase: FloatArray, factor: int, high: FloatArray, low: FloatArray) -> float:
    """Return the largest peak-to-peak value within ``factor + 1`` points, at least four groups."""
    starts = np.arange(0, len(phase) - factor, GROUP)
    last = np.minimum(starts + GROUP - 1, len(phase) - factor - 1) + factor
    touched = int(np.max(last // GROUP - starts // GROUP)) + 1
    bounds = (_over(np.maximum, high, touched) - _over(np.minimum, low, touched))[: len(starts)]
    order = np.argsort(-bounds, kind="stable")
    bounds = bounds[order]
    between = factor // GROUP - 1  # whole groups inside every window that begins in a group
    high, low = _over(np.maximum, high, between), _over(np.minimum, low, between)
    space = np.empty(2 * GROUP)
    search = kernels.loops.movement_in_groups
    if phase.dtype == np.float64 and phase.flags.c_contiguous and phase.dtype.isnative:
        return search(phase, factor, GROUP, order, bounds, high, low, space, -math.inf)
    found, only = -math.inf, np.zeros(1, dtype=np.int64)
    for group, bound in zip(order.tolist(), bounds, strict=True):
        if bound <= found:
            break
        begin, end = group * GROUP, (group + factor // GROUP) * GROUP
        tail = phase[end : min(begin + factor + GROUP, len(phase))]
        both = np.concatenate([phase[begin : begin + GROUP], tail], dtype=float)
        found = search(
            both,
            GROUP + factor % GROUP,
            GROUP,
            only,
            np.array([bound]),
            high[group : group + 2],
            low[group : group + 2],
            space,
            found,
        )
    return found


def _over(larger: np.ufunc, extremes: FloatArray, count: int) -> FloatArray:
    """Return the extremes over ``count`` groups from each on, fewer at the end."""
    found, length = extremes, 1
    while 2 * length <= count:
        found = _widened(larger, found, length)
        length *= 2
    return _widened(larger, found, count - length)


def _of_groups(larger: np.ufunc, phase: FloatArray, missing: float) -> FloatArray:
    """Return the extremes of groups, the last of which may be shorter."""
    parts = [larger.reduceat(block, np.arange(0, len(block), GROUP)) for block in blocks(phase)]
    found = np.concatenate(parts, dtype=float)
    return np.where(np.isnan(found), missing, found)


def _widened(larger: np.ufunc, extremes: FloatArray, shift: int) -> FloatArray:
    """Return the extremes of two at a time, ``shift`` apart; at the end there is only one."""
    found = extremes.copy()
    if shift:
        larger(extremes[:-shift], extremes[shift:], out=found[:-shift])
    return found
