"""What conditioning did, check by check, as a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.conditioning.condition import TITLES, condition
from evenbeat.conditioning.sawtooth import with_sawtooth
from evenbeat.findings import note
from evenbeat.quantities import FloatArray
from evenbeat.record import CheckOutcome, Record, check_record
from evenbeat.result import Column, Result, filled
from evenbeat.units import counted


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ConditioningReport(Result):
    """What every check of a record looked at, found, and set aside; ``eb.plot`` draws before and after.

    Attributes
    ----------
    record
        The conditioned record.
    checks
        One outcome for each check, in the order in which they were made.
    """

    record: Record
    checks: tuple[CheckOutcome, ...]

    _row_objects = "checks"

    def of(self, check: str) -> CheckOutcome:
        """Return the outcome of one check by its name.

        Raises
        ------
        KeyError
            If there is no such check.
        """
        return {outcome.check: outcome for outcome in self.checks}[check]

    def logged_values(self) -> FloatArray:
        """Return the samples before conditioning changed any: wraps back in, a receiver's correction off."""
        values = np.array(with_sawtooth(self.record), dtype=float)
        for flag in self.record.flags:
            if flag.put_back_s is not None:
                values[flag.start :] -= flag.put_back_s
        return values

    def used_values(self) -> FloatArray:
        """Return what analyses use: samples set aside missing, known steps taken out."""
        return self.record.usable_values(without_steps=True)

    def _facts(self) -> Mapping[str, object]:
        record = self.record
        return {
            "samples": len(record),
            "set_aside": record.excluded,
            "missing": record.missing,
            "checks": self.checks,
        }

    def _headline(self) -> str:
        made = [outcome for outcome in self.checks if outcome.looked]
        return (
            f"Conditioning of {len(self.record)} samples: {len(made)} of {len(self.checks)} checks made, "
            f"{sum(outcome.found > 0 for outcome in made)} found something, "
            f"{counted(self.record.excluded, 'sample')} set aside, none deleted"
        )

    def _columns(self) -> tuple[Column, ...]:
        made = [outcome for outcome in self.checks if outcome.looked]
        return (
            Column("", [TITLES[outcome.check] for outcome in made], "check"),
            Column("", [outcome.looked_at for outcome in made], "looked at"),
            Column("", [outcome.found for outcome in made], "found"),
            Column("", [outcome.set_aside for outcome in made], "set aside"),
        )

    def __str__(self) -> str:
        notes = [
            filled(f"{TITLES[outcome.check]}: {note_of(outcome)}", rest="    ")
            for outcome in self.checks
            if outcome.found and note_of(outcome)
        ]
        return "\n".join([super().__str__(), *notes])


def note_of(outcome: CheckOutcome) -> str:
    """Return where something was found and what to do about it."""
    said = [part for part in (outcome.where, outcome.advice.rstrip(".")) if part]
    return ". ".join(said) + "." * bool(said)


def conditioning_report(record: Record) -> ConditioningReport:
    """Return what conditioning did to a record, check by check.

    Parameters
    ----------
    record
        As :func:`evenbeat.condition` returned it; one that was not conditioned yet is conditioned here,
        with every check.

    Returns
    -------
    ConditioningReport
        A row for each check: what it looked at, found and set aside.

    Raises
    ------
    InputError
        If it is not a record.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> report = eb.conditioning_report(eb.condition(record))
    >>> "outliers" in report.to_frame()["check"].tolist()
    True

    References
    ----------
    Source: what condition did, in words
    Tests: tests/figures/test_plot.py
    """
    check_record(record)
    if not record.checks:
        record = condition(record)
    why: dict[str, list[str]] = {}
    for outcome in record.checks:
        if not outcome.looked:
            why.setdefault(outcome.looked_at, []).append(TITLES[outcome.check])
    told = "; ".join(f"{', '.join(titles)} ({reason})" for reason, titles in why.items())
    findings = (note("CHECKS_NOT_MADE", f"Checks not made: {told}."),) if told else ()
    return ConditioningReport(record=record, checks=record.checks, findings=findings)
