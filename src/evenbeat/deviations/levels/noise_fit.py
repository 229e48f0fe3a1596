"""NoiseFit: the fitted levels of the power-law noises of one record, with what they rest on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from evenbeat.deviations.covariance import in_seconds, mean_square_difference
from evenbeat.deviations.statistics import DIFFERENCES, STATISTICS, name_of
from evenbeat.errors import InputError
from evenbeat.plain import UNLISTED
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels
from evenbeat.quantities import FloatArray, number_text
from evenbeat.result import Column, Result
from evenbeat.units import duration_text

LEVEL_UNITS: Mapping[int, str] = MappingProxyType({2: "s³", 1: "s²", 0: "s", -1: "1", -2: "1/s"})


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class NoiseFit(Result):
    """The noise levels of a record, made by :func:`evenbeat.fit_noise_levels`.

    Attributes
    ----------
    levels
        h₊₂ … h₋₂, zero where not detected; ``levels.upper_limits`` holds the 95 % limits of those.
    standard_uncertainty
        Exponent α to the standard uncertainty of h_α, for the detected noises.
    drift_per_s
        Size of the constant drift fitted along, zero where none is seen; its sign is not known here.
    drift_limit_per_s
        Its 95 % upper limit where none is seen, otherwise NaN.
    interval_s, samples
        Of the record.
    misfit, variances
        Weighted sum of squared residuals, and of how many variances.
    """

    levels: NoiseLevels
    standard_uncertainty: Mapping[int, float] = field(metadata=UNLISTED)
    drift_per_s: float
    interval_s: float
    samples: int
    misfit: float
    variances: int
    drift_limit_per_s: float = math.nan
    record_name: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "standard_uncertainty", MappingProxyType(dict(self.standard_uncertainty)))

    @property
    def detected(self) -> tuple[int, ...]:
        """The exponents α of the noises that were detected, white PM first."""
        return tuple(alpha for alpha, level in self.levels.by_exponent.items() if level > 0)

    def deviation(self, statistic: str, averaging_time_s: npt.ArrayLike) -> FloatArray:
        """Return the deviation that the fitted noises give in expectation, drift apart.

        Parameters
        ----------
        statistic
            ``allan``, ``overlapping_allan``, ``modified_allan``, ``time``, ``hadamard`` or
            ``overlapping_hadamard``.
        averaging_time_s
            Shape (n,), seconds, whole multiples of the record's interval: between samples there is no
            expectation of sampled phase.

        Returns
        -------
        FloatArray
            Shape (n,), a fractional frequency, seconds for ``time``; the root of the expected variance.

        Raises
        ------
        InputError
            For an unknown statistic or an averaging time that is no multiple of the interval.
        """
        times = np.atleast_1d(np.asarray(averaging_time_s, dtype=float))
        return np.array([self._deviation(statistic, float(time)) for time in times])

    def _deviation(self, statistic: str, time: float) -> float:
        statistic = name_of(statistic)
        if statistic not in DIFFERENCES:
            msg = f"statistic is {statistic!r}; it must be one of {', '.join(DIFFERENCES)}"
            raise InputError(msg)
        factor = round(time / self.interval_s) if math.isfinite(time) else 0
        if factor < 1 or not math.isclose(factor * self.interval_s, time, rel_tol=1e-6):
            msg = f"{time:g} s is not a whole multiple of the interval of {self.interval_s:g} s"
            raise InputError(msg)
        kind, form = STATISTICS[statistic], DIFFERENCES[statistic]
        square = sum(
            level
            * in_seconds(alpha, self.interval_s)
            * mean_square_difference(alpha, factor, order=form.order, averaged=form.averaged)
            for alpha, level in self.levels.by_exponent.items()
        )
        variance, times = np.array([form.scale(factor) * square]), np.array([time])
        return float(kind.deviation(variance, times, self.interval_s)[0])

    def _columns(self) -> tuple[Column, ...]:
        limits, levels = self.levels.upper_limits, self.levels.by_exponent
        uncertainty = [self.standard_uncertainty.get(alpha, math.nan) for alpha in levels]
        texts = [
            number_text(level, u) if level > 0 else "not detected"
            for level, u in zip(levels.values(), uncertainty, strict=True)
        ]
        return (
            Column("noise", [NOISE_NAMES[alpha] for alpha in levels], "noise"),
            Column("", [f"h({alpha:+d})" if alpha else "h(0)" for alpha in levels], "coefficient"),
            Column("exponent", list(levels)),
            Column("level", list(levels.values())),
            Column("standard_uncertainty", uncertainty),
            Column("", texts, "level"),
            Column("unit", [LEVEL_UNITS[alpha] for alpha in levels], "unit"),
            Column("upper_limit_95", [limits.get(a, math.nan) for a in levels], "95 % upper limit", ".2e"),
        )

    def _headline(self) -> str:
        of = f" of {self.record_name}" if self.record_name else ""
        names = ", ".join(NOISE_NAMES[alpha] for alpha in self.detected)
        span = f"{self.samples} samples every {duration_text(self.interval_s)}"
        return f"Noise levels{of} from {span}: {names} detected"
