"""An audit record is computed again from inputs of the same hash; any value that differs is named."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.bench import Stated, read_bench
from evenbeat.command.main import main
from evenbeat.plain import plain
from evenbeat.report.recomputed import verify_record

ROWS = """date,as_found,as_left,standard_uncertainty,adjusted
2021-01-01,1.0e-9,,1e-10,no
2022-01-03,2.1e-9,,1e-10,no
2023-01-02,2.9e-9,0.1e-9,1e-10,yes
2024-01-01,1.2e-9,,1e-10,no
"""


@pytest.fixture(scope="module")
def filed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a table and, in a folder of its own, its audit record."""
    folder = tmp_path_factory.mktemp("filed")
    table = folder / "auk.csv"
    table.write_text(ROWS, encoding="utf-8")
    options = ["--tolerance", "1e-8"]
    for key in ("reference=standard", "analysed_on=2024-02-01", "pdf=no"):
        options += ["--set", key]
    assert main(["history", str(table), "-o", str(folder / "record"), *options]) == 0
    return folder


@pytest.fixture
def record(filed: Path, tmp_path: Path) -> Path:
    """Return the numbers of an audit record, its table beside its folder."""
    shutil.copytree(filed, tmp_path, dirs_exist_ok=True)
    return tmp_path / "record" / "result.json"


@pytest.mark.slow
def test_every_digit_is_the_same_again(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Same file, same question, same numbers; the table is found by its name and hash."""
    found = verify_record(record)

    assert found.differences == ()
    assert found.compared > 300
    assert [one.code for one in found.findings] == ["EVERY_DIGIT"]
    capsys.readouterr()
    assert main(["verify", str(record)]) == 0
    assert "result.json follows from its inputs" in capsys.readouterr().out


def test_a_changed_digit_is_named(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where it stands, what is filed and what comes out; status 2."""
    content = json.loads(record.read_text(encoding="utf-8"))
    before = content["interval"]["interval_s"]
    content["interval"]["interval_s"] = before * 1.01
    content["verdict"]["headline"] = content["verdict"]["headline"].replace("Calibrate", "calibrate")
    record.write_text(json.dumps(content), encoding="utf-8")

    found = verify_record(record)

    assert {one.where for one in found.differences} == {"interval/interval_s", "verdict/headline"}
    changed = next(one for one in found.differences if one.where == "interval/interval_s")
    assert float(changed.recomputed) == before
    assert changed.size == pytest.approx(0.01 / 1.01)
    capsys.readouterr()
    assert main(["verify", str(record)]) == 2
    out = capsys.readouterr().out
    assert "does NOT follow from its inputs" in out
    assert "interval/interval_s" in out


def test_a_number_beyond_arithmetic_differs(record: Path) -> None:
    """Four hundred digits are a number of JSON, too."""
    content = json.loads(record.read_text(encoding="utf-8"))
    content["interval_s"] = int("9" * 400)
    record.write_text(json.dumps(content), encoding="utf-8")

    assert [one.where for one in verify_record(record).differences] == ["interval_s"]


def test_rounding_is_told_but_does_not_count(record: Path) -> None:
    """A last digit that another machine gives is listed; the record holds."""
    content = json.loads(record.read_text(encoding="utf-8"))
    content["interval_s"] = content["interval_s"] * (1 + 1e-12)
    record.write_text(json.dumps(content), encoding="utf-8")
    found = verify_record(record)
    assert [one.where for one in found.differences] == ["interval_s"]
    assert found.holds


def test_another_input_is_refused(record: Path, tmp_path: Path) -> None:
    """A table that was changed since cannot confirm the record; nor can a file that is none."""
    table = tmp_path / "auk.csv"
    table.write_text(ROWS.replace("2.1e-9", "2.2e-9"), encoding="utf-8")
    with pytest.raises(
        eb.LogError, match=r"auk\.csv with the hash [0-9a-f]{12}… is not found; .*has another"
    ):
        verify_record(record)
    kept = tmp_path / "kept" / "auk.csv"
    kept.parent.mkdir()
    kept.write_text(ROWS, encoding="utf-8")
    assert verify_record(record, [kept]).differences == ()
    with pytest.raises(eb.LogError, match=r"not a result\.json of 'evenbeat history -o'"):
        verify_record(kept)


@pytest.mark.slow
def test_a_register_may_have_grown_since(tmp_path: Path) -> None:
    """The record is computed from the register as it was when it was made."""
    register = eb.Register.create(tmp_path / "w.sqlite")
    register.add_instrument("auk", tolerance=1e-8, oscillator_class="oven")
    for year in range(4):
        register.add_calibration(
            "auk", date=f"{2020 + year}-01-01", as_found=year * 1e-9, standard_uncertainty=1e-10
        )
    folder = tmp_path / "record"
    command = ["history", str(register.path), "--instrument", "auk", "-o", str(folder), "--set", "pdf=no"]
    assert main(command) == 0
    register.add_calibration("auk", date="2024-01-01", as_found=9e-9, standard_uncertainty=1e-10)

    assert verify_record(folder / "result.json").differences == ()
    register.correct(2, because="digit", as_found=1e-10)
    assert verify_record(folder / "result.json", [register.path]).differences == ()


def _log(path: Path) -> None:
    hertz = 1e7 + np.random.default_rng(5).normal(0.02, 1e-3, 400)
    stamps = np.datetime64("2024-06-01T00:00:00") + 10 * np.arange(400)
    rows = "".join(f"{stamp}Z,{value:.5f}\n" for stamp, value in zip(stamps, hertz, strict=True))
    path.write_text(f"time,frequency\n{rows}", encoding="utf-8")


@pytest.mark.slow
def test_the_record_of_a_log_is_computed_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """How it was read stands in a bench file, what was asked on the line; both are in the record itself."""
    bench, folder = tmp_path / "auk.toml", tmp_path / "report"
    bench.write_text(
        'nominal_frequency = "10 MHz"\nunit = "Hz"\nhistory = "auk.csv"\n[columns]\nvalue = "frequency"\n'
    )
    _log(tmp_path / "auk.log")
    (tmp_path / "auk.csv").write_text(ROWS, encoding="utf-8")
    call = ["assess", str(tmp_path / "auk.log"), "--bench", str(bench), "-o", str(folder), "-q"]
    assert main([*call, "--tolerance", "1e-8", "--set", "pdf=no", "--set", "skip_checks=steps"]) == 0
    bench.unlink()  # what it said is embedded
    monkeypatch.chdir(tmp_path)

    found = verify_record(folder / "result.json")

    assert found.differences == ()
    assert found.compared > 1000
    content = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    content["settings"]["guard_band"], content["verdict"]["headline"] = 1e-9, "Fine."
    (folder / "result.json").write_text(json.dumps(content), encoding="utf-8")
    changed = verify_record(folder / "result.json")
    assert {one.where for one in changed.differences} == {"settings/guard_band", "verdict/headline"}
    (tmp_path / "auk.log").write_text("frequency\n1e7\n")
    assert main(["verify", str(folder / "result.json")]) == 2


def test_a_log_assessed_by_the_library_does_not_say_how_it_was_read(tmp_path: Path) -> None:
    """Nor does one of a comparison: it is refused in one sentence, not computed on a guess."""
    source = {"name": "auk.log", "sha256": "0" * 64, "parts": []}
    for settings in ({"tolerance": 1e-8}, {"command": "compare", "typed": {}}):
        path = tmp_path / "result.json"
        path.write_text(json.dumps({"settings": settings, "record": {"source": source}}), encoding="utf-8")
        with pytest.raises(eb.LogError, match="does not say how one log was read"):
            verify_record(path)


def test_what_was_stated_is_had_again_from_the_settings(tmp_path: Path) -> None:
    """From JSON as it is filed: every key of the bench file and of the line, each value to the last bit."""
    path = tmp_path / "auk.toml"
    path.write_text(
        'nominal_frequency = "10 MHz"\ntolerance = [-5e-9, 1e-8]\nhistory_from = 2021-01-01\n'
        'gate = 0.1\npartial = true\n[columns]\nvalue = "f"\n[rows]\nseparator = ","\n'
    )
    typed = {"columns": ["time=t", "temp_c=2"], "as_left": ["1.0(2)e-9"], "environment": ["none"]}
    stated = Stated.of("assess", read_bench(path), typed)

    again = Stated.again("assess", json.loads(json.dumps(plain(stated.settings()))))

    assert again.values == stated.values
    assert again.values["columns"] == {"value": "f", "time": "t", "temp_c": 2}
    assert again.bench.rows == stated.bench.rows
