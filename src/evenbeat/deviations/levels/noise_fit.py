"""NoiseFit: the fitted levels of the power-law noises of one record, with what they rest on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.deviations.estimators import STATISTICS
from evenbeat.deviations.levels.responses import in_seconds, mean_square_difference
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels
from evenbeat.printing import Printed, Table
from evenbeat.quantities import FloatArray, number_text
from evenbeat.units import duration_text

if TYPE_CHECKING:
    import pandas as pd

LEVEL_UNITS: Mapping[int, str] = MappingProxyType({2: "s³", 1: "s²", 0: "s", -1: "1", -2: "1/s"})
FITTED_STATISTICS = (
    "allan",
    "overlapping_allan",
    "modified_allan",
    "time",
    "hadamard",
    "overlapping_hadamard",
)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class NoiseFit(Printed):
    """The noise levels of a record, made by :func:`evenbeat.fit_noise_levels`.

    Attributes
    ----------
    levels
        h₊₂ … h₋₂, zero where not detected; ``levels.upper_limits`` holds the 95 % limits of those.
    standard_uncertainty
        Exponent α to the standard uncertainty of h_α, for the detected noises.
    drift_per_s
        Size of the constant drift fitted along, zero where none is seen; its sign is not known here.
    interval_s, samples
        Of the record.
    misfit, variances
        Weighted sum of squared residuals, and of how many variances.
    """

    levels: NoiseLevels
    standard_uncertainty: Mapping[int, float]
    drift_per_s: float
    interval_s: float
    samples: int
    misfit: float
    variances: int
    record_name: str = ""
    findings: tuple[Finding, ...] = ()

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
        if statistic not in FITTED_STATISTICS:
            msg = f"statistic is {statistic!r}; it must be one of {', '.join(FITTED_STATISTICS)}"
            raise InputError(msg)
        factor = round(time / self.interval_s) if math.isfinite(time) else 0
        if factor < 1 or not math.isclose(factor * self.interval_s, time, rel_tol=1e-6):
            msg = f"{time:g} s is not a whole multiple of the interval of {self.interval_s:g} s"
            raise InputError(msg)
        kind = STATISTICS[statistic]
        square = sum(
            level
            * in_seconds(alpha, self.interval_s)
            * mean_square_difference(alpha, factor, order=kind.order, averaged=kind.averaged)
            for alpha, level in self.levels.by_exponent.items()
        )
        return kind.normalised(square, time)

    def to_frame(self) -> pd.DataFrame:
        """Return a table with one row per noise; what is not known is NaN."""
        import pandas as pd

        limits, levels = self.levels.upper_limits, self.levels.by_exponent
        return pd.DataFrame(
            {
                "noise": [NOISE_NAMES[alpha] for alpha in levels],
                "exponent": list(levels),
                "unit": [LEVEL_UNITS[alpha] for alpha in levels],
                "level": list(levels.values()),
                "standard_uncertainty": [self.standard_uncertainty.get(a, math.nan) for a in levels],
                "upper_limit_95": [limits.get(alpha, math.nan) for alpha in levels],
            }
        )

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "levels": self.levels.to_dict(),
            "standard_uncertainty": {str(alpha): u for alpha, u in self.standard_uncertainty.items()},
            "drift_per_s": self.drift_per_s,
            "interval_s": self.interval_s,
            "samples": self.samples,
            "misfit": self.misfit,
            "variances": self.variances,
            "record_name": self.record_name,
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        of = f" of {self.record_name}" if self.record_name else ""
        names = ", ".join(NOISE_NAMES[alpha] for alpha in self.detected)
        span = f"{self.samples} samples every {duration_text(self.interval_s)}"
        return f"Noise levels{of} from {span}: {names} detected"

    def _table(self) -> Table:
        return Table(
            columns=("noise", "coefficient", "level", "unit", "95 % upper limit"),
            rows=tuple(self._row(alpha, level) for alpha, level in self.levels.by_exponent.items()),
        )

    def _row(self, alpha: int, level: float) -> tuple[str, ...]:
        limit = self.levels.upper_limits.get(alpha)
        return (
            NOISE_NAMES[alpha],
            f"h({alpha:+d})" if alpha else "h(0)",
            number_text(level, self.standard_uncertainty[alpha]) if level > 0 else "not detected",
            LEVEL_UNITS[alpha],
            "" if limit is None else f"{limit:.2e}",
        )
