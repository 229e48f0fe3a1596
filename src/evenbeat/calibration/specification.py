"""A written specification of an oscillator: lines that a log can be held against.

::

    name = "purchase specification of kittiwake"

    [[line]]
    quantity = "stability"            # statistic = "overlapping_allan" unless it says otherwise
    averaging_time = "1 s"
    limit = 1e-11

    [[line]]
    quantity = "aging_per_day"        # also aging_per_year, offset
    limit = [-1e-10, 5e-10]           # or one number, meaning ±

    [[line]]
    quantity = "temperature"          # change over a range; with reference = 25: ± about the value there
    covariate = "room_temperature_c"
    from = 0
    to = 50
    limit = 5e-9

    [[line]]
    quantity = "warm_up"              # from so long after power-on, within the limit of what it is later
    after = "30 min"
    compared_with = "24 h"
    limit = 1e-8

    [[line]]
    quantity = "retrace"              # so long after power is back, within the limit of what it was before
    off = "24 h"
    after = "24 h"
    limit = 5e-10
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, NamedTuple, cast

import numpy as np
from scipy import optimize

from evenbeat.calibration.decision import (
    ConformityVerdict,
    DecisionRule,
    decision_rule,
    probability_text,
    verdict_of,
)
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.model import ClockModel
from evenbeat.conditioning.display import floor_at_interval
from evenbeat.deviations.chi_squared_sums import ChiSquaredSums
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.plain import UNLISTED, Plain, declared
from evenbeat.quantities import Estimate, checked_coverage
from evenbeat.record import Record, check_record
from evenbeat.result import Column, Result, fitting
from evenbeat.toml_text import toml_in
from evenbeat.units import SECONDS_PER_DAY, duration_text, parse_duration

Quantity = Literal[
    "stability", "aging_per_day", "aging_per_year", "temperature", "warm_up", "retrace", "offset"
]
NEEDS: Mapping[Quantity, tuple[str, ...]] = {
    "stability": ("averaging_time",),
    "aging_per_day": (),
    "aging_per_year": (),
    "temperature": ("covariate", "from", "to"),
    "warm_up": ("after", "compared_with"),
    "retrace": ("after",),
    "offset": (),
}
MAY_HAVE: Mapping[Quantity, tuple[str, ...]] = {
    "stability": ("statistic",),
    "temperature": ("reference",),
    "retrace": ("off",),
}
_STATISTICS = {
    "overlapping_allan": "Allan dev.",
    "modified_allan": "modified Allan dev.",
    "time": "time dev.",
    "overlapping_hadamard": "Hadamard dev.",
}
_NUMBERS = {"from": "from_value", "to": "to_value", "reference": "reference"}
_BY_FAMILY = {"allan": "overlapping_allan", "hadamard": "overlapping_hadamard"}
"""What a specification calls by the family is measured by its best estimator."""


@dataclass(frozen=True, kw_only=True)
class SpecificationLine(Plain):
    """One line of a specification; made by :meth:`from_mapping` or from a file, see the module.

    ``limits`` of the fractional frequency, its change, or a deviation (then only the upper one counts). Of
    ``temperature`` the range is in the unit of the covariate, and ``reference`` is where the change is
    counted from; without it the change over the whole range counts. ``after_s`` is the time since power-on
    (or since power is back), ``compared_with_s`` when the final value is taken, ``off_s`` for how long power
    was off.
    """

    quantity: Quantity
    limits: Tolerance = field(metadata=UNLISTED)
    name: str = ""
    statistic: str = "overlapping_allan"
    averaging_time_s: float = 0.0
    covariate: str = ""
    from_value: float = 0.0
    to_value: float = 0.0
    reference: float | None = None
    after_s: float = 0.0
    compared_with_s: float = 0.0
    off_s: float | None = None

    def _facts(self) -> Mapping[str, object]:
        return {"title": self.title, **super()._facts(), **declared(self.limits)}

    @property
    def one_sided(self) -> bool:
        """Whether only the upper limit counts: a deviation, or a change over a range, is never negative."""
        return self.quantity == "stability" or (self.quantity == "temperature" and self.reference is None)

    @property
    def limit_text(self) -> str:
        """The limit in words."""
        return f"≤ {self.limits.upper:.3g}" if self.one_sided else str(self.limits)

    @property
    def title(self) -> str:
        """What is specified, in words."""
        about = "" if self.reference is None else f" from {self.reference:g}"
        off = "" if self.off_s is None else f", {duration_text(self.off_s)} off"
        made = {
            "stability": f"{_STATISTICS[self.statistic]} at {duration_text(self.averaging_time_s)}",
            "temperature": f"temperature {self.from_value:g} to {self.to_value:g}{about}",
            "warm_up": f"warm-up after {duration_text(self.after_s)}",
            "retrace": f"retrace after {duration_text(self.after_s)}{off}",
            "offset": "offset as delivered",
        }
        return self.name or made.get(self.quantity, self.quantity.replace("_", " "))

    @classmethod
    def from_mapping(cls, entry: Mapping[str, Any], where: str = "the line") -> SpecificationLine:
        """Return a line from plain values, as a table in TOML holds them.

        Raises
        ------
        InputError
            If a value is missing, unknown or impossible; the sentence names the line.
        """
        quantity = cast("Quantity", entry.get("quantity"))
        if quantity not in NEEDS:
            msg = f"{where}: quantity is {quantity!r}; it must be one of {', '.join(NEEDS)}"
            raise InputError(msg)
        known = {"quantity", "limit", "name", *NEEDS[quantity], *MAY_HAVE.get(quantity, ())}
        unknown = [key for key in entry if key not in known]
        if unknown:
            msg = (
                f"{where}: {unknown[0]!r} is not known of {quantity}; it may have {', '.join(sorted(known))}"
            )
            raise InputError(msg)
        missing = [key for key in ("limit", *NEEDS[quantity]) if key not in entry]
        if missing:
            msg = f"{where}: {quantity} has no {missing[0]!r}"
            raise InputError(msg)
        stated: dict[str, Any] = {key: str(entry[key]) for key in ("name", "covariate") if key in entry}
        for key, name in _NUMBERS.items():
            if key in entry and not isinstance(entry[key], int | float):
                msg = f"{where}: {key} is {entry[key]!r}; it must be a number"
                raise InputError(msg)
            if key in entry:
                stated[name] = float(entry[key])
        for key in ("averaging_time", "after", "compared_with", "off"):
            if key in entry:
                stated[f"{key}_s"] = _seconds(entry[key], f"{where}: {key}")
        said = str(entry.get("statistic", "allan"))
        statistic = _BY_FAMILY.get(said, said)
        if statistic not in _STATISTICS:
            msg = f"{where}: statistic is {said!r}; it must be allan, modified_allan, time or hadamard"
            raise InputError(msg)
        try:
            limits = Tolerance.of(entry["limit"])
        except (InputError, TypeError, ValueError) as error:
            shown = f"limit is {entry['limit']!r}"
            msg = f"{where}: {shown}; it must be a positive number, or two such as [-5e-9, 1e-8]"
            raise InputError(msg) from error
        return cls(quantity=quantity, limits=limits, statistic=statistic, **stated)._checked(where)

    def _checked(self, where: str) -> SpecificationLine:
        if self.quantity == "temperature" and not self.from_value < self.to_value:
            msg = f"{where}: from is {self.from_value:g} and to {self.to_value:g}; from must be below to"
            raise InputError(msg)
        if self.quantity == "warm_up" and not self.after_s < self.compared_with_s:
            msg = (
                f"{where}: compared_with ({duration_text(self.compared_with_s)}) must be later than after "
                f"({duration_text(self.after_s)})"
            )
            raise InputError(msg)
        if self.one_sided and not self.limits.upper > 0:
            msg = f"{where}: the limit is {self.limits.upper:g}; it must be positive"
            raise InputError(msg)
        return self


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Specification(Result):
    """A written specification: named lines with limits.

    Build one from Python or with :meth:`from_toml`.
    """

    lines: tuple[SpecificationLine, ...]
    name: str = ""

    _row_objects = "lines"

    def __post_init__(self) -> None:
        if not self.lines:
            msg = "the specification has no line; state at least one"
            raise InputError(msg)

    @classmethod
    def of(cls, *lines: Mapping[str, Any] | SpecificationLine, name: str = "") -> Specification:
        """Return a specification from lines as in the module's example, written as mappings.

        Raises
        ------
        InputError
            If a line is impossible; the sentence counts the line.
        """
        made = tuple(
            line
            if isinstance(line, SpecificationLine)
            else SpecificationLine.from_mapping(line, f"line {number}")
            for number, line in enumerate(lines, start=1)
        )
        return cls(lines=made, name=name)

    @classmethod
    def from_toml(cls, path: str | Path) -> Specification:
        """Read a specification from a file; see the module for its form.

        Raises
        ------
        InputError
            If the file cannot be read or a line is impossible; the sentence names file and line.
        """
        content = toml_in(path, "specification")
        entries = content.get("line")
        if not isinstance(entries, list):
            msg = f"{path}: no [[line]] is given; a specification needs at least one"
            raise InputError(msg)
        lines = tuple(
            SpecificationLine.from_mapping(entry, f"{path}, line {number}")
            for number, entry in enumerate(entries, start=1)
        )
        return cls(lines=lines, name=str(content.get("name", Path(path).stem)))

    def _columns(self) -> tuple[Column, ...]:
        return Column("title", heading="specified"), Column("limit_text", heading="limit")

    def _headline(self) -> str:
        return f"Specification {self.name or 'without a name'}: {len(self.lines)} lines"


def _seconds(value: object, name: str) -> float:
    try:
        seconds = float(value) if isinstance(value, int | float) else parse_duration(str(value))
    except InputError as error:
        msg = f"{name}: {error}"
        raise InputError(msg) from error
    if not seconds > 0:
        msg = f"{name} is {value!r}; it must be a positive duration such as '24 h'"
        raise InputError(msg)
    return seconds


LineVerdict = ConformityVerdict | Literal["not tested"]
YEAR_S = 365 * SECONDS_PER_DAY
SLACK = 0.02
"""Share of a range of temperature that may be missing at either end."""
MINIMUM_COVERAGE = 0.9
Overall = Literal["conforms", "does not conform", "not shown"]


@dataclass(frozen=True, kw_only=True)
class JudgedLine(Plain):
    """One line of a specification with what the log says of it, NaN where it says nothing.

    Where the line is not tested although there is a value (a forecast, a range not seen), the probability is
    that which the value has. ``reason`` tells why a line is not tested, or what to know of the value.
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
    """A specification held against a log, made by :func:`evenbeat.calibration.check_specification`.

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
            Column(
                "",
                [line.line.title for line in self.lines],
                "specified",
                fitting(26),
            ),
            Column("", [line.line.limit_text for line in self.lines], "limit"),
            Column("value", heading="value", form=".2e"),
            Column("conformance_probability", heading="P(conf.)", form=probability_text),
            Column("verdict", heading="verdict", form=lambda said: said.replace("conditional", "cond.")),
        )

    def _headline(self) -> str:
        found: Counter[str] = Counter(line.verdict for line in self.lines)
        order = ("pass", "conditional pass", "conditional fail", "fail", "not tested")
        counts = [f"{found[verdict]} {verdict}" for verdict in order if found[verdict]]
        said = "conformity is not shown" if self.overall == "not shown" else self.overall
        named = self.specification.name or "the specification"
        return f"{named}: {said} by {self.rule.name} ({', '.join(counts)})"


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
    specification
        Its lines, from :meth:`Specification.of` or :meth:`Specification.from_toml`.
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

    Returns
    -------
    SpecificationVerdict
        A verdict on each line.

    Raises
    ------
    InputError
        If there is nothing to hold it against, or the rule is unknown.

    Notes
    -----
    A deviation's distribution is that of its interval (see :meth:`StabilityCurve.confidence_interval`); what
    the counter and the reference add to it is included, so that a fail may be theirs. An aging per year
    counts as tested by a log of a year; a temperature range if the log has seen it.

    Examples
    --------
    >>> import evenbeat as eb
    >>> stated = eb.calibration.Specification.of({"quantity": "offset", "limit": 1e-9})
    >>> measured = {"offset": eb.Estimate.normal(2e-10, 5e-11)}
    >>> eb.calibration.check_specification(stated, measured=measured).overall
    'conforms'

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
    stated = dict(measured or {})
    if "offset" in stated and reference_uncertainty > 0:
        offset = stated["offset"]
        stated["offset"] = replace(offset, distribution=offset.distribution.widened(reference_uncertainty))
    evidence = Evidence(
        record=record if record is not None or model is None else model.record,
        model=model,
        curves=dict(curves or {}),
        measured=stated,
        powered_on_s=powered_on_s,
        powered_off_s=powered_off_s,
        coverage=coverage,
    )
    lines = tuple(_judged(line, evidence, chosen) for line in specification.lines)
    return SpecificationVerdict(
        specification=specification,
        lines=lines,
        rule=chosen,
        coverage=coverage,
        findings=tuple(_remarks(lines, chosen)),
    )


def _judged(line: SpecificationLine, evidence: Evidence, rule: DecisionRule) -> JudgedLine:
    stated = next(
        (evidence.measured[name] for name in (line.title, line.quantity) if name in evidence.measured), None
    )
    try:
        measured = (
            _MEASURES[line.quantity](line, evidence)
            if stated is None
            else _of_estimate(stated, line, evidence, note="as stated")
        )
    except CannotTellError as reason:
        return JudgedLine(line=line, verdict="not tested", reason=str(reason))
    lower = -math.inf if line.one_sided else line.limits.lower
    half_width = line.limits.upper if line.one_sided else line.limits.half_width
    band = rule.guard_band(half_width, 0.5 * (measured.high - measured.low))
    verdict: LineVerdict = verdict_of(measured.value, lower, line.limits.upper, band, rule)
    return JudgedLine(
        line=line,
        verdict="not tested" if measured.not_tested else verdict,
        value=measured.value,
        low=measured.low,
        high=measured.high,
        guard_band=band,
        conformance_probability=measured.probability,
        reason="; ".join(filter(None, (measured.not_tested, measured.note))),
    )


def _remarks(lines: tuple[JudgedLine, ...], rule: DecisionRule) -> Iterator[Finding]:
    for line in lines:
        if line.verdict == "not tested":
            yield caution("LINE_NOT_TESTED", f"Not tested: {line.line.title}, because {line.reason}.")
    if any(line.line.quantity == "stability" and line.verdict == "fail" for line in lines):
        sentence = (
            "A deviation above its limit may be the counter's or the reference's: they should be three times "
            "better at that averaging time (common practice)."
        )
        yield caution("NOISE_MAY_BE_THEIRS", sentence)
    sentence = (
        f"Decision rule {rule.name}: {rule.says}. It has to be agreed before the data are seen "
        "(ISO/IEC 17025:2017, 7.1.3). An analysis for the owner, not a statement of conformity."
    )
    yield note("DECISION_RULE", sentence)


class CannotTellError(Exception):
    """The log cannot tell; the message says why."""


class Measured(NamedTuple):
    """What a log says of one line: value with its interval, probability of conformance, what else to know.

    ``not_tested`` says why the value does not count as a test, although there is one; empty if it does.
    """

    value: float
    low: float
    high: float
    probability: float
    not_tested: str = ""
    note: str = ""


class Evidence(NamedTuple):
    """What a specification is held against."""

    record: Record | None
    model: ClockModel | None
    curves: Mapping[str, StabilityCurve]
    measured: Mapping[str, Estimate]
    powered_on_s: float | None
    powered_off_s: tuple[float, float] | None
    coverage: float

    @property
    def needed_record(self) -> Record:
        """The record, without which a line cannot be told."""
        if self.record is None:
            msg = "no record was given"
            raise CannotTellError(msg)
        return self.record

    @property
    def needed_model(self) -> ClockModel:
        """The clock model, without which a line cannot be told."""
        if self.model is None:
            msg = "no clock model: the record is too short for one, or none was given"
            raise CannotTellError(msg)
        return self.model


def _of_estimate(
    estimate: Estimate, line: SpecificationLine, evidence: Evidence, *, not_tested: str = "", note: str = ""
) -> Measured:
    """Return an estimate held against a line; of a change over a range the size counts."""
    low, high = estimate.interval(evidence.coverage)
    value = estimate.value
    lower = -line.limits.upper if line.one_sided else line.limits.lower
    probability = float(estimate.distribution.probability_between(lower, line.limits.upper))
    if line.one_sided and value < 0:
        value, low, high = -value, -high, -low
    return Measured(value, low, high, probability, not_tested, note)


def _stability(line: SpecificationLine, evidence: Evidence) -> Measured:
    curve, i = _point(line, evidence)
    value, limit = float(curve.deviation[i]), line.limits.upper
    low, high = (float(limit_[i]) for limit_ in curve.confidence_interval(evidence.coverage))
    distribution = curve.distribution or ChiSquaredSums.of_edf(curve.edf)
    probability = _probability_above(lambda p: float(distribution.quantile(p)[i]), (value / limit) ** 2)
    not_tested = ""
    record = evidence.record
    if record is not None and record.resolution and line.averaging_time_s <= 1.5 * record.interval_s:
        floor = floor_at_interval(record, record.resolution)
        if floor > 0.5 * limit:
            not_tested = f"the display alone shows {floor:.2g}"
    return Measured(value, low, high, probability, not_tested, "noise of counter and reference included")


def _point(line: SpecificationLine, evidence: Evidence) -> tuple[StabilityCurve, int]:
    time = line.averaging_time_s
    curve = evidence.curves.get(line.statistic)
    record, shown = evidence.record, duration_text(time)
    if curve is None or not np.any(np.isclose(curve.averaging_time_s, time, rtol=1e-6)):
        if record is None:
            msg = f"no curve with a point at {shown}, and no record"
            raise CannotTellError(msg)
        factor = round(time / record.interval_s)
        if factor < 1 or not math.isclose(factor * record.interval_s, time, rel_tol=1e-3):
            msg = f"readings are {duration_text(record.interval_s)} apart: {shown} is not a multiple"
            raise CannotTellError(msg)
        try:
            curve = stability(record, line.statistic, averaging=[factor], minimum_coverage=MINIMUM_COVERAGE)
        except InputError as error:
            msg = f"the record is too short: {error}"
            raise CannotTellError(msg) from error
        if not len(curve):
            msg = f"a record of {duration_text(record.duration_s)} has no term at {shown}"
            raise CannotTellError(msg)
    i = int(np.argmin(np.abs(curve.averaging_time_s - time)))
    if not (curve.deviation[i] > 0 and curve.terms[i] > 0):
        msg = f"gaps leave no term at {shown}"
        raise CannotTellError(msg)
    return curve, i


def _probability_above(quantile: Callable[[float], float], value: float) -> float:
    """Return the probability of a variable being above a value, given its quantiles."""
    low, high = 1e-12, 1 - 1e-12
    if value <= quantile(low):
        return 1.0
    if value >= quantile(high):
        return 0.0
    return 1 - float(optimize.brentq(lambda p: quantile(p) - value, low, high, xtol=1e-15))


def _aging_per_day(line: SpecificationLine, evidence: Evidence) -> Measured:
    model = evidence.needed_model
    note = f"at the end of {duration_text(model.record.duration_s)}"
    not_tested = ""
    if model.record.duration_s < SECONDS_PER_DAY:
        not_tested = f"the log is {duration_text(model.record.duration_s)} long; a day at least is needed"
    return _of_estimate(model.aging_rate().per_day, line, evidence, not_tested=not_tested, note=note)


def _aging_per_year(line: SpecificationLine, evidence: Evidence) -> Measured:
    model = evidence.needed_model
    end = model.record.duration_s
    if end >= YEAR_S:
        change = Estimate(distribution=model.frequency_change_at([end - YEAR_S]).distribution.one(0))
        return _of_estimate(change.scaled(-1.0, ""), line, evidence, note="over the last 365 d")
    change = Estimate(distribution=model.frequency_change_at([end + YEAR_S]).distribution.one(0))
    not_tested = f"the log is {duration_text(end)} long, not a year; the value is a forecast"
    return _of_estimate(change, line, evidence, not_tested=not_tested)


def _temperature(line: SpecificationLine, evidence: Evidence) -> Measured:
    model = evidence.needed_model
    name = line.covariate
    if name in model.trend.not_determined:
        raise CannotTellError(model.trend.not_determined[name].removesuffix("."))
    if name not in [influence.name for influence in model.trend.influences]:
        msg = f"{name} was not fitted: give environment=({name!r},) to fit_clock, if the log has it"
        raise CannotTellError(msg)
    low, high = line.from_value, line.to_value
    column = model.record.covariates[name]
    seen = float(np.nanmin(column)), float(np.nanmax(column))
    room = SLACK * (high - low)
    not_tested = ""
    if seen[0] > low + room or seen[1] < high - room:
        not_tested = f"the log saw {seen[0]:.3g} to {seen[1]:.3g} only"
    values = np.linspace(low, high, 101)
    about = low if line.reference is None else line.reference
    changes = np.array([model.change_between(name, about, value).value for value in values])
    if line.reference is not None:
        far = float(values[int(np.argmax(np.abs(changes)))])
        estimate = model.change_between(name, line.reference, far)
    else:
        lowest, highest = (float(values[int(at)]) for at in (np.argmin(changes), np.argmax(changes)))
        estimate = model.change_between(name, lowest, highest)
    return _of_estimate(estimate, line, evidence, not_tested=not_tested)


def _warm_up(line: SpecificationLine, evidence: Evidence) -> Measured:
    record = evidence.needed_record
    on = evidence.powered_on_s
    if on is None:
        starts = [flag for flag in record.flags if flag.cause == "warm_up" and flag.start == 0]
        if not starts:
            msg = "the log does not show when power came on; give powered_on_s"
            raise CannotTellError(msg)
        on = 0.0
    mean = _means(record)
    width = min(0.5 * line.after_s, 0.1 * line.compared_with_s)
    final, known = mean(on + line.compared_with_s - width, on + line.compared_with_s)
    begins = np.arange(on + line.after_s, on + line.compared_with_s - width, max(width, record.interval_s))
    if not len(begins):
        msg = f"no reading between {duration_text(line.after_s)} and {duration_text(line.compared_with_s)}"
        raise CannotTellError(msg)
    away = [mean(begin, begin + width) for begin in begins]
    worst, u = max(((found - final, u) for found, u in away), key=lambda pair: abs(pair[0]))
    return _of_estimate(Estimate.normal(worst, math.hypot(u, known)), line, evidence)


def _retrace(line: SpecificationLine, evidence: Evidence) -> Measured:
    record = evidence.needed_record
    off, on = evidence.powered_off_s or _interruption(record, line.off_s)
    not_tested = ""
    if line.off_s is not None and not 0.5 <= (on - off) / line.off_s <= 2:
        not_tested = f"power was off for {duration_text(on - off)}, not {duration_text(line.off_s)}"
    mean = _means(record)
    width = min(0.25 * line.after_s, off)
    before, u_before = mean(off - width, off)
    after, u_after = mean(on + line.after_s - 0.5 * width, on + line.after_s + 0.5 * width)
    aged, u_aged = 0.0, 0.0
    if evidence.model is not None:
        rate = evidence.model.aging_rate()
        lapse = on + line.after_s - off + 0.5 * width
        aged, u_aged = rate.value * lapse, rate.standard_uncertainty * lapse
    estimate = Estimate.normal(after - before - aged, math.hypot(u_before, u_after, u_aged))
    return _of_estimate(estimate, line, evidence, not_tested=not_tested)


def _interruption(record: Record, off_s: float | None) -> tuple[float, float]:
    """Return begin and end of the interruption, seconds, that settling follows."""
    present = ~np.isnan(np.asarray(record.values, dtype=float))
    found = []
    for flag in record.flags:
        if flag.cause != "warm_up" or flag.start == 0:
            continue
        earlier = np.flatnonzero(present[: flag.start])
        if len(earlier):
            found.append((float(earlier[-1] + 1) * record.interval_s, flag.start * record.interval_s))
    if not found:
        msg = "the log shows no interruption with settling after it; give powered_off_s"
        raise CannotTellError(msg)
    if off_s is None:
        return max(found, key=lambda span: span[1] - span[0])
    return min(found, key=lambda span: abs(span[1] - span[0] - off_s))


def _offset(_line: SpecificationLine, _evidence: Evidence) -> Measured:
    msg = "a log does not say which reading is 'as delivered'; give measured={'offset': …}"
    raise CannotTellError(msg)


def _means(record: Record) -> Callable[[float, float], tuple[float, float]]:
    """Return what gives the mean over some time and its standard uncertainty, of a record with its settling.

    From neighbouring readings' scatter, outliers left out; that of halves of the window counts where it is
    larger: noise that is not white.
    """
    frequency = record.to_frequency()
    values = np.array(frequency.values, dtype=float)
    for flag in frequency.flags:
        if flag.cause == "outlier":
            values[flag.start : flag.stop] = np.nan

    def mean(start_s: float, stop_s: float) -> tuple[float, float]:
        first = max(int(start_s / frequency.interval_s), 0)
        part = values[first : max(int(stop_s / frequency.interval_s), first + 1)]
        part = part[~np.isnan(part)]
        if not len(part):
            msg = f"the log has no reading between {duration_text(start_s)} and {duration_text(stop_s)}"
            raise CannotTellError(msg)
        if len(part) < 4:
            return float(part.mean()), float(np.nanstd(np.diff(values))) / math.sqrt(2 * len(part))
        white = float(np.std(np.diff(part))) / math.sqrt(2 * len(part))
        half = len(part) // 2
        slow = abs(float(part[:half].mean() - part[half:].mean())) / 2
        return float(part.mean()), max(white, slow)

    return mean


_MEASURES: Mapping[Quantity, Callable[[SpecificationLine, Evidence], Measured]] = {
    "stability": _stability,
    "aging_per_day": _aging_per_day,
    "aging_per_year": _aging_per_year,
    "temperature": _temperature,
    "warm_up": _warm_up,
    "retrace": _retrace,
    "offset": _offset,
}
