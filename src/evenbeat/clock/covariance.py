"""The exact covariance of mean frequencies over any spans of time, under each power-law noise.

The mean over (a, b) is ``(x(b) - x(a)) / (b - a)``, so the covariance of two means is a second
difference of the generalized covariance of phase (:func:`evenbeat.powerlaw.phase_covariance`). It is
exact for combinations whose weights sum to zero: see :class:`evenbeat.clock.likelihood.Contrasts`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenbeat.powerlaw import phase_covariance
from evenbeat.quantities import FloatArray

WHITE_PM, WHITE_FM, FLICKER_FM, RANDOM_WALK_FM = 2, 0, -1, -2
MODELLED = (WHITE_FM, WHITE_PM, FLICKER_FM, RANDOM_WALK_FM)
"""The noises of the model, by exponent of the power law."""


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
