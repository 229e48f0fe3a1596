"""What there is to say of an interval: what limits it, what was taken for granted, and what it lacks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.calibration.experiment import LEARNT, plan_experiment
from evenbeat.calibration.interval_suggestion import LimitedBy, Meaning
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.forecaster import Grounds, first_exit
from evenbeat.findings import Finding, Severity, caution, note
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, number_text
from evenbeat.units import SECONDS_PER_DAY, duration_text

USUAL_SHARE = 0.6827
SEEN = 2.0
"""Standard uncertainties from zero at which a drift counts as established here."""


@dataclass(frozen=True, kw_only=True)
class Question:
    """What was asked of an interval."""

    tolerance: Tolerance
    guard_band: float
    reliability: float
    meaning: Meaning
    averaging_time_s: float | None = None

    @property
    def limits(self) -> Tolerance:
        """The tolerance less the guard band."""
        return Tolerance.of(self.tolerance, guard_band=self.guard_band)

    @property
    def limit(self) -> str:
        """The limits in words, and what the offset is that they are for."""
        held = f" less a guard band of {self.guard_band:.2g}" if self.guard_band else ""
        over = "" if self.averaging_time_s is None else f" (mean over {duration_text(self.averaging_time_s)})"
        return f"{self.tolerance}{held}{over}"

    @property
    def percent(self) -> str:
        """The reliability in words."""
        return f"{100 * self.reliability:g} %"

    @property
    def values(self) -> dict[str, float | int | str]:
        """The numbers behind a sentence."""
        return {
            "lower": self.tolerance.lower,
            "upper": self.tolerance.upper,
            "guard_band": self.guard_band,
            "reliability": self.reliability,
            "meaning": self.meaning,
        }


def limit_finding(
    question: Question,
    limited_by: LimitedBy,
    *,
    interval_s: float,
    extrapolated_s: float,
    as_left: Estimate,
) -> Finding:
    """Return the finding that says what limits an interval."""
    limit, lasting = question.limit, duration_text(0.0 if math.isnan(interval_s) else interval_s)
    severity: Severity = "note"
    if limited_by == "start":
        code, severity = "INTERVAL_NONE", "stop"
        offset = number_text(as_left.value, as_left.standard_uncertainty)
        sentence = (
            f"The offset at the start is {offset}, not within {limit} with a probability of "
            f"{question.percent}; adjust the oscillator, reduce the uncertainty or widen the tolerance."
        )
    elif limited_by == "tolerance":
        code = "INTERVAL_LIMITED"
        said = {
            "end_of_period": f"the probability of being within {limit} falls",
            "average_over_period": f"the probability of being within {limit}, averaged from the start, falls",
            "never_left": f"the probability of never having left {limit} falls",
        }[question.meaning]
        sentence = f"After {lasting} {said} below {question.percent}."
    elif limited_by == "policy":
        code = "INTERVAL_CAPPED"
        sentence = (
            f"The cap that was stated limits the interval to {lasting}; the tolerance {limit} would allow "
            "more."
        )
    else:
        code, severity = "INTERVAL_EVIDENCE_ENDS", "caution"
        further = "beyond 20 years" if math.isinf(extrapolated_s) else f"to {duration_text(extrapolated_s)}"
        untested = f"as far as the evidence reaches; the aging law alone would carry on {further}, untested"
        length = {
            "record length": f"for as long as the record is ({lasting}), {untested}",
            "longest interval": f"for twice the longest interval that was observed ({lasting}), {untested}",
        }.get(limited_by, f"for {lasting}, as far as a stated drift is followed")
        sentence = f"The offset stays within {limit} {length}."
    return Finding(code=code, severity=severity, sentence=sentence, values=question.values)


def reference_findings(grounds: Grounds, reference_uncertainty: float) -> list[Finding]:
    """Say that the reference of a log counts as exact where nothing was stated of it."""
    if grounds.reference_stated or reference_uncertainty > 0:
        return []
    sentence = (
        "The reference counts as exact: state the uncertainty of its frequency to include it in the interval."
    )
    return [caution("REFERENCE_EXACT", sentence)]


def missing_at_start(question: Question, offset: StudentMixture, terms: dict[str, float]) -> list[Finding]:
    """Say what is missing where not even the start holds: an adjustment, or less uncertainty."""
    limits = question.limits
    mean, spread = float(offset.mean), float(offset.standard_deviation)
    if not limits.holds(mean):
        sentence = (
            "Missing: an adjustment. The offset itself is outside; no longer log changes that "
            "(suggest_setpoint says what to leave it at)."
        )
        return [_finding(sentence)]
    needed = _needed(limits, mean, question.reliability)
    largest = max(terms, key=lambda name: terms[name])
    sentence = (
        f"Missing: certainty. The offset at the start is known to {spread:.2g}, and {needed:.2g} or less is "
        f"needed; the largest part is {largest.replace('as left', 'the adjustment')} ({terms[largest]:.2g})."
    )
    return [_finding(sentence, needed_standard_uncertainty=needed, standard_uncertainty=spread)]


def missing_for(
    grounds: Grounds,
    question: Question,
    limited_by: LimitedBy,
    *,
    interval_s: float,
    wanted_s: float,
    offset: StudentMixture,
) -> list[Finding]:
    """Say what is missing for a wanted interval, after which the offset is so distributed."""
    if interval_s >= wanted_s:
        return []
    wanted = duration_text(wanted_s)
    if limited_by in ("record length", "longest interval"):
        half = duration_text(0.5 * wanted_s)
        what = (
            f"a log of {wanted}, or calibrations {half} apart (longest_observed_s)"
            if grounds.kind == "log"
            else f"one interval of {half} between calibrations"
        )
        sentence = f"Missing for {wanted}: evidence that reaches so far, which is {what}."
        return [_finding(sentence, record_length_s=wanted_s)]
    rate = grounds.drift_rate
    if limited_by != "tolerance" or grounds.kind == "statement" or rate is None:
        return []
    limits = question.limits
    mean, spread = float(offset.mean), _usual(offset)
    within = float(limits.probability(offset))
    said = f"After {wanted} the probability of being within {question.limit} is {within:.1%}"
    known = _usual(rate.distribution)
    drifting = known * wanted_s
    if abs(rate.value) < SEEN * known:
        # a drift that is not established may turn out to be none
        mean -= rate.value * wanted_s
    if not limits.holds(mean):
        sentence = (
            f"{said}: the drift itself leaves it by then. No longer log changes that: leave the oscillator "
            "off zero against its drift (suggest_setpoint), widen the tolerance, or calibrate more often."
        )
        return [_finding(sentence, probability=within)]
    needed, rest = _needed(limits, mean, question.reliability), math.sqrt(max(spread**2 - drifting**2, 0.0))
    if rest >= needed:
        sentence = (
            f"{said}: noise, as far as it is known, and the start make {rest:.2g} by themselves, and "
            f"{needed:.2g} in all is allowed. A longer log helps only if it shows less noise than this one "
            "has to allow for."
        )
        return [_finding(sentence, probability=within)]
    rate_needed = math.sqrt(needed**2 - rest**2) / wanted_s
    return [_log_longer(grounds, said, rate_needed, known, within)]


def _usual(distribution: StudentMixture) -> float:
    """Return half the width of the 68 % interval: unlikely noises and laws far from the rest count little."""
    low, high = distribution.interval(USUAL_SHARE)
    return 0.5 * float(high - low)


def _log_longer(grounds: Grounds, said: str, needed: float, known: float, within: float) -> Finding:
    per_day, now = needed * SECONDS_PER_DAY, known * SECONDS_PER_DAY
    words = f"{said}: missing is a better known drift, {per_day:.1e} per day instead of {now:.1e} (k = 1)"
    if grounds.log is None:
        sentence = f"{words}; further calibrations, or a log between them, give it."
        return _finding(sentence, probability=within, needed_per_day=per_day)
    goal = plan_experiment(grounds.log, drift_uncertainty_per_day=per_day).goals[0]
    seen = grounds.reach_s
    short, long = (max(length, seen) for length in (goal.record_length_s, goal.safe_length_s))
    if math.isinf(short):
        return _finding(f"{words}; with this noise no log gives it.", probability=within)
    most = "longer than a hundred years" if math.isinf(long) else duration_text(long)
    sentence = (
        f"{words}: a log of {duration_text(short)} in all if the noise is what it seems, {most} if it is as "
        f"bad as this log allows and has to be learnt again (which widens by {LEARNT:g})."
    )
    return _finding(
        sentence,
        probability=within,
        needed_per_day=per_day,
        record_length_s=short,
        **({"safe_length_s": long} if math.isfinite(long) else {}),
    )


def _needed(limits: Tolerance, mean: float, reliability: float) -> float:
    """Return the largest standard uncertainty (normal) with which a mean is within limits as asked."""
    room = min(limits.upper - mean, mean - limits.lower)
    most = room / float(special.ndtri(reliability)) if reliability > 0.5 else 10 * room

    def within(spreads: FloatArray) -> FloatArray:
        return limits.probability(StudentMixture.normal(np.full(len(spreads), mean), spreads))

    ends = np.array([1e-9, 1.001]) * most
    return min(first_exit(ends, within(ends), reliability, between=within), most)


def _finding(sentence: str, **values: float) -> Finding:
    return note("WHAT_IS_MISSING", sentence, **values)
