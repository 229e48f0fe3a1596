"""An estimate with its distribution, and how numbers with an uncertainty are written."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.errors import InputError
from evenbeat.plain import Plain

FloatArray = npt.NDArray[np.floating[Any]]
DEFAULT_CONFIDENCE = 0.95
"""Coverage probability used wherever none is asked for: what most certificates state."""
MOST_STEPS = 80
FINE, COARSE = 1e-7, 1e-3
"""Last step of a search for a quantile, in narrowest scales: what remains is the square of it."""
FAR = 1e150
"""Standard deviations off a component beyond which the square would be no number."""
MANY_DEGREES = 100
"""Degrees of freedom from which an expansion of the distribution function is exact in double precision."""
StudentCdf = Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True, eq=False, kw_only=True)
class StudentMixture:
    """Weighted Student-t distributions, for one quantity or for many at once.

    A normal distribution is one component with infinite degrees of freedom. Clock predictions are
    mixtures because the noise levels are themselves uncertain: one component per set of levels.

    Parameters
    ----------
    weights
        Shape (k,), positive, summing to one.
    locations, scales
        Shape (..., k): centre and scale of every component for every quantity.
    degrees_of_freedom
        Shape (k,); ``inf`` for a normal component.
    """

    weights: FloatArray
    locations: FloatArray
    scales: FloatArray
    degrees_of_freedom: FloatArray

    @classmethod
    def normal(cls, mean: npt.ArrayLike, standard_deviation: npt.ArrayLike) -> Self:
        """Return the mixture with one normal component."""
        return cls.student(mean, standard_deviation, math.inf)

    @classmethod
    def student(cls, location: npt.ArrayLike, scale: npt.ArrayLike, degrees_of_freedom: float) -> Self:
        """Return the mixture with one Student-t component."""
        return cls(
            weights=np.ones(1),
            locations=np.asarray(location, dtype=float)[..., np.newaxis],
            scales=np.asarray(scale, dtype=float)[..., np.newaxis],
            degrees_of_freedom=np.array([degrees_of_freedom], dtype=float),
        )

    @property
    def mean(self) -> FloatArray:
        """Expected value, shape (...)."""
        return np.asarray(self.locations @ self.weights)

    @property
    def standard_deviation(self) -> FloatArray:
        """Standard deviation, shape (...); infinite where a component has two or fewer degrees of freedom."""
        dof = self.degrees_of_freedom
        with np.errstate(divide="ignore", invalid="ignore"):
            spread = np.where(np.isinf(dof), 1.0, np.where(dof > 2, dof / (dof - 2), math.inf))
        within = (self.scales**2 * spread) @ self.weights
        between = ((self.locations - self.mean[..., np.newaxis]) ** 2) @ self.weights
        return np.sqrt(within + between)

    def cdf(self, value: npt.ArrayLike) -> FloatArray:
        """Return the probability of being at or below ``value``, shape (...)."""
        return self._cdf(value, _student_cdf)

    def _cdf(self, value: npt.ArrayLike, student_cdf: StudentCdf) -> FloatArray:
        z = self._deviates(value)
        if not self.scales.min(initial=1.0) > 0:
            z = np.where(np.isnan(z), 0.0, z)
        shares = student_cdf(self.degrees_of_freedom, z)
        # the weights may sum to 1 ± 1e-16
        return np.where(shares.min(axis=-1) >= 1.0, 1.0, np.clip(shares @ self.weights, 0.0, 1.0))

    def _deviates(self, value: npt.ArrayLike) -> FloatArray:
        offset = np.asarray(value, dtype=float)[..., np.newaxis] - self.locations
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return np.clip(offset / self.scales, -FAR, FAR)

    def probability_within(self, limit: float) -> FloatArray:
        """Return P(|value| <= limit), shape (...)."""
        return self.probability_between(-limit, limit)

    def probability_between(self, low: float, high: float) -> FloatArray:
        """Return P(low <= value <= high), shape (...)."""
        return self.cdf(high) - self.cdf(low)

    def pdf(self, value: npt.ArrayLike) -> FloatArray:
        """Return the probability density at ``value``, shape (...); a component without scale adds none."""
        with np.errstate(divide="ignore", invalid="ignore"):
            density = _student_pdf(self.degrees_of_freedom, self._deviates(value)) / self.scales
        return np.where(self.scales > 0, density, 0.0) @ self.weights

    def quantile(self, probability: float) -> FloatArray:
        """Return the value that is not exceeded with ``probability``, shape (...), to the last digits."""
        probability = checked_probability(probability, "probability")
        count = self.locations.shape[-1]
        flat = self._with(self.locations.reshape(-1, count), self.scales.reshape(-1, count))
        return flat._quantiles(probability).reshape(self.locations.shape[:-1])

    def _quantiles(self, probability: float) -> FloatArray:
        """Find the quantiles, of few degrees of freedom with an expansion first."""
        edge = _student_quantile(self.degrees_of_freedom, probability) * self.scales + self.locations
        if edge.shape[-1] == 1:
            return edge[:, 0]
        value: FloatArray = np.clip(edge @ self.weights, edge.min(axis=-1), edge.max(axis=-1))
        if self.degrees_of_freedom.min() < MANY_DEGREES:
            value = self._sought(probability, value, edge, _student_cdf_expanded, near=COARSE)
        return self._sought(probability, value, edge, _student_cdf, near=FINE)

    def _sought(
        self,
        probability: float,
        value: FloatArray,
        edge: FloatArray,
        student_cdf: StudentCdf,
        *,
        near: float,
    ) -> FloatArray:
        """Find the quantiles by Newton steps from ``value``, halving the bracket where a step would leave it.

        The steps are taken on the normal deviate of the probability, which is nearly a line in the value.
        After a step of ``near`` times the narrowest scale the rest is of second order of it.
        """
        value, low, high = value.copy(), edge.min(axis=-1), edge.max(axis=-1)
        close = 1e-13 * (high - low) + 4 * np.finfo(float).eps * np.abs(value)
        second_order = np.maximum(close, near * self.scales.min(axis=-1))
        wanted, open_ones = special.ndtri(probability), np.arange(len(value))
        for _ in range(MOST_STEPS):
            some = self._with(self.locations[open_ones], self.scales[open_ones])
            at, below, above = value[open_ones], low[open_ones], high[open_ones]
            reached = special.ndtri(some._cdf(at, student_cdf))
            below, above = np.where(reached < wanted, at, below), np.where(reached < wanted, above, at)
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = some.pdf(at) * math.sqrt(2 * math.pi) * np.exp(0.5 * reached**2)
                newton = at - (reached - wanted) / slope
            small = second_order[open_ones]
            good = ((newton > below) & (newton < above)) | (np.abs(newton - at) <= small)
            following = np.where(good, newton, 0.5 * (below + above))
            value[open_ones], low[open_ones], high[open_ones] = following, below, above
            open_ones = open_ones[np.abs(following - at) > np.where(good, small, close[open_ones])]
            if not len(open_ones):
                break
        return value

    def interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[FloatArray, FloatArray]:
        """Return the limits that leave equal probability outside on either side."""
        tail = 0.5 * (1 - checked_probability(confidence, "confidence"))
        return self.quantile(tail), self.quantile(1 - tail)

    def widened(self, standard_uncertainty: npt.ArrayLike) -> StudentMixture:
        """Return the mixture with an independent uncertainty added in quadrature to every scale."""
        extra = np.asarray(standard_uncertainty, dtype=float)[..., np.newaxis]
        return self._with(self.locations, np.hypot(self.scales, extra))

    def stretched(self, factor: npt.ArrayLike) -> StudentMixture:
        """Return the mixture so many times as wide about its mean; one factor, or one for each quantity."""
        column = np.asarray(factor, dtype=float)[..., np.newaxis]
        middle = self.mean[..., np.newaxis]
        return self._with(middle + column * (self.locations - middle), column * self.scales)

    def shifted(self, amount: npt.ArrayLike) -> StudentMixture:
        """Return the mixture moved by ``amount``."""
        return self._with(self.locations + np.asarray(amount, dtype=float)[..., np.newaxis], self.scales)

    def scaled(self, factor: npt.ArrayLike) -> StudentMixture:
        """Return the distribution of ``factor`` times the quantity; one factor, or one for each."""
        column = np.asarray(factor, dtype=float)[..., np.newaxis]
        return self._with(self.locations * column, self.scales * np.abs(column))

    def at(self, index: npt.NDArray[np.intp]) -> StudentMixture:
        """Return the distributions of some of many quantities, shape (m,)."""
        return self._with(self.locations[index], self.scales[index])

    def one(self, index: int) -> StudentMixture:
        """Return the distribution of one of many quantities."""
        return self._with(self.locations[index], self.scales[index])

    def _with(self, locations: FloatArray, scales: FloatArray) -> StudentMixture:
        return StudentMixture(
            weights=self.weights,
            locations=locations,
            scales=scales,
            degrees_of_freedom=self.degrees_of_freedom,
        )


def _student_cdf(degrees_of_freedom: FloatArray, z: FloatArray) -> FloatArray:
    if degrees_of_freedom.min() >= MANY_DEGREES:  # a tenth of the work
        return _student_cdf_expanded(degrees_of_freedom, z)
    finite = np.where(np.isinf(degrees_of_freedom), 1.0, degrees_of_freedom)
    return np.where(np.isinf(degrees_of_freedom), special.ndtr(z), special.stdtr(finite, z))


def _student_cdf_expanded(degrees_of_freedom: FloatArray, z: FloatArray) -> FloatArray:
    """Return it by the normal deviate of the same probability, an expansion that tests hold against scipy.

    Wrong by at most 1e-15 from a hundred degrees of freedom on, 1e-13 from fifty, 1e-9 from ten; of a tail of
    1e-6 by 2e-11 of it from a hundred on.
    """
    normal = np.isinf(degrees_of_freedom)
    if normal.all():
        return np.asarray(special.ndtr(z))
    freedom = np.where(normal, 1.0, degrees_of_freedom)
    a = freedom - 0.5
    y = np.minimum(a * np.log1p(z**2 / freedom), 1e8)  # of a component without scale it is infinite
    rest = (((-0.4 * y - 3.3) * y - 24) * y - 85.5) / (0.8 * y**2 + 100 + 48 * a**2)
    deviate = np.copysign(((rest + y + 3) / (48 * a**2) + 1) * np.sqrt(y), z)
    return np.asarray(special.ndtr(np.where(normal, z, deviate) if normal.any() else deviate))


def _student_pdf(degrees_of_freedom: FloatArray, z: FloatArray) -> FloatArray:
    finite = np.where(np.isinf(degrees_of_freedom), 1.0, degrees_of_freedom)
    height = special.gammaln((finite + 1) / 2) - special.gammaln(finite / 2) - 0.5 * np.log(finite * math.pi)
    student = np.exp(height - (finite + 1) / 2 * np.log1p(z**2 / finite))
    normal = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
    return np.where(np.isinf(degrees_of_freedom), normal, student)


def _student_quantile(degrees_of_freedom: FloatArray, probability: float) -> FloatArray:
    finite = np.where(np.isinf(degrees_of_freedom), 1.0, degrees_of_freedom)
    return np.where(
        np.isinf(degrees_of_freedom), special.ndtri(probability), special.stdtrit(finite, probability)
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Estimate(Plain):
    """One number with the distribution of what it estimates.

    Parameters
    ----------
    distribution
        Of one quantity (locations of shape (k,)).
    unit
        Result after the number; ``"1/s"``, ``"1/K"``, ``""`` for a fractional frequency.
    combined_uncertainty
        Combined standard uncertainty u_c of a budget as in the GUM (JCGM 100:2008, 5.1.2), which is the scale
        of its Student distribution, not the standard deviation of that.
    """

    distribution: StudentMixture
    unit: str = ""
    combined_uncertainty: float | None = None

    @classmethod
    def normal(cls, value: float, standard_uncertainty: float, unit: str = "") -> Self:
        """Return an estimate that is normally distributed."""
        return cls(distribution=StudentMixture.normal(value, standard_uncertainty), unit=unit)

    @cached_property
    def value(self) -> float:
        """Expected value."""
        return float(self.distribution.mean)

    @cached_property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty of a budget; else standard deviation of the distribution."""
        if self.combined_uncertainty is not None:
            return self.combined_uncertainty
        return float(self.distribution.standard_deviation)

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom ν of a budget or a Student distribution; NaN for a mixture."""
        freedom = self.distribution.degrees_of_freedom
        return float(freedom[0]) if (freedom == freedom[0]).all() else math.nan

    def interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[float, float]:
        """Return the limits that leave equal probability outside on either side."""
        low, high = self.distribution.interval(confidence)
        return float(low), float(high)

    def sign_established(self, confidence: float = DEFAULT_CONFIDENCE) -> bool:
        """Return whether the interval leaves zero out."""
        low, high = self.interval(confidence)
        return low > 0 or high < 0

    def probability_below(self, limit: float) -> float:
        """Return the probability that the quantity is at or below ``limit``."""
        return float(self.distribution.cdf(limit))

    def scaled(self, factor: float, unit: str) -> Estimate:
        """Return the same quantity in another unit."""
        combined = self.combined_uncertainty
        return Estimate(
            distribution=self.distribution.scaled(factor),
            unit=unit,
            combined_uncertainty=None if combined is None else abs(factor) * combined,
        )

    def __str__(self) -> str:
        return f"{number_text(self.value, self.standard_uncertainty)} {self.unit}".rstrip()

    def __repr__(self) -> str:
        return f"Estimate({self})"

    def _facts(self) -> Mapping[str, object]:
        low, high = self.interval()
        budgeted = self.combined_uncertainty is not None
        return {
            "value": self.value,
            "standard_uncertainty": self.standard_uncertainty,
            **({"degrees_of_freedom": self.degrees_of_freedom} if budgeted else {}),
            "low_95": low,
            "high_95": high,
            "unit": self.unit,
        }


K_TWO = math.erf(math.sqrt(2))
"""Probability within two standard deviations of a normal distribution, usually written as 0.9545."""


def checked_coverage(value: float) -> float:
    """Return a coverage probability; 0.9545 stands for exactly k = 2.

    Raises
    ------
    InputError
        If it does not lie between zero and one.
    """
    return K_TWO if value == 0.9545 else checked_probability(value, "coverage")


def checked_probability(value: float, name: str) -> float:
    """Return a probability strictly between zero and one, or raise ``InputError`` naming it."""
    if not 0 < value < 1:
        msg = f"{name} is {value}; it must lie between 0 and 1, such as 0.95"
        raise InputError(msg)
    return float(value)


def need_positive(**values: float | None) -> None:
    """Refuse a number that is not positive and finite, by its name; ``None`` is none."""
    for name, value in values.items():
        if value is not None and not (value > 0 and math.isfinite(value)):
            msg = f"{name} is {value:g}; it must be positive"
            raise InputError(msg)


def need_not_negative(**values: float | None) -> None:
    """Refuse a number that is not zero or positive and finite, by its name; ``None`` is none."""
    for name, value in values.items():
        if value is not None and not (value >= 0 and math.isfinite(value)):
            msg = f"{name} is {value:g}; it must be 0 or positive"
            raise InputError(msg)


def number_text(value: float, standard_uncertainty: float) -> str:
    """Return ``1.235(23)e-11``: two digits of uncertainty, in units of the last digit of the value.

    The notation is that of the GUM (JCGM 100:2008, 7.2.2). Where the uncertainty is unknown or not
    finite the value is given to three digits and marked ``(?)``.
    """
    if not math.isfinite(value):
        return "unknown"
    if not math.isfinite(standard_uncertainty) or standard_uncertainty < 0:
        return f"{value:.3g}(?)"
    if standard_uncertainty == 0:
        return f"{value:.6g}"
    exponent = math.floor(math.log10(max(abs(value), standard_uncertainty)))
    if -3 <= exponent < 5:
        exponent = 0
    scaled_value, scaled_u = value / 10**exponent, standard_uncertainty / 10**exponent
    decimals = 1 - math.floor(math.log10(scaled_u))
    if round(scaled_u * 10**decimals) >= 100:
        decimals -= 1
    if decimals > 0:
        digits = f"{scaled_value:z.{decimals}f}({round(scaled_u * 10**decimals)})"
    else:
        digits = f"{round(scaled_value, decimals):z.0f}({round(scaled_u, decimals):.0f})"
    return digits if exponent == 0 else f"{digits}e{exponent:+03d}"
