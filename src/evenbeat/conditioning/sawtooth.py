"""The sawtooth of a GNSS receiver's pulse: its own correction, subtracted where the user names its column."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from evenbeat.conditioning.shared import flagged_runs, spread
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import TIME_UNITS, counted, time_text

NAME = "sawtooth"
_BETTER = 0.8
"""Another sign or row is worth telling if the scatter is this much smaller."""


def with_sawtooth_subtracted(record: Record, *, column: str | None, rows: int = 0) -> Record:
    """Return the record with the receiver's correction subtracted, as its history says.

    A receiver places its pulse on the edges of its own clock and reports by how much it is off; logs
    differ in sign and in whether the correction is of this pulse or the next. Both are tried on the
    scatter of second differences, and a better choice is reported, never made.
    """
    if column is None:
        return record.checked(NAME, "no correction column named", looked=False)
    if any(entry.operation == NAME for entry in record.history):
        return record.checked(NAME, "subtracted before", looked=False)
    name, sign = column.removeprefix("-"), -1.0 if column.startswith("-") else 1.0
    correction = sign * _correction(record, name)
    shifted = _later(correction, rows)
    corrected = np.where(np.isnan(shifted), record.values, record.values - shifted)
    without = np.flatnonzero(np.isnan(shifted) & ~np.isnan(record.values))
    before, after = _scatter(record.values), _scatter(record.values - shifted)
    finding = _finding(record, correction, column=column, rows=rows, before=before, after=after)
    flags = flagged_runs(
        without, cause="no_sawtooth", sentence="The correction of this pulse is missing.", excluded=True
    )
    return replace(record, values=corrected).checked(
        NAME,
        counted(int(np.count_nonzero(~np.isnan(shifted))), "correction"),
        flags=flags,
        findings=[finding],
        found=int(np.count_nonzero(shifted[~np.isnan(shifted)])),
        where=f"scatter {time_text(before)} before, {time_text(after)} after",
        advice="" if finding.severity == "good" else finding.sentence.rpartition("; ")[2].capitalize(),
        done={"column": column, "rows": rows},
    )


def with_sawtooth(record: Record) -> FloatArray:
    """Return the samples of a record as they were before a correction was subtracted, if one was."""
    for entry in record.history:
        if entry.operation == NAME:
            column, rows = str(entry.arguments["column"]), int(str(entry.arguments["rows"]))
            sign = -1.0 if column.startswith("-") else 1.0
            shifted = _later(sign * _correction(record, column.removeprefix("-")), rows)
            return np.where(np.isnan(shifted), record.values, record.values + shifted)
    return record.values


def _correction(record: Record, name: str) -> FloatArray:
    """Return the correction in seconds, NaN where missing."""
    if record.kind != "phase":
        msg = "a sawtooth correction belongs to a phase record; this record holds frequencies"
        raise InputError(msg)
    if name not in record.covariates:
        there = ", ".join(record.covariates) or "none"
        msg = f"sawtooth is {name!r}, but the record has no such covariate (there is: {there})"
        raise InputError(msg)
    unit = name.rpartition("_")[2].lower()
    if not re.search("_", name) or unit not in TIME_UNITS:
        msg = f"sawtooth is {name!r}; the name of the covariate must end in its unit, such as sawtooth_ns"
        raise InputError(msg)
    return np.asarray(record.covariates[name], dtype=float) * TIME_UNITS[unit]


def _later(correction: FloatArray, rows: int) -> FloatArray:
    """Return the correction moved down by whole rows, NaN where none is left."""
    row = np.arange(len(correction)) - rows
    return np.where((row >= 0) & (row < len(row)), correction[np.clip(row, 0, len(row) - 1)], np.nan)


def _scatter(values: FloatArray) -> float:
    """Return the robust scatter from pulse to pulse, the slope removed."""
    bends = np.diff(values, n=2)
    return spread(bends[~np.isnan(bends)]) / np.sqrt(6)


def _finding(
    record: Record, correction: FloatArray, *, column: str, rows: int, before: float, after: float
) -> Finding:
    tries = {
        (turn, shift): _scatter(record.values - turn * _later(correction, rows + shift))
        for turn in (1.0, -1.0)
        for shift in (-1, 0, 1)
        if (turn, shift) != (1.0, 0)
    }
    (turn, shift), least = min(tries.items(), key=lambda tried: tried[1])
    text = (
        f"The sawtooth correction {column} was subtracted; the scatter from pulse to pulse went from "
        f"{time_text(before)} to {time_text(after)}"
    )
    values = {"scatter_before_s": before, "scatter_after_s": after, "scatter_least_s": least}
    if least < _BETTER * min(after, before):
        name = column.removeprefix("-")
        other = f"{'' if (turn > 0) == (not column.startswith('-')) else '-'}{name}"
        text += (
            f"; with sawtooth={other!r} and sawtooth_rows={rows + shift} it would be {time_text(least)}: "
            "look it up in the receiver's manual and state that."
        )
        return caution("SAWTOOTH_OTHERWISE", text, **values)
    if after > _BETTER * before:
        text += "; it explains little of the scatter, so check that it belongs to these pulses."
        return caution("SAWTOOTH_OF_NO_USE", text, **values)
    return good("SAWTOOTH", f"{text}.", **values)
