"""Fine averages of a record in windows of about two days, and least squares pooled over the windows.

In every window a constant, a slope and flagged steps are free; all windows share one set of columns.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg

from evenbeat.clock.blocks import between_samples, frequencies, phase_steps
from evenbeat.clock.contrasts import Contrasts
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
from evenbeat.clock.determined import Inverted, inverted, ranked
from evenbeat.clock.environment import Influence, lagged, recursion, without_holes
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY

WINDOW_S = 2 * SECONDS_PER_DAY
MOST_WINDOWS = 64
MOST_AVERAGES = 192
FEWEST_AVERAGES = 64
FEWEST_IN_WINDOW = 8
WHITE_PM_MATTERS_BELOW = 64

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
    values = frequencies(record)
    columns = [between_samples(record, record.covariates[each.name]) for each in influences]
    present = ~np.isnan(values)
    for column in columns:
        present &= ~np.isnan(column)
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
    return FineAverages(
        frequency=frequency / spread,
        covariates=tuple(_scaled(without_holes(column), present) for column in columns),
        influences=influences,
        shown=shown,
        interval_s=record.interval_s,
        averages=averages,
        groups=groups,
        steps=tuple(steps),
        spread=spread,
    )


def _scaled(column: FloatArray, present: FloatArray) -> FloatArray:
    return (column - np.mean(column[present])) / np.std(column[present])


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
    """Sets of columns beside a record's fine averages, to be pooled over windows for any noise.

    Parameters
    ----------
    columns
        Shape (blocks, K, q).
    groups
        Windows that count; those of a group are solved together, contrasts are taken once for all noises.
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
