"""From an assessment to a document, answer first."""

from __future__ import annotations

from evenbeat.assessment.assess import Assessment
from evenbeat.report.answer import STANDING, key_numbers
from evenbeat.report.case_sections import case_sections, who_decides
from evenbeat.report.document import Document
from evenbeat.report.evidence import evidence
from evenbeat.report.method import (
    cautions_section,
    findings_section,
    method_section,
    provenance_section,
    settings_section,
)
from evenbeat.units import duration_text


def document_of(assessment: Assessment) -> Document:
    """Return the whole report as a document; all figures are drawn here, once."""
    shown, illustrations = evidence(assessment)
    record = assessment.record
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
            key_numbers(assessment),
            shown,
            findings_section(assessment),
            *(() if assessment.case is None else case_sections(assessment.case)),
            method_section(assessment),
            settings_section(assessment),
            cautions_section(),
            *(() if assessment.case is None else (who_decides(assessment.case),)),
            provenance_section(assessment),
        ),
        footer=f"evenbeat {assessment.software.get('evenbeat', '')}".strip(),
        illustrations=illustrations,
    )
