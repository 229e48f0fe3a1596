"""Stretches of a log where readings come at another interval than elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.conditioning.local_noise import present
from evenbeat.conditioning.places import counted, moment_text
from evenbeat.findings import Finding
from evenbeat.record import Flag, Record
from evenbeat.units import duration_text

NAME = "interval_change"
FEWEST = 10
"""Readings in a row at another interval that make a change of it."""
_ALIKE = 0.9


@dataclass(frozen=True, kw_only=True)
class _Stretch:
    first: int
    last: int
    places: int
    readings: int


def with_interval_changes_reported(record: Record) -> Record:
    """Return the record with stretches flagged where only every second, third … place holds a reading.

    Notes
    -----
    A stretch is at least ten readings in a row equally many places apart, nine tenths of them exactly.
    Readings lost at random are not: with half of all readings lost, ten in a row two apart happen
    once in (1/4)^-10 = a million readings.
    """
    where = present(record.values)
    steps = np.diff(where)
    looked_at = counted(len(where), "reading")
    stretches = _stretches(where, steps)
    if not stretches:
        return record.checked(NAME, looked_at)
    flags = tuple(_flag(record, stretch) for stretch in stretches)
    longest = max(stretches, key=lambda stretch: stretch.readings)
    slower = duration_text(longest.places * record.interval_s)
    sentence = (
        "The interval between readings changes within the log: "
        f"{counted(len(stretches), 'stretch', 'stretches')} of readings farther apart than "
        f"{duration_text(record.interval_s)}, the longest of {longest.readings} readings {slower} apart from "
        f"{moment_text(record, longest.first)} on; the places between them stay empty."
    )
    values = {
        "stretches": len(stretches),
        "longest_readings": longest.readings,
        "longest_interval_s": longest.places * record.interval_s,
        "interval_s": record.interval_s,
    }
    finding = Finding(code="INTERVAL_CHANGE", severity="caution", sentence=sentence, values=values)
    advice = (
        f"Average the whole log to {slower} (record.averaged({longest.places})), or analyse the parts with "
        "record.between(start, stop)."
    )
    return (
        record.with_flags(*flags)
        .with_findings(finding)
        .checked(
            NAME,
            looked_at,
            found=len(stretches),
            where=f"{slower} from {moment_text(record, longest.first)}",
            advice=advice,
        )
        .treated(NAME, found=len(stretches))
    )


def _stretches(where: npt.NDArray[np.intp], steps: npt.NDArray[np.intp]) -> list[_Stretch]:
    if not len(steps) or steps.max() == 1:
        return []
    edges = np.concatenate([[0], np.flatnonzero(np.diff(steps)) + 1, [len(steps)]])
    lengths = np.diff(edges)
    found: list[_Stretch] = []
    begin = 0
    while begin < len(lengths):
        places = int(steps[edges[begin]])
        if places == 1 or lengths[begin] < FEWEST - 1:
            begin += 1
            continue
        end = _end(steps, edges, begin, places)
        found.append(
            _Stretch(
                first=int(where[edges[begin]]),
                last=int(where[edges[end]]),
                places=places,
                readings=int(edges[end] - edges[begin]) + 1,
            )
        )
        begin = end
    return found


def _end(steps: npt.NDArray[np.intp], edges: npt.NDArray[np.intp], begin: int, places: int) -> int:
    """Return the run after the stretch: single readings lost within it do not end it."""
    end = begin + 1
    for ahead in range(begin + 1, len(edges) - 1):
        part = slice(edges[begin], edges[ahead + 1])
        if steps[edges[ahead]] == places and np.mean(steps[part] == places) >= _ALIKE:
            end = ahead + 1
        elif edges[ahead + 1] - edges[end] > FEWEST:
            break
    return end


def _flag(record: Record, stretch: _Stretch) -> Flag:
    interval = duration_text(stretch.places * record.interval_s)
    sentence = f"{stretch.readings} readings {interval} apart."
    return Flag(
        cause="interval_change", start=stretch.first, stop=stretch.last + 1, excluded=False, sentence=sentence
    )
