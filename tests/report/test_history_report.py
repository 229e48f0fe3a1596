"""A history assessed and written: the demo papers give an interval, and three files say the same."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from evenbeat.assessment.history_case import assess_history
from evenbeat.errors import OutputError
from evenbeat.report.history_report import write_history_report


def test_demo_history_is_assessed_and_written_once(demo_data: Path, tmp_path: Path) -> None:
    """``assess_history`` states the interval; ``write_history_report`` writes it and overwrites nothing."""
    made = assess_history(demo_data / "kittiwake-history.csv", tolerance=1e-8)

    report = write_history_report(made, tmp_path / "report", pdf=False)

    assert str(made).startswith("Calibrate again within")
    assert "Calibrate again within" in report.html.read_text(encoding="utf-8")
    assert json.loads(report.json.read_text(encoding="utf-8"))
    with pytest.raises(OutputError):
        write_history_report(made, tmp_path / "report", pdf=False)
