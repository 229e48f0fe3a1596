"""A history assessed and written: the demo papers give an interval, and three files say the same."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

import evenbeat as eb
from evenbeat.assessment.history_case import HistoryAssessment, assess_history
from evenbeat.errors import OutputError
from evenbeat.report.write import write_report


def test_demo_history_is_assessed_and_written_once(demo_data: Path, tmp_path: Path) -> None:
    """``assess_history`` states the interval; ``write_report`` writes it and overwrites nothing."""
    made = assess_history(demo_data / "kittiwake-history.csv", tolerance=1e-8, analysed_on="2026-06-01")

    report = write_report(made, tmp_path / "report", pdf=False)

    assert str(made).startswith("Calibrate again within")
    assert "Calibrate again within" in report.html.read_text(encoding="utf-8")
    assert json.loads(report.json.read_text(encoding="utf-8"))
    with pytest.raises(OutputError):
        write_report(made, tmp_path / "report", pdf=False)


def test_a_due_day_that_has_passed_is_said_first(demo_data: Path, tmp_path: Path) -> None:
    """On the due day nothing is overdue, the day after it is: said first, on the console and on the page."""
    table = demo_data / "kittiwake-history.csv"

    def on(day: dt.date) -> HistoryAssessment:
        return assess_history(table, tolerance=1e-8, analysed_on=day, whole_case=False)

    first = on(dt.date(2026, 6, 1))
    due = first.interval.rounded.due
    assert on(due).headline() == first.headline()
    assert first.headline().startswith("Calibrate again within")

    late = on(due + dt.timedelta(days=1))
    assert late.headline().startswith(
        f"Overdue: it was due on {due}, 1 day before {late.analysed_on}. Calibrate"
    )
    page = write_report(late, tmp_path / "late", pdf=False).html.read_text(encoding="utf-8")
    assert f"Overdue: it was due on {due}" in page


@pytest.mark.parametrize("name", ["analysed_on", "reference_due"])
def test_a_day_that_is_none_is_named(demo_data: Path, name: str) -> None:
    """The sentence names the argument, not another one that is a day as well."""
    with pytest.raises(eb.InputError, match=f"{name} is 'in spring'; an ISO date"):
        assess_history(
            demo_data / "kittiwake-history.csv", tolerance=1e-8, whole_case=False, **{name: "in spring"}
        )


def test_certificates_of_a_register_stand_beside_their_calibrations(tmp_path: Path) -> None:
    """Where the register knows the number of a certificate, the page shows it; elsewhere a dash."""
    register = eb.Register.create(tmp_path / "register.sqlite")
    register.add_instrument("auk", tolerance=1e-7)
    for year, number in ((2020, "C-118"), (2021, ""), (2022, "C-231")):
        register.add_calibration(
            "auk",
            date=f"{year}-03-01",
            as_found=1e-8 * (year - 2020),
            standard_uncertainty=1e-9,
            certificate=number,
        )
    made = assess_history(register.history("auk"), tolerance=1e-7)

    page = write_report(made, tmp_path / "case", pdf=False).html.read_text(encoding="utf-8")

    assert page.index("C-118") < page.index("C-231")
    assert "certificate" in page
