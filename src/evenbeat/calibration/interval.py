"""The recalibration interval: how long the offset stays within tolerance, with what probability.

The suggestion is the largest T such that P(|offset(t)| <= tolerance) >= reliability for every t up to
T: reliability at the end of the period, which is also the worst moment within it. It says nothing
about an excursion that comes back; of a pure random walk that is within limits with 95 % at the end,
90 % never left them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenbeat.clock.crossing import holds_until
from evenbeat.clock.forecast import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.printing import Printed, Table
from evenbeat.quantities import (
    DEFAULT_CONFIDENCE,
    Estimate,
    FloatArray,
    StudentMixture,
    checked_probability,
    number_text,
)
from evenbeat.units import SECONDS_PER_YEAR, duration_text

if TYPE_CHECKING:
    import pandas as pd

LimitedBy = Literal["tolerance", "record length", "start"]
SEARCH_POINTS = 120
LONGEST_EXTRAPOLATION_S = 20 * SECONDS_PER_YEAR


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class IntervalSuggestion(Printed):
    """A suggested recalibration interval: an analysis for the owner, not part of a certificate.

    Attributes
    ----------
    tolerance, guard_band
        Limit of the fractional offset, and what is held back from it.
    reliability
        Probability of being within the guarded limit at every moment of the interval.
    as_left
        Offset at the end of the record, when the interval starts.
    interval_s
        Suggested interval in seconds; NaN where no recommendation can be made.
    limited_by
        ``'tolerance'``: the offset may leave it then; ``'record length'``: the evidence ends there, the
        tolerance does not; ``'start'``: even now the offset is not within it with that probability.
    extrapolated_interval_s
        What the aging law would give beyond one record length; ``inf`` where 20 years do not suffice,
        NaN where the tolerance already limits.
    elapsed_s, offset
        Times after the end of the record, and the distribution of the offset then.
    """

    tolerance: float
    reliability: float
    guard_band: float
    as_left: Estimate
    interval_s: float
    limited_by: LimitedBy
    extrapolated_interval_s: float
    elapsed_s: FloatArray
    offset: StudentMixture
    findings: tuple[Finding, ...] = ()

    @property
    def limit(self) -> float:
        """The tolerance less the guard band."""
        return self.tolerance - self.guard_band

    @property
    def probability(self) -> FloatArray:
        """Probability of being within the guarded limit at each time, shape (m,)."""
        return self.offset.probability_within(self.limit)

    @property
    def reason(self) -> str:
        """One sentence that says what limits the interval."""
        return next(finding.sentence for finding in self.findings if finding.code.startswith("INTERVAL_"))

    def to_frame(self) -> pd.DataFrame:
        """Return one row per time: mean offset, band and probability of being within the limit."""
        import pandas as pd

        low, high = self.offset.interval(DEFAULT_CONFIDENCE)
        return pd.DataFrame(
            {
                "elapsed_s": self.elapsed_s,
                "offset": self.offset.mean,
                "low_95": low,
                "high_95": high,
                "probability_within": self.probability,
            }
        )

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "tolerance": self.tolerance,
            "guard_band": self.guard_band,
            "reliability": self.reliability,
            "reliability_means": "P(|offset| <= tolerance - guard band) at every moment up to the interval",
            "as_left": self.as_left.to_dict(),
            "interval_s": None if math.isnan(self.interval_s) else self.interval_s,
            "limited_by": self.limited_by,
            "extrapolated_interval_s": self.extrapolated_interval_s
            if math.isfinite(self.extrapolated_interval_s)
            else None,
            "elapsed_s": self.elapsed_s.tolist(),
            "offset_mean": self.offset.mean.tolist(),
            "probability_within": self.probability.tolist(),
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        if math.isnan(self.interval_s):
            return f"IntervalSuggestion: no recommendation because {self.reason[0].lower()}{self.reason[1:]}"
        least = "at least " if self.limited_by == "record length" else ""
        return (
            f"IntervalSuggestion: {least}{duration_text(self.interval_s)} for ±{self.tolerance:.3g} "
            f"at {100 * self.reliability:g} %"
        )

    def _table(self) -> Table:
        low, high = self.offset.interval(DEFAULT_CONFIDENCE)
        shown = np.unique(np.linspace(0, len(self.elapsed_s) - 1, 12).astype(int))
        mean, probability = self.offset.mean, self.probability
        rows = tuple(
            (
                duration_text(float(self.elapsed_s[i])),
                f"{mean[i]:.3e}",
                f"{low[i]:.3e}",
                f"{high[i]:.3e}",
                f"{probability[i]:.4f}",
            )
            for i in shown
        )
        return Table(columns=("after", "offset", "low 95 %", "high 95 %", "P(within)"), rows=rows)


def suggest_interval(
    model: ClockModel,
    *,
    tolerance: float,
    reliability: float = DEFAULT_CONFIDENCE,
    guard_band: float | None = None,
    as_left: Estimate | None = None,
    reference_uncertainty: float = 0.0,
) -> IntervalSuggestion:
    """Suggest how long a clock may run until its next calibration.

    Parameters
    ----------
    tolerance
        Limit of the absolute fractional offset.
    reliability
        Probability of being within it at every moment of the interval.
    guard_band
        Held back from the tolerance, in the same unit; for instance the expanded uncertainty of the
        next calibration. None by default.
    as_left
        Offset after an adjustment at the end of the record; by default the clock is left as it is and
        the model's own offset is used.
    reference_uncertainty
        Standard uncertainty of the reference's fractional frequency: the log shows the clock against it.

    Raises
    ------
    InputError
        If the tolerance is not positive, the guard band leaves nothing of it, or the reliability is not
        a probability.

    Notes
    -----
    The suggestion never exceeds the length of the record; what the aging law gives beyond is reported
    beside it. A physical model as in ILAC-G24:2022 / OIML D 10, method of control by drift.
    """
    band = 0.0 if guard_band is None else guard_band
    _check_limits(tolerance, band, reference_uncertainty)
    checked_probability(reliability, "reliability")
    question = _Question(model, as_left, reference_uncertainty, tolerance - band, reliability)
    reach = model.record.duration_s
    times = _search_times(min(model.blocks.length_s, reach / 100), reach)
    offset = question.offset(times)
    interval, limited_by = question.interval(times)
    extrapolated = math.nan
    if limited_by == "record length":
        extrapolated = question.beyond(reach)
    start = Estimate(distribution=offset.one(0))
    finding = _finding(
        limited_by,
        interval_s=interval,
        extrapolated_s=extrapolated,
        start=start,
        limits=(tolerance, band),
        reliability=reliability,
    )
    return IntervalSuggestion(
        tolerance=tolerance,
        reliability=reliability,
        guard_band=band,
        as_left=start,
        interval_s=interval,
        limited_by=limited_by,
        extrapolated_interval_s=extrapolated,
        elapsed_s=times,
        offset=offset,
        findings=merged([finding], _reference_finding(reference_uncertainty)),
    )


def _search_times(first: float, last: float) -> FloatArray:
    """Return times close together at the start, where a fast change would be, and evenly later on."""
    return np.unique(
        np.concatenate(
            [[0.0], np.geomspace(first, last, SEARCH_POINTS // 2), np.linspace(0, last, SEARCH_POINTS)[1:]]
        )
    )


def _check_limits(tolerance: float, guard_band: float, reference_uncertainty: float) -> None:
    if not (tolerance > 0 and math.isfinite(tolerance)):
        msg = f"tolerance is {tolerance:g}; it must be a positive fractional frequency such as 1e-8"
        raise InputError(msg)
    if not 0 <= guard_band < tolerance:
        msg = (
            f"guard_band is {guard_band:g}; it must be at least zero and below the tolerance of {tolerance:g}"
        )
        raise InputError(msg)
    if not (reference_uncertainty >= 0 and math.isfinite(reference_uncertainty)):
        msg = f"reference_uncertainty is {reference_uncertainty:g}; it must be zero or positive"
        raise InputError(msg)


@dataclass(frozen=True, eq=False)
class _Question:
    """The offset as a function of time, and the probability asked of it."""

    model: ClockModel
    as_left: Estimate | None
    reference_uncertainty: float
    limit: float
    reliability: float

    def offset(self, elapsed_s: FloatArray) -> StudentMixture:
        """Return the distribution of the offset after ``elapsed_s``, shape (m,)."""
        times = self.model.record.duration_s + elapsed_s
        if self.as_left is None:
            return self._forecast(times).distribution.widened(self.reference_uncertainty)
        extra = math.hypot(self.as_left.standard_uncertainty, self.reference_uncertainty)
        return self._forecast(times).distribution.shifted(self.as_left.value).widened(extra)

    def _forecast(self, times: FloatArray) -> Forecast:
        if self.as_left is None:
            return self.model.frequency_at(times)
        return self.model.frequency_change_at(times)

    def interval(self, times: FloatArray) -> tuple[float, LimitedBy]:
        """Return the largest time up to which the reliability holds throughout, and what limits it."""
        until = holds_until(times, self._probability, self.reliability)
        if math.isnan(until):
            return math.nan, "start"
        if math.isinf(until):
            return float(times[-1]), "record length"
        return until, "tolerance"

    def beyond(self, reach: float) -> float:
        """Return the interval that the aging law gives beyond ``reach``; inf past 20 years."""
        if reach >= LONGEST_EXTRAPOLATION_S:
            return math.inf
        times = np.geomspace(reach, LONGEST_EXTRAPOLATION_S, SEARCH_POINTS)
        return holds_until(times, self._probability, self.reliability)

    def _probability(self, elapsed_s: FloatArray) -> FloatArray:
        return self.offset(elapsed_s).probability_within(self.limit)


def _finding(
    limited_by: LimitedBy,
    *,
    interval_s: float,
    extrapolated_s: float,
    start: Estimate,
    limits: tuple[float, float],
    reliability: float,
) -> Finding:
    tolerance, guard_band = limits
    limit = f"±{tolerance:.3g}" + (f" less a guard band of {guard_band:.2g}" if guard_band else "")
    values = {"tolerance": tolerance, "guard_band": guard_band, "reliability": reliability}
    if limited_by == "start":
        offset = number_text(start.value, start.standard_uncertainty)
        sentence = (
            f"The offset at the end of the record is {offset}, not within {limit} with a probability of "
            f"{100 * reliability:g} %; adjust the oscillator, reduce the uncertainty or widen the tolerance."
        )
        return Finding(code="INTERVAL_NONE", severity="stop", sentence=sentence, values=values)
    if limited_by == "tolerance":
        sentence = (
            f"After {duration_text(interval_s)} the probability of being within {limit} "
            f"falls below {100 * reliability:g} %."
        )
        return Finding(code="INTERVAL_LIMITED", severity="note", sentence=sentence, values=values)
    further = "beyond 20 years" if math.isinf(extrapolated_s) else f"to {duration_text(extrapolated_s)}"
    sentence = (
        f"The offset stays within {limit} for as long as the record is ({duration_text(interval_s)}), as far "
        f"as the evidence reaches; the aging law alone would carry on {further}, untested."
    )
    return Finding(code="INTERVAL_EVIDENCE_ENDS", severity="caution", sentence=sentence, values=values)


def _reference_finding(reference_uncertainty: float) -> list[Finding]:
    if reference_uncertainty > 0:
        return []
    sentence = (
        "The reference counts as exact: state the uncertainty of its frequency to include it in the interval."
    )
    return [Finding(code="REFERENCE_EXACT", severity="caution", sentence=sentence)]
