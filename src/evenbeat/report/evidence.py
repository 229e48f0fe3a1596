"""The evidence: every figure that the assessment can carry, with the sentence it states, and two tables."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenbeat.assessment.assess import Assessment
from evenbeat.deviations.curve import StabilityCurve, noise_name
from evenbeat.figures.clock import aging_caption, backtest_caption, draw_aging, draw_backtest
from evenbeat.figures.deviations import (
    draw_stability,
    draw_time_interval_error,
    stability_caption,
    time_interval_error_caption,
)
from evenbeat.figures.holdover import draw_holdover, holdover_caption
from evenbeat.figures.interval import draw_interval, interval_caption
from evenbeat.figures.record import record_caption, record_figure
from evenbeat.figures.style import WIDTH_IN, new_figure, styled
from evenbeat.holdover.forecast import HoldoverForecast, predict_holdover
from evenbeat.report.document import Grid, Illustration, Paragraph, Section
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HOLDOVER_POINTS = 36
NARROW_IN = 5.4
"""Width of a figure that stands beside another one in print, so that its words stay legible."""
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
