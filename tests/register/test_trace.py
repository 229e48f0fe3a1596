"""A reference found out: the walk to everything that rests on it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.register.trace import trace_reference

READINGS = """instrument,date,name
counter,2025-08-01,tide gauge 4
counter,2026-09-01,after the new calibration
hand counter,2025-12-24,beacon
other,2025-08-01,buoy
"""


@pytest.fixture
def register(tmp_path: Path) -> eb.Register:
    """Return a standard that calibrates a counter, which calibrates a hand counter; and one beside them."""
    made = eb.Register.create(tmp_path / "workshop.sqlite")
    made.add_instrument("standard", tolerance=1e-11)
    for name in ("counter", "hand counter", "other"):
        made.add_instrument(name, tolerance=1e-9)
    rows = (
        ("standard", "2025-01-01", 1e-12, ""),
        ("counter", "2024-12-01", 1e-10, "standard"),
        ("other", "2024-12-15", 1e-10, "standard"),
        ("counter", "2025-07-01", 2e-10, "standard"),
        ("hand counter", "2025-06-30", 2e-10, "counter"),
        ("hand counter", "2025-10-01", 2e-10, "counter"),
        ("standard", "2026-01-01", 1.01e-10, ""),
        ("counter", "2026-08-01", 2e-10, "standard"),
        ("hand counter", "2026-09-01", 2e-10, "counter"),
    )
    for name, date, found, reference in rows:
        certificate = f"C {date}" if reference else ""
        made.add_calibration(
            name,
            date=date,
            as_found=found,
            standard_uncertainty=1e-13,
            reference=reference,
            certificate=certificate,
        )
    for name, date in (("counter", "2025-07-02"), ("counter", "2026-08-02"), ("other", "2025-07-02")):
        digest = hashlib.sha256(name.encode()).hexdigest()
        made.add_assessment(
            eb.register.KeptAssessment(instrument=name, date=date, headline="2 years", sha256=digest)
        )
    return made


def test_the_walk_finds_what_rests_on_it(register: eb.Register, tmp_path: Path) -> None:
    """Calibrations against it while it was in doubt, what they were used for, and nothing else."""
    table = tmp_path / "readings.csv"
    table.write_text(READINGS, encoding="utf-8")

    found = trace_reference(register, "standard", readings=table)

    assert (found.since, found.until) == ("2025-01-01", "2026-01-01")
    assert found.error == pytest.approx(1e-10)
    assert [(one.kind, one.instrument, one.date, one.what) for one in found.touched] == [
        ("calibration", "counter", "2025-07-01", "C 2025-07-01"),
        ("assessment", "counter", "2025-07-02", "2 years"),
        ("reading", "counter", "2025-08-01", "tide gauge 4"),
        ("calibration", "hand counter", "2025-10-01", "C 2025-10-01"),
        ("reading", "hand counter", "2025-12-24", "beacon"),
    ]
    assert [one.share for one in found.touched] == pytest.approx([0.1] * 5)
    assert found.touched[-1].through == "standard → counter → hand counter"


def test_a_reference_never_found_out_needs_a_day(register: eb.Register) -> None:
    """It is asked for; with a day the walk goes from the last calibration that found it good."""
    with pytest.raises(eb.InputError, match="no calibration found counter out of tolerance; state until"):
        trace_reference(register, "counter")
    found = trace_reference(register, "counter", until="2025-12-01")
    assert [one.date for one in found.touched] == ["2025-10-01"]
    assert "ERROR_UNKNOWN" in {one.code for one in found.findings}
    with pytest.raises(eb.InputError, match="no instrument 'maser'"):
        trace_reference(register, "maser")


def test_a_circle_of_references_ends(register: eb.Register) -> None:
    """Two instruments that were each other's reference are listed once."""
    register.add_calibration("counter", date="2025-11-01", as_found="in", reference="hand counter")
    found = trace_reference(register, "standard")
    assert [one.instrument for one in found.touched if one.kind == "calibration"] == [
        "counter",
        "counter",
        "hand counter",
    ]


def test_from_the_command(register: eb.Register, capsys: pytest.CaptureFixture[str]) -> None:
    """One task, as text or as JSON."""
    assert main(["register", "trace", str(register.path), "standard"]) == 0
    assert "touches 2 calibrations, 1 assessment, 0 readings" in capsys.readouterr().out.replace("\n", " ")
