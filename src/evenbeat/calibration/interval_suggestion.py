"""A suggested recalibration interval, with everything it rests on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from evenbeat.calibration.calendar import CalendarInterval
from evenbeat.calibration.never_left import NeverLeft
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.findings import Finding
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, FloatArray, StudentMixture
from evenbeat.results import Result, Table
from evenbeat.units import duration_text

if TYPE_CHECKING:
    import pandas as pd

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


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class IntervalSuggestion(Result):
    """A suggested recalibration interval: an analysis for the owner, not part of a certificate.

    Attributes
    ----------
    tolerance, guard_band
        Limits of the fractional offset, and what is held back from either of them.
    reliability, meaning
        Probability asked for, and of what: a key of :data:`MEANINGS`.
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
    as_left: Estimate
    interval_s: float
    limited_by: LimitedBy
    uncapped_interval_s: Mapping[Meaning, float]
    extrapolated_interval_s: float
    rounded: CalendarInterval | None
    elapsed_s: FloatArray
    offset: StudentMixture
    never_left: NeverLeft | None
    standard_uncertainty_by_term: Mapping[str, float]
    findings: tuple[Finding, ...] = ()

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

    def to_frame(self) -> pd.DataFrame:
        """Return one row per time: mean offset, band and the probabilities of being within the limit."""
        return self._frame_of(np.arange(len(self.elapsed_s)))

    def _frame_of(self, rows: npt.NDArray[np.intp]) -> pd.DataFrame:
        import pandas as pd

        offset = self.offset.at(rows)
        low, high = offset.interval(DEFAULT_CONFIDENCE)
        columns = {
            "elapsed_s": self.elapsed_s[rows],
            "offset": offset.mean,
            "low_95": low,
            "high_95": high,
            "probability_within": self.probability[rows],
            "average_probability": self.average_probability[rows],
        }
        if self.never_left is not None:
            columns["never_left"] = np.interp(
                self.elapsed_s[rows], self.never_left.elapsed_s, self.never_left.probability
            )
        return pd.DataFrame(columns)

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        simulated = self.never_left
        return {
            "tolerance": self.tolerance.to_dict(),
            "guard_band": self.guard_band,
            "reliability": self.reliability,
            "meaning": self.meaning,
            "reliability_means": MEANINGS[self.meaning],
            "as_left": self.as_left.to_dict(),
            "interval_s": _plain(self.interval_s),
            "limited_by": self.limited_by,
            "uncapped_interval_s": {name: _plain(time) for name, time in self.uncapped_interval_s.items()},
            "extrapolated_interval_s": _plain(self.extrapolated_interval_s),
            "rounded": None if self.rounded is None else self.rounded.to_dict(),
            "standard_uncertainty_by_term": dict(self.standard_uncertainty_by_term),
            "elapsed_s": self.elapsed_s.tolist(),
            "offset_mean": self.offset.mean.tolist(),
            "probability_within": self.probability.tolist(),
            "average_probability": self.average_probability.tolist(),
            "never_left": None
            if simulated is None
            else {
                "elapsed_s": simulated.elapsed_s.tolist(),
                "probability": simulated.probability.tolist(),
                "standard_error": simulated.standard_error.tolist(),
                "paths": simulated.paths,
            },
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        if math.isnan(self.interval_s):
            return f"IntervalSuggestion: no recommendation because {self.reason[0].lower()}{self.reason[1:]}"
        least = "at least " if self.limited_by == "record length" else ""
        whole = "" if self.rounded is None else f", rounded down to {self.rounded}"
        return (
            f"IntervalSuggestion: {least}{duration_text(self.interval_s)} for {self.tolerance} "
            f"at {100 * self.reliability:g} % {SHORT[self.meaning]}{whole}"
        )

    def _table(self) -> Table:
        shown = np.unique(np.linspace(0, len(self.elapsed_s) - 1, 12).astype(int))
        frame = self._frame_of(shown)
        simulated = self.never_left is not None
        columns = ("offset", "low_95", "high_95", "probability_within", "average_probability", "never_left")
        shapes = ("{:.3e}", "{:.3e}", "{:.3e}", "{:.4f}", "{:.4f}", "{:.4f}")
        rows = tuple(
            (
                duration_text(float(after)),
                *(
                    shape.format(frame[name].iloc[i])
                    for name, shape in zip(columns, shapes, strict=True)
                    if name in frame
                ),
            )
            for i, after in enumerate(frame["elapsed_s"])
        )
        names = ("after", "offset", "low 95 %", "high 95 %", "P(within)", "average")
        return Table(columns=(*names, *(["never left"] if simulated else [])), rows=rows)


def running_mean(times: FloatArray, values: FloatArray) -> FloatArray:
    """Return the mean of values from the first time to each time; the first value at the first time."""
    from scipy.interpolate import PchipInterpolator

    smallest = np.finfo(float).eps  # probabilities of 1e-300 have slopes that cannot be divided by
    whole = PchipInterpolator(times, np.where(values < smallest, 0.0, values)).antiderivative()(times)
    length = times - times[0]
    return np.where(length > 0, whole / np.where(length > 0, length, 1.0), values[0])


def _plain(value: float) -> float | str | None:
    if math.isnan(value):
        return None
    return "not limited" if math.isinf(value) else value
