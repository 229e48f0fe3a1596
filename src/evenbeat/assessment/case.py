"""The case for an interval: everything an auditor asks for beside the answer itself."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

from scipy import special

from evenbeat.assessment.basis import DecisionBasis
from evenbeat.assessment.stories import Story
from evenbeat.assessment.variation import Variation, steadiness
from evenbeat.calibration.decision import Decision
from evenbeat.clock.tested import Backtest
from evenbeat.findings import Finding, Severity, caution
from evenbeat.plain import Plain, declared, listed_as
from evenbeat.record import Source

SELDOM, POOR = 0.0501, 0.7
"""A test fails where so many hits or fewer have at most this probability (binomial, 95 %; 0 of 1 has 5 %); it
is passed where so many
or more would have it with intervals of only 70 %."""


@dataclass(frozen=True, kw_only=True)
class PredictedCalibration(Plain):
    """One calibration as those before it predicted it: date, interval of 95 %, and what was found."""

    when: str
    low: float = field(metadata=listed_as("low_95"))
    high: float = field(metadata=listed_as("high_95"))
    found: float

    _also = ("held",)

    @property
    def held(self) -> bool:
        """Whether the interval held what was found."""
        return self.low <= self.found <= self.high


@dataclass(frozen=True, eq=False, kw_only=True)
class Case(Plain):
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
    predicted
        Of a history: each calibration as those before it predicted it.
    inputs
        The files, with their hashes.
    stories
        Of a history: what would break the interval, the cheapest first.
    """

    basis: DecisionBasis = field(metadata=listed_as("decision_basis"))
    decision: Decision | None
    variations: tuple[Variation, ...] = field(metadata=listed_as("sensitivity"))
    models: tuple[tuple[str, str, str], ...]
    backtest: Backtest | None
    predicted: tuple[PredictedCalibration, ...] = field(metadata=listed_as("predicted_calibrations"))
    inputs: tuple[Source, ...]
    findings: tuple[Finding, ...]
    stories: tuple[Story, ...] = ()

    def _facts(self) -> Mapping[str, object]:
        models = [{"model": name, "weight": weight, "interval": says} for name, weight, says in self.models]
        return declared(self) | {"models": models, "sensitivity_in_words": steadiness(list(self.variations))}


def predicted_finding(predicted: Sequence[PredictedCalibration]) -> list[Finding]:
    """Say how many calibrations were where those before them put them."""
    if not predicted:
        sentence = "Too few calibrations to hold a forecast against what was found."
        return [caution("NOT_TESTED", sentence)]
    held, tested = sum(one.held for one in predicted), len(predicted)
    sentence = f"{held} of {tested} calibrations lay in the 95 % interval that those before them predicted"
    missed = [one.when for one in predicted if not one.held]
    if missed:
        sentence += f" (outside: {', '.join(missed)})"
    severity: Severity = "note"
    if float(special.bdtr(held, tested, 0.95)) <= SELDOM:
        severity, sentence = "caution", f"{sentence}: too few for intervals of 95 %."
    elif float(special.bdtrc(held - 1, tested, POOR)) <= SELDOM:
        severity, sentence = "good", f"{sentence}."
    else:
        sentence += f"; {tested} are too few to say whether the intervals hold."
    return [
        Finding(
            code="CALIBRATIONS_PREDICTED",
            severity=severity,
            sentence=sentence,
            values={"held": held, "tested": tested},
        )
    ]


def file_source(path: str | Path, *, rows: int) -> Source:
    """Return what a file was, with the hash of its bytes."""
    content = Path(path).read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    return Source(path=str(path), sha256=digest, size_bytes=len(content), rows=rows)


def software_versions() -> dict[str, str]:
    """Return name to version of Python and of the packages that numbers depend on."""
    packages = ("evenbeat", "numpy", "scipy")
    return {"python": platform.python_version(), **{package: version(package) for package in packages}}
