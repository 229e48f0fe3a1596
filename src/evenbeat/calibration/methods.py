"""Intervals by several methods side by side: what each makes of the same history.

Sources: methods of ILAC-G24:2022/OIML D 10 (staircase, control chart, in-use time, statistics of found
states); how they are turned into a number here is said beside each, derived and tested here. No single best
practice exists: the spread belongs to the answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import HistoryModel, fit_history
from evenbeat.calibration.history_posterior import DriftPrior
from evenbeat.calibration.reliability import fit_reliability
from evenbeat.calibration.tolerance import LONGEST_S, Tolerance, ToleranceLike, lasting_text
from evenbeat.clock.oscillator_classes import OscillatorClass
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, merged
from evenbeat.plain import Plain
from evenbeat.quantities import DEFAULT_CONFIDENCE, checked_probability
from evenbeat.result import Column, Result, filled
from evenbeat.units import SECONDS_PER_HOUR, duration_text

SIMPLE_MODELS = ("exponential", "weibull", "random_walk")
"""Of the reliability models, those that few found states can tell apart."""
LENGTHEN = 0.1
"""Share by which a staircase lengthens the interval after each 'in'."""


@dataclass(frozen=True, kw_only=True)
class MethodInterval(Plain):
    """What one method makes of a history, and how it comes to the number.

    NaN where the method cannot be used (then ``says`` tells why) or gives no band.
    """

    method: str
    interval_s: float = math.nan
    low_s: float = math.nan
    high_s: float = math.nan
    says: str


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class MethodComparison(Result):
    """Intervals by several methods, made by :func:`evenbeat.calibration.compare_methods`."""

    tolerance: Tolerance
    reliability: float
    methods: tuple[MethodInterval, ...]

    @property
    def spread(self) -> tuple[float, float]:
        """Shortest and longest interval of those that gave one, in seconds."""
        known = [one.interval_s for one in self.methods if math.isfinite(one.interval_s)]
        return (min(known), max(known)) if known else (math.nan, math.nan)

    _row_objects = "methods"

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("method", heading="method"),
            Column("interval_s", heading="interval", form=lasting_text),
            Column("low_s", heading="low", form=lasting_text),
            Column("high_s", heading="high", form=lasting_text),
        )

    def _headline(self) -> str:
        low, high = self.spread
        if math.isnan(low):
            return f"No method gives an interval for {self.tolerance}"
        return (
            f"Intervals for {self.tolerance} at {100 * self.reliability:g} %: from {lasting_text(low)} to "
            f"{lasting_text(high)}, depending on the method"
        )

    def __str__(self) -> str:
        said = [filled(f"{one.method}: {one.says}", rest="    ") for one in self.methods]
        return "\n".join([super().__str__(), *said])


def compare_methods(
    history: CalibrationHistory | Sequence[CalibrationHistory],
    *,
    tolerance: ToleranceLike | Tolerance,
    reliability: float = DEFAULT_CONFIDENCE,
    oscillator_class: str | OscillatorClass | DriftPrior | None = None,
    model: HistoryModel | None = None,
) -> MethodComparison:
    """Compare the intervals that several methods give for one instrument.

    Parameters
    ----------
    history
        Of the instrument, or first of a family whose found states count as well.
    tolerance, reliability
        As for :func:`evenbeat.suggest_interval`.
    oscillator_class, model
        Prior of the drift model, or the model itself if it is fitted already.

    Returns
    -------
    MethodComparison
        A row for each method: its interval, or why it gives none.

    Raises
    ------
    InputError
        If the history has no interval between two calibrations, or an option is impossible.

    Notes
    -----
    Each is uncapped and none is rounded. A state 'in' or 'out' by another tolerance than this is left out of
    the methods that count states.

    Examples
    --------
    >>> import evenbeat as eb
    >>> history = eb.CalibrationHistory.from_table(eb.demo_data("kittiwake-history.csv"))
    >>> comparison = eb.calibration.compare_methods(history, tolerance=1e-8)
    >>> len(comparison.to_frame())
    6

    References
    ----------
    Source: ILAC-G24:2022 / OIML D 10:2022 (methods of review of intervals)
    Tests: tests/calibration/test_methods.py
    """
    target = checked_probability(reliability, "reliability")
    limits = Tolerance.of(tolerance)
    several = (history,) if isinstance(history, CalibrationHistory) else tuple(history)
    if len(several[0]) < 2:
        msg = f"the history has {len(several[0])} calibration; at least two are needed to compare methods"
        raise InputError(msg)
    fitted = model or fit_history(several, oscillator_class=oscillator_class, tolerance=limits)
    states, left_out = _found(several[0], limits)
    pooled = [state for one in several for state in _found(one, limits)[0]]
    methods = (
        _by_drift(fitted, limits, target),
        _by_staircase(several[0], states, target),
        _by_control_chart(several[0], limits),
        _by_use(several[0], limits, target, oscillator_class),
        _by_share(pooled, target),
        _by_reliability_model(pooled, target),
    )
    return MethodComparison(
        tolerance=limits, reliability=target, methods=methods, findings=merged(left_out, fitted.findings)
    )


def shortening(reliability: float) -> float:
    """Return the share by which a staircase shortens after 'out' so that it stands at this reliability."""
    return -math.expm1(-math.log1p(LENGTHEN) * reliability / (1 - reliability))


def staircase(interval_s: float, found_in: Sequence[bool], reliability: float) -> float:
    """Return an interval after these found states: longer after each 'in', shorter after each 'out'."""
    for inside in found_in:
        interval_s *= 1 + LENGTHEN if inside else 1 - shortening(reliability)
    return interval_s


def control_chart(changes: Sequence[float]) -> tuple[float, float, float]:
    """Return lower limit, mean and upper limit of changes: three standard deviations (Shewhart).

    Of neighbouring changes with standard deviation s the mean distance is ``2 s/√π``.
    """
    centre = float(np.mean(changes))
    reach = 1.5 * math.sqrt(math.pi) * float(np.mean(np.abs(np.diff(changes))))
    return centre - reach, centre, centre + reach


def observed_rate(
    found_in: int, inspected: int, interval_s: float, reliability: float
) -> tuple[float, float, float, float]:
    """Return the interval that the share found in suggests, ``I ln R* / ln R`` by an exponential law.

    With its 90 % interval (Jeffreys; 0 where none was found in, infinity where all were), and the probability
    of a share as far from the reliability, or farther: where it is not below 2.5 %, keep the interval.
    """

    def updated(share: float) -> float:
        if share >= 1:
            return math.inf
        return interval_s * math.log(reliability) / math.log(share) if share > 0 else 0.0

    few = special.bdtr(found_in, inspected, reliability)
    many = special.bdtrc(found_in - 1, inspected, reliability)
    shape = found_in + 0.5, inspected - found_in + 0.5  # of the posterior of the share
    return (
        updated(found_in / inspected),
        updated(float(special.betaincinv(*shape, 0.05))) if found_in else 0.0,
        updated(float(special.betaincinv(*shape, 0.95))) if found_in < inspected else math.inf,
        float(min(few, many)),
    )


def _found(history: CalibrationHistory, limits: Tolerance) -> tuple[list[tuple[float, bool]], list[Finding]]:
    """Return time since the calibration before and whether it was found in, for each that tells."""
    found: list[tuple[float, bool]] = []
    aside = []
    for before, after in zip(history.points[:-1], history.points[1:], strict=True):
        elapsed = after.time_s - before.time_s
        if after.state is None and math.isfinite(after.as_found):
            found.append((elapsed, limits.holds(after.as_found)))
        elif after.state is not None and (after.tolerance is None or limits.same_as(after.tolerance)):
            found.append((elapsed, after.state == "in"))
        elif after.state is not None:
            sentence = (
                f"{(after.place or 'a calibration').capitalize()} was found {after.state!r} by "
                f"{after.tolerance}, not by {limits}: it is left out where states are counted."
            )
            aside.append(caution("STATE_LEFT_OUT", sentence, row=after.row))
    return found, aside


def _by_drift(model: HistoryModel, limits: Tolerance, target: float) -> MethodInterval:
    name = "drift and walk"
    if model.as_left is None:
        return MethodInterval(method=name, says="not used: it is not known what the clock was left at.")
    ends = [model.interval_s(limits, level) for level in (0.5 * (1 + target), target, 0.5 * target + 0.25)]
    return MethodInterval(
        method=name,
        interval_s=ends[1],
        low_s=ends[0],
        high_s=ends[2],
        says=(
            f"until the probability of being within falls below {100 * target:g} %, from what it was left "
            f"at and without any cap; low and high: below {100 * (0.5 * (1 + target)):g} and "
            f"{100 * (0.5 * target + 0.25):g} %."
        ),
    )


def _by_staircase(
    history: CalibrationHistory, states: Sequence[tuple[float, bool]], target: float
) -> MethodInterval:
    first = history.points[1].time_s - history.points[0].time_s
    return MethodInterval(
        method="staircase",
        interval_s=staircase(first, [inside for _, inside in states], target),
        says=(
            f"the first interval, {100 * LENGTHEN:g} % longer after each found in, "
            f"{100 * shortening(target):.0f} % shorter after each found out."
        ),
    )


def _by_control_chart(history: CalibrationHistory, limits: Tolerance) -> MethodInterval:
    name = "control chart"
    rates = [one.change / one.duration_s for one in history.increments() if one.state is None]
    if len(rates) < 2:
        return MethodInterval(method=name, says="not used: fewer than two changes are known.")
    lowest, centre, highest = control_chart(rates)
    left = history.points[-1].as_left
    start = left if math.isfinite(left) else limits.middle

    def reach(rate: float) -> float:
        if not limits.holds(start):
            return 0.0
        room = limits.upper - start if rate > 0 else start - limits.lower
        return min(room / abs(rate), LONGEST_S) if rate else LONGEST_S

    worst = min(reach(lowest), reach(highest))
    outside = any(not lowest <= rate <= highest for rate in rates)
    stable = " A change lies outside of the limits: the drift is not stable." if outside else ""
    return MethodInterval(
        method=name,
        interval_s=worst,
        low_s=worst,
        high_s=reach(centre),
        says=f"until the drift at its control limit (high: at its mean) reaches the tolerance.{stable}",
    )


def _by_use(
    history: CalibrationHistory,
    limits: Tolerance,
    target: float,
    oscillator_class: str | OscillatorClass | DriftPrior | None,
) -> MethodInterval:
    name = "in-use time"
    if all(math.isnan(point.in_use_s) for point in history.points):
        return MethodInterval(method=name, says="not used: the table has no in_use_hours.")
    try:
        used = history.by_time_in_use()
        model = fit_history(used, oscillator_class=oscillator_class, tolerance=limits)
        hours = model.interval_s(limits, target)
    except InputError as error:
        return MethodInterval(method=name, says=f"not used: {error}.")
    span = used.points[-1].time_s
    share = span / (history.points[-1].time_s - history.points[0].time_s)
    return MethodInterval(
        method=name,
        interval_s=min(hours / share, LONGEST_S),
        says=(
            f"drift by hours of use: {hours / SECONDS_PER_HOUR:.0f} h in use, here at the usual "
            f"{100 * share:.0f} % of the time."
        ),
    )


def _by_share(states: Sequence[tuple[float, bool]], target: float) -> MethodInterval:
    name = "share found in"
    if not states:
        return MethodInterval(method=name, says="not used: no found state is known.")
    mean = float(np.mean([elapsed for elapsed, _ in states]))
    inside = sum(state for _, state in states)
    *ends, probability = observed_rate(inside, len(states), mean, target)
    found, asked = f"{inside} of {len(states)} after {duration_text(mean)}", f"{100 * target:g} %"
    if not probability < 0.025:  # what is kept is not what the share suggests, and has no band
        says = f"{found} does not differ significantly from {asked}: keep the interval."
        return MethodInterval(method=name, interval_s=mean, says=says)
    interval, low, high = (min(each, LONGEST_S) for each in ends)
    says = f"{found} differs from {asked}."
    return MethodInterval(method=name, interval_s=interval, low_s=low, high_s=high, says=says)


def _by_reliability_model(states: Sequence[tuple[float, bool]], target: float) -> MethodInterval:
    name = "reliability model"
    out = sum(not inside for _, inside in states)
    if out == 0:
        return MethodInterval(method=name, says="not used: nothing was found out of tolerance.")
    low = np.array([elapsed if inside else 0.0 for elapsed, inside in states])
    high = np.array([np.inf if inside else elapsed for elapsed, inside in states])
    fit = fit_reliability(low, high, reliability=target, models=SIMPLE_MODELS).best
    return MethodInterval(
        method=name,
        interval_s=min(fit.interval_s, LONGEST_S),
        low_s=fit.interval_low_s,
        high_s=min(fit.interval_high_s, LONGEST_S),
        says=f"{fit.model.name.replace('_', ' ')} by maximum likelihood, {out} of {len(states)} found out.",
    )
