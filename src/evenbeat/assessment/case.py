"""The case for an interval: everything an auditor asks for beside the answer itself."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from evenbeat.assessment.basis import DecisionBasis
from evenbeat.assessment.variation import Variation, steadiness
from evenbeat.calibration.decision import Decision
from evenbeat.clock.tested import Backtest
from evenbeat.findings import Finding
from evenbeat.provenance import Source


@dataclass(frozen=True, kw_only=True)
class Foretold:
    """One calibration as those before it foretold it: date, interval of 95 %, and what was found."""

    when: str
    low: float
    high: float
    found: float

    @property
    def held(self) -> bool:
        """Whether the interval held what was found."""
        return self.low <= self.found <= self.high

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "when": self.when,
            "low_95": self.low,
            "high_95": self.high,
            "found": self.found,
            "held": self.held,
        }


@dataclass(frozen=True, eq=False, kw_only=True)
class Case:
    """What stands behind a suggested interval.

    Attributes
    ----------
    basis
        Decision rule, when it was chosen, who decides.
    decision
        The last value under that rule; ``None`` where there is no value.
    variations
        The interval when something asked or assumed is changed.
    models
        What each law or model weighs and says, as name, weight and interval in words.
    backtest
        Of a log: forecasts held against what followed.
    foretold
        Of a history: each calibration as those before it foretold it.
    inputs
        The files, with their hashes.
    """

    basis: DecisionBasis
    decision: Decision | None
    variations: tuple[Variation, ...]
    models: tuple[tuple[str, str, str], ...]
    backtest: Backtest | None
    foretold: tuple[Foretold, ...]
    inputs: tuple[Source, ...]
    findings: tuple[Finding, ...]

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "decision_basis": self.basis.to_dict(),
            "decision": None if self.decision is None else self.decision.to_dict(),
            "sensitivity": [one.to_dict() for one in self.variations],
            "sensitivity_in_words": steadiness(list(self.variations)),
            "models": [{"model": m, "weight": w, "interval": i} for m, w, i in self.models],
            "backtest": None if self.backtest is None else self.backtest.to_dict(),
            "foretold_calibrations": [one.to_dict() for one in self.foretold],
            "inputs": [source.to_dict() for source in self.inputs],
            "findings": [finding.to_dict() for finding in self.findings],
        }


def foretold_finding(foretold: Sequence[Foretold]) -> list[Finding]:
    """Say how many calibrations were where those before them put them."""
    if not foretold:
        sentence = "Too few calibrations to hold a forecast against what was found."
        return [Finding(code="NOT_TESTED", severity="caution", sentence=sentence)]
    held = sum(one.held for one in foretold)
    sentence = (
        f"{held} of {len(foretold)} calibrations lay in the 95 % interval that those before them foretold."
    )
    fine = held >= len(foretold) - 1 - len(foretold) // 20
    severity = "good" if fine else "caution"
    return [
        Finding(
            code="FORETOLD",
            severity=severity,  # type: ignore[arg-type]
            sentence=sentence,
            values={"held": held, "tested": len(foretold)},
        )
    ]


def file_source(path: str | Path, *, rows: int) -> Source:
    """Return what a file was, with the hash of its bytes."""
    content = Path(path).read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    return Source(path=str(path), sha256=digest, size_bytes=len(content), rows=rows)
