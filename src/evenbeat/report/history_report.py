"""The report of an assessed history, answer first, as page, PDF and JSON."""

from __future__ import annotations

from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.calibration.decision import probability_text
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.figures.history import draw_history_forecast, history_forecast_caption
from evenbeat.figures.interval import draw_interval, interval_caption
from evenbeat.figures.style import new_figure, styled
from evenbeat.quantities import number_text
from evenbeat.report.document import Block, Bullets, Document, Grid, Illustration, Paragraph, Section, pairs
from evenbeat.report.sections import (
    NARROW_IN,
    STANDING,
    cautions_section,
    decision_sections,
    other_findings,
    provenance_rows,
    range_text,
    setting_rows,
    software_row,
    stated_files,
    test_sections,
    trouble_section,
)
from evenbeat.units import duration_text, percent

METHOD = (
    "Between two calibrations the offset changes by the drift and by a random walk; both ends carry the "
    "uncertainty of their calibration, and an adjustment resets the offset, not the drift. Drift and walk "
    "are learnt starting from what is usual for the class of oscillator, which widens where the calibrations "
    "contradict it; where no class is stated, all are weighed. A constant, a logarithmic and a wandering "
    "drift, and a yearly course where the seasons of the calibrations can show one, are averaged by how well "
    "they predict the history. A reading that the others speak against is weighed as a mistake. "
    "The interval is the longest "
    "time up to which the probability of being within the tolerance less the guard band is at least the "
    "reliability at every moment. It never exceeds twice the longest interval that was observed, and is "
    "rounded down."
)
SOURCES = (
    "ILAC-G24:2022 / OIML D 10: how calibration intervals are determined.",
    "JCGM 100:2008 (GUM): uncertainty and how it is written; 1.23(45) means a standard uncertainty of 0.45.",
    "JCGM 106:2012 and ILAC-G8:09/2019: decision rules. ISO/IEC 17025:2017, 6.4, 7.1.3, 7.8.4.3.",
)


def history_document(assessment: HistoryAssessment) -> Document:
    """Return the report as a document."""
    figures = _figures(assessment)
    history = assessment.history
    last = history.last_date
    analysed = assessment.analysed_on.isoformat()
    return Document(
        title=f"Recalibration interval: {assessment.name}",
        subtitle=f"{len(history)} calibrations over {duration_text(history.points[-1].time_s)}"
        + ("" if last is None else f", the last on {last.isoformat()}")
        + f"; analysed on {analysed}",
        headline=assessment.headline(),
        lines=_lines(assessment),
        standing=f"{STANDING}.",
        sections=(
            *((Section(heading="What carries the answer", blocks=figures[:1]),) if figures else ()),
            trouble_section(assessment.findings, said=assessment.headline()),
            *_nonconforming(assessment),
            _key_numbers(assessment),
            *decision_sections(assessment.case),
            cautions_section(),
            Section(heading="Evidence", blocks=(*figures[1:], _calibrations(assessment)), folded=True),
            *test_sections(assessment.case),
            *_other_methods(assessment),
            Section(heading="Findings", blocks=other_findings(assessment.findings), folded=True),
            Section(
                heading="Settings and provenance",
                blocks=(
                    pairs(
                        "What was asked, as given",
                        setting_rows(assessment.settings),
                        heads=("Setting", "Value"),
                        first=50,
                        narrow=True,
                    ),
                    _provenance(assessment),
                ),
                folded=True,
            ),
            Section(
                heading="Method and references",
                blocks=(Paragraph(text=METHOD), Bullets(items=SOURCES)),
                folded=True,
            ),
        ),
        footer=f"{assessment.name}, analysed on {analysed}. "
        f"evenbeat {assessment.software.get('evenbeat', '')}".strip(),
        dated=assessment.analysed_on,
        illustrations=figures,
    )


def _lines(assessment: HistoryAssessment) -> tuple[tuple[str, str], ...]:
    lines = []
    if assessment.interval is not None:
        lines.append(("limit", assessment.interval.reason))
    if assessment.model is not None:
        rate = assessment.model.drift_per_year
        lines.append(("drift", f"{rate} at the last calibration, 95 %: {range_text(*rate.interval())}."))
    setpoint = assessment.setpoint
    if setpoint is not None:
        lines.append(("if adjusted", f"{setpoint._headline()}."))
        lines += [("untested", one.sentence) for one in setpoint.findings if one.code == "BEYOND_EVIDENCE"]
    made = assessment.last_found
    if made is not None:  # where the last value lies, in words that state no conformity
        limits = Tolerance(lower=made.lower, upper=made.upper)
        where = "within" if limits.holds(made.measured.value) else "OUTSIDE"
        within = probability_text(made.conformance_probability)
        said = f"{made.measured}, {where} {limits} (probability of being within: {within})."
        lines.append(("last found", said))
    return tuple(lines)


def _key_numbers(assessment: HistoryAssessment) -> Section:
    suggestion, model = assessment.interval, assessment.model
    whole = None if suggestion is None else suggestion.rounded
    why = assessment.headline() if suggestion is None else suggestion.reason
    rows = [(STANDING, "none" if whole is None else str(whole), why)]
    if suggestion is not None:
        offset = suggestion.as_left
        rows.append(("Offset now, by all calibrations", str(offset), range_text(*offset.interval())))
    if model is not None:
        rate = model.drift_per_year
        odds = ", ".join(
            f"{k.replace('_', ' ')} {percent(share)}" for k, share in model.class_odds.items() if share > 0.01
        )
        rows += [
            (
                "Drift per year at the last calibration",
                number_text(rate.value, rate.standard_uncertainty),
                range_text(*rate.interval()),
            ),
            ("Random walk after a year, standard deviation", f"{model.walk_per_root_year:.2g}", "median"),
            ("Probability of a logarithmic drift", percent(model.logarithmic_share), ""),
            ("Probability of a drift that wanders", percent(model.wandering_share), ""),
            ("Class of oscillator", "stated" if model.prior.name else "inferred", odds),
        ]
    grid = Grid(
        caption="Fractional frequency unless a unit is given",
        columns=("Quantity", "Value", "95 % interval, or what it holds for"),
        rows=tuple(rows),
        widths=(42, 24, 34),
        numeric=(1,),
    )
    return Section(heading="Key numbers", blocks=(grid,))


def _nonconforming(assessment: HistoryAssessment) -> tuple[Section, ...]:
    """Return what was found out of tolerance, which results that touches, and what to do."""
    out = assessment.out
    if out is None:
        return ()
    blocks: list[Block] = [Paragraph(text=f"{out._headline()}.")]
    table = out._table()
    if table is not None and out.results:
        blocks.append(
            Grid(
                caption="Results obtained since the last known-good value",
                columns=table.columns,
                rows=table.rows,
                widths=(26, 18, 22, 17, 17),
                numeric=(3,),
            )
        )
    steps = tuple(f"{number}. {step}" for number, step in enumerate(out.advice, start=1))
    said = tuple(f.sentence for f in out.findings if f.severity in ("caution", "stop"))
    return (Section(heading="Found out of tolerance", blocks=(*blocks, Bullets(items=(*said, *steps)))),)


def _other_methods(assessment: HistoryAssessment) -> tuple[Section, ...]:
    methods = assessment.methods
    table = None if methods is None else methods._table()
    if methods is None or table is None:
        return ()
    count = len(table.columns)
    grid = Grid(
        caption=methods._headline(), columns=table.columns, rows=table.rows, widths=(1.0 / count,) * count
    )
    said = tuple(f"{one.method}: {one.says}" for one in methods.methods)
    return (Section(heading="Other methods", blocks=(grid, Bullets(items=said)), folded=True),)


@styled
def _figures(assessment: HistoryAssessment) -> tuple[Illustration, ...]:
    if assessment.model is None or assessment.interval is None:
        return ()
    course = new_figure(3.8)
    draw_history_forecast(course.add_subplot(), assessment)
    probability = new_figure(3.4, width_in=NARROW_IN)
    draw_interval(
        probability.add_subplot(),
        assessment.interval,
        since="the last calibration",
        evidence="twice\nthe longest interval\nthat was observed",
    )
    return (
        Illustration(
            number=1,
            name="history",
            caption=history_forecast_caption(assessment),
            reading="Pale bars: what earlier calibrations predicted of this one (95 %), the uncertainty of "
            "the calibration included; a bar that leaves the chart goes on.",
            alternative=f"Chart of fractional offset against years. {history_forecast_caption(assessment)}",
            figure=course,
        ),
        Illustration(
            number=2,
            name="interval",
            caption=interval_caption(assessment.interval),
            reading="The probability is that of the moment, not of never having left the tolerance before.",
            alternative=f"Chart of probability against time. {interval_caption(assessment.interval)}",
            figure=probability,
        ),
    )


def _calibrations(assessment: HistoryAssessment) -> Grid:
    table = assessment.history._table()
    rows = () if table is None else table.rows
    columns = () if table is None else table.columns
    points = assessment.history.points
    numbered = len(rows) == len(points) and any(point.certificate for point in points)
    if numbered:
        columns = (*columns, "certificate")
        rows = tuple((*row, point.certificate or "–") for row, point in zip(rows, points, strict=True))
    return Grid(
        caption="The calibrations as read",
        columns=columns,
        rows=rows,
        widths=(24, 22, 22, 18, 14, 20) if numbered else (24, 22, 22, 18, 14),
        numeric=(1, 2, 3),
    )


def _provenance(assessment: HistoryAssessment) -> Grid:
    reference, due = assessment.reference
    rows = [
        ("Instrument", assessment.name),
        ("Analysed on", assessment.analysed_on.isoformat()),
        ("Reference of the calibrations", reference or "not stated"),
        ("Reference valid until", "not stated" if due is None else due.isoformat()),
    ]
    rows += provenance_rows(() if assessment.case is None else assessment.case.inputs, "calibrations")
    rows += [*stated_files(assessment.settings), software_row(assessment.software)]
    return pairs("Input and software", rows, narrow=True, raw=True)
