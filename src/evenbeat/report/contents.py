"""From an assessment to a document: the answer in two pages, what it rests on behind them."""

from __future__ import annotations

from evenbeat.assessment.assess import Assessment
from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.report.answer import STANDING, key_numbers, next_section, trouble_section
from evenbeat.report.case_sections import decision_sections, test_sections
from evenbeat.report.document import Document, Section
from evenbeat.report.evidence import evidence, illustrations_of
from evenbeat.report.history_report import history_document
from evenbeat.report.method import (
    cautions_section,
    findings_section,
    method_section,
    settings_section,
)
from evenbeat.units import duration_text


def document_of(assessment: Assessment | HistoryAssessment) -> Document:
    """Return the whole report as a document; all figures are drawn here, once."""
    if isinstance(assessment, HistoryAssessment):
        return history_document(assessment)
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
            next_section(assessment),
            key_numbers(assessment),
            *decision_sections(case),
            settings_section(assessment),
            cautions_section(),
            evidence(assessment, illustrations[1:]),
            *test_sections(case),
            findings_section(assessment),
            method_section(assessment),
        ),
        footer=f"evenbeat {assessment.software.get('evenbeat', '')}".strip(),
        illustrations=illustrations,
    )
