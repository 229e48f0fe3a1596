"""A clock whose drift, walk and environment are stated, not fitted: what a lab knows from elsewhere."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.clock.forecaster import Forecast, Grounds, Paths, Quantity, VarianceTerms, knows_neither
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, need_not_negative
from evenbeat.units import SECONDS_PER_HOUR

if TYPE_CHECKING:
    from evenbeat.clock.environment import Course

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
        need_not_negative(walk_variance_per_second=self.walk_variance_per_second, floor=self.floor)

    def offset(
        self,
        times: npt.ArrayLike,
        averaging_time_s: float | None = None,
        *,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> StudentMixture:
        """Return the distribution of the offset some time after it was left, shape (m,)."""
        knows_neither(averaging_time_s, environment)
        t = np.atleast_1d(np.asarray(times, dtype=float))
        return self._moved(as_left, np.ones(len(t)), t, self.walk_variance_per_second * t)

    def time_error(
        self, times: npt.ArrayLike, *, environment: Mapping[str, Course] | None = None
    ) -> Forecast:
        """Return the time error gained since it was left at zero, shape (m,).

        ``D T²/2``, with variance ``u_D² T⁴/4 + q T³/3 + u_floor² T²``.
        """
        knows_neither(None, environment)
        t = np.atleast_1d(np.asarray(times, dtype=float))
        walked = self.walk_variance_per_second * t**3 / 3
        terms = {
            "aging": self.drift_rate.standard_uncertainty**2 * t**4 / 4,
            "random-walk FM": walked,
            "environment": self.floor**2 * t**2,
        }
        return Forecast(
            quantity="time_error",
            times_s=t,
            horizon_s=t,
            distribution=self._moved(None, t, t**2 / 2, walked),
            terms=VarianceTerms(by_term=terms),
        )

    def _moved(
        self, as_left: Estimate | None, held: FloatArray, drifted: FloatArray, walked: FloatArray
    ) -> StudentMixture:
        """Return the distribution after offset, drift and walk have done so much, each of shape (m,)."""
        start, aged = _ZERO if as_left is None else as_left, self.drift_rate.distribution
        spread = np.sqrt((start.standard_uncertainty**2 + self.floor**2) * held**2 + walked)
        return StudentMixture(
            weights=aged.weights,
            locations=(start.value * held)[:, np.newaxis] + np.multiply.outer(drifted, aged.locations),
            scales=np.hypot(np.multiply.outer(drifted, aged.scales), spread[:, np.newaxis]),
            degrees_of_freedom=aged.degrees_of_freedom,
        )

    def paths(
        self,
        times: FloatArray,
        n: int,
        rng: np.random.Generator,
        *,
        of: Quantity = "offset",
        averaging_time_s: float | None = None,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> Iterator[Paths]:
        """Yield paths: a line with a random walk, the floor being one unknown for each.

        A normal drift and where it was left are part of the covariance, so that conditioning is exact.
        """
        knows_neither(averaging_time_s, environment)
        t = np.asarray(times, dtype=float)
        start, aged = _ZERO if as_left is None else as_left, self.drift_rate.distribution
        earlier, later = np.minimum.outer(t, t), np.maximum.outer(t, t)
        q, held, drifted, walked = self.walk_variance_per_second, np.ones(len(t)), t, earlier
        if of == "time_error":  # of a walk: ∫∫ min = m² (3M - m)/6
            held, drifted, walked = t, t**2 / 2, earlier**2 * (3 * later - earlier) / 6
        constant = start.standard_uncertainty**2 + self.floor**2
        alone = constant * np.outer(held, held) + q * walked
        parts = rng.multinomial(n, aged.weights / aged.weights.sum())
        for k in np.flatnonzero(parts).tolist():
            rate = np.full(parts[k], aged.locations[k])
            freedom, scale = float(aged.degrees_of_freedom[k]), float(aged.scales[k])
            covariance = alone + scale**2 * np.outer(drifted, drifted) if math.isinf(freedom) else alone
            if math.isfinite(freedom):
                rate = rate + scale * rng.standard_t(freedom, parts[k])
            yield Paths(
                mean=start.value * held + np.multiply.outer(rate, drifted),
                covariance=covariance,
                growth=np.ones(parts[k]),
                diffusion=np.full(parts[k], q if of == "offset" else 0.0),
            )

    @property
    def grounds(self) -> Grounds:
        """What was stated, which is followed as far as is asked."""
        return Grounds(
            kind="statement", reach_s=math.inf, first_s=SECONDS_PER_HOUR, drift_rate=self.drift_rate
        )
