"""The exact covariance of mean frequencies over any spans of time, under each power-law noise.

The mean over (a, b) is ``(x(b) - x(a)) / (b - a)``, so the covariance of two means is a second
difference of the generalized covariance of phase (:func:`evenbeat.powerlaw.phase_covariance`). It is
exact for combinations whose weights sum to zero: see :class:`evenbeat.clock.regression.Contrasts`.

A drift that wanders (random-run FM, S_y ~ f⁻⁴) has no such covariance there: contrasts remove a constant, not
the line that it would also have to lose. It is a two-sided Wiener process W of the drift, zero in the middle
of the record, whose line the aging law holds; its double integral X is the phase.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from evenbeat.powerlaw import phase_covariance
from evenbeat.quantities import FloatArray

WHITE_PM, WHITE_FM, FLICKER_FM, RANDOM_WALK_FM, WANDERING_DRIFT = 2, 0, -1, -2, -4
MODELLED = (WHITE_FM, WHITE_PM, FLICKER_FM, RANDOM_WALK_FM)
"""The noises of the model, by exponent of the power law; a wandering drift may stand for the last."""
MIDDLE = 0.5
"""Of the record, to whose length times are scaled: where a wandering drift is zero."""
IntArray = npt.NDArray[np.int64]
MOST_READINGS = 2000
LONGEST_SUM = 64
FAR = 1e-8
"""Product of two spans over the square of their distance, below which their means are values at points."""
_SHORT = 3e-5  # of the record


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

    def then(self, other: Spans) -> Spans:
        """Return these spans and others."""
        return Spans(start=np.append(self.start, other.start), stop=np.append(self.stop, other.stop))


def unit_level(exponent: int, span: float) -> float:
    """Return the level of a noise whose Allan variance is one at averaging time ``span``.

    For white PM the level is the variance of phase; for a wandering drift the growth of its variance per unit
    of time, and its Hadamard variance is one (11 q τ³/120, NIST SP 1065); for the others it is h_α.
    """
    return {
        WHITE_PM: span**2 / 3,
        WHITE_FM: 2 * span,
        FLICKER_FM: 1 / (2 * math.log(2)),
        RANDOM_WALK_FM: 3 / (2 * math.pi**2 * span),
        WANDERING_DRIFT: 120 / (11 * span**3),
    }[exponent]


def mean_frequency_covariance(exponent: int, one: Spans, other: Spans) -> FloatArray:
    """Return the generalized covariance, per unit level, of means over spans, shape (len(one), len(other)).

    Of white PM per unit variance of phase, of a wandering drift per unit growth, of the others per unit h_α.
    """
    total = _edges(exponent, one.stop, other.stop)
    total -= _edges(exponent, one.stop, other.start)
    total -= _edges(exponent, one.start, other.stop)
    total += _edges(exponent, one.start, other.start)
    total /= np.outer(one.length, other.length)
    if exponent == WANDERING_DRIFT:
        short = np.multiply.outer(one.length, other.length) < _SHORT**2  # their differences are rounding
        if short.any():
            total[short] = _wandered_frequency(one.middle[:, np.newaxis], other.middle)[short]
    elif exponent != WHITE_PM:
        _put_far_apart(exponent, total, one, other)
    return total


def _put_far_apart(exponent: int, total: FloatArray, one: Spans, other: Spans) -> None:
    """Put -K'' of the distance where spans are so short beside it that differences of K are rounding."""
    shortest = float(one.length.min() * other.length.min())
    apart = max(
        abs(float(one.stop.max() - other.start.min())), abs(float(other.stop.max() - one.start.min()))
    )
    if shortest >= FAR * apart**2:
        return
    lag = np.abs(np.subtract.outer(one.middle, other.middle))
    far = np.multiply.outer(one.length, other.length) < FAR * lag**2
    # K = -|t|/4, (t²/2) ln|t|, (π²/6)|t|³: see evenbeat.powerlaw.phase_covariance
    bend: FloatArray | float = 0.0
    if exponent == FLICKER_FM:
        bend = np.log(lag[far]) + 1.5
    elif exponent == RANDOM_WALK_FM:
        bend = math.pi**2 * lag[far]
    total[far] = -bend


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


@dataclass(frozen=True, eq=False, kw_only=True)
class Gates:
    """Readings at epochs of their own, in the unit of the blocks."""

    spans: Spans  # Of the m readings, in order
    begins: IntArray  # Shape (n,): first reading of each block

    def scaled(self, factor: float) -> Gates:
        """Return the spans in another unit of time."""
        return Gates(spans=self.spans.scaled(factor), begins=self.begins)

    @property
    def weights(self) -> FloatArray:
        """Shape (m,): weight of each reading in the average of its block, as long as it lasts."""
        length = self.spans.length
        return length / np.repeat(self.summed(length), np.diff(np.append(self.begins, len(length))))

    def summed(self, values: FloatArray) -> FloatArray:
        """Return sums over the readings of each block, shape (m, …) to (n, …)."""
        return np.asarray(np.add.reduceat(values, self.begins, axis=0))

    def dilution(self, block: float) -> float:
        """Return the variance of a block average under white FM (median), over that without dead time."""
        return float(np.median(self.summed(self.weights**2 / self.spans.length))) * block


def block_covariance(exponent: int, spans: Spans, gating: Gating | Gates | None) -> FloatArray:
    """Return the generalized covariance of block averages per unit level, dead time included, shape (n, n).

    Notes
    -----
    Without dead time a block average is a mean frequency over its span. With it, it is the mean of means
    over gates: exact for up to 2000 readings; beyond, what dead time adds to the variance of a block (white
    FM and the aliases of the others) goes to its diagonal, and blocks keep the covariance of their spans.
    """
    if gating is None or exponent == WANDERING_DRIFT:  # which changes nothing within a block
        return mean_frequency_covariance(exponent, spans, spans)
    if isinstance(gating, Gates):
        return _of_gates(exponent, spans, gating)
    readings = gating.readings(spans)
    if readings.sum() <= MOST_READINGS:
        return _gated(exponent, spans.start, readings, gating)
    if exponent == WHITE_PM:
        return np.diag(2 / (gating.gate**2 * readings))
    total = mean_frequency_covariance(exponent, spans, spans)
    total[np.diag_indices(len(spans))] += _dead_time_variance(exponent, readings, gating)
    return total


def _of_gates(exponent: int, spans: Spans, gates: Gates) -> FloatArray:
    """Return the covariance of averages of readings at epochs of their own.

    Exact for up to 2000 readings. Beyond, blocks keep the covariance of their spans for flicker and
    random-walk FM, but for the variance of blocks of up to 64 readings, which is exact; white noises are
    exact where no readings overlap.
    """
    weights = gates.weights
    if len(weights) <= MOST_READINGS:
        total = mean_frequency_covariance(exponent, gates.spans, gates.spans)
        total *= np.multiply.outer(weights, weights)
        return gates.summed(gates.summed(total).T)
    alone = mean_frequency_variance(exponent, gates.spans)
    if exponent in (WHITE_PM, WHITE_FM):
        return np.diag(gates.summed(weights**2 * alone))
    total = mean_frequency_covariance(exponent, spans, spans)
    ends = np.append(gates.begins, len(weights))
    for block, (begin, end) in enumerate(pairwise(ends.tolist())):
        if end - begin <= LONGEST_SUM:
            part = Spans(start=gates.spans.start[begin:end], stop=gates.spans.stop[begin:end])
            share = weights[begin:end]
            total[block, block] = share @ mean_frequency_covariance(exponent, part, part) @ share
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
    zero, exact = np.zeros(1), {}
    for count in counts.tolist():
        stop = np.array([(count - 1) * gating.interval + gating.gate])
        whole_span = mean_frequency_variance(exponent, Spans(start=zero, stop=stop))
        exact[count] = float((_gated(exponent, zero, np.array([count]), gating) - whole_span).item())
    half, whole = LONGEST_SUM // 2, LONGEST_SUM
    a, b = np.linalg.solve([[1 / half, 1 / half**2], [1 / whole, 1 / whole**2]], [exact[half], exact[whole]])
    return np.array([exact.get(int(m), a / m + b / m**2) for m in readings])


def _edges(exponent: int, one: FloatArray, other: FloatArray) -> FloatArray:
    lag = np.subtract.outer(one, other)
    if exponent == WHITE_PM:
        return (np.abs(lag) < 1e-9).astype(float)  # times are scaled to the record: the same instant
    if exponent == WANDERING_DRIFT:
        return _wandered(one[:, np.newaxis], other)
    return phase_covariance(exponent, lag)


def _wandered(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the covariance of the phases X(s) and X(t) that a drift of unit growth has wandered to.

    With a the time of the nearer from the middle and d that between them,
    ∫₀ᵃ (a - u)²/2 (a + d - u)²/2 du = ¼ (a⁵/5 + d a⁴/2 + d² a³/3) on one side of it, and zero across.
    """
    s, t = one - MIDDLE, other - MIDDLE
    near = np.where(s * t > 0, np.minimum(np.abs(s), np.abs(t)), 0.0)
    apart = np.abs(np.abs(s) - np.abs(t))
    return np.asarray(near**3 / 4 * (near**2 / 5 + apart * (near / 2 + apart / 3)))


def _wandered_frequency(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the covariance of the frequencies at two times, the limit of short spans.

    ∫₀ᵐ (m - u)(M - u) du = m² (3M - m)/6 for times m ≤ M from the middle on one side of it; zero across.
    """
    s, t = one - MIDDLE, other - MIDDLE
    near = np.where(s * t > 0, np.minimum(np.abs(s), np.abs(t)), 0.0)
    return np.asarray(near**2 * (3 * np.maximum(np.abs(s), np.abs(t)) - near) / 6)


def drift_covariance(at: float, spans: Spans) -> FloatArray:
    """Return the covariance of a wandering drift at a time with means over spans, shape (n,).

    Per unit growth: Cov(W(u), X(v)) = ∫₀^min (v - w)²/2 dw = (v³ - (v - min(u, v))³)/6, its own variance is
    :func:`drift_variance`.
    """
    u = at - MIDDLE

    def with_phase(times: FloatArray) -> FloatArray:
        v = np.where((times - MIDDLE) * u > 0, np.abs(times - MIDDLE), 0.0)
        return np.asarray((v**3 - (v - np.minimum(abs(u), v)) ** 3) / 6)

    return (with_phase(spans.stop) - with_phase(spans.start)) / spans.length


def drift_variance(at: float) -> float:
    """Return the variance of a wandering drift of unit growth at a time."""
    return abs(at - MIDDLE)


def mean_frequency_variance(exponent: int, spans: Spans) -> FloatArray:
    """Return the diagonal of :func:`mean_frequency_covariance` of spans with themselves, shape (n,)."""
    if exponent == WHITE_PM:
        return 2 / spans.length**2
    if exponent == WANDERING_DRIFT:
        ends = _wandered(spans.stop, spans.stop) + _wandered(spans.start, spans.start)
        exact = (ends - 2 * _wandered(spans.start, spans.stop)) / spans.length**2
        return np.where(spans.length < _SHORT, _wandered_frequency(spans.middle, spans.middle), exact)
    return -2 * phase_covariance(exponent, spans.length) / spans.length**2
