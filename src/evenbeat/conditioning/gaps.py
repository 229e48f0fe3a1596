"""Missing samples: counted and located, never filled in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenbeat.conditioning.places import counted, places_text
from evenbeat.findings import Finding
from evenbeat.record import Record
from evenbeat.units import duration_text

NAME = "gaps"


def with_gaps_reported(record: Record) -> Record:
    """Return the record with a finding on its missing samples, in place of what its reader said of them."""
    record = replace(record, findings=tuple(f for f in record.findings if f.code not in ("GAPS", "NO_GAPS")))
    missing = np.isnan(record.values)
    count = int(np.count_nonzero(missing))
    looked_at = counted(len(record), "place on the grid", "places on the grid")
    if not count:
        sentence = f"No sample is missing: {len(record)} follow each other without a gap."
        finding = Finding(code="NO_GAPS", severity="good", sentence=sentence)
        return record.with_findings(finding).checked(NAME, looked_at)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], missing, [False]]).astype(np.int8)))
    lengths = edges[1::2] - edges[::2]
    longest_s = float(lengths.max()) * record.interval_s
    sentence = (
        f"{counted(count, 'reading is', 'readings are')} missing in {counted(len(lengths), 'gap')}, the "
        f"longest {duration_text(longest_s)}; {'it stays' if count == 1 else 'they stay'} missing, nothing "
        "was filled in."
    )
    values = {"missing": count, "gaps": len(lengths), "longest_s": longest_s}
    finding = Finding(code="GAPS", severity="note", sentence=sentence, values=values)
    longest_first = edges[::2][np.argsort(-lengths, kind="stable")]
    return record.with_findings(finding).checked(
        NAME,
        looked_at,
        found=len(lengths),
        where=f"longest {duration_text(longest_s)}: {places_text(record, longest_first[:1])}",
        advice=_advice(record, longest_s),
    )


def _advice(record: Record, longest_s: float) -> str:
    if record.kind == "phase":
        return "Nothing: phase carries the time error across a gap."
    return (
        f"Averages longer than a gap leave it out; of the time error gained in {duration_text(longest_s)} "
        "nothing is known."
    )
