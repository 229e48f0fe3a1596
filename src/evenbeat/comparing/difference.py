"""``difference``: two records against one reference, or one through a record of its reference.

With frequencies as ratios, f₁/f₂ = (1 + y₁)/(1 + y₂) and f₁/f₀ = (1 + y₁)(1 + y₂); the difference and the
sum of the offsets are these to first order, and the exact ones are used.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np

from evenbeat.comparing.alignment import Aligned, aligned
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution
from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record, Source, Treatment, check_record
from evenbeat.units import duration_text


def difference(
    first: Record,
    second: Record,
    *,
    through: bool = False,
    offset_s: float | None = None,
    part_interval: str = "refuse",
    common_reference: bool | None = None,
) -> Record:
    """Return the first oscillator against the second, both of which were recorded against one reference.

    Parameters
    ----------
    first, second
        Records of the two oscillators; conditioned or not. Samples that either leaves out are left out,
        steps of either stay known.
    through
        ``True`` says that the second is a record of the first one's own reference against a better one,
        positive where that reference is fast or ahead: the result is the first against the better one.
    offset_s
        Start of the second record after that of the first in seconds, where they state none or another
        is right.
    part_interval
        ``refuse`` (default) samples that lie more than a twentieth of an interval apart in time, or
        ``accept`` them as simultaneous.
    common_reference
        ``True`` says that both references are the same although they are named differently.

    Returns
    -------
    Record
        Over the time that both share, at the longer interval; gaps of either are gaps. Frequencies
        where one record holds frequencies.

    Raises
    ------
    InputError
        If the references are named differently, or the samples cannot be brought together without a
        guess; the sentence names the option.

    Notes
    -----
    The reference's own noise and drift cancel where both were measured in the same moments. Noise of the
    two counters does not.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20)
    >>> one, other = (eb.simulate_clock(500, interval_s=1, levels=noise, seed=seed) for seed in (1, 2))
    >>> between = eb.difference(one, other, offset_s=0)
    >>> len(between), between.kind
    (500, 'frequency')

    References
    ----------
    Formula: y = y₁ - y₂; through a record of the reference y = y₁ + y₂
    Source: IEEE Std 1139 (sign of differences)
    Tests: tests/comparing/test_difference.py
    """
    for record in (first, second):
        check_record(record, grid_for="difference")
    if through:
        if common_reference is not None:
            msg = "common_reference is given with through=True, where the references are two; leave one out"
            raise InputError(msg)
        reference = second.reference or "the better reference"
        code, doubt = "REFERENCE_CORRECTED", ""
        sentence = (
            f"The offset of the reference, as {_name(second, 'the second record')} shows it, was added, so "
            f"that the record now stands against {reference}; the noise of that measurement is in it."
        )
    else:
        described, doubt = _common_reference(first, second, stated=common_reference)
        reference = f"the oscillator of {_name(second, 'the second record')}"
        code = "REFERENCE_CANCELS"
        sentence = (
            f"The difference of two records against {described}: what the reference did in common is gone "
            f"from it, the noise of both measurements is in it{doubt}."
        )
    pair = aligned(first, second, offset_s=offset_s, part_interval=part_interval)
    finding = Finding(code=code, severity="caution" if doubt else "note", sentence=sentence)
    return _joined(pair, through=through, reference=reference, findings=(finding, *_gate_finding(pair)))


def _common_reference(first: Record, second: Record, *, stated: bool | None) -> tuple[str, str]:
    """Return how the reference of both is called, and what is doubtful; refuse two named differently."""
    names = first.reference.strip(), second.reference.strip()
    if all(names) and names[0].casefold() != names[1].casefold():
        if not stated:
            msg = (
                f"the first record is against '{names[0]}' and the second against '{names[1]}'; their "
                "difference would hold both: say that they are the same with common_reference=True, or "
                "bring one to the other's with eb.difference(record, reference, through=True)"
            )
            raise InputError(msg)
        return f"one reference ({names[0]}, also named {names[1]})", ""
    doubt = "; that it was the same reference at the same time was assumed (common_reference=True says so)"
    return names[0] or names[1] or "one reference", "" if stated or all(names) else doubt


def _name(record: Record, otherwise: str) -> str:
    return record.source.name if record.source is not None else otherwise


def _gate_finding(pair: Aligned) -> tuple[Finding, ...]:
    gates = [record.gate_s or record.interval_s for record in (pair.first, pair.second)]
    interval = pair.first.interval_s
    if pair.first.kind == "phase" or min(gates) > 0.999 * interval:
        return ()
    sentence = (
        f"Gates of {duration_text(gates[0])} and {duration_text(gates[1])} are compared, one each "
        f"{duration_text(interval)}; they do not cover the same time, so the reference cancels in part only."
    )
    return (
        caution(
            "DIFFERENT_GATES", sentence, first_gate_s=gates[0], second_gate_s=gates[1], interval_s=interval
        ),
    )


def _joined(pair: Aligned, *, through: bool, reference: str, findings: tuple[Finding, ...]) -> Record:
    first, second, sign = pair.first, pair.second, 1.0 if through else -1.0
    one, other = (np.asarray(record.values, dtype=float) for record in (first, second))
    values: FloatArray = one + sign * other
    if first.kind == "frequency":  # of frequencies as ratios
        values = one + other + one * other if through else (one - other) / (1 + other)
    if np.isnan(values).all():
        msg = "the records have no sample in common: where one holds a reading the other has a gap"
        raise InputError(msg)
    gates = [record.gate_s for record in (first, second)]
    steps = [record.resolution for record in (first, second) if record.resolution is not None]
    both = set(first.covariates) & set(second.covariates)
    covariates: dict[str, FloatArray] = {}
    flags: list[Flag] = []
    doubts: list[Finding] = []
    history: list[Treatment] = []
    files: dict[str, str] = {}
    for which, record, turn in (("first", first, 1.0), ("second", second, sign)):
        covariates |= {f"{which}_{k}" if k in both else k: column for k, column in record.covariates.items()}
        flags += [
            replace(
                flag,
                sentence=f"In the {which} record: {flag.sentence}",
                size=None if flag.size is None else turn * flag.size,
                put_back_s=None if flag.put_back_s is None else turn * flag.put_back_s,
            )
            for flag in record.flags
        ]
        doubts += [
            replace(
                found,
                code=f"{which.upper()}_{found.code}",
                sentence=f"{which.capitalize()} record: {found.sentence}",
            )
            for found in record.findings
            if found.severity in ("caution", "stop")
        ]
        history += [replace(step, operation=f"{which}: {step.operation}") for step in record.history]
        files[f"{which}_file"] = "none" if record.source is None else record.source.name
        files[f"{which}_sha256"] = record.source.sha256 if record.source else record.fingerprint()
    return replace(
        first,
        values=values,
        gate_s=gates[0] if gates[0] == gates[1] else None,
        covariates=covariates,
        reference=reference,
        resolution=max(steps, default=None),  # the coarser display shows in the difference
        removed_frequency=first.removed_frequency + sign * second.removed_frequency,
        stamp_offset_s=None,
        flags=tuple(flags),
        findings=(*findings, *pair.findings, *doubts),
        history=(*history, Treatment(operation="difference", arguments={**files, "through": through})),
        checks=(),
        source=_source(first, second, "through" if through else "minus"),
        ledger=None,
        truth=None,
    )


def _source(first: Record, second: Record, word: str) -> Source | None:
    if first.source is None or second.source is None:
        return None
    joined = f"{word} {first.source.sha256} {second.source.sha256}"
    return Source(
        path=f"{first.source.name} {word} {second.source.name}",
        sha256=hashlib.sha256(joined.encode()).hexdigest(),
        size_bytes=first.source.size_bytes + second.source.size_bytes,
        rows=first.source.rows + second.source.rows,
        parts=(first.source, second.source),
    )
