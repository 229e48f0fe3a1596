"""A clock known from its calibrations alone: drift and random walk from as-found and as-left values.

Between two calibrations the offset changes by the drift and by a random walk of variance ``s² T``; both
ends carry the uncertainty of their calibration. An adjustment resets the offset, not the drift. A
calibration that says only 'in' or 'out' counts with the probability of that. The drift is constant, or
slows down as ``D ln(1 + B t) / B`` since the first calibration; the laws are averaged over by their
marginal likelihood.

Sources: increments of a random walk with drift on a Bayesian grid; interval by drift, ILAC-G24:2022/OIML
D 10; priors by class of oscillator are common practice.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from evenbeat.calibration.history import CalibrationHistory, Increment
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.printing import Printed, Table
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, checked_probability, number_text
from evenbeat.units import SECONDS_PER_YEAR, duration_text

DriftLaw = Literal["auto", "constant", "logarithmic"]
GRID = (161, 90)
BENDS_PER_YEAR = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
"""How soon a logarithmic drift slows down: its parameter B, equally likely a priori."""
KEPT = 1e-6
"""Grid points of less than this share of the most likely one are left out."""
LONGEST_S = 40 * SECONDS_PER_YEAR


@dataclass(frozen=True, kw_only=True)
class OscillatorClass:
    """What is usual for a kind of oscillator, per year (common practice): prior of drift and walk."""

    name: str
    drift_per_year: float
    walk_per_root_year: float


OSCILLATOR_CLASSES: dict[str, OscillatorClass] = {
    c.name: c
    for c in (
        OscillatorClass(name="uncompensated", drift_per_year=5e-6, walk_per_root_year=2e-6),
        OscillatorClass(name="temperature_compensated", drift_per_year=1e-6, walk_per_root_year=4e-7),
        OscillatorClass(name="oven", drift_per_year=1e-7, walk_per_root_year=2e-8),
        OscillatorClass(name="rubidium", drift_per_year=1e-9, walk_per_root_year=2e-10),
        OscillatorClass(name="caesium", drift_per_year=1e-12, walk_per_root_year=5e-13),
    )
}


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HistoryModel(Printed):
    """Drift and random walk learnt from calibrations, made by :func:`evenbeat.fit_history`.

    Attributes
    ----------
    drift, walk
        Shape (k,): points of the posterior, per second (at the first calibration) and per root second.
    bend
        Shape (k,): B of the logarithmic law per second, 0 for a constant drift.
    weight
        Shape (k,): their probability.
    as_left
        The last offset with its uncertainty, from which forecasts start.
    """

    history: tuple[CalibrationHistory, ...]
    drift: FloatArray
    bend: FloatArray
    walk: FloatArray
    weight: FloatArray
    as_left: Estimate
    findings: tuple[Finding, ...] = ()

    @property
    def span_s(self) -> float:
        """From the first to the last calibration of the first instrument."""
        return self.history[0].points[-1].time_s

    @property
    def drift_rate(self) -> Estimate:
        """Drift per second at the last calibration."""
        values = self.drift / (1 + self.bend * self.span_s)
        mixture = StudentMixture(
            weights=self.weight,
            locations=values,
            scales=np.full(values.shape, float(np.ptp(values)) / GRID[0]),
            degrees_of_freedom=np.full(values.shape, math.inf),
        )
        return Estimate(distribution=mixture, unit="1/s")

    @property
    def drift_per_year(self) -> Estimate:
        """Drift per year at the last calibration."""
        return self.drift_rate.scaled(SECONDS_PER_YEAR, "1/yr")

    @property
    def logarithmic_share(self) -> float:
        """Probability of the logarithmic law."""
        return float(self.weight[self.bend > 0].sum())

    @property
    def walk_per_root_year(self) -> float:
        """Median of the random walk's standard deviation after one year."""
        walks, where = np.unique(self.walk, return_inverse=True)
        share = np.cumsum(np.bincount(where, weights=self.weight))
        # half of the probability of a cell lies below its middle
        middle = share - 0.5 * np.diff(np.concatenate([[0.0], share]))
        return float(np.interp(0.5, middle, walks)) * math.sqrt(SECONDS_PER_YEAR)

    def offset_after(self, elapsed_s: npt.ArrayLike, as_left: Estimate | None = None) -> StudentMixture:
        """Return the distribution of the offset some time after the last calibration, shape (m,)."""
        t = np.atleast_1d(np.asarray(elapsed_s, dtype=float))[:, np.newaxis]
        start = self.as_left if as_left is None else as_left
        aged = _aged(self.bend, self.span_s + t) - _aged(self.bend, self.span_s)
        return StudentMixture(
            weights=self.weight,
            locations=start.value + self.drift * aged,
            scales=np.sqrt(start.standard_uncertainty**2 + self.walk**2 * t),
            degrees_of_freedom=np.full(self.weight.shape, math.inf),
        )

    def probability_within(
        self, elapsed_s: npt.ArrayLike, tolerance: float, as_left: Estimate | None = None
    ) -> FloatArray:
        """Return the probability of being within ± ``tolerance`` at each time."""
        return self.offset_after(elapsed_s, as_left).probability_within(tolerance)

    def interval_s(
        self, tolerance: float, reliability: float = 0.95, as_left: Estimate | None = None
    ) -> float:
        """Return the longest time for which the offset is within tolerance with this probability.

        ``0`` where it is not even now; 40 years where that does not suffice to leave it.
        """
        target = checked_probability(reliability, "reliability")

        def excess(t: float) -> float:
            return float(self.probability_within(t, tolerance, as_left)[0]) - target

        if excess(0.0) < 0:
            return 0.0
        times = np.concatenate([[0.0], np.geomspace(3600.0, LONGEST_S, 200)])
        within = self.probability_within(times, tolerance, as_left) >= target
        if within.all():
            return LONGEST_S
        first = int(np.argmin(within))
        return float(optimize.brentq(excess, times[first - 1], times[first], xtol=1.0))

    def to_frame(self) -> pd.DataFrame:
        """Return the forecast year by year: offset and its 95 % band."""
        years = np.array([0.0, 0.25, 0.5, 1, 1.5, 2, 3, 5])
        offset = self.offset_after(years * SECONDS_PER_YEAR)
        low, high = offset.interval()
        return pd.DataFrame({"elapsed_years": years, "offset": offset.mean, "low_95": low, "high_95": high})

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "calibrations": sum(len(one) for one in self.history),
            "drift_per_year": self.drift_per_year.to_dict(),
            "walk_per_root_year": self.walk_per_root_year,
            "logarithmic_share": self.logarithmic_share,
            "as_left": self.as_left.to_dict(),
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        rate = self.drift_per_year
        return (
            f"Drift {number_text(rate.value, rate.standard_uncertainty)} per year and a random walk of "
            f"{self.walk_per_root_year:.2g} in a year, from "
            f"{sum(len(one) for one in self.history)} calibrations"
        )

    def _table(self) -> Table:
        frame = self.to_frame()
        rows = tuple(
            (f"{row.elapsed_years:g} years", f"{row.offset:.3e}", f"{row.low_95:.3e}", f"{row.high_95:.3e}")
            for row in frame.itertuples()
        )
        return Table(columns=("after", "offset", "low 95 %", "high 95 %"), rows=rows)


def _aged(bend: npt.ArrayLike, time: npt.ArrayLike) -> FloatArray:
    """Return how far a drift of one has gone: t, or ln(1 + B t) / B."""
    b, t = np.broadcast_arrays(np.asarray(bend, dtype=float), np.asarray(time, dtype=float))
    return np.where(b > 0, np.log1p(b * t) / np.where(b > 0, b, 1.0), t)


def fit_history(
    history: CalibrationHistory | Iterable[CalibrationHistory],
    *,
    oscillator_class: str | OscillatorClass = "oven",
    tolerance: float | None = None,
    drift_law: DriftLaw = "auto",
) -> HistoryModel:
    """Learn drift and random walk from a history of calibrations, or from several of one family.

    Parameters
    ----------
    history
        One instrument; or several of one kind, taken to share drift and walk, the last calibration of the
        first being where forecasts start.
    oscillator_class
        A name in :data:`OSCILLATOR_CLASSES` or your own: the prior of drift (normal about zero) and walk
        (half-normal), decisive while calibrations are few.
    tolerance
        Needed where a calibration says only 'in' or 'out'.
    drift_law
        ``constant``, ``logarithmic``, or ``auto``: both, weighted by how well they foretell the history.

    Raises
    ------
    InputError
        If no two calibrations follow each other with a value left and a value or state found, or a state
        is given without a tolerance.

    Notes
    -----
    Increment ``d ~ N(D T, s² T + u² + u²)`` on a grid over D and s (grid centred on the mode of the
    likelihood times prior). Not valid where
    the drift changes its sign or an adjustment changes the drift itself.
    """
    several = (history,) if isinstance(history, CalibrationHistory) else tuple(history)
    prior = _class(oscillator_class)
    increments = [one for each in several for one in each.increments()]
    if not increments:
        msg = "no two calibrations follow each other with an as-left and an as-found; at least two are needed"
        raise InputError(msg)
    if any(one.state for one in increments) and tolerance is None:
        msg = "a calibration says only in or out; state the tolerance it was judged by"
        raise InputError(msg)
    if drift_law not in ("auto", "constant", "logarithmic"):
        msg = f"drift_law is {drift_law!r}; it must be auto, constant or logarithmic"
        raise InputError(msg)
    limit = math.nan if tolerance is None else tolerance
    drift, bend, walk, weight = _posterior(increments, prior, limit, drift_law)
    last = several[0].points[-1]
    start = last.as_left if math.isfinite(last.as_left) else 0.0
    return HistoryModel(
        history=several,
        drift=drift,
        bend=bend,
        walk=walk,
        weight=weight,
        as_left=Estimate.normal(start, last.standard_uncertainty if math.isfinite(last.as_left) else 0.0),
        findings=_remarks(several, increments, prior),
    )


def _class(oscillator_class: str | OscillatorClass) -> OscillatorClass:
    if isinstance(oscillator_class, OscillatorClass):
        return oscillator_class
    if oscillator_class not in OSCILLATOR_CLASSES:
        msg = f"oscillator_class is {oscillator_class!r}; it must be one of {', '.join(OSCILLATOR_CLASSES)}"
        raise InputError(msg)
    return OSCILLATOR_CLASSES[oscillator_class]


def _posterior(
    increments: Sequence[Increment], prior: OscillatorClass, tolerance: float, law: DriftLaw
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return drift, bend, walk and weight of the points of the grid that matter."""
    bends = {
        "constant": (0.0,),
        "logarithmic": BENDS_PER_YEAR,
        "auto": (0.0, *BENDS_PER_YEAR),
    }[law]
    parts = []
    for bend in bends:
        # both laws count as equally likely beforehand, and so do the bends of the second
        share = 0.0 if bend == 0 else -math.log(len(BENDS_PER_YEAR))
        drift, walk, log_weight = _posterior_of(increments, prior, tolerance, bend / SECONDS_PER_YEAR)
        parts.append((drift, np.full(drift.shape, bend / SECONDS_PER_YEAR), walk, log_weight + share))
    drift, bent, walk, logs = (np.concatenate(column) for column in zip(*parts, strict=True))
    weights = np.exp(logs - logs.max())
    kept = weights > KEPT * weights.max()
    return drift[kept], bent[kept], walk[kept], weights[kept] / weights[kept].sum()


def _posterior_of(
    increments: Sequence[Increment], prior: OscillatorClass, tolerance: float, bend: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return drift, walk and log probability of a grid for one bend; years and the prior's units inside."""
    unit = prior.drift_per_year
    walk_unit = prior.walk_per_root_year / unit
    terms = [_term(one, unit, tolerance, bend) for one in increments]

    def log_weight(drift: FloatArray, walk: FloatArray) -> FloatArray:
        value = -0.5 * drift**2 - 0.5 * (walk / walk_unit) ** 2
        for term in terms:
            value = value + term(drift, walk)
        return value

    edges = np.concatenate([[0.0], np.geomspace(1e-3, 6.0, GRID[1])]) * walk_unit
    walks, widths = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)
    drifts = _drifts_that_matter(log_weight, walks)
    d, s = np.meshgrid(drifts, walks, indexing="ij")
    logs = log_weight(d, s) + np.log(widths) + math.log(drifts[1] - drifts[0])
    return (
        d.ravel() * unit / SECONDS_PER_YEAR,
        s.ravel() * unit / math.sqrt(SECONDS_PER_YEAR),
        logs.ravel(),
    )


def _drifts_that_matter(
    log_weight: Callable[[FloatArray, FloatArray], FloatArray], walks: FloatArray
) -> FloatArray:
    """Return evenly spaced drifts over all that hold a thousandth of a millionth of the largest weight."""
    some = walks[::6]
    coarse = np.unique(np.concatenate([-np.geomspace(1e-5, 60, 400), [0.0], np.geomspace(1e-5, 60, 400)]))
    best = log_weight(*np.meshgrid(coarse, some, indexing="ij")).max(axis=1)
    matters = np.flatnonzero(best > best.max() - 21)
    low, high = max(int(matters[0]) - 1, 0), min(int(matters[-1]) + 1, len(coarse) - 1)
    return np.linspace(coarse[low], coarse[high], GRID[0])


def _term(
    one: Increment, unit: float, tolerance: float, bend: float
) -> Callable[[FloatArray, FloatArray], FloatArray]:
    """Return the log likelihood of one increment as a function of drift and walk."""
    years = one.duration_s / SECONDS_PER_YEAR
    aged = float(_aged(bend, one.stop_s) - _aged(bend, one.start_s)) / SECONDS_PER_YEAR
    known = (one.start_uncertainty**2 + one.end_uncertainty**2) / unit**2
    start, limit, change = one.start / unit, tolerance / unit, one.change / unit

    def measured(drift: FloatArray, walk: FloatArray) -> FloatArray:
        variance = walk**2 * years + known
        return -0.5 * np.log(variance) - 0.5 * (change - drift * aged) ** 2 / variance

    def judged(drift: FloatArray, walk: FloatArray) -> FloatArray:
        spread = np.sqrt(walk**2 * years + known)
        middle = start + drift * aged
        inside = special.ndtr((limit - middle) / spread) - special.ndtr((-limit - middle) / spread)
        return np.log(np.clip(inside if one.state == "in" else 1 - inside, 1e-300, None))

    return measured if one.state is None else judged


def _remarks(
    several: tuple[CalibrationHistory, ...], increments: list[Increment], prior: OscillatorClass
) -> tuple[Finding, ...]:
    found = [
        Finding(
            code="PRIOR_BY_CLASS",
            severity="note",
            sentence=(
                f"Prior for {prior.name.replace('_', ' ')} oscillators: drift within about "
                f"±{prior.drift_per_year:.0e} a year, random walk about {prior.walk_per_root_year:.0e} in a "
                "year (common practice)."
            ),
        )
    ]
    if len(increments) < 3:
        sentence = (
            f"{len(increments)} interval(s) between calibrations say little; the answer leans on what is "
            "usual for this class of oscillator."
        )
        found.append(Finding(code="FEW_CALIBRATIONS", severity="caution", sentence=sentence))
    if len(several) > 1:
        sentence = f"{len(several)} instruments are taken to share one drift and one random walk."
        found.append(Finding(code="FAMILY_POOLED", severity="note", sentence=sentence))
    rates = [one.change / one.duration_s for one in increments if one.state is None]
    falling = [abs(a) > abs(b) for a, b in itertools.pairwise(rates)]
    if len(rates) >= 3 and all(falling) and len({math.copysign(1, r) for r in rates}) == 1:
        sentence = (
            "The drift is smaller in every interval than in the one before; a logarithmic law is among those "
            "that the forecast averages over unless it was left out."
        )
        found.append(Finding(code="DRIFT_DECREASES", severity="note", sentence=sentence))
    return tuple(found)


def agreement(first: Estimate, second: Estimate) -> float:
    """Return E_n of two estimates with k = 2 (ISO/IEC 17043): beyond 1 they disagree; do not average."""
    spread = 2 * math.hypot(first.standard_uncertainty, second.standard_uncertainty)
    if not spread > 0:
        msg = "both estimates are exact; at least one needs an uncertainty"
        raise InputError(msg)
    return abs(first.value - second.value) / spread


def interval_text(seconds: float) -> str:
    """Return an interval in words; ``over 40 years`` where no limit was found."""
    return "over 40 years" if seconds >= LONGEST_S else duration_text(seconds)
