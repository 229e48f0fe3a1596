"""A clock whose drift, walk and environment are stated, not fitted: what a lab knows from elsewhere."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.calibration.offset_forecast import OffsetCourses
from evenbeat.errors import InputError
from evenbeat.quantities import Estimate, FloatArray, StudentMixture

_ZERO = Estimate.normal(0.0, 0.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class StatedDrift:
    """Offset after T: as left + D T, with variance ``u_left² + T² u_D² + q T + u_floor²``.

    Attributes
    ----------
    drift_rate
        D per second with its uncertainty.
    walk_variance_per_second
        q: variance that a random walk adds each second.
    floor
        Standard uncertainty of environment and use, which time does not change.
    """

    drift_rate: Estimate
    walk_variance_per_second: float = 0.0
    floor: float = 0.0

    def __post_init__(self) -> None:
        for name in ("walk_variance_per_second", "floor"):
            value = getattr(self, name)
            if not (value >= 0 and math.isfinite(value)):
                msg = f"{name} is {value}; it must be 0 or positive"
                raise InputError(msg)

    def offset_after(self, elapsed_s: npt.ArrayLike, as_left: Estimate | None = None) -> StudentMixture:
        """Return the distribution of the offset some time after it was left, shape (m,)."""
        t = np.atleast_1d(np.asarray(elapsed_s, dtype=float))
        start = _ZERO if as_left is None else as_left
        aged = self.drift_rate.distribution
        spread = np.sqrt(start.standard_uncertainty**2 + self.walk_variance_per_second * t + self.floor**2)
        return StudentMixture(
            weights=aged.weights,
            locations=start.value + np.multiply.outer(t, aged.locations),
            scales=np.hypot(np.multiply.outer(t, aged.scales), spread[:, np.newaxis]),
            degrees_of_freedom=aged.degrees_of_freedom,
        )

    def offset_courses(
        self,
        elapsed_s: FloatArray,
        as_left: Estimate | None,
        count: int,
        generator: np.random.Generator,
    ) -> Iterator[OffsetCourses]:
        """Yield courses: a line with a random walk, the floor being one unknown for each.

        A normal drift and where it was left are part of the covariance, so that conditioning is exact.
        """
        t = np.asarray(elapsed_s, dtype=float)
        start = _ZERO if as_left is None else as_left
        aged = self.drift_rate.distribution
        constant = start.standard_uncertainty**2 + self.floor**2
        walk = constant + self.walk_variance_per_second * np.minimum.outer(t, t)
        parts = generator.multinomial(count, aged.weights / aged.weights.sum())
        for k in np.flatnonzero(parts).tolist():
            rate = np.full(parts[k], aged.locations[k])
            freedom, scale = float(aged.degrees_of_freedom[k]), float(aged.scales[k])
            covariance = walk + scale**2 * np.outer(t, t) if math.isinf(freedom) else walk
            if math.isfinite(freedom):
                rate = rate + scale * generator.standard_t(freedom, parts[k])
            yield OffsetCourses(
                mean=start.value + np.multiply.outer(rate, t),
                covariance=covariance,
                growth=np.ones(parts[k]),
                diffusion=np.full(parts[k], self.walk_variance_per_second),
            )
