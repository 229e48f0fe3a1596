"""``assess_fleet``: when which instrument of a fleet is due."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.calibration.history_model import LONGEST_S
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding
from evenbeat.fleet.due import DueInstrument, DueList
from evenbeat.fleet.judged import Question, judge_histories, judge_logs
from evenbeat.fleet.members import Member, log_members, register_members, table_members
from evenbeat.fleet.workers import Crew, Progress, software, usual_processes
from evenbeat.quantities import DEFAULT_CONFIDENCE, checked_probability
from evenbeat.register.facts import day_of
from evenbeat.register.register import Register
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR

if TYPE_CHECKING:
    import pandas as pd

CHUNK = 250
"""Histories judged at once: small enough for memory and progress, large enough for speed."""
WORTH_A_PROCESS = 1500
"""From so many instruments on the start of further processes pays."""
SQLITE_BEGINS = b"SQLite format 3\x00"


def assess_fleet(
    source: Register | str | Path | pd.DataFrame,
    *,
    on: str | date,
    tolerance: float | None = None,
    reliability: float = DEFAULT_CONFIDENCE,
    soon_d: float = 30.0,
    longest_interval_s: float | None = None,
    first_interval_s: float = SECONDS_PER_YEAR,
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
        Limit of the fractional offset for instruments that state none themselves.
    reliability
        Probability of being within tolerance at every moment of the interval.
    soon_d
        Within how many days after ``on`` an instrument counts as due soon.
    longest_interval_s
        What policy allows at most; 40 years by default.
    first_interval_s
        What is allowed at most after a single calibration; one year by default (common practice).
    log_options
        What the logs of a folder do not say themselves, as keywords of :func:`evenbeat.read_log`; of a table
        only ``date_order`` counts.
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
        The most urgent first.

    Raises
    ------
    LogError
        If the source as a whole cannot be read. A single instrument that cannot be used stands in the list
        with its reason.
    InputError
        If an option cannot be used, or the cluster does not answer.

    Notes
    -----
    Histories: the model of :func:`evenbeat.fit_history`, its drift integrated in closed form. No interval
    exceeds twice the longest one observed; due days are rounded down (ILAC-G24:2022/OIML D 10; common
    practice). Logs: :func:`evenbeat.assess`.

    References
    ----------
    Source: suggest_interval and fit_history for each instrument
    Tests: tests/fleet/test_assess_fleet.py
    """
    question = Question(
        on=day_of(on),
        tolerance=_positive(tolerance, "tolerance"),
        reliability=checked_probability(reliability, "reliability"),
        soon=timedelta(days=_positive(soon_d, "soon_d") or 0.0),
        longest_s=_positive(longest_interval_s, "longest_interval_s") or LONGEST_S,
        first_s=_positive(first_interval_s, "first_interval_s") or SECONDS_PER_YEAR,
        log_options=dict(log_options or {}),
    )
    members, described, assumed = _members(source, question.log_options.get("date_order"))
    logs = any(member.log is not None for member in members)
    chunks = _chunks(members, 1 if logs else CHUNK)
    crew = Crew(processes=_processes(processes, members, logs=logs), cluster=cluster)
    lines, findings = crew.run(judge_logs if logs else judge_histories, question, chunks, progress)
    return DueList(
        on=question.on,
        instruments=tuple(sorted(lines, key=lambda line: _urgency(line, question.on))),
        settings={
            "tolerance": tolerance,
            "reliability": reliability,
            "soon_d": soon_d,
            "longest_interval_d": question.longest_s / SECONDS_PER_DAY,
            "first_interval_d": question.first_s / SECONDS_PER_DAY,
        },
        source=described,
        software=dict(software()),
        findings=(*assumed, *findings, *_remarks(lines)),
    )


def _members(
    source: Register | str | Path | pd.DataFrame, date_order: str | None
) -> tuple[list[Member], dict[str, str], tuple[Finding, ...]]:
    """Return the members of a fleet, what the source is, and what was assumed of it."""
    if isinstance(source, Register):
        return register_members(source), {"name": source.path.name, "head": source.head()}, ()
    if not isinstance(source, str | Path):
        members, assumed = table_members(source, date_order)
        return members, {"name": "a table in memory"}, assumed
    path = Path(source)
    if path.is_dir():
        return log_members(path), {"name": path.resolve().name}, ()
    try:
        with path.open("rb") as file:
            begins = file.read(len(SQLITE_BEGINS))
            if begins == SQLITE_BEGINS:
                return _members(Register.open(path), date_order)
            file.seek(0)
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        msg = f"cannot be read: {error.strerror}; give a register, a table or a folder of logs"
        raise LogError(msg, path=path) from error
    members, assumed = table_members(path, date_order)
    return members, {"name": path.name, "sha256": digest}, assumed


def _chunks(members: Sequence[Member], size: int) -> list[Sequence[Member]]:
    if not members:
        msg = "the fleet holds no instrument; add one, or a calibration, first"
        raise InputError(msg)
    return [members[at : at + size] for at in range(0, len(members), size)]


def _processes(asked: int | None, members: Sequence[Member], *, logs: bool) -> int:
    if asked is None:
        return usual_processes() if logs or len(members) >= WORTH_A_PROCESS else 1
    if asked < 1:
        msg = f"processes is {asked}; it must be 1 or more"
        raise InputError(msg)
    return asked


def _urgency(line: DueInstrument, on: date) -> tuple[date, int, float, str]:
    """Sort by due day; those not evaluated come right after the overdue; then the less probable first."""
    probability = 1.0 if math.isnan(line.probability_within) else line.probability_within
    return (line.due or on, int(line.due is None), probability, line.instrument)


def _remarks(lines: Sequence[DueInstrument]) -> list[Finding]:
    open_ones = sum(line.state == "not evaluated" for line in lines)
    if not open_ones:
        return []
    sentence = f"{open_ones} instrument(s) could not be evaluated; each says why."
    return [
        Finding(
            code="NOT_EVALUATED", severity="caution", sentence=sentence, values={"instruments": open_ones}
        )
    ]


def _positive(value: float | None, name: str) -> float | None:
    if value is not None and not (value > 0 and math.isfinite(value)):
        msg = f"{name} is {value:g}; it must be positive"
        raise InputError(msg)
    return value
