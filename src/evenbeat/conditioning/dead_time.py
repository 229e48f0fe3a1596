"""Dead time between gates: how much of the time was measured."""

from __future__ import annotations

from evenbeat.conditioning.places import counted
from evenbeat.findings import Finding
from evenbeat.record import Record
from evenbeat.units import duration_text

NAME = "dead_time"
_NONE = 1e-9


def with_dead_time_reported(record: Record) -> Record:
    """Return the record with a finding on the share of the time that its gates measured."""
    if record.kind == "phase":
        return record.checked(NAME, "phase has no gates", looked=False)
    if record.gate_s is None:
        return record.checked(
            NAME,
            "no gate stated",
            looked=False,
            advice="State the gate with gate_s (--gate) if readings do not follow each other at once.",
        )
    looked_at = counted(len(record), "gate")
    share = record.gate_s / record.interval_s
    if share >= 1 - _NONE:
        return record.checked(NAME, looked_at)
    sentence = (
        f"{share:.3g} of the time was measured: gates of {duration_text(record.gate_s)} start every "
        f"{duration_text(record.interval_s)}."
    )
    values = {"gate_s": record.gate_s, "interval_s": record.interval_s, "measured_share": share}
    finding = Finding(code="MEASURED_SHARE", severity="note", sentence=sentence, values=values)
    return record.with_findings(finding).checked(
        NAME,
        looked_at,
        found=len(record) - record.missing,
        where=f"{1 - share:.2g} of each interval",
        advice="Correct the curve with eb.corrected_for_dead_time; the clock model allows for it by itself.",
    )
