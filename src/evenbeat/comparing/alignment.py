"""Two records on one grid: the same moments, the coarser interval; nothing is interpolated."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from evenbeat.errors import InputError
from evenbeat.findings import Finding, Severity, note
from evenbeat.record import Record
from evenbeat.units import duration_text, percent

MOST_AVERAGED = 1000
"""Intervals are brought together by averaging at most this many samples of either record."""
_SAME = 0.01
_NEGLIGIBLE = 1e-3
_ALLOWED = 0.05
PART_INTERVAL = ("refuse", "accept")


@dataclass(frozen=True, eq=False, kw_only=True)
class Aligned:
    """Two records of one kind and interval whose first samples belong together."""

    first: Record
    second: Record
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True)
class _Grids:
    """How many samples of each are averaged, where each begins, and how far apart they are in time."""

    factors: tuple[int, int]
    begins: tuple[int, int]
    count: int
    apart_s: float


def aligned(first: Record, second: Record, *, offset_s: float | None, part_interval: str) -> Aligned:
    """Return both records over the time that they share, on one grid.

    Parameters
    ----------
    offset_s
        Start of the second record after that of the first, in seconds; by default from their starts.
    part_interval
        ``refuse`` samples that lie more than a twentieth of an interval apart, or ``accept`` them.
    """
    if part_interval not in PART_INTERVAL:
        msg = f"part_interval is {part_interval!r}; it must be 'refuse' or 'accept'"
        raise InputError(msg)
    later_s = _later(first, second) if offset_s is None else float(offset_s)
    if not math.isfinite(later_s):
        msg = f"offset_s is {offset_s}; it must be a number of seconds"
        raise InputError(msg)
    first, second, kinds = _of_one_kind(first, second)
    grids = _grids(first, second, later_s)
    _check_apart(grids, first.interval_s * grids.factors[0], part_interval)
    parts = [
        _part(record, begin, factor, grids.count)
        for record, begin, factor in zip((first, second), grids.begins, grids.factors, strict=True)
    ]
    findings = (*kinds, *_interval_findings(first, second, grids), *_apart_findings(grids, parts[0]))
    return Aligned(
        first=parts[0], second=replace(parts[1], interval_s=parts[0].interval_s), findings=findings
    )


def _later(first: Record, second: Record) -> float:
    if first.start is None or second.start is None:
        none = first.start is None and second.start is None
        which = "neither record states" if none else "one of the records does not state"
        msg = (
            f"{which} when it starts, so the samples that belong together are not known; give offset_s, the "
            "start of the second after that of the first in seconds (0 if they started together)"
        )
        raise InputError(msg)
    return float((second.start - first.start).astype("timedelta64[ns]").astype(np.int64)) * 1e-9


def _of_one_kind(first: Record, second: Record) -> tuple[Record, Record, tuple[Finding, ...]]:
    """Return both as frequencies where one of them is."""
    if first.kind == second.kind:
        return first, second, ()
    which = "first" if first.kind == "phase" else "second"
    sentence = (
        f"The {which} record holds time errors and the other one frequencies; the mean frequencies between "
        "its time errors were taken."
    )
    finding = note("MIXED_KINDS", sentence)
    return first.to_frequency(), second.to_frequency(), (finding,)


def _grids(first: Record, second: Record, later_s: float) -> _Grids:
    """Return the common grid: the earliest pair of samples nearest to each other in time."""
    shared = min(first.duration_s, later_s + second.duration_s) - max(0.0, later_s)
    factors = _factors(first.interval_s, second.interval_s, shared)
    step = first.interval_s * factors[0]
    if shared < 2 * step:
        msg = (
            f"the records share {duration_text(max(shared, 0.0))}, less than two intervals of "
            f"{duration_text(step)}; check their starts or offset_s"
        )
        raise InputError(msg)
    candidates = max(1, math.ceil(later_s / first.interval_s - 0.5)) - 1 + np.arange(2 * factors[0] + 1)
    others = np.rint((candidates * first.interval_s - later_s) / second.interval_s)
    apart = np.where(
        others >= 0, others * second.interval_s + later_s - candidates * first.interval_s, np.inf
    )
    best = int(np.argmax(np.abs(apart) <= np.abs(apart).min() + 1e-9 * step))
    begins = int(candidates[best]), int(others[best])
    lengths = [
        (len(record) - begin) // factor if record.kind == "frequency" else -(-(len(record) - begin) // factor)
        for record, begin, factor in zip((first, second), begins, factors, strict=True)
    ]
    return _Grids(factors=factors, begins=begins, count=min(lengths), apart_s=float(apart[best]))


def _factors(one_s: float, other_s: float, shared_s: float) -> tuple[int, int]:
    """Return the least numbers of samples of both that span the same time, to 1 % of it at the end."""
    for largest in range(1, MOST_AVERAGED + 1):
        ratio = Fraction(other_s / one_s).limit_denominator(largest)
        factors = ratio.numerator, ratio.denominator
        step = one_s * factors[0]
        if step and abs(step - other_s * factors[1]) / step * max(shared_s, step) <= _SAME * step:
            if factors[0] <= MOST_AVERAGED:
                return factors
            break
    msg = (
        f"the intervals of {one_s:.10g} s and {other_s:.10g} s have no common multiple that holds over "
        f"{duration_text(max(shared_s, 0.0))}; correct the one that is wrong (interval_s when reading), or "
        "average one with record.averaged(factor) to fit the other"
    )
    raise InputError(msg)


def _part(record: Record, begin: int, factor: int, count: int) -> Record:
    size = count * factor if record.kind == "frequency" else (count - 1) * factor + 1
    interval = record.interval_s
    if begin or size < len(record):
        record = record.between((begin - 0.25) * interval if begin else 0.0, (begin + size - 0.25) * interval)
    return record.averaged(factor) if factor > 1 else record


def _check_apart(grids: _Grids, step_s: float, part_interval: str) -> None:
    share = abs(grids.apart_s) / step_s
    if share > _ALLOWED and part_interval == "refuse":
        msg = (
            f"the samples of the second record lie {duration_text(grids.apart_s)} after those of the first, "
            f"{percent(share)} of an interval; nothing is interpolated: correct the starts with offset_s, "
            "average both to a longer interval, or take them as simultaneous with part_interval='accept'"
        )
        raise InputError(msg)


def _interval_findings(first: Record, second: Record, grids: _Grids) -> tuple[Finding, ...]:
    if grids.factors == (1, 1):
        return ()
    how = "averaged over" if first.kind == "frequency" else "thinned to every"
    told = [
        f"the {name} record was {how} {factor} of its samples {duration_text(record.interval_s)} apart"
        for name, record, factor in zip(("first", "second"), (first, second), grids.factors, strict=True)
        if factor > 1
    ]
    sentence = f"To give both the interval of {duration_text(first.interval_s * grids.factors[0])}, "
    finding = note(
        "INTERVALS_MATCHED",
        f"{sentence}{' and '.join(told)}.",
        first_factor=grids.factors[0],
        second_factor=grids.factors[1],
    )
    return (finding,)


def _apart_findings(grids: _Grids, first: Record) -> tuple[Finding, ...]:
    share = abs(grids.apart_s) / first.interval_s
    if share <= _NEGLIGIBLE:
        return ()
    severity: Severity = "note" if share <= _ALLOWED else "caution"
    sentence = (
        f"The samples of the second record lie {duration_text(grids.apart_s)} after those of the first "
        f"({percent(share, 1)} of an interval) and were taken as simultaneous; the reference cancels only "
        "in the part that both share."
    )
    values = {"apart_s": grids.apart_s, "share_of_interval": share}
    return (Finding(code="NOT_SIMULTANEOUS", severity=severity, sentence=sentence, values=values),)
