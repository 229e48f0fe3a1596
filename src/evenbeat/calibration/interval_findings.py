"""What there is to say of an interval: what limits it, and what was taken for granted."""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenbeat.calibration.interval_suggestion import LimitedBy, Meaning
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.forecaster import Grounds
from evenbeat.findings import Finding
from evenbeat.quantities import Estimate, number_text
from evenbeat.units import duration_text


@dataclass(frozen=True, kw_only=True)
class Question:
    """What was asked of an interval."""

    tolerance: Tolerance
    guard_band: float
    reliability: float
    meaning: Meaning
    averaging_time_s: float | None = None

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
    if limited_by == "start":
        return _none(question, as_left)
    if limited_by == "tolerance":
        said = {
            "end_of_period": f"the probability of being within {question.limit} falls",
            "average_over_period": (
                f"the probability of being within {question.limit}, averaged from the start, falls"
            ),
            "never_left": f"the probability of never having left {question.limit} falls",
        }[question.meaning]
        sentence = f"After {duration_text(interval_s)} {said} below {question.percent}."
        return Finding(code="INTERVAL_LIMITED", severity="note", sentence=sentence, values=question.values)
    if limited_by == "policy":
        sentence = (
            f"The cap that was stated limits the interval to {duration_text(interval_s)}; the tolerance "
            f"{question.limit} would allow more."
        )
        return Finding(code="INTERVAL_CAPPED", severity="note", sentence=sentence, values=question.values)
    return _evidence_ends(question, limited_by, interval_s, extrapolated_s)


def _none(question: Question, as_left: Estimate) -> Finding:
    offset = number_text(as_left.value, as_left.standard_uncertainty)
    sentence = (
        f"The offset at the start is {offset}, not within {question.limit} with a probability of "
        f"{question.percent}; adjust the oscillator, reduce the uncertainty or widen the tolerance."
    )
    return Finding(code="INTERVAL_NONE", severity="stop", sentence=sentence, values=question.values)


def _evidence_ends(
    question: Question, limited_by: LimitedBy, interval_s: float, extrapolated_s: float
) -> Finding:
    further = "beyond 20 years" if math.isinf(extrapolated_s) else f"to {duration_text(extrapolated_s)}"
    untested = f"as far as the evidence reaches; the aging law alone would carry on {further}, untested"
    length = {
        "record length": f"for as long as the record is ({duration_text(interval_s)}), {untested}",
        "longest interval": (
            f"for twice the longest interval that was observed ({duration_text(interval_s)}), {untested}"
        ),
    }.get(limited_by, f"for {duration_text(interval_s)}, as far as a stated drift is followed")
    sentence = f"The offset stays within {question.limit} {length}."
    return Finding(
        code="INTERVAL_EVIDENCE_ENDS", severity="caution", sentence=sentence, values=question.values
    )


def reference_findings(grounds: Grounds, reference_uncertainty: float) -> list[Finding]:
    """Say that the reference of a log counts as exact where nothing was stated of it."""
    if grounds.reference_stated or reference_uncertainty > 0:
        return []
    sentence = (
        "The reference counts as exact: state the uncertainty of its frequency to include it in the interval."
    )
    return [Finding(code="REFERENCE_EXACT", severity="caution", sentence=sentence)]
