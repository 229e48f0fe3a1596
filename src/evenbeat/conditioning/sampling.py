"""When readings were taken: gaps, changes of interval, and how much of the time the gates measured."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from evenbeat.conditioning.shared import Places, flags_at, missing_runs, moment_text
from evenbeat.findings import caution, good, note
from evenbeat.intake import blocks
from evenbeat.record import Record
from evenbeat.units import counted, duration_text

GAPS, INTERVAL, DEAD_TIME = "gaps", "interval_change", "dead_time"
FEWEST = 10
"""Readings in a row at another interval that make a change of it."""
_ALIKE = 0.9


def with_gaps_reported(record: Record) -> Record:
    """Return the record with a finding on its missing samples, in place of what its reader said of them."""
    record = replace(record, findings=tuple(f for f in record.findings if f.code not in ("GAPS", "NO_GAPS")))
    begins, ends = missing_runs(blocks(record.values))
    lengths = ends - begins
    count = int(lengths.sum())
    looked_at = counted(len(record), "place on the grid", "places on the grid")
    if not count:
        sentence = f"No sample is missing: {len(record)} follow each other without a gap."
        finding = good("NO_GAPS", sentence)
        return record.checked(GAPS, looked_at, findings=[finding])
    longest_s = float(lengths.max()) * record.interval_s
    sentence = (
        f"{counted(count, 'reading is', 'readings are')} missing in {counted(len(lengths), 'gap')}, the "
        f"longest {duration_text(longest_s)}; {'it stays' if count == 1 else 'they stay'} missing, nothing "
        "was filled in."
    )
    finding = note("GAPS", sentence, missing=count, gaps=len(lengths), longest_s=longest_s)
    advice = (
        f"Averages longer than a gap leave it out; of the time error gained in {duration_text(longest_s)} "
        "nothing is known."
    )
    if record.kind == "phase":
        advice = "Nothing: phase carries the time error across a gap."
    return record.checked(
        GAPS,
        looked_at,
        findings=[finding],
        found=len(lengths),
        where=f"longest {duration_text(longest_s)}: {moment_text(record, int(begins[np.argmax(lengths)]))}",
        advice=advice,
    )


class _Stretch(NamedTuple):
    first: int
    last: int
    places: int
    readings: int
    apart: str


def with_interval_changes_reported(record: Record) -> Record:
    """Return the record with stretches flagged where only every second, third … place holds a reading.

    A stretch is at least ten readings in a row equally many places apart, nine tenths of them exactly.
    Readings lost at random are not: with half of all readings lost, ten in a row two apart happen
    once in (1/4)^-10 = a million readings.
    """
    looked_at = counted(len(record) - record.missing, "reading")
    stretches = _stretches(*missing_runs(blocks(record.values)), len(record), record.interval_s)
    if not stretches:
        return record.checked(INTERVAL, looked_at)
    spans = (
        (each.first, each.last + 1, f"{each.readings} readings {each.apart} apart.") for each in stretches
    )
    longest = max(stretches, key=lambda stretch: stretch.readings)
    slower = longest.apart
    sentence = (
        "The interval between readings changes within the log: "
        f"{counted(len(stretches), 'stretch', 'stretches')} of readings farther apart than "
        f"{duration_text(record.interval_s)}, the longest of {longest.readings} readings {slower} apart from "
        f"{moment_text(record, longest.first)} on; the places between them stay empty."
    )
    told = {
        "stretches": len(stretches),
        "longest_readings": longest.readings,
        "longest_interval_s": longest.places * record.interval_s,
        "interval_s": record.interval_s,
    }
    advice = (
        f"Average the whole log to {slower} (record.averaged({longest.places})), or analyse the parts with "
        "record.between(start, stop)."
    )
    return record.checked(
        INTERVAL,
        looked_at,
        flags=flags_at("interval_change", spans),
        findings=[caution("INTERVAL_CHANGE", sentence, **told)],
        where=f"{slower} from {moment_text(record, longest.first)}",
        advice=advice,
        done={"found": len(stretches)},
    )


def _stretches(begins: Places, ends: Places, length: int, interval_s: float) -> list[_Stretch]:
    """Return stretches from where runs of missing places begin and end."""
    # distances between readings as runs of equal ones: ones within a run of readings, more across a gap
    first = int(ends[0]) if len(begins) and begins[0] == 0 else 0
    inner = (begins > 0) & (ends < length)
    begins, ends = begins[inner], ends[inner]
    if not len(begins):
        return []
    places = np.column_stack([np.ones_like(begins), ends - begins + 1]).ravel()
    counts = np.column_stack([begins - 1 - np.append(first, ends[:-1]), np.ones_like(begins)]).ravel()
    places, counts = places[counts > 0], counts[counts > 0]
    new = np.flatnonzero(np.diff(places, prepend=0))
    places, counts = places[new], np.add.reduceat(counts, new)
    at = first + np.append(0, np.cumsum(places * counts))
    found: list[_Stretch] = []
    begin = 0
    while begin < len(places):
        if places[begin] == 1 or counts[begin] < FEWEST - 1:
            begin += 1
            continue
        end = _end(places, counts, begin)
        every, readings = int(places[begin]), int(counts[begin:end].sum()) + 1
        found.append(
            _Stretch(int(at[begin]), int(at[end]), every, readings, duration_text(every * interval_s))
        )
        begin = end
    return found


def _end(places: Places, counts: Places, begin: int) -> int:
    """Return the run after the stretch: single readings lost within it do not end it."""
    end = begin + 1
    alike, beyond = counts[begin], 0
    whole = alike
    for ahead in range(begin + 1, len(places)):
        same = places[ahead] == places[begin]
        whole, alike, beyond = whole + counts[ahead], alike + same * counts[ahead], beyond + counts[ahead]
        if same and alike >= _ALIKE * whole:
            end, beyond = ahead + 1, 0
        elif beyond > FEWEST:
            break
    return end


def with_dead_time_reported(record: Record) -> Record:
    """Return the record with a finding on the share of the time that its gates measured."""
    if record.kind == "phase":
        return record.checked(DEAD_TIME, "phase has no gates", looked=False)
    if record.epochs_ns is None and record.gate_s is None:
        advice = "State the gate with gate_s (--set gate=…) if readings do not follow each other at once."
        return record.checked(DEAD_TIME, "no gate stated", looked=False, advice=advice)
    advice = "The clock model allows for it by itself."
    if record.epochs_ns is None:
        gate_s, apart_s, looked_at = float(record.gate_s or 0.0), record.interval_s, "gate"
        share, begin = gate_s / apart_s, "gates of {} start every {}"
        told = {"gate_s": gate_s, "interval_s": apart_s}
        advice = "Correct a curve by its without_dead_time(); the clock model allows for it by itself."
    else:
        spans = np.asarray(record.spans_s)
        gate_s, apart_s, looked_at = float(np.median(spans)), record.spacing_s, "span"
        share = min(float(spans.sum()) / record.duration_s, 1.0)
        begin, told = "readings of {} begin {} apart in the median", {"span_s": gate_s, "spacing_s": apart_s}
    looked_at = counted(len(record), looked_at)
    if record.epochs_ns is None and share >= 1 - 1e-9:
        return record.checked(DEAD_TIME, looked_at)
    lengths = duration_text(gate_s), duration_text(apart_s)
    sentence = f"{100 * share:.3g} % of the time was measured: {begin.format(*lengths)}."
    return record.checked(
        DEAD_TIME,
        looked_at,
        findings=[note("MEASURED_SHARE", sentence, **told, measured_share=share)],
        found=(len(record) - record.missing) * (share < 1),
        where="{} of every {} measured".format(*lengths) if share < 1 else "",
        advice=advice,
    )
