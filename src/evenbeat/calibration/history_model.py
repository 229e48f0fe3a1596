"""A clock known from its calibrations alone: drift and random walk from as-found and as-left values.

Between two calibrations the offset changes by the drift and by a random walk of variance ``s² T``; every
reading carries the uncertainty of its calibration. An adjustment resets the offset, not the drift. A
calibration that says only 'in' or 'out' counts with the probability of that. The drift is constant, slows
down as ``D ln(1 + B t) / B`` since the first calibration, or wanders; a yearly course is weighed beside them
where calibrations fall in different seasons. The laws are averaged over by their marginal likelihood. The
posterior is in :mod:`evenbeat.calibration.history_posterior`.

What is usual for the class of oscillator is the prior, heavy in its tails: calibrations that contradict it
widen it, and a caution says so. Where no class is stated, all stand beside each other and their odds are
told.

Sources: increments of a random walk with drift, normal regression; interval by drift, ILAC-G24:2022/OIML
D 10; priors by class of oscillator are common practice.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.calibration.history import CalibrationHistory, HistoryPoint, Increment
from evenbeat.calibration.history_posterior import (
    LAWS,
    YEARLY,
    DriftPrior,
    Posteriors,
    aged,
    family_posteriors,
    posteriors,
    seasons_seen,
)
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.forecaster import (
    Forecast,
    Grounds,
    LastInterval,
    Paths,
    Quantity,
    VarianceTerms,
    knows_neither,
)
from evenbeat.clock.oscillator_classes import OscillatorClass
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, merged, note
from evenbeat.plain import UNLISTED
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, checked_probability, number_text
from evenbeat.result import Column, Result
from evenbeat.units import SECONDS_PER_HOUR, SECONDS_PER_YEAR, counted, duration_text, percent

if TYPE_CHECKING:
    from evenbeat.clock.environment import Course

DriftLaw = Literal["auto", "constant", "logarithmic", "wandering"]
Family = Literal["related", "identical"]
TIMES_LONGEST = 2.0
"""No interval beyond so many times the longest that was ever observed (common practice)."""
CONTRADICTED, SURE = 0.1, 0.9
"""Below this probability of the class as usual it counts as contradicted; above the other one as clear."""
DOUBTED = 0.1
"""From this probability of a mistake on a reading is named."""
COMMON = 0.05
"""What a fleet has taught is usual where it has at least this weight."""
SEASON_UNSEEN = caution(
    "SEASON_UNSEEN",
    "The calibrations cannot show a yearly course, as of temperature (too few, or all in one season), and "
    "nothing is allowed for it: calibrate in another season, or state the environment's uncertainty.",
)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HistoryModel(Result):
    """Drift and random walk learnt from calibrations, made by :func:`evenbeat.fit_history`.

    Attributes
    ----------
    prior
        What drift and walk were learnt from beside the calibrations.
    posterior
        Points of the posterior: weight, and at each of them offset and drift now, normal, and random walk.
    as_left
        The last reading with its uncertainty; ``None`` where it is not known what the clock was left at.
    """

    history: tuple[CalibrationHistory, ...] = field(metadata=UNLISTED)
    prior: DriftPrior = field(metadata=UNLISTED)
    posterior: Posteriors = field(metadata=UNLISTED)
    as_left: Estimate | None

    _also = (
        "calibrations",
        "drift_per_year",
        "walk_per_root_year",
        "logarithmic_share",
        "wandering_share",
        "seasonal_share",
        "class_odds",
        "mistaken_readings",
        "common_share",
    )

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
        return self.drift_per_year.scaled(1 / SECONDS_PER_YEAR, "1/s")

    @property
    def drift_per_year(self) -> Estimate:
        """Drift per year at the last calibration."""
        found = self.posterior
        return Estimate(
            distribution=_normals(found.weight[0], found.mean[1, 0], found.covariance[1, 1, 0]), unit="1/yr"
        )

    @property
    def logarithmic_share(self) -> float:
        """Probability of the logarithmic law."""
        return float(self.posterior.weight[0, self.posterior.bend[0] > 0].sum())

    @property
    def wandering_share(self) -> float:
        """Probability of a drift that wanders."""
        return float(self.posterior.weight[0, self.posterior.wander[0] > 0].sum())

    @property
    def seasonal_share(self) -> float:
        """Probability of a yearly course; NaN where the calibrations could not show one."""
        if not any(map(seasons_seen, self.history)):
            return math.nan
        return float(self.posterior.weight[0, self.posterior.covariance[2, 2, 0] > 0].sum())

    @property
    def common_share(self) -> float:
        """How much of the class's variance of drift the family has in common; NaN for one instrument."""
        return self.posterior.common_share

    @property
    def class_odds(self) -> Mapping[str, float]:
        """Probability of each class of oscillator, the likeliest first."""
        return class_odds(self.prior, _part_shares(self.prior, self.posterior))[0]

    @property
    def mistaken_readings(self) -> Mapping[str, float]:
        """Where a reading stands that may be a mistake (``line 6``), and how likely that is."""
        doubted = _doubted(self.history[0], self.posterior.mistakes[0])
        return {point.place: share for point, _, share, _ in doubted}

    @property
    def walk_per_root_year(self) -> float:
        """Median of the random walk's standard deviation after one year."""
        walks, where = np.unique(self.posterior.walk[0], return_inverse=True)
        share = np.cumsum(np.bincount(where, weights=self.posterior.weight[0]))
        # half of the probability of a cell lies below its middle
        middle = share - 0.5 * np.diff(np.concatenate([[0.0], share]))
        return float(np.interp(0.5, middle, walks))

    def offset(
        self,
        times: npt.ArrayLike,
        averaging_time_s: float | None = None,
        *,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> StudentMixture:
        """Return the distribution of the offset some time after the last calibration, shape (m,).

        Raises
        ------
        InputError
            If it is not known what the clock was left at and ``as_left`` does not say so.
        """
        knows_neither(averaging_time_s, environment)
        years = np.atleast_1d(np.asarray(times, dtype=float))[:, np.newaxis] / SECONDS_PER_YEAR
        found = self._begun(as_left)
        middle, variance = found.forecast(years)
        return _normals(found.weight[0], middle, variance)

    def time_error(
        self, times: npt.ArrayLike, *, environment: Mapping[str, Course] | None = None
    ) -> Forecast:
        """Return the time error gained since the last calibration, shape (m,).

        The integral of every course; beside it ``walk² t³/3 + wander² t⁵/20``.
        """
        knows_neither(None, environment)
        after = np.atleast_1d(np.asarray(times, dtype=float))
        years, found = after / SECONDS_PER_YEAR, self._begun(None)
        gained = _gained(found.bend[0], years)
        middle = np.einsum("ik,kit->tk", found.mean[:, 0], gained)
        known = np.einsum("kit,ijk,kjt->tk", gained, found.covariance[:, :, 0], gained)
        walked, wandered = (
            np.multiply.outer(years**power / over, size[0] ** 2)
            for power, over, size in ((3, 3, found.walk), (5, 20, found.wander))
        )
        distribution = _normals(found.weight[0], middle, known + walked + wandered).scaled(SECONDS_PER_YEAR)
        terms = {
            "starting frequency": np.multiply.outer(years**2, found.covariance[0, 0, 0]),
            "random-walk FM": walked,
            "wandering drift": wandered,
        }
        by_term = {name: SECONDS_PER_YEAR**2 * part @ found.weight[0] for name, part in terms.items()}
        rest = distribution.standard_deviation**2 - sum(by_term.values())
        # where drift and offset were learnt together, what is known of their sum is in both
        by_term["starting frequency"] += np.minimum(rest, 0.0)
        return Forecast(
            quantity="time_error",
            times_s=after,
            horizon_s=after,
            distribution=distribution,
            terms=VarianceTerms(by_term={**by_term, "aging": np.maximum(rest, 0.0)}),
            findings=self.grounds.beyond(float(after.max())),
        )

    def _begun(self, as_left: Estimate | None) -> Posteriors:
        """Return the posterior that begins with what the clock is left at."""
        if as_left is not None:
            return self.posterior.left_at(as_left)
        if self.as_left is None:
            place = self.history[0].points[-1].place
            where = f"the last calibration{f' ({place})' if place else ''}"
            msg = f"{where} does not say what the clock was left at; give as_left"
            raise InputError(msg)
        return self.posterior

    def paths(
        self,
        times: FloatArray,
        n: int,
        rng: np.random.Generator,
        *,
        of: Quantity = "offset",
        averaging_time_s: float | None = None,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> Iterator[Paths]:
        """Yield paths after the last calibration, those of one random walk together."""
        knows_neither(averaging_time_s, environment)
        t, size, shape, walked = np.asarray(times, dtype=float) / SECONDS_PER_YEAR, 1.0, _courses, _walked
        held = np.ones(len(t))
        if of == "time_error":
            size, shape, walked, held = SECONDS_PER_YEAR, _gained, _gained_by_walk, t
        # what it is left at is part of the covariance, so that conditioning on a later value is exact
        known = 0.0 if as_left is None else as_left.standard_uncertainty**2
        found = self._begun(None if as_left is None else Estimate.normal(as_left.value, 0.0))
        for points, walk, wander in _drawn(found, n, rng):
            drawn = _drawn_normal(found.mean[:, 0, points], found.covariance[:, :, 0, points], rng)
            diffusion = walk**2 / SECONDS_PER_YEAR if of == "offset" else 0.0
            yield Paths(
                mean=size * np.einsum("ni,nit->nt", drawn, shape(found.bend[0, points], t)),
                covariance=size**2 * (walked(walk, wander, t) + known * np.outer(held, held)),
                growth=np.ones(len(points)),
                diffusion=np.full(len(points), diffusion),
            )

    @cached_property
    def grounds(self) -> Grounds:
        """Calibrations, which vouch for twice the longest interval that was observed."""
        return Grounds(
            kind="calibrations",
            reach_s=self.evidence_s,
            first_s=SECONDS_PER_HOUR,
            drift_rate=self.drift_rate,
            seasons_seen=seasons_seen(self.history[0]),
            as_left=self.as_left,
            start=self.history[0].last_date,
            last_interval=self._last_interval,
        )

    @property
    def _last_interval(self) -> LastInterval | None:
        """What the last two calibrations found, and the model as it begins with the earlier one."""
        if len(self.history[0]) < 2:
            return None
        before, after = self.history[0].points[-2:]
        lapse = after.time_s - before.time_s
        return LastInterval(
            as_left=Estimate.normal(before.as_left, before.as_left_standard_uncertainty),
            as_found=Estimate.normal(after.as_found, after.standard_uncertainty),
            elapsed_s=lapse,
            start=self.history[0].date_of(before),
            source=replace(self, posterior=self.posterior.rewound(lapse / SECONDS_PER_YEAR)),
        )

    def probability_within(
        self, elapsed_s: npt.ArrayLike, tolerance: ToleranceLike | Tolerance, as_left: Estimate | None = None
    ) -> FloatArray:
        """Return the probability of being within a tolerance at each time."""
        return Tolerance.of(tolerance).probability(self.offset(elapsed_s, as_left=as_left))

    def interval_s(
        self, tolerance: ToleranceLike | Tolerance, reliability: float = 0.95, as_left: Estimate | None = None
    ) -> float:
        """Return the longest time for which the offset is within tolerance (:meth:`Tolerance.kept_for`)."""
        target = checked_probability(reliability, "reliability")
        return Tolerance.of(tolerance).kept_for(self, target, as_left=as_left)

    def _columns(self) -> tuple[Column, ...]:
        """Return the forecast from the last offset, from zero where it is not known."""
        years = np.array([0.0, 0.25, 0.5, 1, 1.5, 2, 3, 5])
        offset = self.offset(years * SECONDS_PER_YEAR, as_left=self.as_left or Estimate.normal(0.0, 0.0))
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


def _normals(weight: FloatArray, middle: FloatArray, variance: FloatArray) -> StudentMixture:
    kept = weight > 0
    return StudentMixture(
        weights=weight[kept],
        locations=middle[..., kept],
        scales=np.sqrt(np.maximum(variance[..., kept], 0.0)),
        degrees_of_freedom=np.full(int(kept.sum()), math.inf),
    )


def _drawn(
    found: Posteriors, count: int, generator: np.random.Generator
) -> Iterator[tuple[npt.NDArray[np.intp], float, float]]:
    """Yield points drawn from a posterior, those of one walk and one wander together."""
    drawn = np.repeat(np.arange(found.weight.shape[1]), generator.multinomial(count, found.weight[0]))
    both = np.stack([found.walk[0, drawn], found.wander[0, drawn]], axis=1)
    kinds, group = np.unique(both, axis=0, return_inverse=True)
    for k, (walk, wander) in enumerate(kinds.tolist()):
        yield drawn[group.ravel() == k], walk, wander


def _drawn_normal(mean: FloatArray, covariance: FloatArray, generator: np.random.Generator) -> FloatArray:
    """Return a draw from each of many normals, shape (n, 4); a variance may be zero."""
    # in units of their own standard deviations: those of offset and drift may lie decades apart
    scale = np.sqrt(np.maximum(np.einsum("iin->ni", covariance), 1e-300))
    values, vectors = np.linalg.eigh(np.moveaxis(covariance, 2, 0) / (scale[:, :, None] * scale[:, None]))
    normal = generator.standard_normal(scale.shape) * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(mean.T + scale * np.einsum("nij,nj->ni", vectors, normal))


def _courses(bend: FloatArray, years: FloatArray) -> FloatArray:
    """Return what offset, drift, cosine and sine of a yearly course do at each time, shape (n, 4, t)."""
    shape = (len(bend), len(years))
    turned = (np.cos(YEARLY * years) - 1, np.sin(YEARLY * years))
    return np.stack(
        [np.ones(shape), aged(bend[:, np.newaxis], years), *(np.broadcast_to(one, shape) for one in turned)],
        axis=1,
    )


def _walked(walk: float, wander: float, years: FloatArray) -> FloatArray:
    """Return the covariance of walk and wandering drift: ``s² min`` and ``q min² (3 max - min) / 6``."""
    low, high = np.minimum.outer(years, years), np.maximum.outer(years, years)
    return np.asarray(walk**2 * low + wander**2 * low**2 * (3 * high - low) / 6)


def _gained(bend: FloatArray, years: FloatArray) -> FloatArray:
    """Return the integrals of these courses up to each time, shape (n, 4, t)."""
    b, t = np.broadcast_arrays(bend[:, np.newaxis], years)
    grown = 1 + b * t
    with np.errstate(divide="ignore", invalid="ignore"):
        aged_sum = np.where(b > 0, (grown * np.log(grown) - b * t) / b**2, t**2 / 2)
    cosine, sine = np.sin(YEARLY * t) / YEARLY - t, (1 - np.cos(YEARLY * t)) / YEARLY
    return np.stack([t, aged_sum, cosine, sine], axis=1)


def _gained_by_walk(walk: float, wander: float, years: FloatArray) -> FloatArray:
    """Return the covariance of their integrals: ``s² m² (3M - m)/6``, ``¼ q (m⁵/5 + d m⁴/2 + d² m³/3)``."""
    low, high = np.minimum.outer(years, years), np.maximum.outer(years, years)
    apart = high - low
    wandered = 0.25 * (low**5 / 5 + apart * low**4 / 2 + apart**2 * low**3 / 3)
    return np.asarray(walk**2 * low**2 * (3 * high - low) / 6 + wander**2 * wandered)


def fit_history(
    history: CalibrationHistory | Iterable[CalibrationHistory],
    *,
    oscillator_class: str | OscillatorClass | DriftPrior | None = None,
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
        A name in :data:`evenbeat.clock.oscillator_classes.OSCILLATOR_CLASSES`: the prior of drift (normal
        about zero) and walk (half-normal), decisive while calibrations are few, with heavy tails that yield
        where they contradict it. By default all classes, equally likely. A :class:`DriftPrior` without parts
        is taken exactly as stated.
    tolerance
        Needed where a calibration says only 'in' or 'out' and its row has no tolerance of its own.
    drift_law
        ``constant``, ``logarithmic``, ``wandering``, or ``auto``: all of them, weighted by how well they
        predict the history, and a yearly course where calibrations fall in different seasons.
    family
        Of several instruments: ``related``, their drifts scattering about a common one by as much as the
        histories show, or ``identical``, all sharing one drift. The random walk is common either way.

    Returns
    -------
    HistoryModel
        A posterior of drift and walk; a Forecaster as :func:`evenbeat.fit_clock`'s model is.

    Raises
    ------
    InputError
        If no two calibrations follow each other with a value left and a value or state found, or a state
        is given without a tolerance.

    Notes
    -----
    Increment ``d ~ N(D T, s² T + u² + u²)``, neighbours that share a reading being correlated by ``-u²``; the
    drift is integrated in closed form, walks and laws on a grid. A class is set beside itself 4, 16 and 64
    times as wide. Of one history, a reading that three or more others speak against is weighed as a mistake
    (5 % beforehand), and named. Not valid where the drift changes its sign at once or an adjustment changes
    the drift itself.

    Examples
    --------
    >>> import evenbeat as eb
    >>> history = eb.CalibrationHistory.from_table(eb.demo_data("kittiwake-history.csv"))
    >>> eb.fit_history(history).drift_per_year.sign_established()
    True

    References
    ----------
    Formula: AF_i - AL_(i-1) ~ N(D T_i, s²T_i + u²)
    Source: own derivation, see :mod:`evenbeat.calibration.history_posterior`; ILAC-G24:2022 / OIML D 10:2022
    Tests: tests/calibration/test_history.py
    """
    several = (history,) if isinstance(history, CalibrationHistory) else tuple(history)
    prior = DriftPrior.of(oscillator_class)
    limits = None if tolerance is None else Tolerance.of(tolerance)
    groups = [one.increments() for one in several]
    increments = [one for group in groups for one in group]
    _check(several, increments, limits, drift_law=drift_law, family=family)
    if len(several) == 1:
        found = posteriors(several, [prior], law=drift_law, tolerances=[limits])
    else:
        found = family_posteriors(
            several, prior, law=drift_law, tolerance=limits, identical=family == "identical"
        )
    last = several[0].points[-1]
    model = HistoryModel(
        history=several,
        prior=prior,
        posterior=found,
        as_left=Estimate.normal(last.as_left, last.as_left_standard_uncertainty)
        if math.isfinite(last.as_left)
        else None,
    )
    return replace(
        model,
        findings=merged(
            *(one.findings for one in several),
            evidence_findings(several[0], increments, prior, found),
            _model_findings(several, groups[0], found),
        ),
    )


def _check(
    several: Sequence[CalibrationHistory],
    increments: Sequence[Increment],
    limits: Tolerance | None,
    *,
    drift_law: str,
    family: str,
) -> None:
    stateless = next((one for one in increments if one.state and one.tolerance is None), None)
    if not increments:
        count = sum(len(one) for one in several)
        aside = "".join(f" {f.sentence}" for one in several for f in one.findings if f.severity == "caution")
        msg = (
            f"{count} calibration{' is' if count == 1 else 's are'} known, but no two follow each other with "
            f"an as-left and an as-found; at least two are needed to learn a drift.{aside}"
        ).removesuffix(".")
    elif stateless is not None and limits is None:
        where = stateless.place or "a calibration"
        msg = f"{where} says only {stateless.state!r}; state the tolerance it was judged by"
    elif drift_law not in LAWS:
        msg = f"drift_law is {drift_law!r}; it must be {', '.join(list(LAWS)[:-1])} or {list(LAWS)[-1]}"
    elif family not in ("related", "identical"):
        msg = f"family is {family!r}; it must be related or identical"
    else:
        return
    raise InputError(msg)


def _model_findings(
    several: Sequence[CalibrationHistory], increments: Sequence[Increment], found: Posteriors
) -> Iterator[Finding]:
    """Say what a family shares, and that a drift becomes ever smaller."""
    count = len(several)
    if count > 1 and found.common_share == 1:
        sentence = f"{count} instruments are taken to share one drift and one random walk."
        yield note("FAMILY_POOLED", sentence)
    elif count > 1:
        sentence = (
            f"The other {count - 1} of the family say what is usual beforehand: about "
            f"{percent(found.common_share)} of the class's variance of drift is common to the family, and "
            "one random walk is taken for all."
        )
        yield note("FAMILY_RELATED", sentence, common_share=found.common_share, instruments=count)
    rates = [one.change / one.duration_s for one in increments if one.state is None]
    falling = all(abs(a) > abs(b) and a * b >= 0 for a, b in itertools.pairwise(rates))
    if len(rates) >= 3 and falling:
        sentence = (
            "The drift is smaller in every interval than in the one before; a logarithmic law is among those "
            "that the forecast averages over unless it was left out."
        )
        yield note("DRIFT_DECREASES", sentence)


def evidence_findings(
    history: CalibrationHistory,
    increments: Sequence[Increment],
    prior: DriftPrior,
    found: Posteriors,
    at: int = 0,
) -> Iterator[Finding]:
    """Say what the class is, whether the calibrations go with it, where they are few, what may be wrong.

    ``at`` is the row of ``found`` that is the history's.
    """
    yield _about_class(increments, prior, _part_shares(prior, found, at))
    if len(increments) < 3:
        rest = (
            f"the answer depends mostly on what is usual for the class {prior.spoken}"
            if prior.name
            else "without a class to go by the answer stays cautious"
        )
        some = f"Little is known from {counted(len(increments), 'interval')} between calibrations"
        sentence = f"{some if increments else 'There is no interval between calibrations so far'}; {rest}."
        yield caution("FEW_CALIBRATIONS", sentence)
    for point, value, share, turned in _doubted(history, found.mistakes[at]):
        day = history.date_of(point)
        where = f"{point.place[:1].upper()}{point.place[1:]}" if point.place else "A calibration"
        where += "" if day is None else f" ({day.isoformat()})"
        sign = "; with the opposite sign it would" if turned else ""
        sentence = (
            f"{where}: the value {value:+.3g} does not fit the other calibrations{sign}. It is taken to be a "
            f"mistake with a probability of {percent(share)}: check it against its certificate."
        )
        numbers = {"probability": share, "value": value, "opposite_sign_fits": int(turned)}
        yield caution("READING_DOUBTED", sentence, place=point.place, **numbers)


def _doubted(
    history: CalibrationHistory, mistakes: Mapping[int, tuple[float, bool]]
) -> Iterator[tuple[HistoryPoint, float, float, bool]]:
    """Yield point, value, probability of a mistake and whether the opposite sign fits, of the doubted."""
    increments, points = history.increments(), {point.time_s: point for point in history.points}
    for number, (share, turned) in sorted(mistakes.items(), key=lambda pair: -pair[1][0]):
        one = increments[number if number >= 0 else -1 - number]
        if share >= DOUBTED:
            ends = number >= 0
            yield points[one.stop_s if ends else one.start_s], one.end if ends else one.start, share, turned


def _part_shares(prior: DriftPrior, found: Posteriors, at: int = 0) -> FloatArray:
    """Return the probability of each part; beside longer priors it is filled up with parts of no weight."""
    return np.asarray(special.softmax(found.log_evidence[at]))[: len(prior.mixture)]


def class_odds(prior: DriftPrior, shares: FloatArray) -> tuple[dict[str, float], str]:
    """Return the probability of each class, the likeliest first; and those that matter in words."""
    odds: dict[str, float] = {}
    for part, share in zip(prior.mixture, shares.tolist(), strict=True):
        odds[part.name] = odds.get(part.name, 0.0) + share
    odds = dict(sorted(odds.items(), key=lambda pair: -pair[1]))
    likeliest = next(iter(odds))
    told = [(name, share) for name, share in odds.items() if share >= 0.05 or name == likeliest]
    return odds, ", ".join(f"{name.replace('_', ' ')} {percent(share)}" for name, share in told)


def _about_class(increments: Sequence[Increment], prior: DriftPrior, shares: FloatArray) -> Finding:
    """Say which class it is by the calibrations, or whether they go with the one that is stated."""
    parts = list(zip(prior.mixture, shares.tolist(), strict=True))
    learned = f", as learned from {prior.learned_from} instruments" if prior.learned_from else ""
    if not prior.name:
        odds, words = class_odds(prior, shares)
        sentence = f"The class of oscillator is not stated; by the calibrations it is {words}{learned}"
        if max(odds.values()) >= SURE:
            return note("CLASS_INFERRED", f"{sentence}.", **odds)
        return caution("CLASS_INFERRED", f"{sentence}: state it, and the interval rests on less.", **odds)
    usual = sum(
        share for part, share in parts if (part.weight >= COMMON if prior.learned_from else part.factor == 1)
    )
    if len(parts) == 1 or usual >= CONTRADICTED:
        sentence = (
            f"Prior for {prior.spoken} oscillators: drift within about ±{prior.drift_per_year:.0e} a year, "
            f"random walk about {prior.walk_per_root_year:.0e} in a year (common practice){learned}."
        )
        return note("PRIOR_BY_CLASS", sentence)

    def unusual(one: Increment) -> float:
        years = one.duration_s / SECONDS_PER_YEAR
        known = one.start_uncertainty**2 + one.end_uncertainty**2
        expected = (prior.drift_per_year * years) ** 2 + prior.walk_per_root_year**2 * years + known
        return abs(one.change) / math.sqrt(expected)

    width = float(sum(part.factor * share for part, share in parts))
    worst = max([one for one in increments if one.state is None] or list(increments), key=unusual)
    at = f" ({worst.place})" if worst.place else ""
    change = f"{worst.change:+.3g}" if worst.state is None else f"one found {worst.state!r}"
    chance = percent(usual, 1) if usual > 1e-3 else f"{usual:.0e}"
    sentence = (
        f"The calibrations contradict the class {prior.spoken}: with changes such as {change} in "
        f"{duration_text(worst.duration_s)}{at} it is one as usual with a probability of {chance}. Drift and "
        f"walk were taken to be up to {width:.2g} times as wide. State the true class, or check the table."
    )
    numbers = {"probability": usual, "width": width, "change": worst.change, "duration_s": worst.duration_s}
    return caution("CLASS_CONTRADICTED", sentence, row=worst.row, **numbers)


def agreement(first: Estimate, second: Estimate) -> float:
    """Return E_n of two estimates with k = 2 (ISO/IEC 17043): beyond 1 they disagree; do not average."""
    spread = 2 * math.hypot(first.standard_uncertainty, second.standard_uncertainty)
    if not spread > 0:
        msg = "both estimates are exact; at least one needs an uncertainty"
        raise InputError(msg)
    return abs(first.value - second.value) / spread
