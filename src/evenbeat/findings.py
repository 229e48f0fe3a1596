"""The one vocabulary for 'something to know': good and bad news in the same place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

from evenbeat.errors import InputError
from evenbeat.plain import Plain

Severity = Literal["good", "note", "caution", "stop"]
SEVERITIES: tuple[Severity, ...] = ("good", "note", "caution", "stop")


@dataclass(frozen=True, kw_only=True)
class Finding(Plain):
    """One thing to know about a record or a result.

    Parameters
    ----------
    code
        Upper-case name that never changes, such as ``"QUANTISED"``.
    severity
        ``good`` (a check that passed), ``note`` (an assumption or a fact), ``caution`` (the answer
        depends on it) or ``stop`` (an answer is withheld because of it).
    sentence
        One sentence that a technician understands.
    values
        The numbers and words behind the sentence, units in the keys.
    """

    code: str
    severity: Severity
    sentence: str
    values: Mapping[str, float | int | str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.severity not in SEVERITIES:
            msg = f"severity is {self.severity!r}; it must be one of {', '.join(SEVERITIES)}"
            raise InputError(msg)
        object.__setattr__(self, "values", MappingProxyType(dict(self.values)))

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild, (self.code, self.severity, self.sentence, dict(self.values))

    def __str__(self) -> str:
        return f"[{self.severity}] {self.sentence}"


def _rebuild(code: str, severity: Severity, sentence: str, values: dict[str, float | int | str]) -> Finding:
    return Finding(code=code, severity=severity, sentence=sentence, values=values)


def good(code: str, sentence: str, **values: float | int | str) -> Finding:
    """Return a check that passed."""
    return Finding(code=code, severity="good", sentence=sentence, values=values)


def note(code: str, sentence: str, **values: float | int | str) -> Finding:
    """Return an assumption or a fact."""
    return Finding(code=code, severity="note", sentence=sentence, values=values)


def caution(code: str, sentence: str, **values: float | int | str) -> Finding:
    """Return what the answer depends on."""
    return Finding(code=code, severity="caution", sentence=sentence, values=values)


def stop(code: str, sentence: str, **values: float | int | str) -> Finding:
    """Return what an answer is withheld for."""
    return Finding(code=code, severity="stop", sentence=sentence, values=values)


def merged(*groups: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings of all groups in order, each sentence once."""
    seen: dict[tuple[str, str], Finding] = {}
    for group in groups:
        for finding in group:
            seen.setdefault((finding.code, finding.sentence), finding)
    return tuple(seen.values())


def alike_once(titled: Iterable[tuple[str, Iterable[Finding]]]) -> tuple[Finding, ...]:
    """Return the findings of several curves, each code once: the most severe, with whose it is.

    Parameters
    ----------
    titled
        Title of each curve and its findings.
    """
    groups: dict[str, list[tuple[str, Finding]]] = {}
    for title, findings in titled:
        for finding in findings:
            groups.setdefault(finding.code, []).append((title, finding))
    told = []
    for group in groups.values():
        title, worst = max(group, key=lambda one: SEVERITIES.index(one[1].severity))
        if any(finding.sentence != worst.sentence for _, finding in group):
            worst = replace(worst, sentence=f"{title[0].upper()}{title[1:]}: {worst.sentence}")
        told.append(worst)
    return tuple(told)


BY_WEIGHT = (
    ("ASSUMED", "NOMINAL", "DATE_AMBIGUOUS", "COUNT_WRAPPED", "INTERVAL_CHANGE", "CALIBRATIONS", "FOUND_OUT"),
    ("SELF_TEST", "NOT_AS_PREDICTED", "CLOCK_CHANGED", "DRIFTS", "BACKTEST", "CLASS", "READING_DOUBTED"),
    ("STEP", "AGING", "STABILITY", "REFERENCE_OVERDUE", "OFFSET_JUMPED", "MODELS", "EXTRAPOLATION"),
)
"""How codes begin: of what the readings were taken for, a factor in the answer; of forecasts that did not
come true; of what bends a forecast. Any other is about a detail."""


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings, the most severe first; of these what moves the answer most, else in order."""

    def lightness(finding: Finding) -> tuple[int, int]:
        tiers = (at for at, codes in enumerate(BY_WEIGHT) if finding.code.startswith(codes))
        return -SEVERITIES.index(finding.severity), next(tiers, len(BY_WEIGHT))

    return tuple(sorted(findings, key=lightness))
