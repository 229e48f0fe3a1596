"""What to leave an oscillator at, so that it stays within tolerance for longest."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt
from scipy import optimize

from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.printing import Printed, Table
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, checked_probability
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, duration_text

if TYPE_CHECKING:
    import pandas as pd

SURE_OF_SIGN = 0.99
LONGEST_S = 40 * SECONDS_PER_YEAR
SEARCH_POINTS = 160


class OffsetForecast(Protocol):
    """Anything that foretells the offset after it was left: a history, a stated drift.

    What it was left at is added to a change that does not depend on it.
    """

    def offset_after(self, elapsed_s: npt.ArrayLike, as_left: Estimate | None = None) -> StudentMixture:
        """Return the distribution of the offset at each time, shape (m,)."""


@dataclass(frozen=True, eq=False)
class _OfModel:
    """A clock model seen as a forecast of the offset after it was left."""

    model: ClockModel

    def offset_after(self, elapsed_s: npt.ArrayLike, as_left: Estimate | None = None) -> StudentMixture:
        times = self.model.record.duration_s + np.atleast_1d(np.asarray(elapsed_s, dtype=float))
        if as_left is None:
            return self.model.frequency_at(times).distribution
        change = self.model.frequency_change_at(times).distribution
        return change.shifted(as_left.value).widened(as_left.standard_uncertainty)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class SetpointSuggestion(Printed):
    """What to leave an oscillator at, made by :func:`evenbeat.suggest_setpoint`.

    Attributes
    ----------
    as_left
        Suggested fractional offset; against the drift.
    interval_s, interval_at_zero_s, interval_half_s
        How long it stays within tolerance from there, from zero, and from half of the suggestion.
    """

    tolerance: float
    reliability: float
    as_left: float
    interval_s: float
    interval_at_zero_s: float
    interval_half_s: float
    findings: tuple[Finding, ...] = ()

    @property
    def gain(self) -> float:
        """Interval from the setpoint over the interval from zero."""
        return self.interval_s / self.interval_at_zero_s if self.interval_at_zero_s else math.inf

    def to_frame(self) -> pd.DataFrame:
        """Return one row for each way to leave it."""
        import pandas as pd

        return pd.DataFrame(
            {
                "as_left": [0.0, 0.5 * self.as_left, self.as_left],
                "interval_s": [self.interval_at_zero_s, self.interval_half_s, self.interval_s],
            }
        )

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "tolerance": self.tolerance,
            "reliability": self.reliability,
            "as_left": self.as_left,
            "interval_s": self.interval_s,
            "interval_at_zero_s": self.interval_at_zero_s,
            "interval_half_s": self.interval_half_s,
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        return (
            f"Left at {self.as_left:.3g} it stays within ±{self.tolerance:.3g} for "
            f"{duration_text(self.interval_s)} ({100 * self.reliability:g} %)"
        )

    def _table(self) -> Table:
        rows = tuple(
            (f"{left:.3g}", duration_text(interval) if interval else "not at all")
            for left, interval in self.to_frame().itertuples(index=False)
        )
        return Table(columns=("left at", "within tolerance for"), rows=rows)


def forecast_of(source: ClockModel | OffsetForecast) -> OffsetForecast:
    """Return what foretells the offset after an adjustment."""
    return _OfModel(source) if isinstance(source, ClockModel) else source


def interval_of(
    source: ClockModel | OffsetForecast, as_left: Estimate | None, *, tolerance: float, reliability: float
) -> float:
    """Return for how long the offset stays within tolerance with this probability at every moment.

    Parameters
    ----------
    as_left
        Where it starts; ``None`` leaves it as it is.
    tolerance
        ±, already less any guard band.

    Returns
    -------
    float
        Seconds; 0 where it is not within even at the start, 40 years where it does not leave by then.
    """
    forecast = forecast_of(source)

    def excess(times: npt.ArrayLike) -> FloatArray:
        return forecast.offset_after(times, as_left).probability_within(tolerance) - reliability

    times = _search_times()
    values = excess(times)
    if values[0] < 0:
        return 0.0
    below = np.flatnonzero(values < 0)
    if not len(below):
        return LONGEST_S
    k = int(below[0])
    return float(optimize.brentq(lambda t: float(excess(t)[0]), times[k - 1], times[k], xtol=1.0, rtol=1e-10))


def _search_times() -> FloatArray:
    return np.concatenate([[0.0], np.geomspace(0.01 * SECONDS_PER_DAY, LONGEST_S, SEARCH_POINTS)])


@dataclass(frozen=True, eq=False)
class _Searched:
    """The change after leaving, foretold once, so that many ways to leave are compared quickly."""

    times_s: FloatArray
    change: StudentMixture

    def interval(self, as_left: Estimate, *, tolerance: float, reliability: float) -> float:
        """Return the interval from there, on straight lines between the times."""
        offset = self.change.shifted(as_left.value).widened(as_left.standard_uncertainty)
        excess = offset.probability_within(tolerance) - reliability
        below = np.flatnonzero(excess < 0)
        if not len(below):
            return LONGEST_S
        k = int(below[0])
        if k == 0:
            return 0.0
        share = excess[k - 1] / (excess[k - 1] - excess[k])
        return float(self.times_s[k - 1] + share * (self.times_s[k] - self.times_s[k - 1]))


def suggest_setpoint(
    source: ClockModel | OffsetForecast,
    *,
    tolerance: float,
    reliability: float = 0.95,
    guard_band: float = 0.0,
    as_left_uncertainty: float = 0.0,
) -> SetpointSuggestion:
    """Suggest what to leave an oscillator at.

    Parameters
    ----------
    source
        A clock model, a model of a calibration history, or :class:`evenbeat.StatedDrift`.
    tolerance, guard_band
        Limits ± of the fractional offset, and what is held back from them.
    reliability
        Probability of being within them at every moment of the interval, the first included.
    as_left_uncertainty
        Standard uncertainty of the adjustment.

    Raises
    ------
    InputError
        If the tolerance is not positive or the guard band leaves nothing of it.

    Notes
    -----
    The offset that makes the interval longest, which lies against the drift: the end of the interval must
    hold with the same probability as its start. Only where the sign of the drift is established (99 % at
    the end of the interval from zero); otherwise zero. An oscillator left off zero must
    be reported so in its certificate.
    """
    if not 0 <= guard_band < tolerance:
        msg = f"tolerance is {tolerance:g}, guard_band {guard_band:g}; need 0 <= guard_band < tolerance"
        raise InputError(msg)
    checked_probability(reliability, "reliability")
    limit = tolerance - guard_band

    def interval(left: float) -> float:
        start = Estimate.normal(left, as_left_uncertainty)
        return interval_of(source, start, tolerance=limit, reliability=reliability)

    reach = interval(0.0) or SECONDS_PER_YEAR
    change = forecast_of(source).offset_after([reach], Estimate.normal(0.0, 0.0)).one(0)
    positive = 1 - float(change.cdf(0.0))
    sure = max(positive, 1 - positive) >= SURE_OF_SIGN
    best = _longest(_quickly(source, limit, reliability, as_left_uncertainty), limit, positive) if sure else 0
    found = []
    if not sure:
        sentence = (
            f"The sign of the drift is not established (probability {max(positive, 1 - positive):.0%} after "
            f"{duration_text(reach)}), so zero is suggested: "
            "an offset against the wrong sign would shorten the interval."
        )
        found.append(Finding(code="DRIFT_SIGN_UNCERTAIN", severity="caution", sentence=sentence))
    elif best:
        sentence = (
            "The setpoint starts near one limit on purpose; state the as-left offset in the certificate, and "
            "take half of it if users dislike an offset on the first day."
        )
        found.append(Finding(code="SETPOINT_OFF_ZERO", severity="note", sentence=sentence))
    longest = interval(best)
    return SetpointSuggestion(
        tolerance=tolerance,
        reliability=reliability,
        as_left=best,
        interval_s=longest,
        interval_at_zero_s=interval(0.0),
        interval_half_s=interval(0.5 * best),
        findings=(*found, *_beyond_evidence(source, longest)),
    )


def _beyond_evidence(source: ClockModel | OffsetForecast, interval_s: float) -> tuple[Finding, ...]:
    """Say where an interval reaches further than the record it was learnt from."""
    if not isinstance(source, ClockModel) or interval_s <= source.record.duration_s:
        return ()
    seen = source.record.duration_s
    sentence = (
        f"The record is {duration_text(seen)} long and can vouch for about as long again; what lies beyond "
        "is the aging law carried on, untested: choose the setpoint by it, not the interval."
    )
    values = {"interval_s": interval_s, "record_s": seen}
    return (Finding(code="BEYOND_EVIDENCE", severity="caution", sentence=sentence, values=values),)


def _quickly(
    source: ClockModel | OffsetForecast, limit: float, reliability: float, uncertainty: float
) -> Callable[[float], float]:
    times = _search_times()
    change = forecast_of(source).offset_after(times, Estimate.normal(0.0, 0.0))
    searched = _Searched(times_s=times, change=change)

    def interval(left: float) -> float:
        start = Estimate.normal(left, uncertainty)
        return searched.interval(start, tolerance=limit, reliability=reliability)

    return interval


def _longest(interval: Callable[[float], float], limit: float, rising: float) -> float:
    """Return the offset against the drift with the longest interval, given the probability that it rises.

    The interval grows with the offset until its start no longer holds, and is zero beyond: find that edge.
    """
    side = -1.0 if rising > 0.5 else 1.0
    low, high = 0.0, limit
    if not interval(0.0):
        return 0.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if interval(side * middle) > 0 else (low, middle)
    # near its edge the interval may already fall again: the start must hold at later moments, too
    edge = low
    shares = np.concatenate([np.linspace(0, 0.9, 19), np.linspace(0.905, 1.0, 20)])
    lengths = [float(interval(side * edge * share)) for share in shares]
    k = int(np.argmax(lengths))
    bracket = (edge * shares[max(k - 1, 0)], edge * shares[min(k + 1, len(shares) - 1)])
    found = optimize.minimize_scalar(
        lambda x: -float(interval(side * x)) / max(lengths),
        bounds=bracket,
        method="bounded",
        options={"xatol": 1e-6 * edge},
    )
    return side * float(found.x if -found.fun * max(lengths) >= lengths[k] else edge * shares[k])
