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
from evenbeat.clock.environment import Influence, lagged, without_holes
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
    weight: FloatArray
    factor: int
    interval_s: float
    averages: int
    groups: tuple[WindowGroup, ...]
    steps: tuple[float, ...]
    spread: float
    memory: dict[tuple[int, float], FloatArray] = field(default_factory=dict)

    @property
    def length_s(self) -> float:
        """Length of one average in seconds."""
        return self.factor * self.interval_s

    def means(self, column: FloatArray) -> FloatArray:
        """Return the averages of a sampled column over what is present, shape (blocks,)."""
        used = column[: self.weight.size].reshape(self.weight.shape)
        return np.asarray(np.einsum("bf,bf->b", used, self.weight))

    def powers(self, index: int, lag_s: float) -> FloatArray:
        """Return the averaged powers of one lagged influence, shape (blocks, order)."""
        key = index, float(lag_s)
        if key not in self.memory:
            inside = lagged(self.covariates[index], lag_s / self.interval_s)
            order = self.influences[index].order
            raised = itertools.accumulate([inside] * order, np.multiply)
            self.memory[key] = np.array([self.means(each) for each in raised]).T
        return self.memory[key]

    def columns(self, lags: FloatArray) -> FloatArray:
        """Return the columns of all influences at given lags, shape (blocks, columns)."""
        return np.hstack([self.powers(k, lag) for k, lag in enumerate(lags)])


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
    weight = shown / np.maximum(count, 1)[:, np.newaxis]
    middle = float(np.nanmean(values[present]))
    filled = np.where(present, values - middle, 0.0)
    scaled = [_scaled(without_holes(column), present) for column in columns]
    frequency = np.einsum("bf,bf->b", filled[: weight.size].reshape(weight.shape), weight)
    spread = float(np.std(frequency[usable]))
    if not spread > 0:
        return None
    steps = [f.start / factor for f in record.steps if f.cause == "frequency_step"]
    groups = _groups(usable.reshape(windows, averages), steps, with_white_pm=factor < WHITE_PM_MATTERS_BELOW)
    if not groups:
        return None
    return FineAverages(
        frequency=frequency / spread,
        covariates=tuple(scaled),
        influences=influences,
        weight=weight,
        factor=factor,
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


def pooled_sums(
    fine: FineAverages, noise: Noise, columns: FloatArray, groups: tuple[WindowGroup, ...]
) -> PooledSums:
    """Pool the windows for one noise; ``columns`` has shape (blocks, K, q)."""
    _, sets, width = columns.shape
    information, score = np.zeros((sets, width, width)), np.zeros((sets, width))
    taken_out = np.zeros((sets, width))
    total, log_determinant, observations = 0.0, 0.0, 0
    everything = np.concatenate([fine.frequency[:, np.newaxis], columns.reshape(len(columns), -1)], axis=1)
    for group in groups:
        matrix = group.covariances[WHITE_FM] + noise[1] * group.covariances[FLICKER_FM]
        matrix = matrix + noise[2] * group.covariances[RANDOM_WALK_FM]
        if noise[0] > 0:
            matrix = matrix + noise[0] * group.covariances[WHITE_PM]
        lower = linalg.cholesky(matrix, lower=True)
        basis, triangle = np.linalg.qr(linalg.solve_triangular(lower, group.nuisance, lower=True))
        each = 2 * float(np.sum(np.log(np.diag(lower))) + np.sum(np.log(np.abs(np.diag(triangle)))))
        log_determinant += len(group.windows) * each
        observations += len(group.windows) * (lower.shape[0] - basis.shape[1])
        for window in group.windows:
            z = group.contrasts.of(everything[window * fine.averages + group.rows])
            z = linalg.solve_triangular(lower, z, lower=True)
            along = basis.T @ z
            z -= basis @ along
            taken_out += np.sum(along[:, 1:] ** 2, axis=0).reshape(sets, width)
            x = z[:, 1:].reshape(len(z), sets, width)
            information += np.einsum("nkp,nkq->kpq", x, x)
            score += np.einsum("nkp,n->kp", x, z[:, 0])
            total += float(z[:, 0] @ z[:, 0])
    return PooledSums(
        information=information,
        size=taken_out + np.diagonal(information, axis1=-2, axis2=-1),
        score=score,
        total=total,
        log_determinant=log_determinant,
        observations=observations,
    )
