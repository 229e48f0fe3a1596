"""Rows that were not measured but predicted: stamped after the file was written, or marked by a word."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from evenbeat.findings import Finding
from evenbeat.logs.cells import cells_at, row_in, row_lines, shown
from evenbeat.logs.files import LogText
from evenbeat.logs.terms import Form, Layout
from evenbeat.logs.times import Times
from evenbeat.units import SECONDS_PER_DAY, duration_text

_ZONES_S = SECONDS_PER_DAY  # local time without a zone is less than a day from UTC
_FIRST, _LAST = 9, 3
_LAST_BYTES = 1 << 12


def prediction_findings(log: LogText, layout: Layout, times: Times | None) -> tuple[Finding, ...]:
    """Return what speaks for rows behind the measured ones."""
    return (*_later_than_file(log.path, times), *_marked(log, layout))


def _later_than_file(path: str, times: Times | None) -> Iterator[Finding]:
    """Say how many rows are stamped after the file was last written, while others are before."""
    if times is None or times.start is None:
        return
    try:
        written = np.datetime64(Path(path).stat().st_mtime_ns, "ns")
    except OSError:  # gone since it was read
        return
    limit_s = float((written - times.start.astype("datetime64[ns]")) / np.timedelta64(1, "s")) + _ZONES_S
    if limit_s <= _ZONES_S or times.seconds[-1] <= limit_s:
        return
    later = int(np.count_nonzero(times.seconds > limit_s))
    beyond = duration_text(float(times.seconds[-1]) - limit_s + _ZONES_S)
    sentence = (
        f"{later} row(s) at the end are stamped up to {beyond} "
        "after the file was last written, as predictions are; they were read as measured (cut them off)."
    )
    values = {"rows": later, "of": len(times.seconds)}
    yield Finding(code="LATER_THAN_FILE", severity="caution", sentence=sentence, values=values)


def _marked(log: LogText, layout: Layout) -> Iterator[Finding]:
    """Say where a column of words holds one word up to a row and another one from there to the end."""
    form = layout.form
    columns = [i for i, kind in enumerate(form.kinds) if kind == "text" and i != layout.time]
    if not (columns and form.separator and log.text):
        return
    first = [line for _, line in itertools.islice(row_lines(log, form), _FIRST)]
    tail = log.text[-_LAST_BYTES:].splitlines()[1:]
    last = [line for raw in tail if (line := row_in(raw, form))][-_LAST:]
    for index in columns:
        before, after = (set(_words(lines, index, form)) for lines in (first, last))
        if len(before) != 1 or len(after) != 1 or before == after:
            continue
        (usual,), (other,) = before, after
        changed = _one_change(log, form, index, usual, other)
        if changed is not None:
            sentence = (
                f"Column {form.label(index)} holds {shown(usual)} up to line {changed - 1} and "
                f"{shown(other)} from there to the end, as where predictions follow measurements; all "
                "rows were read alike (cut the others off)."
            )
            yield Finding(
                code="MARKED_OTHERWISE", severity="caution", sentence=sentence, values={"line": changed}
            )


def _words(lines: Iterable[str], index: int, form: Form) -> list[str]:
    return cells_at(lines, index, form.separator, joined_moment=form.joined_moment)


def _one_change(log: LogText, form: Form, index: int, usual: str, other: str) -> int | None:
    """Return the line where one word gives way to the other, ``None`` where they change more than once."""
    changed = None
    for number, line in row_lines(log, form):
        word = _words([line], index, form)
        if word == [other if changed is None else usual]:
            if changed is not None:
                return None
            changed = number
        elif word != [usual if changed is None else other]:
            return None
    return changed
