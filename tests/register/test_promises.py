"""Each offset found scores the promise made before it; the register shows how often promises were kept."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.fleet.assess_fleet import keep_list
from evenbeat.register.facts import Calibration, Instrument
from evenbeat.register.promises import realised_reliability
from evenbeat.register.register import Draft

DIGEST = hashlib.sha256(b"").hexdigest()


def laboratory(path: Path, *, tested: int, kept: int) -> eb.Register:
    """Return a register in which so many promises were put to the test and so many kept."""
    made = eb.Register.create(path)
    drafts = []
    for number in range(tested):
        name = f"device {number:03d}"
        found = 5e-9 if number < kept else 2e-8
        promise = eb.register.KeptAssessment(
            instrument=name,
            date="2024-02-01",
            headline="later",
            sha256=DIGEST,
            due="2025-06-01",
            tolerance=1e-8,
            reliability=0.95,
        )
        about = Instrument(name=name, oscillator_class="oven", tolerance=1e-8)
        points = [
            Calibration(instrument=name, date=date, as_found=value, standard_uncertainty=1e-10)
            for date, value in (("2024-01-01", 0.0), ("2025-01-01", found))
        ]
        drafts += [Draft(fact=fact) for fact in (about, *points, promise)]
    made.append(drafts)
    return made


@pytest.mark.parametrize(
    ("tested", "kept", "verdict"),
    [(12, 12, "too few to say"), (40, 40, "kept"), (40, 30, "below what was promised")],
)
def test_realised_reliability_with_its_band(tmp_path: Path, tested: int, kept: int, verdict: str) -> None:
    """The share of promises kept, the exact binomial interval, and what it says of them."""
    row = realised_reliability(laboratory(tmp_path / "r.sqlite", tested=tested, kept=kept)).whole

    exact = stats.binomtest(kept, tested).proportion_ci(0.95, method="exact")
    assert (row.tested, row.kept, row.verdict) == (tested, kept, verdict)
    assert row.share == kept / tested
    assert (row.low, row.high) == pytest.approx((exact.low, exact.high), rel=1e-9)
    assert row.promised == pytest.approx(0.95)


def test_what_counts_as_a_promise(tmp_path: Path) -> None:
    """The last one before the calibration; late ones and assessments made after it do not count."""
    register = laboratory(tmp_path / "r.sqlite", tested=2, kept=2)
    for date, due in (
        ("2025-02-01", "2025-08-01"),
        ("2025-03-01", "2025-09-01"),
        ("2026-05-01", "2027-01-01"),
    ):
        register.add_assessment(
            eb.register.KeptAssessment(
                instrument="device 000", date=date, headline="", sha256=DIGEST, due=due
            )
        )
    register.add_calibration("device 000", date="2025-10-01", as_found=2e-8, standard_uncertainty=1e-10)
    register.add_calibration("device 001", date="2026-05-01", as_found=2e-8, standard_uncertainty=1e-10)

    found = realised_reliability(register)

    assert [(one.instrument, one.made, one.due, one.within, one.late) for one in found.promises] == [
        ("device 000", "2024-02-01", "2025-06-01", True, False),
        ("device 001", "2024-02-01", "2025-06-01", True, False),
        ("device 000", "2025-03-01", "2025-09-01", False, True),
    ]
    assert (found.whole.tested, found.whole.kept) == (2, 2)
    assert [one.code for one in found.findings] == ["CAME_LATE"]


@pytest.mark.slow
def test_lists_that_are_kept_are_scored_by_what_comes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the due list to its score: kept lists, later calibrations, and the next list that shows it."""
    rng = np.random.default_rng(7)
    register = eb.Register.create(tmp_path / "r.sqlite")
    drifts = {f"device {number}": 3e-9 * rng.normal() for number in range(6)}
    for name, drift in drifts.items():
        register.add_instrument(name, oscillator_class="oven", tolerance=2e-8)
        for year in range(3):
            register.add_calibration(
                name, date=f"{2021 + year}-01-01", as_found=drift * year, standard_uncertainty=1e-10
            )
    due = eb.assess_fleet(register, on="2023-02-01")
    assert due.realised is not None
    assert math.isnan(due.realised.whole.share)
    keep_list(register, due)
    for name, drift in drifts.items():
        register.add_calibration(name, date="2023-03-01", as_found=drift * 2.16, standard_uncertainty=1e-10)

    after = eb.assess_fleet(register, on="2023-04-01")

    assert after.realised is not None
    assert (after.realised.whole.tested, after.realised.whole.kept) == (6, 6)
    assert "6 of 6 promises were kept" in str(after).replace("\n    ", " ")
    assert main(["register", "promises", str(register.path)]) == 0
    assert "too few to say" in capsys.readouterr().out
    page = tmp_path / "due.html"
    assert main(["fleet", str(register.path), "--on", "2023-04-01", "-q", "--page", str(page)]) == 0
    assert "Promises so far" in page.read_text(encoding="utf-8")
