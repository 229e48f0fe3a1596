"""A due list noted in the register it was made from, line by line."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from evenbeat.errors import InputError
from evenbeat.fleet.due import DueInstrument, DueList
from evenbeat.register.facts import KeptAssessment
from evenbeat.register.register import Draft, Register


def register_behind(source: str | Path) -> Register:
    """Return the register at a path, before any work is done in vain.

    Raises
    ------
    LogError
        If there is none.
    """
    return Register.open(source)


def keep_list(register: Register, due: DueList) -> int:
    """Add one assessment for every instrument of a list, in one transaction; return how many.

    The hash of each is the SHA-256 of its line as JSON: keys in order, no blanks, UTF-8.

    Raises
    ------
    InputError
        If an instrument is not in the register.
    """
    if due.source.get("name") != register.path.name:
        msg = f"the list was made from {due.source.get('name')}, not from {register.path.name}"
        raise InputError(msg)
    drafts = [Draft(fact=_kept(one, due)) for one in due.instruments]
    return len(register.append(drafts))


def _kept(one: DueInstrument, due: DueList) -> KeptAssessment:
    text = json.dumps(one.to_dict(), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return KeptAssessment(
        instrument=one.instrument,
        date=due.on.isoformat(),
        headline=f"{one.state}: {one.reason}",
        interval_s=one.interval_s,
        due=None if one.due is None else one.due.isoformat(),
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        source=f"due list of {due.on.isoformat()}",
        software=due.software,
    )
