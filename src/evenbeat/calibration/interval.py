"""The recalibration interval: how long the offset stays within tolerance, with what probability.

What the probability is of has to be said (``meaning``): of being within at every moment up to the end,
which is the worst moment; on average over the period; or of never having left, which counts an excursion
that comes back. Of a pure random walk that is within limits with 95 % at the end, 90 % never left them.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from evenbeat.calibration.calendar import CalendarUnit, whole_units
from evenbeat.calibration.history_model import TIMES_LONGEST, season_unseen
from evenbeat.calibration.interval_findings import (
    Question,
    limit_finding,
    missing_at_start,
    missing_for,
    reference_findings,
)
from evenbeat.calibration.interval_suggestion import (
    MEANINGS,
    IntervalSuggestion,
    LimitedBy,
    Meaning,
    NeverLeft,
    running_mean,
)
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.as_predicted import stop_unless_trusted
from evenbeat.clock.forecaster import (
    PATHS,
    Forecaster,
    Grounds,
    checked_forecaster,
    checked_paths,
    first_exit,
    moments,
    never_left,
)
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.plausible import assumed_nominal
from evenbeat.quantities import (
    DEFAULT_CONFIDENCE,
    Estimate,
    FloatArray,
    StudentMixture,
    checked_probability,
)
from evenbeat.units import SECONDS_PER_YEAR

if TYPE_CHECKING:
    from evenbeat.clock.environment import Course

SEARCH_POINTS = 120
LONGEST_EXTRAPOLATION_S = 20 * SECONDS_PER_YEAR


def suggest_interval(
    source: Forecaster,
    *,
    tolerance: ToleranceLike | Tolerance,
    reliability: float = DEFAULT_CONFIDENCE,
    meaning: Meaning = "end_of_period",
    guard_band: float | None = None,
    as_left: Estimate | None = None,
    reference_uncertainty: float = 0.0,
    environment_uncertainty: float = 0.0,
    transport_uncertainty: float = 0.0,
    environment: Mapping[str, Course] | None = None,
    averaging_time_s: float | None = None,
    longest_observed_s: float | None = None,
    policy_cap_s: float | None = None,
    wanted_s: float | None = None,
    calendar_unit: CalendarUnit | None = None,
    start: dt.date | str | None = None,
    paths: int = PATHS,
    seed: int = 0,
    even_if_untested: bool = False,
) -> IntervalSuggestion:
    """Suggest how long a clock may run until its next calibration.

    Parameters
    ----------
    source
        A clock model (the interval starts at the end of its record), a model of calibrations
        (:func:`evenbeat.fit_history`; at the last of them), or a :class:`evenbeat.StatedDrift`.
    tolerance
        Limits of the fractional offset: ``1e-8`` for ±1e-8, or two such as ``(-5e-9, 1e-8)``.
    reliability, meaning
        Probability asked for, and of what: ``end_of_period`` (within at every moment of the interval),
        ``average_over_period``, or ``never_left`` (first passage, simulated).
    guard_band
        Held back from either limit; for instance the expanded uncertainty of the next calibration.
    as_left
        Offset after an adjustment at the start; by default the clock is left as it is.
    reference_uncertainty
        Standard uncertainty of the reference's fractional frequency: a log shows the clock against it.
    environment_uncertainty, transport_uncertainty
        Standard uncertainties of what use elsewhere (temperature, orientation, supply) and the way there
        (shock, power off and on) may add to the offset; constant over the interval.
    environment
        Of a clock model fitted with covariates: their courses to come, see :class:`evenbeat.Course`.
    averaging_time_s
        Of a clock model: the offset is the mean over so long; by default over an hour, or from one reading to
        the next where these are further apart. The answer says it.
    longest_observed_s
        Longest interval between two calibrations that was ever observed; known of a history. Nothing
        beyond twice of it is suggested.
    policy_cap_s
        Longest interval that your own rules allow.
    wanted_s
        Interval that you would like: what is missing for it is said, and how long to log.
    calendar_unit, start
        For rounding down: ``day`` … ``year`` (by default the largest of day, week and month that fits
        twice), and the ISO date at which the interval begins.
    paths, seed
        Of the simulation of ``never_left``.
    even_if_untested
        Answer for a clock model too whose forecasts within its own record failed.

    Returns
    -------
    IntervalSuggestion
        The interval in seconds and what limits it; the probability along the way.

    Raises
    ------
    InputError
        If the tolerance or another option is impossible; the sentence names it. If the clock model's
        forecasts of its own past failed, or the clock changed.

    Notes
    -----
    The suggestion of a clock model never exceeds the length of its record, unless longer intervals
    between calibrations were observed; what the aging law gives beyond is reported beside it. It comes from
    a model of the instrument's own drift (ILAC-G24:2022 / OIML D 10 leaves the choice of method open).

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> model = eb.fit_clock(record)
    >>> suggestion = eb.suggest_interval(model, tolerance=1e-8)
    >>> suggestion.limited_by
    'record length'

    References
    ----------
    Formula: largest T with P(|y(t)| ≤ tolerance) ≥ reliability for all t ≤ T
    Source: own derivation; ILAC-G24:2022 / OIML D 10:2022 (methods of review)
    Tests: tests/calibration/test_interval.py
    """
    grounds = checked_forecaster(source).grounds
    over = grounds.averaging_time_s if averaging_time_s is None else averaging_time_s
    if meaning not in MEANINGS:
        msg = f"meaning is {meaning!r}; it must be one of {', '.join(MEANINGS)}"
        raise InputError(msg)
    question = Question(
        tolerance=Tolerance.of(tolerance),
        guard_band=guard_band or 0.0,
        reliability=checked_probability(reliability, "reliability"),
        meaning=meaning,
        averaging_time_s=over,
    )
    constant = {
        "reference": reference_uncertainty,
        "environment": environment_uncertainty,
        "transport": transport_uncertainty,
    }
    for name, value in constant.items():
        if not (value >= 0 and math.isfinite(value)):
            msg = f"{name}_uncertainty is {value:g}; it must be zero or positive"
            raise InputError(msg)
    if grounds.log is not None:
        record = grounds.log.record
        untold = assumed_nominal(record.findings, record.nominal_frequency_hz, "interval is suggested")
        if untold is not None and as_left is None:
            raise InputError(untold.sentence.rstrip("."))
        stop_unless_trusted(grounds.log, even_if_untested=even_if_untested)
    search = _Search(
        source=source,
        asked={"averaging_time_s": averaging_time_s, "environment": environment},
        as_left=as_left,
        constant=math.hypot(*constant.values()),
        limits=question.limits,
        reliability=reliability,
        paths=checked_paths(paths),
        seed=seed,
    )
    reach, reach_named = _reach(grounds, longest_observed_s)
    cap, wanted = _checked_cap(policy_cap_s, "policy_cap_s"), _checked_cap(wanted_s, "wanted_s")
    times = _search_times(min(grounds.first_s, reach / 100), reach)
    simulated = search.never_left(reach) if meaning == "never_left" else None
    allowed = search.intervals(times, simulated)
    ends: list[tuple[float, LimitedBy]] = [
        (allowed[meaning], "tolerance"),
        (cap, "policy"),
        (reach, reach_named),
    ]
    if math.isnan(allowed[meaning]):
        ends = [(math.nan, "start")]
    interval, limited_by = min(ends, key=lambda end: end[0])
    offset, terms = search.offset(times), search.terms(interval, constant)
    extrapolated = search.beyond(reach) if limited_by in ("record length", "longest interval") else math.nan
    begun = Estimate(distribution=offset.one(0))
    finding = limit_finding(
        question, limited_by, interval_s=interval, extrapolated_s=extrapolated, as_left=begun
    )
    missing: list[Finding] = []
    if limited_by == "start":
        missing = missing_at_start(question, offset.one(0), terms)
    elif math.isfinite(wanted):
        after = search.offset(np.array([wanted])).one(0)
        missing = missing_for(
            grounds, question, limited_by, interval_s=interval, wanted_s=wanted, offset=after
        )
    rounded, remarks = whole_units(interval, unit=calendar_unit, start=start)
    return IntervalSuggestion(
        tolerance=question.tolerance,
        reliability=reliability,
        meaning=meaning,
        guard_band=question.guard_band,
        averaging_time_s=math.nan if over is None else over,
        as_left=begun,
        interval_s=interval,
        limited_by=limited_by,
        uncapped_interval_s=allowed,
        extrapolated_interval_s=extrapolated,
        rounded=rounded,
        elapsed_s=times,
        offset=offset,
        never_left=simulated,
        standard_uncertainty_by_term=terms,
        findings=merged(
            [finding],
            missing,
            reference_findings(grounds, reference_uncertainty),
            [] if grounds.seasons_seen or environment_uncertainty > 0 else [season_unseen()],
            remarks,
        ),
    )


def _reach(grounds: Grounds, longest_observed_s: float | None) -> tuple[float, LimitedBy]:
    """Return how far the evidence reaches, and what it is."""
    if longest_observed_s is not None and not longest_observed_s > 0:
        msg = f"longest_observed_s is {longest_observed_s:g}; it must be a positive time in seconds"
        raise InputError(msg)
    observed = 0.0 if longest_observed_s is None else TIMES_LONGEST * longest_observed_s
    if grounds.kind == "log" and grounds.reach_s >= observed:
        return grounds.reach_s, "record length"
    if grounds.kind == "calibrations" and not observed:
        observed = grounds.reach_s
    return (observed, "longest interval") if observed else (LONGEST_EXTRAPOLATION_S, "horizon")


def _checked_cap(cap_s: float | None, name: str) -> float:
    if cap_s is None:
        return math.inf
    if not cap_s > 0:
        msg = f"{name} is {cap_s:g}; it must be a positive time in seconds"
        raise InputError(msg)
    return cap_s


def _search_times(first: float, last: float) -> FloatArray:
    """Return times close together at the start, where a fast change would be, and evenly later on."""
    return np.unique(
        np.concatenate(
            [[0.0], np.geomspace(first, last, SEARCH_POINTS // 2), np.linspace(0, last, SEARCH_POINTS)[1:]]
        )
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Search:
    """The offset as a function of time, and the probabilities asked of it."""

    source: Forecaster
    asked: Mapping[str, Any]
    as_left: Estimate | None
    constant: float
    limits: Tolerance
    reliability: float
    paths: int
    seed: int

    def offset(self, elapsed_s: FloatArray) -> StudentMixture:
        """Return the distribution of the offset after ``elapsed_s``, shape (m,)."""
        return self._alone(elapsed_s).widened(self.constant)

    def _alone(self, elapsed_s: FloatArray) -> StudentMixture:
        return self.source.offset(elapsed_s, as_left=self.as_left, **self.asked)

    def never_left(self, until_s: float) -> NeverLeft:
        """Return the simulated probability of never having left."""
        # a tolerance left early needs its moments early: look again over the part that matters
        simulated = self._simulated(until_s)
        end = first_exit(simulated.elapsed_s, simulated.probability, self.reliability)
        if math.isfinite(end) and 0 < end < 0.25 * until_s:
            return self._simulated(min(4 * end, until_s))
        return simulated

    def _simulated(self, until_s: float) -> NeverLeft:
        times = np.append(0.0, moments(until_s / 1000, until_s))
        rng = np.random.default_rng(self.seed)
        chance, error = never_left(
            self.source.paths(times, self.paths, rng, as_left=self.as_left, **self.asked),
            times,
            (self.limits.lower, self.limits.upper),
            self.probability(times),
            rng,
            begun=Estimate.normal(0.0, self.constant),
        )
        return NeverLeft(elapsed_s=times, probability=chance, standard_error=error, paths=self.paths)

    def intervals(self, times: FloatArray, simulated: NeverLeft | None) -> dict[Meaning, float]:
        """Return what each meaning allows: NaN if not even the start holds, inf if it is not limited."""
        first_look = self.probability(times)  # both meanings begin with it
        found: dict[Meaning, float] = {
            "end_of_period": first_exit(times, first_look, self.reliability, between=self.probability),
            "average_over_period": self._average(times, first_look),
        }
        if simulated is not None:
            found["never_left"] = first_exit(simulated.elapsed_s, simulated.probability, self.reliability)
        return found

    def _average(self, times: FloatArray, probability: FloatArray) -> float:
        end = self._average_on(times, probability)
        if not math.isfinite(end):
            return end
        # once more with all the moments where they matter
        finer = np.linspace(0, min(1.2 * end + times[1], times[-1]), 2 * SEARCH_POINTS)
        return self._average_on(finer, self.probability(finer))

    def _average_on(self, times: FloatArray, probability: FloatArray) -> float:
        return first_exit(times, running_mean(times, probability), self.reliability)

    def beyond(self, reach: float) -> float:
        """Return the interval that the aging law gives beyond ``reach``; inf past 20 years."""
        if reach >= LONGEST_EXTRAPOLATION_S:
            return math.inf
        times = np.geomspace(reach, LONGEST_EXTRAPOLATION_S, SEARCH_POINTS)
        return first_exit(times, self.probability(times), self.reliability, between=self.probability)

    def probability(self, elapsed_s: FloatArray) -> FloatArray:
        """Return the probability of being within the limits at each time."""
        return self.limits.probability(self.offset(elapsed_s))

    def terms(self, interval_s: float, constant: Mapping[str, float]) -> dict[str, float]:
        """Return standard uncertainties of the offset at the end by cause (at the start if there is none)."""
        at = np.array([0.0 if math.isnan(interval_s) else interval_s])
        left = 0.0 if self.as_left is None else self.as_left.standard_uncertainty
        whole = float(self._alone(at).standard_deviation[0])
        return {"as left": left, "drift and noise": math.sqrt(max(whole**2 - left**2, 0.0)), **constant}
