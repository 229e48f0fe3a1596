"""The case for an interval: everything an auditor asks for beside the answer itself.

What was agreed before, how the interval changes with what was asked or assumed, and what would break it.

Source: the decision rule is agreed before measuring, ISO/IEC 17025:2017, 7.1.3; guard bands, ILAC-G8:09/2019.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import math
import platform
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import TypeAlias

from scipy import special

from evenbeat.calibration.decision import Decision, DecisionRule, decision_rule
from evenbeat.calibration.history_model import HistoryModel
from evenbeat.calibration.interval import IntervalSuggestion, Meaning, checked_date, running_mean
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.forecaster import first_exit
from evenbeat.clock.tested import Backtest
from evenbeat.errors import EvenbeatError, InputError
from evenbeat.findings import Finding, Severity, caution, good
from evenbeat.plain import Plain, declared, listed_as
from evenbeat.quantities import FloatArray, StudentMixture
from evenbeat.record import Source
from evenbeat.units import SECONDS_PER_YEAR, duration_text


@dataclass(frozen=True, kw_only=True)
class DecisionBasis(Plain):
    """The decision rule, since when it holds, and who decides; made by :meth:`of`.

    Attributes
    ----------
    rule
        By which values are accepted, and what it holds back from the tolerance of an interval.
    rule_chosen_on
        Day on which it was chosen; ``None`` where nobody says.
    decided_by, decided_on
        Who decides on the interval and when: empty fields to be filled in by hand.
    """

    rule: DecisionRule
    rule_chosen_on: dt.date | None = None
    decided_by: str = ""
    decided_on: dt.date | None = None

    @classmethod
    def of(
        cls,
        rule: str | DecisionRule = "simple_acceptance",
        *,
        rule_chosen_on: dt.date | str | None = None,
        decided_by: str = "",
        decided_on: dt.date | str | None = None,
    ) -> DecisionBasis:
        """Return the basis.

        Raises
        ------
        InputError
            If the rule is not known or a day is not an ISO date.
        """
        return cls(
            rule=decision_rule(rule),
            rule_chosen_on=checked_date(rule_chosen_on, "rule_chosen_on"),
            decided_by=decided_by.strip(),
            decided_on=checked_date(decided_on, "decided_on"),
        )

    def guard_band(self, tolerance: Tolerance, standard_uncertainty: float) -> float:
        """Return what the rule holds back from either limit, for U = 2 u of the next calibration.

        Raises
        ------
        InputError
            If nothing of the tolerance is left.
        """
        band = self.rule.guard_band(tolerance.half_width, 2 * standard_uncertainty)
        if not band < tolerance.half_width:
            msg = (
                f"the rule {self.rule.name} holds back {band:.3g}, which leaves nothing of the tolerance "
                f"{tolerance}; measure with less uncertainty or agree on another rule"
            )
            raise InputError(msg)
        return band

    def finding(self, first_used: dt.date | None) -> Finding:
        """Say whether the rule was chosen before the measurement that it judges."""
        if self.rule_chosen_on is None:
            sentence = (
                f"It is not stated when the decision rule ({self.rule.name}) was chosen; it must be agreed "
                "before the measurement that it judges."
            )
            return caution("RULE_NOT_DATED", sentence)
        if first_used is None:
            sentence = "The data have no dates, so it cannot be told whether the rule was chosen before them."
            return caution("RULE_NOT_COMPARED", sentence)
        late = self.rule_chosen_on > first_used
        sentence = (
            f"The decision rule ({self.rule.name}) was chosen on {self.rule_chosen_on}, "
            f"{'after' if late else 'before'} the measurement of {first_used} that it judges."
        )
        return caution("RULE_AFTER_DATA", sentence) if late else good("RULE_BEFORE_DATA", sentence)

    def _facts(self) -> Mapping[str, object]:
        return {
            "rule": self.rule.name,
            "rule_says": self.rule.says,
            "rule_chosen_on": self.rule_chosen_on,
            "decided_by": self.decided_by or None,
            "decided_on": self.decided_on,
        }


@dataclass(frozen=True, eq=False, kw_only=True)
class Outlook:
    """A forecast of the offset and what is asked of it: as much of a suggestion as its interval needs."""

    elapsed_s: FloatArray
    offset: StudentMixture
    tolerance: Tolerance
    guard_band: float
    reliability: float
    meaning: Meaning = "end_of_period"


Foreseen: TypeAlias = IntervalSuggestion | Outlook
TOLERANCE_FACTORS = (0.8, 1.2)
RELIABILITIES = (0.90, 0.95, 0.99)
AT_END_ALONE = "as asked, but within at its end alone"
"""What stands first where never having left was asked: each line would have to be simulated for that."""


@dataclass(frozen=True, kw_only=True)
class Variation(Plain):
    """One line of the table: what was changed, and the interval then.

    NaN where not even the start holds, or the model could not be fitted: ``note`` says which.
    ``reaches_end``: it ends where the evidence does, not the tolerance.
    """

    changed: str
    interval_s: float
    reaches_end: bool = field(default=False, metadata=listed_as("reaches_end_of_evidence"))
    note: str = ""

    def __str__(self) -> str:
        if math.isnan(self.interval_s):
            return self.note or "none"
        return ("at least " if self.reaches_end else "") + duration_text(self.interval_s)


def of_the_question(suggestion: Foreseen) -> list[Variation]:
    """Return the interval for tolerances a fifth smaller and larger, and for three reliabilities."""
    first = AT_END_ALONE if suggestion.meaning == "never_left" else "as asked"
    found = [_asked(suggestion, first, 1.0, suggestion.reliability)]
    for factor in TOLERANCE_FACTORS:
        percent = round(100 * (factor - 1))
        name = f"tolerance {percent:+d} %".replace("-", "−")
        found.append(_asked(suggestion, name, factor, suggestion.reliability))
    return found + [_asked(suggestion, f"reliability {r:.2f}", 1.0, r) for r in RELIABILITIES]


def _asked(suggestion: Foreseen, changed: str, factor: float, reliability: float) -> Variation:
    """Return the interval for another question on the same forecast: at its end, or on average over it."""
    old = suggestion.tolerance
    limits = Tolerance(
        lower=factor * old.lower + suggestion.guard_band, upper=factor * old.upper - suggestion.guard_band
    )
    if not limits.lower < limits.upper:
        return Variation(changed=changed, interval_s=math.nan, note="nothing left by the guard band")
    probability = limits.probability(suggestion.offset)
    if suggestion.meaning == "average_over_period":
        probability = running_mean(suggestion.elapsed_s, probability)
    end = first_exit(suggestion.elapsed_s, probability, reliability)
    if math.isinf(end):
        return Variation(changed=changed, interval_s=float(suggestion.elapsed_s[-1]), reaches_end=True)
    return Variation(changed=changed, interval_s=end, note="not even now" if math.isnan(end) else "")


def of_the_model(
    others: Iterator[tuple[str, Callable[[], Foreseen]]], begin: Callable[[str], None]
) -> list[Variation]:
    """Return the interval for other models, by what is changed; one that cannot be fitted says why."""
    found = []
    for changed, suggest in others:
        begin(changed)
        try:
            suggestion = suggest()
        except EvenbeatError as error:
            found.append(Variation(changed=changed, interval_s=math.nan, note=f"not possible: {error}"))
            continue
        found.append(_asked(suggestion, changed, 1.0, suggestion.reliability))
    return found


def steadiness(variations: list[Variation]) -> str:
    """Return one sentence: between what the interval lies, all changes considered."""
    known = [one for one in variations if math.isfinite(one.interval_s)]
    none = len(variations) - len(known)
    if not known:
        return "No interval is possible under any of the assumptions."
    low = min(known, key=lambda one: one.interval_s)
    high = max(known, key=lambda one: one.interval_s)
    at_end = " to be within at its end alone" if variations[0].changed == AT_END_ALONE else ""
    some = f"; {none} of {len(variations)} give none" if none else ""
    if low.interval_s == high.interval_s:
        return f"Whatever is changed, the interval{at_end} is {low}{some}."
    return (
        f"The interval{at_end} lies between {duration_text(low.interval_s)} ({low.changed}) and {high} "
        f"({high.changed}){some}."
    )


MOST = 3
SEEN = 2 * 1.6448536269514722
"""Standard uncertainties between displaced and undisplaced for one-sided tests of 5 % and 95 %."""
UNSTATED = 3.0
"""Where a story that nothing is stated of stands among the others: as if it were so many uncertainties."""


@dataclass(frozen=True, kw_only=True)
class Story(Plain):
    """One story that would break the interval.

    ``size`` is how large it must be, in ``unit`` (fractional, or per year), ``uncertainties`` the same in
    standard uncertainties of what it is about (NaN where none is stated). A check ``check_after_s`` after the
    last calibration shows it, made with ``check_uncertainty`` (k = 1) at most; NaN where the forecast itself
    is too uncertain by then.
    """

    story: str
    size: float
    unit: str
    uncertainties: float
    check_after_s: float
    check_uncertainty: float


def cheapest_stories(
    model: HistoryModel,
    tolerance: Tolerance,
    interval_s: float,
    *,
    environment_uncertainty: float,
    transport_uncertainty: float,
    reference_uncertainty: float,
) -> tuple[Story, ...]:
    """Return the three stories that take fewest of their own standard uncertainties, the cheapest first.

    Each story displaces the offset; it breaks the interval where it puts the offset expected at its end on
    the nearer limit, so that the instrument is as likely out of tolerance as in. A check sees it where the
    displacement then is 3.29 standard uncertainties of the difference between reading and forecast: found
    with 95 %, with 5 % false alarms (own derivation; two one-sided normal tests).
    """
    if model.as_left is None or not interval_s > 0:
        return ()
    years, half = interval_s / SECONDS_PER_YEAR, 0.5 * interval_s
    end = float(model.offset([interval_s]).mean[0])
    displaced = min(tolerance.upper - end, end - tolerance.lower)
    if not displaced > 0:
        return ()
    drift = model.drift_per_year.standard_uncertainty
    stated = model.as_left.standard_uncertainty

    def told(story: str, known: float, *, per_year: bool = False, at_once: bool = False) -> Story:
        """Return a story; a drift has displaced half as much at half time."""
        size = displaced / years if per_year else displaced
        seen = (0.5 if per_year else 1.0) * displaced / SEEN
        after = 0.0 if at_once else half
        forecast = float(model.offset([after]).standard_deviation[0])
        room = seen**2 - forecast**2
        return Story(
            story=story,
            size=size,
            unit="1/yr" if per_year else "1",
            uncertainties=size / known if known > 0 else math.nan,
            check_after_s=after,
            check_uncertainty=math.sqrt(room) if room > 0 else math.nan,
        )

    every = (
        told("The drift is another than the calibrations show", drift, per_year=True),
        told("The last calibration was wrong, or written down wrongly", stated, at_once=True),
        told("The reference of the calibrations is off", reference_uncertainty, at_once=True),
        told("The offset jumped: a shock, transport, power off and on", transport_uncertainty),
        told("It is used in another temperature, orientation or supply", environment_uncertainty),
    )
    ranked = sorted(every, key=lambda one: UNSTATED if math.isnan(one.uncertainties) else one.uncertainties)
    return tuple(ranked[:MOST])


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

    ``decision`` is the last value under the rule of ``basis``, ``variations`` the interval when something
    asked or assumed is changed, ``models`` name, weight and interval of each law; of a log ``backtest`` holds
    forecasts against what followed, of a history ``predicted`` does, and ``stories`` say what would break the
    interval.
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
