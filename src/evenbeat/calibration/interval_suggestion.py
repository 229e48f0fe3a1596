"""A suggested recalibration interval, with everything it rests on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from evenbeat.calibration.calendar import CalendarInterval
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.plain import UNLISTED
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, FloatArray, StudentMixture
from evenbeat.result import Column, Result, Table
from evenbeat.units import duration_text

LimitedBy = Literal["tolerance", "record length", "longest interval", "policy", "horizon", "start"]
Meaning = Literal["end_of_period", "average_over_period", "never_left"]
MEANINGS: dict[Meaning, str] = {
    "end_of_period": "probability of being within tolerance at every moment, the end being the worst",
    "average_over_period": "mean over the period of the probability of being within tolerance",
    "never_left": "probability of never having left tolerance since the start",
}
"""What a reliability may mean, as given to ``suggest_interval(meaning=…)``."""
SHORT: dict[Meaning, str] = {
    "end_of_period": "at every moment",
    "average_over_period": "on average over the period",
    "never_left": "never having left",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class NeverLeft:
    """P(never having left) at increasing times, with the standard error of its simulation, shape (m,)."""

    elapsed_s: FloatArray
    probability: FloatArray
    standard_error: FloatArray
    paths: int


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class IntervalSuggestion(Result):
    """A suggested recalibration interval: an analysis for the owner, not part of a certificate.

    Attributes
    ----------
    tolerance, guard_band
        Limits of the fractional offset, and what is held back from either of them.
    reliability, meaning
        Probability asked for, and of what: a key of :data:`MEANINGS`.
    averaging_time_s
        The offset is the mean over so long; NaN where the source is no clock model.
    as_left
        Offset when the interval starts.
    interval_s
        Suggested interval in seconds; NaN where no recommendation can be made.
    limited_by
        ``'tolerance'``: the offset may leave it then; ``'record length'`` and ``'longest interval'``: the
        evidence ends there, the tolerance does not; ``'policy'``: the cap that was stated; ``'horizon'``:
        20 years of a stated drift; ``'start'``: even now the offset is not within it with that probability.
    uncapped_interval_s
        What the tolerance alone allows by each meaning that was computed, up to where the evidence ends;
        NaN where not even the start holds, ``inf`` where the tolerance does not limit.
    extrapolated_interval_s
        What the aging law would give beyond the evidence; ``inf`` where 20 years do not suffice, NaN where
        the tolerance already limits.
    rounded
        The interval rounded down to whole units of the calendar; ``None`` where there is none.
    elapsed_s, offset
        Times after the start, and the distribution of the offset then.
    never_left
        The simulated probability of never having left, where it was asked for.
    standard_uncertainty_by_term
        Of the offset at the end of the interval, by cause.
    """

    tolerance: Tolerance
    reliability: float
    meaning: Meaning
    guard_band: float
    averaging_time_s: float
    as_left: Estimate
    interval_s: float
    limited_by: LimitedBy
    uncapped_interval_s: Mapping[Meaning, float]
    extrapolated_interval_s: float
    rounded: CalendarInterval | None
    elapsed_s: FloatArray
    offset: StudentMixture = field(metadata=UNLISTED)
    never_left: NeverLeft | None
    standard_uncertainty_by_term: Mapping[str, float]

    _longest_table = 12

    @property
    def limit(self) -> Tolerance:
        """The tolerance less the guard band."""
        return Tolerance.of(self.tolerance, guard_band=self.guard_band)

    @cached_property
    def probability(self) -> FloatArray:
        """Probability of being within the guarded limit at each time, shape (m,)."""
        return self.limit.probability(self.offset)

    @property
    def average_probability(self) -> FloatArray:
        """Mean of that probability from the start to each time, shape (m,)."""
        return running_mean(self.elapsed_s, self.probability)

    @property
    def reason(self) -> str:
        """One sentence that says what limits the interval."""
        return next(finding.sentence for finding in self.findings if finding.code.startswith("INTERVAL_"))

    def _facts(self) -> Mapping[str, object]:
        beyond = {name: "not limited" if math.isinf(t) else t for name, t in self.uncapped_interval_s.items()}
        longest = self.extrapolated_interval_s
        return {
            **super()._facts(),
            "uncapped_interval_s": beyond,
            "extrapolated_interval_s": "not limited" if math.isinf(longest) else longest,
            "reliability_means": MEANINGS[self.meaning],
        }

    def _columns(self) -> tuple[Column, ...]:
        return self._columns_at(np.arange(len(self.elapsed_s)))

    def _table(self) -> Table | None:
        shown = np.array(self._shown_rows(len(self.elapsed_s)))
        return self._table_of(self._columns_at(shown))  # quantiles of all rows would take a second

    def _columns_at(self, rows: npt.NDArray[np.intp]) -> tuple[Column, ...]:
        times, offset = self.elapsed_s[rows], self.offset.at(rows)
        low, high = offset.interval(DEFAULT_CONFIDENCE)
        columns = (
            Column("elapsed_s", times, "after", duration_text),
            Column("offset", offset.mean, "offset", ".3e"),
            Column("low_95", low, "low 95 %", ".3e"),
            Column("high_95", high, "high 95 %", ".3e"),
            Column("probability_within", self.probability[rows], "P(within)", ".4f"),
            Column("average_probability", self.average_probability[rows], "average", ".4f"),
        )
        if self.never_left is None:
            return columns
        never = np.interp(times, self.never_left.elapsed_s, self.never_left.probability)
        return (*columns, Column("never_left_probability", never, "never left", ".4f"))

    def _headline(self) -> str:
        if math.isnan(self.interval_s):
            return f"IntervalSuggestion: no recommendation because {self.reason[0].lower()}{self.reason[1:]}"
        least = "at least " if self.limited_by == "record length" else ""
        whole = "" if self.rounded is None else f", rounded down to {self.rounded}"
        return (
            f"IntervalSuggestion: {least}{duration_text(self.interval_s)} for {self.tolerance} "
            f"at {100 * self.reliability:g} % {SHORT[self.meaning]}{whole}"
        )


def running_mean(times: FloatArray, values: FloatArray) -> FloatArray:
    """Return the mean of values from the first time to each time; the first value at the first time."""
    from scipy.interpolate import PchipInterpolator

    smallest = np.finfo(float).eps  # probabilities of 1e-300 have slopes that cannot be divided by
    whole = PchipInterpolator(times, np.where(values < smallest, 0.0, values)).antiderivative()(times)
    length = times - times[0]
    return np.where(length > 0, whole / np.where(length > 0, length, 1.0), values[0])
