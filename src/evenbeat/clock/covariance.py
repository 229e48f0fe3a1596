"""The exact covariance of mean frequencies over any spans of time, under each power-law noise.

The mean over (a, b) is ``(x(b) - x(a)) / (b - a)``, so the covariance of two means is a second
difference of the generalized covariance of phase (:func:`evenbeat.powerlaw.phase_covariance`). It is
exact for combinations whose weights sum to zero: see :class:`evenbeat.clock.contrasts.Contrasts`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.powerlaw import phase_covariance
from evenbeat.quantities import FloatArray

WHITE_PM, WHITE_FM, FLICKER_FM, RANDOM_WALK_FM = 2, 0, -1, -2
MODELLED = (WHITE_FM, WHITE_PM, FLICKER_FM, RANDOM_WALK_FM)
"""The noises of the model, by exponent of the power law."""
IntArray = npt.NDArray[np.int64]
MOST_READINGS = 2000
LONGEST_SUM = 64


@dataclass(frozen=True, eq=False, kw_only=True)
class Spans:
    """Spans of time from ``start`` to ``stop``, each of shape (n,), in one unit for all."""

    start: FloatArray
    stop: FloatArray

    def __len__(self) -> int:
        return len(self.start)

    @property
    def length(self) -> FloatArray:
        """Shape (n,)."""
        return self.stop - self.start

    @property
    def middle(self) -> FloatArray:
        """Shape (n,)."""
        return 0.5 * (self.start + self.stop)

    def scaled(self, factor: float) -> Spans:
        """Return the spans in another unit of time."""
        return Spans(start=self.start * factor, stop=self.stop * factor)


def unit_level(exponent: int, span: float) -> float:
    """Return the level of a noise whose Allan variance is one at averaging time ``span``.

    For white PM the level is the variance of phase; for the others it is h_α.
    """
    return {
        WHITE_PM: span**2 / 3,
        WHITE_FM: 2 * span,
        FLICKER_FM: 1 / (2 * math.log(2)),
        RANDOM_WALK_FM: 3 / (2 * math.pi**2 * span),
    }[exponent]


def mean_frequency_covariance(exponent: int, one: Spans, other: Spans) -> FloatArray:
    """Return the generalized covariance, per unit level, of means over two sets of spans.

    Parameters
    ----------
    exponent
        2 (white PM, per unit variance of phase), 0, -1 or -2 (per unit h_α).

    Returns
    -------
    array of shape (len(one), len(other))
    """
    total = _edges(exponent, one.stop, other.stop)
    total -= _edges(exponent, one.stop, other.start)
    total -= _edges(exponent, one.start, other.stop)
    total += _edges(exponent, one.start, other.start)
    return total / np.outer(one.length, other.length)


@dataclass(frozen=True, kw_only=True)
class Gating:
    """Readings that do not fill the time: one gate in each interval, in the unit of the spans."""

    interval: float
    gate: float

    def scaled(self, factor: float) -> Gating:
        """Return interval and gate in another unit of time."""
        return Gating(interval=self.interval * factor, gate=self.gate * factor)

    def readings(self, spans: Spans) -> IntArray:
        """Return the number of readings in every span, from the first gate's start to the last one's end."""
        return np.rint((spans.length - self.gate) / self.interval).astype(np.int64) + 1


def block_covariance(exponent: int, spans: Spans, gating: Gating | None) -> FloatArray:
    """Return the generalized covariance of block averages per unit level, dead time included, shape (n, n).

    Notes
    -----
    Without dead time a block average is a mean frequency over its span. With it, it is the mean of means
    over gates: exact for up to 2000 readings; beyond, what dead time adds to the variance of a block (white
    FM and the aliases of the others) goes to its diagonal, and blocks keep the covariance of their spans.
    """
    if gating is None:
        return mean_frequency_covariance(exponent, spans, spans)
    readings = gating.readings(spans)
    if readings.sum() <= MOST_READINGS:
        return _gated(exponent, spans.start, readings, gating)
    if exponent == WHITE_PM:
        return np.diag(2 / (gating.gate**2 * readings))
    total = mean_frequency_covariance(exponent, spans, spans)
    total[np.diag_indices(len(spans))] += _dead_time_variance(exponent, readings, gating)
    return total


def _gated(exponent: int, first: FloatArray, readings: IntArray, gating: Gating) -> FloatArray:
    """Return the covariance of means over ``readings`` gates from each of some times on."""
    begins = np.concatenate([[0], np.cumsum(readings)[:-1]])
    within = np.arange(readings.sum()) - np.repeat(begins, readings)
    start = np.repeat(first, readings) + gating.interval * within
    gates = Spans(start=start, stop=start + gating.gate)
    total = mean_frequency_covariance(exponent, gates, gates)
    total = np.add.reduceat(np.add.reduceat(total, begins, axis=0), begins, axis=1)
    return total / np.outer(readings, readings)


def _dead_time_variance(exponent: int, readings: IntArray, gating: Gating) -> FloatArray:
    """Return by how much the variance of a mean of gates exceeds that over its whole span, shape (n,).

    It falls as A/m + B/m² with the number of readings m: two exact values give A and B for larger m.
    """
    counts = np.unique(np.append(readings[readings <= LONGEST_SUM], [LONGEST_SUM // 2, LONGEST_SUM]))
    exact = {int(m): _excess(exponent, int(m), gating) for m in counts}
    half, whole = LONGEST_SUM // 2, LONGEST_SUM
    a, b = np.linalg.solve([[1 / half, 1 / half**2], [1 / whole, 1 / whole**2]], [exact[half], exact[whole]])
    return np.array([exact.get(int(m), a / m + b / m**2) for m in readings])


def _excess(exponent: int, readings: int, gating: Gating) -> float:
    one = np.zeros(1)
    gated = _gated(exponent, one, np.array([readings]), gating)
    stop = np.array([(readings - 1) * gating.interval + gating.gate])
    return float(gated.item() - mean_frequency_variance(exponent, Spans(start=one, stop=stop)).item())


def _edges(exponent: int, one: FloatArray, other: FloatArray) -> FloatArray:
    lag = np.subtract.outer(one, other)
    if exponent == WHITE_PM:
        return (np.abs(lag) < 1e-9).astype(float)  # times are scaled to the record: the same instant
    return phase_covariance(exponent, lag)


def mean_frequency_variance(exponent: int, spans: Spans) -> FloatArray:
    """Return the diagonal of :func:`mean_frequency_covariance` of spans with themselves, shape (n,)."""
    if exponent == WHITE_PM:
        return 2 / spans.length**2
    return -2 * phase_covariance(exponent, spans.length) / spans.length**2
