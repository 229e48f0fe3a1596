"""From what is stated of a log to its assessment: how it is read, treated and what is asked of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from evenbeat.assessment.assess import Assessment, Progress, assess, part_of_log
from evenbeat.assessment.case import DecisionBasis
from evenbeat.bench import Stated
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.environment import Influence
from evenbeat.comparing.difference import difference
from evenbeat.conditioning.condition import condition
from evenbeat.errors import InputError
from evenbeat.logs.reader import read_log
from evenbeat.quantities import Estimate
from evenbeat.record import Record

FOR_FILE = ("rule_chosen_on", "decided_by", "decided_on")


def assess_stated(
    stated: Stated, record: Record, question: Mapping[str, Any], progress: Progress | None = None
) -> Assessment:
    """Return the assessment of a record, which tells in its settings all that was stated."""
    found = assess(record, **question, progress=progress)
    return replace(found, settings={**found.settings, **stated.settings()})


def asked_of_log(stated: Stated) -> dict[str, Any]:
    """Return what is asked, as keywords of :func:`evenbeat.assess`."""
    for name in ("history_from", "instrument"):
        if name in stated.typed and stated["history"] is None:
            msg = f"{name} is given without history; it selects calibrations of that table"
            raise InputError(msg)
    environment, instruments = stated["environment"], stated["instrument"] or ()
    if len(instruments) > 1:
        msg = f"instrument names {', '.join(instruments)}; a log is of one instrument"
        raise InputError(msg)
    basis, guard_band = decision_basis(stated, for_file=stated["file_record"]), stated["guard_band"]
    if basis is not None and not stated["file_record"]:  # the rule counts, its record is not made
        if guard_band is None and stated["tolerance"] is not None:
            limits = Tolerance.of(stated["tolerance"])
            guard_band = basis.guard_band(limits, stated["reference_uncertainty"]) or None
        basis = None
    plain = ("tolerance", "reliability", "reference_uncertainty", "aging", "oscillator_class", "date_order")
    return {name: stated[name] for name in (*plain, "history")} | {
        "guard_band": guard_band,
        "as_left": None if stated["as_left"] is None else Estimate.normal(*stated["as_left"]),
        "time_error_limit_s": stated["time_error_limit"],
        "environment": None
        if environment is None
        else [_influence(name) for name in environment if name != "none"],
        "history_from": None if stated["history"] is None else stated["history_from"],
        "instrument": instruments[0] if instruments and stated["history"] is not None else None,
        "basis": basis,
    }


def _influence(text: str) -> str | Influence:
    """Return a covariate, with the order of its curve where ``NAME:ORDER`` states one."""
    name, colon, order = text.rpartition(":")
    return Influence(name, order=int(order)) if colon and order.isdigit() else text


def decision_basis(stated: Stated, *, for_file: bool) -> DecisionBasis | None:
    """Return the rule and who decides; ``None`` where nothing of it is stated nor a record to be filed."""
    if not for_file:
        vain = [name for name in FOR_FILE if name in stated.typed]
        if vain:
            how = "--set file_record=yes" if stated.command != "history" else "-o FOLDER"
            msg = f"{vain[0]} belongs to the audit record; give {how} too"
            raise InputError(msg)
        if stated["decision_rule"] is None:
            return None
    return DecisionBasis.of(
        stated["decision_rule"] or "simple_acceptance",
        rule_chosen_on=stated["rule_chosen_on"],
        decided_by=stated["decided_by"] or "",
        decided_on=stated["decided_on"],
    )


def _read(stated: Stated, path: str) -> Record:
    record = read_log(path, layout=stated.layout, **stated.keywords("log"))
    return record if stated["on_grid"] is None else record.on_grid(interval_s=stated["on_grid"])


def part_stated(stated: Stated, path: str) -> tuple[Record, float]:
    """Return the part of a log that is asked about, and how long after the log's start it begins."""
    whole = _read(stated, path)
    part = part_of_log(whole, start=stated["from"], stop=stated["until"])
    cuts: list[Mapping[str, Any]] = [cut.arguments for cut in part.history[len(whole.history) :]]
    return part, whole.time_of(sum(cut["first"] for cut in cuts))


def treated_log(stated: Stated, path: str) -> Record:
    """Return the record of a log, conditioned as asked; as it was read where nothing is."""
    record, _ = part_stated(stated, path)
    return condition(record, **stated.keywords("conditioning")) if stated.any_of("conditioning") else record


def compared_logs(stated: Stated, path: str, others: Stated, second: str, *, through: bool) -> Record:
    """Return the record of one log against the oscillator of another, or through it against its reference."""
    options = stated.keywords("conditioning")
    plain = options | {"sawtooth": None, "sawtooth_rows": 0}
    record, cut_s = part_stated(stated, path)
    record, other = condition(record, **options), condition(_read(others, second), **plain)
    record = difference(
        record,
        other,
        through=through,
        offset_s=None if stated["offset"] is None else stated["offset"] - cut_s,
        part_interval=stated["part_interval"],
        common_reference=stated["common_reference"] or None,
    )
    return condition(record, **plain)
