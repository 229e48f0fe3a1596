"""Readings that show the display as well as the oscillator, or the display alone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from evenbeat.conditioning.local_noise import present, spread
from evenbeat.conditioning.places import counted
from evenbeat.findings import Finding, Severity
from evenbeat.logs.display import display_step
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text

NAME = "display"
FEW_VALUES = 3
"""A log with no more distinct readings than this shows its display, not its oscillator."""
_REPEATS = 4
_VISIBLE = 0.1


def with_resolution_reported(record: Record) -> Record:
    """Return the record with its display step and a finding on what the step hides.

    Notes
    -----
    A step q adds white FM of standard deviation q/√12 per gate to frequencies and white PM of q/√12 to
    time errors, whose Allan deviation is q/(2 tau) (uniform rounding error; common practice). Not
    valid for readings that do not wander over several steps: their error is not random.
    """
    values = record.usable_values(without_steps=False)
    samples = values[present(values)]
    looked_at = counted(len(samples), "reading")
    if not len(samples):
        return record.checked(NAME, looked_at, looked=False)
    distinct = len(np.unique(samples))
    step = record.resolution or display_step(samples, None)
    if record.resolution is None and step is not None:
        record = replace(record, resolution=step).treated(NAME, step=step)
    if distinct <= FEW_VALUES and len(samples) >= _REPEATS * distinct:
        return record.with_findings(_limited(record, distinct, step)).checked(
            NAME,
            looked_at,
            found=1,
            where=counted(distinct, "distinct value"),
            advice="Use a longer gate, more digits or a phase comparison.",
        )
    if step is None:
        return record.checked(NAME, looked_at, where="no step found")
    noise = _noise(samples, record.kind)
    if step / math.sqrt(12) < _VISIBLE * noise:
        sentence = f"The display step of {_size(record, step)} is too fine to matter beside the noise."
        return record.with_findings(
            Finding(code="FINE_DISPLAY", severity="good", sentence=sentence, values={"step": step})
        ).checked(NAME, looked_at, where=f"step {_size(record, step)}")
    return record.with_findings(_quantised(record, distinct, step, noise)).checked(
        NAME,
        looked_at,
        found=1,
        where=f"step {_size(record, step)}",
        advice=f"Averaging lowers it {_law(record)}; a longer gate or more digits lower it at once.",
    )


def _noise(samples: FloatArray, kind: str) -> float:
    """Return the scatter from one sample to the next, the slope of a phase record removed."""
    steps = np.diff(samples, n=1 if kind == "frequency" else 2)
    scale = math.sqrt(2) if kind == "frequency" else math.sqrt(6)
    robust = spread(steps) / scale
    return robust if robust > 0 else float(np.std(steps)) / scale


def _size(record: Record, step: float) -> str:
    return f"{step:.3g} s" if record.kind == "phase" else f"{step:.3g} (fractional)"


def floor_at_interval(record: Record, step: float) -> float:
    """Return the Allan deviation at the interval that rounding to ``step`` alone would show."""
    if record.kind == "phase":
        return step / (2 * record.interval_s)
    return step / math.sqrt(12)


def _quantised(record: Record, distinct: int, step: float, noise: float) -> Finding:
    """Say how much of the scatter between neighbours rounding can explain."""
    floor = floor_at_interval(record, step)
    share = min(1.0, step**2 / 12 / noise**2) if noise > 0 else 1.0
    interval = duration_text(record.interval_s)
    if share > 0.5:
        meaning = f"so that short averaging times show the display; it falls {_law(record)}"
    else:
        meaning = f"which is {share:.0%} of the variance seen there"
    sentence = (
        f"Readings come in display steps of {_size(record, step)} ({distinct} distinct values); rounding "
        f"alone gives an Allan deviation of about {floor:.2g} at {interval}, {meaning}."
    )
    values = {
        "step": step,
        "distinct": distinct,
        "allan_floor_at_interval": floor,
        "interval_s": record.interval_s,
        "share_of_variance": share,
    }
    severity: Severity = "caution" if share > 0.5 else "note"
    return Finding(code="QUANTISED", severity=severity, sentence=sentence, values=values)


def _law(record: Record) -> str:
    return "as 1/τ" if record.kind == "phase" else "as 1/√τ"


def _limited(record: Record, distinct: int, step: float | None) -> Finding:
    what = "All readings are the same value" if distinct == 1 else f"The readings take only {distinct} values"
    bound = f"; changes below one step of {_size(record, step)} are not seen" if step else ""
    sentence = f"{what}: the display, not the oscillator, limits the result{bound}."
    values: dict[str, float | int | str] = {"distinct": distinct}
    if step:
        values |= {"step": step, "allan_floor_at_interval": floor_at_interval(record, step)}
    return Finding(code="DISPLAY_LIMITED", severity="caution", sentence=sentence, values=values)
