"""What to leave an oscillator at, so that it stays within tolerance for longest."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize

from evenbeat.calibration.tolerance import LONGEST_S, SEARCH_TIMES_S, Tolerance, ToleranceLike, lasting_text
from evenbeat.clock.forecaster import Forecaster, checked_forecaster, first_exit
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note, stop
from evenbeat.quantities import Estimate, checked_probability
from evenbeat.result import Column, Result
from evenbeat.units import SECONDS_PER_YEAR, duration_text, percent

Bias = Literal["full", "half"]
SURE_OF_SIGN = 0.99
HELD_BACK = 0.01
"""Share of half the tolerance held back from a limit where the adjustment's uncertainty is not stated."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class SetpointSuggestion(Result):
    """What to leave an oscillator at, made by :func:`evenbeat.suggest_setpoint`.

    Attributes
    ----------
    bias
        ``full`` or ``half``: which of the two is suggested.
    as_left, interval_s
        Suggested fractional offset, against the drift, and how long it stays within tolerance from there.
    optimum, half_way
        The offset with the longest interval, and the one halfway to it from zero (from the middle of a
        tolerance that does not hold zero).
    interval_at_optimum_s, interval_half_s, interval_at_zero_s
        Their intervals, and the one from zero.
    averaging_time_s
        The offset is the mean over so long; NaN where the source is no clock model.
    drift_sign_probability
        That the drift has the sign it is taken to have.
    evidence_s
        How far ahead the record or the calibrations can vouch for; infinite for a stated drift.
    """

    tolerance: Tolerance
    reliability: float
    bias: Bias
    optimum: float
    half_way: float
    interval_at_optimum_s: float
    interval_half_s: float
    interval_at_zero_s: float
    averaging_time_s: float
    drift_sign_probability: float
    evidence_s: float = math.inf

    _also = ("as_left", "interval_s")

    @property
    def as_left(self) -> float:
        """Suggested fractional offset."""
        return self.half_way if self.bias == "half" else self.optimum

    @property
    def interval_s(self) -> float:
        """How long it stays within tolerance from the suggested offset."""
        return self.interval_half_s if self.bias == "half" else self.interval_at_optimum_s

    @property
    def gain(self) -> float:
        """Interval from the setpoint over the interval from zero."""
        return self.interval_s / self.interval_at_zero_s if self.interval_at_zero_s else math.inf

    def _columns(self) -> tuple[Column, ...]:
        lasting = (self.interval_at_zero_s, self.interval_half_s, self.interval_at_optimum_s)
        return (
            Column("setpoint", ("zero", "half way", "optimum"), "setpoint"),
            Column("left_at", (0.0, self.half_way, self.optimum), "left at", ".3g"),
            Column("within_tolerance_s", lasting, "within tolerance for", lasting_text),
        )

    def _headline(self) -> str:
        lasting, percent = lasting_text(self.interval_s), f"{100 * self.reliability:g} %"
        over = (
            ""
            if math.isnan(self.averaging_time_s)
            else f" (mean over {duration_text(self.averaging_time_s)})"
        )
        left = f"Left at {self.as_left:.3g}{over} it"
        if self.interval_s <= self.evidence_s:
            return f"{left} stays within {self.tolerance} for {lasting} ({percent})"
        return (
            f"{left} stays within {self.tolerance} for as long as the evidence reaches, "
            f"{duration_text(self.evidence_s)} ({percent}); the aging law alone would give {lasting}"
        )


def suggest_setpoint(
    source: Forecaster,
    *,
    tolerance: ToleranceLike | Tolerance,
    reliability: float = 0.95,
    guard_band: float = 0.0,
    as_left_uncertainty: float = 0.0,
    bias: Bias = "full",
    averaging_time_s: float | None = None,
) -> SetpointSuggestion:
    """Suggest what to leave an oscillator at.

    Parameters
    ----------
    source
        A clock model, a model of a calibration history, or :class:`evenbeat.StatedDrift`.
    tolerance, guard_band
        Limits of the fractional offset (``1e-8`` or ``(-5e-9, 1e-8)``), and what is held back from them.
    reliability
        Probability of being within them at every moment of the interval, the first included.
    as_left_uncertainty
        Standard uncertainty of the adjustment; where it is zero, a hundredth of half the tolerance is held
        back.
    bias
        ``half``: only half way from zero, where users dislike an offset on the first day.
    averaging_time_s
        Of a clock model: what the offset is the mean over, as for :func:`evenbeat.suggest_interval`.

    Returns
    -------
    SetpointSuggestion
        The offset to leave it at, and the interval that this gives.

    Raises
    ------
    InputError
        If the tolerance is impossible or the guard band leaves nothing of it.

    Notes
    -----
    The offset that makes the interval longest, which lies against the drift: the end of the interval must
    hold with the same probability as its start. Only where the sign of the drift is established (99 %);
    otherwise the middle of the tolerance, which is zero for a
    symmetric one. The lab that leaves an oscillator off zero must report it so.

    Examples
    --------
    >>> import evenbeat as eb
    >>> history = eb.CalibrationHistory.from_table(eb.demo_data("kittiwake-history.csv"))
    >>> point = eb.suggest_setpoint(eb.fit_history(history), tolerance=1e-8)
    >>> -1e-8 < point.as_left < 1e-8
    True

    References
    ----------
    Formula: y_left = argmax T(y_left)
    Source: maximises the interval of suggest_interval; own arithmetic
    Tests: tests/calibration/test_setpoint.py
    """
    if bias not in ("full", "half"):
        msg = f"bias is {bias!r}; it must be full or half"
        raise InputError(msg)
    limits = Tolerance.of(tolerance, guard_band=guard_band)
    grounds = checked_forecaster(source).grounds
    over = grounds.averaging_time_s if averaging_time_s is None else averaging_time_s
    checked_probability(reliability, "reliability")

    def interval(left: float) -> float:
        start = Estimate.normal(left, as_left_uncertainty)
        return limits.kept_for(source, reliability, as_left=start, averaging_time_s=averaging_time_s)

    from_middle = interval(limits.middle)
    reach = from_middle or SECONDS_PER_YEAR
    positive = _probability_of_rising(source, reach)
    sure = max(positive, 1 - positive)
    best = limits.middle
    if sure >= SURE_OF_SIGN:
        # the change does not depend on what it was left at: predicted once, many ways to leave are compared
        change = source.offset(SEARCH_TIMES_S, averaging_time_s, as_left=Estimate.normal(0.0, 0.0))
        change = change.widened(as_left_uncertainty)

        def nearly(left: float) -> float:
            end = first_exit(SEARCH_TIMES_S, limits.probability(change.shifted(left)), reliability)
            return 0.0 if math.isnan(end) else min(end, LONGEST_S)

        best = _longest(nearly, limits, -1.0 if positive > 0.5 else 1.0)
        if not as_left_uncertainty > 0:
            # of an adjustment that nobody states the uncertainty of: never on the limit itself
            reach_held = (1 - HELD_BACK) * limits.half_width
            best = limits.middle + min(max(best - limits.middle, -reach_held), reach_held)
    half = 0.5 * (best + (0.0 if limits.holds(0.0) else limits.middle))
    longest = interval(best)
    return SetpointSuggestion(
        tolerance=Tolerance.of(tolerance),
        reliability=reliability,
        bias=bias,
        optimum=best,
        half_way=half,
        interval_at_optimum_s=longest,
        interval_half_s=interval(half),
        interval_at_zero_s=interval(0.0),
        averaging_time_s=math.nan if over is None else over,
        drift_sign_probability=sure,
        evidence_s=grounds.reach_s,
        findings=(*_remarks(limits, best, from_middle, sure=sure), *grounds.beyond(longest)),
    )


def _probability_of_rising(source: Forecaster, reach_s: float) -> float:
    """Return the probability that the drift is upwards; of the whole change where no drift is told apart."""
    rate = source.grounds.drift_rate
    if rate is not None and rate.standard_uncertainty > 0:
        return 1 - rate.probability_below(0.0)
    change = source.offset([reach_s], as_left=Estimate.normal(0.0, 0.0)).one(0)
    return 1 - float(change.cdf(0.0))


def _remarks(limits: Tolerance, best: float, from_middle: float, *, sure: float) -> tuple[Finding, ...]:
    if from_middle == 0:
        sentence = (
            f"Nowhere within {limits} does the start hold with the reliability asked for: adjust with less "
            "uncertainty, or widen the tolerance."
        )
        return (stop("SETPOINT_NONE", sentence),)
    if sure < SURE_OF_SIGN:
        where = "zero" if limits.middle == 0 else f"the middle of the tolerance, {limits.middle:.3g},"
        sentence = (
            f"The sign of the drift is not established (probability {percent(sure)}), so {where} is "
            "suggested: an offset against the wrong sign would shorten the interval."
        )
        return (caution("DRIFT_SIGN_UNCERTAIN", sentence, probability=sure),)
    if best == 0:
        return ()
    sentence = (
        "The setpoint starts near one limit on purpose: the lab that adjusts it reports the as-left offset; "
        "take half of it if users dislike an offset on the first day."
    )
    return (note("SETPOINT_OFF_ZERO", sentence),)


def _longest(interval: Callable[[float], float], limits: Tolerance, side: float) -> float:
    """Return the offset on one side of the middle with the longest interval.

    The interval grows with the offset until its start no longer holds, and is zero beyond: find that edge.
    """
    middle = limits.middle
    low, high = 0.0, limits.half_width
    if not interval(middle):
        return middle
    for _ in range(24):
        between = 0.5 * (low + high)
        low, high = (between, high) if interval(middle + side * between) > 0 else (low, between)
    # near its edge the interval may already fall again: the start must hold at later moments, too
    edge = low
    shares = np.concatenate([np.linspace(0, 0.9, 19), np.linspace(0.905, 1.0, 20)])
    lengths = [float(interval(middle + side * edge * share)) for share in shares]
    k = int(np.argmax(lengths))
    bracket = (edge * shares[max(k - 1, 0)], edge * shares[min(k + 1, len(shares) - 1)])
    found = optimize.minimize_scalar(
        lambda x: -float(interval(middle + side * x)) / max(lengths),
        bounds=bracket,
        method="bounded",
        options={"xatol": 1e-6 * edge},
    )
    away = float(found.x) if -found.fun * max(lengths) >= lengths[k] else float(edge * shares[k])
    return middle + side * away
