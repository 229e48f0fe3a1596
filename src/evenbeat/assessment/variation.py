"""How the interval changes with what was asked and with what was assumed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

from evenbeat.calibration.interval import IntervalSuggestion, Meaning, running_mean
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.forecaster import first_exit
from evenbeat.errors import EvenbeatError
from evenbeat.plain import Plain, listed_as
from evenbeat.quantities import FloatArray, StudentMixture
from evenbeat.units import duration_text


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

    Attributes
    ----------
    interval_s
        NaN where not even the start holds, or the model could not be fitted; ``note`` says which.
    reaches_end
        Whether it ends where the evidence does, not the tolerance.
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
    """Return the interval for other models; one that cannot be fitted says why.

    Parameters
    ----------
    others
        What is changed, and what computes the suggestion then.
    begin
        Called with what is changed before each is computed.
    """
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
