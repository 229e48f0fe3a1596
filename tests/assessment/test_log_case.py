"""A log with calibrations beside it, and the case for its interval."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.assessment.beside import calibration_points_of
from evenbeat.assessment.case import DecisionBasis

HEADER = "date,as_found,as_left,standard_uncertainty,adjusted"


@pytest.fixture(scope="module")
def record() -> eb.Record:
    """Return sixty days of readings every six hours of a clock at +2e-9 that ages by 2e-12 per day."""
    rng = np.random.default_rng(5)
    days = np.arange(240) / 4
    values = 2e-9 + 2e-12 * days + 3e-12 * rng.standard_normal(240)
    return eb.Record(
        values=values,
        kind="frequency",
        interval_s=21600.0,
        start=np.datetime64("2026-03-01T00:00:00", "ns"),
    )


def table(folder: Path, rows: list[str]) -> Path:
    """Write a history."""
    path = folder / "history.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return path


AGREEING = ["2026-02-01,1.94e-9,,5e-11,no", "2026-03-20,2.04e-9,,5e-11,no", "2026-04-20,2.10e-9,,5e-11,no"]


@pytest.mark.slow
def test_agreeing_calibrations_enter_the_model(record: eb.Record, tmp_path: Path) -> None:
    """The verdict says that they agree; the reference's offset is then known from them."""
    beside = eb.assess(record, tolerance=4e-9, reference_uncertainty=5e-10, history=table(tmp_path, AGREEING))

    assert "CALIBRATIONS_AGREE" in {finding.code for finding in beside.findings}
    assert any(
        label == "calibration" and "both were combined" in said for label, said in beside.verdict.lines
    )
    assert beside.interval.offset.standard_deviation[0] < 1e-10  # alone it would be 5e-10 and more


@pytest.mark.slow
def test_contradicting_calibrations_do_not(record: eb.Record, tmp_path: Path) -> None:
    """Calibrations far from the log are not averaged with it, and the verdict says so."""
    wrong = [row.replace("2.04e-9", "9.04e-9") for row in AGREEING]

    found = eb.assess(record, tolerance=4e-9, aging="linear", history=table(tmp_path, wrong))

    assert "CALIBRATIONS_DISAGREE" in {finding.code for finding in found.findings}
    assert found.verdict.headline.startswith("Log and calibrations contradict each other: settle that first.")
    assert "contradict" in found.verdict.as_text().replace("\n            ", " ")


def test_only_later_calibrations(record: eb.Record, tmp_path: Path) -> None:
    """A day from which on they count leaves out the older ones, and says how many."""
    path = table(tmp_path, ["2020-01-01,9e-8,,5e-11,no", *AGREEING])

    found = eb.assess(record, aging="linear", history=path, history_from="2026-01-01")

    codes = {finding.code for finding in found.findings}
    assert {"CALIBRATIONS_AGREE", "CALIBRATIONS_TOO_OLD"} <= codes
    with pytest.raises(eb.InputError, match="of 2027-01-01 or later"):
        eb.assess(record, history=path, history_from="2027-01-01")


def test_states_without_values_are_left_out(tmp_path: Path) -> None:
    """An 'in' is no offset: it is left out beside a log, and counted."""
    history = eb.CalibrationHistory.from_table(table(tmp_path, ["2026-01-01,in,,,no", *AGREEING]))

    points, findings = calibration_points_of(history)

    assert len(points) == 3
    assert [finding.code for finding in findings] == ["CALIBRATIONS_WITHOUT_VALUE"]


@pytest.mark.slow
def test_the_case_of_a_log(record: eb.Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a decision basis the assessment holds its case, and the report its sections."""
    monkeypatch.setattr("evenbeat.assessment.log_case.ORIGINS", 3)
    path = table(tmp_path, AGREEING)

    found = eb.assess(
        record,
        tolerance=3e-9,
        reference_uncertainty=1e-10,
        history=path,
        basis=DecisionBasis.of("guard_band", rule_chosen_on="2026-02-20", decided_by="the keeper"),
    )

    case = found.case
    assert case is not None
    assert found.settings["guard_band"] == pytest.approx(2e-10)
    assert [source.name for source in case.inputs] == ["history.csv"]
    changed = [one.changed for one in case.variations]
    assert "without the calibrations" in changed
    assert "noise prior: cautious" in changed
    assert case.backtest is not None
    assert case.decision.verdict == "pass"
    assert case.findings[0].code == "RULE_BEFORE_DATA"
    report = eb.write_report(found, tmp_path / "report", pdf=False)
    html = report.html.read_text(encoding="utf-8")
    assert "What would change the answer" in html
    assert "the keeper" in html
