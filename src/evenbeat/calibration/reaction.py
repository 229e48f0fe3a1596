"""Intervals that react to each found state, and what few found states can show.

Sources: staircase ('automatic') and control-chart methods, ILAC-G24:2022/OIML D 10; equilibrium of a
staircase is elementary; Jeffreys and Clopper-Pearson bounds, Brown, Cai & DasGupta 2001.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from evenbeat.errors import InputError
from evenbeat.quantities import checked_probability


@dataclass(frozen=True, kw_only=True)
class Staircase:
    """Lengthen the interval by a share after each 'in', shorten it after each 'out'.

    Attributes
    ----------
    lengthen, shorten
        ``interval · (1 + lengthen)`` or ``interval · (1 - shorten)``.
    """

    lengthen: float = 0.1
    shorten: float = 0.55

    def __post_init__(self) -> None:
        if not (self.lengthen > 0 and 0 < self.shorten < 1):
            msg = f"lengthen is {self.lengthen} and shorten {self.shorten}; lengthen > 0 and 0 < shorten < 1"
            raise InputError(msg)

    def after(self, interval_s: float, found_in: Sequence[bool]) -> float:
        """Return the interval after these found states."""
        for inside in found_in:
            interval_s *= 1 + self.lengthen if inside else 1 - self.shorten
        return interval_s

    @property
    def equilibrium_reliability(self) -> float:
        """The share found in at which the interval neither grows nor shrinks."""
        fall, rise = -math.log1p(-self.shorten), math.log1p(self.lengthen)
        return fall / (rise + fall)

    @classmethod
    def aiming_at(cls, reliability: float, *, lengthen: float = 0.1) -> Staircase:
        """Return the staircase whose equilibrium is this reliability."""
        target = checked_probability(reliability, "reliability")
        return cls(lengthen=lengthen, shorten=-math.expm1(-math.log1p(lengthen) * target / (1 - target)))


@dataclass(frozen=True, kw_only=True)
class ReliabilityBounds:
    """What so many found in of so many show: median (Jeffreys) and two lower bounds."""

    median: float
    jeffreys_low: float
    clopper_pearson_low: float


def reliability_bounds(found_in: int, inspected: int, *, confidence: float = 0.95) -> ReliabilityBounds:
    """Return the reliability that found states support.

    Parameters
    ----------
    confidence
        Probability that the reliability is above the lower bounds.

    Raises
    ------
    InputError
        If the counts are impossible.
    """
    if not 0 <= found_in <= inspected or inspected < 1:
        msg = f"{found_in} of {inspected} found in is impossible; 0 <= found_in <= inspected is needed"
        raise InputError(msg)
    tail = 1 - checked_probability(confidence, "confidence")
    out = inspected - found_in
    clopper = float(special.betaincinv(found_in, out + 1, tail)) if found_in else 0.0
    return ReliabilityBounds(
        median=float(special.betaincinv(found_in + 0.5, out + 0.5, 0.5)),
        jeffreys_low=float(special.betaincinv(found_in + 0.5, out + 0.5, tail)),
        clopper_pearson_low=clopper,
    )


def inspections_without_failure(reliability: float, confidence: float = 0.95) -> int:
    """Return how many must be found in, none out, to show a reliability: ``ln(1 - C) / ln R``."""
    r = checked_probability(reliability, "reliability")
    c = checked_probability(confidence, "confidence")
    return math.ceil(math.log1p(-c) / math.log(r) - 1e-12)


@dataclass(frozen=True, kw_only=True)
class ControlChart:
    """Individuals and moving range of the changes between calibrations.

    Attributes
    ----------
    centre, low, high
        Mean and limits: 2.66 mean moving ranges from it (Shewhart; ISO 7870-2:2023, individuals chart).
    outside
        Positions of changes beyond the limits.
    """

    centre: float
    low: float
    high: float
    outside: tuple[int, ...]


def control_chart(changes: Sequence[float]) -> ControlChart:
    """Return the chart of individual changes.

    Raises
    ------
    InputError
        For fewer than two changes.
    """
    values = np.asarray(changes, dtype=float)
    if len(values) < 2 or not np.all(np.isfinite(values)):
        msg = f"{len(values)} change(s) are given; a control chart needs at least two finite ones"
        raise InputError(msg)
    centre = float(values.mean())
    reach = 3 / 1.128379 * float(np.mean(np.abs(np.diff(values))))
    outside = np.flatnonzero(np.abs(values - centre) > reach)
    return ControlChart(
        centre=centre, low=centre - reach, high=centre + reach, outside=tuple(outside.tolist())
    )


@dataclass(frozen=True, kw_only=True)
class ObservedRate:
    """An interval judged by the share found in: the update and whether it is called for.

    Attributes
    ----------
    interval_s, low_s, high_s
        ``I ln R* / ln R`` for an exponential law, with a 90 % interval (Jeffreys).
    probability
        Of so few found in, or fewer, at the target (binomial).
    significant
        Whether the observed share differs from the target at 5 %; otherwise keep the interval.
    """

    interval_s: float
    low_s: float
    high_s: float
    probability: float
    significant: bool


def observed_rate(
    found_in: int, inspected: int, interval_s: float, *, reliability: float = 0.95
) -> ObservedRate:
    """Return the interval that the observed share suggests, and whether the change is called for.

    Raises
    ------
    InputError
        If the counts or the interval are impossible.
    """
    target = checked_probability(reliability, "reliability")
    if not 0 <= found_in <= inspected or inspected < 1 or not interval_s > 0:
        msg = f"{found_in} of {inspected} found in after {interval_s} s is impossible"
        raise InputError(msg)
    out = inspected - found_in
    posterior = stats.beta(found_in + 0.5, out + 0.5)
    share = found_in / inspected

    def updated(value: float) -> float:
        if value >= 1:
            return math.inf
        return interval_s * math.log(target) / math.log(value) if value > 0 else 0.0

    few = float(stats.binom.cdf(found_in, inspected, target))
    many = float(stats.binom.sf(found_in - 1, inspected, target))
    return ObservedRate(
        interval_s=updated(share),
        low_s=updated(float(posterior.ppf(0.05))),
        high_s=updated(float(posterior.ppf(0.95))),
        probability=few,
        significant=min(few, many) < 0.025,
    )
