"""The report of an assessed history, answer first, as page, PDF and JSON."""

from __future__ import annotations

from pathlib import Path

from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.figures.history import draw_history_forecast, history_forecast_caption
from evenbeat.figures.interval import draw_interval, interval_caption
from evenbeat.figures.style import new_figure, styled
from evenbeat.findings import worst_first
from evenbeat.quantities import number_text
from evenbeat.report.answer import STANDING, range_text
from evenbeat.report.case_sections import case_sections, who_decides
from evenbeat.report.document import Bullets, Document, Grid, Illustration, Paragraph, Section
from evenbeat.report.method import SEVERITY_WORDS, cautions_section, setting_text
from evenbeat.report.write import Report, place_report
from evenbeat.units import duration_text

METHOD = (
    "Between two calibrations the offset changes by the drift and by a random walk; both ends carry the "
    "uncertainty of their calibration, and an adjustment resets the offset, not the drift. Drift and walk "
    "are learnt starting from what is usual for the class of oscillator, unless the calibrations contradict "
    "that class: then it is set aside, and they count alone. A constant and a "
    "logarithmic drift are averaged by how well they foretell the history. The interval is the longest "
    "time up to which the probability of being within the tolerance less the guard band is at least the "
    "reliability at every moment. It never exceeds twice the longest interval that was observed, and is "
    "rounded down."
)
SOURCES = (
    "ILAC-G24:2022 / OIML D 10: how calibration intervals are determined.",
    "JCGM 100:2008 (GUM): uncertainty and how it is written; 1.23(45) means a standard uncertainty of 0.45.",
    "JCGM 106:2012 and ILAC-G8:09/2019: decision rules. ISO/IEC 17025:2017, 6.4, 7.1.3, 7.8.4.3.",
)


def write_history_report(
    assessment: HistoryAssessment, folder: str | Path, *, force: bool = False, pdf: bool = True
) -> Report:
    """Write an assessed history as ``report.html``, ``report.pdf`` and ``result.json``.

    Parameters
    ----------
    folder
        Made if it does not exist.
    force
        Replaces the files of an earlier report.

    Raises
    ------
    OutputError
        If the folder cannot be written to or an earlier report would be overwritten.

    Notes
    -----
    The same inputs and versions give the same bytes: nothing in the files tells when they were made.

    References
    ----------
    Source: ISO/IEC 17025:2017, 7.8 (what an analysis is not: a certificate)
    Tests: tests/report/test_history_report.py
    """
    return place_report(assessment, history_document(assessment), folder, force=force, pdf=pdf)


def history_document(assessment: HistoryAssessment) -> Document:
    """Return the report as a document."""
    figures = _figures(assessment)
    history = assessment.model.history[0]
    last = history.last_date
    return Document(
        title=f"Recalibration interval: {assessment.name}",
        subtitle=f"{len(history)} calibrations over {duration_text(history.points[-1].time_s)}"
        + ("" if last is None else f", the last on {last.isoformat()}"),
        headline=assessment.headline(),
        lines=_lines(assessment),
        standing=f"{STANDING}.",
        sections=(
            _key_numbers(assessment),
            Section(heading="Evidence", blocks=(*figures, _calibrations(assessment))),
            *case_sections(assessment.case),
            _findings(assessment),
            Section(heading="Method and references", blocks=(Paragraph(text=METHOD), Bullets(items=SOURCES))),
            _settings(assessment),
            cautions_section(),
            who_decides(assessment.case),
            _provenance(assessment),
        ),
        footer=f"evenbeat {assessment.software.get('evenbeat', '')}".strip(),
        illustrations=figures,
    )


def _lines(assessment: HistoryAssessment) -> tuple[tuple[str, str], ...]:
    suggestion, setpoint = assessment.interval, assessment.setpoint
    rate = assessment.model.drift_per_year
    lines = [
        ("limit", suggestion.reason),
        ("drift", f"{rate} at the last calibration, 95 %: {range_text(*rate.interval())}."),
    ]
    if setpoint.as_left:
        lines.append(
            (
                "if adjusted",
                (
                    f"Left at {setpoint.as_left:.3g} it would stay within for "
                    f"{duration_text(setpoint.interval_s)}, left at zero for "
                    f"{duration_text(setpoint.interval_at_zero_s)}."
                ),
            )
        )
    else:
        lines.append(
            (
                "if adjusted",
                f"Left at zero it would stay within for {duration_text(setpoint.interval_at_zero_s)}.",
            )
        )
    if assessment.case.decision is not None:
        made = assessment.case.decision
        lines.append(
            ("last found", f"{made.measured}: {made.verdict} by {made.rule.name.replace('_', ' ')}.")
        )
    return tuple(lines)


def _key_numbers(assessment: HistoryAssessment) -> Section:
    suggestion, model = assessment.interval, assessment.model
    rate = model.drift_per_year
    whole = suggestion.rounded
    offset = suggestion.as_left
    rows = (
        (STANDING, "none" if whole is None else str(whole), suggestion.reason),
        ("Offset as left", str(offset), range_text(*offset.interval())),
        (
            "Drift per year at the last calibration",
            number_text(rate.value, rate.standard_uncertainty),
            range_text(*rate.interval()),
        ),
        ("Random walk after a year, standard deviation", f"{model.walk_per_root_year:.2g}", "median"),
        ("Probability of a logarithmic drift", f"{model.logarithmic_share:.0%}", ""),
    )
    grid = Grid(
        caption="Fractional frequency unless a unit is given",
        columns=("Quantity", "Value", "95 % interval, or what it holds for"),
        rows=rows,
        widths=(42, 24, 34),
        numeric=(1,),
    )
    return Section(heading="Key numbers", blocks=(grid,))


@styled
def _figures(assessment: HistoryAssessment) -> tuple[Illustration, ...]:
    course = new_figure(3.8)
    draw_history_forecast(course.add_subplot(), assessment)
    probability = new_figure(3.2)
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
            reading="Pale bars: what the calibrations before foretold of this one (95 %), the uncertainty of "
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
    table = assessment.model.history[0]._table()
    rows = () if table is None else table.rows
    columns = () if table is None else table.columns
    return Grid(
        caption="The calibrations as read",
        columns=columns,
        rows=rows,
        widths=(24, 22, 22, 18, 14),
        numeric=(1, 2, 3),
    )


def _findings(assessment: HistoryAssessment) -> Section:
    rows = tuple(
        (SEVERITY_WORDS[finding.severity], finding.sentence, finding.code)
        for finding in worst_first(assessment.findings)
    )
    grid = Grid(
        caption="What was noticed and assumed, the most severe first",
        columns=("Severity", "Finding", "Code"),
        rows=rows,
        widths=(14, 60, 26),
    )
    return Section(heading="Findings", blocks=(grid,))


def _settings(assessment: HistoryAssessment) -> Section:
    rows = tuple((name.replace("_", " "), setting_text(value)) for name, value in assessment.settings.items())
    grid = Grid(caption="What was asked, as given", columns=("Setting", "Value"), rows=rows, widths=(50, 50))
    return Section(heading="Assumptions and settings", blocks=(grid,))


def _provenance(assessment: HistoryAssessment) -> Section:
    rows = []
    for source in assessment.case.inputs:
        rows += [
            ("File", source.name),
            ("Size and rows", f"{source.size_bytes} bytes, {source.rows} calibrations"),
            ("SHA-256 of the file", source.sha256),
        ]
    rows.append(("Software", ", ".join(f"{name} {number}" for name, number in assessment.software.items())))
    grid = Grid(caption="Input and software", columns=("Item", "Value"), rows=tuple(rows), widths=(26, 74))
    return Section(heading="Provenance", blocks=(grid,))
