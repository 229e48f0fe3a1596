"""Time stamps beside the grid: their order, their spacing, and the clock of the computer that made them.

The readings of a counter follow each other evenly whatever the computer that logs them was doing; its
stamps tell where rows are missing, and how it was doing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenbeat.conditioning.shared import (
    Piece,
    Places,
    Series,
    flagged_runs,
    in_blocks,
    moment_text,
    places_text,
    running_median,
    spread,
)
from evenbeat.findings import Finding, Severity, good, note
from evenbeat.quantities import FloatArray, number_text
from evenbeat.record import Flag, Record
from evenbeat.units import counted, duration_text

ORDER = "stamp_order"
SPACING = "stamp_spacing"
CLOCK = "computer_clock"
NO_STAMPS = "no stamps, or exact ones"
REPEATED = 0.1
"""A stamp less than this share of an interval after the one before counts as the same (common practice)."""
UNEVEN = 0.1
_EARLIER_CODES = {"LATE_ROWS": "rows", "IRREGULAR_TIMES": "doubled_stamps"}
_WIDTH = 61
ORDINARY = 2e-4
"""Rates up to this are ordinary for a computer's clock (common practice: 100 to 200 parts per million)."""
FEWEST_STAMPS = 64
_BLOCKS = 64
_CLEAR = 3.0
_SIDE = 64
_JUMP = 8.0
_MOST_JUMPS = 100


def _stamps(record: Record) -> Series | None:
    """Return by how many seconds the stamps lie after their places on the grid."""
    offset = record.stamp_offset_s
    if offset is None:
        return None
    series = Series(lambda begin, end: np.array(offset[begin:end], dtype=float), len(record), offset)
    return series if len(series) > 1 else None


def with_stamp_order_reported(record: Record) -> Record:
    """Return the record with rows flagged whose stamp repeats or precedes the one before; none is left out.

    What the reader of the log already did about such rows is in the same outcome.
    """
    before = _already_reported(record)
    stamped = _stamps(record)
    if stamped is None:
        what = f"{before} at reading" if before else NO_STAMPS
        return record.checked(
            ORDER, what, looked=bool(before), found=_count_before(record), advice=_order_advice(before)
        )
    again: list[Places] = []
    back: list[Places] = []
    for piece in stamped.pieces(1):
        steps = np.diff(piece.where) + np.diff(piece.samples) / record.interval_s
        later = piece.where[1:]
        again.append(later[(steps >= -1e-9) & (steps <= REPEATED)])
        back.append(later[steps < -1e-9])
    repeated, backward = np.unique(np.concatenate(again)), np.unique(np.concatenate(back))
    flags = (
        *flagged_runs(
            repeated, cause="repeated_stamp", sentence="Stamped like the row before.", excluded=False
        ),
        *flagged_runs(
            backward, cause="backward_stamp", sentence="Stamped before the row before.", excluded=False
        ),
    )
    found = len(repeated) + len(backward)
    looked_at = counted(len(stamped), "stamp")
    late, told = _count_before(record, "LATE_ROWS"), _count_before(record, "IRREGULAR_TIMES")
    if not found and not late and not told:
        return record.checked(ORDER, looked_at)
    new = len(backward) or (found and not told)
    return record.checked(
        ORDER,
        looked_at,
        flags=flags,
        findings=[_order_finding(len(repeated), len(backward))] if new else [],
        found=max(found, told) + late,
        where=places_text(record, np.sort(np.concatenate([repeated, backward]))),
        advice=_order_advice(before),
    )


def _order_finding(repeated: int, backward: int) -> Finding:
    parts = [f"{counted(repeated, 'row repeats', 'rows repeat')} the stamp of the row before"] * bool(
        repeated
    )
    parts += [f"{counted(backward, 'row is', 'rows are')} stamped earlier than the row before"] * bool(
        backward
    )
    sentence = f"{' and '.join(parts)}; the readings were kept in their order, one per interval."
    values = {"repeated": repeated, "backward": backward}
    return Finding(
        code="STAMP_ORDER", severity="caution" if backward else "note", sentence=sentence, values=values
    )


def _count_before(record: Record, code: str | None = None) -> int:
    """Return how many rows the reader reported for the order of their stamps."""
    codes = _EARLIER_CODES if code is None else {code: _EARLIER_CODES[code]}
    return sum(int(f.values[codes[f.code]]) for f in record.findings if f.code in codes)


def _already_reported(record: Record) -> str:
    late = _count_before(record, "LATE_ROWS")
    spread = _count_before(record, "IRREGULAR_TIMES")
    parts = [f"{counted(late, 'late row')} rejected"] * bool(late)
    parts += [f"{counted(spread, 'repeated stamp')} spread over the grid"] * bool(spread)
    return " and ".join(parts)


def _order_advice(before: str) -> str:
    what = f"At reading: {before}. " if before else ""
    return f"{what}Nothing, if every row is a reading of its own; else remove the repeated rows."


def with_stamp_spacing_reported(record: Record) -> Record:
    """Return the record with a finding on how unevenly its stamps lie around the grid.

    Notes
    -----
    Distance of each stamp from the running median of its neighbours, so that a slow drift of the
    computer's clock does not count; the 95 % point is compared with a tenth of the interval (common
    practice).
    """
    stamped = _stamps(record)
    if stamped is None:
        return record.checked(SPACING, NO_STAMPS, looked=False)

    def jitter_of(piece: Piece) -> FloatArray:
        return np.abs(piece.samples - running_median(piece.samples, _WIDTH))

    usual = float(np.quantile(stamped.usual(jitter_of, _WIDTH), 0.95))
    most, worst, uneven = -1.0, 0, 0
    for piece in stamped.pieces(_WIDTH):
        jitter = jitter_of(piece)[piece.own]
        uneven += int(np.count_nonzero(jitter > UNEVEN * record.interval_s))
        if jitter.max() > most:
            most, worst = float(jitter.max()), int(piece.where[piece.own][np.argmax(jitter)])
    looked_at = counted(len(stamped), "stamp")
    values = {"within_95_percent_s": usual, "largest_s": most, "interval_s": record.interval_s}
    text = (
        f"95 % of the time stamps lie within {duration_text(usual)} of an even spacing, the farthest "
        f"{duration_text(most)} off"
    )
    finding = good("EVEN_STAMPS", f"{text}.", **values)
    advice = ""
    if usual > UNEVEN * record.interval_s:
        severity: Severity = "note" if usual <= 0.5 * record.interval_s else "caution"
        text += f"; the readings were taken as evenly spaced {duration_text(record.interval_s)} apart."
        finding = Finding(code="UNEVEN_STAMPS", severity=severity, sentence=text, values=values)
        advice = "If the readings themselves came unevenly, short averaging times are not what they say."
    return record.checked(
        SPACING,
        looked_at,
        findings=[finding],
        found=uneven,
        where=f"farthest {duration_text(most)}: {moment_text(record, worst)}",
        advice=advice,
    )


def with_computer_clock_reported(record: Record) -> Record:
    """Return the record with a finding on the rate of its stamps against its samples, and on their jumps.

    Notes
    -----
    Slope of the stamps over the samples by least squares through up to 64 block medians, jumps taken out;
    its uncertainty allows for white jitter and a random walk of the computer's clock.
    """
    stamped = _stamps(record)
    if stamped is None:
        return record.checked(CLOCK, NO_STAMPS, looked=False)
    if len(stamped) < FEWEST_STAMPS:
        return record.checked(CLOCK, f"{len(stamped)} stamps, fewer than {FEWEST_STAMPS}", looked=False)
    jumps, sizes = _jumps(stamped, record.interval_s)
    slope, uncertainty = _slope(stamped, record.interval_s, jumps, sizes)
    base = _paced_interval(record.interval_s)
    rate = _Rate(value=record.interval_s * (1 + slope) / base - 1, uncertainty=uncertainty, paced_s=base)
    flags = tuple(
        Flag(
            cause="computer_clock_set",
            start=int(jump),
            stop=int(jump),
            excluded=False,
            sentence=f"The stamps jump by {size:+.3g} s and stay there.",
        )
        for jump, size in zip(jumps, sizes, strict=True)
    )
    findings = [_rate_finding(rate)]
    if len(jumps):
        findings.append(_set_finding(record, jumps, sizes))
    return record.checked(
        CLOCK,
        counted(len(stamped), "stamp"),
        flags=flags,
        findings=findings,
        found=int(rate.is_clear) + len(jumps),
        where=f"rate {rate}" + (f"; set at {places_text(record, jumps)}" if len(jumps) else ""),
        advice=_advice(rate),
    )


@dataclass(frozen=True, kw_only=True)
class _Rate:
    """By how much the stamps advance faster than one ``paced_s`` per sample, relatively."""

    value: float
    uncertainty: float
    paced_s: float

    @property
    def is_clear(self) -> bool:
        return abs(self.value) > _CLEAR * self.uncertainty

    def __str__(self) -> str:
        return number_text(self.value, self.uncertainty)


def _paced_interval(interval_s: float) -> float:
    """Return the round interval at which a counter or a timer would pace the rows."""
    digits = -math.floor(math.log10(interval_s))
    for more in (0, 1):
        candidate = round(interval_s, digits + more)
        if candidate > 0 and abs(interval_s / candidate - 1) < 0.02:
            return candidate
    return interval_s


def _slope(stamped: Series, interval_s: float, jumps: Places, sizes: FloatArray) -> tuple[float, float]:
    """Return the rate at which the offset grows and its standard uncertainty, by medians of blocks."""
    edges = np.linspace(0, len(stamped), min(_BLOCKS, len(stamped) // 4) + 1).astype(int)
    taken = np.append(0.0, np.cumsum(sizes))

    def part(number: int) -> tuple[FloatArray, FloatArray]:
        offset, where = stamped.take(edges[number], edges[number + 1])
        return where * interval_s, offset - taken[np.searchsorted(jumps, where, side="right")]

    last = len(edges) - 2
    (begin, low), (end, high) = part(0), part(last)
    first = float(np.median(high) - np.median(low)) / float(end.mean() - begin.mean())
    # flat, or the medians would pick the few rows in the middle of a ramp
    medians = np.array([np.median(offset - first * at) for at, offset in map(part, range(last + 1))])
    rest, uncertainty = _line(medians, float(end[-1] - begin[0]) / (last + 1))
    return first + rest, uncertainty


def _line(medians: FloatArray, apart_s: float) -> tuple[float, float]:
    """Return the slope of evenly spaced medians and its standard uncertainty.

    Their scatter is taken for the sum of white noise and a random walk, told apart by the growth of
    their differences with distance; the walk is raised by the uncertainty of that. The variances of
    the slope of n points are 12/n³ and 6/(5n) of those of the two.
    """
    n = len(medians)
    place = np.arange(n) - (n - 1) / 2
    slope = float(place @ medians) / float(place @ place)
    flat = medians - slope * place
    far = max(2, n // 4)
    near_square, far_square = (
        float(np.mean(np.diff(flat) ** 2)),
        float(np.mean((flat[far:] - flat[:-far]) ** 2)),
    )
    walk = max(0.0, (far_square - near_square) / (far - 1))
    walk += 0.3 * near_square / (far - 1)
    white = max(0.0, 0.5 * (near_square - walk))
    return slope / apart_s, math.sqrt(12 * white / n**3 + 1.2 * walk / n) / apart_s


def _jumps(stamped: Series, interval_s: float) -> tuple[Places, FloatArray]:
    """Return where the stamps jump and stay: medians of 64 before and after, far beyond the usual."""
    empty = np.empty(0, dtype=np.intp), np.empty(0)
    n = len(stamped)
    if n < 2 * _SIDE:
        return empty
    usual = np.concatenate([np.diff(piece.samples) for piece in stamped.some()])
    least = max(_JUMP * spread(usual), 0.02 * interval_s)
    candidates: list[int] = []
    for first, last in in_blocks(n - 1):
        steps = np.diff(stamped.take(first, last + 1)[0])
        candidates += (np.flatnonzero(np.abs(steps) > least) + first + 1).tolist()
    if len(candidates) > 0.01 * n + 10:
        return empty
    found: list[tuple[int, int, float]] = []
    for at in candidates:
        if not _SIDE <= at <= n - _SIDE or (found and at - found[-1][0] <= _SIDE):
            continue
        offset, where = stamped.take(at - _SIDE, at + _SIDE)
        before, after = offset[:_SIDE], offset[_SIDE:]
        size = float(np.median(after) - np.median(before))
        if abs(size) > max(least, _JUMP * max(spread(before), spread(after))):
            found.append((at, int(where[_SIDE]), size))
    if len(found) > _MOST_JUMPS or not found:
        return empty
    return np.array([where for _, where, _ in found]), np.array([size for *_, size in found])


def _rate_finding(rate: _Rate) -> Finding:
    paced = duration_text(rate.paced_s)
    values = {
        "rate": rate.value,
        "standard_uncertainty": rate.uncertainty,
        "paced_interval_s": rate.paced_s,
    }
    if not rate.is_clear:
        sentence = f"The clock of the logging computer keeps step with the samples (rate {rate})."
        return good("COMPUTER_CLOCK", sentence, **values)
    severity: Severity = "note" if abs(rate.value) <= ORDINARY else "caution"
    size = number_text(abs(rate.value), rate.uncertainty)
    sentence = (
        f"The time stamps advance {'faster' if rate.value > 0 else 'more slowly'} than the samples, taken "
        f"{paced} apart, by {size}: {_meaning(rate)}."
    )
    return Finding(code="COMPUTER_CLOCK", severity=severity, sentence=sentence, values=values)


def _set_finding(record: Record, jumps: Places, sizes: FloatArray) -> Finding:
    largest = float(sizes[np.argmax(np.abs(sizes))])
    sentence = (
        f"The clock of the logging computer was set {counted(len(jumps), 'time')} during the log, by "
        f"{largest:+.3g} s at most ({places_text(record, jumps)}); the readings are not moved."
    )
    return note("COMPUTER_CLOCK_SET", sentence, count=len(jumps), largest_s=largest)


def _meaning(rate: _Rate) -> str:
    if abs(rate.value) <= ORDINARY:
        return (
            "if the counter's gate paces the rows, the computer's clock runs "
            f"{'fast' if rate.value > 0 else 'slow'} by that much, which is ordinary; the grid counts "
            "samples, not stamps"
        )
    if rate.value > 0:
        return (
            f"too much for a computer's clock, so each reading takes {rate.value * rate.paced_s:.3g} s "
            f"longer than {duration_text(rate.paced_s)}; if that is the gate, the rest is dead time (state "
            "gate_s)"
        )
    return "too much for a computer's clock, so the rows are paced faster than that"


def _advice(rate: _Rate) -> str:
    if not rate.is_clear:
        return ""
    if abs(rate.value) <= ORDINARY:
        return "Trust the count of samples for intervals and the stamps for the date only."
    return "State gate_s (--set gate=…) if the counter needs time between its readings."
