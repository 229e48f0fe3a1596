"""Findings about the form of a log: what was skipped, missing, unused, assumed or taken from comments."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from evenbeat.findings import Finding, Severity
from evenbeat.logs.form.headers import column_meaning
from evenbeat.logs.layout import Layout
from evenbeat.logs.rows.lines import HARMLESS
from evenbeat.logs.rows.tables import Columns
from evenbeat.logs.terms import Statements


def form_findings(layout: Layout, table: Columns) -> tuple[Finding, ...]:
    """Return what is to be known about how the log was read."""
    return (*_layout_remarks(layout), *_table_remarks(layout, table))


def _layout_remarks(layout: Layout) -> Iterator[Finding]:
    form = layout.form
    said = _said(layout.statements)
    if said:
        sentence = f"Comment lines of the log state {', '.join(said)}."
        yield Finding(code="STATED_IN_COMMENTS", severity="note", sentence=sentence)
    if form.skipped:
        sentence = (
            f"{len(form.skipped)} line(s) of text before the first row were not understood and were skipped: "
            f"{numbered(form.skipped)}."
        )
        yield Finding(
            code="SKIPPED_LINES", severity="note", sentence=sentence, values={"lines": len(form.skipped)}
        )
    if form.decimal == ",":
        sentence = "Commas in the numbers were taken as decimal marks."
        yield Finding(code="DECIMAL_COMMA", severity="note", sentence=sentence)
    if layout.time_assumed:
        sentence = (
            f"Column {form.label(0)} was taken as the time because it rises evenly (override with --column "
            "time=… or columns={'time': …})."
        )
        yield Finding(code="ASSUMED_TIME_COLUMN", severity="caution", sentence=sentence)
    if layout.unused:
        names = ", ".join(form.label(i) for i in layout.unused)
        sentence = f"These columns of numbers were not used: {names}."
        yield Finding(code="UNUSED_COLUMNS", severity="note", sentence=sentence, values={"columns": names})


def _said(statements: Statements) -> list[str]:
    named = (
        ("quantity", statements.quantity),
        ("unit", statements.unit),
        ("nominal frequency", _with_unit(statements.nominal_frequency_hz, "Hz")),
        ("interval", _with_unit(statements.interval_s, "s")),
        ("gate", _with_unit(statements.gate_s, "s")),
        ("reference", statements.reference or None),
        ("counter weighting", statements.counter_weighting),
        ("that readings are of the", statements.reading_of),
        ("elapsed time since", statements.start),
    )
    return [f"{name} {value}" for name, value in named if value is not None]


def _with_unit(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:.12g} {unit}"


def _table_remarks(layout: Layout, table: Columns) -> Iterator[Finding]:
    missing = int(np.count_nonzero(np.isnan(table.numbers[layout.value])))
    if missing:
        sentence = f"{missing} of {table.rows} rows hold no reading (empty, NaN or a text such as OVLD)."
        values = {"missing": missing, "rows": table.rows}
        yield Finding(code="MISSING_READINGS", severity="note", sentence=sentence, values=values)
    if table.rejected:
        reasons = Counter(rejected.reason for rejected in table.rejected)
        told = "; ".join(f"{count} × {reason}" for reason, count in reasons.most_common(3))
        sentence = (
            f"{len(table.rejected)} line(s) were rejected as no row of the log "
            f"({numbered([rejected.line for rejected in table.rejected])}): {told}."
        )
        values = {"rejected": len(table.rejected), "first_line": table.rejected[0].line}
        harmless = all(reason in HARMLESS for reason in reasons)
        severity: Severity = "note" if harmless else "caution"
        yield Finding(code="REJECTED_LINES", severity=severity, sentence=sentence, values=values)
    empty = [c.name for c in layout.covariates if np.isnan(table.numbers[c.index]).all()]
    if empty:
        sentence = f"These columns hold no reading at all and were left out: {', '.join(empty)}."
        yield Finding(code="EMPTY_COLUMNS", severity="note", sentence=sentence)
    unstated = [
        c.name
        for c in layout.covariates
        if c.name.endswith("_c")
        and c.index < len(layout.form.header)
        and _no_unit(layout.form.header[c.index])
    ]
    if unstated:
        sentence = f"The log states no unit for {', '.join(unstated)}; degrees Celsius were assumed."
        yield Finding(code="ASSUMED_CELSIUS", severity="note", sentence=sentence)


def numbered(lines: Sequence[int]) -> str:
    """Return line numbers as people say them, the first few."""
    named = ", ".join(str(line) for line in lines[:5]) + (", …" if len(lines) > 5 else "")
    return f"line{'s' * (len(lines) > 1)} {named}"


def _no_unit(name: str) -> bool:
    return column_meaning(name).unit is None
