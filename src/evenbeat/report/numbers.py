"""Every number of an assessment as JSON; what is unknown or infinite is null."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from evenbeat.assessment.assess import Assessment
from evenbeat.report.document import Document


def json_text(assessment: Assessment, document: Document) -> str:
    """Return ``result.json``: the assessment's own numbers and the list of figures."""
    figures = [illustration.to_dict() for illustration in document.illustrations]
    content = plain_values({**assessment.to_dict(), "figures": figures})
    return json.dumps(content, allow_nan=False, ensure_ascii=False, indent=1) + "\n"


def plain_values(value: object) -> Any:
    """Return a value made of what JSON has: NaN and infinities become null, arrays become lists."""
    if isinstance(value, Mapping):
        return {str(key): plain_values(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_values(item) for item in value]
    if isinstance(value, np.ndarray | np.generic) and not isinstance(value, np.datetime64):
        return plain_values(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, bool | int | str) else str(value)
