"""From an assessment to a document: the answer in two pages, what it rests on behind them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenbeat.assessment.assess import Assessment
from evenbeat.clock.aging import AGING_LAWS
from evenbeat.clock.model import ClockModel
from evenbeat.conditioning.condition import TITLES
from evenbeat.conditioning.report import note_of
from evenbeat.deviations.curve import StabilityCurve, noise_name
from evenbeat.figures.axes import percent_text, seconds_unit
from evenbeat.figures.clock import aging_caption, backtest_caption, draw_aging, draw_backtest
from evenbeat.figures.deviations import (
    draw_stability,
    draw_time_interval_error,
    stability_caption,
    time_interval_error_caption,
)
from evenbeat.figures.holdover import draw_holdover, holdover_caption
from evenbeat.figures.interval import draw_interval, interval_caption
from evenbeat.figures.record import covariate_label, record_caption, record_figure
from evenbeat.figures.style import WIDTH_IN, new_figure, styled
from evenbeat.holdover.forecast import HoldoverForecast, predict_holdover
from evenbeat.quantities import Estimate, number_text
from evenbeat.record import CheckOutcome
from evenbeat.report.document import Block, Bullets, Document, Grid, Illustration, Paragraph, Section, pairs
from evenbeat.report.sections import (
    NARROW_IN,
    STANDING,
    cautions_section,
    decision_sections,
    lines_of,
    other_findings,
    provenance_rows,
    range_text,
    setting_rows,
    software_row,
    stated_files,
    test_sections,
    trouble_section,
)
from evenbeat.units import SECONDS_PER_DAY, duration_text, per_words, percent, time_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def log_document(assessment: Assessment) -> Document:
    """Return the whole report as a document; all figures are drawn here, once."""
    illustrations = illustrations_of(assessment)
    record, case = assessment.record, assessment.case
    name = "a record without a file" if record.source is None else record.source.name
    since = (
        ""
        if record.start is None
        else f", from {str(record.start.astype('datetime64[m]')).replace('T', ' ')} UTC"
    )
    against = f" against {record.reference}" if record.reference else ""
    return Document(
        title=f"Timebase assessment: {name}",
        subtitle=f"{duration_text(record.duration_s)} of readings{against}{since}",
        headline=assessment.verdict.headline,
        lines=assessment.verdict.lines,
        standing=f"{STANDING}."
        if assessment.interval is not None
        else (
            "Analysis for the equipment owner; not part of a calibration certificate; not a conformity "
            "statement."
        ),
        sections=(
            Section(heading="What carries the answer", blocks=illustrations[:1]),
            trouble_section(assessment.beside_verdict, said=assessment.verdict.headline),
            Section(heading="What to do next", blocks=(Bullets(items=assessment.next_steps),)),
            key_numbers(assessment),
            *decision_sections(case),
            Section(
                heading="Settings and provenance",
                blocks=(_settings(assessment), _provenance(assessment)),
                folded=True,
            ),
            cautions_section(),
            evidence(assessment, illustrations[1:]),
            *test_sections(case),
            Section(
                heading="Findings and checks",
                blocks=(*other_findings(assessment.findings), *_checks_of_the_log(assessment)),
                folded=True,
            ),
            method_section(assessment),
        ),
        footer=f"evenbeat {assessment.software.get('evenbeat', '')}".strip(),
        illustrations=illustrations,
    )


Row = tuple[str, str, str]


def key_numbers(assessment: Assessment) -> Section:
    """Return the table of key numbers, each with the interval that belongs to it."""
    rows: list[Row] = []
    now, suggestion = assessment.now, assessment.interval
    if now is not None:
        means = f"offset {range_text(now.low, now.high)}" + (
            " (bounds)" if now.judged_by == "display" else ""
        )
        if math.isnan(now.low):
            assumed = now.judged_by == "assumed nominal"
            means = "nominal frequency not stated" if assumed else "bounds of the display not known"
        rows.append((f"In or out of {now.tolerance} now", now.state, means))
    if suggestion is not None and math.isnan(suggestion.interval_s):
        rows.append(("Suggested interval", "none", suggestion.reason))
    elif suggestion is not None:
        least = "at least " if suggestion.limited_by == "record length" else ""
        held = f" less {suggestion.guard_band:.3g}" if suggestion.guard_band else ""
        means = f"within {suggestion.tolerance}{held} with at least {percent_text(suggestion.reliability)}"
        rows.append(("Suggested interval", f"{least}{duration_text(suggestion.interval_s)}", means))
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


def _clock_rows(model: ClockModel) -> Iterator[Row]:
    now = model.frequency_at([model.record.duration_s])
    over = duration_text(model.averaging_time_s)
    low, high = now.interval()
    offset = Estimate.normal(float(now.mean[0]), float(now.standard_uncertainty[0]))
    rate, line = model.aging_rate().per_day, model.least_squares.rate.per_day
    between = range_text(float(low[0]), float(high[0]))
    yield f"Offset at the end of the record, mean over {over}", str(offset), between
    yield "Aging rate at the end, per day", _bare(rate), _interval(rate)
    yield "  what plain least squares would claim, per day", _bare(line), _interval(line)
    for influence in model.trend.influences:
        sensitivity = model.sensitivity(influence.name)
        name = covariate_label(influence.name)[0]
        yield f"Change with {name}, {per_words(sensitivity.unit)}", _bare(sensitivity), _interval(sensitivity)
        lag = model.lag(influence.name)
        if lag.standard_uncertainty > 0:
            yield "  lag, in seconds", _bare(lag), _interval(lag)
    for name in model.trend.not_determined:
        unit = model.sensitivity(name).unit
        yield f"Change with {covariate_label(name)[0]}, {per_words(unit)}", "not determined", ""


def _bare(estimate: Estimate) -> str:
    return number_text(estimate.value, estimate.standard_uncertainty)


def _interval(estimate: Estimate) -> str:
    low, high = estimate.interval()
    return range_text(low, high)


def _stability_rows(curve: StabilityCurve) -> Iterator[Row]:
    """Return the deviation at the first averaging time, the lowest known one and the one nearest to a day."""
    known = np.flatnonzero(np.isfinite(curve.deviation) & (curve.deviation > 0) & (curve.edf >= 3))
    if not len(known):
        return
    low, high = curve.confidence_interval()
    day = int(known[np.argmin(np.abs(np.log(curve.averaging_time_s[known] / SECONDS_PER_DAY)))])
    best = int(known[np.argmin(curve.deviation[known])])
    title = curve.title[0].upper() + curve.title[1:]
    for at in dict.fromkeys((int(known[0]), best, day)):
        name = f"{title} at {duration_text(float(curve.averaging_time_s[at]))}"
        lowest = ", the lowest" if at == best else ""
        yield name + lowest, f"{curve.deviation[at]:.3g}", range_text(float(low[at]), float(high[at]))


def _holdover_rows(holdover: HoldoverForecast) -> Iterator[Row]:
    ends = zip(*holdover.forecast.interval(holdover.confidence), strict=True)
    for duration, mean, (low, high) in zip(holdover.duration_s, holdover.forecast.mean, ends, strict=True):
        size, unit = seconds_unit([low, high])
        between = f"{range_text(float(low) / size, float(high) / size)}\N{NO-BREAK SPACE}{unit}"
        name = f"Time error {duration_text(float(duration))} after the reference is lost"
        yield name, time_text(float(mean)), between


HOLDOVER_POINTS = 36
FREQUENCY_STATISTICS = ("overlapping_allan", "modified_allan", "overlapping_hadamard")


@styled
def illustrations_of(assessment: Assessment) -> tuple[Illustration, ...]:
    """Return every figure that the assessment can carry, first the one that carries the answer."""
    pieces: list[tuple[str, str, str, Figure]] = []

    def drawn(
        name: str, caption: str, reading: str, draw: Callable[..., object], *shown: Any, **more: Any
    ) -> None:
        tall, wide = more.pop("height", 3.6), more.pop("width", NARROW_IN)
        figure = new_figure(tall, width_in=wide)
        draw(figure.add_subplot(), *shown, **more)
        pieces.append((name, caption, reading, figure))

    record, model, case = assessment.record, assessment.model, assessment.case
    narrow = {} if model is None else {"height_in": 2.8, "width_in": NARROW_IN}
    reading = (
        "Flagged readings are marked by cause and stay in the record; those beyond the axis sit on its edge. "
        "Nothing was filled in."
    )
    pieces.append(("record", record_caption(record), reading, record_figure(record, **narrow)))
    curves = [assessment.curves[name] for name in FREQUENCY_STATISTICS if name in assessment.curves]
    curves = [curve for curve in curves if _drawable(curve)]
    if curves:
        reading = (
            "Bands are 95 % intervals from the equivalent degrees of freedom; pale parts rest on too few "
            "averages. Along the foot: the noise that dominates the first curve."
        )
        drawn("stability", stability_caption(curves[0]), reading, draw_stability, curves, record=record)
    time = assessment.curves.get("time")
    if time is not None and _drawable(time):
        reading = "Bands are 95 % intervals."
        drawn("time_deviation", stability_caption(time), reading, draw_stability, time, height=3.0)
    error = assessment.time_interval_error
    if error is not None and np.any(error.time_error_s > 0):
        reading = (
            "The largest movement of time error in any window of that length; windows with gaps are left out."
        )
        caption = time_interval_error_caption(error)
        drawn("time_interval_error", caption, reading, draw_time_interval_error, error, height=3.0)
    if model is not None:
        tolerance = assessment.settings.get("tolerance")
        limits = tolerance if isinstance(tolerance, int | float | list) else None
        reading = (
            "The band is the 95 % interval of an average as long as a dot, one record length ahead at most. "
            "Between the dashed lines: the aging rates that plain least squares would allow, which takes "
            "every residual for independent."
        )
        drawn("aging", aging_caption(model), reading, draw_aging, model, tolerance=limits, width=WIDTH_IN)
    holdover = _fine_holdover(assessment)
    if holdover is not None:
        reading = (
            "Heavy lines: the time error that is not exceeded with the probability stated, as the clock runs "
            "and with the forecast taken off. Thin lines: standard uncertainties of the terms."
        )
        drawn("holdover", holdover_caption(holdover), reading, draw_holdover, holdover)
    if assessment.interval is not None:
        reading = "The probability is that of the moment, not of never having left the tolerance before."
        drawn("interval", interval_caption(assessment.interval), reading, draw_interval, assessment.interval)
    if case is not None and case.backtest is not None:
        reading = "Forecasts made at many moments of this log and held against what it then showed."
        drawn("backtest", backtest_caption(case.backtest), reading, draw_backtest, case.backtest, height=3.0)
    pieces.sort(key=lambda piece: piece[0] != ("record" if model is None else "aging"))
    return tuple(_illustration(number, *piece) for number, piece in enumerate(pieces, start=1))


def evidence(assessment: Assessment, illustrations: tuple[Illustration, ...]) -> Section:
    """Return the section with the figures behind the first one, and their tables."""
    tables = []
    for shown in illustrations:
        if shown.name == "stability":
            curve = next(assessment.curves[s] for s in FREQUENCY_STATISTICS if s in assessment.curves)
            tables.append(_stability_table(curve))
        elif shown.name == "holdover" and assessment.holdover is not None:
            tables.append(_holdover_table(assessment.holdover))
    missing = _why_missing(assessment)
    said = [Paragraph(text=missing)] if missing else []
    return Section(heading="Evidence", blocks=(*illustrations, *tables, *said), folded=True)


def _illustration(number: int, name: str, caption: str, reading: str, figure: Figure) -> Illustration:
    axes = figure.axes[0]
    horizontal = next((ax.get_xlabel() for ax in figure.axes if ax.get_xlabel()), "")
    against = f"{axes.get_ylabel()} against {horizontal}".replace("\n", " ").replace(r"$\tau$", "τ")
    return Illustration(
        number=number,
        name=name,
        caption=caption.replace(r"\$", "$"),
        reading=reading,
        alternative=f"Chart of {against}. {caption}".replace(r"\$", "$"),
        figure=figure,
    )


def _drawable(curve: StabilityCurve | None) -> bool:
    return curve is not None and bool(np.any(np.isfinite(curve.deviation) & (curve.deviation > 0)))


def _fine_holdover(assessment: Assessment) -> HoldoverForecast | None:
    """Return the holdover of the assessment at more durations, enough for a smooth line."""
    if assessment.model is None or assessment.holdover is None:
        return None
    asked = assessment.holdover
    longest = float(asked.duration_s.max())
    shortest = min(60.0, float(asked.duration_s.min()))
    durations = np.geomspace(shortest, longest, HOLDOVER_POINTS)
    finer = predict_holdover(assessment.model, durations, confidence=asked.confidence, even_if_untested=True)
    return replace(asked, forecast=finer.forecast)


def _stability_table(curve: StabilityCurve) -> Grid:
    """Return the curve at the averaging times nearest to 1, 2 and 5 of every decade, as far as they go."""
    known = np.flatnonzero(np.isfinite(curve.deviation))
    tau = curve.averaging_time_s[known]
    decades = range(math.floor(math.log10(tau[0])), math.ceil(math.log10(tau[-1])) + 1)
    wanted = [step * 10.0**decade for decade in decades for step in (1, 3)]
    nearest = [int(known[np.argmin(np.abs(np.log(tau / time)))]) for time in wanted]
    low, high = curve.confidence_interval()
    rows = tuple(
        (
            duration_text(float(curve.averaging_time_s[i])),
            f"{curve.deviation[i]:.3e}",
            _relative(low[i] / curve.deviation[i], high[i] / curve.deviation[i]),
            (noise_name(curve.noise_exponent[i]) or "not told").replace(" ", "\N{NO-BREAK SPACE}"),
            f"{curve.edf[i]:.3g}" if curve.edf[i] < 100 else f"{curve.edf[i]:.0f}",
        )
        for i in dict.fromkeys(nearest)
    )
    return Grid(
        caption=f"{curve.title}, with equivalent degrees of freedom (edf); more in result.json",
        columns=("τ", "deviation", "95 % interval", "noise", "edf"),
        rows=rows,
        widths=(14, 20, 24, 26, 16),
        numeric=(0, 1, 2, 4),
        narrow=True,
    )


def _relative(low: float, high: float) -> str:
    """Return an interval in per cent of the value: ``−3.1 to +3.3 %``."""
    below, above = 100 * (low - 1), 100 * (high - 1)
    digits = 1 if max(-below, above) < 10 else 0
    return f"{below:+.{digits}f} to {above:+.{digits}f}\N{NO-BREAK SPACE}%"


def _holdover_table(holdover: HoldoverForecast) -> Grid:
    half = holdover.corrected_half_width(holdover.confidence)
    names = [name for name, variance in holdover.terms.by_term.items() if np.any(variance > 0)]
    columns = [duration_text(float(duration)) for duration in holdover.duration_s]
    rows = [
        ("time error if nothing is corrected", *(time_text(float(x)) for x in holdover.forecast.mean)),
        ("± if the forecast is applied", *(time_text(float(x)) for x in half)),
    ]
    for name in names:
        sizes = np.sqrt(holdover.terms.by_term[name])
        rows.append((f"u from {name}", *(time_text(float(x)) for x in sizes)))
    count = len(columns)
    return Grid(
        caption="Budget of the time error in holdover; u: standard uncertainty",
        columns=("after", *columns),
        rows=tuple(rows),
        widths=(40, *[60 / count] * count),
        numeric=tuple(range(1, count + 1)),
        narrow=True,
    )


def _why_missing(assessment: Assessment) -> str:
    sentences = [
        finding.sentence
        for finding in assessment.findings
        if finding.code in ("NO_CLOCK_MODEL", "CURVE_LEFT_OUT")
    ]
    if assessment.now is None:
        sentences.append("No recalibration interval: no tolerance was stated.")
    elif assessment.model is not None and assessment.interval is None:
        sentences += [f"No recalibration interval. {finding.sentence}" for finding in assessment.withheld]
    return " ".join(sentences)


def _checks_of_the_log(assessment: Assessment) -> Iterator[Block]:
    """Yield what the checks of the log found; those that found nothing or were not made in one line each."""
    checks = assessment.record.checks
    rows = tuple(
        (_title(one), one.looked_at, str(one.found), str(one.set_aside), note_of(one))
        for one in checks
        if one.looked and one.found
    )
    if rows:
        yield Grid(
            caption="How the log was conditioned; nothing was deleted",
            columns=("Check", "Looked at", "Found", "Set aside", "Where, and what to do"),
            rows=rows,
            widths=(14, 18, 7, 9, 52),
            numeric=(2, 3),
        )
    clean = ", ".join(f"{_title(one)} ({one.looked_at})" for one in checks if one.looked and not one.found)
    skipped = ", ".join(f"{_title(one)} ({one.looked_at})" for one in checks if not one.looked)
    for words, which in (("Checked, nothing found", clean), ("Not checked", skipped)):
        if which:
            yield Paragraph(text=f"{words}: {which}.")


def _title(outcome: CheckOutcome) -> str:
    return TITLES.get(outcome.check, outcome.check)


def method_section(assessment: Assessment) -> Section:
    """Return how the numbers were made, and the references."""
    blocks: list[Block] = [
        Paragraph(
            text=(
                "Deviations skip every difference that touches a gap or a flagged reading; nothing is "
                "interpolated. Their intervals are those of chi-squared variables, or of weighted sums of "
                "them, for the mixture of noises and the gaps of this record."
            )
        )
    ]
    if assessment.model is not None:
        blocks += [_model_words(assessment.model), _forecast_words()]
    blocks.append(Paragraph(text=" ".join(lines_of("references.txt"))))
    return Section(heading="Method and references", blocks=tuple(blocks), folded=True)


def _model_words(model: ClockModel) -> Paragraph:
    laws = "; ".join(f"{AGING_LAWS[w.law].formula} ({w.law}, weight {percent(w.weight)})" for w in model.laws)
    averages = f"{len(model.blocks)} averages of {duration_text(model.blocks.length_s)}"
    return Paragraph(
        text=(
            f"The clock model rests on {averages}. The levels of white FM, flicker FM and random-walk FM "
            "come from the restricted likelihood under the generalized covariance of the power-law "
            "noises; their whole posterior is kept, so that every rate and every forecast is a mixture "
            f"over it and no band rests on one guessed noise level. Aging laws: {laws}."
        )
    )


def _forecast_words() -> Paragraph:
    return Paragraph(
        text=(
            "Forecasts are best linear unbiased predictions with their exact variance, at the mean "
            "temperature of the record, its daily swing in the uncertainty. The interval is the longest "
            "time up to which the probability of being within the tolerance less the guard band is at "
            "least the reliability at every moment, and never longer than the record."
        )
    )


def _settings(assessment: Assessment) -> Grid:
    record = assessment.record
    rows = setting_rows(assessment.settings)
    nominal = record.nominal_frequency_hz
    rows += [
        ("Kind of record", "time error [s]" if record.kind == "phase" else "fractional frequency"),
        ("Nominal frequency", "not stated" if nominal is None else f"{nominal:.10g} Hz"),
        ("Reference", record.reference or "not stated"),
        ("Interval between readings", record.spacing_text.removeprefix("every ")),
        ("Gate", "as long as the interval" if record.gate_s is None else duration_text(record.gate_s)),
        ("Step of the display", "not found" if record.resolution is None else f"{record.resolution:.3g}"),
    ]
    return pairs(
        "Settings as given, and what the log says of itself",
        rows,
        heads=("Setting", "Value"),
        first=55,
        narrow=True,
    )


def _provenance(assessment: Assessment) -> Grid:
    record, source = assessment.record, assessment.record.source
    rows = provenance_rows(() if source is None else source.parts or (source,), "rows")
    if record.ledger is not None:
        rows.append(("Lines of the file", f"of {record.ledger.lines}: {record.ledger.counts}"))
    rows.append(("SHA-256 of the samples", record.fingerprint()))
    rows += stated_files(assessment.settings)
    rows += [(f"Treatment {n}", str(step)) for n, step in enumerate(record.history, start=1)]
    rows.append(software_row(assessment.software))
    return pairs("Input, what was done to it, and the software", rows, narrow=True, raw=True)
