"""The first two pages: what could make the answer wrong, what to do next, key numbers with intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from evenbeat.assessment.assess import Assessment
from evenbeat.assessment.now import ToleranceNow
from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.clock.model import ClockModel
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.figures.axes import percent_text, seconds_unit
from evenbeat.figures.record import covariate_label
from evenbeat.findings import Finding, worst_first
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.quantities import Estimate, number_text
from evenbeat.report.document import Block, Bullets, Grid, Paragraph, Section
from evenbeat.units import SECONDS_PER_DAY, duration_text, per_words, time_text

STANDING = (
    "Suggested interval (analysis for the equipment owner; not part of a calibration certificate; not a "
    "conformity statement)"
)
"""What the suggestion is and is not: ISO/IEC 17025:2017, 7.8.4.3, keeps intervals out of certificates."""
Row = tuple[str, str, str]


def trouble_section(findings: Sequence[Finding], *, said: str = "") -> Section:
    """Return what the answer depends on: every finding that withholds or qualifies it, and its own test.

    Parameters
    ----------
    said
        The headline: what it says word for word is not said again.
    """
    items = tuple(
        dict.fromkeys(f.sentence for f in worst_first(findings) if _up_front(f) and f.sentence not in said)
    )
    blocks = (Bullets(items=items),) if items else (Paragraph(text="No check gave cause for a caution."),)
    return Section(heading="What could make it wrong", blocks=blocks)


def _up_front(finding: Finding) -> bool:
    """Return whether a finding withholds or qualifies the answer, or is its test on its own past."""
    return finding.severity in ("stop", "caution") or finding.code.startswith("SELF_TEST")


def other_findings(findings: Sequence[Finding]) -> tuple[Block, ...]:
    """Return the assumptions and the checks that passed, and the codes of what the first pages say."""
    ordered = worst_first(findings)
    codes = ", ".join(dict.fromkeys(f.code for f in ordered if _up_front(f)))
    said = f"On the first pages: {codes}." if codes else ""
    alike: dict[str, list[Finding]] = {}
    for finding in ordered:
        if not _up_front(finding):
            alike.setdefault(finding.code, []).append(finding)
    items = tuple(_one_of_alike(code, found) for code, found in alike.items())
    if not items:
        return (Paragraph(text=said or "Nothing to report."),)
    return (Bullets(items=items), *((Paragraph(text=said),) if said else ()))


def _one_of_alike(code: str, found: Sequence[Finding]) -> str:
    kind = {"good": "passed"}.get(found[0].severity, found[0].severity)
    more = f" ({len(found) - 1} more of this kind, in result.json.)" if len(found) > 1 else ""
    return f"{kind}, {code}: {found[0].sentence}{more}"


def next_section(assessment: Assessment) -> Section:
    """Return what to do next."""
    return Section(heading="What to do next", blocks=(Bullets(items=assessment.next_steps),))


def key_numbers(assessment: Assessment) -> Section:
    """Return the table of key numbers, each with the interval that belongs to it."""
    rows: list[Row] = []
    if assessment.now is not None:
        rows.append(_now_row(assessment.now))
    if assessment.interval is not None:
        rows += _interval_rows(assessment.interval)
    if assessment.model is not None:
        rows += _clock_rows(assessment.model)
    curve = assessment.curves.get("overlapping_allan")
    if curve is not None:
        rows += _stability_rows(curve)
    if assessment.holdover is not None:
        rows += _holdover_rows(assessment.holdover)
    if assessment.display is not None:
        bound = assessment.display
        limits = f"{bound.low:+.3g} to {bound.high:+.3g}" if math.isfinite(bound.step) else "not known"
        rows.append(("Offset that the display allows", f"{bound.offset:+.3g}", f"{limits} (bounds)"))
    record = assessment.record
    used = len(record) - record.missing - record.excluded
    rows.append(("Readings in use", f"{used} of {len(record)}", f"over {duration_text(record.duration_s)}"))
    grid = Grid(
        caption="Fractional frequency unless a unit is given",
        columns=("Quantity", "Value", "95 % interval, or what it holds for"),
        rows=tuple(rows),
        widths=(44, 22, 34),
        numeric=(1,),
    )
    return Section(heading="Key numbers", blocks=(grid,))


def _now_row(now: ToleranceNow) -> Row:
    name = f"In or out of {now.tolerance} now"
    if math.isnan(now.low):
        why = "nominal frequency not stated" if now.judged_by == "assumed nominal" else ""
        return name, now.state, why or "bounds of the display not known"
    bounds = f"offset {range_text(now.low, now.high)}"
    return name, now.state, f"{bounds} (bounds)" if now.judged_by == "display" else bounds


def _interval_rows(suggestion: IntervalSuggestion) -> list[Row]:
    least = "at least " if suggestion.limited_by == "record length" else ""
    known = not math.isnan(suggestion.interval_s)
    value = f"{least}{duration_text(suggestion.interval_s)}" if known else "none"
    held = f" less {suggestion.guard_band:.3g}" if suggestion.guard_band else ""
    means = f"within {suggestion.tolerance}{held} with at least {percent_text(suggestion.reliability)}"
    return [("Suggested interval", value, means if known else suggestion.reason)]


def _clock_rows(model: ClockModel) -> list[Row]:
    now = model.frequency_at([model.record.duration_s])
    over = duration_text(model.averaging_time_s)
    low, high = now.interval()
    offset = Estimate.normal(float(now.mean[0]), float(now.standard_uncertainty[0]))
    rate, line = model.aging_rate().per_day, model.least_squares.rate.per_day
    rows = [
        (
            f"Offset at the end of the record, mean over {over}",
            str(offset),
            range_text(float(low[0]), float(high[0])),
        ),
        ("Aging rate at the end, per day", _bare(rate), _interval(rate)),
        ("  what plain least squares would claim, per day", _bare(line), _interval(line)),
    ]
    for influence in model.trend.influences:
        sensitivity = model.sensitivity(influence.name)
        name = covariate_label(influence.name)[0]
        rows.append(
            (f"Change with {name}, {per_words(sensitivity.unit)}", _bare(sensitivity), _interval(sensitivity))
        )
        lag = model.lag(influence.name)
        if lag.standard_uncertainty > 0:
            rows.append(("  lag, in seconds", _bare(lag), _interval(lag)))
    for name in model.trend.not_determined:
        unit = model.sensitivity(name).unit
        rows.append((f"Change with {covariate_label(name)[0]}, {per_words(unit)}", "not determined", ""))
    return rows


def _bare(estimate: Estimate) -> str:
    return number_text(estimate.value, estimate.standard_uncertainty)


def _interval(estimate: Estimate) -> str:
    low, high = estimate.interval()
    return range_text(low, high)


def range_text(low: float, high: float) -> str:
    """Return ``low to high``, unbreakable, with the digits that tell the two apart and at most two more."""
    width, largest = abs(high - low), max(abs(low), abs(high))
    if not (math.isfinite(width) and width > 0):
        return f"{low:.3g} to {high:.3g}"
    digits = min(12, max(3, math.ceil(math.log10(largest / width)) + 2))
    if not 1e-3 <= largest < 1e5:
        return f"{low:.{digits - 1}e}\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}{high:.{digits - 1}e}"
    decimals = max(0, digits - 1 - math.floor(math.log10(largest)))
    return f"{low:.{decimals}f}\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}{high:.{decimals}f}"


def _stability_rows(curve: StabilityCurve) -> list[Row]:
    """Return the deviation at the first averaging time, the lowest known one and the one nearest to a day."""
    known = np.flatnonzero(np.isfinite(curve.deviation) & (curve.deviation > 0) & (curve.edf >= 3))
    if not len(known):
        return []
    low, high = curve.confidence_interval()
    day = int(known[np.argmin(np.abs(np.log(curve.averaging_time_s[known] / SECONDS_PER_DAY)))])
    best = int(known[np.argmin(curve.deviation[known])])
    rows = []
    title = curve.title[0].upper() + curve.title[1:]
    for at in dict.fromkeys((int(known[0]), best, day)):
        name = f"{title} at {duration_text(float(curve.averaging_time_s[at]))}"
        lowest = ", the lowest" if at == best else ""
        rows.append(
            (name + lowest, f"{curve.deviation[at]:.3g}", range_text(float(low[at]), float(high[at])))
        )
    return rows


def _holdover_rows(holdover: HoldoverForecast) -> list[Row]:
    rows = []
    ends = zip(*holdover.forecast.interval(holdover.confidence), strict=True)
    for duration, mean, (low, high) in zip(holdover.duration_s, holdover.forecast.mean, ends, strict=True):
        size, unit = seconds_unit([low, high])
        between = f"{range_text(float(low) / size, float(high) / size)}\N{NO-BREAK SPACE}{unit}"
        name = f"Time error {duration_text(float(duration))} after the reference is lost"
        rows.append((name, time_text(float(mean)), between))
    return rows
