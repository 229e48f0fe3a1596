"""Courses of an offset that are held at both ends: what was left, and what was found later."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.forecaster import Paths, root_of, staying
from evenbeat.quantities import Estimate, FloatArray

CLOSER = 96


@dataclass(frozen=True, eq=False, kw_only=True)
class Bridge:
    """Courses conditioned on what was found.

    Attributes
    ----------
    times
        Shape (m,).
    mean, deviation
        Shape (n, m): of each course's offset, given its drift and both ends.
    drawn_courses
        Shape (n, m): one course each.
    weight
        Shape (n,): how well its drift agrees with what was found.
    diffusion
        Shape (n,).
    """

    times: FloatArray
    mean: FloatArray
    deviation: FloatArray
    drawn_courses: FloatArray
    weight: FloatArray
    diffusion: FloatArray

    @classmethod
    def drawn(
        cls,
        groups: Iterator[Paths],
        found: Estimate,
        times: FloatArray,
        generator: np.random.Generator,
        *,
        seen: bool = False,
    ) -> Bridge:
        """Return conditioned courses from free ones.

        Parameters
        ----------
        found
            The offset at the last of the times.
        seen
            Whether the courses' drift has been learnt from it already.
        """
        parts: list[tuple[FloatArray, ...]] = []
        known = found.standard_uncertainty**2
        for group in groups:
            cross = group.covariance[:, -1]
            growth = group.growth[:, np.newaxis]
            spread = growth[:, 0] * cross[-1] + known
            gain = growth * cross / np.maximum(spread, np.finfo(float).tiny)[:, np.newaxis]
            miss = found.value - group.mean[:, -1]
            mean = group.mean + gain * miss[:, np.newaxis]
            variance = growth * (np.diag(group.covariance) - gain * cross)
            free = np.sqrt(growth) * (generator.standard_normal(mean.shape) @ root_of(group.covariance).T)
            noise = math.sqrt(known) * generator.standard_normal(len(mean))
            course = mean + free + gain * (noise - free[:, -1])[:, np.newaxis]
            logs = np.zeros(len(mean)) if seen else -0.5 * (np.log(spread) + miss**2 / spread)
            parts.append((mean, np.sqrt(np.maximum(variance, 0.0)), course, logs, group.diffusion))
        mean, deviation, course, logs, diffusion = (
            np.concatenate(column) for column in zip(*parts, strict=True)
        )
        weight = np.exp(logs - logs.max())
        return cls(
            times=times,
            mean=mean,
            deviation=deviation,
            drawn_courses=course,
            weight=weight / weight.sum(),
            diffusion=diffusion,
        )

    def probability_between(self, low: float, high: float, at: int) -> float:
        """Return the probability of an offset between two limits at one of the times."""
        deviation = np.maximum(self.deviation[:, at], 1e-300)
        with np.errstate(over="ignore"):
            upper = special.ndtr((high - self.mean[:, at]) / deviation)
            lower = special.ndtr((low - self.mean[:, at]) / deviation)
        return float(self.weight @ (upper - lower))

    def out(self, limits: Tolerance) -> FloatArray:
        """Return the probability of being out at each time, shape (m,)."""
        inside = [self.probability_between(limits.lower, limits.upper, i) for i in range(len(self.times))]
        return np.clip(1 - np.array(inside), 0.0, 1.0)

    def left_by(self, limits: Tolerance) -> FloatArray:
        """Return the probability of having left by each time, shape (m,)."""
        stayed = staying(self.drawn_courses, self.times, (limits.lower, limits.upper), self.diffusion)
        return np.asarray(np.clip(1 - self.weight @ stayed, 0.0, 1.0))

    def crossing(self, left: FloatArray) -> tuple[float, float, float]:
        """Return 2.5, 50 and 97.5 % quantiles of the time of leaving, given that it left."""
        if left[-1] < 0.5:
            return math.nan, math.nan, math.nan
        share, first = left / left[-1], np.argmax(left > 0)
        share = np.maximum.accumulate(share)
        steps = np.unique(share[max(int(first) - 1, 0) :], return_index=True)
        times = self.times[max(int(first) - 1, 0) :][steps[1]]
        low, middle, high = np.interp([0.025, 0.5, 0.975], steps[0], times)
        return float(low), float(middle), float(high)

    def quantile(self, probability: float) -> FloatArray:
        """Return the weighted quantile of the courses at each time, shape (m,)."""
        order = np.argsort(self.drawn_courses, axis=0)
        values = np.take_along_axis(self.drawn_courses, order, axis=0)
        share = np.cumsum(self.weight[order], axis=0)
        at = np.argmax(share >= probability, axis=0)
        return np.asarray(np.take_along_axis(values, at[np.newaxis], axis=0)[0])


def around_crossing(times: FloatArray, left: FloatArray) -> FloatArray:
    """Return moments over the time in which most of the leaving happens; none if it hardly left."""
    if left[-1] < 0.5:
        return np.empty(0)
    share = left / left[-1]
    first = max(int(np.argmax(share > 0.01)) - 1, 0)
    last = min(int(np.argmax(share > 0.99)) + 1, len(times) - 1)
    return np.linspace(times[first], times[last], CLOSER)
