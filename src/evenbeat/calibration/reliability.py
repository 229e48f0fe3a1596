"""Reliability against time since calibration, from how instruments were found.

An observation says between which two times a unit left its tolerance: found in at t is (t, never), found
out at t is (0, t), and known to the day is (t, t). Every model gives S(t), the probability of still being
in tolerance after t, and is fitted by maximum likelihood.

Sources: interval-censored likelihood, Turnbull 1976; ILAC-G24:2022/OIML D 10 names the method. Each model
says what happens to the units, and its survival function follows from that: tested against scipy's
distributions, by quadrature and by simulation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from evenbeat.clock.tested import coverage_limits
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution
from evenbeat.plain import UNLISTED, Plain
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.result import Column, Result
from evenbeat.units import duration_text

NO_CHANCE = 1e-300
STARTS = (-1.5, 0.0, 1.5)
FARTHEST = 1e4
"""In units of the typical time: an interval beyond is called unlimited."""
SUPPORTED = 4.0
"""Difference of AIC up to which a model is not ruled out (common practice, Burnham & Anderson 2002)."""


class ReliabilityModel(NamedTuple):
    """A family of survival functions of the time (in units of a typical time) and of its parameters.

    ``powers`` are those of 1/time in the parameters, by their names, to give them back in SI.
    """

    name: str
    powers: Mapping[str, float]
    says: str
    survival: Callable[[FloatArray, FloatArray], FloatArray]


def _within(variance: FloatArray) -> FloatArray:
    """Return the probability that a normal offset of this variance is within ±1."""
    with np.errstate(divide="ignore"):
        return 2 * special.ndtr(1 / np.sqrt(variance)) - 1


def _weibull(t: FloatArray, p: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):
        return np.exp(-((p[0] * t) ** p[1]))


RELIABILITY_MODELS: dict[str, ReliabilityModel] = {
    row[0]: ReliabilityModel(*row)
    for row in (
        (
            "exponential",
            {"rate": 1},
            "e^(-λt): failures come at random and do not depend on age",
            lambda t, p: np.exp(-p[0] * t),
        ),
        (
            "weibull",
            {"rate": 1, "shape": 0},
            "e^(-(λt)^β): failures grow more (β > 1) or less frequent",
            _weibull,
        ),
        (
            "mixed_exponential",
            {"rate": 1, "shape": 0},
            "(1 + λt/β)^(-β): units differ in their rate, by a gamma distribution",
            lambda t, p: (1 + p[0] * t / p[1]) ** -p[1],
        ),
        (
            "random_walk",
            {"growth": 1},
            "2Φ(1/√(bt)) - 1: the offset walks, its variance growing with time",
            lambda t, p: _within(p[0] * t),
        ),
        (
            "random_walk_from_spread",
            {"growth": 1, "spread": 0},
            "2Φ(1/√(a + bt)) - 1: the same from offsets that are spread already at the start",
            lambda t, p: _within(p[1] + p[0] * t),
        ),
        (
            "warranty",
            {"rate": 1, "steepness": 0},
            "1/(1 + e^(b(t/a - 1))): hardly any until about a, then nearly all; a = 1/rate",
            lambda t, p: special.expit(-p[1] * (p[0] * t - 1)),
        ),
        (
            "restricted_walk",
            {"variance": 0, "rate": 1},
            "2Φ(1/√(b(1 - e^(-ct)))) - 1: a walk that settles",
            lambda t, p: _within(p[0] * -np.expm1(-p[1] * t)),
        ),
        (
            "modified_gamma",
            {"rate": 1},
            "e^(-λt)(1 + λt + (λt)²/2): three shocks before failure",
            lambda t, p: special.pdtr(2, p[0] * t),
        ),
        (
            "mortality_drift",
            {"rate": 1, "rate_squared": 2},
            "e^(-(at + bt²)): a rate that grows in proportion to age",
            lambda t, p: np.exp(-(p[0] * t + p[1] * t**2)),
        ),
        (
            "linear_drift",
            {"drift": 1, "spread": 0},
            "Φ((1-dt)/s) + Φ((1+dt)/s) - 1: a common drift with a spread, in units of the tolerance",
            lambda t, p: special.ndtr((1 - p[0] * t) / p[1]) + special.ndtr((1 + p[0] * t) / p[1]) - 1,
        ),
    )
}


@dataclass(frozen=True, eq=False, kw_only=True)
class ReliabilityFit(Plain):
    """One model fitted: parameters in SI, cost and AIC (Akaike 1974) at the maximum.

    Time at which the reliability falls to the target, with its profile-likelihood interval; ``inf`` where it
    does not fall so far within reach.
    """

    model: ReliabilityModel
    parameters: tuple[float, ...]
    negative_log_likelihood: float
    aic: float
    interval_s: float
    interval_low_s: float
    interval_high_s: float
    unit_s: float = field(metadata=UNLISTED)
    scaled: FloatArray = field(metadata=UNLISTED)

    def survival(self, time_s: npt.ArrayLike) -> FloatArray:
        """Return the probability of being in tolerance after ``time_s``."""
        t = np.asarray(time_s, dtype=float) / self.unit_s
        return self.model.survival(t, np.exp(self.scaled))

    def _facts(self) -> Mapping[str, object]:
        parameters = dict(zip(self.model.powers, self.parameters, strict=True))
        return {**super()._facts(), "model": self.model.name, "parameters": parameters}


@dataclass(frozen=True)
class Observed(Plain):
    """Found in at one time of inspection: how many of how many, with a 95 % interval (Clopper-Pearson)."""

    time_s: float
    inspected: float
    found_in: float
    low: float
    high: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ReliabilityComparison(Result):
    """All models side by side, made by :func:`evenbeat.calibration.fit_reliability`; the best AIC first.

    Attributes
    ----------
    longest_s
        The longest time that was observed.
    observed
        What was found at each time, where units were inspected once and found in or out.
    """

    fits: tuple[ReliabilityFit, ...]
    reliability: float
    confidence: float
    observations: int
    longest_s: float
    observed: tuple[Observed, ...] = ()

    _row_objects = "fits"

    @property
    def best(self) -> ReliabilityFit:
        """The model with the smallest AIC."""
        return self.fits[0]

    def _columns(self) -> tuple[Column, ...]:
        smallest = self.best.aic
        return (
            Column("model", heading="model", form=lambda model: model.name),
            Column("negative_log_likelihood", heading="-ln L", form=".3f"),
            Column("aic", heading="ΔAIC", form=lambda aic: f"{aic - smallest:.2f}"),
            Column("interval_s", heading="interval", form=_time_text),
            Column("interval_low_s", heading="low", form=_time_text),
            Column("interval_high_s", heading="high", form=_time_text),
        )

    def _headline(self) -> str:
        return (
            f"{_time_text(self.best.interval_s)} for {100 * self.reliability:g} % by "
            f"{self.best.model.name}, from {self.observations} found states"
        )


def _time_text(seconds: float) -> str:
    if seconds == 0:
        return "0 s"
    return duration_text(seconds) if math.isfinite(seconds) else "∞"


def fit_reliability(
    after_s: npt.ArrayLike,
    before_s: npt.ArrayLike,
    counts: npt.ArrayLike | None = None,
    *,
    reliability: float = DEFAULT_CONFIDENCE,
    confidence: float = 0.9,
    models: Sequence[str] = tuple(RELIABILITY_MODELS),
) -> ReliabilityComparison:
    """Fit reliability models to found states.

    Parameters
    ----------
    after_s, before_s
        Shape (n,): each unit left its tolerance after the first and before the second, in seconds. Found
        in at t: ``(t, inf)``; found out at t: ``(0, t)``; seen to leave at t: ``(t, t)``.
    counts
        Shape (n,): how many units each row stands for; one by default.
    reliability
        Target for which the interval is given.
    confidence
        Of the interval's own limits (profile likelihood).
    models
        Names in :data:`RELIABILITY_MODELS`.

    Returns
    -------
    ReliabilityComparison
        The models by AIC, each with its interval.

    Raises
    ------
    InputError
        If a row is impossible, a model unknown, or every unit was found in (no failure: nothing but a
        lower limit of the reliability can be said).

    Notes
    -----
    The models may agree on what was seen and differ by a factor of two in the interval: the spread is part
    of the result. Not valid where units are adjusted at every calibration although in tolerance and the
    rows are pooled with those that are not.

    Examples
    --------
    >>> import evenbeat as eb
    >>> year = 365.25 * 86400
    >>> after, before = [0, 0, year, 0, 2 * year], [year, 2 * year, float("inf"), year, float("inf")]
    >>> eb.calibration.fit_reliability(after, before, [3, 6, 40, 2, 8], models=["exponential", "weibull"])
    <252 d for 95 % by weibull, from 59 found states>

    References
    ----------
    Formula: L = Π [S(t₁) - S(t₂)]
    Source: Turnbull 1976 (interval-censored likelihood); Akaike 1974
    Tests: tests/calibration/test_reliability.py
    """
    target = checked_probability(reliability, "reliability")
    level = checked_probability(confidence, "confidence")
    low, high, weight = _checked_rows(after_s, before_s, counts)
    for name in models:
        if name not in RELIABILITY_MODELS:
            msg = f"model is {name!r}; it must be one of {', '.join(RELIABILITY_MODELS)}"
            raise InputError(msg)
    finite = np.concatenate([low[low > 0], high[np.isfinite(high)]])
    unit = float(np.median(finite))
    rows = _Rows(low / unit, high / unit, weight)
    fits = [_fit(RELIABILITY_MODELS[name], rows, unit, target, level) for name in models]
    longest = float(np.max(np.where(np.isfinite(high), high, low)))
    ordered = tuple(sorted(fits, key=lambda fit: fit.aic))
    return ReliabilityComparison(
        fits=ordered,
        reliability=target,
        confidence=level,
        observations=int(weight.sum()),
        longest_s=longest,
        observed=_observed(low, high, weight),
        findings=tuple(_remarks(ordered, target, longest, weight, high)),
    )


def _observed(low: FloatArray, high: FloatArray, weight: FloatArray) -> tuple[Observed, ...]:
    """Return counts at each time where every row says found in, or found out since the start."""
    inside, outside = np.isinf(high), (low == 0) & np.isfinite(high)
    if not np.all(inside | outside):
        return ()
    times = np.where(inside, low, high)
    rows = []
    for time in np.unique(times):
        n, k = (float(weight[some & (times == time)].sum()) for some in (inside | outside, inside))
        rows.append(Observed(float(time), n, k, *coverage_limits(k, n)))
    return tuple(rows)


def _checked_rows(
    after_s: npt.ArrayLike, before_s: npt.ArrayLike, counts: npt.ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    low, high = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (after_s, before_s))
    weight = np.ones_like(low) if counts is None else np.atleast_1d(np.asarray(counts, dtype=float))
    if not (low.shape == high.shape == weight.shape) or low.ndim != 1 or not len(low):
        msg = f"after_s, before_s and counts differ in length ({low.size}, {high.size}, {weight.size})"
        raise InputError(msg)
    bad = np.flatnonzero(~((low >= 0) & (high >= low) & (high > 0) & (weight > 0)))
    if len(bad):
        i = int(bad[0])
        msg = (
            f"row {i + 1} says after {low[i]:g} s and before {high[i]:g} s, {weight[i]:g} units; "
            "times must be 0 or more, in order, and counts positive"
        )
        raise InputError(msg)
    if not np.any(np.isfinite(high)):
        least, _ = coverage_limits(weight.sum(), weight.sum(), 0.9)
        msg = (
            "every unit was found in tolerance, so no model can be fitted; with 95 % confidence that shows a "
            f"reliability of at least {least:.3f} at the times of inspection"
        )
        raise InputError(msg)
    return low, high, weight


class _Rows(NamedTuple):
    low: FloatArray
    high: FloatArray
    weight: FloatArray

    def cost(self, model: ReliabilityModel, log_parameters: FloatArray) -> float:
        """Return the negative log likelihood."""
        p = np.exp(np.clip(log_parameters, -50, 50))
        exact = self.low == self.high
        after = np.where(self.low > 0, model.survival(np.maximum(self.low, 1e-12), p), 1.0)
        finite = np.isfinite(self.high)
        before = np.where(finite, model.survival(np.where(finite, self.high, 1.0), p), 0.0)
        chance = after - before
        if np.any(exact):
            t, step = self.low[exact], 1e-5 * self.low[exact]
            chance[exact] = (model.survival(t - step, p) - model.survival(t + step, p)) / (2 * step)
        if not np.all(np.isfinite(chance)):
            return 1e12
        return float(-self.weight @ np.log(np.maximum(chance, NO_CHANCE)))


def _fit(
    model: ReliabilityModel, rows: _Rows, unit: float, reliability: float, confidence: float
) -> ReliabilityFit:
    count = len(model.powers)
    starts = np.stack(np.meshgrid(*[STARTS] * count), axis=-1).reshape(-1, count)

    def cost(p: npt.NDArray[np.float64]) -> float:
        return rows.cost(model, p)

    found = [
        optimize.minimize(
            cost,
            start,
            method="Nelder-Mead",
            options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000},
        )
        for start in sorted(starts, key=cost)[:3]
    ]
    best = min(found, key=lambda result: result.fun)
    scaled = np.asarray(best.x)
    interval = _time_of(model, scaled, reliability)
    low, high = _profile_limits(model, rows, scaled, (interval, reliability, float(best.fun), confidence))
    powers = zip(scaled, model.powers.values(), strict=True)
    # the density of a time seen exactly was taken per unit of the scaled time
    lowest = float(best.fun) + float(rows.weight[rows.low == rows.high].sum()) * math.log(unit)
    return ReliabilityFit(
        model=model,
        parameters=tuple(float(math.exp(p) / unit**power) for p, power in powers),
        negative_log_likelihood=lowest,
        aic=2 * lowest + 2 * count,
        interval_s=interval * unit,
        interval_low_s=low * unit,
        interval_high_s=high * unit,
        unit_s=unit,
        scaled=scaled,
    )


def _time_of(model: ReliabilityModel, log_parameters: FloatArray, reliability: float) -> float:
    """Return the first time at which the reliability has fallen to the target."""
    p = np.exp(log_parameters)

    def excess(log_time: float) -> float:
        return float(model.survival(np.array([math.exp(log_time)]), p)[0]) - reliability

    low, high = math.log(1e-9), math.log(FARTHEST)
    if not excess(low) > 0 > excess(high):
        return math.inf if excess(high) > 0 else 0.0
    return math.exp(optimize.brentq(excess, low, high, xtol=1e-13))


def _profile_limits(
    model: ReliabilityModel, rows: _Rows, best: FloatArray, question: tuple[float, float, float, float]
) -> tuple[float, float]:
    """Return the times whose profile likelihood is not rejected, on either side of the estimate."""
    interval, reliability, lowest, confidence = question
    if not (0 < interval < math.inf):
        return 0.0, math.inf
    allowed = 0.5 * float(special.chdtri(1, 1 - confidence))

    def excess(log_time: float) -> float:
        return _profile(model, rows, best, math.exp(log_time), reliability) - lowest - allowed

    here = math.log(interval)

    def end(direction: int, otherwise: float) -> float:
        steps = (here + direction * step for step in (0.25, 0.5, 1, 2, 4, 8))
        reach = next((there for there in steps if excess(there) > 0), None)
        if reach is None:
            return otherwise
        return math.exp(optimize.brentq(excess, min(here, reach), max(here, reach), xtol=1e-7))

    return end(-1, 0.0), end(1, math.inf)


def _profile(
    model: ReliabilityModel, rows: _Rows, best: FloatArray, time: float, reliability: float
) -> float:
    """Return the smallest cost among parameters that give ``reliability`` at ``time``."""

    def cost(*others: float) -> float:
        """Return the cost with these parameters, the first solved for."""

        def excess(first: float) -> float:
            p = np.exp(np.array([first, *others]))
            return float(model.survival(np.array([time]), p)[0]) - reliability

        low, high = -40.0, 40.0
        if not excess(low) > 0 > excess(high):
            return 1e9
        return rows.cost(model, np.array([optimize.brentq(excess, low, high, xtol=1e-12), *others]))

    if len(best) == 1:
        return cost()
    brackets = ((best[1] - s, best[1] + s) for s in (0.3, 1.5))
    return float(min(optimize.minimize_scalar(cost, bracket=ends, tol=1e-9).fun for ends in brackets))


def _remarks(
    fits: Sequence[ReliabilityFit], reliability: float, longest: float, weight: FloatArray, high: FloatArray
) -> Iterator[Finding]:
    likely = [fit for fit in fits if fit.aic - fits[0].aic <= SUPPORTED]
    spread = [fit.interval_s for fit in likely]
    if len(likely) > 1 and min(spread) > 0 and max(spread) / min(spread) > 1.2:
        sentence = (
            f"{len(likely)} models fit about equally well and give intervals from "
            f"{_time_text(min(spread))} to {_time_text(max(spread))} for "
            f"{100 * reliability:g} %: the spread belongs to the answer."
        )
        yield caution("MODELS_SPREAD", sentence)
    failed = float(weight[np.isfinite(high)].sum())
    if failed < 5:
        sentence = f"Only {failed:.0f} of {weight.sum():.0f} units were found out; that is little data."
        yield caution("FEW_FAILURES", sentence)
    if fits[0].interval_s > longest:
        sentence = "The interval is longer than any observed; do not exceed twice the longest observed."
        yield caution("BEYOND_OBSERVED", sentence)
