"""Paths to a limit: units that creep towards it, each at its own rate, and when how many have reached it.

Every unit's value grows in proportion to time since it was set, ``y = b t + e``; the rates differ from unit
to unit. Two descriptions of that: rates normally distributed, fitted to all paths at once by maximum
likelihood (random slope), and the logarithm of each unit's own least-squares rate normally distributed. A
unit reaches the limit L at L/b.

Source: degradation data and the distribution of times to a limit, Meeker & Escobar, Statistical Methods for
Reliability Data (1998), chapter 13; random-slope likelihood, Laird & Ware 1982.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution
from evenbeat.plain import UNLISTED, listed_as
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability, need_positive
from evenbeat.result import Column, Result
from evenbeat.units import duration_text

FEWEST_UNITS = 3
DISAGREE = 1.2
DRAWS = 1000


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class DegradationFit(Result):
    """Times to a limit of units that creep, made by :func:`evenbeat.calibration.fit_degradation`.

    Attributes
    ----------
    limit
        Size of the value at which a unit is out.
    units
        Names, in the order of ``rates`` and ``times_to_limit_s``.
    rates, times_to_limit_s
        Shape (n,): each unit's own least-squares rate per second, and L/b; ``inf`` for one that does not move
        towards the limit.
    mean_rate, rate_spread, residual
        Of the random-slope model: mean and standard deviation of the rates per second, and of a reading about
        its line.
    negative_log_likelihood
        Of the random-slope model at its maximum.
    interval_s, interval_low_s, interval_high_s
        Time by which the share asked for is still within, with its interval.
    lognormal_interval_s
        The same with the logarithms of the units' own rates normal; NaN where a unit moves the other way.
    """

    limit: float
    reliability: float
    confidence: float
    units: tuple[str, ...] = field(metadata=UNLISTED)
    rates: FloatArray
    times_to_limit_s: FloatArray
    mean_rate: float = field(metadata=listed_as("mean_rate_per_s"))
    rate_spread: float = field(metadata=listed_as("rate_spread_per_s"))
    residual: float
    negative_log_likelihood: float
    interval_s: float
    interval_low_s: float
    interval_high_s: float
    lognormal_interval_s: float

    _longest_table = 1000

    def reliability_after(self, time_s: npt.ArrayLike) -> FloatArray:
        """Return the share of units still within the limit after some time, by the random-slope model."""
        t = np.asarray(time_s, dtype=float)
        with np.errstate(divide="ignore"):
            return np.asarray(_within(self.limit, t, self.mean_rate, self.rate_spread))

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("unit", self.units, "unit"),
            Column("rate_per_s", self.rates, "rate / s", ".3e"),
            Column("time_to_limit_s", self.times_to_limit_s, "reaches the limit after", _text),
        )

    def _headline(self) -> str:
        return (
            f"{100 * self.reliability:g} % of {len(self.units)} units like these stay within "
            f"{self.limit:.3g} for {_text(self.interval_s)} "
            f"({100 * self.confidence:g} %: {_text(self.interval_low_s)} to {_text(self.interval_high_s)})"
        )


def _text(seconds: float) -> str:
    return duration_text(seconds) if math.isfinite(seconds) else "never"


def fit_degradation(
    time_s: npt.ArrayLike,
    value: npt.ArrayLike,
    unit: npt.ArrayLike,
    *,
    limit: float,
    reliability: float = DEFAULT_CONFIDENCE,
    confidence: float = 0.9,
    seed: int = 0,
) -> DegradationFit:
    """Fit paths of several units to a limit.

    Parameters
    ----------
    time_s, value, unit
        Shape (n,): time since each unit was set to zero, its value then (an offset, a change), and whose.
    limit
        Size of the value at which a unit counts as out; the side is that to which the units move.
    reliability
        Share still within at the interval.
    confidence
        Of the interval's own limits: from draws of the maximum-likelihood estimates, normal on the scales of
        mean and logarithms.
    seed
        Of those draws.

    Returns
    -------
    DegradationFit
        Distribution of the time to the limit, and the time that the reliability allows.

    Raises
    ------
    InputError
        If the lengths differ, a value is not finite, the limit is not positive, or fewer than three units
        have two readings.

    Notes
    -----
    Not valid where paths bend (an aging that slows down reaches the limit later than its line), or where
    readings of one unit have noise that wanders.

    Examples
    --------
    >>> import evenbeat as eb
    >>> time_s = [0, 1e7, 2e7] * 3
    >>> value = [0, 1e-9, 2.1e-9, 0, 2e-9, 3.9e-9, 0, 1.5e-9, 3e-9]
    >>> fit = eb.calibration.fit_degradation(time_s, value, list("aaabbbccc"), limit=1e-8)
    >>> fit
    <95 % of 3 units like these stay within 1e-08 for 547 d (90 %: 419 d to 705 d)>

    References
    ----------
    Formula: y = b t + e, the rates b differing from unit to unit; a unit reaches the limit L at L/b
    Source: Meeker and Escobar 1998 (degradation data)
    Tests: tests/calibration/test_degradation.py
    """
    target = checked_probability(reliability, "reliability")
    level = checked_probability(confidence, "confidence")
    t, y = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (time_s, value))
    owner = np.atleast_1d(np.asarray(unit)).astype(str)
    if not t.shape == y.shape == owner.shape or t.ndim != 1:
        msg = f"time_s, value and unit differ in length ({t.size}, {y.size}, {owner.size})"
        raise InputError(msg)
    bad = np.flatnonzero(~(np.isfinite(y) & np.isfinite(t) & (t >= 0)))
    if len(bad):
        i = int(bad[0])
        msg = f"row {i + 1}: value {y[i]:g} after {t[i]:g} s; both must be finite, the time 0 or more"
        raise InputError(msg)
    need_positive(limit=limit)
    names = list(dict.fromkeys(owner.tolist()))
    groups = [(t[owner == name], y[owner == name]) for name in names]
    groups = [(time[time > 0], reading[time > 0]) for time, reading in groups]
    few = [name for name, (time, _) in zip(names, groups, strict=True) if len(time) < 2]
    if len(names) - len(few) < FEWEST_UNITS or few:
        named = f"unit {few[0]} has fewer than two readings after its start" if few else f"{len(names)} units"
        msg = f"{named}; at least {FEWEST_UNITS} units with two readings each are needed"
        raise InputError(msg)
    rates = np.array([float(time @ reading / (time @ time)) for time, reading in groups])
    side = 1.0 if rates.mean() >= 0 else -1.0
    groups = [(time, side * reading) for time, reading in groups]
    fit, covariance, cost = _random_slope(groups, side * rates)
    mean, spread, residual = fit[0], math.exp(fit[1]), math.exp(fit[2])
    interval = _interval(limit, target, mean, spread)
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    generator, correlation = np.random.default_rng(seed), covariance / np.outer(size, size)
    drawn = fit + size * generator.multivariate_normal(np.zeros(3), correlation, DRAWS, method="eigh")
    times = [_interval(limit, target, p[0], math.exp(p[1])) for p in drawn]
    low, high = np.quantile(times, [0.5 * (1 - level), 0.5 * (1 + level)]).tolist()
    towards, lognormal = side * rates, math.nan
    if np.all(towards > 0):
        logs = np.log(towards)
        lognormal = float(limit / math.exp(logs.mean() + special.ndtri(target) * logs.std(ddof=1)))
    arrive = np.divide(limit, towards, out=np.full(len(rates), math.inf), where=towards > 0)
    return DegradationFit(
        limit=limit,
        reliability=target,
        confidence=level,
        units=tuple(str(name) for name in names),
        rates=rates,
        times_to_limit_s=arrive,
        mean_rate=side * mean,
        rate_spread=spread,
        residual=residual,
        negative_log_likelihood=cost,
        interval_s=interval,
        interval_low_s=low,
        interval_high_s=high,
        lognormal_interval_s=lognormal,
        findings=_remarks(groups, interval, lognormal, float(t.max()), towards),
    )


def _random_slope(
    groups: list[tuple[FloatArray, FloatArray]], rates: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Return mean, log spread and log residual at the maximum, their covariance, and the cost there.

    Times and values are scaled to order one inside.
    """
    unit_t = max(float(time.max()) for time, _ in groups)
    unit_y = max(float(np.abs(reading).max()) for _, reading in groups)
    groups = [(time / unit_t, reading / unit_y) for time, reading in groups]
    n, tt, ty, yy = np.array([(len(t), t @ t, t @ y, y @ y) for t, y in groups]).T

    def cost(p: FloatArray) -> float:
        mean, slope, noise = p[0], math.exp(2 * p[1]), math.exp(2 * p[2])
        # y ~ N(mean t, noise I + slope t t'): determinant and inverse by the lemma of one column
        whole = noise + slope * tt
        square = yy - 2 * mean * ty + mean**2 * tt
        along = ty - mean * tt
        chi = (square - slope * along**2 / whole) / noise
        logs = (n - 1) * math.log(noise) + np.log(whole)
        return float(0.5 * np.sum(chi + logs + n * math.log(2 * math.pi)))

    scaled = rates * unit_t / unit_y
    left = [y - rate * t for (t, y), rate in zip(groups, scaled, strict=True)]
    scatter = math.sqrt(float(np.mean(np.concatenate(left) ** 2))) or 1e-9
    start = np.array([scaled.mean(), math.log(scaled.std() or 1e-3), math.log(scatter)])
    found = optimize.minimize(
        cost,
        start,
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 8000, "maxfev": 8000},
    )
    best = np.asarray(found.x)
    covariance = np.linalg.pinv(_hessian(cost, best))
    shift = np.array([0.0, math.log(unit_y / unit_t), math.log(unit_y)])
    scale = np.array([unit_y / unit_t, 1.0, 1.0])
    count = float(n.sum())
    return (
        best * scale + shift,
        covariance * np.outer(scale, scale),
        float(found.fun) + count * math.log(unit_y),
    )


def _hessian(cost: Callable[[FloatArray], float], at: FloatArray, step: float = 1e-4) -> FloatArray:
    unit = np.eye(len(at)) * step

    def curved(a: FloatArray, b: FloatArray) -> float:
        return (cost(at + a + b) - cost(at + a - b) - cost(at - a + b) + cost(at - a - b)) / (4 * step**2)

    return np.array([[curved(a, b) for b in unit] for a in unit])


def _within(limit: float, time: npt.ArrayLike, mean: float, spread: float) -> FloatArray:
    """Return P(|b| t <= limit)."""
    with np.errstate(divide="ignore"):
        edge = limit / np.asarray(time, dtype=float)
    return np.asarray(special.ndtr((edge - mean) / spread) - special.ndtr((-edge - mean) / spread))


def _interval(limit: float, reliability: float, mean: float, spread: float) -> float:
    """Return the time after which the share within has fallen to the target."""
    edge = optimize.brentq(
        lambda b: float(_within(b, 1.0, mean, spread)) - reliability,
        0.0,
        abs(mean) + 12 * spread,
        xtol=1e-12 * (abs(mean) + spread),
    )
    return limit / float(edge)


def _remarks(
    groups: list[tuple[FloatArray, FloatArray]],
    interval: float,
    lognormal: float,
    longest: float,
    rates: FloatArray,
) -> tuple[Finding, ...]:
    found = []
    ratio = max(interval, lognormal) / min(interval, lognormal) if math.isfinite(lognormal) else 1.0
    if ratio > DISAGREE:
        sentence = (
            f"Normal rates give {duration_text(interval)}, lognormal ones {duration_text(lognormal)}: the "
            "spread belongs to the answer."
        )
        found.append(caution("MODELS_SPREAD", sentence))
    if interval > longest:
        sentence = "The interval is longer than any unit was followed: the lines are carried on, untested."
        found.append(caution("BEYOND_OBSERVED", sentence))
    bent = _bend(groups, rates)
    if bent < -3 or bent > 3:
        way = "slows down" if bent < 0 else "speeds up"
        sentence = (
            f"The paths bend (creep {way}; {abs(bent):.1f} standard errors over all units): lines through "
            "zero do not describe them well."
        )
        found.append(caution("PATHS_BEND", sentence, t=bent))
    return tuple(found)


def _bend(groups: list[tuple[FloatArray, FloatArray]], rates: FloatArray) -> float:
    """Return how many standard errors the mean bend of the units is from none."""
    bends = []
    for (time, reading), rate in zip(groups, rates, strict=True):
        curved = time**2 - time * float(time**2 @ time) / float(time @ time)
        size = float(curved @ curved)
        if size > 0:
            bends.append(float(curved @ (reading - rate * time)) / size)
    if len(bends) < FEWEST_UNITS or np.std(bends) == 0:
        return 0.0
    return float(np.mean(bends) / (np.std(bends, ddof=1) / math.sqrt(len(bends))))
