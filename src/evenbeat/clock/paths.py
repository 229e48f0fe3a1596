"""Possible futures of a clock, drawn from its posterior, and which of them never leave given limits."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.clock.covariance import Spans
from evenbeat.clock.fused_model import FusedModel
from evenbeat.clock.fusion import Fusion
from evenbeat.clock.joint import JointKriging
from evenbeat.clock.model import ClockModel
from evenbeat.clock.offsets import leans_over
from evenbeat.clock.prediction import Targets, walk_ratio
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.quantities import FloatArray

CERTAIN = 1e-9
"""Share of the largest deviation below which a quantity counts as certain."""
FAR = 700.0
"""Exponent beyond which the chance of touching a limit is zero."""


@dataclass(frozen=True, eq=False, kw_only=True)
class DrawnMeans:
    """Mean frequencies over m spans for n paths drawn with one set of noise levels.

    Attributes
    ----------
    mean
        Shape (m,) or (n, m).
    covariance
        Shape (m, m); ``growth`` of shape (n,) multiplies it for each path.
    white_variance, walk_variance
        Shape (n,): Allan variances of white and of random-walk FM at one block of the model.
    """

    mean: FloatArray
    covariance: FloatArray
    growth: FloatArray
    white_variance: FloatArray
    walk_variance: FloatArray

    def paths(self, generator: np.random.Generator) -> FloatArray:
        """Return one path for each growth, shape (n, m)."""
        shape = (len(self.growth), len(self.covariance))
        normal = generator.standard_normal(shape) @ root_of(self.covariance).T
        return np.asarray(self.mean + np.sqrt(self.growth)[:, np.newaxis] * normal)


def drawn_means(
    model: ClockModel,
    spans: Spans,
    designs: Sequence[FloatArray],
    count: int,
    generator: np.random.Generator,
) -> Iterator[DrawnMeans]:
    """Yield mean frequencies over spans after the record, from one set of noise levels after another.

    Parameters
    ----------
    spans
        In units of the record's duration.
    designs
        The trend's columns over the spans, one for each variant of the model.
    count
        Paths in all: each set of levels has as many as its probability gives.
    """
    middle, wider = float(model.blocks.frequency.mean()), model.self_test.widened_by
    expected: FloatArray | float = middle
    if wider > 1:
        said = model._predict(Targets(spans=spans, designs=tuple(designs)))
        expected = middle + model.scale * said.distribution.mean
    fusion = model.fusion if isinstance(model, FusedModel) else None
    if fusion is None:
        draws = _from_log(model, spans, designs, count, generator)
    else:
        draws = _from_fusion(fusion, spans, designs, count, generator)
    for draw in draws:
        mean = middle + model.scale * draw.mean
        if fusion is None and isinstance(model, FusedModel):
            mean = mean + model.scale * _of_reference(model, spans, len(draw.growth), generator)
        square = (wider * model.scale) ** 2
        yield DrawnMeans(
            mean=expected + wider * (mean - expected),
            covariance=square * draw.covariance,
            growth=draw.growth,
            white_variance=square * draw.white_variance,
            walk_variance=square * draw.walk_variance,
        )


def _of_reference(model: FusedModel, spans: Spans, count: int, generator: np.random.Generator) -> FloatArray:
    """Return mean frequencies of the log's reference where no calibration knows it better, (n, m)."""
    spread = np.sqrt(np.diag(model.reference.covariance))
    drawn = model.reference.mean + spread * generator.standard_normal((count, 2))
    return np.asarray(drawn @ leans_over(spans).T)


def _from_log(
    model: ClockModel,
    spans: Spans,
    designs: Sequence[FloatArray],
    count: int,
    generator: np.random.Generator,
) -> Iterator[DrawnMeans]:
    y = (model.blocks.frequency - model.blocks.frequency.mean()) / model.scale
    kriging = JointKriging(model.grid, y, spans)
    weights = np.array([component.weight for component in model.components])
    shares = generator.multinomial(count, weights / weights.sum())
    with one_thread():
        for index in np.flatnonzero(shares).tolist():
            component = model.components[index]
            said = kriging.at(component, model.variants[component.variant], designs[component.variant])
            freedom = said.degrees_of_freedom
            level = said.level * freedom / generator.chisquare(freedom, shares[index])
            walk = walk_ratio(model.grid, component)
            yield DrawnMeans(
                mean=said.location,
                covariance=said.shape,
                growth=level,
                white_variance=level,
                walk_variance=walk * level,
            )


def _from_fusion(
    fusion: Fusion, spans: Spans, designs: Sequence[FloatArray], count: int, generator: np.random.Generator
) -> Iterator[DrawnMeans]:
    weights = np.array(fusion.weights)
    shares = generator.multinomial(count, weights / weights.sum())
    walks = np.array(fusion.walk_of_part)[shares > 0]
    parts = fusion.conditioned(spans, designs, only=shares > 0)
    for part, share, walk in zip(parts, shares[shares > 0], walks, strict=True):
        level = np.full(share, part.level)
        yield DrawnMeans(
            mean=part.mean,
            covariance=part.covariance,
            growth=np.ones(share),
            white_variance=level,
            walk_variance=walk * level,
        )


def root_of(covariance: FloatArray) -> FloatArray:
    """Return a matrix whose product with its transpose is the covariance, to rounding."""
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    # what is certain, such as a change since just now, has rounding errors for covariances
    certain = deviation <= CERTAIN * deviation.max()
    deviation = np.where(certain, 0.0, deviation)
    unit = np.where(certain, 1.0, deviation)
    correlation = np.where(np.logical_or.outer(certain, certain), 0.0, covariance / np.outer(unit, unit))
    values, vectors = np.linalg.eigh(0.5 * (correlation + correlation.T))
    return np.asarray(deviation[:, np.newaxis] * (vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T))


def staying(
    paths: FloatArray, times: FloatArray, limits: tuple[float, float], diffusion: FloatArray
) -> FloatArray:
    """Return each path's chance of never having left the limits until each time, shape (n, m).

    Parameters
    ----------
    paths
        Values at the times, shape (n, m), from wherever they began.
    limits
        The lower and the upper one.
    diffusion
        Growth of the variance per second between two times, for each path, shape (n,).

    Notes
    -----
    Touching a limit between two moments: exp(-2ab/(qΔt)) for distances a and b from it and diffusion q
    (Brownian bridge, whatever the drift; Karatzas & Shreve 1991, 4.3.40). Both limits count as touched
    independently, which is safe: it overstates touching where the step is as wide as the tolerance.
    """
    left, right = paths[:, :-1], paths[:, 1:]
    spread = np.multiply.outer(diffusion, np.diff(times))
    touched = np.zeros_like(left)
    for limit, sign in zip(limits, (-1, 1), strict=True):
        room = np.maximum(sign * (limit - left), 0) * np.maximum(sign * (limit - right), 0)
        far = np.divide(2 * room, spread, out=np.full(room.shape, FAR), where=spread > 0)
        touched += np.exp(-np.minimum(far, FAR))
    inside = ((paths >= limits[0]) & (paths <= limits[1])).astype(float)
    inside[:, 1:] *= np.clip(1 - touched, 0.0, 1.0)
    return np.cumprod(inside, axis=1)


def share_that_stayed(
    stayed: FloatArray, inside: npt.NDArray[np.bool_], within: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return P(never left) and its standard error, as a share of the exact P(within).

    A ratio estimate (Cochran 1977, 6.2): most of the chance of the simulation is common to both. The chance
    of never having left cannot grow with time, so that what a moment owes to chance alone is held down.
    """
    share = inside.mean(axis=0)
    ratio = np.divide(stayed.mean(axis=0), share, out=np.zeros(len(share)), where=share > 0)
    rest = np.std(stayed - ratio * inside, axis=0) / math.sqrt(len(stayed))
    error = np.divide(within * rest, share, out=np.zeros(len(share)), where=share > 0)
    return np.minimum.accumulate(within * ratio), error
