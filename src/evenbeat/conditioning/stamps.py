"""Time stamps beside the grid: their order, their spacing, and the clock of the computer that made them.

The readings of a counter follow each other evenly whatever the computer that logs them was doing; its
stamps tell where rows are missing, and how it was doing.
"""

from __future__ import annotations

import math

import numpy as np

from evenbeat.conditioning.shared import (
    Piece,
    Places,
    Series,
    flagged_runs,
    flags_at,
    in_blocks,
    moment_text,
    places_text,
    running_median,
    spread,
)
from evenbeat.findings import Finding, caution, good, note
from evenbeat.quantities import FloatArray, number_text
from evenbeat.record import Record
from evenbeat.units import counted, duration_text

ORDER = "stamp_order"
SPACING = "stamp_spacing"
CLOCK = "computer_clock"
NO_STAMPS = "no stamps, or exact ones"
REPEATED = 0.1
"""A stamp less than this share of an interval after the one before counts as the same (common practice)."""
UNEVEN = 0.1
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
    late, told = (
        sum(int(found.values[name]) for found in record.findings if found.code == code)
        for code, name in (("LATE_ROWS", "rows"), ("IRREGULAR_TIMES", "doubled_stamps"))
    )
    parts = [f"{counted(late, 'late row')} rejected"] * bool(late)
    parts += [f"{counted(told, 'repeated stamp')} spread over the grid"] * bool(told)
    before = " and ".join(parts)
    advice = f"At reading: {before}. " if before else ""
    advice += "Nothing, if every row is a reading of its own; else remove the repeated rows."
    stamped = _stamps(record)
    if stamped is None:
        what = f"{before} at reading" if before else NO_STAMPS
        return record.checked(ORDER, what, looked=bool(before), found=late + told, advice=advice)
    again: list[Places] = []
    back: list[Places] = []
    for piece in stamped.pieces(1):
        steps = np.diff(piece.where) + np.diff(piece.samples) / record.interval_s
        again.append(piece.where[1:][(steps >= -1e-9) & (steps <= REPEATED)])
        back.append(piece.where[1:][steps < -1e-9])
    repeated, backward = np.unique(np.concatenate(again)), np.unique(np.concatenate(back))
    found, looked_at = len(repeated) + len(backward), counted(len(stamped), "stamp")
    if not found and not before:
        return record.checked(ORDER, looked_at)
    findings = []
    if len(backward) or (found and not told):
        said = {
            f"{counted(len(repeated), 'row repeats', 'rows repeat')} the stamp of the row before": repeated,
            f"{counted(len(backward), 'row is', 'rows are')} stamped earlier than the row before": backward,
        }
        what = " and ".join(part for part, rows in said.items() if len(rows))
        sentence = f"{what}; the readings were kept in their order, one per interval."
        say = caution if len(backward) else note
        findings = [say("STAMP_ORDER", sentence, repeated=len(repeated), backward=len(backward))]
    why = "Stamped like the row before.", "Stamped before the row before."
    return record.checked(
        ORDER,
        looked_at,
        flags=(
            *flagged_runs(repeated, cause="repeated_stamp", sentence=why[0], excluded=False),
            *flagged_runs(backward, cause="backward_stamp", sentence=why[1], excluded=False),
        ),
        findings=findings,
        found=max(found, told) + late,
        where=places_text(record, np.sort(np.concatenate([repeated, backward]))),
        advice=advice,
    )


def with_stamp_spacing_reported(record: Record) -> Record:
    """Return the record with a finding on how unevenly its stamps lie around the grid.

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
        text += f"; the readings were taken as evenly spaced {duration_text(record.interval_s)} apart."
        finding = (note if usual <= 0.5 * record.interval_s else caution)("UNEVEN_STAMPS", text, **values)
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

    Slope of the stamps over the samples by least squares through up to 64 block medians, jumps taken out;
    its uncertainty allows for white jitter and a random walk of the computer's clock.
    """
    stamped = _stamps(record)
    if stamped is None or len(stamped) < FEWEST_STAMPS:
        few = NO_STAMPS if stamped is None else f"{len(stamped)} stamps, fewer than {FEWEST_STAMPS}"
        return record.checked(CLOCK, few, looked=False)
    interval_s, jumps, sizes = record.interval_s, *_jumps(stamped, record.interval_s)
    slope, uncertainty = _slope(stamped, interval_s, jumps, sizes)
    # the round interval at which a counter or a timer would pace the rows
    digits = -math.floor(math.log10(interval_s))
    rounded = [round(interval_s, digits + more) for more in (0, 1)]
    paced_s = next((each for each in rounded if each > 0 and abs(interval_s / each - 1) < 0.02), interval_s)
    rate = interval_s * (1 + slope) / paced_s - 1
    findings, advice = [_rate_finding(rate, uncertainty, paced_s)], ""
    clear = abs(rate) > _CLEAR * uncertainty
    if clear:
        advice = "State gate_s (--set gate=…) if the counter needs time between its readings."
        if abs(rate) <= ORDINARY:
            advice = "Trust the count of samples for intervals and the stamps for the date only."
    where = f"rate {number_text(rate, uncertainty)}"
    if len(jumps):
        places = places_text(record, jumps)
        largest = float(sizes[np.argmax(np.abs(sizes))])
        sentence = (
            f"The clock of the logging computer was set {counted(len(jumps), 'time')} during the log, by "
            f"{largest:+.3g} s at most ({places}); the readings are not moved."
        )
        findings.append(note("COMPUTER_CLOCK_SET", sentence, count=len(jumps), largest_s=largest))
        where += f"; set at {places}"
    return record.checked(
        CLOCK,
        counted(len(stamped), "stamp"),
        flags=flags_at(
            "computer_clock_set",
            (
                (jump, jump, f"The stamps jump by {size:+.3g} s and stay there.")
                for jump, size in zip(jumps, sizes, strict=True)
            ),
        ),
        findings=findings,
        found=int(clear) + len(jumps),
        where=where,
        advice=advice,
    )


def _rate_finding(rate: float, uncertainty: float, paced_s: float) -> Finding:
    """Say by how much the stamps advance faster than one ``paced_s`` per sample, relatively."""
    values = {"rate": rate, "standard_uncertainty": uncertainty, "paced_interval_s": paced_s}
    if abs(rate) <= _CLEAR * uncertainty:
        text = number_text(rate, uncertainty)
        sentence = f"The clock of the logging computer keeps step with the samples (rate {text})."
        return good("COMPUTER_CLOCK", sentence, **values)
    meaning = "too much for a computer's clock, so the rows are paced faster than that"
    if abs(rate) <= ORDINARY:
        meaning = (
            "if the counter's gate paces the rows, the computer's clock runs "
            f"{'fast' if rate > 0 else 'slow'} by that much, which is ordinary; the grid counts samples, not "
            "stamps"
        )
    elif rate > 0:
        meaning = (
            f"too much for a computer's clock, so each reading takes {rate * paced_s:.3g} s longer than "
            f"{duration_text(paced_s)}; if that is the gate, the rest is dead time (state gate_s)"
        )
    sentence = (
        f"The time stamps advance {'faster' if rate > 0 else 'more slowly'} than the samples, taken "
        f"{duration_text(paced_s)} apart, by {number_text(abs(rate), uncertainty)}: {meaning}."
    )
    return (note if abs(rate) <= ORDINARY else caution)("COMPUTER_CLOCK", sentence, **values)


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
    near_square = float(np.mean(np.diff(flat) ** 2))
    far_square = float(np.mean((flat[far:] - flat[:-far]) ** 2))
    walk = (max(0.0, far_square - near_square) + 0.3 * near_square) / (far - 1)
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
