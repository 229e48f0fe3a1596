"""The register: what comes in is checked, nothing changes, corrections are new rows, tampering is found."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.register.store import NO_UPDATE
from evenbeat.register.tables import export_instruments, export_table

TABLE = """# a remark
instrument,date,as_found,as_left,standard_uncertainty,adjusted,oscillator_class,tolerance
kittiwake,2024-10-17,4.90e-09,4.94e-10,1e-10,yes,oven,1e-8
kittiwake,2025-06-19,2.71e-09,-1.77e-10,1e-10,yes,oven,1e-8
"gannet, old",2025-01-07,in,,,no,rubidium,1e-9
"""


@pytest.fixture
def register(tmp_path: Path) -> eb.Register:
    """Return a register with one instrument and one calibration."""
    made = eb.Register.create(tmp_path / "workshop.sqlite")
    made.add_instrument("kittiwake", tolerance=1e-8)
    made.add_calibration("kittiwake", date="2026-02-26", as_found=1.7e-9, standard_uncertainty=1e-10)
    return made


def connected(register: eb.Register) -> closing[sqlite3.Connection]:
    """Return a connection as any other program would have it."""
    return closing(sqlite3.connect(register.path, isolation_level=None))


def test_a_calibration_becomes_a_history(register: eb.Register) -> None:
    """What was entered comes out as a history in order of time, whatever the order of entry."""
    register.add_calibration(
        "kittiwake",
        date="2025-06-19",
        as_found=2.71e-9,
        as_left=-1.77e-10,
        standard_uncertainty=1e-10,
        adjusted=True,
    )

    points = register.history("kittiwake").points

    assert [point.as_found for point in points] == [2.71e-9, 1.7e-9]
    assert points[1].time_s == 252 * 86400
    assert points[1].as_left == points[1].as_found


def test_a_correction_is_a_new_row(register: eb.Register) -> None:
    """The corrected row stays; only the correction stands; a withdrawal leaves nothing standing."""
    register.correct(2, because="digit lost in copying", as_found=1.9e-9)
    assert [one.as_found for one in register.calibrations()] == [1.9e-9]
    assert [one.as_left for one in register.calibrations()] == [1.9e-9]

    register.withdraw(3, because="was another instrument")

    assert register.calibrations() == ()
    assert [entry.corrects for entry in register.entries()] == [None, None, 2, 3]
    assert register.entries()[1].fact == register.entries("kittiwake")[1].fact
    assert eb.register.verify_register(register).intact


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET reason = 'x'",
        "UPDATE entries SET content = '{}' WHERE number = 2",
        "DELETE FROM entries WHERE number = 2",
        "INSERT OR REPLACE INTO entries SELECT * FROM entries WHERE number = 1",
        (
            "INSERT INTO entries SELECT 9, kind, instrument, content, NULL, NULL, who, role, written_at, "
            "software, hash, lower(hex(randomblob(32))) FROM entries WHERE number = 2"
        ),
    ],
)
def test_the_file_refuses_changes(register: eb.Register, statement: str) -> None:
    """No program can update, delete, replace or insert out of turn while the triggers are there."""
    before = register.entries()

    with connected(register) as connection, pytest.raises(sqlite3.IntegrityError, match="only grows"):
        connection.execute(statement)

    assert register.entries() == before


def test_the_hash_is_that_of_a_json_array(register: eb.Register) -> None:
    """An auditor finds the same hash with hashlib and json alone."""
    former = ""
    for entry in register.entries():
        parts = [
            entry.number,
            entry.kind,
            entry.instrument,
            entry.content,
            entry.corrects,
            entry.reason,
            entry.who,
            entry.role,
            entry.written_at,
            entry.software,
            former,
        ]
        text = json.dumps(parts, ensure_ascii=False, separators=(",", ":"))
        former = hashlib.sha256(text.encode()).hexdigest()
        assert entry.hash == former


@pytest.mark.parametrize(
    ("tampering", "code"),
    [
        (
            "UPDATE entries SET content = replace(content, '1.7e-09', '1.2e-09') WHERE number = 2",
            "ENTRY_CHANGED",
        ),
        ("UPDATE entries SET written_at = '2020-01-01T00:00:00Z' WHERE number = 1", "ENTRY_CHANGED"),
        ("DELETE FROM entries WHERE number = 2", "ENTRY_MISSING"),
        ("DELETE FROM entries WHERE number = 3", "HEAD_NOT_FOUND"),
    ],
)
def test_tampering_is_found(register: eb.Register, tampering: str, code: str) -> None:
    """Whoever takes the triggers away to change a row is found out, cut-off rows by the noted head."""
    register.add_calibration("kittiwake", date="2026-08-01", as_found=2.5e-9, standard_uncertainty=1e-10)
    head = register.head()
    with connected(register) as connection:
        names = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in names:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(tampering)
        for _, statement in names:
            connection.execute(statement)

    found = eb.register.verify_register(register, noted_head=head)

    assert not found.intact
    assert code in {finding.code for finding in found.findings}


def test_missing_triggers_are_found(register: eb.Register) -> None:
    """A file whose form was changed says so."""
    with connected(register) as connection:
        connection.execute("DROP TRIGGER entries_never_change")

    assert [finding.code for finding in eb.register.verify_register(register).findings] == ["FORM_CHANGED"]


def test_table_in_and_out(register: eb.Register, tmp_path: Path) -> None:
    """A table comes in whole; brought in again it adds nothing; what goes out makes the same register."""
    table = tmp_path / "table.csv"
    table.write_text(TABLE, encoding="utf-8")

    first, again = eb.register.import_table(register, table), eb.register.import_table(register, table)

    assert (first.instruments, first.calibrations, first.repeated) == (1, 3, 0)
    assert (again.instruments, again.calibrations, again.repeated) == (0, 0, 3)
    table.write_text(export_table(register), encoding="utf-8")
    other = eb.Register.create(tmp_path / "other.sqlite")
    eb.register.import_table(other, table)
    assert other.calibrations() == register.calibrations()
    assert export_instruments(other) == export_instruments(register)


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("kittiwake,2024-13-17,1e-9,1e-9,1e-10,no", "line 3: date is '2024-13-17'; ISO"),
        ("kittiwake,2024-10-17,1e-9,1e-9,,no", "line 3: standard_uncertainty is empty"),
        ("kittiwake,2024-10-17,1e-9,,1e-10,yes", "line 3: adjusted, but as_left is empty"),
        ("kittiwake,2024-10-17,1e-9,5e-9,1e-10,no", "line 3: not adjusted, but"),
        ("kittiwake,2024-10-17,1 lb,,1e-10,no", "line 3: as_found: 'lb' is not a known unit"),
        ("kittiwake,2024-10-17,,,,no", "line 3: neither as_found nor as_left"),
        ("kittiwake,2024-10-17,1e-9,,1e-10,perhaps", "line 3: adjusted is 'perhaps'"),
        ("kittiwake,2024-10-17,1e-9,1e-10,no", "line 3: 5 cells where the header has 6"),
        (
            "kittiwake,2023-01-01,1e-9,,1e-10,no",
            "line 3: kittiwake has a calibration of 2023-01-01 in line 2",
        ),
        (",2024-10-17,1e-9,,1e-10,no", "line 3: the name of an instrument is ''"),
        ("kittiwake,2026-02-26,9e-9,,1e-10,no", "line 3: the register holds another calibration"),
    ],
)
def test_a_bad_row_is_named_and_nothing_is_added(
    register: eb.Register, tmp_path: Path, row: str, sentence: str
) -> None:
    """One bad row refuses the whole table, with its line."""
    table = tmp_path / "table.csv"
    header = "instrument,date,as_found,as_left,standard_uncertainty,adjusted"
    table.write_text(f"{header}\nkittiwake,2023-01-01,1e-9,,1e-10,no\n{row}\n", encoding="utf-8")
    before = register.head()

    with pytest.raises(eb.LogError) as error:
        eb.register.import_table(register, table)

    assert sentence in str(error.value)
    assert register.head() == before


def test_impossible_entries_are_refused(register: eb.Register) -> None:
    """Each says in a sentence what is wrong."""
    with pytest.raises(eb.InputError, match="no instrument 'skua'"):
        register.add_calibration("skua", date="2026-01-01", as_found="in")
    with pytest.raises(eb.InputError, match="already"):
        register.add_instrument("kittiwake")
    with pytest.raises(eb.InputError, match="must be a positive"):
        register.add_instrument("skua", tolerance=-1e-8)
    with pytest.raises(eb.InputError, match="calibration of 2026-02-26 already"):
        register.add_calibration("kittiwake", date="2026-02-26", as_found="out")
    with pytest.raises(eb.InputError, match="needs a reason"):
        register.correct(2, because=" ", as_found=2e-9)
    with pytest.raises(eb.InputError, match="nothing would change"):
        register.correct(2, because="none", as_found=1.7e-9)
    with pytest.raises(eb.InputError, match="'colour' is no part of"):
        register.correct(2, because="none", colour="red")
    with pytest.raises(eb.InputError, match="entries 1 to 2"):
        register.withdraw(7, because="none")
    with pytest.raises(eb.InputError, match="still has calibrations"):
        register.withdraw(1, because="sold")
    register.correct(2, because="digit", as_found=2e-9)
    with pytest.raises(eb.InputError, match="corrected by entry 3 already"):
        register.correct(2, because="digit", as_found=3e-9)


def test_what_is_no_register(tmp_path: Path) -> None:
    """A missing file, another file, another database, another version: one sentence each."""
    with pytest.raises(eb.LogError, match="no such file"):
        eb.Register.open(tmp_path / "none.sqlite")
    text = tmp_path / "text.sqlite"
    text.write_text("no register at all" * 100, encoding="utf-8")
    with pytest.raises(eb.LogError, match="cannot be read as a register"):
        eb.Register.open(text)
    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE birds (name)")
    with pytest.raises(eb.LogError, match="no register"):
        eb.Register.open(other)
    newer = eb.Register.create(tmp_path / "newer.sqlite")
    with connected(newer) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(eb.LogError, match="version 99"):
        eb.Register.open(newer.path)
    with pytest.raises(eb.errors.OutputError, match="exists already"):
        eb.Register.create(newer.path)


def test_an_assessment_is_kept(register: eb.Register) -> None:
    """What an assessment said is kept with the hash of its bytes."""
    digest = hashlib.sha256(b"result").hexdigest()
    kept = eb.register.KeptAssessment(
        instrument="kittiwake",
        date="2026-03-01",
        headline="Calibrate again within 1.2 years.",
        sha256=digest,
        interval_s=3.8e7,
        due="2027-05-01",
        software={"evenbeat": "0.1.0"},
    )

    register.add_assessment(kept)

    assert register.assessments("kittiwake") == (kept,)
    with pytest.raises(eb.InputError, match="64 hexadecimal"):
        eb.register.KeptAssessment(instrument="kittiwake", date="2026-03-01", headline="", sha256="none")


SWALLOW = """CREATE TRIGGER quiet BEFORE INSERT ON entries WHEN NEW.kind = 'calibration'
BEGIN SELECT RAISE(IGNORE); END"""


def test_a_trigger_that_swallows_rows_is_refused(register: eb.Register) -> None:
    """No register holds it: it is not opened, verification names it, and no row is said to be kept."""
    with connected(register) as connection:
        connection.execute(SWALLOW)

    with pytest.raises(eb.LogError, match=r"holds what no register has \(trigger quiet\)"):
        eb.Register.open(register.path)
    assert [finding.code for finding in eb.register.verify_register(register).findings] == ["FORM_CHANGED"]
    with pytest.raises(
        eb.errors.OutputError, match="did not keep entry 3 as it was given; nothing was added"
    ):
        register.add_calibration("kittiwake", date="2026-03-01", as_found=1e-9, standard_uncertainty=1e-10)


@pytest.mark.parametrize(
    "tampering",
    [
        "UPDATE entries SET instrument = x'ff00fe' WHERE number = 2",
        "UPDATE entries SET software = CAST(x'6576ff6e' AS TEXT) WHERE number = 2",
        "UPDATE entries SET reason = 1.5, corrects = 1 WHERE number = 2",
    ],
)
def test_blobs_and_flipped_bits_are_told(register: eb.Register, tampering: str) -> None:
    """Verification says which entry; list, export and fleet do not work on it."""
    with connected(register) as connection:
        connection.execute("DROP TRIGGER entries_never_change")
        connection.execute(tampering)
        connection.execute(NO_UPDATE)
    found = eb.register.verify_register(register)

    assert not found.intact
    assert {"ENTRY_CHANGED"} == {finding.code for finding in found.findings if finding.severity == "stop"}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'{"adjusted":false', b'{"adjusted":f\x00\x01se'),
        (b'{"adjusted":false', b'["adjusted",false'),
        (b'"date":', b'"d\xffte":'),
    ],
)
def test_bits_that_flipped_on_disk_are_one_sentence(register: eb.Register, old: bytes, new: bytes) -> None:
    """Whatever reads the entry says which one it is, and that it was changed."""
    whole = register.path.read_bytes()
    assert whole.count(old) == 1
    register.path.write_bytes(whole.replace(old, new))

    assert not eb.register.verify_register(register).intact
    for read in (
        register.calibrations,
        register.holdings,
        lambda: [one.to_dict() for one in register.entries()],
    ):
        with pytest.raises(eb.LogError, match="entry 2 cannot be used"):
            read()


def test_a_damaged_form_is_one_line(register: eb.Register) -> None:
    """SQLite quotes the lines of the table that it cannot understand."""
    whole = register.path.read_bytes()
    register.path.write_bytes(whole.replace(b"  content     TEXT", b"  `ontent     TEXT"))

    with pytest.raises(eb.LogError, match="cannot be read as a register") as caught:
        eb.Register.open(register.path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("command", [["register", "list"], ["register", "export"], ["fleet"]])
def test_nothing_is_made_of_a_tampered_register(
    register: eb.Register, command: list[str], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """One sentence that names the entry, and status 2."""
    with connected(register) as connection:
        connection.execute("DROP TRIGGER entries_never_change")
        connection.execute("UPDATE entries SET content = replace(content, '1.7e-09', '1.2e-09')")
        connection.execute(NO_UPDATE)
    output = ["-o", str(tmp_path / "due")] if command == ["fleet"] else []

    assert main([*command, str(register.path), *output]) == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert "the register is not as it was written: entry 2 (calibration of kittiwake) was changed" in error
    assert error.count("\n") == 1


def test_export_leaves_the_users_files(register: eb.Register, tmp_path: Path) -> None:
    """A file that happens to be called .part beside it stays."""
    (tmp_path / "table.csv.part").write_text("mine")

    assert main(["register", "export", str(register.path), "-o", str(tmp_path / "table.csv")]) == 0
    assert (tmp_path / "table.csv.part").read_text() == "mine"
    assert "kittiwake" in (tmp_path / "table.csv").read_text()


def test_no_cell_of_an_export_is_a_formula(register: eb.Register, tmp_path: Path) -> None:
    """Names and remarks that a spreadsheet would execute are guarded, and come back as they were."""
    register.add_instrument("=cmd|' /C calc'!A0", tolerance=1e-8)
    register.add_calibration(
        "=cmd|' /C calc'!A0",
        date="2026-03-01",
        as_found=-1e-9,
        standard_uncertainty=1e-10,
        certificate="'@home",
        remark="+1 (see book)",
    )
    text = export_table(register)
    cells = [cell for row in csv.reader(text.splitlines()) for cell in row]
    numbers = re.compile(r"-?[\d.]+(e-?\d+)?")
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "-", "@") and not numbers.fullmatch(cell)]

    (tmp_path / "table.csv").write_text(text)
    other = eb.Register.create(tmp_path / "other.sqlite")
    assert main(["register", "import", str(other.path), str(tmp_path / "table.csv")]) == 0
    assert other.calibrations() == register.calibrations()
