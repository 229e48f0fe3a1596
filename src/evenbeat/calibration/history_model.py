"""A clock known from its calibrations alone: drift and random walk from as-found and as-left values.

Between two calibrations the offset changes by the drift and by a random walk of variance ``s² T``; both
ends carry the uncertainty of their calibration. An adjustment resets the offset, not the drift. A
calibration that says only 'in' or 'out' counts with the probability of that. The drift is constant, or
slows down as ``D ln(1 + B t) / B`` since the first calibration; the laws are averaged over by their
marginal likelihood. The posterior is in :mod:`evenbeat.calibration.history_posterior`.

What is usual for the class of oscillator is the prior, until the calibrations contradict it: then it is set
aside, nothing goes beyond what they allow by themselves, and a caution says so.

Sources: increments of a random walk with drift, normal regression; interval by drift, ILAC-G24:2022/OIML
D 10; priors by class of oscillator are common practice.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import optimize

from evenbeat.calibration.history import CalibrationHistory, Increment
from evenbeat.calibration.history_posterior import (
    DriftPrior,
    Posterior,
    aged,
    contradicted,
    normal_posteriors,
    posterior,
    prior_of_data,
)
from evenbeat.calibration.offset_forecast import OffsetCourses
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.oscillator_classes import OscillatorClass
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.plain import UNLISTED
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, checked_probability, number_text
from evenbeat.results import Column, Result
from evenbeat.units import SECONDS_PER_YEAR, duration_text

DriftLaw = Literal["auto", "constant", "logarithmic"]
Family = Literal["related", "identical"]
LONGEST_S = 40 * SECONDS_PER_YEAR
TIMES_LONGEST = 2.0
"""No interval beyond so many times the longest that was ever observed (common practice)."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HistoryModel(Result):
    """Drift and random walk learnt from calibrations, made by :func:`evenbeat.fit_history`.

    Attributes
    ----------
    prior
        What drift and walk were learnt from beside the calibrations.
    drift, drift_uncertainty, walk
        Shape (k,): points of the posterior, per second (at the first calibration) and per root second; at
        each of them the drift is normal with this standard uncertainty.
    bend
        Shape (k,): B of the logarithmic law per second, 0 for a constant drift.
    weight
        Shape (k,): their probability.
    as_left
        The last offset with its uncertainty, from which forecasts start; ``None`` where it is not known.
    common_share
        How much of the class's variance of drift the family has in common; NaN for one instrument.
    by_class
        The model that the class would have given, where the calibrations contradict it and it was set aside.
    """

    history: tuple[CalibrationHistory, ...] = field(metadata=UNLISTED)
    prior: DriftPrior = field(metadata=UNLISTED)
    drift: FloatArray
    drift_uncertainty: FloatArray
    bend: FloatArray
    walk: FloatArray
    weight: FloatArray
    as_left: Estimate | None
    common_share: float = math.nan
    by_class: HistoryModel | None = None

    _also = ("calibrations", "drift_per_year", "walk_per_root_year", "logarithmic_share")

    @property
    def calibrations(self) -> int:
        """How many there are, of all instruments."""
        return sum(len(one) for one in self.history)

    @property
    def span_s(self) -> float:
        """From the first to the last calibration of the first instrument."""
        return self.history[0].points[-1].time_s

    @property
    def evidence_s(self) -> float:
        """How far ahead the calibrations can vouch for: twice the longest interval that was observed."""
        return TIMES_LONGEST * max(one.longest_interval_s for one in self.history)

    @property
    def drift_rate(self) -> Estimate:
        """Drift per second at the last calibration."""
        slowed = 1 + self.bend * self.span_s
        mixture = StudentMixture(
            weights=self.weight,
            locations=self.drift / slowed,
            scales=self.drift_uncertainty / slowed,
            degrees_of_freedom=np.full(self.weight.shape, math.inf),
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
        """Return the distribution of the offset some time after the last calibration, shape (m,).

        Raises
        ------
        InputError
            If it is not known what the clock was left at and ``as_left`` does not say so.
        """
        t = np.atleast_1d(np.asarray(elapsed_s, dtype=float))[:, np.newaxis]
        start = self._start(as_left)
        gone = aged(self.bend, self.span_s + t) - aged(self.bend, self.span_s)
        return StudentMixture(
            weights=self.weight,
            locations=start.value + self.drift * gone,
            scales=np.sqrt(
                start.standard_uncertainty**2 + self.walk**2 * t + (self.drift_uncertainty * gone) ** 2
            ),
            degrees_of_freedom=np.full(self.weight.shape, math.inf),
        )

    def offset_courses(
        self,
        elapsed_s: FloatArray,
        as_left: Estimate | None,
        count: int,
        generator: np.random.Generator,
    ) -> Iterator[OffsetCourses]:
        """Yield courses of the offset after the last calibration, those of one random walk together."""
        yield from self.courses_from(self.span_s, elapsed_s, self._start(as_left), count, generator)

    def courses_from(
        self,
        begin_s: float,
        elapsed_s: FloatArray,
        start: Estimate,
        count: int,
        generator: np.random.Generator,
    ) -> Iterator[OffsetCourses]:
        """Yield courses of the offset left at ``start`` at some time since the first calibration."""
        t = np.asarray(elapsed_s, dtype=float)
        drawn = np.repeat(np.arange(len(self.weight)), generator.multinomial(count, self.weight))
        walks, group = np.unique(self.walk[drawn], return_inverse=True)
        for k, walk in enumerate(walks):
            points = drawn[group == k]
            bend = self.bend[points][:, np.newaxis]
            gone = aged(bend, begin_s + t) - aged(bend, begin_s)
            drift = generator.normal(self.drift[points], self.drift_uncertainty[points])
            yield OffsetCourses(
                mean=start.value + drift[:, np.newaxis] * gone,
                covariance=start.standard_uncertainty**2 + walk**2 * np.minimum.outer(t, t),
                growth=np.ones(len(points)),
                diffusion=np.full(len(points), walk**2),
            )

    def _start(self, as_left: Estimate | None) -> Estimate:
        start = self.as_left if as_left is None else as_left
        if start is None:
            place = self.history[0].points[-1].place
            where = f"the last calibration{f' ({place})' if place else ''}"
            msg = f"{where} does not say what the clock was left at; give as_left"
            raise InputError(msg)
        return start

    def probability_within(
        self, elapsed_s: npt.ArrayLike, tolerance: ToleranceLike | Tolerance, as_left: Estimate | None = None
    ) -> FloatArray:
        """Return the probability of being within a tolerance at each time."""
        return Tolerance.of(tolerance).probability(self.offset_after(elapsed_s, as_left))

    def interval_s(
        self,
        tolerance: ToleranceLike | Tolerance,
        reliability: float = 0.95,
        as_left: Estimate | None = None,
    ) -> float:
        """Return the longest time for which the offset is within tolerance with this probability.

        ``0`` where it is not even now; 40 years where that does not suffice to leave it. Drift and walk
        alone: :func:`evenbeat.suggest_interval` adds caps, rounding and other meanings of reliability.
        """
        target = checked_probability(reliability, "reliability")
        limits = Tolerance.of(tolerance)

        def excess(t: float) -> float:
            return float(self.probability_within(t, limits, as_left)[0]) - target

        if excess(0.0) < 0:
            return 0.0
        times = np.concatenate([[0.0], np.geomspace(3600.0, LONGEST_S, 200)])
        within = self.probability_within(times, limits, as_left) >= target
        if within.all():
            return LONGEST_S
        first = int(np.argmin(within))
        return float(optimize.brentq(excess, times[first - 1], times[first], xtol=1.0))

    def _columns(self) -> tuple[Column, ...]:
        """Return the forecast from the last offset, from zero where it is not known."""
        years = np.array([0.0, 0.25, 0.5, 1, 1.5, 2, 3, 5])
        offset = self.offset_after(years * SECONDS_PER_YEAR, self.as_left or Estimate.normal(0.0, 0.0))
        low, high = offset.interval()
        return (
            Column("elapsed_years", years, "after", self._after),
            Column("offset", offset.mean, "offset", ".3e"),
            Column("low_95", low, "low 95 %", ".3e"),
            Column("high_95", high, "high 95 %", ".3e"),
        )

    def _headline(self) -> str:
        rate = self.drift_per_year
        return (
            f"Drift {number_text(rate.value, rate.standard_uncertainty)} per year and a random walk of "
            f"{self.walk_per_root_year:.2g} in a year, from "
            f"{self.calibrations} calibrations"
        )

    def _after(self, years: float) -> str:
        """Return a time of the table in words, and whether it lies beyond what was observed."""
        if years == 0:
            return "as left"
        said = f"{12 * years:g} months" if years < 1 else f"{years:g} year{'s' * (years != 1)}"
        return f"{said}, untested" if years * SECONDS_PER_YEAR > self.evidence_s else said


def fit_history(
    history: CalibrationHistory | Iterable[CalibrationHistory],
    *,
    oscillator_class: str | OscillatorClass | DriftPrior = "oven",
    tolerance: ToleranceLike | Tolerance | None = None,
    drift_law: DriftLaw = "auto",
    family: Family = "related",
) -> HistoryModel:
    """Learn drift and random walk from a history of calibrations, or from several of one family.

    Parameters
    ----------
    history
        One instrument; or several of one kind, the first being the one that is asked about.
    oscillator_class
        A name in :data:`evenbeat.clock.oscillator_classes.OSCILLATOR_CLASSES`, or a :class:`DriftPrior`: the
        prior of drift (normal about zero) and walk (half-normal), decisive while calibrations are few, and
        set aside where they contradict it.
    tolerance
        Needed where a calibration says only 'in' or 'out' and its row has no tolerance of its own.
    drift_law
        ``constant``, ``logarithmic``, or ``auto``: both, weighted by how well they foretell the history.
    family
        Of several instruments: ``related``, their drifts scattering about a common one by as much as the
        histories show, or ``identical``, all sharing one drift. The random walk is common either way.

    Raises
    ------
    InputError
        If no two calibrations follow each other with a value left and a value or state found, or a state
        is given without a tolerance.

    Notes
    -----
    Increment ``d ~ N(D T, s² T + u² + u²)``, the drift integrated in closed form, walks and laws on a grid.
    Where increments as far off as those seen have a probability below 1 % by the prior, the drift is left to
    them alone (``by_class`` keeps what the prior would have given): no interval exceeds what they allow by
    themselves. Not valid where the drift changes its sign or an adjustment changes the drift itself.

    References
    ----------
    Formula: AF_i - AL_(i-1) ~ N(D T_i, s²T_i + u²)
    Source: ILAC-G24:2022 / OIML D 10:2022; Box 1980 (predictive check, from memory)
    Tests: tests/calibration/test_history.py
    """
    several = (history,) if isinstance(history, CalibrationHistory) else tuple(history)
    prior = DriftPrior.of(oscillator_class)
    limits = None if tolerance is None else Tolerance.of(tolerance)
    groups = [one.increments() for one in several]
    increments = [one for group in groups for one in group]
    _check(several, increments, limits, drift_law=drift_law, family=family)
    alone = family == "identical" or len(several) == 1
    tested = [increments] if alone else [group for group in groups if group]
    beforehand = normal_posteriors(tested, [prior] * len(tested), law=drift_law).probability
    unlikely = min((one for one in contradicted(beforehand * len(tested)) if one is not None), default=None)
    own, siblings = (increments, ()) if alone else (groups[0], [group for group in groups[1:] if group])

    def fitted(taken: DriftPrior, *, by_class: HistoryModel | None = None) -> HistoryModel:
        points = posterior(own, taken, tolerance=limits, law=drift_law, siblings=siblings)
        last = several[0].points[-1]
        known = math.isfinite(last.as_left)
        return HistoryModel(
            history=several,
            prior=taken,
            drift=points.drift,
            drift_uncertainty=points.drift_uncertainty,
            bend=points.bend,
            walk=points.walk,
            weight=points.weight,
            as_left=Estimate.normal(last.as_left, last.standard_uncertainty) if known else None,
            common_share=points.common_share,
            by_class=by_class,
            findings=merged(
                *(one.findings for one in several),
                _remarks(several, increments, prior, unlikely=unlikely),
                _family(several, points),
            ),
        )

    if unlikely is None:
        return fitted(prior)
    free = prior_of_data(increments, prior.name, family=not alone)
    return fitted(free, by_class=fitted(prior))


def _check(
    several: Sequence[CalibrationHistory],
    increments: Sequence[Increment],
    limits: Tolerance | None,
    *,
    drift_law: str,
    family: str,
) -> None:
    if not increments:
        count = sum(len(one) for one in several)
        aside = "".join(f" {f.sentence}" for one in several for f in one.findings if f.severity == "caution")
        msg = (
            f"{count} calibration{' is' if count == 1 else 's are'} known, but no two follow each other with "
            f"an as-left and an as-found; at least two are needed to learn a drift.{aside}"
        )
        raise InputError(msg.removesuffix("."))
    stateless = next((one for one in increments if one.state and one.tolerance is None), None)
    if stateless is not None and limits is None:
        where = stateless.place or "a calibration"
        msg = f"{where} says only {stateless.state!r}; state the tolerance it was judged by"
        raise InputError(msg)
    if drift_law not in ("auto", "constant", "logarithmic"):
        msg = f"drift_law is {drift_law!r}; it must be auto, constant or logarithmic"
        raise InputError(msg)
    if family not in ("related", "identical"):
        msg = f"family is {family!r}; it must be related or identical"
        raise InputError(msg)


def _family(several: Sequence[CalibrationHistory], found: Posterior) -> list[Finding]:
    if len(several) == 1:
        return []
    if math.isnan(found.common_share):
        sentence = f"{len(several)} instruments are taken to share one drift and one random walk."
        return [Finding(code="FAMILY_POOLED", severity="note", sentence=sentence)]
    sentence = (
        f"The other {len(several) - 1} of the family say what is usual beforehand: about "
        f"{found.common_share:.0%} of the class's variance of drift is common to the family, and one random "
        "walk is taken for all."
    )
    values = {"common_share": found.common_share, "instruments": len(several)}
    return [Finding(code="FAMILY_RELATED", severity="note", sentence=sentence, values=values)]


def _remarks(
    several: tuple[CalibrationHistory, ...],
    increments: list[Increment],
    prior: DriftPrior,
    *,
    unlikely: float | None,
) -> tuple[Finding, ...]:
    found = [contradiction(increments, prior, unlikely) if unlikely is not None else _usual(prior)]
    if len(increments) < 3:
        found.append(few_calibrations(len(increments), prior, alone=unlikely is not None))
    own = increments if len(several) == 1 else several[0].increments()
    rates = [one.change / one.duration_s for one in own if one.state is None]
    falling = [abs(a) > abs(b) for a, b in itertools.pairwise(rates)]
    if len(rates) >= 3 and all(falling) and len({math.copysign(1, r) for r in rates}) == 1:
        sentence = (
            "The drift is smaller in every interval than in the one before; a logarithmic law is among those "
            "that the forecast averages over unless it was left out."
        )
        found.append(Finding(code="DRIFT_DECREASES", severity="note", sentence=sentence))
    return tuple(found)


def _usual(prior: DriftPrior) -> Finding:
    sentence = (
        f"Prior for {prior.spoken} oscillators: drift within about ±{prior.drift_per_year:.0e} a year, "
        f"random walk about {prior.walk_per_root_year:.0e} in a year (common practice)."
    )
    return Finding(code="PRIOR_BY_CLASS", severity="note", sentence=sentence)


def contradiction(increments: Sequence[Increment], prior: DriftPrior, probability: float) -> Finding:
    """Say that calibrations contradict the class that was stated, and which of them does most."""

    def unusual(one: Increment) -> float:
        years = one.duration_s / SECONDS_PER_YEAR
        known = one.start_uncertainty**2 + one.end_uncertainty**2
        return abs(one.change) / math.sqrt(
            (prior.drift_per_year * years) ** 2 + prior.walk_per_root_year**2 * years + known
        )

    worst = max((one for one in increments if one.state is None), key=unusual)
    at = f" ({worst.place})" if worst.place else ""
    chance = f"{probability:.1%}" if probability > 1e-3 else f"{probability:.0e}"
    sentence = (
        f"The calibrations contradict the class {prior.spoken}: by what is usual for it, changes such as "
        f"{worst.change:+.3g} in {duration_text(worst.duration_s)}{at} have a probability of {chance}. The "
        "class was set aside; drift and walk come from the calibrations alone. State the true class, or "
        "check the table."
    )
    values = {
        "probability": probability,
        "change": worst.change,
        "duration_s": worst.duration_s,
        "row": worst.row,
    }
    return Finding(code="CLASS_CONTRADICTED", severity="caution", sentence=sentence, values=values)


def class_set_aside(prior: DriftPrior, alone_s: float, by_class_s: float) -> Finding:
    """Say what the calibrations alone allow, and what a class would have allowed that they contradict."""

    def said(interval_s: float) -> str:
        return "none" if math.isnan(interval_s) or interval_s == 0 else interval_text(interval_s)

    sentence = (
        f"By the calibrations alone the interval is {said(alone_s)}; the class {prior.spoken}, which they "
        f"contradict, would give {said(by_class_s)}."
    )
    values = {
        name: 0.0 if math.isnan(value) else value
        for name, value in (("interval_s", alone_s), ("by_class_s", by_class_s))
    }
    return Finding(code="CLASS_SET_ASIDE", severity="caution", sentence=sentence, values=values)


def few_calibrations(intervals: int, prior: DriftPrior, *, alone: bool) -> Finding:
    """Say that so few intervals between calibrations say little, and what the answer then rests on."""
    rest = (
        "without a class to go by the answer stays cautious"
        if alone
        else f"the answer depends mostly on what is usual for the class {prior.spoken}"
    )
    some = f"{intervals} interval(s) between calibrations say little"
    sentence = f"{some if intervals else 'There is no interval between calibrations so far'}; {rest}."
    return Finding(code="FEW_CALIBRATIONS", severity="caution", sentence=sentence)


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
