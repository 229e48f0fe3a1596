"""The verdict: what the results mean, and what to do next, in sentences that a technician can act on.

Whether a clock is in tolerance now is judged from the offset at the end of its log, which needs no interval
and no forecast: a clock whose future cannot be told may well be out today.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from evenbeat.calibration.experiment import plan_experiment
from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.model import ClockModel
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.errors import EvenbeatError
from evenbeat.findings import Finding
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.plain import Plain, listed_as
from evenbeat.plausible import ASSUMED_NOMINAL
from evenbeat.quantities import Estimate, FloatArray, StudentMixture, number_text
from evenbeat.record import Record
from evenbeat.result import filled
from evenbeat.units import (
    SECONDS_PER_DAY,
    covariate_words,
    duration_range_text,
    duration_text,
    per_words,
    percent,
    time_text,
)

State = Literal["in", "out", "cannot be told"]
JudgedBy = Literal["clock model", "display", "readings", "as left", "assumed nominal"]
WHAT: dict[JudgedBy, str] = {
    "clock model": "the offset at the end of the log",
    "readings": "the offset by the readings themselves",
    "as left": "the offset as left",
    "display": "every offset that shows these readings",
    "assumed nominal": "the offset from a nominal frequency that was assumed",
}


@dataclass(frozen=True, kw_only=True)
class DisplayBound(Plain):
    """Upper bounds from readings that never change: the ``offset`` shown for ``duration_s``.

    ``step`` of the display as fractional frequency is NaN where it cannot be told.
    """

    offset: float
    step: float
    readings: int
    duration_s: float

    @property
    def low(self) -> float:
        """Smallest offset that can show this value: one step below (a gated count is ±1 count)."""
        return self.offset - self.step

    @property
    def high(self) -> float:
        """Largest offset that can show this value: one step above."""
        return self.offset + self.step

    @property
    def largest_aging_per_second(self) -> float:
        """Steepest change that could have gone unseen: one step over the length of the log."""
        return self.step / self.duration_s

    def certainly_within(self, tolerance: ToleranceLike | Tolerance) -> bool:
        """Return whether every offset that can show this value is within the tolerance."""
        limits = Tolerance.of(tolerance)
        return limits.holds(self.low) and limits.holds(self.high)

    def certainly_outside(self, tolerance: ToleranceLike | Tolerance) -> bool:
        """Return whether no offset that can show this value is within the tolerance."""
        limits = Tolerance.of(tolerance)
        return self.low > limits.upper or self.high < limits.lower

    def _facts(self) -> Mapping[str, object]:
        return {
            "offset": self.offset,
            "step": self.step,
            "offset_low": self.low,
            "offset_high": self.high,
            "largest_aging_per_day": self.largest_aging_per_second * SECONDS_PER_DAY,
        }


def display_bound(record: Record) -> DisplayBound | None:
    """Return the bounds for a frequency record whose usable readings are all the same, else ``None``."""
    if record.kind != "frequency":
        return None
    values = record.usable_values(without_steps=False)
    present = values[~np.isnan(values)]
    if not len(present) or present.min() != present.max():
        return None
    return DisplayBound(
        offset=float(present[0]),
        step=math.nan if record.resolution is None else record.resolution,
        readings=len(present),
        duration_s=record.duration_s,
    )


@dataclass(frozen=True, kw_only=True)
class ToleranceNow(Plain):
    """Whether a clock is within its tolerance at the end of its log.

    ``in`` or ``out``, each with at least the reliability asked for; else ``cannot be told``: the interval of
    the offset lies across a limit. ``low`` and ``high`` are its 95 %, or the bounds that the display sets
    (NaN where its step is not known); ``probability_within`` is NaN where there are only bounds.
    """

    state: State
    tolerance: Tolerance
    value: float = field(default=math.nan, metadata=listed_as("offset"))
    standard_uncertainty: float = math.nan
    low: float = field(default=math.nan, metadata=listed_as("offset_low"))
    high: float = field(default=math.nan, metadata=listed_as("offset_high"))
    probability_within: float = math.nan
    judged_by: JudgedBy

    _also = ("sentence",)

    @property
    def sentence(self) -> str:
        """One sentence that says it."""
        if self.judged_by == "assumed nominal":
            return f"Whether it is within {self.tolerance} now cannot be told: state the nominal frequency."
        if self.judged_by == "display":
            shown = f"an offset that shows {self.value:+.3g}"
            if self.state == "cannot be told":
                why = "the step of the display is not known" if math.isnan(self.low) else self._across
                return f"Whether it is within {self.tolerance} now cannot be told from this display: {why}."
            every = f"every offset that shows {self.value:+.3g} is within {self.tolerance}."
            none = f"no {shown.removeprefix('an ')} is within {self.tolerance}."
            return f"In tolerance now: {every}" if self.state == "in" else f"Out of tolerance now: {none}"
        what, offset = WHAT[self.judged_by], number_text(self.value, self.standard_uncertainty)
        if self.state == "cannot be told":
            return f"Whether it is within {self.tolerance} now cannot be told: {what} {self._across}."
        if self.state == "in":
            return f"In tolerance now: {what}, {offset}, is within {self.tolerance}."
        far = abs(self.value) / self.tolerance.upper if self.tolerance.symmetric else 0.0
        times = f", {far:.2g} times the limit" if far >= 2 else ""
        return f"Out of tolerance now: {what}, {offset}, is outside {self.tolerance}{times}."

    @property
    def _across(self) -> str:
        if self.judged_by == "display":
            return f"the offset lies between {self.low:+.2e} and {self.high:+.2e}"
        return f"lies between {self.low:+.3g} and {self.high:+.3g} (95 %)"


def tolerance_now(
    record: Record,
    tolerance: Tolerance,
    *,
    model: ClockModel | None,
    display: DisplayBound | None,
    reliability: float,
    as_left: Estimate | None = None,
    reference_uncertainty: float = 0.0,
) -> ToleranceNow:
    """Return whether a clock is in tolerance at the end of its conditioned record.

    ``reliability`` is the probability from which on it counts as in or as out; ``as_left`` an adjustment at
    the end. Where there is neither model nor display, the readings themselves are judged.
    """
    if as_left is None and any(finding.code == ASSUMED_NOMINAL for finding in record.findings):
        return ToleranceNow(state="cannot be told", tolerance=tolerance, judged_by="assumed nominal")
    state: State = "cannot be told"
    if as_left is None and model is None and display is not None:
        if display.certainly_outside(tolerance):
            state = "out"
        elif display.certainly_within(tolerance):
            state = "in"
        return ToleranceNow(
            state=state,
            tolerance=tolerance,
            value=display.offset,
            low=display.low,
            high=display.high,
            judged_by="display",
        )
    judged_by: JudgedBy = "as left"
    if as_left is not None:
        offset = as_left.distribution
    elif model is not None:
        offset, judged_by = model.frequency_at([record.duration_s]).distribution.one(0), "clock model"
    else:
        offset, judged_by = _next_reading(record), "readings"
    now = Estimate(distribution=offset.widened(reference_uncertainty))
    within = float(tolerance.probability(now.distribution))
    low, high = now.interval()
    if within >= reliability:
        state = "in"
    elif within <= 1 - reliability:
        state = "out"
    return ToleranceNow(
        state=state,
        tolerance=tolerance,
        value=now.value,
        standard_uncertainty=now.standard_uncertainty,
        low=low,
        high=high,
        probability_within=within,
        judged_by=judged_by,
    )


def _next_reading(record: Record) -> StudentMixture:
    """Return the distribution of one more reading, given those since the last step.

    The noise of so short a record is not known, so that the mean is not taken to be better than one reading:
    ``ȳ + s √(1 + 1/n) t`` with n - 1 degrees of freedom (prediction interval, Hahn & Meeker 1991; the
    readings count as independent).
    """
    values = np.asarray(record.usable_values(without_steps=False), dtype=float)
    present = np.flatnonzero(~np.isnan(values))
    last_step = record.steps[-1].start if record.steps else 0
    rounding = (record.resolution or 0.0) / math.sqrt(12)
    if record.kind == "phase":
        spans, begun = np.diff(record.elapsed_s[present]), present[:-1]
        offsets: FloatArray = np.diff(values[present]) / spans
        rounding *= math.sqrt(2) / float(spans.sum())
    else:
        begun, offsets = present, values[present]
    since = offsets[begun >= last_step]
    if len(since) > 1:
        offsets = since
    count = len(offsets)
    spread = math.hypot(float(np.std(offsets, ddof=1)), rounding)
    return StudentMixture.student(float(offsets.mean()), spread * math.sqrt(1 + 1 / count), count - 1.0)


Line = tuple[str, str]
LABEL_WIDTH = 12


@dataclass(frozen=True, kw_only=True)
class Verdict(Plain):
    """One sentence to act on, and the lines behind it, each with a label."""

    headline: str
    lines: tuple[Line, ...]

    def as_text(self) -> str:
        """Return the verdict as a page of text, at most 80 columns wide."""
        lines = [labelled_text(label, sentence) for label, sentence in self.lines]
        return "\n".join([filled(self.headline), "", *lines])

    def _facts(self) -> Mapping[str, object]:
        return {
            "headline": self.headline,
            "lines": [{"label": label, "text": text} for label, text in self.lines],
        }


def labelled_text(label: str, sentence: str) -> str:
    """Return a sentence wrapped beside its label."""
    if len(label) >= LABEL_WIDTH:
        label, sentence = "", f"{label}: {sentence}"
    return filled(sentence, first=label.ljust(LABEL_WIDTH), rest=" " * LABEL_WIDTH)


def spoken_verdict(
    record: Record,
    *,
    curves: Mapping[str, StabilityCurve],
    model: ClockModel | None,
    holdover: HoldoverForecast | None,
    interval: IntervalSuggestion | None,
    display: DisplayBound | None,
    now: ToleranceNow | None,
    withheld: list[Finding],
) -> Verdict:
    """Return the verdict on one record's results; ``withheld`` says why there is no recommendation."""
    lines = [_log_line(record, model)]
    if display is not None:
        lines += _display_lines(display, record, now)
        headline = (
            f"The display, not the oscillator, limits this log: all {display.readings} readings show the "
            f"same value, which means an offset of {display.offset:+.3g}."
        )
        return Verdict(headline=_with_state(headline, now), lines=tuple(lines))
    lines += _stability_lines(curves.get("overlapping_allan"))
    if model is None:
        headline = _with_state(f"No recommendation. {withheld[0].sentence}", now)
        return Verdict(headline=headline, lines=tuple(lines))
    forecast = model.frequency_at(np.array([model.record.duration_s]))
    offset = Estimate(distribution=forecast.distribution.one(0))
    lines.insert(0, ("now", _now_sentence(offset, record, model)))
    lines.insert(1, ("digits", _digits_sentence(offset, curves.get("overlapping_allan"))))
    lines.append(_aging_line(model))
    lines += [_sensitivity_line(model, influence.name) for influence in model.trend.influences]
    lines += [(covariate_words(name)[0], sentence) for name, sentence in model.trend.not_determined.items()]
    if holdover is not None:
        lines.append(_holdover_line(holdover))
    if interval is not None and (
        withheld or now is None or interval.limited_by in ("start", "record length")
    ):
        lines.insert(1, ("tolerance", interval.reason))  # else the headline says it
    if withheld:
        headline = _with_state(f"No recommendation. {withheld[0].sentence}", now)
    elif interval is None or now is None:
        headline = _headline_without_tolerance(offset, model)
    elif interval.limited_by == "start":
        headline = _with_state("Adjust it now." if now.state == "out" else _no_interval(interval), now)
    else:
        headline = _headline(interval)
    return Verdict(headline=headline, lines=tuple(lines))


def _with_state(headline: str, now: ToleranceNow | None) -> str:
    """Return a headline with whether the clock is in tolerance now; out of it stands first."""
    if now is None:
        return headline
    if now.state == "out":
        return f"{now.sentence} {headline}"
    return f"{headline} {now.sentence}"


def _no_interval(interval: IntervalSuggestion) -> str:
    held = float(interval.probability[0])
    band = f" less a guard band of {interval.guard_band:.2g}" if interval.guard_band else ""
    return (
        f"No interval can be given: the probability of being within {interval.tolerance}{band} is only "
        f"{percent(held, 1)} even now."
    )


def _headline_without_tolerance(now: Estimate, model: ClockModel) -> str:
    rate = model.aging_rate().per_day
    low, high = rate.interval()
    none = f"; no aging stands out ({low:+.1e} to {high:+.1e} /day, 95 %)"
    aging = f" and ages by {rate}" if rate.sign_established() else none
    return f"The oscillator is {_fast_or_slow(now)}{aging}; state a tolerance for more."


def _headline(interval: IntervalSuggestion) -> str:
    limit = str(interval.tolerance)
    if interval.limited_by == "record length":
        return (
            f"Trust it for at least {duration_text(interval.interval_s)}: as far as this log can vouch for, "
            f"it stays within {limit} with a probability of at least {100 * interval.reliability:g} %."
        )
    return (
        f"Calibrate again within {duration_text(interval.interval_s)}: until then it stays within {limit} "
        f"with a probability of at least {100 * interval.reliability:g} %."
    )


def _fast_or_slow(offset: Estimate) -> str:
    direction = "fast" if offset.value >= 0 else "slow"
    return f"{direction} by {number_text(abs(offset.value), offset.standard_uncertainty)}"


def _now_sentence(now: Estimate, record: Record, model: ClockModel) -> str:
    fast_or_slow = _fast_or_slow(now)
    said = f"{fast_or_slow[0].upper()}{fast_or_slow[1:]} (mean over {duration_text(model.averaging_time_s)})"
    nominal = record.nominal_frequency_hz
    if nominal is None:
        return f"{said}; to set it to nominal, change its frequency by {-now.value:+.3g}."
    if any(finding.code == ASSUMED_NOMINAL for finding in record.findings):
        return f"{said} against {_hertz(nominal)}, which was assumed: state the nominal frequency."
    return f"{said}: {now.value * nominal:+.3g} Hz at {_hertz(nominal)}."


def right_digits(relative_error: float) -> int:
    """Return how many digits of a reading a relative error leaves right."""
    return max(0, math.floor(-math.log10(relative_error))) if relative_error > 0 else 15


def _digits_sentence(now: Estimate, curve: StabilityCurve | None) -> str:
    low, high = now.interval()
    offset = max(abs(low), abs(high))
    noise = 0.0 if curve is None or not len(curve) else 1.96 * float(np.nan_to_num(curve.deviation[0]))
    as_it_is = right_digits(offset + noise)
    if curve is None or not noise > 0:
        return f"{as_it_is} right in a counter that runs on it."
    corrected = right_digits(math.hypot(1.96 * now.standard_uncertainty, noise))
    gate = duration_text(float(curve.averaging_time_s[0]))
    return f"{as_it_is} right at a gate of {gate}, {corrected} once the offset is corrected (95 %)."


def _hertz(frequency: float) -> str:
    return f"{frequency / 1e6:g} MHz" if frequency >= 1e6 else f"{frequency:g} Hz"


def _log_line(record: Record, model: ClockModel | None) -> Line:
    extent = duration_text(record.duration_s)
    steps = len(record.steps)
    noticed = f"{record.missing} missing, {record.excluded} set aside, {steps} step{'s' * (steps != 1)}"
    if model is not None and any(f.code == "STEP_NOT_MODELLED" for f in model.findings):
        noticed += " (not modelled)"
    return "log", f"{len(record)} readings {record.spacing_text} over {extent}; {noticed}."


def _stability_lines(curve: StabilityCurve | None) -> list[Line]:
    if curve is None:
        return []
    known = np.flatnonzero(np.isfinite(curve.deviation) & (curve.deviation > 0))
    if not len(known):
        return []
    low, high = curve.confidence_interval()
    trusted = [i for i in known if curve.edf[i] >= 3] or list(known)
    best = min(trusted, key=lambda i: float(curve.deviation[i]))
    first = known[0]
    sentence = (
        f"Allan deviation {curve.deviation[first]:.2g} at "
        f"{duration_text(float(curve.averaging_time_s[first]))}, lowest {curve.deviation[best]:.2g} at "
        f"{duration_text(float(curve.averaging_time_s[best]))}"
    )
    shown = [f"{end[best]:.2g}" for end in (low, high)]
    sentence += "." if shown[0] == shown[1] else f" (95 %: {shown[0]} to {shown[1]})."  # else it says nothing
    return [("stability", sentence)]


def _aging_line(model: ClockModel) -> Line:
    rate = model.aging_rate().per_day
    low, high = rate.interval()
    seen = "" if rate.sign_established() else ", its sign not established"
    form = "+.2e" if not seen else "+.1e"  # an interval about zero deserves no more digits
    return "aging", f"{rate.value:{form}} per day (95 %: {low:{form}} to {high:{form}}){seen}."


def _sensitivity_line(model: ClockModel, name: str) -> Line:
    estimate = model.sensitivity(name)
    said = f"{number_text(estimate.value, estimate.standard_uncertainty)} {per_words(estimate.unit)}"
    if not estimate.sign_established():
        return covariate_words(name)[0], f"{said} (not distinguishable from none)."
    soonest, latest = model.lag(name).interval()
    lag = f", lag {duration_range_text(soonest, latest)}" if soonest > 0 else ""
    return covariate_words(name)[0], f"{said}{lag}."


def _holdover_line(holdover: HoldoverForecast) -> Line:
    half = holdover.corrected_half_width()
    parts = [
        f"{time_text(mean)} after {duration_text(duration)} (±{time_text(width)} corrected)"
        for mean, duration, width in zip(
            holdover.forecast.mean.tolist(), holdover.duration_s.tolist(), half.tolist(), strict=True
        )
    ]
    sentence = f"Off by {', '.join(parts)}."
    if holdover.time_error_limit_s is not None:
        reach = holdover.time_to_limit_s
        lasting = "longer than the log lasted" if math.isinf(reach) else f"for {duration_text(reach)}"
        sentence += f" It stays within {time_text(holdover.time_error_limit_s)} {lasting}."
    return "holdover", sentence


def _display_lines(display: DisplayBound, record: Record, now: ToleranceNow | None) -> list[Line]:
    hidden = "No interval is recommended because the display hides the aging."
    tolerance = [] if now is None else [("tolerance", f"{now.sentence} {hidden}")]
    if math.isnan(display.step):
        bound = "The step of the display is not known, so not even a bound can be given."
        return [("meaning", bound), *tolerance]
    gate, extent = duration_text(record.gate_s or record.spacing_s), duration_text(display.duration_s)
    aging = display.largest_aging_per_second * SECONDS_PER_DAY
    return [
        ("now", f"The offset lies between {display.low:+.2e} and {display.high:+.2e} (± one display step)."),
        *tolerance,
        (
            "digits",
            f"{right_digits(max(abs(display.low), abs(display.high)))} right.",
        ),
        ("stability", f"Below {display.step:.1e} at a gate of {gate}; a smaller change is invisible here."),
        ("aging", f"Less than {aging:.1e} per day (no step in {extent}); the true aging may be far smaller."),
        (
            "better",
            "Use a longer gate, a counter with more digits or a phase comparison; or log much longer.",
        ),
    ]


SHARPER = 2.0
"""How many times narrower the interval of the aging rate shall become by logging on."""
OUT_OF_REACH = 10.0
"""How many times the length of this log a longer one may be and still be worth naming."""


def next_steps(
    record: Record,
    *,
    model: ClockModel | None,
    interval: IntervalSuggestion | None,
    display: DisplayBound | None,
    now: ToleranceNow | None,
) -> Iterator[str]:
    """Yield what the results of one record ask for: adjust, calibrate by a day, ask again, log longer."""
    if now is not None and now.state == "out":
        yield (
            "It is out of tolerance now: record the as-found value, find out which results it touches, then "
            "have it adjusted."
        )
    if interval is not None and not math.isnan(interval.interval_s) and interval.interval_s > 0:
        yield _calibrate_by(interval, record)
    elif model is not None and now is None:
        yield "State a tolerance, and an interval until the next calibration follows."
    if display is not None:
        yield "Log again with a longer gate, more digits or by phase: this display hides the clock."
    elif model is None:
        yield "Log longer, or without the breaks, before anything is said of aging or forecasts."
    else:
        yield from _log_on(model)


def _calibrate_by(interval: IntervalSuggestion, record: Record) -> str:
    length = duration_text(interval.interval_s)
    when = f"within {length} of the last reading"
    if record.start is not None:
        seconds = round(record.duration_s + interval.interval_s)
        day = (record.start + np.timedelta64(seconds, "s")).astype("datetime64[D]")
        when = f"by {day}, {length} after the last reading"
    if interval.limited_by == "record length":
        return f"Look again {when}: no interval is promised for longer than the log lasted, so log on."
    return f"Calibrate it {when}. Record the as-found value before anything is adjusted."


def _log_on(model: ClockModel) -> Iterator[str]:
    """Say how long a log would halve the uncertainty of the aging rate, or tell it from none."""
    rate, record = model.aging_rate().per_day, model.record
    seen = rate.sign_established()
    wanted = rate.standard_uncertainty / SHARPER
    try:
        plan = plan_experiment(model, drift_uncertainty_per_day=wanted, interval_s=record.spacing_s)
    except EvenbeatError:
        return
    length_s = plan.goals[0].record_length_s
    if not record.duration_s < length_s < OUT_OF_REACH * record.duration_s:
        return
    purpose = "halve the uncertainty of" if seen else "know twice as well whether there is"
    yield (
        f"To {purpose} its aging ({number_text(rate.value, rate.standard_uncertainty)} per day), log for at "
        f"least {duration_text(length_s)} in all; this log lasted {duration_text(record.duration_s)}."
    )
