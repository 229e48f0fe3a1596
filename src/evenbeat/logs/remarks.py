"""Findings about a log: what was skipped, missing, unused, assumed, taken from comments, or predicted."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator

import numpy as np

from evenbeat.findings import Finding, Severity, caution, note
from evenbeat.intake import blocks, extremes_and_mean, thinned
from evenbeat.logs.cells import cells_at, numbered, row_in, row_lines, shown
from evenbeat.logs.files import LogText
from evenbeat.logs.headers import column_meaning
from evenbeat.logs.rows import HARMLESS, Columns
from evenbeat.logs.terms import Form, Layout, Statements
from evenbeat.quantities import FloatArray
from evenbeat.units import counted

_SOME = 20_000  # readings that are looked at for one that repeats
_FEWEST_DISTINCT = 100
_OFTEN = 0.01
_FAR_ABOVE = 10  # times the next frequent one
_CORRECTION = re.compile(r"\bcorrections?\b", re.IGNORECASE)
_DATED = re.compile(r"\b\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d)?")


def form_findings(layout: Layout, table: Columns) -> tuple[Finding, ...]:
    """Return what is to be known about how the log was read."""
    return (*_layout_remarks(layout), *_table_remarks(layout, table))


def _layout_remarks(layout: Layout) -> Iterator[Finding]:
    form = layout.form
    said = _said(layout.statements)
    if said:
        sentence = f"Comment lines of the log state {', '.join(said)}."
        yield note("STATED_IN_COMMENTS", sentence)
    if form.skipped:
        sentence = (
            f"Skipped {counted(len(form.skipped), 'line')} of text before the first row, not understood: "
            f"{numbered(form.skipped)}."
        )
        yield note("SKIPPED_LINES", sentence, lines=len(form.skipped))
    yield from _prose_remarks(layout)
    if form.decimal == ",":
        sentence = "Commas in the numbers were taken as decimal marks."
        yield note("DECIMAL_COMMA", sentence)
    if layout.time_assumed:
        sentence = (
            f"Column {form.label(0)} was taken as the time because it rises evenly (override with --column "
            "time=… or columns={'time': …})."
        )
        yield caution("ASSUMED_TIME_COLUMN", sentence)
    if layout.unused:
        names = ", ".join(form.label(i) for i in layout.unused)
        sentence = f"These columns of numbers were not used: {names}."
        yield note("UNUSED_COLUMNS", sentence, columns=names)


def _prose_remarks(layout: Layout) -> Iterator[Finding]:
    """Say what names and comments mean for those who read them, where the readings do not follow it."""
    form = layout.form
    if any(_CORRECTION.search(text) for text in (form.label(layout.value), *form.comments)):
        sentence = (
            "The log speaks of a correction, which has the opposite sign of the error that it corrects; the "
            "readings were taken as errors (turn them with a unit such as -ns: --unit or unit)."
        )
        yield caution("CORRECTION", sentence)
    dates = [match.group() for text in form.comments if (match := _DATED.search(text))]
    untold = layout.time is None or form.kinds[layout.time] == "number"
    if dates and untold and layout.statements.start is None:
        sentence = (
            f"A comment names the date {dates[0]}, which was not taken as the start; if elapsed times count "
            f"from it, write the comment as '# time: seconds since {dates[0].replace(' ', 'T')}Z'."
        )
        yield note("DATE_IN_COMMENT", sentence)


def _said(said: Statements) -> list[str]:
    hertz, interval_s, gate_s = said.nominal_frequency_hz, said.interval_s, said.gate_s
    named = (
        ("quantity", said.quantity),
        ("unit", said.unit),
        ("nominal frequency", hertz and f"{hertz:.12g} Hz"),
        ("interval", interval_s and f"{interval_s:.12g} s"),
        ("gate", gate_s and f"{gate_s:.12g} s"),
        ("reference", said.reference),
        ("counter weighting", said.counter_weighting),
        ("that readings are of the", said.reading_of),
        ("elapsed time since", said.start),
    )
    return [f"{name} {value}" for name, value in named if value]


def _table_remarks(layout: Layout, table: Columns) -> Iterator[Finding]:
    missing = sum(int(np.count_nonzero(np.isnan(some))) for some in blocks(table.numbers[layout.value]))
    if missing:
        sentence = (
            f"{missing} of {table.rows} rows hold no reading (empty, NaN, 9.91E37 or a text such as OVLD)."
        )
        yield note("MISSING_READINGS", sentence, missing=missing, rows=table.rows)
    yield from _nines(table.numbers[layout.value])
    yield from _repeated_value(table.numbers[layout.value])
    if table.rejected:
        reasons = table.rejected.counts
        harmless = all(reason in HARMLESS for reason in reasons)
        told = "; ".join(f"{count} × {reason}" for reason, count in reasons.most_common(3))
        sentence = (
            f"{counted(len(table.rejected), 'line was', 'lines were')} rejected as no row of the log "
            f"({numbered(table.rejected.lines)}): {told}."
        )
        if layout.time is None and not harmless:
            sentence += (
                " The log has no times: if a reading was lost with such a line, rows behind it are early."
            )
        values = {"rejected": len(table.rejected), "first_line": table.rejected[0].line}
        severity: Severity = "note" if harmless else "caution"
        yield Finding(code="REJECTED_LINES", severity=severity, sentence=sentence, values=values)
    if table.doubtful:
        others = numbered([row.line for row in table.doubtful[1:]])
        sentence = (
            f"{counted(len(table.doubtful), 'row')} may have been cut short; what is written was read: "
            f"{table.doubtful[0]}{f'; likewise {others}' if table.doubtful[1:] else ''}."
        )
        yield note("SHORT_NUMBERS", sentence, rows=len(table.doubtful), first_line=table.doubtful[0].line)
    empty = [c.name for c in layout.covariates if np.isnan(table.numbers[c.index]).all()]
    if empty:
        sentence = f"These columns hold no reading at all and were left out: {', '.join(empty)}."
        yield note("EMPTY_COLUMNS", sentence)
    unstated = [
        c.name
        for c in layout.covariates
        if c.name.endswith("_c")
        and c.index < len(layout.form.header)
        and column_meaning(layout.form.header[c.index]).unit is None
    ]
    if unstated:
        sentence = f"The log states no unit for {', '.join(unstated)}; degrees Celsius were assumed."
        yield note("ASSUMED_CELSIUS", sentence)


def _nines(readings: FloatArray) -> Iterator[Finding]:
    """Say where the largest or smallest reading is all nines and far from the others."""
    low, _, high = extremes_and_mean(readings)
    for value in {high, low}:
        digits = f"{abs(value):.12g}".replace(".", "")
        if len(digits) < 4 or set(digits) != {"9"}:
            continue
        some = thinned(readings, 10_000)
        some = some[np.isfinite(some)]
        middle = float(np.median(some)) if len(some) else 0.0
        spread = float(np.median(np.abs(some - middle))) if len(some) else 0.0
        if abs(value) <= 100 * spread + abs(middle):
            continue
        count = int(np.count_nonzero(readings == value))
        sentence = (
            f"{counted(count, 'reading is', 'readings are')} {value:.12g}, which often stands for "
            "none; it was read as it is "
            "written (write NaN where there is no reading)."
        )
        yield caution("ALL_NINES", sentence, readings=count)


def _repeated_value(readings: FloatArray) -> Iterator[Finding]:
    """Say where one exact value comes up again and again among readings that hardly ever repeat."""
    some = thinned(readings, _SOME)
    values, counts = np.unique(some[np.isfinite(some)], return_counts=True)
    if len(counts) < _FEWEST_DISTINCT:
        return
    top = int(np.argmax(counts))
    often, others = int(counts[top]), np.delete(counts, top)
    fine = len(others) > 0.5 * others.sum()
    if not fine or often <= _OFTEN * (others.sum() + often) or often < _FAR_ABOVE * others.max():
        return
    value = float(values[top])
    count = int(np.count_nonzero(readings == value))
    sentence = (
        f"{count} of {len(readings)} readings are exactly {value:.12g} while the others hardly ever repeat, "
        "as where a value stands for no reading; it was read as written (write NaN where there is none)."
    )
    yield caution("REPEATED_VALUE", sentence, value=value, readings=count)


_FIRST, _LAST = 9, 3
_LAST_BYTES = 1 << 12


def prediction_findings(log: LogText, layout: Layout) -> Iterator[Finding]:
    """Say where a column of words holds one word up to a row and another one from there to the end."""
    form = layout.form
    columns = [i for i, kind in enumerate(form.kinds) if kind == "text" and i != layout.time]
    if not (columns and form.separator and log.text):
        return
    first = [line for _, line in itertools.islice(row_lines(log, form), _FIRST)]
    tail = log.text[-_LAST_BYTES:].splitlines()[1:]
    last = [line for raw in tail if (line := row_in(raw, form))][-_LAST:]
    for index in columns:
        before, after = (set(cells_at(lines, index, form)) for lines in (first, last))
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
            yield caution("MARKED_OTHERWISE", sentence, line=changed)


def _one_change(log: LogText, form: Form, index: int, usual: str, other: str) -> int | None:
    """Return the line where one word gives way to the other, ``None`` where they change more than once."""
    changed = None
    for number, line in row_lines(log, form):
        word = cells_at([line], index, form)
        if word == [other if changed is None else usual]:
            if changed is not None:
                return None
            changed = number
        elif word != [usual if changed is None else other]:
            return None
    return changed
