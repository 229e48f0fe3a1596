"""The check of a counter on the bench: every point of a readings sheet, and what they say together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from scipy import special

from evenbeat.calibration.decision import DecisionRule, decide, decision_rule, probability_text
from evenbeat.counter.budget import Contribution, UncertaintyBudget, budget
from evenbeat.counter.reading import RISES_WITH_TIMEBASE, UNITS, reading_uncertainty
from evenbeat.counter.resolution import CountLaw, Trigger
from evenbeat.counter.sheet import ReadingsSheet, SheetFacts, SheetPoint, read_sheet
from evenbeat.counter.timebase import Timebase
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good, merged, note
from evenbeat.plain import UNLISTED, Plain, declared, listed_as
from evenbeat.quantities import Estimate, need_not_negative, number_text
from evenbeat.result import Result, Table
from evenbeat.units import counted, frequency_text, time_scale

PointVerdict = Literal["pass", "conditional pass", "conditional fail", "fail", "no statement"]
UNLIKELY = 0.01
UNEXPLAINED = "scatter of readings"


@dataclass(frozen=True, eq=False, kw_only=True)
class BenchPoint(Plain):
    """One point of the check.

    ``deviation`` is the mean reading less what was applied, with the budget that the timebase is no part of;
    ``permitted`` the largest one, in the unit of the reading, ``conformance_probability`` that the true one
    is within it. The verdict is that of the decision rule, but ``no statement`` where the uncertainty exceeds
    what is permitted and the deviation is not certain to exceed it either.
    """

    point: SheetPoint = field(metadata=UNLISTED)
    deviation: UncertaintyBudget = field(metadata=UNLISTED)
    permitted: float
    conformance_probability: float
    verdict: PointVerdict
    findings: tuple[Finding, ...] = ()

    @property
    def relative_deviation(self) -> float:
        """Of the timebase's sign: positive where the timebase looks fast."""
        sign = 1 if self.point.function in RISES_WITH_TIMEBASE else -1
        return sign * self.deviation.value / self.point.applied

    @property
    def relative_uncertainty(self) -> float:
        """Standard uncertainty over what was applied."""
        return self.deviation.standard_uncertainty / self.point.applied

    def _facts(self) -> Mapping[str, object]:
        told = {"unit": UNITS[self.point.function], "deviation": self.deviation.estimate}
        return {**declared(self.point), **told, "limited_by": self.deviation.limited_by, **super()._facts()}


MISCOUNT, SAME_SIGNAL, DISAGREES = 4.0, 1e-9, 2.0
"""Standard uncertainties from which a point is a miscount; what counts as one signal; and as disagreement."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class BenchCheck(Result):
    """A counter's check, made by :func:`evenbeat.bench_check`.

    Attributes
    ----------
    name
        Of the sheet.
    points
        In the order of the sheet.
    rule
        By which verdicts were made.
    timebase_offset
        Estimated from all points together; positive: fast. ``None`` where no point tells.
    disagreements
        Pairs of points that read one signal by two functions and do not agree, with the disagreement in
        standard uncertainties.
    usable_hz
        Lowest and highest frequency at which every reading of a frequency passed; NaN where none did.
    facts
        What the sheet and the caller said about the counter.
    """

    name: str = field(metadata=listed_as("sheet"))
    points: tuple[BenchPoint, ...]
    rule: DecisionRule
    timebase_offset: Estimate | None
    disagreements: tuple[tuple[SheetPoint, SheetPoint, float], ...]
    usable_hz: tuple[float, float]
    facts: SheetFacts

    _row_objects = "points"
    _also = ("verdict", "sentence")

    @property
    def verdict(self) -> PointVerdict:
        """The worst verdict of all points that allow one."""
        order: tuple[PointVerdict, ...] = ("fail", "conditional fail", "conditional pass", "pass")
        present = {point.verdict for point in self.points}
        return next((verdict for verdict in order if verdict in present), "no statement")

    @property
    def sentence(self) -> str:
        """What the check says, for a technician."""
        told = [point for point in self.points if point.verdict != "no statement"]
        if not told:
            return "No point of this sheet can tell whether the counter is within what is permitted."
        bad = [point for point in told if "fail" in point.verdict]
        start = (
            f"All {len(told)} points that can tell are within what is permitted"
            if not bad
            else f"{len(bad)} of {len(told)} points that can tell are outside what is permitted"
        )
        if self.timebase_offset is None:
            return start + "."
        y = self.timebase_offset
        side, size = "fast" if y.value > 0 else "slow", number_text(abs(y.value), y.standard_uncertainty)
        sure = "" if abs(y.value) > 2 * y.standard_uncertainty else ", not told from zero"
        return f"{start}; the timebase is {side} by {size}{sure}."

    def _facts(self) -> Mapping[str, object]:
        apart = [
            {"first": a.title, "second": b.title, "standard_uncertainties": size}
            for a, b, size in self.disagreements
        ]
        return {**super()._facts(), "rule": self.rule.name, "disagreements": apart}

    def _table(self) -> Table | None:
        """Return the points, function by function, each with its unit."""
        rows: list[tuple[str, ...]] = []
        for function in dict.fromkeys(p.point.function for p in self.points):
            unit, name = UNITS[function], function.replace("_", " ")
            if unit not in ("Hz", "s"):  # said once, for all rows
                unit, name = "", f"{name}, in {unit}" if unit else name
            rows.append((name, "", "", "", ""))
            alike = [one for one in self.points if one.point.function == function]
            for p in alike:
                title, sure = p.point.short_title, p.conformance_probability
                same = [set(one.point.further) for one in alike if one.point.short_title == title]
                shared = set.intersection(*same)
                title = ", ".join([title, *(part for part in p.point.further if part not in shared)])
                largest = max(p.permitted, p.deviation.standard_uncertainty)
                size, shown = time_scale(largest) if unit == "s" else (1.0, unit)
                deviation = number_text(p.deviation.value / size, p.deviation.standard_uncertainty / size)
                rows.append(
                    (
                        f" {title}",
                        f"{'' if deviation.startswith('-') else '+'}{deviation} {shown}".rstrip(),
                        f"±{p.permitted / size:.3g} {shown}".rstrip(),
                        ">99.9 %" if sure > 0.999 else probability_text(sure),
                        p.verdict,
                    )
                )
        return Table(columns=("point", "deviation", "allowed", "conforms", "verdict"), rows=tuple(rows))

    def _headline(self) -> str:
        if math.isnan(self.usable_hz[0]):
            return self.sentence.removesuffix(".")
        usable = " to ".join(frequency_text(end) for end in self.usable_hz)
        if self.facts.rated_hz is not None:
            usable += f" (rated {' to '.join(frequency_text(end) for end in self.facts.rated_hz)})"
        return f"Usable from {usable}. {self.sentence}".removesuffix(".")


def bench_check(
    sheet: str | Path | ReadingsSheet,
    *,
    permitted_relative: float | None = None,
    permitted_digits: float | None = None,
    clock_tick_s: float | None = None,
    input_noise_v: float | None = None,
    count_law: CountLaw | None = None,
    rated_hz: tuple[float, float] | None = None,
    reference_uncertainty: float = 0.0,
    rule: str | DecisionRule = "simple_acceptance",
    coverage: float = 0.9545,
    locked: bool = False,
) -> BenchCheck:
    """Check a counter against what is permitted, point by point, and all points together.

    Parameters
    ----------
    sheet
        A file or a sheet read by ``read_sheet``. What follows overrides what its head says.
    permitted_relative, permitted_digits
        Permitted deviation: part of the applied value, plus a number of least digits (default 1).
    clock_tick_s, input_noise_v, count_law
        See :func:`evenbeat.reading_uncertainty`; the count law is ``triangular`` where nothing is said.
    rated_hz
        Lowest and highest rated frequency.
    reference_uncertainty
        Relative standard uncertainty of what was applied, where a row does not state its own.
    rule, coverage
        Decision rule and coverage probability of its U, see :func:`evenbeat.decide`.
    locked
        Whether the stimulus ran from the counter's own timebase: nothing is said about the timebase then.

    Returns
    -------
    BenchCheck
        A verdict on each point and on the counter as a whole.

    Raises
    ------
    LogError
        If the sheet cannot be read; the sentence names the row.
    InputError
        If nothing says what is permitted.

    Notes
    -----
    The budget of a deviation leaves out the timebase, which is under test. Scatter of the readings enters
    where it exceeds what resolution and trigger explain (chi-squared, 1 %). The offset of the timebase is
    the weighted mean of all relative deviations (JCGM 100:2008, 5; of a period with its sign turned) but
    those more than four standard uncertainties from their weighted median, which are called miscounts.

    Examples
    --------
    >>> import evenbeat as eb
    >>> check = eb.bench_check(eb.demo_data("counter-check-readings.csv"))
    >>> check.verdict
    'fail'

    References
    ----------
    Formula: E = (y - y_applied)/u
    Source: JCGM 100:2008 (GUM); ILAC-G8:09/2019
    Tests: tests/counter/test_bench.py
    """
    read = sheet if isinstance(sheet, ReadingsSheet) else read_sheet(sheet)
    stated: dict[str, Any] = {
        "permitted_relative": permitted_relative,
        "permitted_digits": permitted_digits,
        "clock_tick_s": clock_tick_s,
        "input_noise_v": input_noise_v,
        "count_law": count_law,
        "rated_hz": rated_hz,
    }
    facts = replace(read.facts, **{name: value for name, value in stated.items() if value is not None})
    if facts.permitted_relative is None:
        msg = "nothing says what is permitted; state permitted_relative, or '# permitted: 1e-6' in the sheet"
        raise InputError(msg)
    need_not_negative(permitted_relative=facts.permitted_relative)
    if facts.permitted_digits is None:
        facts = replace(facts, permitted_digits=1.0)
    chosen = decision_rule(rule)
    points = tuple(
        _checked(point, facts, chosen, coverage, reference_uncertainty, locked=locked)
        for point in read.points
    )
    kept, apart = _told_apart(points)
    timebase = None if locked or not kept else _common_offset(kept, reference_uncertainty)
    disagreements = _disagreements(points)
    usable = _usable(points)
    found = _remarks(
        points,
        facts=facts,
        digits_stated=read.facts.permitted_digits is not None,
        locked=locked,
        kept=kept,
        apart=apart,
        timebase=timebase,
        disagreements=disagreements,
        usable=usable,
    )
    return BenchCheck(
        name=read.name,
        points=points,
        rule=chosen,
        timebase_offset=timebase,
        disagreements=disagreements,
        usable_hz=usable,
        facts=facts,
        findings=merged(read.findings, found),
    )


def _remarks(
    points: Sequence[BenchPoint],
    *,
    facts: SheetFacts,
    digits_stated: bool,
    locked: bool,
    kept: Sequence[BenchPoint],
    apart: Sequence[tuple[BenchPoint, float]],
    timebase: Estimate | None,
    disagreements: Sequence[tuple[SheetPoint, SheetPoint, float]],
    usable: tuple[float, float],
) -> Iterator[Finding]:
    """Yield what was assumed, what each point tells, and what they tell together."""
    if facts.count_law is None:
        sentence = "Nothing says how the gate starts, so it is taken as running free of the input."
        yield note("COUNT_LAW_ASSUMED", sentence)
    if not digits_stated and facts.permitted_digits == 1:
        yield note("DIGITS_ASSUMED", "Nothing says how many least digits are permitted; one is assumed.")
    if facts.clock_tick_s is None:
        sentence = "No clock tick is stated, so timed readings are taken to resolve one least digit."
        yield note("CLOCK_TICK_UNKNOWN", sentence)
    if locked:
        sentence = "The stimulus ran from the counter's own timebase, so nothing is said about the timebase."
        yield caution("TIMEBASE_CANCELS", sentence)
    yield from (f for point in points for f in point.findings if f.code != "POINT_CANNOT_TELL")
    silent = [p for p in points if any(f.code == "POINT_CANNOT_TELL" for f in p.findings)]
    if silent:
        shown = "; ".join(
            f"{p.point.function.replace('_', ' ')} {p.point.short_title} ({p.deviation.limited_by})"
            for p in silent
        )
        say = "points say" if len(silent) > 1 else "point says"
        sentence = (
            f"{len(silent)} {say} nothing about the counter's limits, as the uncertainty exceeds what is "
            f"permitted: {shown}."
        )
        yield note("POINT_CANNOT_TELL", sentence, points=len(silent))
    for point, distance in apart:
        p, counts = point.point, point.deviation.value
        if p.function != "totalise" and p.gate_s is not None:
            counts *= p.gate_s * (p.pulses_per_revolution / 60 if p.function == "rpm" else 1.0)
        if p.function in RISES_WITH_TIMEBASE:
            said = (
                f"lies {abs(distance):.0f} standard uncertainties from the other points; look at level, "
                "slope and cabling of this signal."
            )
        elif counts < 0:
            said = (
                f"about {abs(counts):.0f} counts are lost; the input did not follow every period. Raise the "
                "level or look at the trigger threshold."
            )
        else:
            said = (
                f"about {counts:.0f} counts too many; noise or ringing crosses the threshold more than once. "
                "Lower the level, attenuate or filter."
            )
        yield caution("MISCOUNT", f"{p.title}: {said}", counts=counts, standard_uncertainties=distance)
    repeated = [p.point.readings for p in points if len(p.point.readings) > 1]
    frozen = sum(min(readings) == max(readings) for readings in repeated)
    if frozen:
        sentence = (
            f"At {frozen} of {len(repeated)} points that were read more than once all readings are the same: "
            "stimulus and timebase may be in step, and more readings do not make the count finer."
        )
        yield note("FROZEN_READINGS", sentence, points=frozen)
    if timebase is not None and len(kept) > 1:
        z = [(p.relative_deviation - timebase.value) / p.relative_uncertainty for p in kept]
        chance = float(special.chdtrc(len(kept) - 1, math.fsum(v * v for v in z)))
        those, severity = f"{len(kept)} points that read the timebase", good
        sentence = f"All {those} agree on one offset (chi-squared, p = {chance:.2g})."
        if not chance > UNLIKELY:
            severity = caution
            sentence = (
                f"The {those} do not agree on one offset (chi-squared, p = {chance:.1g}): a stated "
                "resolution or noise is too small, or a function errs."
            )
        yield severity("TIMEBASE_AGREES", sentence, probability=chance)
    for a, b, size in disagreements:
        sentence = (
            f"{a.title} and {b.title} read one signal and differ by {abs(size):.1f} standard uncertainties."
        )
        yield caution("FUNCTIONS_DISAGREE", sentence, standard_uncertainties=size)
    rated = facts.rated_hz
    if rated is not None and not (usable[0] <= rated[0] and usable[1] >= rated[1]):
        shown = "no frequency" if math.isnan(usable[0]) else f"{usable[0]:g} Hz to {usable[1]:g} Hz"
        sentence = f"Readings passed from {shown}; the rated range is {rated[0]:g} Hz to {rated[1]:g} Hz."
        yield caution("RATED_RANGE_NOT_SHOWN", sentence)
    beyond = [
        p.point
        for p in points
        if (own := p.point.rated_hz or rated) is not None
        and math.isfinite(frequency := p.point.event_frequency_hz)
        and not own[0] <= frequency <= own[1]
    ]
    if beyond:
        worst = max(beyond, key=lambda point: point.event_frequency_hz)
        sentence = (
            f"{counted(len(beyond), 'point lies', 'points lie')} outside the rated range (one: "
            f"{worst.title}): what a counter does there is not promised, and levels or frequencies past its "
            "ratings can damage it; obey its manual."
        )
        yield caution("BEYOND_RATED_RANGE", sentence, points=len(beyond))


def _checked(
    point: SheetPoint,
    facts: SheetFacts,
    rule: DecisionRule,
    coverage: float,
    reference_uncertainty: float,
    *,
    locked: bool,
) -> BenchPoint:
    deviation = _deviation(point, facts, reference_uncertainty, locked=locked)
    digit = 0.0 if point.least_digit is None else point.least_digit
    permitted = (facts.permitted_relative or 0.0) * point.applied + (facts.permitted_digits or 0.0) * digit
    if not permitted > 0:
        msg = f"line {point.rows[0]}: nothing is permitted; state a relative limit or a least digit"
        raise InputError(msg)
    decision = decide(deviation.estimate, lower=-permitted, upper=permitted, rule=rule, coverage=coverage)
    found = []
    verdict: PointVerdict = decision.verdict
    nearest = abs(deviation.value) - decision.expanded_uncertainty
    if decision.expanded_uncertainty > permitted > nearest:
        verdict = "no statement"
        sentence = (
            f"{point.title}: the uncertainty {decision.expanded_uncertainty:.2g} {UNITS[point.function]} "
            f"({deviation.limited_by}) exceeds the permitted {permitted:.2g}, so this point says nothing "
            "about the counter's limits."
        )
        found.append(note("POINT_CANNOT_TELL", sentence))
    if any(c.name == UNEXPLAINED for c in deviation.contributions):
        sentence = (
            f"{point.title}: the readings scatter more than resolution and trigger explain; look for a noisy "
            "or modulated signal, a level near the threshold, or a loose connection."
        )
        found.append(caution("SCATTER_UNEXPLAINED", sentence))
    return BenchPoint(
        point=point,
        deviation=deviation,
        permitted=permitted,
        conformance_probability=decision.conformance_probability,
        verdict=verdict,
        findings=tuple(found),
    )


def _deviation(
    point: SheetPoint, facts: SheetFacts, reference_uncertainty: float, *, locked: bool
) -> UncertaintyBudget:
    mean = math.fsum(point.readings) / len(point.readings)
    stated_for_row = point.reference_uncertainty
    reference = reference_uncertainty if stated_for_row is None else stated_for_row
    trigger = None
    if facts.input_noise_v and point.level_v and math.isfinite(point.event_frequency_hz):
        trigger = Trigger.of_sine(point.event_frequency_hz, point.level_v, noise_v=facts.input_noise_v)
    stated = reading_uncertainty(
        point.function,
        mean,
        method=point.method,
        gate_s=point.gate_s,
        periods=point.periods,
        clock_tick_s=facts.clock_tick_s,
        # a display as fine as the tick shows the count itself: rounding it would count twice
        least_digit=point.least_digit if facts.clock_tick_s is None else None,
        count_law=facts.count_law or "triangular",
        trigger=trigger,
        pulses_per_revolution=point.pulses_per_revolution,
        timebase=Timebase(offset=0.0, contributions=(), says="under test"),
        reference_uncertainty=reference,
        locked=locked,
    )
    parts, explained = list(stated.budget.contributions), stated.budget.standard_uncertainty
    freedom = len(point.readings) - 1
    variance = float(np.var(point.readings, ddof=1)) if freedom else 0.0
    if variance and (
        explained == 0 or special.chdtrc(freedom, freedom * variance / explained**2) <= UNLIKELY
    ):
        scatter = math.sqrt(variance / (freedom + 1))
        parts.append(Contribution(name=UNEXPLAINED, standard_uncertainty=scatter, degrees_of_freedom=freedom))
    return budget(mean - point.applied, UNITS[point.function], parts)


def _told_apart(points: Sequence[BenchPoint]) -> tuple[list[BenchPoint], list[tuple[BenchPoint, float]]]:
    """Return the points that agree on one timebase, and those far from it with their distance."""
    usable = [
        p
        for p in points
        if p.point.function != "ratio"
        and not (p.point.function == "totalise" and p.point.gate_s is None)
        and p.relative_uncertainty > 0
    ]
    if not usable:
        return [], []
    y = np.array([p.relative_deviation for p in usable])
    u = np.array([p.relative_uncertainty for p in usable])
    order = np.argsort(y)
    weight = np.cumsum((1 / u**2)[order])
    middle = y[order][np.searchsorted(weight, 0.5 * weight[-1])]
    distance = (y - middle) / u
    kept = [p for p, z in zip(usable, distance, strict=True) if abs(z) <= MISCOUNT]
    apart = [(p, float(z)) for p, z in zip(usable, distance, strict=True) if abs(z) > MISCOUNT]
    return kept, apart


def _common_offset(kept: Sequence[BenchPoint], reference_uncertainty: float) -> Estimate:
    stated = [p.point.reference_uncertainty for p in kept]
    reference = np.array([reference_uncertainty if u is None else u for u in stated])
    whole = np.array([p.relative_uncertainty for p in kept])
    weight = 1 / np.maximum(whole**2 - reference**2, 1e-40)
    mean = float(weight @ [p.relative_deviation for p in kept] / weight.sum())
    # the reference is common to all points and does not average
    common = float(weight @ reference / weight.sum())
    return Estimate.normal(mean, math.hypot(1 / math.sqrt(weight.sum()), common))


def _disagreements(points: Sequence[BenchPoint]) -> tuple[tuple[SheetPoint, SheetPoint, float], ...]:
    """Compare every two functions that read the same signal; a common timebase cancels."""
    found = []
    for i, first in enumerate(points):
        for second in points[i + 1 :]:
            f, g = first.point.event_frequency_hz, second.point.event_frequency_hz
            if first.point.function == second.point.function or not abs(f - g) <= SAME_SIGNAL * abs(f):
                continue
            spread = math.hypot(first.relative_uncertainty, second.relative_uncertainty)
            if spread == 0:
                continue
            size = (first.relative_deviation - second.relative_deviation) / spread
            if abs(size) > DISAGREES:
                found.append((first.point, second.point, size))
    return tuple(found)


def _usable(points: Sequence[BenchPoint]) -> tuple[float, float]:
    """Return the frequencies within which every frequency point that can tell passed."""
    told = [p for p in points if p.point.function == "frequency" and p.verdict != "no statement"]
    bad = {p.point.event_frequency_hz for p in told if "fail" in p.verdict}
    good = sorted({p.point.event_frequency_hz for p in told} - bad)
    return (good[0], good[-1]) if good else (math.nan, math.nan)
