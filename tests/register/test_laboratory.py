"""What a laboratory keeps: people, identity, events, references, units, heads, and everything out and in."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.register.register import chained_hash
from evenbeat.register.store import heads_file
from evenbeat.register.tables import export_instruments, export_table
from evenbeat.report.recomputed import verify_record

YEARS = ("2020-03-01", "2021-03-01", "2022-03-01", "2023-03-01", "2024-03-01")


@pytest.fixture
def register(tmp_path: Path) -> eb.Register:
    """Return a register of a counter that drifts by 1e-9 a year, and its reference."""
    made = eb.Register.create(tmp_path / "workshop.sqlite", who="A. Keeper", role="calibration clerk")
    made.add_instrument("standard", tolerance=1e-11, oscillator_class="caesium", serial_number="17")
    made.add_instrument("counter", tolerance=(-2e-8, 1e-8), nominal_frequency_hz=10e6, place="room 2")
    for at, date in enumerate(YEARS):
        made.add_calibration("counter", date=date, as_found=(at + 1) * 1e-9, standard_uncertainty=1e-11)
    return made


def drift(register: eb.Register) -> float:
    """Return what the history fit says of the counter's drift per year."""
    return eb.fit_history(register.history("counter"), oscillator_class="oven").drift_per_year.value


def test_every_entry_says_who_made_it(register: eb.Register) -> None:
    """Name and role as stated; the account of the computer where nobody was; both are part of the hash."""
    eb.Register.open(register.path).add_event("counter", "move", date="2024-05-01", place="room 3")

    first, *_, last = register.entries()

    assert (first.who, first.role) == ("A. Keeper", "calibration clerk")
    assert last.who.startswith("account ")
    with closing(sqlite3.connect(register.path, isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER entries_never_change")
        connection.execute("UPDATE entries SET who = 'B. Other' WHERE number = 1")
    assert "ENTRY_CHANGED" in {found.code for found in eb.register.verify_register(register).findings}


def test_a_repair_begins_the_drift_anew(register: eb.Register, tmp_path: Path) -> None:
    """Calibrations before it say nothing of the oscillator after it: as if they had never been."""
    alone = eb.Register.create(tmp_path / "alone.sqlite")
    alone.add_instrument("counter")
    for date, offset in (("2024-06-01", 0.0), ("2025-06-01", 5e-9), ("2026-06-01", 10e-9)):
        for each in (register, alone):
            each.add_calibration("counter", date=date, as_found=offset, standard_uncertainty=1e-11)
    assert abs(drift(register) - drift(alone)) > 5e-10
    register.add_event("counter", "repair", date="2024-06-01", remark="oscillator changed")

    history = register.history("counter")

    assert len(history) == 3
    assert np.isnan(history.points[0].as_found)
    assert drift(register) == pytest.approx(drift(alone), rel=1e-9)
    assert [found.code for found in history.findings] == ["REPAIRED"]


def test_a_move_makes_the_offset_jump(register: eb.Register) -> None:
    """Of unknown size: the interval counts for nothing. Of known size: it is added. The drift goes on."""
    register.add_calibration("counter", date="2025-03-01", as_found=46e-9, standard_uncertainty=1e-11)
    assert eb.fit_history(register.history("counter")).mistaken_readings  # it does not fit the others
    entry = register.add_event("counter", "move", date="2024-07-01", place="room 3")

    assert not eb.fit_history(register.history("counter")).mistaken_readings
    assert drift(register) == pytest.approx(1e-9, rel=0.05)
    assert len(register.history("counter").increments()) == 4

    register.withdraw(entry.number, because="the trimmer was turned instead")
    register.add_event(
        "counter", "adjustment", date="2024-07-01", change="40 ppb", standard_uncertainty="0.05 ppb"
    )
    assert len(register.history("counter").increments()) == 5
    assert drift(register) == pytest.approx(1e-9, rel=0.05)


def test_after_a_move_nothing_is_known(register: eb.Register) -> None:
    """An instrument that was moved or repaired after its last calibration is due at once, and says why."""
    register.add_event("counter", "move", date="2024-07-01", place="room 3")
    line = eb.assess_fleet(register, on="2024-08-01").instruments[0]

    assert (line.instrument, line.state, line.place) == ("counter", "overdue", "room 3")
    assert line.reason == "It was moved on 2024-07-01, and has not been calibrated since."
    before = eb.assess_fleet(register, on="2024-06-01").instruments
    assert {one.instrument: one.place for one in before}["counter"] == "room 2"


def test_a_retired_instrument_is_never_overdue(register: eb.Register) -> None:
    """It may be retired although it has calibrations, and comes back when it is in use again."""
    day = "2060-01-01"
    assert eb.assess_fleet(register, on=day).counts["overdue"] == 2
    register.add_event("counter", "retired", date="2024-09-01")
    register.add_event("standard", "lost", date="2024-09-02")

    due = eb.assess_fleet(register, on=day)

    assert due.counts["overdue"] == 0
    assert due.counts["not in use"] == 2
    assert "Retired since 2024-09-01." in {one.reason for one in due.instruments}
    assert register.status("counter", on="2024-08-31") == ("in use", None)
    register.add_event("counter", "in use", date="2025-01-01")
    assert register.status("counter", on=day) == ("in use", "2025-01-01")
    assert eb.assess_fleet(register, on=day).counts["overdue"] == 1


def test_units_on_entry(register: eb.Register) -> None:
    """Offsets may be typed in ppb or hertz; the fraction counts, what was typed is kept."""
    register.add_calibration(
        "counter", date="2025-03-01", as_found="0.12 Hz", as_left="-1.5 ppb", standard_uncertainty="0.1 ppb",
        as_left_uncertainty=2e-10, adjusted=True,
    )  # fmt: skip
    one = register.calibrations("counter")[-1]

    assert (one.as_found, one.as_left, one.standard_uncertainty) == (1.2e-8, -1.5e-9, 1e-10)
    assert one.as_entered.startswith("as_found 0.12 Hz at 10 MHz; as_left -1.5 ppb;")
    point = register.history("counter").points[-1]
    assert (point.standard_uncertainty, point.as_left_standard_uncertainty) == (1e-10, 2e-10)
    model = eb.fit_history(register.history("counter"))
    assert model.as_left is not None
    assert model.as_left.standard_uncertainty == 2e-10

    number = register.entries()[-1].number
    register.correct(number, because="misread", as_found="0.11 Hz")
    assert register.calibrations("counter")[-1].as_found == 1.1e-8
    for value, sentence in (
        ("12 lb", "'lb' is not a known unit"),
        ("3 ns", "a fractional frequency such as"),
        (12.0, "as no oscillator is off"),
    ):
        with pytest.raises(eb.InputError, match=sentence):
            register.add_calibration("counter", date="2025-04-01", as_found=value, standard_uncertainty=1e-9)
    with pytest.raises(eb.InputError, match="no nominal frequency is stated"):
        register.add_calibration("standard", date="2025-04-01", as_found="1 Hz", standard_uncertainty=1e-9)


def test_the_reference_has_its_own_due_date(register: eb.Register) -> None:
    """A calibration against a reference whose own calibration was over is said in the due list."""
    register.add_calibration(
        "standard",
        date="2023-01-01",
        as_found=1e-13,
        standard_uncertainty=1e-14,
        valid_until="2024-12-31",
        certificate="L 4",
    )
    register.add_calibration(
        "counter", date="2025-01-15", as_found=5.9e-9, standard_uncertainty=1e-11, reference="standard"
    )
    due = {one.instrument: one for one in eb.assess_fleet(register, on="2025-02-01").instruments}

    said = {found.code: found.sentence for found in due["counter"].findings}
    assert said["REFERENCE_OVERDUE"].startswith("standard was due on 2024-12-31, before it served")
    assert (due["standard"].due.isoformat(), due["standard"].limited_by) == ("2024-01-01", "first interval")
    later = eb.assess_fleet(register, on="2024-06-01", first_interval_s=5 * 365.25 * 86400)
    standard = next(one for one in later.instruments if one.instrument == "standard")
    assert (standard.due.isoformat(), standard.limited_by) == ("2024-12-31", "stated day")
    with pytest.raises(eb.InputError, match="no instrument 'maser'"):
        register.add_calibration("counter", date="2025-02-01", as_found="in", reference="maser")


def test_everything_out_and_in(register: eb.Register, tmp_path: Path) -> None:
    """The copy has every entry with people, reasons, corrections, assessments and hashes; nothing is lost."""
    register.correct(3, because="digit lost", as_found=1.1e-9)
    register.withdraw(7, because="was another")
    register.add_event("counter", "lost", date="2024-09-01", remark="señal — perdida")
    digest = hashlib.sha256(b"result").hexdigest()
    register.add_assessment(
        eb.register.KeptAssessment(
            instrument="counter", date="2024-04-01", headline="1.2 years", sha256=digest
        )
    )
    text = register.to_lines()
    copy = eb.Register.from_lines(tmp_path / "copy.sqlite", text)

    assert copy.entries() == register.entries()
    assert copy.head() == register.head()
    assert copy.to_lines() == text
    assert eb.register.verify_register(copy).intact
    assert (
        main(["register", "export", str(register.path), "--what", "everything", "-o", str(tmp_path / "t")])
        == 0
    )
    assert main(["register", "create", str(tmp_path / "again.sqlite"), "--from", str(tmp_path / "t")]) == 0
    assert eb.Register.open(tmp_path / "again.sqlite").entries() == register.entries()


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("A. Keeper", "B. Keeper", "line 2 is none of a whole register"),
        ('"number": 3', '"number": 4', "line 4 is none of a whole register"),
        ('"version": 2', '"version": 9', "version 9"),
    ],
)
def test_a_changed_export_makes_no_register(
    register: eb.Register, tmp_path: Path, old: str, new: str, sentence: str
) -> None:
    """One sentence with the line, and no file."""
    path = tmp_path / "copy.sqlite"
    with pytest.raises(eb.LogError, match=sentence):
        eb.Register.from_lines(path, register.to_lines().replace(old, new, 1))
    with pytest.raises(eb.LogError, match="but holds 6 entries"):
        eb.Register.from_lines(path, "\n".join(register.to_lines().splitlines()[:-1]))
    assert not path.exists()


def test_tables_keep_identity_and_status(register: eb.Register, tmp_path: Path) -> None:
    """Comma-separated tables bring back instruments with their status, calibrations with all their parts."""
    register.add_calibration(
        "counter", date="2025-03-01", as_found=6e-9, as_left=1e-9, standard_uncertainty=1e-10,
        as_left_uncertainty=3e-11, adjusted=True, reference="standard", valid_until="2026-03-01",
        certificate="C 1", certificate_sha256=hashlib.sha256(b"pdf").hexdigest(), remark="=1+1",
    )  # fmt: skip
    register.add_event("standard", "retired", date="2025-09-01")
    for name, text in (("i.csv", export_instruments(register)), ("c.csv", export_table(register))):
        (tmp_path / name).write_text(text, encoding="utf-8")
    other = eb.Register.create(tmp_path / "other.sqlite")
    first = eb.register.import_table(other, tmp_path / "i.csv")
    eb.register.import_table(other, tmp_path / "c.csv")

    assert (first.instruments, first.events) == (2, 1)
    assert other.instruments() == register.instruments()
    assert other.calibrations() == register.calibrations()
    assert other.status("standard") == register.status("standard")
    again = eb.register.import_table(other, tmp_path / "i.csv")
    assert (again.instruments, again.repeated) == (0, 2)


@pytest.mark.parametrize(
    ("column", "value", "sentence"),
    [
        ("tolerance", "2e-8", "tolerance of counter is 2e-08, in the register it is -2e-08:1e-08"),
        ("serial_number", "99", ""),
        ("place", "attic", "place of counter is attic, in the register it is room 2"),
    ],
)
def test_a_table_that_says_otherwise_is_not_ignored(
    register: eb.Register, tmp_path: Path, column: str, value: str, sentence: str
) -> None:
    """Another tolerance or place than the register's is refused; one it does not state is a caution."""
    table = tmp_path / "table.csv"
    header = f"instrument,date,as_found,as_left,standard_uncertainty,adjusted,{column}"
    table.write_text(f"{header}\ncounter,2025-03-01,6e-9,,1e-10,no,{value}\n", encoding="utf-8")
    if sentence:
        with pytest.raises(eb.LogError, match=sentence):
            eb.register.import_table(register, table)
        return
    found = eb.register.import_table(register, table).findings
    assert [(one.code, one.severity) for one in found] == [("NOT_TAKEN_OVER", "caution")]
    assert register.instrument("counter").serial_number == ""


def tampered(path: Path, *statements: str) -> None:
    """Change a register as somebody would who knows SQLite, and put its form back."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, sql in triggers:
            connection.execute(sql)


def recomputed(path: Path) -> list[str]:
    """Return statements that change the first calibration and compute the whole chain anew."""
    former, made = "", []
    for entry in eb.Register(path).entries():
        content = entry.content.replace("1e-09", "1.5e-09") if entry.number == 3 else entry.content
        row = (entry.number, entry.kind, entry.instrument, content, entry.corrects, entry.reason, entry.who)
        digest = chained_hash((*row, entry.role, entry.written_at, entry.software, former))
        values = f"content = '{content}', former_hash = '{former}', hash = '{digest}'"
        made.append(f"UPDATE entries SET {values} WHERE number = {entry.number}")
        former = digest
    return made


@pytest.mark.parametrize("how", ["cut", "recomputed"])
def test_heads_seen_before_show_what_the_chain_cannot(
    register: eb.Register, how: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last rows cut, or all of it computed anew: the chain holds, but not beside what was seen before."""
    statements = ["DELETE FROM entries WHERE number > 5"] if how == "cut" else recomputed(register.path)
    tampered(register.path, *statements)

    found = eb.register.verify_register(register)

    assert {one.code for one in found.findings if one.severity == "stop"} == {"HEAD_NOT_FOUND"}
    for command in (["fleet"], ["register", "export"], ["register", "list"]):
        assert main([*command, str(register.path)]) == 2
        assert "rows were cut off, or all was computed anew" in capsys.readouterr().err
    heads_file(register.path).unlink()
    assert eb.register.verify_register(register).intact  # nothing outside of the file speaks against it


def test_a_head_on_a_due_list_is_the_proof(register: eb.Register) -> None:
    """The list shows the head it was made with; verification holds it against the file."""
    due = eb.assess_fleet(register, on="2024-06-01")
    head = due.source["head"]

    assert head == register.head()
    assert head in str(due).replace("\n    ", "")
    heads_file(register.path).unlink()
    tampered(register.path, "DELETE FROM entries WHERE number > 5")
    assert not eb.register.verify_register(register, noted_head=head).intact


def test_a_folder_that_cannot_be_written_costs_a_caution(
    register: eb.Register, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The register works; verification says that its head is noted nowhere."""
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("EVENBEAT_STATE", str(tmp_path / "file"))

    register.add_event("counter", "move", date="2025-01-01")
    found = eb.register.verify_register(register)

    assert found.intact
    assert {"HEAD_NOT_KEPT", "NO_HEAD_NOTED"} <= {one.code for one in found.findings}


def test_the_command_says_who_and_how(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Identity, reference, certificate with its hash and events, shown with their makers."""
    path, file = str(tmp_path / "r.sqlite"), tmp_path / "c.pdf"
    file.write_bytes(b"pdf")
    who = ["--who", "A. Keeper", "--role", "clerk"]
    measured = ["--as-found", "0.1 Hz", "--standard-uncertainty", "0.1 ppb", "--reference", "standard"]
    measured += ["--certificate-file", str(file)]
    for step in (
        ["create", path],
        ["add-instrument", path, "standard", "--serial-number", "17", "--model", "in a rack", *who],
        ["add-instrument", path, "counter", "--tolerance=-2e-8:1e-8", "--nominal-frequency", "10 MHz", *who],
        ["add-calibration", path, "counter", "--date", "2026-01-01", *measured, *who],
        ["add-event", path, "counter", "move", "--date", "2026-02-01", "--place", "hut", *who],
        ["correct", path, "1", "--because", "engraved so", "--serial-number", "18", *who],
    ):
        assert main(["register", *step]) == 0
    capsys.readouterr()
    assert main(["register", "show", path, "counter", "--json"]) == 0
    entries = json.loads(capsys.readouterr().out)
    assert entries[1]["content"]["certificate_sha256"] == hashlib.sha256(b"pdf").hexdigest()
    assert entries[1]["content"]["as_found"] == 1e-8
    assert {entry["who"] for entry in entries} == {"A. Keeper"}
    assert main(["register", "add-event", path, "counter", "repair", "--date", "x"]) == 2


@pytest.mark.slow
def test_the_audit_record_of_an_instrument_is_one_command(
    register: eb.Register, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Tolerance, class, reference with its offset and due day, and the head come from the register."""
    register.add_calibration(
        "standard",
        date="2023-01-01",
        as_found=1e-13,
        standard_uncertainty=1e-14,
        valid_until="2024-12-31",
        certificate="L 4",
    )
    register.add_calibration(
        "counter", date="2025-01-15", as_found=5.9e-9, standard_uncertainty=1e-11, reference="standard"
    )
    path, folder = str(register.path), tmp_path / "record"
    command = ["history", path, "--instrument", "counter"]
    written = ["-o", str(folder), "--set", "pdf=no", "--set", "analysed_on=2025-02-01"]
    assert main([*command, *written]) == 0
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))

    assert result["reference"] == "standard, No. 17, calibrated 2023-01-01 (L 4), offset 1.00(10)e-13"
    assert result["reference_due"] == "2024-12-31"
    assert result["settings"]["tolerance"] == {"lower": -2e-8, "upper": 1e-8}
    source = result["case"]["inputs"][0]
    number, digest = register.head().split(":")
    assert (source["name"], source["sha256"]) == (f"workshop.sqlite (head {number})", digest)
    assert "REFERENCE_OVERDUE" in {found["code"] for found in result["findings"]}
    assert digest in (folder / "report.html").read_text(encoding="utf-8").replace("<wbr>", "")
    capsys.readouterr()
    register.add_event("counter", "retired", date="2025-02-01")
    assert main(command) == 0
    assert "counter is retired since 2025-02-01" in capsys.readouterr().out.replace("\n    ", " ")
    assert main(["history", path]) == 2
    assert "say which instrument with --instrument NAME" in capsys.readouterr().err
    table = Path(__file__).resolve().parents[2] / "data" / "kittiwake-history.csv"
    assert main(["history", str(table)]) == 2
    assert "no tolerance is stated; give --tolerance" in capsys.readouterr().err


def test_an_event_can_be_corrected(register: eb.Register, capsys: pytest.CaptureFixture[str]) -> None:
    """Its day, what it was, and by how much the offset changed, in a unit as well."""
    entry = register.add_event("counter", "move", date="2024-07-01", change=1e-9, standard_uncertainty=1e-10)
    call = ["register", "correct", str(register.path), str(entry.number), "--because", "it was the trimmer"]
    assert main([*call, "--what", "adjustment", "--date", "2024-07-02", "--change", "0.04 Hz"]) == 0

    (event,) = register.events("counter")

    assert (event.what, event.date, event.standard_uncertainty) == ("adjustment", "2024-07-02", 1e-10)
    assert event.change == pytest.approx(4e-9)
    with pytest.raises(eb.InputError, match="'as_found' is no part of an event"):
        register.correct(entry.number + 1, because="x", as_found=1e-9)


@pytest.mark.slow
def test_not_in_use_is_judged_on_the_day_asked(register: eb.Register, tmp_path: Path) -> None:
    """Retired since, it was in use on the day of the record, which still holds when it is recomputed."""
    register.add_event("counter", "retired", date="2025-06-01")

    def codes(day: str) -> set[str]:
        return {found.code for found in register.question("counter", on=day)["table"].findings}

    assert "NOT_IN_USE" not in codes("2025-01-01")
    assert "NOT_IN_USE" in codes("2025-07-01")
    folder = tmp_path / "record"
    call = ["history", str(register.path), "--instrument", "counter", "-o", str(folder), "--set", "pdf=no"]
    assert main([*call, "--set", "analysed_on=2025-01-01"]) == 0
    assert "NOT_IN_USE" not in (folder / "result.json").read_text(encoding="utf-8")
    assert verify_record(folder / "result.json").differences == ()


FIRST_VERSION = """
CREATE TABLE entries (number INTEGER PRIMARY KEY, kind TEXT, instrument TEXT, content TEXT, corrects INTEGER,
  reason TEXT, written_at TEXT, software TEXT, former_hash TEXT, hash TEXT);
PRAGMA application_id = 1161970260;
PRAGMA user_version = 1;
"""


def first_version(path: Path) -> str:
    """Write a register as version 1 did, with hashes (FIPS 180-4) over each row; return its SHA-256."""
    first = '{"as_found":1e-09,"date":"2021-01-01","instrument":"auk","standard_uncertainty":1e-10}'
    facts: list[tuple[str, str, int | None, str | None]] = [
        ("instrument", '{"name":"auk","oscillator_class":"oven","tolerance":1e-08}', None, None),
        ("calibration", first, None, None),
        ("calibration", first.replace("1e-09", "2e-09"), 2, "misread"),
    ]
    former = ""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.executescript(FIRST_VERSION)
        for number, (kind, content, corrects, reason) in enumerate(facts, start=1):
            stamp = f"2024-01-0{number}T00:00:00Z"
            row = (number, kind, "auk", content, corrects, reason, stamp, "evenbeat 0.1.0", former)
            text = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
            former = hashlib.sha256(text.encode()).hexdigest()
            connection.execute(f"INSERT INTO entries VALUES ({','.join('?' * 10)})", (*row, former))
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_register_of_version_1_is_upgraded(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every entry with number, reason, moment and software; the old file stays, its hash is kept."""
    old, new = tmp_path / "old.sqlite", tmp_path / "new.sqlite"
    digest = first_version(old)
    with pytest.raises(eb.LogError, match="version 1, not 2; make a new one of it: 'register upgrade'"):
        eb.Register.open(old)

    assert main(["register", "upgrade", str(old), str(new), "--who", "A. Keeper"]) == 0

    assert "New register" in capsys.readouterr().out
    made = eb.Register.open(new)
    assert eb.register.verify_register(made).intact
    assert hashlib.sha256(old.read_bytes()).hexdigest() == digest
    last = made.entries()[-1]
    assert (last.corrects, last.reason, last.written_at) == (2, "misread", "2024-01-03T00:00:00Z")
    assert last.software == "evenbeat 0.1.0"
    assert last.role == f"upgraded from version 1 by A. Keeper; old file SHA-256 {digest}"
    assert [one.as_found for one in made.calibrations("auk")] == [2e-9]
    assert made.instrument("auk").oscillator_class == "oven"


def test_a_changed_register_of_version_1_is_not_upgraded(tmp_path: Path) -> None:
    """The sentence names the entry, and no new file is left."""
    old, new = tmp_path / "old.sqlite", tmp_path / "new.sqlite"
    first_version(old)
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("UPDATE entries SET content = replace(content, '1e-09', '9e-09') WHERE number = 2")
    with pytest.raises(eb.LogError, match="entry 2 is not as it was written"):
        eb.Register.upgraded(new, old)
    assert not new.exists()
    with pytest.raises(eb.LogError, match="version 2, not 1; there is nothing to upgrade"):
        eb.Register.upgraded(new, eb.Register.create(tmp_path / "other.sqlite").path)
