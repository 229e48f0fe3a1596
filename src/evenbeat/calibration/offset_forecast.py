"""What predicts an offset after it was left: a clock model, a model of calibrations, a stated drift.

All give the distribution at any time, and possible courses of the offset, from which follow the chance
of never having left a tolerance and, given what was found at the end, when it may have left it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from evenbeat.clock.model import ClockModel
from evenbeat.clock.paths import drawn_means, root_of
from evenbeat.errors import InputError
from evenbeat.quantities import Estimate, FloatArray, StudentMixture


@dataclass(frozen=True, eq=False, kw_only=True)
class OffsetCourses:
    """Normal courses of the offset at m times, n of them drawn with one set of noise levels.

    Attributes
    ----------
    mean
        Shape (n, m), the value left included.
    covariance
        Shape (m, m); ``growth`` of shape (n,) multiplies it for each course.
    diffusion
        Shape (n,): growth of the variance per second between two neighbouring times.
    """

    mean: FloatArray
    covariance: FloatArray
    growth: FloatArray
    diffusion: FloatArray

    def drawn(self, generator: np.random.Generator) -> FloatArray:
        """Return one course for each row of the mean, shape (n, m)."""
        normal = generator.standard_normal(self.mean.shape) @ root_of(self.covariance).T
        return np.asarray(self.mean + np.sqrt(self.growth)[:, np.newaxis] * normal)


class OffsetForecast(Protocol):
    """Anything that predicts the offset after it was left."""

    def offset_after(self, elapsed_s: npt.ArrayLike, as_left: Estimate | None = None) -> StudentMixture:
        """Return the distribution of the offset at each time, shape (m,)."""

    def offset_courses(
        self,
        elapsed_s: FloatArray,
        as_left: Estimate | None,
        count: int,
        generator: np.random.Generator,
    ) -> Iterator[OffsetCourses]:
        """Yield ``count`` courses in all, in groups that share their noise levels."""


@dataclass(frozen=True, eq=False)
class ModelForecast:
    """A clock model seen as a forecast of the offset after the end of its record.

    An offset is the mean over ``averaging_time_s``, by default that of the model. ``environment`` gives
    courses of covariates to come.
    """

    model: ClockModel
    environment: Mapping[str, Any] = field(default_factory=dict)
    averaging_time_s: float | None = None

    @property
    def _named(self) -> dict[str, Any]:
        named = {"environment": self.environment} if self.environment else {}
        return {**named, "averaging_time_s": self.averaging_time_s}

    def offset_after(self, elapsed_s: npt.ArrayLike, as_left: Estimate | None = None) -> StudentMixture:
        """Return the distribution of the offset at each time after the record, shape (m,)."""
        times = self.model.record.duration_s + np.atleast_1d(np.asarray(elapsed_s, dtype=float))
        if as_left is None:
            return self.model.frequency_at(times, **self._named).distribution
        change = self.model.frequency_change_at(times, **self._named).distribution
        return change.shifted(as_left.value).widened(as_left.standard_uncertainty)

    def offset_courses(
        self,
        elapsed_s: FloatArray,
        as_left: Estimate | None,
        count: int,
        generator: np.random.Generator,
    ) -> Iterator[OffsetCourses]:
        """Yield courses of the offset, the random walk going on between two of its means.

        Notes
        -----
        Temperature to come and the display are one unknown for each course.
        """
        model = self.model
        whole = model.record.duration_s + elapsed_s
        asked = whole if as_left is None else np.append(whole, model.record.duration_s)
        over = model.averaging_time_s if self.averaging_time_s is None else self.averaging_time_s
        spans = model._spans_around(asked, over)
        designs = model._designs(spans, *((self.environment,) if self.environment else ()))
        known_to = model._frequency_floor(whole, over, self.environment or None)
        for means in drawn_means(model, spans, designs, count, generator):
            shape = (len(means.growth), len(asked))
            mean, covariance = np.broadcast_to(means.mean, shape), means.covariance
            if as_left is not None:
                mean, covariance = _since_last(mean, covariance)
                mean = mean + drawn_from(as_left, len(mean), generator)[:, np.newaxis]
            swung = generator.standard_normal((len(mean), 1)) * known_to
            yield OffsetCourses(
                mean=mean + swung,
                covariance=covariance,
                growth=means.growth,
                # Allan variance of random-walk FM: q τ/3
                diffusion=3 * means.walk_variance / model.blocks.length_s,
            )


def _since_last(mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and covariance of all but the last quantity, less the last."""
    cross = covariance[:-1, -1]
    change = covariance[:-1, :-1] - cross[:, np.newaxis] - cross + covariance[-1, -1]
    return mean[:, :-1] - mean[:, -1:], change


def drawn_from(estimate: Estimate, count: int, generator: np.random.Generator) -> FloatArray:
    """Return values drawn from the distribution of an estimate, shape (count,)."""
    mixture = estimate.distribution
    part = generator.choice(len(mixture.weights), size=count, p=mixture.weights / mixture.weights.sum())
    freedom = mixture.degrees_of_freedom[part]
    normal = generator.standard_normal(count)
    finite = np.isfinite(freedom)
    chi = generator.chisquare(np.where(finite, freedom, 1.0))
    wider = np.where(finite, np.sqrt(np.where(finite, freedom, 1.0) / chi), 1.0)
    return np.asarray(mixture.locations[part] + mixture.scales[part] * normal * wider)


def forecast_of(
    source: ClockModel | OffsetForecast,
    environment: Mapping[str, Any] | None = None,
    *,
    averaging_time_s: float | None = None,
) -> OffsetForecast:
    """Return what predicts the offset after an adjustment.

    Raises
    ------
    InputError
        If the source predicts nothing, or a course of the environment or an averaging time is given to
        one that knows none.
    """
    if isinstance(source, ClockModel):
        return ModelForecast(source, dict(environment or {}), averaging_time_s)
    if averaging_time_s is not None:
        msg = "averaging_time_s is given, but only a clock model knows the noise of averages"
        raise InputError(msg)
    if environment:
        msg = "environment is given, but only a clock model fitted with covariates can follow one"
        raise InputError(msg)
    if not hasattr(source, "offset_courses"):
        msg = (
            f"the source is a {type(source).__name__}; a clock model (fit_clock), a model of calibrations "
            "(fit_history) or a StatedDrift is needed"
        )
        raise InputError(msg)
    return source
