"""What a due list becomes: an iCalendar file by RFC 5545, and labels with their caution."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.fleet.due import DueInstrument


def unfolded(text: str) -> list[str]:
    """Return the content lines, as RFC 5545, 3.1, says how to read them."""
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    return text.replace("\r\n ", "").split("\r\n")[:-1]


def events(text: str) -> list[dict[str, str]]:
    """Return the properties of every event; those of its alarm have a star in front."""
    found: list[dict[str, str]] = []
    alarm = ""
    for line in unfolded(text):
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            found.append({})
        elif value == "VALARM":
            alarm = "*" if name == "BEGIN" else ""
        elif found:
            found[-1].setdefault(alarm + name, value)
    return found


def calendar_of(instrument: str, reason: str) -> str:
    """Return the calendar of a list that holds one instrument, of which nothing could be evaluated."""
    line = DueInstrument(instrument=instrument, reason=reason)
    settings = {"soon_d": 30.0, "reliability": 0.95}
    due = eb.results.DueList(
        on=date(2026, 1, 1), instruments=(line,), settings=settings, source={}, software={}
    )
    return due.to_icalendar()


def test_a_line_is_at_most_75_octets_long() -> None:
    """Folded between letters, never within one of several octets, and the same again when unfolded."""
    name = "Überprüfung µ → ✓ " * 20
    text = calendar_of(name, "x" * 74)

    assert max(len(line.encode()) for line in text.split("\r\n")) == 75
    assert f"SUMMARY:Not evaluated: look at {name}" in unfolded(text)
    assert any(line.startswith(f"DESCRIPTION:{'x' * 74} ") for line in unfolded(text))


def test_text_is_escaped() -> None:
    """Backslash, semicolon, comma and line break (RFC 5545, 3.3.11); other control characters are blanks."""
    assert r"SUMMARY:Not evaluated: look at a\,b\;c\\d\ne f" in unfolded(calendar_of("a,b;c\\d\ne\tf", ""))


def test_every_due_day_is_an_event(fleet_table: Path) -> None:
    """With its alarm; what is overdue stands on the day of the list; the same instrument keeps its event."""
    due = eb.assess_fleet(fleet_table, on="2024-09-01", soon_d=14)
    later = eb.assess_fleet(fleet_table, on="2024-10-01", soon_d=14)
    text = due.to_icalendar()
    found = events(text)

    assert len(found) == len(due)
    for one, event in zip(due.instruments, found, strict=True):
        ahead = one.state in ("soon", "later")
        day = one.due if ahead else due.on
        assert event["DTSTART;VALUE=DATE"] == f"{day:%Y%m%d}"
        assert event["SUMMARY"] == f"{'Calibrate' if ahead else 'Overdue: calibrate'} {one.instrument}"
        assert event.get("*TRIGGER") == ("-P14D" if ahead else None)
        assert event["DTSTAMP"] == "20240901T000000Z"
    assert {event["UID"] for event in events(later.to_icalendar())} == {event["UID"] for event in found}
    assert len({event["UID"] for event in found}) == 60
    assert int(events(later.to_icalendar())[0]["SEQUENCE"]) > int(found[0]["SEQUENCE"])
    assert due.to_icalendar() == text
    assert [line for line in unfolded(text) if line.startswith("VERSION")] == ["VERSION:2.0"]


def test_labels_carry_their_caution(tmp_path: Path) -> None:
    """Until when and how surely, and that it is a suggestion; or that it must not be used."""
    register = eb.Register.create(tmp_path / "r.sqlite")
    register.add_instrument("good", tolerance=1e-6, oscillator_class="oven", serial_number="41-7")
    register.add_instrument("never", tolerance=1e-6)
    register.add_instrument("old", tolerance=1e-6)
    register.add_event("old", "retired", date="2023-01-01")
    for year in range(4):
        register.add_calibration(
            "good",
            date=f"{2020 + year}-01-01",
            as_found=year * 1e-9,
            standard_uncertainty=1e-10,
            certificate=f"C {year}",
        )
    due = eb.assess_fleet(register, on="2023-06-01")
    good = next(one for one in due.instruments if one.instrument == "good")

    label = due.label("good")
    assert label.splitlines()[:4] == [
        "good  No. 41-7",
        "Calibrated 2023-01-01 (C 3)",
        f"Due {good.due}",
        "±1e-06 with 95 % until then",
    ]
    assert "not a conformity statement" in label.replace("\n", " ")
    assert max(map(len, label.splitlines())) <= 44
    assert "DO NOT USE before it is calibrated\nIt has never been calibrated." in due.label("never")
    assert "NOT IN USE\nRetired since 2023-01-01." in due.label("old")
    with pytest.raises(eb.InputError, match="holds no instrument 'kite'"):
        due.label("kite")
    assert due.labels().count("List of 2023-06-01, r.sqlite") == 3
    assert "old" not in due.to_icalendar()


def test_from_the_command(fleet_table: Path, tmp_path: Path) -> None:
    """Both are written whole, with the line ends that iCalendar asks for, and nothing is replaced unasked."""
    calendar, labels = tmp_path / "due.ics", tmp_path / "labels.txt"
    command = ["fleet", str(fleet_table), "--on", "2024-09-01", "-q"]
    command += ["--calendar", str(calendar), "--labels", str(labels)]
    assert main(command) == 0
    assert calendar.read_bytes().startswith(b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\n")
    assert labels.read_text(encoding="utf-8").count("Calibrated ") == 60
    assert main(command) == 2
