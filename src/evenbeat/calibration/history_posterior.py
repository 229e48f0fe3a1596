"""The posterior of offset, drift and random walk given calibrations: of one history, of many, or of a family.

Between two calibrations the offset changes by the drift, by a random walk of variance ``s² T`` and, by the
law, by more: a drift that slows down as ``D ln(1 + B t) / B``; a drift that wanders, its own variance growing
by ``q`` a year; a yearly course. Given walk and law everything is linear in the drift and normal. So one
Kalman filter passes along the calibrations, its state carried as a straight line in the drift; the drift is
then integrated in closed form, and walks and laws are a grid. A calibration that leaves a clock as it was
found is one reading, the end of one interval and the start of the next: the filter goes on, and the two are
correlated by its error.

What is usual for a class of oscillators is where the drift begins, not where it must end: beside the class as
it usually is stands the same class 4, 16 and 64 times as wide, less and less likely beforehand (a scale
mixture, as heavy in its tails as Student's t). Calibrations that contradict the class move the weight there.
Where no class is stated, all classes stand side by side, equally likely.

A reading may be a mistake (a sign, a digit). Where one is far off what the others say, the posterior without
it stands beside the one with it, by their probability.

Within a family the drifts of the instruments scatter about a common one: ``D = m + e`` with ``m ~ N(0, ρ
v)``, ``e ~ N(0, (1 - ρ) v)``, v being the variance of the class and ρ what the family has in common, itself
unknown; the random walk is common.

Own derivation from the normal distribution throughout: ``tests/calibration/test_history_filter.py`` holds it
against dense multivariate normals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from operator import attrgetter
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.calibration.history import CalibrationHistory, Increment
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.oscillator_classes import OSCILLATOR_CLASSES, OscillatorClass, oscillator_class_named
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.units import SECONDS_PER_YEAR

Mask = npt.NDArray[np.bool_]

TAILS = ((1.0, 0.90), (4.0, 0.07), (16.0, 0.02), (64.0, 0.01))
"""How many times as wide as usual an oscillator of a class may be, and how likely that is beforehand."""
BENDS_PER_YEAR = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
"""How soon a logarithmic drift slows down: its parameter B, equally likely a priori."""
WANDERS = (0.03, 0.1, 0.3, 1.0)
"""Grid of by how much a wandering drift changes in a year, in root mean squares of the rates seen."""
SWINGS = (0.03, 0.1, 0.3, 1.0)
"""Grid of the standard deviation of a yearly course, in root mean squares of the changes seen."""
USUAL_WANDER, USUAL_SWING = 0.5, 0.3
"""Scale of both beforehand, half-normal, in standard deviations of the drift of the class (assumed)."""
LAWS = {
    "auto": ("constant", "logarithmic", "wandering"),
    "constant": ("constant",),
    "logarithmic": ("logarithmic",),
    "wandering": ("wandering",),
}
"""The laws that each name stands for."""
SHARES = {"constant": 2.0, "logarithmic": 1.0, "wandering": 1.5, "seasonal": 1.0}
"""How likely they are beforehand, beside each other."""
SEASONAL = "seasonal"
"""Beside the others in ``auto``, where the calibrations fall in different seasons."""
SEASONS_SEEN, SEASON_INTERVALS = 0.5, 4
"""Root mean square of the change of the yearly phase from which it shows, and intervals it needs at least."""
COMMON_SHARES = (0.0, 0.3, 0.6, 0.8, 0.9, 0.96, 0.99, 0.997)
"""Shares ρ of the class's variance that a family may have in common, equally likely beforehand."""
COARSE_WALKS, FINE_WALKS, MOST_PASSES = 18, 28, 4
"""Points of the grid of walks: to find where they matter, and there."""
MANY = 30
"""From so many increments on the grid is refined until it is as fine as they need."""
FEW_TOGETHER = 8
"""Up to so many histories all laws are filtered in one pass, where steps cost more than numbers."""
MATTERS = 12.0
"""Natural logarithm of how much less likely than the best a walk may be and still matter."""
KEPT_POINTS = 300
"""Points kept of a posterior, the most likely ones; beyond them lies less than a thousandth of it."""
KEPT = 1e-6
DRIFTS, FARTHEST = 101, 6.5
"""Where a state 'in' or 'out' is weighed: a grid of drifts, to so many standard deviations on either side."""
MISTAKES = 0.05
"""Share of readings that are mistakes: in sign, in a digit, in the row (assumed)."""
MISTAKE_SIZE = 0.5
"""Standard deviation of a mistaken reading about zero, in the largest value of the history."""
SUSPECT_SHARE, SUSPECT_SQUARE, LAST_SQUARE = 0.3, 3.0, 1.0
"""A reading is tested where it makes up this share of the sum of squares, and at least so much."""
MOST_TESTED = 12
SIGN_TRIED = 0.05
"""From this probability of a mistake on it is tried whether the opposite sign would fit."""
MISTAKE_COUNTS = 1e-3
"""A mistake less likely than this is left out of account."""
YEARLY = 2 * math.pi


@dataclass(frozen=True)
class PriorPart:
    """One possibility beforehand: normal drift, half-normal walk, and its probability; per year.

    The class ``name`` is ``factor`` times as wide as usual, its walk ``walk_factor`` times beside its drift.
    """

    name: str
    factor: float
    weight: float
    drift_per_year: float
    walk_per_root_year: float
    walk_factor: float = 1.0


@dataclass(frozen=True, kw_only=True)
class DriftPrior:
    """What is expected of drift and walk before any calibration, per year.

    Standard deviation of a drift that is normal about zero, and scale of the half-normal standard deviation
    of the walk after a year. ``name`` is empty where no class is stated; without ``parts`` of a mixture it is
    taken exactly as stated. ``learned_from``: so many instruments of a fleet gave the weights of the parts.
    """

    name: str
    drift_per_year: float
    walk_per_root_year: float
    parts: tuple[PriorPart, ...] = ()
    learned_from: int = 0

    @property
    def spoken(self) -> str:
        """Its name in a sentence."""
        return self.name.replace("_", " ")

    @property
    def mixture(self) -> tuple[PriorPart, ...]:
        """Its parts; one where it is exactly as stated."""
        exactly = self.drift_per_year, self.walk_per_root_year
        return self.parts or (PriorPart(self.name, 1.0, 1.0, *exactly),)

    @classmethod
    def of(cls, stated: str | OscillatorClass | DriftPrior | None) -> DriftPrior:
        """Return the prior of a class of oscillators; of all, equally likely, where none is stated."""
        if isinstance(stated, DriftPrior):
            return stated
        kinds = tuple(OSCILLATOR_CLASSES.values()) if stated is None else (oscillator_class_named(stated),)
        parts = tuple(
            PriorPart(
                kind.name,
                factor,
                weight / len(kinds),
                factor * kind.drift_per_year,
                factor * kind.walk_per_root_year,
            )
            for kind in kinds
            for factor, weight in TAILS
        )
        widest = max(kinds, key=lambda kind: kind.drift_per_year)
        return cls(
            name=widest.name if stated is not None else "",
            drift_per_year=widest.drift_per_year,
            walk_per_root_year=widest.walk_per_root_year,
            parts=parts,
        )

    def scaled(self, factor: float) -> DriftPrior:
        """Return the prior with drift and walk so many times as wide."""

        def wider(one: DriftPrior | PriorPart) -> dict[str, Any]:
            return {name: factor * getattr(one, name) for name in ("drift_per_year", "walk_per_root_year")}

        return replace(self, parts=tuple(replace(part, **wider(part)) for part in self.parts), **wider(self))

    def reweighted(self, weights: FloatArray, learned_from: int) -> DriftPrior:
        """Return the prior with other weights of its parts, and from how many instruments they are."""
        parts = tuple(
            replace(part, weight=float(weight)) for part, weight in zip(self.mixture, weights, strict=True)
        )
        return replace(self, parts=parts, learned_from=learned_from)


@dataclass(frozen=True, eq=False, kw_only=True)
class Posteriors:
    """Posteriors of m histories, k normal points each; times in years after the last calibration.

    Attributes
    ----------
    weight
        Shape (m, k), each row summing to one.
    mean, covariance
        Shape (4, m, k) and (4, 4, m, k): of the offset at the last calibration (NaN where it is not known),
        of the drift then per year, and of cosine and sine of a yearly course that begins there.
    bend, walk, wander
        Shape (m, k): B of a logarithmic drift since the last calibration, walk in a year, and change of a
        wandering drift in a year.
    part
        Shape (m, k): which part of the prior.
    log_evidence
        Shape (m, p): of the calibrations, for each part of the prior.
    mistakes
        For each history how likely each of its increments ends in a mistaken reading, by its number
        (-1 - j: increment j begins with one); and whether the opposite sign would fit.
    common_share
        Expected share ρ that a family has in common; NaN for single histories.
    """

    weight: FloatArray
    mean: FloatArray
    covariance: FloatArray
    bend: FloatArray
    walk: FloatArray
    wander: FloatArray
    part: npt.NDArray[np.intp]
    log_evidence: FloatArray
    mistakes: tuple[dict[int, tuple[float, bool]], ...]
    common_share: float = math.nan

    def forecast(self, years: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean and variance of the offset at every point; ``years`` is shaped to go with (m, k).

        ``y + D a(t) + c (cos ωt - 1) + s sin ωt``, beside it ``walk² t + wander² t³/3``.
        """
        gone = aged(self.bend, years)
        c = self.covariance
        middle = self.mean[1] * gone
        middle += self.mean[0]
        variance = c[1, 1] * gone
        variance += 2 * c[0, 1]
        variance *= gone
        variance += c[0, 0]
        variance += self.walk**2 * years
        if self.wander.any():
            variance += self.wander**2 * (years**3 / 3)
        if self.seasonal.any():
            turned = (np.cos(YEARLY * years) - 1, np.sin(YEARLY * years))
            for i, x in enumerate(turned, 2):
                middle += self.mean[i] * x
                variance += 2 * x * (c[0, i] + c[1, i] * gone)
                for j, z in enumerate(turned, 2):
                    variance += c[i, j] * x * z
        return middle, np.maximum(variance, 0.0, out=variance)

    @property
    def seasonal(self) -> Mask:
        """Which histories may have a yearly course, shape (m,)."""
        return np.asarray(self.covariance[2:3, 2:3].any(axis=(0, 1, 3)))

    @property
    def straight(self) -> Posteriors:
        """Return them without the two states of a yearly course, where there is none."""
        return replace(self, mean=self.mean[:2], covariance=self.covariance[:2, :2])

    def left_at(self, start: Estimate) -> Posteriors:
        """Return them beginning with another offset, which says nothing of the drift."""
        mean, covariance = self.mean.copy(), self.covariance.copy()
        covariance[0] = covariance[:, 0] = 0.0
        mean[0], covariance[0, 0] = start.value, start.standard_uncertainty**2
        return replace(self, mean=mean, covariance=covariance)

    def rewound(self, years: float) -> Posteriors:
        """Return them as they are so long before the last calibration, where an offset is to be stated."""
        slower = 1 / (1 - self.bend * years)  # a drift that slows down was faster
        turn = YEARLY * years
        back = np.zeros((4, 4, *self.bend.shape))
        back[1, 1] = slower
        back[2, 2] = back[3, 3] = math.cos(turn)
        back[2, 3], back[3, 2] = -math.sin(turn), math.sin(turn)
        covariance = np.einsum("ab...,bc...,dc...->ad...", back, self.covariance, back)
        covariance[1, 1] += self.wander**2 * years  # one that wanders was another one
        mean = np.einsum("ab...,b...->a...", back, self.mean)
        return replace(self, mean=mean, covariance=covariance, bend=self.bend * slower)

    def some(self, chosen: npt.NDArray[np.intp]) -> Posteriors:
        """Return some of the histories."""
        found = _some(
            self, chosen, "weight", "bend", "walk", "wander", "part", "log_evidence", mean=1, covariance=2
        )
        return replace(found, mistakes=tuple(self.mistakes[int(i)] for i in chosen))


H = TypeVar("H", "Posteriors", "_Stacked", "_Solved")


def _some(held: H, chosen: Sequence[int] | npt.NDArray[np.intp], *first: str, **axes: int) -> H:
    """Return what is held of many histories for some of them: arrays whose first or other axis they are."""
    axes |= dict.fromkeys(first, 0)
    return replace(held, **{name: getattr(held, name).take(chosen, axis) for name, axis in axes.items()})


def aged(bend: npt.ArrayLike, time: npt.ArrayLike) -> FloatArray:
    """Return how far a drift of one has gone: t, or ln(1 + B t) / B."""
    b = np.maximum(bend, 1e-200)  # so little is none
    return np.asarray(np.log1p(b * time) / b)


def seasons_seen(history: CalibrationHistory) -> bool:
    """Return whether calibrations fall in seasons different enough to show a yearly course."""
    increments = [one for one in history.increments() if one.state is None]
    if len(increments) < SEASON_INTERVALS:
        return False
    # root mean square of the change of (cos, sin) of the yearly phase within the increments
    angles = YEARLY / SECONDS_PER_YEAR * np.array([one.duration_s for one in increments])
    return math.sqrt(float(np.mean(2 - 2 * np.cos(angles)))) > SEASONS_SEEN


def posteriors(
    histories: Sequence[CalibrationHistory],
    priors: Sequence[DriftPrior],
    *,
    law: str = "auto",
    tolerances: Sequence[Tolerance | None] | None = None,
) -> Posteriors:
    """Return the posterior of every history by itself, each with its own prior.

    ``law`` is a key of :data:`LAWS`; ``auto`` weighs them, and a yearly course where it can show. By
    ``tolerances`` states without one of their own were judged.
    """
    limits = [None] * len(histories) if tolerances is None else list(tolerances)
    stacked = _Stacked.of(histories)
    base = _solved(stacked, priors, limits, law)
    tested = [(i, number) for i, sizes in enumerate(base.innovations()) for number in base.suspects(i, sizes)]
    if not tested:
        return base.points([{}] * len(histories), None, [])
    # each suspect: without that reading; of those likely to be mistakes, with the sign turned
    who = np.array([i for i, _ in tested])

    def again(others: _Stacked, of: npt.NDArray[np.intp]) -> _Solved:
        return _solved(others, [priors[i] for i in of], [limits[i] for i in of], law)

    broad, without = stacked.log_mistake(tested), again(stacked.without(tested), who)
    others, several = without.total, np.unique(who).tolist()
    odds = math.log(MISTAKES) + broad + others - base.some_rows(several).total[np.searchsorted(several, who)]
    top = np.array([max(0.0, float(odds[who == i].max())) for i in who])
    whole = np.array(
        [math.exp(-t) + float(np.exp(odds[who == i] - t).sum()) for i, t in zip(who, top, strict=True)]
    )
    share = np.exp(odds - top) / whole
    likely = np.flatnonzero(share > SIGN_TRIED)
    turned = np.full(len(tested), -np.inf)
    if len(likely):
        turned[likely] = again(stacked.turned([tested[at] for at in likely]), who[likely]).total
    fits = turned > others + broad + math.log(10)
    mistakes: list[dict[int, tuple[float, bool]]] = [{} for _ in histories]
    counting = np.flatnonzero(share > MISTAKE_COUNTS).tolist()
    for at in counting:
        mistakes[who[at]][tested[at][1]] = (float(share[at]), bool(fits[at]))
    return base.points(mistakes, without, [(at, tested[at][0], float(share[at])) for at in counting])


@dataclass(frozen=True, eq=False, kw_only=True)
class _Stacked:
    """Increments of m histories, shape (m, j), in years before the last calibration and in units of each.

    ``there`` marks the real ones, ``fresh`` those that begin with a reading of their own, ``used`` those
    whose end is a value that counts. ``goes_on``, (m,), marks histories whose last reading ends an increment.
    """

    histories: Sequence[CalibrationHistory]
    increments: Sequence[Sequence[Increment]]
    unit: FloatArray
    begin: FloatArray
    end: FloatArray
    start: FloatArray
    stop: FloatArray
    start_variance: FloatArray
    stop_variance: FloatArray
    there: Mask
    fresh: Mask
    used: Mask
    goes_on: Mask

    @classmethod
    def of(cls, histories: Sequence[CalibrationHistory], *, alike: bool = False) -> _Stacked:
        """Stack the increments of histories; ``alike``: all in one unit."""
        groups = [history.increments() for history in histories]
        lengths = [len(group) for group in groups]
        at = np.repeat(np.arange(len(groups)), lengths), np.concatenate([np.arange(n) for n in lengths])
        ends = attrgetter("start_s", "stop_s", "start", "end", "start_uncertainty", "end_uncertainty")
        rows = np.array(
            [(*ends(one), not one.shares_start, one.state is None) for group in groups for one in group]
        ).reshape(-1, 8)
        table = np.zeros((8, len(groups), max([1, *lengths])))
        table[(slice(None), *at)] = rows.T
        begin, end, start, stop, u0, u1 = table[:6]
        fresh, used = table[6:] > 0
        there = np.arange(table.shape[2]) < np.array(lengths)[:, np.newaxis]
        last = [history.points[-1] for history in histories]
        final = np.array([one.time_s for one in last])[:, np.newaxis]
        begin, end = (np.where(there, x - final, 0.0) / SECONDS_PER_YEAR for x in (begin, end))
        stop = np.where(used, stop, 0.0)
        changes = np.where(used, stop - start, 0.0)
        squares = (changes**2 + u0**2 + u1**2).sum(axis=1)
        unit = np.where(there[:, 0], np.sqrt(squares / np.maximum(lengths, 1)), 1.0)
        goes_on = np.array(
            [
                bool(group and group[-1].stop_s == one.time_s and group[-1].state is None)
                and not one.starts_anew
                for group, one in zip(groups, last, strict=True)
            ]
        )
        if alike:
            unit = np.full(len(groups), float(np.sqrt(np.mean(unit**2))))
        scale = unit[:, np.newaxis]
        return cls(
            histories=histories,
            increments=groups,
            unit=unit,
            begin=begin,
            end=end,
            start=start / scale,
            stop=stop / scale,
            start_variance=(u0 / scale) ** 2,
            stop_variance=(u1 / scale) ** 2,
            there=there,
            fresh=fresh,
            used=used,
            goes_on=goes_on,
        )

    @property
    def years(self) -> FloatArray:
        """Length of every increment."""
        return np.where(self.there, self.end - self.begin, 0.0)

    def typical(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return root mean square of the rates, least walk that would show, and largest change, (m,)."""
        count = np.maximum(self.used.sum(axis=1), 1)
        root = np.sqrt(np.where(self.used, self.years, 1.0))
        change = np.where(self.used, self.stop - self.start, 0.0)
        known = np.where(self.used, self.start_variance + self.stop_variance, 0.0)
        rate = np.sqrt(((change / root**2) ** 2).sum(axis=1) / count)
        # what readings tell of a walk: over one interval, or over all of them where they hang together
        span = np.maximum(np.where(self.used, self.years, 0.0).sum(axis=1), 1e-9)
        each = (known / root**2).sum(axis=1) / count
        noise = np.sqrt(np.minimum(each, known.sum(axis=1) / count / span))
        largest = np.sqrt(((change**2 + known) / root**2).max(axis=1))
        return rate, noise, largest

    def some(self, who: Sequence[int]) -> _Stacked:
        """Return some of the histories, one as often as it is named."""
        arrays = [one.name for one in fields(_Stacked) if one.name not in ("histories", "increments")]
        return replace(
            _some(self, who, *arrays),
            histories=[self.histories[i] for i in who],
            increments=[self.increments[i] for i in who],
        )

    def without(self, tested: Sequence[tuple[int, int]]) -> _Stacked:
        """Return each history without one of its readings: the one that ends or begins an increment."""
        found = self.some([i for i, _ in tested])
        for row, (_, number) in enumerate(tested):
            if number >= 0:
                found.used[row, number] = False
            else:
                first = -1 - number
                found.there[row, first] = found.used[row, first] = False
                found.fresh[row, first + 1] = True
        return found

    def turned(self, tested: Sequence[tuple[int, int]]) -> _Stacked:
        """Return each history with the sign of one reading turned."""
        found = self.some([i for i, _ in tested])
        for row, (_, number) in enumerate(tested):
            at = number if number >= 0 else -1 - number
            (found.stop if number >= 0 else found.start)[row, at] *= -1
        return found

    def log_mistake(self, tested: Sequence[tuple[int, int]]) -> FloatArray:
        """Return the log density of each reading as a mistake: normal about zero, wide."""
        found = []
        for i, number in tested:
            values = np.abs(np.concatenate([self.start[i][self.there[i]], self.stop[i][self.used[i]]]))
            size = MISTAKE_SIZE * float(values.max())
            at = number if number >= 0 else -1 - number
            value = self.stop[i, at] if self.used[i, at] else self.start[i, at]
            found.append(-0.5 * (value / size) ** 2 - math.log(size * math.sqrt(2 * math.pi)))
        return np.array(found)


class _Law(NamedTuple):
    """One course of the drift: how it slows down, wanders, or swings; and its cell of a grid.

    ``log_share`` is the log of its probability beforehand; of wander and swing, of the law as a whole.
    """

    kind: str
    size: float
    log_share: float
    cell: tuple[float, float] = (0.0, math.inf)


def _laws(law: str, *, seasonal: bool) -> list[_Law]:
    kinds = LAWS[law] + ((SEASONAL,) if seasonal and law == "auto" else ())
    sizes = {"constant": (0.0,), "logarithmic": BENDS_PER_YEAR, "wandering": WANDERS, SEASONAL: SWINGS}
    found = []
    for kind in kinds:
        grid = np.array(sizes[kind])
        log_share = math.log(SHARES[kind] / sum(SHARES[one] for one in kinds))
        log_share -= math.log(len(grid)) if kind == "logarithmic" else 0.0
        middles = np.sqrt(grid[1:] * grid[:-1])
        edges = zip([0.0, *middles], [*middles, math.inf], strict=True)
        found += [_Law(kind, float(size), log_share, cell) for size, cell in zip(grid, edges, strict=True)]
    return found


class _Filtered(NamedTuple):
    """What the filter leaves, for c laws: shapes (m, c, s), states (e, m, c, s).

    ``-2 log likelihood = squares - 2 lean D + precision D² + logs``; state = ``state + D slope``, the upper
    triangle of its covariance beside it is ``spread``.
    """

    precision: FloatArray
    lean: FloatArray
    squares: FloatArray
    logs: FloatArray
    state: Sequence[FloatArray]
    slope: Sequence[FloatArray]
    spread: Sequence[Sequence[FloatArray]]
    innovations: FloatArray


def _filtered(
    stacked: _Stacked,
    walks: FloatArray,
    laws: Sequence[_Law],
    rate: FloatArray,
    drift: FloatArray | None = None,
) -> _Filtered:
    """Pass along the increments; ``walks`` is (m, s), ``rate`` (m,) the unit of wander.

    With ``drift``, (m, c, s), the squares of the standardised innovations are returned, too.

    Notes
    -----
    The state is the offset, and what a wandering drift has gained, or cosine and sine of a yearly course. Its
    mean and its slope in the drift keep to the same equations, so they are carried as one array.
    """
    m, count = stacked.there.shape
    shape = (m, len(laws), walks.shape[1])
    sizes = np.array([one.size for one in laws])
    wandering, seasonal = (np.array([one.kind == kind for one in laws]) for kind in ("wandering", SEASONAL))
    size = 3 if seasonal.any() else 2 if wandering.any() else 1
    further = range(1, size)
    # mean and slope of each state, and the upper triangle of their covariance
    state = [np.zeros((2, *shape)) for _ in range(size)]
    spread = [[np.zeros(shape) for _ in range(size)] for _ in range(size)]
    for e in further:
        spread[e][e] += np.where(seasonal, sizes**2, 0.0)[:, np.newaxis]
    moments, logs = np.zeros((2, 2, *shape)), np.zeros(shape)
    innovations: list[FloatArray] = []
    # what each increment brings, laid out so that a step takes a slice: (j, m, 1, 1) or (j, m, c, 1)
    there, fresh = stacked.there.T, (stacked.fresh & stacked.there).T
    time, start, stop, start_variance, stop_variance, used = (
        getattr(stacked, name).T[..., np.newaxis, np.newaxis]
        for name in ("years", "start", "stop", "start_variance", "stop_variance", "used")
    )
    begins, whole = (np.asarray(x).tolist() for x in (fresh.any(axis=1), stacked.used.all(axis=0)))
    gone = _courses_of_drift(stacked, laws)
    reach = np.zeros((size, count, m, len(laws), 1))
    for e, turn in zip(further, (np.cos, np.sin), strict=False):
        turned = np.where(there, turn(YEARLY * stacked.end.T) - turn(YEARLY * stacked.begin.T), 0.0)
        reach[e, ..., seasonal, 0] = turned
    walk = walks[:, np.newaxis, :] ** 2
    wander = (np.where(wandering, sizes, 0.0) * rate[:, np.newaxis])[..., np.newaxis] ** 2
    grown = [wander * time**power / power for power in (1, 2, 3)] if wandering.any() else []
    if grown:
        reach[1, ..., wandering, 0] = stacked.years.T
    # between increments, and from the last of them to the last calibration, a drift wanders, too
    first = stacked.begin[:, 0]
    ends = np.maximum.accumulate(np.where(there, stacked.end.T, first), axis=0)
    before = np.concatenate([first[np.newaxis], ends[:-1]])
    idle = np.where(there, np.maximum(stacked.begin.T - before, 0.0), 0.0)[..., np.newaxis, np.newaxis]
    rests = np.asarray(idle.any(axis=(1, 2, 3))).tolist()
    for j in range(count):
        if begins[j]:
            new = fresh[j]
            state[0][:, new] = 0.0
            state[0][0, new] = start[j, new]
            for e in further:
                spread[0][e][new] = 0.0
            spread[0][0][new] = start_variance[j, new]
        if grown and rests[j]:
            spread[1][1] += wander * idle[j]
        for e in further:
            h = reach[e, j]
            state[0] += h * state[e]
            # row 0 of the covariance after adding h times state e to state 0
            added = h * spread[e][e]
            spread[0][0] += h * (2 * spread[0][e] + added)
            spread[0][e] += added
            for f in further:
                if f != e:
                    spread[0][f] += h * spread[min(e, f)][max(e, f)]
        if grown:
            spread[0][0] += grown[2][j]
            spread[0][1] += grown[1][j]
            spread[1][1] += grown[0][j]
        spread[0][0] += walk * time[j]
        state[0][1] += gone[j]
        total = spread[0][0] + stop_variance[j]
        if not whole[j]:
            total = np.where(used[j], total, 1.0)
        weight = 1 / total
        kept = stop_variance[j] * weight
        logs += np.log(total)
        if not whole[j]:  # where nothing was read, nothing is learnt
            weight, kept = np.where(used[j], weight, 0.0), np.where(used[j], kept, 1.0)
        off = -state[0]
        off[0] += stop[j]
        weighed = off * weight
        moments += off * weighed[:, np.newaxis]
        if drift is not None:
            innovations.append((off[0] + off[1] * drift) ** 2 * weight)
        for e in range(size):
            state[e] += weighed * spread[0][e]
        for e in further:
            gain = spread[0][e] * weight
            for f in range(e, size):
                spread[e][f] -= gain * spread[0][f]
        for e in range(size):
            spread[0][e] *= kept
    if grown:
        spread[1][1] += wander * np.maximum(-ends[-1], 0.0)[:, np.newaxis, np.newaxis]
    mean, slope = ([one[k] for one in state] for k in (0, 1))
    off_by = np.stack(innovations, axis=-1) if innovations else np.zeros(0)
    return _Filtered(moments[1, 1], -moments[0, 1], moments[0, 0], logs, mean, slope, spread, off_by)


def _courses_of_drift(stacked: _Stacked, laws: Sequence[_Law]) -> FloatArray:
    """Return how far a drift of one goes in each increment, by each law, (j, m, c, 1)."""
    gone = np.repeat(stacked.years.T[:, :, np.newaxis], len(laws), axis=2)
    bent = np.array([one.kind == "logarithmic" for one in laws])
    if bent.any():
        # B counts from the first calibration
        first = np.array([-one.points[-1].time_s / SECONDS_PER_YEAR for one in stacked.histories])
        bends = np.array([one.size for one in laws])[bent]
        since, until = (
            aged(bends, np.where(stacked.there, x - first[:, np.newaxis], 0.0).T[:, :, np.newaxis])
            for x in (stacked.begin, stacked.end)
        )
        gone[..., bent] = np.where(stacked.there.T[:, :, np.newaxis], until - since, 0.0)
    return gone[..., np.newaxis]


class _Parts(NamedTuple):
    """Parts of the priors of m histories, shape (m, p), in units of each history."""

    log_weight: FloatArray
    drift: FloatArray
    walk: FloatArray

    @classmethod
    def of(cls, priors: Sequence[DriftPrior], unit: FloatArray) -> _Parts:
        count = max(len(prior.mixture) for prior in priors)
        known = {}
        for prior in {id(prior): prior for prior in priors}.values():
            parts = [(one.weight, one.drift_per_year, one.walk_per_root_year) for one in prior.mixture]
            known[id(prior)] = parts + [(0.0, *parts[-1][1:])] * (count - len(parts))
        weight, drift, walk = np.moveaxis(np.array([known[id(prior)] for prior in priors]), 2, 0)
        with np.errstate(divide="ignore"):
            return cls(np.log(weight), drift / unit[:, np.newaxis], walk / unit[:, np.newaxis])


@dataclass(frozen=True, eq=False)
class _Solved:
    """Grid of m histories: laws c, walks s, parts p; in units of each history.

    ``log_weight``, ``drift`` and ``variance`` are (m, c, s, p), the first of the joint weight; ``state``,
    ``slope`` and ``spread`` as of :class:`_Filtered`, all laws together: (e, m, c, s) and (e, e, m, c, s).
    """

    stacked: _Stacked
    laws: Sequence[_Law]
    rate: FloatArray
    walks: FloatArray
    log_weight: FloatArray
    drift: FloatArray
    variance: FloatArray
    state: FloatArray
    slope: FloatArray
    spread: FloatArray

    @property
    def total(self) -> FloatArray:
        """Log of the evidence, shape (m,)."""
        return np.asarray(special.logsumexp(self.log_weight, axis=(1, 2, 3)))

    def innovations(self) -> FloatArray:
        """Return squares of standardised innovations by the first law and its likeliest walk, (m, j)."""
        row, (_, _, walks, parts) = np.arange(len(self.rate)), self.log_weight.shape
        best = self.log_weight[:, 0].reshape(len(row), -1).argmax(axis=1)
        walk, part = np.unravel_index(best, (walks, parts))
        drift = self.drift[row, 0, walk, part][:, np.newaxis, np.newaxis]
        chosen = self.walks[row, walk][:, np.newaxis]
        return _filtered(self.stacked, chosen, self.laws[:1], self.rate, drift).innovations[:, 0, 0]

    def suspects(self, i: int, sizes: FloatArray) -> list[int]:
        """Return the readings of a history to be tested: numbers of increments, -1 - j where one begins j."""
        used, there, fresh = self.stacked.used[i], self.stacked.there[i], self.stacked.fresh[i]
        if used.sum() < 3:
            return []
        last = len(self.stacked.increments[i]) - 1
        if sizes.max() < max(SUSPECT_SQUARE, SUSPECT_SHARE * sizes.sum()):
            # the last reading is where forecasts begin: it is tested sooner
            return [last] if self.stacked.goes_on[i] and sizes[last] > LAST_SQUARE else []
        ends = np.flatnonzero(used)
        if len(ends) > MOST_TESTED:
            # the largest innovations, and the readings just before them
            largest = np.argsort(sizes)[::-1][: MOST_TESTED // 2]
            ends = np.unique(np.concatenate([largest, np.maximum(largest - 1, 0)]))
            ends = ends[used[ends]]
        starts = np.flatnonzero(fresh[:-1] & there[1:] & ~fresh[1:])
        return [*ends.tolist(), *(-1 - starts[starts < MOST_TESTED]).tolist()]

    def points(
        self,
        mistakes: Sequence[dict[int, tuple[float, bool]]],
        without: _Solved | None,
        shares: Sequence[tuple[int, int, float]],
    ) -> Posteriors:
        """Return the points that matter, those without a mistaken reading beside the others.

        ``shares`` are row of ``without``, history it belongs to, and probability.
        """
        found = self._picked()
        if without is not None and shares:
            others = without.some_rows([row for row, _, _ in shares])._picked()
            for i in {i for _, i, _ in shares}:
                rows = [k for k, (_, who, _) in enumerate(shares) if who == i]
                sure = 1 - sum(shares[k][2] for k in rows)
                weight = np.concatenate(
                    [sure * found.weight[i], *(shares[k][2] * others.weight[k] for k in rows)]
                )
                top = np.argsort(weight)[::-1][: found.weight.shape[1]]
                for name in ("mean", "covariance", "bend", "walk", "wander", "part"):
                    array, more = getattr(found, name), getattr(others, name)
                    both = [array[..., i, :], *(more[..., k, :] for k in rows)]
                    array[..., i, :] = np.concatenate(both, axis=-1)[..., top]
                found.weight[i] = weight[top] / weight[top].sum()
        return replace(found, mistakes=tuple(mistakes))

    def some_rows(self, rows: Sequence[int]) -> _Solved:
        """Return some of the histories."""
        first = ("rate", "walks", "log_weight", "drift", "variance")
        found = _some(self, rows, *first, state=1, slope=1, spread=2)
        return replace(found, stacked=self.stacked.some(rows))

    def _picked(self) -> Posteriors:
        m, laws, walks, parts = self.log_weight.shape
        flat = self.log_weight.reshape(m, -1)
        kept = min(KEPT_POINTS, flat.shape[1])
        at = np.argpartition(-flat, kept - 1, axis=1)[:, :kept]
        logs = np.take_along_axis(flat, at, axis=1)
        weight = np.exp(logs - logs.max(axis=1, keepdims=True))
        law, walk, part = np.unravel_index(at, (laws, walks, parts))
        row = np.arange(m)[:, np.newaxis]
        cell, point = row * laws * walks + at // parts, row * flat.shape[1] + at
        sizes = np.array([one.size for one in self.laws])[law]
        slows, wanders, swings = (
            np.array([one.kind == kind for one in self.laws])[law]
            for kind in ("logarithmic", "wandering", SEASONAL)
        )
        unit = self.stacked.unit[:, np.newaxis]
        last = [one.points[-1] for one in self.stacked.histories]
        # what was left last is a reading of its own, unless it ends the last increment
        goes_on = self.stacked.goes_on[:, np.newaxis]
        left = np.array([one.as_left for one in last])[:, np.newaxis] / unit
        known = np.array([one.as_left_standard_uncertainty for one in last])[:, np.newaxis] / unit
        span = np.array([one.time_s for one in last])[:, np.newaxis] / SECONDS_PER_YEAR
        bend = np.where(slows, sizes, 0.0)
        slowed = 1 / (1 + bend * span)
        # from (state, drift) to offset, drift now, cosine, sine
        live = 4 if swings.any() else 2
        mean, covariance, share = np.zeros((4, m, kept)), np.zeros((4, 4, m, kept)), np.zeros((live, m, kept))
        mean[0] = np.where(goes_on, self.state[0].take(cell), left)
        share[0] = np.where(goes_on, self.slope[0].take(cell), 0.0)
        share[1] = slowed
        covariance[0, 0] = np.where(goes_on, self.spread[0, 0].take(cell), known**2)
        for has, becomes in ((wanders, {1: 1}), (swings, {1: 2, 2: 3})):
            for e, i in becomes.items() if has.any() else ():
                mean[i] += has * self.state[e].take(cell)
                share[i] += has * self.slope[e].take(cell)
                covariance[0, i] += np.where(goes_on & has, self.spread[0, e].take(cell), 0.0)
                for f, j in becomes.items():
                    if f >= e:
                        covariance[i, j] += has * self.spread[e, f].take(cell)
        drift, variance = self.drift.take(point), self.variance.take(point)
        for i in range(live):
            mean[i] = (mean[i] + share[i] * drift) * unit
            for j in range(i, live):
                covariance[i, j] += share[i] * share[j] * variance
                covariance[i, j] *= unit**2
                covariance[j, i] = covariance[i, j]
        return Posteriors(
            weight=weight / weight.sum(axis=1, keepdims=True),
            mean=mean,
            covariance=covariance,
            bend=bend * slowed,
            walk=self.walks[row, walk] * unit,
            wander=np.where(wanders, sizes * self.rate[:, np.newaxis], 0.0) * unit,
            part=part,
            log_evidence=np.asarray(special.logsumexp(self.log_weight, axis=(1, 2))),
            mistakes=({},) * m,
        )


def _cells(low: FloatArray, high: FloatArray, count: int, *, whole: Mask) -> tuple[FloatArray, FloatArray]:
    """Return walks evenly spaced on a logarithmic scale, and the edges of their cells, (m, s) and (m, s + 1).

    The first cell reaches down to nothing where ``whole`` says so.
    """
    share = np.linspace(0, 1, count)
    nodes = low[:, np.newaxis] * (high / low)[:, np.newaxis] ** share
    half = (high / low)[:, np.newaxis] ** (0.5 / (count - 1))
    edges = np.concatenate([nodes[:, :1] / half, nodes * half], axis=1)
    edges[:, 0] = np.where(whole, 0.0, edges[:, 0])
    return nodes, edges


def _log_mass(edges: FloatArray, scale: FloatArray) -> FloatArray:
    """Return the log of the half-normal probability of each cell, (m, s, p)."""
    below = special.erfc(edges[:, :, np.newaxis] / (math.sqrt(2) * scale[:, np.newaxis, :]))
    return np.log(np.maximum(below[:, :-1] - below[:, 1:], 1e-300))


def _solved(
    stacked: _Stacked, priors: Sequence[DriftPrior], limits: Sequence[Tolerance | None], law: str
) -> _Solved:
    parts = _Parts.of(priors, stacked.unit)
    seasonal = np.array([seasons_seen(one) for one in stacked.histories])
    laws = _laws(law, seasonal=bool(seasonal.any()))
    rate, noise, largest = stacked.typical()
    rate = np.maximum(rate, 1e-300)
    none = ~stacked.used.any(axis=1)
    low = np.where(none, 0.01 * parts.walk.min(axis=1), 0.03 * noise)
    high = np.where(none, 4 * parts.walk.max(axis=1), np.minimum(4 * parts.walk.max(axis=1), 30 * largest))
    high = np.maximum(high, 10 * low)
    whole = np.ones(len(low), dtype=bool)
    kinds = {one.kind: [law for law in laws if law.kind == one.kind] for one in laws}
    ends = [law for some in kinds.values() for law in dict.fromkeys((some[0], some[-1]))]
    count = stacked.used.sum(axis=1)
    row, going = np.arange(len(low)), ~none
    for _ in range(MOST_PASSES):
        if not going.any():
            break
        walks, edges = _cells(low, high, COARSE_WALKS, whole=whole)
        best = _gridded(stacked, walks, edges, parts, ends, rate, seasonal).log_weight.max(axis=(1, 3))
        matters = best > best.max(axis=1, keepdims=True) - MATTERS
        first = np.maximum(np.argmax(matters, axis=1) - 1, 0)
        last = np.minimum(COARSE_WALKS - np.argmax(matters[:, ::-1], axis=1), COARSE_WALKS - 1)
        low, high = np.where(going, walks[row, first], low), np.where(going, walks[row, last], high)
        whole = whole & (~going | (first == 0))
        # by n increments the walk is known to 1/√(2n) of itself
        needed = np.maximum(0.08, 1 / np.sqrt(2 * np.maximum(count, 1)))
        going = going & (count >= MANY) & (np.log(high / low) / FINE_WALKS > needed)
    walks, edges = _cells(low, high, FINE_WALKS, whole=whole)
    walks[:, 0] = np.where(whole, 0.0, walks[:, 0])  # so small a walk is none
    return _gridded(stacked, walks, edges, parts, laws, rate, seasonal, limits)


def _gridded(
    stacked: _Stacked,
    walks: FloatArray,
    edges: FloatArray,
    parts: _Parts,
    laws: Sequence[_Law],
    rate: FloatArray,
    seasonal: Mask,
    limits: Sequence[Tolerance | None] | None = None,
) -> _Solved:
    """Return the grid of walks and laws; states are weighed where ``limits`` of each history are given."""
    kinds = list(dict.fromkeys(one.kind for one in laws))
    groups = [[one for one in laws if one.kind == kind] for kind in kinds]
    if len(walks) <= FEW_TOGETHER:
        groups = [list(laws)]
    runs = [_filtered(stacked, walks, some, rate) for some in groups]
    precision, lean, squares, logs = (
        np.concatenate([getattr(run, name) for run in runs], axis=1)[..., np.newaxis]
        for name in ("precision", "lean", "squares", "logs")
    )
    prior = parts.drift[:, np.newaxis, np.newaxis, :]
    variance = 1 / (precision + 1 / prior**2)
    drift = lean * variance
    logs = -0.5 * (squares - lean * drift + logs - np.log(variance / prior**2))
    logs += (_log_shares(laws, parts, rate) + parts.log_weight[:, np.newaxis])[:, :, np.newaxis]
    logs += _log_mass(edges, parts.walk)[:, np.newaxis]
    if not seasonal.all() and any(one.kind == SEASONAL for one in laws):
        unseen = np.array([one.kind == SEASONAL for one in laws])
        logs[~seasonal[:, np.newaxis] & unseen] = -np.inf
        whole = sum(SHARES[kind] for kind in kinds)
        logs[~seasonal] += math.log(whole / (whole - SHARES[SEASONAL]))
    size = max(len(run.state) for run in runs) if limits is not None else 0  # where they matter
    states, slopes = np.zeros((2, size, *logs.shape[:3]))
    spread = np.zeros((size, size, *logs.shape[:3]))
    first = 0
    for run in runs:
        own = slice(first, first := first + run.logs.shape[1])
        for e in range(min(size, len(run.state))):
            states[e, :, own], slopes[e, :, own] = run.state[e], run.slope[e]
            for f in range(e, len(run.state)):
                spread[e, f, :, own] = run.spread[e][f]
    solved = _Solved(stacked, laws, rate, walks, logs, drift, variance, states, slopes, spread)
    for i, increments in enumerate(stacked.increments if limits is not None else ()):
        judged = [one for one in increments if one.state is not None]
        if judged:
            _judged(solved, i, judged, limits[i])  # type: ignore[index]
    return solved


def _log_shares(laws: Sequence[_Law], parts: _Parts, rate: FloatArray) -> FloatArray:
    """Return the log probability beforehand of every law, for every part of the prior, (m, c, p)."""
    rows = []
    for one in laws:
        if one.kind not in ("wandering", SEASONAL):
            rows.append(np.full(parts.drift.shape, one.log_share))
            continue
        wandering = one.kind == "wandering"
        unit = rate[:, np.newaxis] / USUAL_WANDER if wandering else np.array(1 / USUAL_SWING)
        low, high = (special.erfc(edge * unit / (math.sqrt(2) * parts.drift)) for edge in one.cell)
        rows.append(one.log_share + np.log(np.maximum(low - high, 1e-300)))
    return np.stack(rows, axis=1)


def _judged(solved: _Solved, i: int, judged: Sequence[Increment], tolerance: Tolerance | None) -> None:
    """Weigh the drift of one history by its states, on a grid; it stays normal, with mean and variance."""
    unit = float(solved.stacked.unit[i])
    z, step = np.linspace(-FARTHEST, FARTHEST, DRIFTS, retstep=True)
    log_density = -0.5 * z**2 + math.log(step / math.sqrt(2 * math.pi))
    deviation = np.sqrt(solved.variance[i])
    drift = (solved.drift[i][..., np.newaxis] + deviation[..., np.newaxis] * z) * unit
    laws = solved.laws
    bend, wander = (
        np.array([one.size if one.kind == kind else 0.0 for one in laws])[:, None, None, None]
        for kind in ("logarithmic", "wandering")
    )
    wander = wander * solved.rate[i] * unit
    walk = solved.walks[i][np.newaxis, :, np.newaxis, np.newaxis] * unit
    logs = np.broadcast_to(log_density, drift.shape)
    for one in judged:
        start, stop = one.start_s / SECONDS_PER_YEAR, one.stop_s / SECONDS_PER_YEAR
        limits = one.tolerance or tolerance or Tolerance(lower=-math.inf, upper=math.inf)
        t = stop - start
        spread = np.sqrt(
            walk**2 * t + wander**2 * t**2 * stop + one.start_uncertainty**2 + one.end_uncertainty**2
        )
        middle = one.start + drift * (aged(bend, stop) - aged(bend, start))
        inside = special.ndtr((limits.upper - middle) / spread) - special.ndtr(
            (limits.lower - middle) / spread
        )
        logs = logs + np.log(np.clip(inside if one.state == "in" else 1 - inside, 1e-300, None))
    total = special.logsumexp(logs, axis=-1)
    share = np.exp(logs - total[..., np.newaxis])
    middle = share @ z
    spread = share @ z**2 - middle**2
    solved.log_weight[i] += total
    solved.drift[i] += deviation * middle
    solved.variance[i] *= np.maximum(spread, 1e-12)


def family_posteriors(
    histories: Sequence[CalibrationHistory],
    prior: DriftPrior,
    *,
    law: str,
    tolerance: Tolerance | None,
    identical: bool,
) -> Posteriors:
    """Return the posterior of the first history of a family, the others saying what is usual for it.

    The walk is common. ``identical`` instruments share one drift (ρ = 1). Readings are taken as they are.
    With ``-2 log L = K - 2 b D + A D²`` of one sibling, ``τ² = (1 - ρ) v²`` and ``q = 1 + A τ²`` its
    likelihood of the common drift m is ``exp -½ (K + log q - b² τ²/q - 2 m b/q + m² A/q)``: siblings add up.
    """
    stacked = _Stacked.of(histories, alike=True)
    parts = _Parts.of([prior] * len(histories), stacked.unit)
    laws = _laws(law, seasonal=False)
    rates, noise, largest = stacked.typical()
    measured = stacked.used.any(axis=1)
    rate = np.full(
        len(histories), math.sqrt(float(np.mean(rates[measured] ** 2))) if measured.any() else 1e-300
    )
    widest = 4 * parts.walk.max()
    low = 0.03 * noise[measured].min() if measured.any() else 0.01 * parts.walk.min()
    high = min(widest, 30 * largest[measured].max()) if measured.any() else widest
    ends = np.full(len(histories), low), np.full(len(histories), max(high, 10 * low))
    walks, edges = _cells(*ends, 2 * FINE_WALKS, whole=np.ones(len(histories), dtype=bool))
    unseen = np.zeros(len(histories), dtype=bool)
    solved = _gridded(stacked, walks, edges, parts, laws, rate, unseen, [tolerance] * len(histories))
    drift, variance = solved.drift, solved.variance
    beforehand = (
        _log_shares(laws, parts, rate)[0, :, np.newaxis]
        + parts.log_weight[0]
        + _log_mass(edges[:1], parts.walk[:1])[0]
    )
    v2 = parts.drift[0] ** 2
    lean = drift / variance
    precision = np.maximum(1 / variance - 1 / v2, 0.0)
    constant = -2 * (solved.log_weight - beforehand) + lean * drift - np.log(v2 / variance)
    shares = np.array([1.0] if identical else COMMON_SHARES)
    common, apart = shares * v2[:, np.newaxis], (1 - shares) * v2[:, np.newaxis]
    a, b, k = (x[..., np.newaxis] for x in (precision, lean, constant))
    q = 1 + a[1:] * apart
    known, pull = (a[1:] / q).sum(axis=0), (b[1:] / q).sum(axis=0)
    evidence = -0.5 * (k[1:] + np.log(q) - b[1:] ** 2 * apart / q).sum(axis=0)
    spread = common / (1 + known * common)
    evidence = evidence + 0.5 * pull**2 * spread - 0.5 * np.log1p(known * common)
    # beforehand of the first: N(M, W)
    middle, wide = pull * spread, spread + apart
    sharp = a[0] + 1 / wide
    leant = b[0] + middle / wide
    evidence = evidence - 0.5 * (k[0] + middle**2 / wide - leant**2 / sharp + np.log(wide * sharp))
    weight = evidence + beforehand[..., np.newaxis] - math.log(len(shares))
    flat = (*weight.shape[:2], -1)
    own = replace(
        solved.some_rows([0]),
        log_weight=weight.reshape(flat)[np.newaxis],
        drift=(leant / sharp).reshape(flat)[np.newaxis],
        variance=(1 / sharp).reshape(flat)[np.newaxis],
    )
    found = own._picked()
    by_share = special.logsumexp(weight, axis=(0, 1, 2))
    return replace(
        found,
        part=found.part // len(shares),
        log_evidence=special.logsumexp(weight, axis=(0, 1, 3))[np.newaxis],
        common_share=float(shares @ np.exp(by_share - special.logsumexp(by_share))),
    )
