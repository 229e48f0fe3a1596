"""One point of a counter's check, and what the points say together, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from scipy import special

from evenbeat.counter.budget import UncertaintyBudget
from evenbeat.counter.reading import RISES_WITH_TIMEBASE, UNITS
from evenbeat.counter.sheet import SheetFacts, SheetPoint
from evenbeat.findings import Finding, caution, note
from evenbeat.plain import UNLISTED, Plain, declared
from evenbeat.quantities import Estimate
from evenbeat.units import counted

PointVerdict = Literal["pass", "conditional pass", "conditional fail", "fail", "no statement"]
UNLIKELY = 0.01
UNEXPLAINED = "scatter of readings"


@dataclass(frozen=True, eq=False, kw_only=True)
class BenchPoint(Plain):
    """One point of the check.

    Attributes
    ----------
    point
        As in the sheet.
    deviation
        Mean reading less what was applied, with the budget that the timebase is no part of.
    permitted
        Largest deviation permitted, in the unit of the reading.
    conformance_probability
        That the true deviation is within it.
    verdict
        By the decision rule, but ``no statement`` where the uncertainty exceeds what is permitted and the
        deviation is not certain to exceed it either.
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


def about_scatter(point: SheetPoint, deviation: UncertaintyBudget) -> tuple[Finding, ...]:
    """Say where readings scatter more than is explained."""
    if any(c.name == UNEXPLAINED for c in deviation.contributions):
        sentence = (
            f"{point.title}: the readings scatter more than resolution and trigger explain; look for a "
            "noisy or modulated signal, a level near the threshold, or a loose connection."
        )
        return (caution("SCATTER_UNEXPLAINED", sentence),)
    return ()


def assumptions(facts: SheetFacts, said: SheetFacts, *, locked: bool) -> list[Finding]:
    """Say what neither sheet nor caller stated."""
    found = []
    if facts.count_law is None:
        sentence = "Nothing says how the gate starts, so it is taken as running free of the input."
        found.append(note("COUNT_LAW_ASSUMED", sentence))
    if said.permitted_digits is None and facts.permitted_digits == 1:
        sentence = "Nothing says how many least digits are permitted; one is assumed."
        found.append(note("DIGITS_ASSUMED", sentence))
    if facts.clock_tick_s is None:
        sentence = "No clock tick is stated, so timed readings are taken to resolve one least digit."
        found.append(note("CLOCK_TICK_UNKNOWN", sentence))
    if locked:
        sentence = "The stimulus ran from the counter's own timebase, so nothing is said about the timebase."
        found.append(caution("TIMEBASE_CANCELS", sentence))
    return found


def about_miscounts(apart: Sequence[tuple[BenchPoint, float]]) -> list[Finding]:
    """Say which points lost or gained counts."""
    found = []
    for point, distance in apart:
        counts = point.deviation.value / _count_size(point)
        if point.point.function in RISES_WITH_TIMEBASE:
            sentence = (
                f"{point.point.title}: lies {abs(distance):.0f} standard uncertainties from the "
                "other points; look at level, slope and cabling of this signal."
            )
        elif counts < 0:
            sentence = (
                f"{point.point.title}: about {abs(counts):.0f} counts are lost; the input did not follow "
                "every period. Raise the level or look at the trigger threshold."
            )
        else:
            sentence = (
                f"{point.point.title}: about {counts:.0f} counts too many; noise or ringing crosses the "
                "threshold more than once. Lower the level, attenuate or filter."
            )
        found.append(caution("MISCOUNT", sentence, counts=counts, standard_uncertainties=distance))
    return found


def _count_size(point: BenchPoint) -> float:
    p = point.point
    if p.function == "totalise" or p.gate_s is None:
        return 1.0
    return (60 / p.pulses_per_revolution if p.function == "rpm" else 1.0) / p.gate_s


def about_frozen(points: Sequence[BenchPoint]) -> list[Finding]:
    """Say at how many points every reading was the same."""
    repeated = [p for p in points if len(p.point.readings) > 1]
    frozen = [p for p in repeated if min(p.point.readings) == max(p.point.readings)]
    if not frozen:
        return []
    sentence = (
        f"At {len(frozen)} of {len(repeated)} points that were read more than once all readings are the "
        "same: stimulus and timebase may be in step, and more readings do not make the count finer."
    )
    return [note("FROZEN_READINGS", sentence, points=len(frozen))]


def about_consistency(kept: Sequence[BenchPoint], timebase: Estimate | None) -> list[Finding]:
    """Say whether all points agree on one timebase."""
    if timebase is None or len(kept) < 2:
        return []
    z = [(p.relative_deviation - timebase.value) / p.relative_uncertainty for p in kept]
    chance = float(special.chdtrc(len(kept) - 1, math.fsum(v * v for v in z)))
    if chance > UNLIKELY:
        sentence = (
            f"All {len(kept)} points that read the timebase agree on one offset (chi-squared, "
            f"p = {chance:.2g})."
        )
        severity: Literal["good", "caution"] = "good"
    else:
        sentence = (
            f"The {len(kept)} points that read the timebase do not agree on one offset (chi-squared, "
            f"p = {chance:.1g}): a stated resolution or noise is too small, or a function errs."
        )
        severity = "caution"
    return [
        Finding(code="TIMEBASE_AGREES", severity=severity, sentence=sentence, values={"probability": chance})
    ]


def about_disagreements(pairs: Sequence[tuple[SheetPoint, SheetPoint, float]]) -> list[Finding]:
    """Say which functions read one signal differently."""
    return [
        caution(
            "FUNCTIONS_DISAGREE",
            (
                f"{a.title} and {b.title} read one signal and differ by {abs(size):.1f} standard "
                "uncertainties."
            ),
            standard_uncertainties=size,
        )
        for a, b, size in pairs
    ]


def about_range(
    points: Sequence[BenchPoint], usable: tuple[float, float], rated: tuple[float, float] | None
) -> list[Finding]:
    """Compare where readings passed with the rated range, and name points beyond it."""
    found = []
    if rated is not None and not (usable[0] <= rated[0] and usable[1] >= rated[1]):
        shown = "no frequency" if math.isnan(usable[0]) else f"{usable[0]:g} Hz to {usable[1]:g} Hz"
        sentence = f"Readings passed from {shown}; the rated range is {rated[0]:g} Hz to {rated[1]:g} Hz."
        found.append(caution("RATED_RANGE_NOT_SHOWN", sentence))
    beyond = [p for p in points if _is_beyond(p.point, p.point.rated_hz or rated)]
    if beyond:
        worst = max(beyond, key=lambda p: p.point.event_frequency_hz)
        sentence = (
            f"{counted(len(beyond), 'point lies', 'points lie')} outside the rated range (one: "
            f"{worst.point.title}): what a counter "
            "does there is not promised, and levels or frequencies past its ratings can damage it; obey its "
            "manual."
        )
        found.append(caution("BEYOND_RATED_RANGE", sentence, points=len(beyond)))
    return found


def _is_beyond(point: SheetPoint, rated: tuple[float, float] | None) -> bool:
    frequency = point.event_frequency_hz
    if rated is None or not math.isfinite(frequency):
        return False
    return not rated[0] <= frequency <= rated[1]
