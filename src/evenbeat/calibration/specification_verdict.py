"""The verdict of a log on a written specification: line by line, never a pass by absence.

Sources: conformance probability and decision rules as in :mod:`evenbeat.calibration.decision` (JCGM 106:2012,
ILAC-G8:09/2019). A line that the log cannot tell is 'not tested', and then the whole is not shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from evenbeat.calibration.decision import (
    ConformityVerdict,
    DecisionRule,
    decision_rule,
    probability_text,
    verdict_of,
)
from evenbeat.calibration.specification import Specification, SpecificationLine
from evenbeat.calibration.specification_measures import (
    CannotTellError,
    Evidence,
    Measured,
    measured_for,
)
from evenbeat.clock.model import ClockModel
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.plain import UNLISTED, Plain
from evenbeat.quantities import Estimate, checked_coverage
from evenbeat.record import Record, check_record
from evenbeat.result import Column, Result

LineVerdict = ConformityVerdict | Literal["not tested"]
WIDEST_TITLE = 26
Overall = Literal["conforms", "does not conform", "not shown"]


@dataclass(frozen=True, kw_only=True)
class JudgedLine(Plain):
    """One line of a specification with what the log says of it.

    Attributes
    ----------
    value, low, high
        NaN where the log says nothing.
    guard_band
        What the rule holds back from the limit.
    conformance_probability
        NaN where the log says nothing. Where the line is not tested although there is a
        value (a forecast, a range not seen), it is the probability that the value has.
    verdict, reason
        Why a line is not tested, or what to know of the value.
    """

    line: SpecificationLine = field(metadata=UNLISTED)
    verdict: LineVerdict
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    guard_band: float = math.nan
    conformance_probability: float = math.nan
    reason: str = ""

    @property
    def share_of_limit(self) -> tuple[float, float, float]:
        """Value and its interval over the limit on their side: low, value, high; 1 is at the limit."""
        limits, zero = self.line.limits, 0.0
        limit = limits.upper
        if not self.line.one_sided:
            # counted from zero, or from the middle of limits that do not lie about zero
            zero = 0.0 if limits.lower < 0 < limits.upper else limits.middle
            limit = (limits.upper if self.value >= zero else limits.lower) - zero
        first, second = sorted(((self.low - zero) / limit, (self.high - zero) / limit))
        return first, (self.value - zero) / limit, second

    def _facts(self) -> Mapping[str, object]:
        told = {name: self.line._facts()[name] for name in ("quantity", "title", "lower", "upper")}
        return {**told, **super()._facts()}


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class SpecificationVerdict(Result):
    """A specification held against a log, made by :func:`evenbeat.check_specification`.

    Attributes
    ----------
    lines
        In the order of the specification.
    rule, coverage
        Decision rule, and probability of the interval whose half width is U.
    """

    specification: Specification
    lines: tuple[JudgedLine, ...]
    rule: DecisionRule
    coverage: float

    _row_objects = "lines"
    _also = ("overall", "least_probability")

    @property
    def overall(self) -> Overall:
        """``conforms`` only if every line was tested and passed."""
        verdicts = {line.verdict for line in self.lines}
        if "fail" in verdicts:
            return "does not conform"
        return "conforms" if verdicts == {"pass"} else "not shown"

    @property
    def least_probability(self) -> float:
        """Lower bound of the probability that all tested lines conform (Bonferroni); 1 if none was."""
        return max(
            0.0,
            1 - sum(1 - line.conformance_probability for line in self.lines if line.verdict != "not tested"),
        )

    def _facts(self) -> Mapping[str, object]:
        return {**super()._facts(), "specification": self.specification.name, "rule": self.rule.name}

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("", [line.line.title for line in self.lines], "specified", _shortened),
            Column("", [line.line.limit_text for line in self.lines], "limit"),
            Column("value", heading="value", form=".2e"),
            Column("conformance_probability", heading="P(conf.)", form=probability_text),
            Column("verdict", heading="verdict", form=lambda said: said.replace("conditional", "cond.")),
        )

    def _headline(self) -> str:
        counts = [
            f"{sum(line.verdict == verdict for line in self.lines)} {verdict}"
            for verdict in ("pass", "conditional pass", "conditional fail", "fail", "not tested")
            if any(line.verdict == verdict for line in self.lines)
        ]
        said = {
            "conforms": "conforms",
            "does not conform": "does not conform",
            "not shown": "conformity is not shown",
        }[self.overall]
        named = self.specification.name or "the specification"
        return f"{named}: {said} by {self.rule.name} ({', '.join(counts)})"


def _shortened(title: str) -> str:
    return title if len(title) <= WIDEST_TITLE else f"{title[: WIDEST_TITLE - 1]}…"


def check_specification(
    specification: Specification,
    record: Record | None = None,
    *,
    model: ClockModel | None = None,
    curves: Mapping[str, StabilityCurve] | None = None,
    measured: Mapping[str, Estimate] | None = None,
    powered_on_s: float | None = None,
    powered_off_s: tuple[float, float] | None = None,
    reference_uncertainty: float = 0.0,
    rule: str | DecisionRule = "simple_acceptance",
    coverage: float = 0.9545,
) -> SpecificationVerdict:
    """Hold a written specification against what is known of a clock, line by line.

    Parameters
    ----------
    record, model, curves
        A log, its clock model (:func:`evenbeat.fit_clock`) and stability curves by the name of their
        statistic; what is not given is computed from the record where it can be, the model excepted.
    measured
        Values from elsewhere, by quantity or by title of the line: ``{"offset": Estimate.normal(…)}``.
    powered_on_s, powered_off_s
        For warm-up: when power came on, seconds after the start of the record; by default its start, if
        settling was found there. For retrace: when power went off and came back; by default the
        interruption that settling follows.
    reference_uncertainty
        Standard uncertainty of the reference's fractional frequency, for the offset.
    rule
        Decision rule, as for :func:`evenbeat.decide`; agree on it before measuring.
    coverage
        Probability of the interval whose half width is U; 0.9545 is exactly k = 2 of a normal distribution.

    Raises
    ------
    InputError
        If there is nothing to hold it against, or the rule is unknown.

    Notes
    -----
    A deviation's distribution is that of its interval (see :meth:`StabilityCurve.confidence_interval`); what
    the counter and the reference add to it is included, so that a fail may be theirs. An aging per year
    counts as tested by a log of a year; a temperature range if the log has seen it.

    References
    ----------
    Source: JCGM 106:2012; ISO/IEC 17025:2017, 7.8.6 (verdict by a rule agreed on before)
    Tests: tests/calibration/test_specification.py
    """
    if record is not None:
        check_record(record, grid_for="check_specification")
    chosen = decision_rule(rule)
    coverage = checked_coverage(coverage)
    if record is None and model is None and not curves and not measured:
        msg = "nothing is given to hold the specification against; give a record, a model, curves or measured"
        raise InputError(msg)
    evidence = Evidence(
        record=record if record is not None or model is None else model.record,
        model=model,
        curves=dict(curves or {}),
        measured=_widened(measured or {}, reference_uncertainty),
        powered_on_s=powered_on_s,
        powered_off_s=powered_off_s,
        reference_uncertainty=reference_uncertainty,
        coverage=coverage,
    )
    lines = tuple(_judged(line, evidence, chosen) for line in specification.lines)
    return SpecificationVerdict(
        specification=specification,
        lines=lines,
        rule=chosen,
        coverage=coverage,
        findings=_remarks(lines, chosen),
    )


def _widened(measured: Mapping[str, Estimate], uncertainty: float) -> dict[str, Estimate]:
    return {
        name: Estimate(distribution=value.distribution.widened(uncertainty), unit=value.unit)
        if name == "offset" and uncertainty > 0
        else value
        for name, value in measured.items()
    }


def _judged(line: SpecificationLine, evidence: Evidence, rule: DecisionRule) -> JudgedLine:
    try:
        measured = measured_for(line, evidence)
    except CannotTellError as reason:
        return JudgedLine(line=line, verdict="not tested", reason=str(reason))
    lower = -math.inf if line.one_sided else line.limits.lower
    expanded = 0.5 * (measured.high - measured.low)
    half_width = line.limits.upper if line.one_sided else line.limits.half_width
    band = rule.guard_band(half_width, expanded)
    verdict: LineVerdict = verdict_of(measured.value, lower, line.limits.upper, band, rule)
    return JudgedLine(
        line=line,
        verdict="not tested" if measured.not_tested else verdict,
        value=measured.value,
        low=measured.low,
        high=measured.high,
        guard_band=band,
        conformance_probability=measured.probability,
        reason=_reason(measured),
    )


def _reason(measured: Measured) -> str:
    return "; ".join(part for part in (measured.not_tested, measured.note) if part)


def _remarks(lines: tuple[JudgedLine, ...], rule: DecisionRule) -> tuple[Finding, ...]:
    found = [
        Finding(
            code="LINE_NOT_TESTED",
            severity="caution",
            sentence=f"Not tested: {line.line.title}, because {line.reason}.",
        )
        for line in lines
        if line.verdict == "not tested"
    ]
    if any(line.line.quantity == "stability" and line.verdict == "fail" for line in lines):
        sentence = (
            "A deviation above its limit may be the counter's or the reference's: they should be three times "
            "better at that averaging time (common practice)."
        )
        found.append(Finding(code="NOISE_MAY_BE_THEIRS", severity="caution", sentence=sentence))
    sentence = (
        f"Decision rule {rule.name}: {rule.says}. It has to be agreed before the data are seen "
        "(ISO/IEC 17025:2017, 7.1.3). An analysis for the owner, not a statement of conformity."
    )
    found.append(Finding(code="DECISION_RULE", severity="note", sentence=sentence))
    return tuple(found)
