"""What a log says of each line of a specification: a value with its distribution, or why it cannot tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.calibration.specification import Quantity, SpecificationLine
from evenbeat.clock.model import ClockModel
from evenbeat.conditioning.display import floor_at_interval
from evenbeat.deviations.chi_squared_sums import ChiSquaredSums
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.errors import InputError
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, duration_text

YEAR_S = 365 * SECONDS_PER_DAY
SLACK = 0.02
"""Share of a range of temperature that may be missing at either end."""
HALVINGS = 60
MINIMUM_COVERAGE = 0.9


class CannotTellError(Exception):
    """The log cannot tell; the message says why."""


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What a log says of one line.

    Attributes
    ----------
    value, low, high
        With the interval of the coverage probability asked for.
    probability
        Of conformance.
    not_tested
        Why the value does not count as a test, although there is one; empty if it does.
    note
        What else to know.
    """

    value: float
    low: float
    high: float
    probability: float
    not_tested: str = ""
    note: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """What a specification is held against."""

    record: Record | None
    model: ClockModel | None
    curves: Mapping[str, StabilityCurve]
    measured: Mapping[str, Estimate]
    powered_on_s: float | None
    powered_off_s: tuple[float, float] | None
    reference_uncertainty: float
    coverage: float


def measured_for(line: SpecificationLine, evidence: Evidence) -> Measured:
    """Return what the evidence says of a line.

    Raises
    ------
    CannotTellError
        If it says nothing; the message says why.
    """
    for name in (line.title, line.quantity):
        if name in evidence.measured:
            return _of_estimate(evidence.measured[name], line, evidence, note="as stated")
    return _MEASURES[line.quantity](line, evidence)


def _of_estimate(
    estimate: Estimate, line: SpecificationLine, evidence: Evidence, *, not_tested: str = "", note: str = ""
) -> Measured:
    """Return an estimate held against a line; of a change over a range the size counts."""
    low, high = estimate.interval(evidence.coverage)
    value = estimate.value
    lower = -line.limits.upper if line.one_sided else line.limits.lower
    probability = float(estimate.distribution.probability_between(lower, line.limits.upper))
    if line.one_sided and value < 0:
        value, low, high = -value, -high, -low
    return Measured(
        value=value, low=low, high=high, probability=probability, not_tested=not_tested, note=note
    )


def _stability(line: SpecificationLine, evidence: Evidence) -> Measured:
    curve, i = _point(line, evidence)
    value, limit = float(curve.deviation[i]), line.limits.upper
    low, high = (float(limit_[i]) for limit_ in curve.confidence_interval(evidence.coverage))
    distribution = curve.distribution or ChiSquaredSums.of_edf(curve.edf)
    probability = _probability_above(lambda p: float(distribution.quantile(p)[i]), (value / limit) ** 2)
    not_tested = ""
    record = evidence.record
    if record is not None and record.resolution and line.averaging_time_s <= 1.5 * record.interval_s:
        floor = floor_at_interval(record, record.resolution)
        if floor > 0.5 * limit:
            not_tested = f"the display alone shows {floor:.2g}"
    return Measured(
        value=value,
        low=low,
        high=high,
        probability=probability,
        not_tested=not_tested,
        note="noise of counter and reference included",
    )


def _point(line: SpecificationLine, evidence: Evidence) -> tuple[StabilityCurve, int]:
    time = line.averaging_time_s
    curve = evidence.curves.get(line.statistic)
    if curve is not None and np.any(np.isclose(curve.averaging_time_s, time, rtol=1e-6)):
        i = int(np.argmin(np.abs(curve.averaging_time_s - time)))
    else:
        curve, i = _computed(line, evidence.record), 0
    if not (curve.deviation[i] > 0 and curve.terms[i] > 0):
        msg = f"gaps leave no term at {duration_text(time)}"
        raise CannotTellError(msg)
    return curve, i


def _computed(line: SpecificationLine, record: Record | None) -> StabilityCurve:
    time = line.averaging_time_s
    if record is None:
        msg = f"no curve with a point at {duration_text(time)}, and no record"
        raise CannotTellError(msg)
    factor = round(time / record.interval_s)
    if factor < 1 or not math.isclose(factor * record.interval_s, time, rel_tol=1e-3):
        msg = f"readings are {duration_text(record.interval_s)} apart: {duration_text(time)} is no multiple"
        raise CannotTellError(msg)
    try:
        curve = stability(record, line.statistic, averaging=[factor], minimum_coverage=MINIMUM_COVERAGE)
    except InputError as error:
        msg = f"the record is too short: {error}"
        raise CannotTellError(msg) from error
    if not len(curve):
        msg = f"a record of {duration_text(record.duration_s)} has no term at {duration_text(time)}"
        raise CannotTellError(msg)
    return curve


def _probability_above(quantile: Callable[[float], float], value: float) -> float:
    """Return the probability of a variable being above a value, given its quantiles."""
    low, high = 1e-12, 1 - 1e-12
    if value <= quantile(low):
        return 1.0
    if value >= quantile(high):
        return 0.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if quantile(middle) < value else (low, middle)
    return 1 - 0.5 * (low + high)


def _needs_model(evidence: Evidence) -> ClockModel:
    if evidence.model is None:
        msg = "no clock model: the record is too short for one, or none was given"
        raise CannotTellError(msg)
    return evidence.model


def _aging_per_day(line: SpecificationLine, evidence: Evidence) -> Measured:
    model = _needs_model(evidence)
    note = f"at the end of {duration_text(model.record.duration_s)}"
    not_tested = ""
    if model.record.duration_s < SECONDS_PER_DAY:
        not_tested = f"the log is {duration_text(model.record.duration_s)} long; a day at least is needed"
    return _of_estimate(model.aging_rate().per_day, line, evidence, not_tested=not_tested, note=note)


def _aging_per_year(line: SpecificationLine, evidence: Evidence) -> Measured:
    model = _needs_model(evidence)
    end = model.record.duration_s
    if end >= YEAR_S:
        change = Estimate(distribution=model.frequency_change_at([end - YEAR_S]).distribution.one(0))
        return _of_estimate(change.scaled(-1.0, ""), line, evidence, note="over the last 365 d")
    change = Estimate(distribution=model.frequency_change_at([end + YEAR_S]).distribution.one(0))
    not_tested = f"the log is {duration_text(end)} long, not a year; the value is a forecast"
    return _of_estimate(change, line, evidence, not_tested=not_tested)


def _temperature(line: SpecificationLine, evidence: Evidence) -> Measured:
    model = _needs_model(evidence)
    name = line.covariate
    if name in model.trend.not_determined:
        raise CannotTellError(model.trend.not_determined[name].removesuffix("."))
    if name not in [influence.name for influence in model.trend.influences]:
        msg = f"{name} was not fitted: give environment=({name!r},) to fit_clock, if the log has it"
        raise CannotTellError(msg)
    low, high = line.from_value, line.to_value
    column = model.record.covariates[name]
    seen = float(np.nanmin(column)), float(np.nanmax(column))
    room = SLACK * (high - low)
    not_tested = ""
    if seen[0] > low + room or seen[1] < high - room:
        not_tested = f"the log saw {seen[0]:.3g} to {seen[1]:.3g} only"
    values = np.linspace(low, high, 101)
    about = low if line.reference is None else line.reference
    changes = np.array([model.change_between(name, about, value).value for value in values])
    if line.reference is not None:
        far = float(values[int(np.argmax(np.abs(changes)))])
        estimate = model.change_between(name, line.reference, far)
    else:
        lowest, highest = (float(values[int(at)]) for at in (np.argmin(changes), np.argmax(changes)))
        estimate = model.change_between(name, lowest, highest)
    return _of_estimate(estimate, line, evidence, not_tested=not_tested)


def _warm_up(line: SpecificationLine, evidence: Evidence) -> Measured:
    record = _needs_record(evidence)
    on = evidence.powered_on_s
    if on is None:
        starts = [flag for flag in record.flags if flag.cause == "warm_up" and flag.start == 0]
        if not starts:
            msg = "the log does not show when power came on; give powered_on_s"
            raise CannotTellError(msg)
        on = 0.0
    readings = _Readings.of(record)
    width = min(0.5 * line.after_s, 0.1 * line.compared_with_s)
    final, known = readings.mean(on + line.compared_with_s - width, on + line.compared_with_s)
    begins = np.arange(on + line.after_s, on + line.compared_with_s - width, max(width, record.interval_s))
    if not len(begins):
        msg = f"no reading between {duration_text(line.after_s)} and {duration_text(line.compared_with_s)}"
        raise CannotTellError(msg)
    away = [readings.mean(begin, begin + width) for begin in begins]
    worst, u = max(((mean - final, u) for mean, u in away), key=lambda pair: abs(pair[0]))
    return _of_estimate(Estimate.normal(worst, math.hypot(u, known)), line, evidence)


def _retrace(line: SpecificationLine, evidence: Evidence) -> Measured:
    record = _needs_record(evidence)
    off, on = evidence.powered_off_s or _interruption(record, line.off_s)
    not_tested = ""
    if line.off_s is not None and not 0.5 <= (on - off) / line.off_s <= 2:
        not_tested = f"power was off for {duration_text(on - off)}, not {duration_text(line.off_s)}"
    readings = _Readings.of(record)
    width = min(0.25 * line.after_s, off)
    before, u_before = readings.mean(off - width, off)
    after, u_after = readings.mean(on + line.after_s - 0.5 * width, on + line.after_s + 0.5 * width)
    aged, u_aged = 0.0, 0.0
    if evidence.model is not None:
        rate = evidence.model.aging_rate()
        lapse = on + line.after_s - off + 0.5 * width
        aged, u_aged = rate.value * lapse, rate.standard_uncertainty * lapse
    estimate = Estimate.normal(after - before - aged, math.hypot(u_before, u_after, u_aged))
    return _of_estimate(estimate, line, evidence, not_tested=not_tested)


def _interruption(record: Record, off_s: float | None) -> tuple[float, float]:
    """Return begin and end of the interruption, seconds, that settling follows."""
    present = ~np.isnan(np.asarray(record.values, dtype=float))
    found = []
    for flag in record.flags:
        if flag.cause != "warm_up" or flag.start == 0:
            continue
        earlier = np.flatnonzero(present[: flag.start])
        if len(earlier):
            found.append((float(earlier[-1] + 1) * record.interval_s, flag.start * record.interval_s))
    if not found:
        msg = "the log shows no interruption with settling after it; give powered_off_s"
        raise CannotTellError(msg)
    if off_s is None:
        return max(found, key=lambda span: span[1] - span[0])
    return min(found, key=lambda span: abs(span[1] - span[0] - off_s))


def _offset(_line: SpecificationLine, _evidence: Evidence) -> Measured:
    msg = "a log does not say which reading is 'as delivered'; give measured={'offset': …}"
    raise CannotTellError(msg)


def _needs_record(evidence: Evidence) -> Record:
    record = evidence.record or (None if evidence.model is None else evidence.model.record)
    if record is None:
        msg = "no record was given"
        raise CannotTellError(msg)
    return record


@dataclass(frozen=True, eq=False, kw_only=True)
class _Readings:
    """Fractional frequencies of a record with its settling, without outliers."""

    values: FloatArray
    interval_s: float

    @classmethod
    def of(cls, record: Record) -> _Readings:
        frequency = record.to_frequency()
        values = np.array(frequency.values, dtype=float)
        for flag in frequency.flags:
            if flag.cause == "outlier":
                values[flag.start : flag.stop] = np.nan
        return cls(values=values, interval_s=frequency.interval_s)

    def mean(self, start_s: float, stop_s: float) -> tuple[float, float]:
        """Return the mean over some time and its standard uncertainty, from neighbouring readings' scatter.

        Notes
        -----
        The scatter of halves of the window counts where it is larger: noise that is not white.
        """
        first = max(int(start_s / self.interval_s), 0)
        part = self.values[first : max(int(stop_s / self.interval_s), first + 1)]
        part = part[~np.isnan(part)]
        if not len(part):
            msg = f"the log has no reading between {duration_text(start_s)} and {duration_text(stop_s)}"
            raise CannotTellError(msg)
        if len(part) < 4:
            return float(part.mean()), float(np.nanstd(np.diff(self.values))) / math.sqrt(2 * len(part))
        white = float(np.std(np.diff(part))) / math.sqrt(2 * len(part))
        half = len(part) // 2
        slow = abs(float(part[:half].mean() - part[half:].mean())) / 2
        return float(part.mean()), max(white, slow)


_MEASURES: Mapping[Quantity, Callable[[SpecificationLine, Evidence], Measured]] = {
    "stability": _stability,
    "aging_per_day": _aging_per_day,
    "aging_per_year": _aging_per_year,
    "temperature": _temperature,
    "warm_up": _warm_up,
    "retrace": _retrace,
    "offset": _offset,
}
