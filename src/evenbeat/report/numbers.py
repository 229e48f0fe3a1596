"""Every number of an assessment as JSON; what is unknown or infinite is null."""

from __future__ import annotations

import json

from evenbeat.assessment.assess import Assessment
from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.plain import plain
from evenbeat.report.document import Document


def json_text(assessment: Assessment | HistoryAssessment, document: Document) -> str:
    """Return ``result.json``: the assessment's own numbers and the list of figures."""
    content = plain({**assessment.to_dict(), "figures": document.illustrations})
    return json.dumps(content, allow_nan=False, ensure_ascii=False, indent=1) + "\n"
