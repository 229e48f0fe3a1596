"""The verdict: what the results mean, in sentences that a technician can act on."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbeat.assessment.now import DisplayBound, ToleranceNow
from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.clock.model import ClockModel
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.findings import Finding
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.plain import Plain
from evenbeat.plausible import ASSUMED_NOMINAL
from evenbeat.quantities import Estimate, number_text
from evenbeat.record import Record
from evenbeat.result import PAGE_WIDTH
from evenbeat.units import (
    SECONDS_PER_DAY,
    covariate_words,
    duration_range_text,
    duration_text,
    per_words,
    time_text,
)

Line = tuple[str, str]
LABEL_WIDTH = 12
NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True, kw_only=True)
class Verdict(Plain):
    """One sentence to act on, and the lines behind it, each with a label."""

    headline: str
    lines: tuple[Line, ...]

    def as_text(self) -> str:
        """Return the verdict as a page of text, at most 80 columns wide."""
        lines = [labelled_text(label, sentence) for label, sentence in self.lines]
        return "\n".join([_filled(self.headline), "", *lines])

    def _facts(self) -> Mapping[str, object]:
        return {
            "headline": self.headline,
            "lines": [{"label": label, "text": text} for label, text in self.lines],
        }


def labelled_text(label: str, sentence: str) -> str:
    """Return a sentence wrapped beside its label."""
    if len(label) >= LABEL_WIDTH:
        label, sentence = "", f"{label}: {sentence}"
    return _filled(sentence, first=label.ljust(LABEL_WIDTH), rest=" " * LABEL_WIDTH)


def _filled(sentence: str, *, first: str = "", rest: str = "") -> str:
    """Wrap a sentence without parting a number from its unit."""
    kept = re.sub(r"(?<=\d) (?=[%a-zA-Zµ°±])", NO_BREAK_SPACE, sentence)
    filled = textwrap.fill(kept, PAGE_WIDTH, initial_indent=first, subsequent_indent=rest)
    return filled.replace(NO_BREAK_SPACE, " ")


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
        return Verdict(headline=_with_state(_display_headline(display), now), lines=tuple(lines))
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
        f"{held:.1%} even now."
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


def _display_headline(display: DisplayBound) -> str:
    return (
        f"The display, not the oscillator, limits this log: all {display.readings} readings show the same "
        f"value, which means an offset of {display.offset:+.3g}."
    )


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
