"""Every number of an assessment as JSON; what is unknown or infinite is null."""

from __future__ import annotations

import hashlib
import json

from evenbeat.assessment.assess import Assessment
from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.plain import plain
from evenbeat.report.document import Document


def json_text(assessment: Assessment | HistoryAssessment, document: Document) -> tuple[str, str]:
    """Return ``result.json`` and the identity of the set of files that it belongs to.

    Its own numbers and the list of figures; the identity is a hash of both, so that the same result has the
    same one, and page, PDF and numbers that do not belong together can be told.
    """
    content = plain({**assessment.to_dict(), "figures": document.illustrations})

    def text(facts: object) -> str:
        return json.dumps(facts, allow_nan=False, ensure_ascii=False, indent=1)

    identity = hashlib.sha256(text(content).encode("utf-8", "backslashreplace")).hexdigest()[:12]
    return text({"report": identity, **content}) + "\n", identity
