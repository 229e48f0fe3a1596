"""One model for a log and for calibrations: the posterior of the log, conditioned on dated offsets.

The log shows the clock against a local reference, ``y_log = y - y_ref``; a calibration shows it against
a better one. With ``y_ref(t) = b + d (t - end of the log)``, b and d unknown but for their prior, every
calibrated offset is ``y_log + b + d (t - end) + error``, and an adjustment adds a step of unknown size.
At each point of the log's posterior (aging law, noise ratios) and each value of the overall level σ²
all of these are jointly normal, so conditioning on the offsets is exact; flat steps are eliminated by
generalized least squares; each point is reweighted by the density it gave to the offsets.

What is exact and what is not: exact given law, ratios and σ². The level σ² is integrated by Gauss's rule
for its gamma distribution (3 nodes from 100 degrees of freedom, 5 from 30, else 9) where the log alone
allows a Student distribution in closed form. Laws keep their AICc weights from the log times the density
of the offsets. Laws run on straight before the log begins. Sources: universal kriging, Matheron 1973;
prior predictive check, Box 1980; quadrature, Golub & Welsch 1969.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import linalg, special

from evenbeat.clock.aging import AgingRate
from evenbeat.clock.calibration_points import CalibrationPoint
from evenbeat.clock.covariance import Spans
from evenbeat.clock.forecaster import Grounds
from evenbeat.clock.model import ClockModel
from evenbeat.clock.prediction import (
    Component,
    DrawnMeans,
    Joint,
    JointPrediction,
    Posterior,
    Predicted,
    Targets,
    Variant,
    walk_ratio,
)
from evenbeat.clock.regression import ranked, stacked
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good, note
from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, counted, duration_text

Side = Literal["alone", "found", "left"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Offsets:
    """Offsets of a clock, as found and as left, beside its log."""

    spans: Spans  # In units of the record length since its start
    # value, variance: shape (k,), in the model's scale and less the mean of its blocks; variance of the
    # measurement and of the environment at the time, which only the log's own time knows
    value: FloatArray
    variance: FloatArray
    # The trend's columns over the spans, one array of shape (k, p) for each variant
    designs: tuple[FloatArray, ...]
    steps: FloatArray  # How each offset depends on the steps of adjustments outside the log, shape (k, s)
    # labels, at_s: what each offset is and when
    labels: tuple[str, ...]
    at_s: FloatArray
    # earlier, later: scaled times of the adjustments before and after the log
    earlier: tuple[float, ...]
    later: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.value)

    @property
    def leans(self) -> FloatArray:
        """How each offset depends on the reference's offset and drift, shape (k, 2)."""
        return leans_over(self.spans)


def leans_over(spans: Spans) -> FloatArray:
    """Return one, and the time since the end of the log, for every span, shape (m, 2)."""
    return np.column_stack([np.ones(len(spans)), spans.middle - 1])


def steps_over(spans: Spans, earlier: Sequence[float], later: Sequence[float]) -> FloatArray:
    """Return shares of spans before the earlier (negative) and after the later adjustments, shape (m, s)."""
    before = [-np.clip((time - spans.start) / spans.length, 0.0, 1.0) for time in earlier]
    after = [np.clip((spans.stop - time) / spans.length, 0.0, 1.0) for time in later]
    return stacked([*before, *after], len(spans))


@dataclass(frozen=True, kw_only=True)
class _Offset:
    """One offset at elapsed time ``at_s``, measured for ``length_s``."""

    side: Side
    at_s: float
    length_s: float
    value: float
    uncertainty: float
    label: str

    @property
    def start_s(self) -> float:
        share = {"alone": 0.5, "found": 1.0, "left": 0.0}[self.side]
        return self.at_s - share * self.length_s


def adjustment_times(record: Record, points: Sequence[CalibrationPoint]) -> FloatArray:
    """Return the elapsed times at which the clock was adjusted."""
    times = [record.elapsed_at(np.array([point.at]))[0] for point in points if point.adjusted]
    return np.array(times, dtype=float)


def same_step(block_s: float) -> float:
    """Return how far a dated adjustment and a step in the log may lie apart and be one: a day, two blocks."""
    return max(SECONDS_PER_DAY, 2 * block_s)


def offsets_beside(model: ClockModel, points: Sequence[CalibrationPoint]) -> Offsets:
    """Return calibrations as offsets beside the log of a model.

    Notes
    -----
    An adjustment inside the log is the step that the log's own trend has there. Before the log, laws of
    aging run on straight with the rate that they have at its start.
    """
    record, duration = model.record, model.record.duration_s

    def variance(offset: _Offset) -> float:
        """Return the variance of a measurement, and of an environment that nobody logged then."""
        outside = offset.start_s < 0 or offset.start_s + offset.length_s > duration
        moment = np.array([2 * duration if outside else 0.5 * duration])
        unknown = float(model._frequency_floor(moment, offset.length_s)[0])
        return (offset.uncertainty**2 + unknown**2) / model.scale**2

    found = [offset for point in points for offset in _offsets_of(model, point)]
    start = np.array([offset.start_s for offset in found])
    length = np.array([offset.length_s for offset in found])
    spans = Spans(start=start / duration, stop=(start + length) / duration)
    times = adjustment_times(record, points)
    first, last = model.blocks.spans.stop[0], model.blocks.spans.start[-1]
    earlier = tuple((times[times < first] / duration).tolist())
    later = tuple((times[times > last] / duration).tolist())
    steps = steps_over(spans, earlier, later)
    known = ranked(steps, constant=False).kept  # two adjustments at one moment are one step
    earlier_known = tuple(time for time, kept in zip(earlier, known, strict=False) if kept)
    later_known = tuple(time for time, kept in zip(later, known[len(earlier) :], strict=True) if kept)
    return Offsets(
        spans=spans,
        value=(np.array([each.value for each in found]) - model.blocks.frequency.mean()) / model.scale,
        variance=np.array([variance(each) for each in found]),
        designs=tuple(
            _design(model, variant, design, spans, found)
            for variant, design in zip(model.variants, model._designs(spans), strict=True)
        ),
        steps=steps[:, known],
        labels=tuple(each.label for each in found),
        at_s=np.array([each.at_s for each in found]),
        earlier=earlier_known,
        later=later_known,
    )


def _offsets_of(model: ClockModel, point: CalibrationPoint) -> Iterator[_Offset]:
    at = float(model.record.elapsed_at(np.array([point.at]))[0])
    length = point.averaging_time_s or model.averaging_time_s
    when = point.at if isinstance(point.at, str | np.datetime64) else f"{point.at:g} s"
    sides: tuple[tuple[Side, float | None], ...] = (("alone", point.as_found),)
    if point.adjusted:
        sides = (("found", point.as_found), ("left", point.as_left))
    for side, value in sides:
        if value is not None and np.isfinite(value):
            word = "as left" if side == "left" else "as found"
            yield _Offset(
                side=side,
                at_s=at,
                length_s=length,
                value=value,
                uncertainty=(side == "left" and point.as_left_uncertainty) or point.standard_uncertainty,
                label=f"{word} {when}",
            )


def _design(
    model: ClockModel, variant: Variant, design: FloatArray, spans: Spans, found: Sequence[_Offset]
) -> FloatArray:
    """Return a design with the law run on straight before the log, and the side of each step as stated."""
    changed = np.array(design)
    before = spans.middle < 0
    slope = variant.law.slope_at(np.zeros(1), variant.curvature)
    changed[before, : slope.shape[1]] = spans.middle[before, np.newaxis] * slope
    times = np.array(model.trend.step_times) * model.record.duration_s
    first = model.trend.first_step(design.shape[1])
    for row, offset in enumerate(found):
        if offset.side == "alone":
            continue
        near = np.abs(times - offset.at_s) <= same_step(model.blocks.length_s)
        changed[row, first : first + len(times)][near] = float(offset.side == "left")
    return changed


KEPT_PROBABILITY = 0.998
NODES = ((100.0, 3), (30.0, 5), (0.0, 9))
"""From how many degrees of freedom how many nodes over σ² are enough."""


def gamma_rule(degrees_of_freedom: float, count: int) -> tuple[FloatArray, FloatArray]:
    """Return values and weights of σ²/level for σ² ~ level ν/χ²_ν: Gauss's rule for 1/σ².

    Exact for polynomials in 1/σ² up to degree ``2 count - 1`` (Golub & Welsch 1969).
    """
    alpha = degrees_of_freedom / 2 - 1
    k = np.arange(count)
    off = np.sqrt(k[1:] * (k[1:] + alpha))
    nodes, vectors = linalg.eigh_tridiagonal(2 * k + alpha + 1, off)
    return degrees_of_freedom / 2 / nodes, vectors[0] ** 2


@dataclass(frozen=True, eq=False, kw_only=True)
class Reference:
    """The log's reference: prior of its offset and drift at the end of the log, in scaled units."""

    mean: FloatArray  # Offset over the model's scale, and drift times record length over it, shape (2,)
    covariance: FloatArray  # Shape (2, 2)


@dataclass(frozen=True, eq=False, kw_only=True)
class Conditioned:
    """One set of noise levels after conditioning: a normal distribution of the targets.

    ``level`` is σ², the Allan variance of white FM at one block, in the model's scale. Covariance, trend and
    reference are matrices, or their diagonals where the targets were asked for each by itself.
    """

    weight: float
    level: float
    mean: FloatArray
    covariance: FloatArray
    trend: FloatArray
    reference: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Agreement:
    """How well the offsets fit what the log predicted of them."""

    # Prior-predictive probability of offsets that fit so badly or worse; NaN without a free one
    probability: float
    # chi_squared, freedom: weighted over the log's posterior
    chi_squared: float
    freedom: int
    # For every offset, what it lies from the log's forecast over twice the standard deviation of that
    # difference (E_n at k = 2), steps eliminated; NaN where a step takes it up
    normalised: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Fusion:
    """A log's posterior conditioned on calibrated offsets; frequencies are in units of the model's scale."""

    log: Posterior
    offsets: Offsets
    reference: Reference

    @cached_property
    def points(self) -> list[tuple[int, float, float]]:
        """Component, σ² over its estimate, and weight: the posterior given log and offsets."""
        logs = np.array([np.log(weight) + density for _, _, weight, density, _ in self._surprises])
        weights = np.exp(logs - special.logsumexp(logs))
        order = np.argsort(-weights, kind="stable")
        total = np.cumsum(weights[order])
        order = order[: int(np.searchsorted(total, KEPT_PROBABILITY * total[-1])) + 1]
        mass = weights[order].sum()
        return [(*self._surprises[k][:2], float(weights[k] / mass)) for k in order.tolist()]

    @cached_property
    def components(self) -> tuple[Component, ...]:
        """The log's components, reweighted by what the offsets say."""
        weights: dict[int, float] = {}
        for index, _, weight in self.points:
            weights[index] = weights.get(index, 0.0) + weight
        return tuple(replace(self.log.components[index], weight=weight) for index, weight in weights.items())

    @cached_property
    def _predicted(self) -> list[JointPrediction]:
        """What the log alone says of the offsets, at every component."""
        joint = Joint(self.log, self.offsets.spans, self.offsets.designs)
        with one_thread():
            return [joint.at(component) for component in self.log.components]

    @cached_property
    def _surprises(self) -> list[tuple[int, float, float, float, float]]:
        """Component, σ² factor, prior weight, log density of the offsets, χ² of the offsets."""
        found = []
        with one_thread():
            for index, (component, said) in enumerate(zip(self.log.components, self._predicted, strict=True)):
                count = next(nodes for least, nodes in NODES if said.degrees_of_freedom >= least)
                for factor, share in zip(*gamma_rule(said.degrees_of_freedom, count), strict=True):
                    solved = _Solved.of(self.offsets, self.reference, said, factor * said.level)
                    weight = component.weight * float(share)
                    found.append((index, float(factor), weight, solved.log_density, solved.chi_squared))
        return found

    @cached_property
    def agreement(self) -> Agreement:
        """Whether log and offsets agree: a check made before they are combined."""
        freedom = len(self.offsets) - self.offsets.steps.shape[1]
        weights = np.array([weight for _, _, weight, _, _ in self._surprises])
        chi = np.array([value for *_, value in self._surprises])
        if freedom < 1:
            return Agreement(
                probability=math.nan,
                chi_squared=0.0,
                freedom=0,
                normalised=np.full(len(self.offsets), math.nan),
            )
        best = self.log.components.index(max(self.log.components, key=lambda each: each.weight))
        said = self._predicted[best]
        solved = _Solved.of(self.offsets, self.reference, said, said.level)
        return Agreement(
            probability=float(weights @ special.chdtrc(freedom, chi)),
            chi_squared=float(weights @ chi),
            freedom=freedom,
            normalised=solved.normalised(),
        )

    def conditioned(
        self,
        spans: Spans,
        designs: Sequence[FloatArray],
        *,
        only: npt.NDArray[np.bool_] | None = None,
        combine: FloatArray | None = None,
        alone: bool = False,
    ) -> Iterator[Conditioned]:
        """Yield the distribution of means over spans at every point of the posterior, or at some ``only``.

        ``combine``, shape (targets, spans), asks for sums of means instead, ``alone`` for each by itself.
        """
        leans, steps = leans_over(spans), steps_over(spans, self.offsets.earlier, self.offsets.later)
        if combine is not None:
            leans, steps = combine @ leans, combine @ steps
        both = [np.vstack(pair) for pair in zip(self.offsets.designs, designs, strict=True)]
        joint = Joint(self.log, self.offsets.spans.then(spans), both)
        yield from self._given_offsets(joint, leans, steps, only=only, combine=combine, alone=alone)

    def _given_offsets(
        self,
        joint: Joint,
        leans: FloatArray,
        steps: FloatArray,
        *,
        only: npt.NDArray[np.bool_] | None = None,
        combine: FloatArray | None = None,
        alone: bool = False,
    ) -> Iterator[Conditioned]:
        """Yield the distribution of what follows the offsets in a joint prediction."""
        count = len(self.offsets)
        whole = None if combine is None else linalg.block_diag(np.eye(count), combine)
        said_of: dict[int, JointPrediction] = {}
        with one_thread():
            for index, factor, weight in (
                self.points if only is None else itertools.compress(self.points, only)
            ):
                if index not in said_of:
                    one = joint.at(self.log.components[index])
                    if whole is not None:
                        shape, trend = (whole @ part @ whole.T for part in (one.shape, one.trend))
                        one = replace(one, location=whole @ one.location, shape=shape, trend=trend)
                    said_of[index] = one
                said = said_of[index]
                level = factor * said.level
                solved = _Solved.of(self.offsets, self.reference, said, level)
                yield solved.condition(
                    said, level, weight, leans=leans, steps=steps, count=count, alone=alone
                )

    def rate(self, at: float) -> StudentMixture:
        """Return the distribution of the clock's drift at a scaled time plus that of the reference."""
        joint = Joint(self.log, self.offsets.spans, self.offsets.designs, rate_at=at)
        steps = np.zeros((1, self.offsets.steps.shape[1]))
        parts = self._given_offsets(joint, np.array([[0.0, 1.0]]), steps, alone=True)
        return _mixture(list(parts)).one(0)

    def predict(self, targets: Targets) -> Predicted:
        """Return the distribution of the targets, as that of the log alone."""
        spans, designs = targets.spans, targets.designs
        combine = None
        if targets.reference is not None:
            spans = spans.then(targets.reference)
            designs = tuple(np.vstack(pair) for pair in zip(designs, targets.reference_designs, strict=True))
            combine = np.hstack([np.eye(len(targets.spans)), -np.eye(len(targets.spans))])
        parts = list(self.conditioned(spans, designs, combine=combine, alone=True))
        return Predicted(
            distribution=_mixture(parts),
            trend_variance=np.sum([part.weight * part.trend for part in parts], axis=0),
            reference_variance=np.sum([part.weight * part.reference for part in parts], axis=0),
        )


def _mixture(parts: Sequence[Conditioned]) -> StudentMixture:
    """Return the distribution of targets that were asked for each by itself, shape (m, k)."""
    return StudentMixture(
        weights=np.array([part.weight for part in parts]),
        locations=np.array([part.mean for part in parts]).T,
        scales=np.sqrt(np.maximum([part.covariance for part in parts], 0.0)).T,
        degrees_of_freedom=np.full(len(parts), math.inf),
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Solved:
    """The offsets against what was predicted of them, at one set of noise levels.

    ``whitened`` are the residuals and ``steps`` the steps' columns in the basis in which the offsets
    are independent with variance one.
    """

    lower: FloatArray
    leans: FloatArray
    prior: FloatArray
    shift: FloatArray
    whitened: FloatArray
    steps: FloatArray
    found: FloatArray
    inverse: FloatArray

    @classmethod
    def of(cls, offsets: Offsets, reference: Reference, said: JointPrediction, level: float) -> _Solved:
        count = len(offsets)
        covariance = level * said.shape[:count, :count] + np.diag(offsets.variance)
        covariance = covariance + offsets.leans @ reference.covariance @ offsets.leans.T
        residual = offsets.value - said.location[:count] - offsets.leans @ reference.mean
        lower = linalg.cholesky(0.5 * (covariance + covariance.T), lower=True)
        whitened = linalg.solve_triangular(lower, residual, lower=True)
        steps = linalg.solve_triangular(lower, offsets.steps, lower=True)
        inverse = np.linalg.inv(steps.T @ steps)
        return cls(
            lower=lower,
            leans=offsets.leans,
            prior=reference.covariance,
            shift=reference.mean,
            whitened=whitened,
            steps=steps,
            found=inverse @ (steps.T @ whitened),
            inverse=inverse,
        )

    @property
    def chi_squared(self) -> float:
        """χ² of the residuals after the steps."""
        return float(np.sum((self.whitened - self.steps @ self.found) ** 2))

    @property
    def log_density(self) -> float:
        """Log density of the offsets, up to a constant, flat steps integrated out."""
        determinant = 2 * float(np.sum(np.log(np.diag(self.lower))))
        return -0.5 * (determinant - float(np.linalg.slogdet(self.inverse)[1]) + self.chi_squared)

    def normalised(self) -> FloatArray:
        """Return residuals over twice their standard deviations, one by one, steps eliminated."""
        projector = np.eye(len(self.whitened)) - self.steps @ self.inverse @ self.steps.T
        spread = np.sqrt(np.maximum(np.diag(self.lower @ projector @ self.lower.T), 0.0))
        alone = np.sqrt(np.sum(self.lower**2, axis=1))
        residual = self.lower @ (self.whitened - self.steps @ self.found)
        free = spread > 1e-6 * alone
        return np.where(free, residual / (2 * np.where(free, spread, 1.0)), math.nan)

    def condition(
        self,
        said: JointPrediction,
        level: float,
        weight: float,
        *,
        leans: FloatArray,
        steps: FloatArray,
        count: int,
        alone: bool = False,
    ) -> Conditioned:
        """Return the targets, which follow the ``count`` offsets in ``said``, given the offsets."""

        def square(factor: FloatArray, middle: FloatArray | None = None) -> FloatArray:
            """Return ``factorᵀ middle factor``, or its diagonal."""
            right = factor if middle is None else middle @ factor
            return np.einsum("ij,ij->j", factor, right) if alone else factor.T @ right

        own, fixed = said.shape[count:, count:], said.trend[count:, count:]
        if alone:
            own, fixed = np.diag(own), np.diag(fixed)
        towards = level * said.shape[:count, count:] + self.leans @ self.prior @ leans.T
        gain = linalg.solve_triangular(self.lower, towards, lower=True)
        excess = steps - gain.T @ self.steps
        reference = square(leans.T, self.prior)
        without = linalg.solve_triangular(self.lower, level * said.trend[:count, count:], lower=True)
        owed = linalg.solve_triangular(self.lower, self.leans @ self.prior @ leans.T, lower=True)
        free = np.eye(count) - self.steps @ self.inverse @ self.steps.T
        return Conditioned(
            weight=weight,
            level=level,
            mean=said.location[count:]
            + leans @ self.shift
            + gain.T @ (self.whitened - self.steps @ self.found)
            + steps @ self.found,
            covariance=level * own + reference - square(gain) + square(excess.T, self.inverse),
            trend=level * fixed - square(without, free),
            reference=reference - square(owed, free),
        )


DISAGREEMENT = 0.01
"""Prior-predictive probability below which log and calibrations are not combined."""
DOUBTFUL = 0.05
NOTHING = Estimate.normal(0.0, 0.0)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class FusedModel(ClockModel):
    """A :class:`ClockModel` whose answers are absolute: log, calibrations and reference together."""

    reference: Reference  # Prior of the log's reference, in scaled units
    # The log's posterior conditioned on the calibrations; ``None`` where there is none, or where log and
    # calibrations contradict each other
    fusion: Fusion | None
    agreement: Agreement | None  # The check of one against the other

    def _predict(self, targets: Targets) -> Predicted:
        if self.fusion is not None:
            return self.fusion.predict(targets)
        predicted = super()._predict(targets)
        leans = leans_over(targets.spans)
        if targets.reference is not None:
            leans = leans - leans_over(targets.reference)
        owed = np.einsum("mi,ij,mj->m", leans, self.reference.covariance, leans)
        mixture = predicted.distribution.shifted(leans @ self.reference.mean).widened(np.sqrt(owed))
        return Predicted(
            distribution=mixture, trend_variance=predicted.trend_variance, reference_variance=owed
        )

    def _drawn(
        self, spans: Spans, designs: Sequence[FloatArray], count: int, rng: np.random.Generator
    ) -> Iterator[DrawnMeans]:
        if self.fusion is None:
            spread = np.sqrt(np.diag(self.reference.covariance))
            for draw in super()._drawn(spans, designs, count, rng):
                drawn = self.reference.mean + spread * rng.standard_normal((len(draw.growth), 2))
                yield replace(draw, mean=draw.mean + drawn @ leans_over(spans).T)
            return
        points = self.fusion.points
        weights = np.array([weight for *_, weight in points])
        shares = rng.multinomial(count, weights / weights.sum())
        parts = self.fusion.conditioned(spans, designs, only=shares > 0)
        chosen = itertools.compress(points, shares > 0)
        for part, share, (index, *_) in zip(parts, shares[shares > 0], chosen, strict=True):
            level = np.full(share, part.level)
            walk = walk_ratio(self.grid, self.fusion.log.components[index])
            yield DrawnMeans(
                mean=part.mean,
                covariance=part.covariance,
                growth=np.ones(share),
                white=level,
                walk=walk * level,
            )

    @cached_property
    def grounds(self) -> Grounds:
        """As :attr:`ClockModel.grounds`; what was stated of the reference is in the model."""
        return replace(super().grounds, reference_stated=True)

    def _law_of_part(self) -> list[str]:
        if self.fusion is None:
            return super()._law_of_part()
        of_points = (self.fusion.log.components[index].variant for index, *_ in self.fusion.points)
        return [self.variants[variant].law.name for variant in of_points]

    def aging_rate(self, at: float | np.datetime64 | str | None = None) -> AgingRate:
        """Return the clock's own aging rate per second: that of the log plus the drift of its reference.

        Notes
        -----
        As :meth:`ClockModel.aging_rate`, conditioned on the calibrations.
        """
        factor = self.scale / self.record.duration_s
        if self.fusion is not None:
            rate = self.fusion.rate(self._scaled(at)).scaled(factor).stretched(self.self_test.widened_by)
            return AgingRate(distribution=rate.widened(self.blocks.display.rate), unit="/s")
        drift, spread = self.reference.mean[1], math.sqrt(self.reference.covariance[1, 1])
        alone = super().aging_rate(at).distribution
        return AgingRate(distribution=alone.shifted(drift * factor).widened(spread * factor), unit="/s")


def reference_prior(model: ClockModel, offset: Estimate | None, drift: Estimate | None) -> Reference:
    """Return the prior of the log's reference in the model's units; perfect where nothing is stated."""
    means, spreads = [], []
    for name, stated, size in (
        ("reference_offset", offset, model.scale),
        ("reference_drift", drift, model.scale / model.record.duration_s),
    ):
        known = NOTHING if stated is None else stated
        value, spread = known.value, known.standard_uncertainty
        if not (math.isfinite(value) and math.isfinite(spread)):
            msg = f"{name} is {value:g} with standard uncertainty {spread:g}; both must be finite"
            raise InputError(msg)
        means.append(value / size)
        spreads.append(spread / size)
    return Reference(mean=np.array(means), covariance=np.diag(np.square(spreads)))


def fused_model(
    model: ClockModel,
    points: Sequence[CalibrationPoint],
    *,
    reference_offset: Estimate | None,
    reference_drift: Estimate | None,
) -> FusedModel:
    """Return the model of a log combined with calibrations and with what is known of its reference.

    Notes
    -----
    Where the calibrations lie where the log would hardly have put them (prior-predictive probability
    below 1 %), they are not combined: an average of two contradicting answers is neither.
    """
    reference = reference_prior(model, reference_offset, reference_drift)
    stated = {each.name: getattr(model, each.name) for each in fields(model)}
    findings = [_reference_finding(reference_offset, reference_drift)]
    fusion = agreement = None
    if points:
        offsets = offsets_beside(model, points)
        fusion = Fusion(log=model._posterior, offsets=offsets, reference=reference)
        agreement = fusion.agreement
        findings.append(_agreement_finding(agreement, offsets.labels))
        findings.extend(_span_findings(offsets.at_s, points))
        if agreement.probability < DISAGREEMENT:
            fusion = None
    stated["findings"] = (*model.findings, *findings)
    if fusion is not None:
        stated["components"] = fusion.components
    return FusedModel(**stated, reference=reference, fusion=fusion, agreement=agreement)


def _reference_finding(offset: Estimate | None, drift: Estimate | None) -> Finding:
    if offset is None and drift is None:
        sentence = (
            "The reference of the log counts as perfect; state reference_offset and reference_drift to let "
            "its own error into every answer."
        )
        return note("REFERENCE_PERFECT", sentence)
    values = {
        "standard_uncertainty_of_offset": (offset or NOTHING).standard_uncertainty,
        "standard_uncertainty_of_drift_per_s": (drift or NOTHING).standard_uncertainty,
    }
    sentence = (
        f"Answers are absolute: the reference of the log counts as off by {offset or 0} at the end of the "
        f"log, drifting by {drift or 0}."
    )
    return note("REFERENCE_ALLOWED_FOR", sentence, **values)


def _agreement_finding(agreement: Agreement, labels: Sequence[str]) -> Finding:
    if agreement.freedom == 0:
        sentence = "Every calibration is taken up by an adjustment's step, so none could be checked."
        return note("CALIBRATIONS_NOT_CHECKED", sentence)
    sizes = np.where(np.isnan(agreement.normalised), 0.0, np.abs(agreement.normalised))
    worst = int(np.argmax(sizes))
    values = {
        "probability": agreement.probability,
        "chi_squared": agreement.chi_squared,
        "degrees_of_freedom": agreement.freedom,
        "largest_normalised_error": float(agreement.normalised[worst]),
    }
    odds = f"χ² {agreement.chi_squared:.1f} for {agreement.freedom}, probability {agreement.probability:.2g}"
    farthest = f"{labels[worst]} (normalised error {agreement.normalised[worst]:+.2f})"
    if agreement.probability < DISAGREEMENT:
        sentence = (
            f"Log and calibrations contradict each other ({odds}), most of all {farthest}. They were not "
            "combined, and the answers rest on the log alone: look for a change of temperature, "
            "orientation, power or reference, or an adjustment that nobody noted."
        )
        return caution("CALIBRATIONS_DISAGREE", sentence, **values)
    if agreement.probability < DOUBTFUL:
        sentence = f"Log and calibrations agree poorly ({odds}), worst {farthest}; they were combined."
        return caution("CALIBRATIONS_DOUBTFUL", sentence, **values)
    sentence = f"The calibrations lie where the log puts them ({odds}); both were combined."
    return good("CALIBRATIONS_AGREE", sentence, **values)


def _span_findings(at_s: FloatArray, points: Sequence[CalibrationPoint]) -> list[Finding]:
    findings = []
    earliest = -float(at_s.min())
    if earliest > SECONDS_PER_DAY:
        sentence = (
            f"The first calibration is {duration_text(earliest)} older than the log: before it the aging "
            "laws run on straight with the rate that they have at its start."
        )
        findings.append(note("CALIBRATIONS_BEFORE_LOG", sentence, earliest_before_log_s=earliest))
    adjusted = sum(point.adjusted for point in points)
    if adjusted:
        sentence = (
            f"{counted(adjusted, 'adjustment counts as a step', 'adjustments count as steps')} of "
            "unknown size; aging goes on across."
        )
        findings.append(note("ADJUSTMENTS_ARE_STEPS", sentence, count=adjusted))
    return findings
