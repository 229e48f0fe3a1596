"""Thermal lag from averages fine enough to see it: its profile likelihood under correlated noise.

A lag of half an hour is invisible in blocks of seven hours. Here the record is cut into windows of
about two days with at most 192 averages each; within every window a constant, a slope and flagged steps are
free, so aging and slow noise say nothing, and all windows share one set of sensitivities. The noise is a grid
of mixtures, weighted by restricted likelihood; the lag follows from its profile likelihood, mixed
over them. Lags below zero (leads) count in the likelihood, so that the estimate of an absent lag is
unbiased, and are then given to zero: the interval covers and no lag is ever negative.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy import linalg

from evenbeat.clock.blocks import WHITE_PM_MATTERS_BELOW, phase_steps, with_covariates
from evenbeat.clock.covariance import (
    FLICKER_FM,
    MODELLED,
    RANDOM_WALK_FM,
    WHITE_FM,
    WHITE_PM,
    Spans,
    mean_frequency_covariance,
    unit_level,
)
from evenbeat.clock.design import Trend
from evenbeat.clock.environment import Influence, lagged, recursion, without_holes
from evenbeat.clock.noise_grid import NoiseGrid, fit_on_grid
from evenbeat.clock.origins import best
from evenbeat.clock.prediction import Variant
from evenbeat.clock.regression import Contrasts, Inverted, inverted, ranked
from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY

WINDOW_S = 2 * SECONDS_PER_DAY
MOST_WINDOWS = 64
MOST_AVERAGES = 192
FEWEST_AVERAGES = 64
FEWEST_IN_WINDOW = 8

Noise = tuple[float, float, float]
"""Allan variances of white PM, flicker FM and random-walk FM at one average, over that of white FM."""


@dataclass(frozen=True, eq=False, kw_only=True)
class WindowGroup:
    """Windows with the same averages present and the same nuisance columns."""

    rows: npt.NDArray[np.intp]
    windows: list[int]
    nuisance: FloatArray
    covariances: dict[int, FloatArray]
    contrasts: Contrasts


@dataclass(frozen=True, eq=False, kw_only=True)
class FineAverages:
    """Fine averages of a record in windows."""

    frequency: FloatArray
    covariates: tuple[FloatArray, ...]
    influences: tuple[Influence, ...]
    shown: npt.NDArray[np.bool_]
    """Which samples count, shape (blocks, factor)."""
    interval_s: float
    averages: int
    groups: tuple[WindowGroup, ...]
    steps: tuple[float, ...]
    spread: float
    memory: dict[tuple[int, float], FloatArray] = field(default_factory=dict)

    @property
    def length_s(self) -> float:
        """Length of one average in seconds."""
        return self.shown.shape[1] * self.interval_s

    @cached_property
    def _broken(self) -> npt.NDArray[np.intp]:
        """The averages that lack samples."""
        return np.flatnonzero(~self.shown.all(axis=1))

    def _means_of_broken(self, samples: FloatArray) -> FloatArray:
        """Return means over what is present of the averages that lack samples, zero where nothing is."""
        shown = self.shown[self._broken]
        return np.where(shown, samples, 0.0).sum(axis=1) / np.maximum(shown.sum(axis=1), 1)

    def means(self, column: FloatArray) -> FloatArray:
        """Return the averages of a sampled column over what is present, shape (blocks,)."""
        samples = column[: self.shown.size].reshape(self.shown.shape)
        means = samples.mean(axis=1)
        means[self._broken] = self._means_of_broken(samples[self._broken])
        return means

    def _lagged_means(self, column: FloatArray, lags: FloatArray) -> FloatArray:
        """Return the averages of a column behind each lag, in samples and not zero, shape (blocks, lags).

        The sum over F samples behind a lag, z_j = k z_(j-1) + (1 - k) x_j, is that of x_j (1 - k^(F-j)) and
        of the last z before, times k (1 - k^F)/(1 - k): no sample is filtered but where some are missing.
        """
        samples = column[: self.shown.size].reshape(self.shown.shape)
        blocks, factor = self.shown.shape
        decay = -1 / np.abs(lags)
        left = np.arange(factor, 0, -1)[:, np.newaxis]
        level = column[0]
        gains = samples @ (np.exp((left - 1) * decay) * -np.expm1(decay)) + level * np.expm1(factor * decay)
        sums = samples @ -np.expm1(left * decay) + level * np.expm1(left * decay).sum(axis=0)
        before = np.zeros((blocks, len(lags)))
        for k, each in enumerate(decay):
            before[1:, k] = recursion(gains[:-1, k], np.exp(factor * each))
        means = level + (sums + before * np.exp(decay) * np.expm1(factor * decay) / np.expm1(decay)) / factor
        for k, each in enumerate(decay) if len(self._broken) else ():
            behind = recursion(-np.expm1(each) * (samples[self._broken] - level), np.exp(each))
            behind += before[self._broken, k, np.newaxis] * np.exp(each * left[::-1, 0])
            means[self._broken, k] = self._means_of_broken(level + behind)
        return np.where(lags < 0, 2 * self.means(column)[:, np.newaxis] - means, means)

    def powers(self, index: int, *lags_s: float) -> list[FloatArray]:
        """Return the averaged powers of one influence behind each lag, shape (blocks, order)."""
        new = [lag for lag in lags_s if (index, lag) not in self.memory]
        column, order = self.covariates[index], self.influences[index].order
        if order == 1 and (behind := [lag for lag in new if lag != 0]):
            means = self._lagged_means(column, np.array(behind) / self.interval_s)
            self.memory.update({(index, lag): means[:, [k]] for k, lag in enumerate(behind)})
        for lag in new:
            if (index, lag) not in self.memory:
                inside = lagged(column, lag / self.interval_s)
                raised = itertools.accumulate([inside] * order, np.multiply)
                self.memory[index, lag] = np.array([self.means(each) for each in raised]).T
        return [self.memory[index, lag] for lag in lags_s]

    def columns(self, lags: FloatArray) -> FloatArray:
        """Return the columns of all influences at given lags, shape (blocks, columns)."""
        return np.hstack([self.powers(k, lag)[0] for k, lag in enumerate(lags.tolist())])


def fine_averages(record: Record, influences: tuple[Influence, ...]) -> FineAverages | None:
    """Return the record in windows, or ``None`` if it is too short or does not vary."""
    values, columns, present = with_covariates(record, [each.name for each in influences])
    n = len(values)
    wanted = min(round(record.duration_s / WINDOW_S), MOST_WINDOWS, n // FEWEST_AVERAGES)
    windows = max(1, wanted)
    factor = max(1, -(-n // (windows * MOST_AVERAGES)))
    averages = (n // factor) // windows
    blocks = averages * windows
    shown = present[: blocks * factor].reshape(blocks, factor)
    count = shown.sum(axis=1)
    usable = count >= max(1, factor / 2)
    within = [(start - 1) // factor for start in phase_steps(record)]
    usable[[average for average in within if average < blocks]] = False
    if np.count_nonzero(usable) < FEWEST_IN_WINDOW + sum(each.order for each in influences):
        return None
    middle = float(np.nanmean(values[present]))
    filled = np.where(present, values - middle, 0.0)
    frequency = filled[: shown.size].reshape(shown.shape).sum(axis=1) / np.maximum(count, 1)
    spread = float(np.std(frequency[usable]))
    if not spread > 0:
        return None
    steps = [f.start / factor for f in record.steps if f.cause == "frequency_step"]
    groups = _groups(usable.reshape(windows, averages), steps, with_white_pm=factor < WHITE_PM_MATTERS_BELOW)
    if not groups:
        return None
    whole = [without_holes(column) for column in columns]
    return FineAverages(
        frequency=frequency / spread,
        covariates=tuple((each - each[present].mean()) / each[present].std() for each in whole),
        influences=influences,
        shown=shown,
        interval_s=record.interval_s,
        averages=averages,
        groups=groups,
        steps=tuple(steps),
        spread=spread,
    )


def _groups(usable: FloatArray, steps: list[float], *, with_white_pm: bool) -> tuple[WindowGroup, ...]:
    windows, averages = usable.shape
    edges = np.arange(averages + 1) / averages
    spans = Spans(start=edges[:-1], stop=edges[1:])
    exponents = [e for e in MODELLED if with_white_pm or e != WHITE_PM]
    matrices = {
        e: unit_level(e, 1 / averages) * mean_frequency_covariance(e, spans, spans) for e in exponents
    }
    gathered: dict[tuple[bytes, tuple[float, ...]], list[int]] = {}
    for window in range(windows):
        inside = tuple(s - window * averages for s in steps if 0 < s - window * averages < averages)
        if np.count_nonzero(usable[window]) >= FEWEST_IN_WINDOW + len(inside):
            gathered.setdefault((usable[window].tobytes(), inside), []).append(window)
    groups = []
    for (pattern, inside), members in gathered.items():
        rows = np.flatnonzero(np.frombuffer(pattern, dtype=bool))
        contrasts = Contrasts(len(rows))
        ramps = np.array([spans.middle[rows], *(np.clip(rows + 1 - at, 0.0, 1.0) for at in inside)]).T
        groups.append(
            WindowGroup(
                rows=rows,
                windows=members,
                nuisance=contrasts.of(ramps[:, ranked(ramps).kept]),
                covariances={e: contrasts.of_covariance(v[np.ix_(rows, rows)]) for e, v in matrices.items()},
                contrasts=contrasts,
            )
        )
    return tuple(groups)


@dataclass(frozen=True, eq=False, kw_only=True)
class PooledSums:
    """Normal equations pooled over windows: of K sets of q columns beside the nuisances.

    ``size`` is the squared length of the columns before the nuisances were taken out, shape (K, q).
    """

    information: FloatArray
    size: FloatArray
    score: FloatArray
    total: float
    log_determinant: float
    observations: int

    @cached_property
    def inverted(self) -> Inverted:
        """The inverse of the information of every set."""
        return inverted(self.information, self.size)

    def residual(self) -> FloatArray:
        """Return the residual sum of squares of every set, shape (K,)."""
        explained = np.einsum("kq,kq->k", self.score, self.coefficients())
        return np.maximum(self.total - explained, max(1e-12 * self.total, np.finfo(float).tiny))

    def coefficients(self) -> FloatArray:
        """Shape (K, q)."""
        return (self.inverted.inverse @ self.score[..., np.newaxis])[..., 0]


@dataclass(frozen=True, eq=False)
class Pooling:
    """Sets of columns, shape (blocks, K, q), beside fine averages, pooled over windows for any noise.

    The windows of a group are solved together; contrasts are taken once for all noises.
    """

    fine: FineAverages
    columns: FloatArray
    groups: tuple[WindowGroup, ...]

    @cached_property
    def _stacked(self) -> list[FloatArray]:
        """The contrasts of each group, shape (rows - 1, windows (1 + K q)), the record before each set."""
        blocks = len(self.columns)
        everything = np.column_stack([self.fine.frequency, self.columns.reshape(blocks, -1)])
        windows = everything.reshape(-1, self.fine.averages, everything.shape[1])
        return [
            group.contrasts.of(
                windows[np.ix_(np.array(group.windows), group.rows)]
                .swapaxes(0, 1)
                .reshape(len(group.rows), -1)
            )
            for group in self.groups
        ]

    def sums(self, noise: Noise) -> PooledSums:
        """Return the normal equations under one noise."""
        _, sets, width = self.columns.shape
        information, score = np.zeros((sets, width, width)), np.zeros((sets, width))
        taken_out = np.zeros((sets, width))
        total, log_determinant, observations = 0.0, 0.0, 0
        for group, stacked in zip(self.groups, self._stacked, strict=True):
            matrix = group.covariances[WHITE_FM] + noise[1] * group.covariances[FLICKER_FM]
            matrix = matrix + noise[2] * group.covariances[RANDOM_WALK_FM]
            if noise[0] > 0:
                matrix = matrix + noise[0] * group.covariances[WHITE_PM]
            lower = linalg.cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
            white = linalg.solve_triangular(
                lower, np.column_stack([group.nuisance, stacked]), lower=True, check_finite=False
            )
            free = group.nuisance.shape[1]
            basis, triangle = np.linalg.qr(white[:, :free])
            each = 2 * float(np.sum(np.log(np.diag(lower))) + np.sum(np.log(np.abs(np.diag(triangle)))))
            log_determinant += len(group.windows) * each
            observations += len(group.windows) * (len(lower) - free)
            z = white[:, free:]
            along = basis.T @ z
            z = (z - basis @ along).reshape(-1, 1 + sets * width)
            along = along.reshape(-1, 1 + sets * width)
            taken_out += np.sum(along[:, 1:] ** 2, axis=0).reshape(sets, width)
            x = z[:, 1:].reshape(-1, sets, width).swapaxes(0, 1)
            information += x.swapaxes(1, 2) @ x
            score += (z[:, 0] @ z[:, 1:]).reshape(sets, width)
            total += float(z[:, 0] @ z[:, 0])
        return PooledSums(
            information=information,
            size=taken_out + np.diagonal(information, axis1=-2, axis2=-1),
            score=score,
            total=total,
            log_determinant=log_determinant,
            observations=observations,
        )


LONGEST_SHARE = 0.25
"""Longest lag that is looked for, as a share of a window."""
HALVINGS = 7
POINTS = 24
MATTERS = 9.0
"""Log likelihood below the best at which a lag no longer counts."""
KEPT_WEIGHT = 0.01
MOST_DECOMPOSITIONS = 500
ENOUGH_WINDOWS = 0.9
"""Share of the windows that tells the noise: one with a gap of its own costs as much as all whole ones."""
FLICKER_RATIOS = (0.0, 0.01, 0.1, 1.0, 10.0, 100.0)
WALK_RATIOS = (0.0, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0)
WHITE_PM_RATIOS = (0.0, 0.1, 1.0, 10.0, 100.0)
SLOW = 0.3
"""Share of the usual rate of change from which a covariate counts as rising or falling outright."""
TURN = 4
"""Averages before and after a step that show whether a covariate changed its course there."""
HALF, QUARTER = 10**0.5, 10**0.25


@dataclass(frozen=True, eq=False, kw_only=True)
class FineView:
    """What the fine averages say of the environment."""

    # One estimate in seconds for each influence; ``None`` where the record has too few readings
    lags: tuple[Estimate, ...]
    # Half the difference between rising and falling at the same lagged value, as fractional frequency with
    # its standard uncertainty, for each influence; NaN where it could not be looked for
    direction_effect: tuple[tuple[float, float], ...]
    # For each influence, the times in seconds of flagged frequency steps at which it changed its course
    turns: tuple[tuple[float, ...], ...]
    longest_s: float  # The longest lag that was looked for


@lru_cache(maxsize=2)  # other laws and noises of the same record see the same
def fine_view(record: Record, influences: tuple[Influence, ...]) -> FineView:
    """Estimate the lags of all influences from fine averages of the record.

    Notes
    -----
    Profile likelihood over an adaptive grid of lags, one influence after the other with the rest at
    their best, twice around. Not valid for lags of more than a quarter of a window (state those as a
    number), nor where the covariate's sensor lags as much as the oscillator: what is found is the
    difference of the two.
    """
    fitted = [k for k, each in enumerate(influences) if each.lag_s == "fit"]
    best = np.array([0.0 if isinstance(each.lag_s, str) else each.lag_s for each in influences])
    estimates = [Estimate(distribution=StudentMixture.normal(lag, 0.0), unit="s") for lag in best]
    fine = fine_averages(record, influences) if influences else None
    if fine is None:
        return FineView(
            lags=tuple(estimates),
            direction_effect=((math.nan, math.nan),) * len(influences),
            turns=((),) * len(influences),
            longest_s=0.0,
        )
    longest = LONGEST_SHARE * fine.averages * fine.length_s
    noises = _noises(fine, fine.columns(best))[:1]
    for last in (False, True) if fitted else ():
        for k in fitted:
            lags, score = _profile(fine, best, k, noises=noises, longest=longest)
            best[k] = lags[int(np.argmax(score))]
            estimates[k] = _estimate(lags, score)
        if not last:
            noises = _noises(fine, fine.columns(best))
    top = max(noises, key=lambda pair: pair[1])[0]
    best = np.maximum(best, 0.0)
    return FineView(
        lags=tuple(estimates),
        direction_effect=tuple(_direction_effect(fine, top, best, k) for k in range(len(influences))),
        turns=tuple(_turns(fine, best, k) for k in range(len(influences))),
        longest_s=longest,
    )


def _noises(fine: FineAverages, columns: FloatArray) -> list[tuple[Noise, float]]:
    """Return mixtures of noises with their weights, best first: decades, then halves and quarters."""
    with_white_pm = WHITE_PM in fine.groups[0].covariances
    first = [
        (p, f, r)
        for p in (WHITE_PM_RATIOS if with_white_pm else (0.0,))
        for f in FLICKER_RATIOS
        for r in WALK_RATIOS
    ]
    groups = sorted(fine.groups, key=lambda group: -len(group.windows))
    reached = np.cumsum([len(group.windows) for group in groups])
    enough = int(np.searchsorted(reached, ENOUGH_WINDOWS * reached[-1])) + 1
    some = max(1, MOST_DECOMPOSITIONS // len(first))
    groups = groups[: enough : max(1, -(-enough // some))]
    pooling = Pooling(fine, columns[:, np.newaxis, :], tuple(groups))
    known: dict[Noise, float] = {}

    def add(candidates: list[Noise]) -> None:
        for noise in candidates:
            if noise not in known:
                sums = pooling.sums(noise)
                freedom = sums.observations - int(sums.inverted.rank[0])
                determinants = sums.log_determinant + float(sums.inverted.log_determinant[0])
                known[noise] = -0.5 * (freedom * math.log(sums.residual()[0]) + determinants)

    add(first)
    for ratio in (HALF, QUARTER):
        p, f, r = max(known, key=lambda noise: known[noise])
        around = [1 / ratio, 1.0, ratio]
        add([(p * a, f * b, r * c) for a in (around if p else [1.0]) for b in around for c in around])
    top = max(known.values())
    kept = {
        noise: math.exp(value - top) for noise, value in known.items() if value > top + math.log(KEPT_WEIGHT)
    }
    total = sum(kept.values())
    ranked = sorted(((noise, value / total) for noise, value in kept.items()), key=lambda pair: -pair[1])
    return ranked[:12]


def _profile(
    fine: FineAverages, best: FloatArray, index: int, *, noises: list[tuple[Noise, float]], longest: float
) -> tuple[FloatArray, FloatArray]:
    """Return an adaptive grid of signed lags of one influence and their log likelihood."""
    halved = longest * 0.5 ** np.arange(HALVINGS + 1)
    lags = np.concatenate([-halved, [0.0], halved[::-1]])
    lags.sort()
    score = _scores(fine, best, index, lags, noises[:1])
    for _ in range(3):
        inside = np.flatnonzero(score > score.max() - MATTERS)
        low, high = max(inside[0] - 1, 0), min(inside[-1] + 1, len(lags) - 1)
        lags = np.linspace(lags[low], lags[high], POINTS)
        score = _scores(fine, best, index, lags, noises[:1])
    return lags, score if len(noises) == 1 else _scores(fine, best, index, lags, noises)


def _scores(
    fine: FineAverages, best: FloatArray, index: int, lags: FloatArray, noises: list[tuple[Noise, float]]
) -> FloatArray:
    """Return the profile log likelihood of lags, mixed over noises, shape (K,)."""
    fixed = [fine.powers(k, lag)[0] for k, lag in enumerate(best.tolist()) if k != index]
    tried = fine.powers(index, *lags.tolist())
    columns = np.array([np.hstack([each, *fixed]) for each in tried]).transpose(1, 0, 2)
    pooling = Pooling(fine, columns, fine.groups)
    total = np.zeros(len(lags))
    for noise, weight in noises:
        sums = pooling.sums(noise)
        freedom = sums.observations - columns.shape[2] - 1
        score = -0.5 * freedom * np.log(sums.residual())
        total += weight * np.exp(score - score.max())
    return np.log(np.maximum(total, 1e-300))


def _estimate(lags: FloatArray, score: FloatArray) -> Estimate:
    """Return the distribution of a lag: what lies below zero counts as zero."""
    width = np.gradient(lags)
    weights = width * np.exp(score - score.max())
    weights /= weights.sum()
    kept = weights > 1e-9
    lags, width, weights = lags[kept], width[kept], weights[kept] / weights[kept].sum()
    distribution = StudentMixture(
        weights=weights,
        locations=np.maximum(lags, 0.0),
        scales=np.where(lags > 0, width / math.sqrt(12), 0.0),
        degrees_of_freedom=np.full(len(lags), math.inf),
    )
    return Estimate(distribution=distribution, unit="s")


def _rate(fine: FineAverages, lags: FloatArray, index: int) -> FloatArray:
    """Return how fast the lagged covariate changes, in units of its usual rate, shape (blocks,)."""
    rate = np.gradient(fine.powers(index, float(lags[index]))[0][:, 0])
    usual = float(np.sqrt(np.mean(rate**2)))
    return rate / usual if usual > 0 else np.zeros(len(rate))


def _direction_effect(fine: FineAverages, noise: Noise, lags: FloatArray, index: int) -> tuple[float, float]:
    """Return half the difference between rising and falling, and its standard uncertainty."""
    direction = np.clip(_rate(fine, lags, index) / SLOW, -1.0, 1.0)
    columns = np.column_stack([direction, fine.columns(lags)])
    sums = Pooling(fine, columns[:, np.newaxis, :], fine.groups).sums(noise)
    freedom = sums.observations - columns.shape[1]
    if sums.inverted.rank[0] < columns.shape[1] or freedom < 1:
        return math.nan, math.nan
    error = math.sqrt(float(sums.residual()[0]) / freedom * sums.inverted.inverse[0, 0, 0])
    return float(sums.coefficients()[0, 0]) * fine.spread, error * fine.spread


def _turns(fine: FineAverages, lags: FloatArray, index: int) -> tuple[float, ...]:
    """Return the flagged steps at which the rate of change of what acts jumped by more than is usual."""
    rate = _rate(fine, np.zeros(len(lags)), index)
    found = []
    for step in fine.steps:
        here = int(step)
        before, after = rate[max(0, here - TURN) : here], rate[here + 1 : here + 1 + TURN]
        if len(before) and len(after) and abs(np.mean(after) - np.mean(before)) > 1:
            found.append(step * fine.length_s)
    return tuple(found)


SMALL_MOVE = 0.4
"""Share of its standard uncertainty by which a coefficient may move without notice when the lag moves by
√3 of its own: less adds under 3 % to it, and every question to the model would take three times as long."""


def spread_over_lags(
    grid: NoiseGrid, trend: Trend, frequency: FloatArray, variants: tuple[Variant, ...]
) -> tuple[tuple[Variant, ...], Trend]:
    """Return variants of the middle lags at every set of lags; at the middle alone if no answer moves."""
    if len(trend.lag_points) == 1:
        return variants, trend
    top = max(variants, key=lambda variant: best(variant.fit))
    place = np.unravel_index(np.argmax(top.fit.log_restricted), top.fit.log_restricted.shape)
    error = np.sqrt(top.fit.level[place] * np.diag(top.fit.inverse_information[place]))
    others = (next(_at(grid, trend, frequency, [top], k)) for k in range(1, len(trend.lag_points)))
    changes = (np.abs(moved.fit.coefficients[place] - top.fit.coefficients[place]) for moved in others)
    if not any(np.any(change > SMALL_MOVE * error) for change in changes):
        middle = replace(trend.lag_points[0], weight=1.0)
        return variants, replace(trend, lag_points=(middle,))
    points = tuple(point for point in trend.lag_points if point.weight > 0)
    trend = replace(trend, lag_points=points)
    moved = [each for place in range(len(points)) for each in _at(grid, trend, frequency, variants, place)]
    return tuple(moved), trend


def _at(
    grid: NoiseGrid, trend: Trend, frequency: FloatArray, variants: Sequence[Variant], place: int
) -> Iterator[Variant]:
    """Yield variants fitted anew at a set of lags."""
    designs = [variant.design.copy() for variant in variants]
    for design in designs:
        first = trend.first_influence(design.shape[1])
        design[:, first : first + trend.width] = trend.lag_points[place].columns
    fits = fit_on_grid(grid, frequency, *designs)
    for variant, design, fit in zip(variants, designs, fits, strict=True):
        yield replace(variant, design=design, fit=fit, lag_point=place)
