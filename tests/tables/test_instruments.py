"""A table of several instruments is never one history: they are named, and one is selected."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb
from evenbeat.command.main import main

HEADER = "date,as_found,as_left,standard_uncertainty,adjusted"
AUK = ("2020-01-01,0,0,1e-9,no", "2021-01-01,2e-8,0,1e-9,yes", "2022-01-01,2.1e-8,0,1e-9,yes")
MURRE = ("2020-02-01,0,0,1e-9,no", "2021-02-01,-5e-8,0,1e-9,yes", "2022-02-01,-5.2e-8,0,1e-9,yes")


def both(column: str) -> str:
    """Return a table of two instruments, their rows in turn, under a name for the column of names."""
    rows = [
        f"{name},{row}"
        for pair in zip(AUK, MURRE, strict=True)
        for name, row in zip(("auk", "murre"), pair, strict=True)
    ]
    return "\n".join([f"{column},{HEADER}", *rows]) + "\n"


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """Return a file of two instruments."""
    path = tmp_path / "both.csv"
    path.write_text(both("instrument"), encoding="utf-8")
    return path


@pytest.mark.parametrize("column", ["instrument", "name", "Instrument"])
def test_the_column_of_names_is_known(column: str, tmp_path: Path) -> None:
    """However it is spelt, two instruments are never one history."""
    path = tmp_path / "both.csv"
    path.write_text(both(column), encoding="utf-8")

    with pytest.raises(eb.LogError, match=r"2 instruments \(auk, murre\)"):
        eb.CalibrationHistory.from_table(path)
    assert len(eb.CalibrationHistory.from_table(path, instrument="murre")) == 3


@pytest.fixture
def alone(tmp_path: Path) -> Path:
    """Return a table of one instrument by itself."""
    path = tmp_path / "auk.csv"
    path.write_text("\n".join([HEADER, *AUK]) + "\n", encoding="utf-8")
    return path


def _drift(capsys: pytest.CaptureFixture[str], *arguments: object) -> dict[str, float]:
    assert main(["history", *map(str, arguments), "--tolerance", "1e-7", "--json"]) == 0
    return json.loads(capsys.readouterr().out)["drift_per_year"]


def test_several_are_refused_and_one_is_selected(
    table: Path, alone: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sentence names them and the option; the one selected gives what its own table gives."""
    assert main(["history", str(table), "--tolerance", "1e-7"]) == 2
    refusal = capsys.readouterr().err
    assert "of 2 instruments (auk, murre); select one with --set instrument=NAME" in refusal

    assert _drift(capsys, table, "--instrument", "auk") == _drift(capsys, alone)
    assert main(["history", str(table), "--tolerance", "1e-7", "--instrument", "gull"]) == 2
    assert "holds no instrument 'gull'; it holds auk, murre" in capsys.readouterr().err
    assert main(["history", str(alone), "--tolerance", "1e-7", "--instrument", "auk"]) == 2
    assert "names no instruments" in capsys.readouterr().err


def test_a_family_from_one_table(table: Path, alone: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table is given once for each of them; a table too few is said."""
    family = _drift(capsys, table, table, "--instrument", "auk", "--instrument", "murre")

    assert family != _drift(capsys, alone)
    assert main(["history", str(table), "--tolerance", "1e-7", "--instrument", "a", "--instrument", "b"]) == 2
    assert "2 instruments are named for 1 table" in capsys.readouterr().err


@pytest.mark.slow
def test_the_file_record_is_of_the_one_selected(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With -o as without; its rows keep the numbers of their lines."""
    options = ["history", str(table), "--tolerance", "1e-7", "-o", str(tmp_path / "case"), "--set", "pdf=no"]
    assert main(options) == 2
    assert "select one with --set instrument=NAME" in capsys.readouterr().err

    assert main([*options, "--instrument", "murre"]) == 0

    result = json.loads((tmp_path / "case" / "result.json").read_text())
    assert result["history"][0]["name"] == "murre"
    assert len(result["history"][0]["date"]) == 3
    history = eb.CalibrationHistory.from_table(table, instrument="murre")
    assert [point.row for point in history.points] == [3, 5, 7]


def test_beside_a_log_too(table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``assess --history`` and ``fit_clock(calibrations=…)`` refuse as ``history`` does."""
    y = 2e-8 + 1e-11 * np.random.default_rng(4).standard_normal(300)
    times = np.datetime64("2021-12-01T00:00:00") + np.arange(300) * np.timedelta64(7200, "s")
    rows = "\n".join(f"{time}Z,{1e7 * (1 + value):.6f}" for time, value in zip(times, y, strict=True))
    log = tmp_path / "log.csv"
    log.write_text(f"# nominal frequency: 10 MHz\nutc,frequency_hz\n{rows}\n", encoding="utf-8")
    question = ["assess", str(log), "--no-report", "--set", f"history={table}"]

    assert main(question) == 2
    assert "2 instruments (auk, murre)" in capsys.readouterr().err
    assert main(["assess", str(log), "--no-report", "--set", "instrument=auk"]) == 2
    assert "instrument is given without history" in capsys.readouterr().err
    with pytest.raises(eb.LogError, match="2 instruments"):
        eb.fit_clock(eb.read_log(log), calibrations=table)


def test_one_instrument_in_the_column_is_no_reason_to_ask(alone: Path) -> None:
    """The column then gives the history its name; a row without a name beside named ones is asked about."""
    frame = pd.read_csv(alone).assign(instrument="auk")

    assert eb.CalibrationHistory.from_table(frame).name == "auk"
    frame.loc[1, "instrument"] = None
    with pytest.raises(eb.LogError, match=r"2 instruments \(auk, \(empty\)\)"):
        eb.CalibrationHistory.from_table(frame)


def test_many_are_not_all_listed(demo_data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The demo fleet holds 22; six are named, and any of them can be selected."""
    fleet = str(demo_data / "fleet-history.csv")

    assert main(["history", fleet, "--tolerance", "1e-7"]) == 2
    assert "22 instruments (avocet, bittern, cormorant, curlew, dotterel, dunlin and 16 more)" in (
        capsys.readouterr().err
    )
    assert main(["history", fleet, "--tolerance", "1e-7", "--instrument", "tern"]) == 0
