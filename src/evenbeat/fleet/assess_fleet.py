"""``assess_fleet``: when which instrument of a fleet is due; and the list noted in its register."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.calibration.tolerance import LONGEST_S, Tolerance, ToleranceLike
from evenbeat.errors import InputError
from evenbeat.findings import Finding, Severity, caution
from evenbeat.fleet.due import DueInstrument, DueList
from evenbeat.fleet.judged import Question, histories_by_class, judge_histories, judge_logs, made_ready
from evenbeat.fleet.members import members_of
from evenbeat.fleet.usual import learned_priors
from evenbeat.fleet.workers import Progress, handed_out, software, usual_processes
from evenbeat.quantities import DEFAULT_CONFIDENCE, checked_probability, need_not_negative, need_positive
from evenbeat.register.facts import KeptAssessment, day_of
from evenbeat.register.promises import realised_reliability
from evenbeat.register.register import Draft, Register, canonical_text
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, counted

if TYPE_CHECKING:
    import pandas as pd

CHUNK = 250
"""Histories judged at once: small enough for memory and progress, large enough for speed."""
WORTH_A_PROCESS = 1500
"""From so many instruments on the start of further processes pays."""


def assess_fleet(
    source: Register | str | Path | pd.DataFrame,
    *,
    on: str | date,
    tolerance: ToleranceLike | None = None,
    reliability: float = DEFAULT_CONFIDENCE,
    soon_d: float = 30.0,
    longest_interval_s: float | None = None,
    first_interval_s: float = SECONDS_PER_YEAR,
    environment_uncertainty: float = 0.0,
    transport_uncertainty: float = 0.0,
    reference_uncertainty: float = 0.0,
    log_options: Mapping[str, Any] | None = None,
    processes: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> DueList:
    """Say when every instrument of a fleet is due.

    Parameters
    ----------
    source
        A register; a table of calibrations with a column ``instrument`` (see
        :mod:`evenbeat.register.tables`) as file or frame; or a folder of logs, one instrument each.
    on
        The day of the list, ISO: probabilities are for it, and calibrations after it are left out.
    tolerance
        Limits of the fractional offset for instruments that state none themselves: ``1e-8`` for ±1e-8, or
        ``(-5e-9, 1e-8)``.
    reliability
        Probability of being within tolerance at every moment of the interval.
    soon_d
        Within how many days after ``on`` an instrument counts as due soon.
    longest_interval_s
        What policy allows at most; 40 years by default.
    first_interval_s
        What is allowed at most after a single calibration; one year by default (common practice).
    environment_uncertainty, transport_uncertainty, reference_uncertainty
        As for :func:`evenbeat.suggest_interval`, for every instrument.
    log_options
        What the logs of a folder do not say themselves, as keywords of :func:`evenbeat.read_log`; of a table
        ``date_order`` and ``nominal_frequency_hz`` count.
    processes
        How many processes work here; by default one for each core where it is worth it. The result does not
        depend on it.
    cluster
        Address of a Dask scheduler that does the work instead, such as ``tcp://127.0.0.1:8786``; needs
        the extra ``fleet``. Its workers need evenbeat and, for a folder, the same paths.
    progress
        Called with the number of instruments done and their total.

    Returns
    -------
    DueList
        The most urgent first; instruments that the register says are retired, lost or out of use come last
        and are never overdue. A register is verified first.

    Raises
    ------
    LogError
        If the source as a whole cannot be read. A single instrument that cannot be used stands in the list
        with its reason.
    InputError
        If an option cannot be used, or the cluster does not answer.

    Notes
    -----
    Histories: the model of :func:`evenbeat.fit_history`; what is usual for a class is learned from eight or
    more instruments of it in the fleet, and said. No interval exceeds twice the longest one observed; due
    days are rounded down (ILAC-G24:2022/OIML D 10; common practice). Logs: :func:`evenbeat.assess`.

    Examples
    --------
    >>> import evenbeat as eb
    >>> due = eb.assess_fleet(eb.demo_data("fleet-history.csv"), on="2026-08-20")
    >>> due.to_frame().columns[0]
    'instrument'

    References
    ----------
    Source: suggest_interval and fit_history for each instrument
    Tests: tests/fleet/test_assess_fleet.py
    """
    limits = None if tolerance is None else Tolerance.of(tolerance)
    uncertainties = {
        "environment_uncertainty": environment_uncertainty,
        "transport_uncertainty": transport_uncertainty,
        "reference_uncertainty": reference_uncertainty,
    }
    need_not_negative(**uncertainties)
    need_positive(soon_d=soon_d, longest_interval_s=longest_interval_s, first_interval_s=first_interval_s)
    question = Question(
        on=day_of(on),
        tolerance=limits,
        reliability=checked_probability(reliability, "reliability"),
        soon=timedelta(days=soon_d),
        longest_s=longest_interval_s or LONGEST_S,
        first_s=first_interval_s,
        log_options=dict(log_options or {}),
        environment_uncertainty=environment_uncertainty,
        constant=math.hypot(*uncertainties.values()),
    )
    stated = (question.log_options.get(name) for name in ("date_order", "nominal_frequency_hz"))
    members, described, assumed, held = members_of(source, *stated)
    realised = None if held is None else realised_reliability(held)
    if realised is not None and realised.promises:
        sentence = f"Earlier promises of this register: {realised._headline()}."
        severity: Severity = "caution" if realised.whole.verdict == "below what was promised" else "note"
        assumed = (*assumed, Finding(code="REALISED_RELIABILITY", severity=severity, sentence=sentence))
    if not members:
        msg = "the fleet holds no instrument; add one, or a calibration, first"
        raise InputError(msg)
    logs = any(member.log is not None for member in members)
    if processes is None:
        processes = usual_processes() if logs or len(members) >= WORTH_A_PROCESS else 1
    elif processes < 1:
        msg = f"processes is {processes}; it must be 1 or more"
        raise InputError(msg)
    work: dict[str, Any] = {"progress": progress, "processes": processes, "cluster": cluster}
    if logs:
        lines, findings = handed_out(judge_logs, question, [[one] for one in members], **work)
    else:
        ready = made_ready(question, members)
        priors, learned = learned_priors(histories_by_class(ready))
        question, assumed = replace(question, priors=priors), (*assumed, *learned)
        chunks = [ready[at : at + CHUNK] for at in range(0, len(ready), CHUNK)]
        lines, findings = handed_out(judge_histories, question, chunks, **work)
    unevaluated = sum(line.state == "not evaluated" for line in lines)
    if unevaluated:
        sentence = f"{counted(unevaluated, 'instrument')} could not be evaluated; each says why."
        findings.append(caution("NOT_EVALUATED", sentence, instruments=unevaluated))
    return DueList(
        on=question.on,
        instruments=tuple(sorted(lines, key=lambda line: _urgency(line, question.on))),
        settings={
            "tolerance": None if limits is None else limits.stated,
            "reliability": reliability,
            "soon_d": soon_d,
            "longest_interval_d": question.longest_s / SECONDS_PER_DAY,
            "first_interval_d": question.first_s / SECONDS_PER_DAY,
            **uncertainties,
        },
        source=described,
        software=dict(software()),
        realised=realised,
        findings=(*assumed, *findings),
    )


def keep_list(register: Register, due: DueList) -> int:
    """Add one assessment for every instrument in use of a list, in one transaction; return how many.

    The hash of each is the SHA-256 of its line as JSON: keys in order, no blanks, UTF-8.
    """
    if due.source.get("name") != register.path.name:
        msg = f"the list was made from {due.source.get('name')}, not from {register.path.name}"
        raise InputError(msg)
    drafts = []
    for one in due.instruments:
        if one.state == "not in use":
            continue
        text = canonical_text(one.to_dict())
        kept = KeptAssessment(
            instrument=one.instrument,
            date=due.on.isoformat(),
            headline=f"{one.state}: {one.reason}",
            interval_s=one.interval_s,
            due=None if one.due is None else one.due.isoformat(),
            tolerance=None
            if isinstance(one.tolerance, float) and math.isnan(one.tolerance)
            else one.tolerance,
            reliability=float(str(due.settings["reliability"])),
            sha256=hashlib.sha256(text.encode()).hexdigest(),
            source=f"due list of {due.on.isoformat()}",
            software=due.software,
        )
        drafts.append(Draft(fact=kept))
    return len(register.append(drafts))


def _urgency(line: DueInstrument, on: date) -> tuple[date, int, float, str]:
    """Sort by due day; those not evaluated come right after the overdue; then the less probable first.

    Those not in use come last.
    """
    probability = 1.0 if math.isnan(line.probability_within) else line.probability_within
    day = date.max if line.state == "not in use" else line.due or on
    return (day, int(line.due is None), probability, line.instrument)
