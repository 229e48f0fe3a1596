"""Missing samples: counted and located, never filled in."""

from __future__ import annotations

import numpy as np

from evenbeat.findings import Finding
from evenbeat.record import Record
from evenbeat.units import duration_text


def with_gaps_reported(record: Record) -> Record:
    """Return the record with a finding on its missing samples, unless its log has given one."""
    if any(finding.code in ("GAPS", "NO_GAPS") for finding in record.findings):
        return record
    missing = np.isnan(record.values)
    count = int(np.count_nonzero(missing))
    if not count:
        sentence = f"No sample is missing: {len(record)} follow each other without a gap."
        return record.with_findings(Finding(code="NO_GAPS", severity="good", sentence=sentence))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], missing, [False]]).astype(np.int8)))
    lengths = edges[1::2] - edges[::2]
    longest_s = float(lengths.max()) * record.interval_s
    sentence = (
        f"{count} samples are missing in {len(lengths)} gap{'s' * (len(lengths) > 1)}, the longest "
        f"{duration_text(longest_s)}; they stay missing, nothing was filled in."
    )
    values = {"missing": count, "gaps": len(lengths), "longest_s": longest_s}
    return record.with_findings(Finding(code="GAPS", severity="note", sentence=sentence, values=values))
