"""Whether a stability or time-error curve is below a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.limits.line import LimitLine, statistic_title
from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.plain import UNLISTED
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.result import Column, Result
from evenbeat.units import duration_text

OBSERVED_TIMES = 12
"""A mask of the time deviation is held against a record of so many averaging times (common practice)."""
PER_OCTAVE = 2
SMALLEST_CONFIDENCE = 1e-6
Verdict = Literal["below", "above", "undecided", "no statement"]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class LimitVerdict(Result):
    """A curve beside a limit, made by :func:`evenbeat.compare_with_limit`.

    Attributes
    ----------
    curve, limit
        What was compared.
    confidence
        Of either verdict as a whole: one less the chance that it is wrong.
    averaging_time_s, value, low, high, allowed
        Shape (n,): the curve, its lower limits, which hold at all averaging times together, its upper limits,
        each for itself (NaN for time interval errors, which have none), and the limit (NaN where it says
        nothing or the record is too short for it).
    verdicts
        Per averaging time ``below``, ``above``, ``undecided`` or ``no statement``.
    """

    curve: StabilityCurve | TimeErrorCurve = field(metadata=UNLISTED)
    limit: LimitLine
    confidence: float
    averaging_time_s: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    allowed: FloatArray
    verdicts: tuple[Verdict, ...] = field(metadata=UNLISTED)

    _also = ("overall", "sentence", "margin_db")

    @property
    def overall(self) -> Verdict:
        """``above`` if any point is, else ``undecided`` if any is, else ``below`` if any is."""
        for verdict in ("above", "undecided", "below"):
            if verdict in self.verdicts:
                return verdict
        return "no statement"

    @property
    def margin_db(self) -> float:
        """By how much the upper limits stay below the limit at least [dB]; negative where one lies above it.

        Of time interval errors the values themselves; NaN where nothing is compared.
        """
        upper = self.value if isinstance(self.curve, TimeErrorCurve) else self.high
        with np.errstate(divide="ignore", invalid="ignore"):
            margins = 20 * np.log10(self.allowed / upper)
        known = margins[~np.isnan(margins)]
        return float(known.min()) if len(known) else math.nan

    @property
    def sentence(self) -> str:
        """What the comparison says, for a technician."""
        counts = {verdict: self.verdicts.count(verdict) for verdict in ("below", "above", "undecided")}
        compared = sum(counts.values())
        if compared == 0:
            return f"The limit {self.limit.name} says nothing at the averaging times of this curve."
        times = self.averaging_time_s[[verdict != "no statement" for verdict in self.verdicts]]
        where = f"from {duration_text(float(times[0]))} to {duration_text(float(times[-1]))}"
        if self.overall == "below":
            margin = f"by {self.margin_db:.1f} dB at least"
            return f"The curve is below the limit “{self.limit.name}” {where}, {margin}."
        if self.overall == "undecided":
            return (
                f"Whether the curve is below the limit “{self.limit.name}” is undecided at "
                f"{counts['undecided']} of {compared} averaging times {where}: the interval holds the limit "
                f"(upper limits up to {-self.margin_db:.1f} dB above it)."
            )
        worst = int(np.nanargmax(np.where(np.isfinite(self.allowed), self.value / self.allowed, np.nan)))
        return (
            f"The curve is above the limit “{self.limit.name}” at {counts['above']} of {compared} averaging "
            f"times {where}, most at {duration_text(float(self.averaging_time_s[worst]))}: "
            f"{self.value[worst] / self.allowed[worst]:.3g} times the limit."
        )

    def _columns(self) -> tuple[Column, ...]:
        ending = "_s" if self.limit.unit == "s" else ""
        share = f"{self.confidence:.4g}"
        return (
            Column("averaging_time_s", self.averaging_time_s, "τ / s", ".6g"),
            Column(f"value{ending}", self.value, "value", ".3e"),
            Column(f"low{ending}", self.low, f"low {share}", ".3e"),
            Column(f"high{ending}", self.high, f"high {share}", ".3e"),
            Column(f"allowed{ending}", self.allowed, "limit", ".3e"),
            Column("verdict", self.verdicts, "verdict"),
        )

    def _headline(self) -> str:
        return self.sentence.removesuffix(".")


def compare_with_limit(
    curve: StabilityCurve | TimeErrorCurve, limit: LimitLine, *, confidence: float = DEFAULT_CONFIDENCE
) -> LimitVerdict:
    """Return whether a curve is below a limit at each averaging time, its interval taken into account.

    Parameters
    ----------
    curve
        Of the statistic that the limit is for.
    limit
        From :func:`evenbeat.limit_lines` or :meth:`LimitLine.from_table`.
    confidence
        Of either verdict as a whole.

    Returns
    -------
    LimitVerdict
        ``below`` only where the whole interval is at or below the limit, ``above`` only where the whole
        interval is above it, otherwise ``undecided``. Outside the limit's averaging times, where gaps leave
        no value, and for the time deviation beyond a twelfth of the record, no statement is made.

    Raises
    ------
    InputError
        If the limit is for another statistic.

    Notes
    -----
    One error rate for the whole verdict, ``1 - confidence``. A clock exactly on the limit is called ``above``
    at any averaging time at most so often: lower limits share the rate among the averaging times compared
    (Bonferroni; two to an octave, since neighbours show the same noise). A clock above the limit anywhere
    is called ``below`` as a whole at most so often: that asks every upper limit to pass, each at this rate
    (intersection-union test; Berger 1982, Technometrics 24). Averaging times of the time deviation end at a
    twelfth of the record, as is common practice for masks. The
    maximum time interval error of one record has no interval: the verdict is on this record only. Not a
    statement of conformity.

    References
    ----------
    Source: ITU-T G.810 (masks of MTIE and TDEV); Bonferroni; Berger 1982 (intersection-union)
    Tests: tests/deviations/test_limits.py
    """
    checked_probability(confidence, "confidence")
    if curve.statistic != limit.statistic:
        msg = (
            f"the limit {limit.name} is for the {statistic_title(limit.statistic)}; the curve holds the "
            f"{statistic_title(curve.statistic)}"
        )
        raise InputError(msg)
    if isinstance(curve, TimeErrorCurve):
        value = curve.time_error_s
        low = high = np.full(len(value), np.nan)
        bounds = (value, value)
        allowed = limit.at(curve.averaging_time_s)
    else:
        value = curve.deviation
        allowed = limit.at(curve.averaging_time_s)
        observed = curve.averaging_time_s <= _observed_s(curve) * (1 + 1e-9)
        allowed = np.where(observed, allowed, np.nan)
        low = curve.confidence_interval(1 - 2 * (1 - confidence) / _compared_together(curve, allowed))[0]
        high = curve.confidence_interval(max(2 * confidence - 1, SMALLEST_CONFIDENCE))[1]
        bounds = (low, high)
    result = LimitVerdict(
        curve=curve,
        limit=limit,
        confidence=confidence,
        averaging_time_s=curve.averaging_time_s,
        value=value,
        low=low,
        high=high,
        allowed=allowed,
        verdicts=tuple(_verdict(*row) for row in zip(*bounds, allowed, strict=True)),
    )
    remarks = (*limit.findings, *_remarks(result))
    return replace(result, findings=merged(remarks, curve.findings))


def _observed_s(curve: StabilityCurve) -> float:
    """Return up to which averaging time a record is as long as a mask asks: a twelfth of it."""
    if curve.statistic != "time":
        return math.inf
    points = curve.terms + 3 * curve.averaging_factor - 1  # with gaps a little less than there are
    return float(points.max() - 1) * curve.interval_s / OBSERVED_TIMES


def _compared_together(curve: StabilityCurve, allowed: FloatArray) -> float:
    """Return among how many averaging times the error rate is shared."""
    compared = curve.averaging_time_s[np.isfinite(allowed) & (curve.terms > 0)]
    if len(compared) < 2:
        return 1.0
    octaves = math.log2(float(compared[-1] / compared[0]))
    return float(min(len(compared), 1 + PER_OCTAVE * octaves))


def _verdict(low: float, high: float, allowed: float) -> Verdict:
    if math.isnan(allowed) or math.isnan(low) or math.isnan(high):
        return "no statement"
    if high <= allowed:
        return "below"
    return "above" if low > allowed else "undecided"


def _remarks(result: LimitVerdict) -> tuple[Finding, ...]:
    severity: Literal["good", "note", "caution"] = "caution"
    if result.overall in ("below", "no statement"):
        severity = "good" if result.overall == "below" else "note"
    found = [
        Finding(
            code=f"LIMIT_{result.overall.upper().replace(' ', '_')}",
            severity=severity,
            sentence=result.sentence,
        )
    ]
    if isinstance(result.curve, TimeErrorCurve):
        sentence = (
            "A time interval error describes this record only and has no interval: the verdict does not say "
            "what another record would show."
        )
        found.append(Finding(code="NO_INTERVAL", severity="note", sentence=sentence))
    outside = int(np.count_nonzero(np.isnan(result.allowed)))
    if outside and result.overall != "no statement":
        sentence = (
            f"At {outside} averaging time(s) of the curve the limit is not defined or the record too short "
            "for it; no statement is made."
        )
        values = {"averaging_times": outside}
        found.append(Finding(code="OUTSIDE_LIMIT", severity="note", sentence=sentence, values=values))
    return tuple(found)
