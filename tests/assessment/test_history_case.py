"""The case for an interval from calibrations: sensitivity, test, decision rule; and the files it becomes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.assessment.case import (
    DecisionBasis,
    Outlook,
    PredictedCalibration,
    of_the_question,
    predicted_finding,
    steadiness,
)
from evenbeat.calibration.interval import Meaning
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.command.main import main
from evenbeat.quantities import StudentMixture
from evenbeat.register.facts import KeptAssessment

DAY = ("--set", "analysed_on=2026-03-01")
TABLE = Path(__file__).resolve().parents[2] / "data" / "kittiwake-history.csv"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a report that the command wrote."""
    folder = tmp_path_factory.mktemp("case") / "report"
    command = ["history", str(TABLE), "--tolerance", "5e-9", "-o", str(folder), *DAY]
    rule = ["--set", "decision_rule=guard_band", "--set", "rule_chosen_on=2026-01-05"]
    assert main([*command, *rule]) == 0
    return folder


def test_the_report_holds_what_an_auditor_asks_for(written: Path) -> None:
    """Inputs with hashes, versions, rule, models, test, sensitivity, who decides, and what it is not."""
    result = json.loads((written / "result.json").read_text(encoding="utf-8"))
    case = result["case"]

    assert len(case["inputs"][0]["sha256"]) == 64
    assert set(result["software"]) == {"python", "evenbeat", "numpy", "scipy"}
    assert case["decision_basis"]["rule"] == "guard_band"
    assert case["decision_basis"]["decided_by"] is None
    changed = [one["changed"] for one in case["sensitivity"]]
    for words in ("tolerance −20 %", "tolerance +20 %", "reliability 0.90", "reliability 0.99"):
        assert words in changed
    assert any(name.startswith("drift law: constant only") for name in changed)
    assert len(case["predicted_calibrations"]) == 8
    assert result["due"] == result["interval"]["rounded"]["due"]
    html = (written / "report.html").read_text(encoding="utf-8")
    for words in (
        "analysis for the equipment owner; not part of a calibration certificate; not a conformity statement",
        "Who decides",
        "____",
        "Chosen on",
        "SHA-256",
    ):
        assert words in html
    assert "<script" not in html
    assert "src=" not in html
    assert (written / "report.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.slow
def test_the_same_inputs_give_the_same_bytes(written: Path, tmp_path: Path) -> None:
    """And the same day of analysis, which is stated."""
    again = tmp_path / "again"
    command = ["history", str(TABLE), "--tolerance", "5e-9", "-o", str(again), *DAY]

    assert main([*command, "--set", "decision_rule=guard_band", "--set", "rule_chosen_on=2026-01-05"]) == 0

    for name in ("report.html", "report.pdf", "result.json"):
        assert (again / name).read_bytes() == (written / name).read_bytes()


def test_its_result_goes_into_a_register(written: Path, tmp_path: Path) -> None:
    """The register keeps the first sentence, the due day and the hash of result.json."""
    path = tmp_path / "r.sqlite"
    register = eb.Register.create(path)
    register.add_instrument("kittiwake")
    result = str(written / "result.json")

    assert main(["register", "add-assessment", str(path), "kittiwake", result, "--date", "2026-03-01"]) == 0

    kept = register.assessments("kittiwake")[0]
    assert isinstance(kept, KeptAssessment)
    assert kept.due == "2026-12-26"
    assert kept.headline.startswith("Calibrate again within")


@pytest.mark.parametrize(
    ("chosen", "code"),
    [(None, "RULE_NOT_DATED"), ("2026-01-05", "RULE_BEFORE_DATA"), ("2026-06-05", "RULE_AFTER_DATA")],
)
def test_when_the_rule_was_chosen(chosen: str | None, code: str) -> None:
    """A rule chosen after the measurement is a caution, as is one without a date."""
    basis = DecisionBasis.of("guard_band", rule_chosen_on=chosen)

    assert basis.finding(np.datetime64("2026-02-26").item()).code == code


def test_the_guard_band_is_what_the_rule_holds_back() -> None:
    """U = 2 u is held back by guard_band (ILAC-G8:09/2019, 4.2.2), √(T² - U²) kept by the other rule."""
    limits = Tolerance.of(1e-8)

    assert DecisionBasis.of("guard_band").guard_band(limits, 1e-9) == pytest.approx(2e-9)
    kept = 1e-8 - DecisionBasis.of("root_sum_of_squares").guard_band(limits, 3e-9)
    assert kept == pytest.approx(8e-9)
    with pytest.raises(eb.InputError, match="leaves nothing of the tolerance"):
        DecisionBasis.of("guard_band_3").guard_band(limits, 5e-9)
    with pytest.raises(eb.InputError, match="rule_chosen_on is 'May'"):
        DecisionBasis.of(rule_chosen_on="May")


def _sure_drift(meaning: Meaning = "end_of_period") -> Outlook:
    """Return a drift of 1e-9 a day without any doubt."""
    days = np.linspace(0, 20, 2001)
    return Outlook(
        elapsed_s=days * 86400,
        offset=StudentMixture.normal(1e-9 * days, np.full(2001, 1e-15)),
        tolerance=Tolerance.of(1e-8),
        guard_band=1e-9,
        reliability=0.95,
        meaning=meaning,
    )


def test_sensitivity_by_hand() -> None:
    """A sure drift of 1e-9 a day: the interval is (tolerance - guard band) / drift, whatever R."""
    outlook = _sure_drift()

    found = {one.changed: one.interval_s / 86400 for one in of_the_question(outlook)}

    assert found["as asked"] == pytest.approx(9, abs=0.02)
    assert found["tolerance −20 %"] == pytest.approx(7, abs=0.02)
    assert found["tolerance +20 %"] == pytest.approx(11, abs=0.02)
    assert found["reliability 0.99"] == pytest.approx(9, abs=0.02)
    assert "between 7 d" in steadiness(of_the_question(outlook)).replace("6.99 d", "7 d")


@pytest.mark.parametrize(
    ("meaning", "first", "days"),
    [
        ("average_over_period", "as asked", 9 / 0.95),
        ("never_left", "as asked, but within at its end alone", 9),
    ],
)
def test_sensitivity_is_of_what_was_asked(meaning: Meaning, first: str, days: float) -> None:
    """A sure drift is within for 9 days, and so for 95 % of 9 / 0.95 days: own derivation."""
    found = of_the_question(_sure_drift(meaning))

    assert found[0].changed.startswith(first)
    assert found[0].interval_s / 86400 == pytest.approx(days, abs=0.02)
    assert ("at its end alone" in steadiness(found)) == (meaning == "never_left")


@pytest.mark.parametrize(
    ("held", "of", "severity", "words"),
    [
        (0, 1, "caution", "too few for intervals of 95 %"),
        (1, 1, "note", "too few to say whether the intervals hold"),
        (2, 3, "note", "too few to say whether the intervals hold"),
        (8, 8, "note", "too few to say whether the intervals hold"),
        (9, 9, "good", "9 of 9 calibrations lay in"),
        (17, 18, "good", "17 of 18"),
        (4, 6, "caution", "too few for intervals of 95 %"),
    ],
)
def test_a_test_that_failed_is_not_shown_as_passed(held: int, of: int, severity: str, words: str) -> None:
    """Binomial: 0 of 1 has 5 % with intervals of 95 %; 9 of 9 has 4 % with intervals of 70 %."""
    tried = [
        PredictedCalibration(when=f"day {k}", low=-1.0, high=1.0, found=0.0 if k < held else 2.0)
        for k in range(of)
    ]
    (finding,) = predicted_finding(tried)

    assert finding.severity == severity
    assert words in finding.sentence
    assert ("outside: day" in finding.sentence) == (held < of)


def test_bad_questions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One sentence, status 2, and no half-made folder."""
    base = ["history", str(TABLE), "--tolerance", "5e-9"]
    folder = tmp_path / "out"
    for extra, sentence in (
        (["--set", "decided_by=A. Keeper"], "give -o FOLDER too"),
        (["-o", str(TABLE)], "is a file"),
        (["-o", str(folder), "--set", "rule_chosen_on=May"], "rule_chosen_on is 'May'"),
    ):
        assert main([*base, *extra]) == 2
        assert sentence in capsys.readouterr().err
    assert not folder.exists()
