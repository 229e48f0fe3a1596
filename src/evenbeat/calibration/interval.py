"""The recalibration interval: how long the offset stays within tolerance, with what probability.

What the probability is of has to be said (``meaning``): of being within at every moment up to the end,
which is the worst moment; on average over the period; or of never having left, which counts an excursion
that comes back. Of a pure random walk that is within limits with 95 % at the end, 90 % never left them.
"""

from __future__ import annotations

import calendar
import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.calibration.experiment import LEARNT, plan_experiment
from evenbeat.calibration.history_model import SEASON_UNSEEN, TIMES_LONGEST
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.backtest import stop_unless_trusted
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
from evenbeat.findings import Finding, Severity, caution, merged, note
from evenbeat.plain import UNLISTED, Plain
from evenbeat.plausible import assumed_nominal
from evenbeat.quantities import (
    DEFAULT_CONFIDENCE,
    Estimate,
    FloatArray,
    StudentMixture,
    checked_probability,
    need_not_negative,
    need_positive,
    number_text,
)
from evenbeat.result import Column, Result, Table
from evenbeat.units import DAYS_PER_YEAR, SECONDS_PER_DAY, SECONDS_PER_YEAR, duration_text, percent

if TYPE_CHECKING:
    from evenbeat.clock.environment import Course

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


USUAL_SHARE = 0.6827
SEEN = 2.0
"""Standard uncertainties from zero at which a drift counts as established here."""


REFERENCE_EXACT = caution(
    "REFERENCE_EXACT",
    "The reference counts as exact: state the uncertainty of its frequency to include it in the interval.",
)


def _limit_text(made: IntervalSuggestion) -> str:
    """Return the limits in words, and what the offset is that they are for."""
    held = f" less a guard band of {made.guard_band:.2g}" if made.guard_band else ""
    known = not math.isnan(made.averaging_time_s)
    return f"{made.tolerance}{held}" + (
        f" (mean over {duration_text(made.averaging_time_s)})" if known else ""
    )


def _limit_finding(made: IntervalSuggestion) -> Finding:
    """Say what limits an interval."""
    limit, lasting = _limit_text(made), duration_text(np.nan_to_num(made.interval_s))
    percent_text, limited_by = f"{100 * made.reliability:g} %", made.limited_by
    severity: Severity = "note"
    if limited_by == "start":
        code, severity = "INTERVAL_NONE", "stop"
        offset = number_text(made.as_left.value, made.as_left.standard_uncertainty)
        sentence = (
            f"The offset at the start is {offset}, not within {limit} with a probability of "
            f"{percent_text}; adjust the oscillator, reduce the uncertainty or widen the tolerance."
        )
    elif limited_by == "tolerance":
        code = "INTERVAL_LIMITED"
        said = {
            "end_of_period": f"the probability of being within {limit} falls",
            "average_over_period": f"the probability of being within {limit}, averaged from the start, falls",
            "never_left": f"the probability of never having left {limit} falls",
        }[made.meaning]
        sentence = f"After {lasting} {said} below {percent_text}."
    elif limited_by == "policy":
        code = "INTERVAL_CAPPED"
        sentence = (
            f"The cap that was stated limits the interval to {lasting}; the tolerance {limit} would allow "
            "more."
        )
    else:
        code, severity = "INTERVAL_EVIDENCE_ENDS", "caution"
        beyond = made.extrapolated_interval_s
        further = "beyond 20 years" if math.isinf(beyond) else f"to {duration_text(beyond)}"
        untested = f"as far as the evidence reaches; the aging law alone would carry on {further}, untested"
        length = {
            "record length": f"for as long as the record is ({lasting}), {untested}",
            "longest interval": f"for twice the longest interval that was observed ({lasting}), {untested}",
        }.get(limited_by, f"for {lasting}, as far as a stated drift is followed")
        sentence = f"The offset stays within {limit} {length}."
    values: dict[str, float | int | str] = {
        "lower": made.tolerance.lower,
        "upper": made.tolerance.upper,
        "guard_band": made.guard_band,
        "reliability": made.reliability,
        "meaning": made.meaning,
    }
    return Finding(code=code, severity=severity, sentence=sentence, values=values)


def _missing_at_start(made: IntervalSuggestion) -> Finding:
    """Say what is missing where not even the start holds: an adjustment, or less uncertainty."""
    terms, mean, spread = (
        made.standard_uncertainty_by_term,
        made.as_left.value,
        made.as_left.standard_uncertainty,
    )
    if not made.limit.holds(mean):
        sentence = (
            "Missing: an adjustment. The offset itself is outside; no longer log changes that "
            "(suggest_setpoint says what to leave it at)."
        )
        return note("WHAT_IS_MISSING", sentence)
    needed = _needed(made.limit, mean, made.reliability)
    largest = max(terms, key=lambda name: terms[name])
    sentence = (
        f"Missing: certainty. The offset at the start is known to {spread:.2g}, and {needed:.2g} or less is "
        f"needed; the largest part is {largest.replace('as left', 'the adjustment')} ({terms[largest]:.2g})."
    )
    values = {"needed_standard_uncertainty": needed, "standard_uncertainty": spread}
    return note("WHAT_IS_MISSING", sentence, **values)


def _missing_for(
    made: IntervalSuggestion, grounds: Grounds, wanted_s: float, offset: StudentMixture
) -> Finding | None:
    """Say what is missing for a wanted interval, after which the offset is so distributed."""
    wanted = duration_text(wanted_s)
    if made.limited_by in ("record length", "longest interval"):
        half = duration_text(0.5 * wanted_s)
        what = (
            f"a log of {wanted}, or calibrations {half} apart (longest_observed_s)"
            if grounds.kind == "log"
            else f"one interval of {half} between calibrations"
        )
        sentence = f"Missing for {wanted}: evidence that reaches so far, which is {what}."
        return note("WHAT_IS_MISSING", sentence, record_length_s=wanted_s)
    rate = grounds.drift_rate
    if made.limited_by != "tolerance" or grounds.kind == "statement" or rate is None:
        return None
    limits = made.limit
    mean, spread, known = float(offset.mean), _usual(offset), _usual(rate.distribution)
    if abs(rate.value) < SEEN * known:
        # a drift that is not established may turn out to be none
        mean -= rate.value * wanted_s
    values = {"probability": float(limits.probability(offset))}
    within = percent(values["probability"], 1)
    said = f"After {wanted} the probability of being within {_limit_text(made)} is {within}"
    rest = math.sqrt(max(spread**2 - (known * wanted_s) ** 2, 0.0))
    needed = _needed(limits, mean, made.reliability) if limits.holds(mean) else 0.0
    if not limits.holds(mean):
        said += (
            ": the drift itself leaves it by then. No longer log changes that: leave the oscillator off zero "
            "against its drift (suggest_setpoint), widen the tolerance, or calibrate more often."
        )
    elif rest >= needed:
        said += (
            f": noise, as far as it is known, and the start make {rest:.2g} by themselves, and {needed:.2g} "
            "in all is allowed. A longer log helps only if it shows less noise than this one has to allow "
            "for."
        )
    else:
        per_day = math.sqrt(needed**2 - rest**2) / wanted_s * SECONDS_PER_DAY
        now = known * SECONDS_PER_DAY
        said += f": missing is a better known drift, {per_day:.1e} per day instead of {now:.1e} (k = 1)"
        longer, further = _log_longer(grounds, per_day)
        return note("WHAT_IS_MISSING", said + longer, **values, **further)
    return note("WHAT_IS_MISSING", said, **values)


def _usual(distribution: StudentMixture) -> float:
    """Return half the width of the 68 % interval: unlikely noises and laws far from the rest count little."""
    low, high = distribution.interval(USUAL_SHARE)
    return 0.5 * float(high - low)


def _log_longer(grounds: Grounds, per_day: float) -> tuple[str, dict[str, float]]:
    """Say how long a log gives a drift so well known, with the numbers behind it."""
    if grounds.log is None:
        return "; further calibrations, or a log between them, give it.", {"needed_per_day": per_day}
    goal = plan_experiment(grounds.log, drift_uncertainty_per_day=per_day).goals[0]
    short, long = (max(length, grounds.reach_s) for length in (goal.record_length_s, goal.safe_length_s))
    if math.isinf(short):
        return "; with this noise no log gives it.", {}
    most = "longer than a hundred years" if math.isinf(long) else duration_text(long)
    words = (
        f": a log of {duration_text(short)} in all if the noise is what it seems, {most} if it is as bad as "
        f"this log allows and has to be learnt again (which widens by {LEARNT:g})."
    )
    values = {"needed_per_day": per_day, "record_length_s": short, "safe_length_s": long}
    return words, {name: value for name, value in values.items() if math.isfinite(value)}


def _needed(limits: Tolerance, mean: float, reliability: float) -> float:
    """Return the largest standard uncertainty (normal) with which a mean is within limits as asked."""
    room = min(limits.upper - mean, mean - limits.lower)
    most = room / float(special.ndtri(reliability)) if reliability > 0.5 else 10 * room

    def within(spreads: FloatArray) -> FloatArray:
        return limits.probability(StudentMixture.normal(np.full(len(spreads), mean), spreads))

    ends = np.array([1e-9, 1.001]) * most
    return min(first_exit(ends, within(ends), reliability, between=within), most)


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
    limits = Tolerance.of(tolerance, guard_band=guard_band or 0.0)
    checked_probability(reliability, "reliability")
    need_not_negative(
        reference_uncertainty=reference_uncertainty,
        environment_uncertainty=environment_uncertainty,
        transport_uncertainty=transport_uncertainty,
    )
    need_positive(longest_observed_s=longest_observed_s, policy_cap_s=policy_cap_s, wanted_s=wanted_s)
    constant = {
        "reference": reference_uncertainty,
        "environment": environment_uncertainty,
        "transport": transport_uncertainty,
    }
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
        limits=limits,
        reliability=reliability,
        paths=checked_paths(paths),
        seed=seed,
    )
    reach, reach_named = _reach(grounds, longest_observed_s)
    # close together at the start, where a fast change would be, and evenly later on
    soon = np.geomspace(min(grounds.first_s, reach / 100), reach, SEARCH_POINTS // 2)
    times = np.unique(np.concatenate([soon, np.linspace(0, reach, SEARCH_POINTS)]))
    simulated = search.never_left(reach) if meaning == "never_left" else None
    allowed = search.intervals(times, simulated)
    ends: list[tuple[float, LimitedBy]] = [
        (allowed[meaning], "tolerance"),
        (math.inf if policy_cap_s is None else policy_cap_s, "policy"),
        (reach, reach_named),
    ]
    if math.isnan(allowed[meaning]):
        ends = [(math.nan, "start")]
    interval, limited_by = min(ends, key=lambda end: end[0])
    offset, terms = search.offset(times), search.terms(interval, constant)
    extrapolated = search.beyond(reach) if limited_by in ("record length", "longest interval") else math.nan
    rounded, remarks = whole_units(interval, unit=calendar_unit, start=start)
    made = IntervalSuggestion(
        tolerance=Tolerance.of(tolerance),
        reliability=reliability,
        meaning=meaning,
        guard_band=guard_band or 0.0,
        averaging_time_s=math.nan if over is None else over,
        as_left=Estimate(distribution=offset.one(0)),
        interval_s=interval,
        limited_by=limited_by,
        uncapped_interval_s=allowed,
        extrapolated_interval_s=extrapolated,
        rounded=rounded,
        elapsed_s=times,
        offset=offset,
        never_left=simulated,
        standard_uncertainty_by_term=terms,
    )
    missing = None
    if limited_by == "start":
        missing = _missing_at_start(made)
    elif wanted_s is not None and interval < wanted_s:
        missing = _missing_for(made, grounds, wanted_s, search.offset(np.array([wanted_s])).one(0))
    found = merged(
        [_limit_finding(made), *([missing] if missing else [])],
        [] if grounds.reference_stated or reference_uncertainty > 0 else [REFERENCE_EXACT],
        [] if grounds.seasons_seen or environment_uncertainty > 0 else [SEASON_UNSEEN],
        remarks,
    )
    return replace(made, findings=found)


def _reach(grounds: Grounds, longest_observed_s: float | None) -> tuple[float, LimitedBy]:
    """Return how far the evidence reaches, and what it is."""
    observed = 0.0 if longest_observed_s is None else TIMES_LONGEST * longest_observed_s
    if grounds.kind == "log" and grounds.reach_s >= observed:
        return grounds.reach_s, "record length"
    if grounds.kind == "calibrations" and not observed:
        observed = grounds.reach_s
    return (observed, "longest interval") if observed else (LONGEST_EXTRAPOLATION_S, "horizon")


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
        return self.source.offset(elapsed_s, as_left=self.as_left, **self.asked).widened(self.constant)

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
        asked, first_look = self.reliability, self.probability(times)  # both meanings begin with it
        average = first_exit(times, running_mean(times, first_look), asked)
        if math.isfinite(average):  # once more with all the moments where they matter
            finer = np.linspace(0, min(1.2 * average + times[1], times[-1]), 2 * SEARCH_POINTS)
            average = first_exit(finer, running_mean(finer, self.probability(finer)), asked)
        found: dict[Meaning, float] = {
            "end_of_period": first_exit(times, first_look, asked, between=self.probability),
            "average_over_period": average,
        }
        if simulated is not None:
            found["never_left"] = first_exit(simulated.elapsed_s, simulated.probability, asked)
        return found

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
        alone = self.source.offset(at, as_left=self.as_left, **self.asked)
        whole = float(alone.standard_deviation[0])
        return {"as left": left, "drift and noise": math.sqrt(max(whole**2 - left**2, 0.0)), **constant}


CalendarUnit = Literal["day", "week", "month", "quarter", "year"]
DAYS: dict[CalendarUnit, float] = {
    "day": 1.0,
    "week": 7.0,
    "month": DAYS_PER_YEAR / 12,
    "quarter": DAYS_PER_YEAR / 4,
    "year": DAYS_PER_YEAR,
}
MONTHS: dict[CalendarUnit, int] = {"month": 1, "quarter": 3, "year": 12}
FEWEST_OF_A_UNIT = 2
"""Left to itself, the unit is the largest of day, week and month that the interval holds this often."""


@dataclass(frozen=True, kw_only=True)
class CalendarInterval(Plain):
    """A whole number of calendar units, such as 11 months, and the dates where a start was given."""

    count: int
    unit: CalendarUnit
    start: dt.date | None = None
    due: dt.date | None = None

    @property
    def duration_s(self) -> float:
        """Its length in seconds; without a date a month counts as a twelfth of 365.25 days."""
        if self.start is not None and self.due is not None:
            return (self.due - self.start).days * SECONDS_PER_DAY
        return self.count * DAYS[self.unit] * SECONDS_PER_DAY

    def __str__(self) -> str:
        words = f"{self.count} {self.unit}{'' if self.count == 1 else 's'}"
        return words if self.due is None else f"{words}, due {self.due.isoformat()}"


def whole_units(
    interval_s: float, *, unit: CalendarUnit | None = None, start: dt.date | str | None = None
) -> tuple[CalendarInterval | None, tuple[Finding, ...]]:
    """Return the largest whole number of calendar units that an interval holds; ``None`` below one day.

    The unit is by default the largest of day, week and month that fits twice; a finding says where a smaller
    one than was asked for was taken. From a ``start`` on months have the days that they have.
    """
    if unit is not None and unit not in DAYS:
        msg = f"calendar unit is {unit!r}; it must be one of {', '.join(DAYS)}"
        raise InputError(msg)
    begun = checked_date(start)
    if math.isnan(interval_s):
        return None, ()
    days = math.floor(interval_s / SECONDS_PER_DAY * (1 + 1e-12))
    usual: tuple[CalendarUnit, ...] = ("month", "week")
    fitting = (one for one in usual if days >= FEWEST_OF_A_UNIT * DAYS[one])
    asked: CalendarUnit = unit or next(fitting, None) or "day"
    order: list[CalendarUnit] = ["year", "quarter", "month", "week", "day"]
    for smaller in order[order.index(asked) :]:
        count = _count(days, smaller, begun)
        if count > 0:
            due = None if begun is None else _after(begun, count, smaller)
            made = CalendarInterval(count=count, unit=smaller, start=begun, due=due)
            sentence = (
                f"The interval of {duration_text(interval_s)} holds no whole {asked}; it is rounded down to "
                f"whole {smaller}s instead."
            )
            return made, () if smaller == asked else (note("SMALLER_CALENDAR_UNIT", sentence),)
    sentence = (
        f"An interval of {duration_text(interval_s)} is shorter than a day: no due date follows from it."
    )
    return None, (caution("NO_WHOLE_DAY", sentence),)


def checked_date(date: dt.date | str | None, name: str = "start") -> dt.date | None:
    """Return a date from ISO text."""
    if date is None:
        return None
    if isinstance(date, dt.datetime):
        return date.date()
    if isinstance(date, dt.date):
        return date
    try:
        return dt.date.fromisoformat(str(date)[:10])
    except ValueError as error:
        msg = f"{name} is {date!r}; an ISO date such as 2026-02-26 is needed"
        raise InputError(msg) from error


def _count(days: int, unit: CalendarUnit, start: dt.date | None) -> int:
    if start is None or unit in ("day", "week"):
        return math.floor(days / DAYS[unit] * (1 + 1e-12))
    end = min(start.toordinal() + days, dt.date.max.toordinal())
    count = math.ceil(days / DAYS[unit]) + 1
    while count > 0 and _after(start, count, unit).toordinal() > end:
        count -= 1
    return count


def _after(start: dt.date, count: int, unit: CalendarUnit) -> dt.date:
    """Return the date some units later; the last day of a month where the day does not exist in it."""
    if unit in ("day", "week"):
        return start + dt.timedelta(days=count * int(DAYS[unit]))
    months = start.year * 12 + start.month - 1 + count * MONTHS[unit]
    year, month = divmod(months, 12)
    if year > dt.MAXYEAR:
        return dt.date.max
    return dt.date(year, month + 1, min(start.day, calendar.monthrange(year, month + 1)[1]))
