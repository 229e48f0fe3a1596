"""A tolerance: the limits of an offset, symmetric or not, less what is held back from them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenbeat.clock.forecaster import Forecaster, first_exit
from evenbeat.errors import InputError
from evenbeat.plain import Plain
from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, duration_text, parse_limits

ToleranceLike = float | tuple[float, float] | Sequence[float] | str
"""± one number, or the lower and the upper limit; either as text, too."""
LONGEST_S = 40 * SECONDS_PER_YEAR
SEARCH_TIMES_S = np.concatenate([[0.0], np.geomspace(0.01 * SECONDS_PER_DAY, LONGEST_S, 160)])
"""Where it is looked for that an offset leaves its limits."""


@dataclass(frozen=True, kw_only=True)
class Tolerance(Plain):
    """Limits of a fractional offset.

    Attributes
    ----------
    lower, upper
        The limits; they need not lie evenly about zero.
    """

    lower: float
    upper: float

    @classmethod
    def of(cls, limits: ToleranceLike | Tolerance, *, guard_band: float = 0.0) -> Tolerance:
        """Return the limits less a guard band.

        Parameters
        ----------
        limits
            ``1e-8`` for ±1e-8, or ``(-5e-9, 1e-8)``; or text that says so: ``"±10 ppb"``, ``"-5e-9:1e-8"``.
        guard_band
            Held back from either limit.

        Raises
        ------
        InputError
            If the limits are not finite and in order, or the guard band leaves nothing of them.
        """
        lower, upper = _limits(limits)
        half = 0.5 * (upper - lower)
        if not 0 <= guard_band < half:
            whole = f"the tolerance of {half:g}" if lower == -upper else f"half of the tolerance, {half:g}"
            msg = f"guard_band is {guard_band:g}; it must be at least zero and below {whole}"
            raise InputError(msg)
        return cls(lower=lower + guard_band, upper=upper - guard_band)

    @property
    def symmetric(self) -> bool:
        """Whether both limits are equally far from zero."""
        return self.lower == -self.upper

    @property
    def stated(self) -> float | str:
        """One number for ±, or both limits as in ``-5e-09:1e-08``: :meth:`of` makes the same of it."""
        return self.upper if self.symmetric else f"{self.lower!r}:{self.upper!r}"

    @property
    def half_width(self) -> float:
        """Half of the distance between the limits."""
        return 0.5 * (self.upper - self.lower)

    @property
    def middle(self) -> float:
        """The offset halfway between the limits."""
        return 0.5 * (self.upper + self.lower)

    def probability(self, distribution: StudentMixture) -> FloatArray:
        """Return the probability of lying within the limits, shape (...)."""
        return distribution.probability_between(self.lower, self.upper)

    def kept_for(
        self,
        source: Forecaster,
        reliability: float,
        *,
        as_left: Estimate | None = None,
        averaging_time_s: float | None = None,
    ) -> float:
        """Return for how long an offset stays within the limits with this probability at every moment.

        0 where it does not even at the start, 40 years where that does not suffice to leave them. Drift and
        noise alone: :func:`evenbeat.suggest_interval` adds caps, rounding and other meanings of reliability.
        """

        def probability(times: FloatArray) -> FloatArray:
            return self.probability(source.offset(times, averaging_time_s, as_left=as_left))

        times = SEARCH_TIMES_S
        end = first_exit(times, probability(times), reliability, between=probability)
        return 0.0 if math.isnan(end) else min(end, LONGEST_S)

    def same_as(self, other: Tolerance) -> bool:
        """Return whether another one has these limits; they may have been written in other units."""
        pairs = ((self.lower, other.lower), (self.upper, other.upper))
        return all(math.isclose(one, its, rel_tol=1e-9) for one, its in pairs)

    def holds(self, value: float) -> bool:
        """Return whether a value lies within the limits."""
        return self.lower <= value <= self.upper

    def __str__(self) -> str:
        if self.symmetric:
            return f"±{self.upper:.3g}"
        return f"{self.lower:+.3g} to {self.upper:+.3g}"


def _limits(limits: ToleranceLike | Tolerance) -> tuple[float, float]:
    if isinstance(limits, Tolerance):
        return limits.lower, limits.upper
    if isinstance(limits, str):
        limits = parse_limits(limits)
    if isinstance(limits, int | float):
        if not (limits > 0 and math.isfinite(limits)):
            msg = (
                f"tolerance is {limits:g}; it must be a positive fractional frequency such as 1e-8, or two "
                "limits such as (-5e-9, 1e-8)"
            )
            raise InputError(msg)
        return -float(limits), float(limits)
    pair = tuple(float(limit) for limit in limits)
    if len(pair) != 2 or not all(math.isfinite(limit) for limit in pair) or not pair[0] < pair[1]:
        msg = f"tolerance is {limits}; two limits must be finite, the lower one first, such as (-5e-9, 1e-8)"
        raise InputError(msg)
    return pair


def lasting_text(seconds: float) -> str:
    """Return how long limits are kept in words; ``over 40 years`` where no end was found."""
    if seconds == 0:
        return "not at all"
    return "over 40 years" if seconds >= LONGEST_S else duration_text(seconds)
