"""One bad instrument never stops the others, whatever is wrong with it and whoever does the work."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.fleet.judged import Question, judge_histories, made_ready
from evenbeat.fleet.members import Member, table_members
from evenbeat.fleet.workers import handed_out
from evenbeat.tables import Row

ON = "2024-09-01"
ORDERS = (
    "instrument,date,as_found,as_left,standard_uncertainty,adjusted,tolerance",
    "instrument,as_found,date,as_left,standard_uncertainty,adjusted,tolerance",
)
GOOD = {
    ORDERS[0]: ("good,2023-01-01,1e-9,,1e-9,no,1e-7", "good,2024-01-01,2e-9,,1e-9,no,1e-7"),
    ORDERS[1]: ("good,1e-9,2023-01-01,,1e-9,no,1e-7", "good,2e-9,2024-01-01,,1e-9,no,1e-7"),
}


@pytest.mark.parametrize("header", ORDERS)
@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("torn", "1 cells where the header has 7 columns"),
        ("torn,1e-9", "2 cells where the header has 7 columns"),
        ("torn,2023-01-01,1e-9,,1e-9,no,1e-7,and more", "8 cells where the header has 7 columns"),
        ('torn,"1e-9', "cells with commas or quotes stand in double quotes"),
        ('torn,"1e-9"x,,,,,', "cells with commas or quotes stand in double quotes"),
    ],
)
def test_a_torn_row_is_its_instruments_own_matter(
    header: str, row: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever its columns end: one sentence with file and line; the rows around it count, each once."""
    monkeypatch.setattr("evenbeat.fleet.assess_fleet.CHUNK", 1)
    table = tmp_path / "table.csv"
    first, second = GOOD[header]
    table.write_text("\n".join([header, first, row, second]) + "\n", encoding="utf-8")

    due = eb.assess_fleet(table, on=ON)
    lines = {one.instrument: one for one in due.instruments}

    assert set(lines) == {"good", "torn"}
    assert lines["torn"].state == "not evaluated"
    assert lines["torn"].reason.startswith("table.csv, line 3: ")
    assert words in lines["torn"].reason
    assert lines["good"].state == "later"
    assert lines["good"].calibrations == 2


def test_quoted_cells_may_go_over_several_lines(tmp_path: Path) -> None:
    """A remark of two lines is one cell; the lines after it keep their numbers."""
    table = tmp_path / "table.csv"
    rows = [
        f"{ORDERS[0]},remark",
        'good,2023-01-01,1e-9,,1e-9,no,1e-7,"moved,\nin March"',
        "good,2024-01-01,2e-9,,1e-9,no,1e-7,",
        "odd,2024-01-41,2e-9,,1e-9,no,1e-7,",
    ]
    table.write_text("\n".join(rows) + "\n", encoding="utf-8")

    lines = {one.instrument: one for one in eb.assess_fleet(table, on=ON).instruments}

    assert lines["good"].calibrations == 2
    assert lines["odd"].reason.startswith("table.csv, line 5: date is '2024-01-41'")


def test_a_table_with_a_torn_row_is_not_imported(tmp_path: Path) -> None:
    """Into a register goes all of a table or nothing: the line is named."""
    table = tmp_path / "table.csv"
    table.write_text("\n".join([ORDERS[0], *GOOD[ORDERS[0]], 'torn,"1e-9']) + "\n", encoding="utf-8")
    register = eb.Register.create(tmp_path / "fleet.sqlite")

    with pytest.raises(eb.LogError, match="line 4: "):
        eb.register.import_table(register, table)

    assert register.calibrations() == ()


def _log(path: Path, values: np.ndarray) -> None:
    times = np.datetime64("2024-08-01T00:00:00") + np.arange(len(values)) * np.timedelta64(600, "s")
    rows = "\n".join(f"{time}Z,{1e7 * (1 + y):.4f}" for time, y in zip(times, values, strict=True))
    path.write_text(f"# nominal frequency: 10 MHz\nutc,frequency_hz\n{rows}\n", encoding="utf-8")


@pytest.mark.slow
def test_an_internal_fault_with_one_log_is_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A singular matrix in one of three logs: class and message stand in its line, the others are listed."""
    for number, name in enumerate(("auk", "murre", "puffin")):
        noise = 1e-10 * np.random.default_rng(number).standard_normal(60)
        _log(tmp_path / f"{name}.csv", 2e-9 + noise)
    real, known = eb.assess, {}

    def assess(record: eb.Record, **options: object) -> eb.results.Assessment:
        name = record.source.path
        if "murre" in name:
            msg = "Singular matrix"
            raise np.linalg.LinAlgError(msg)
        if name not in known:
            known[name] = real(record, **options | {"aging": "linear"})  # quickly
        return known[name]

    monkeypatch.setattr("evenbeat.assessment.assess.assess", assess)
    question = ["fleet", str(tmp_path), "--on", ON, "--tolerance", "1e-8", "--processes", "1", "--json"]

    status = main([*question, "--fail-if-out"])

    listed = json.loads(capsys.readouterr().out)
    lines = {one["instrument"]: one for one in listed["instruments"]}
    assert status == 1  # as documented: one cannot be evaluated
    assert set(lines) == {"auk", "murre", "puffin"}
    assert lines["murre"]["state"] == "not evaluated"
    assert lines["murre"]["reason"] == "not evaluated: internal fault LinAlgError: Singular matrix."
    assert [finding["code"] for finding in lines["murre"]["findings"]] == ["INTERNAL_FAULT"]
    assert lines["auk"]["due"] is not None
    assert listed["counts"]["not evaluated"] == 1
    assert main([*question]) == 0


class Faulty(Row):
    """A row that breaks whoever looks at it."""

    def text(self, name: str) -> str:
        """Fail."""
        msg = f"no {name}\nhere"
        raise RuntimeError(msg)


@pytest.mark.parametrize("processes", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_an_internal_fault_with_one_history_is_its_own(processes: int, fleet_table: Path) -> None:
    """Here and in helpers: the line of the faulty one says what happened, all others are as without it."""
    members, _ = table_members(fleet_table)
    faulty = Member(name="faulty", rows=(Faulty(writing=members[0].rows[0].writing, number=1, cells={}),))
    question = Question(
        on=date(2024, 9, 1),
        tolerance=None,
        reliability=0.95,
        soon=timedelta(days=30),
        longest_s=1e9,
        first_s=3e7,
    )

    ready = made_ready(question, [*members[:2], faulty, *members[2:4]])

    lines, _ = handed_out(judge_histories, question, [ready[:3], ready[3:]], processes=processes)

    assert lines[2].state == "not evaluated"
    assert lines[2].reason.startswith("not evaluated: internal fault RuntimeError: no ")
    assert "\n" not in lines[2].reason
    assert [*lines[:2], *lines[3:]] == judge_histories(question, made_ready(question, members[:4]))


@pytest.mark.slow
def test_a_fault_of_the_model_for_many_is_found_out_one_by_one(
    fleet_table: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the sum over all instruments breaks at one of them, the others are computed without it."""
    from evenbeat.fleet import judged

    undisturbed = eb.assess_fleet(fleet_table, on=ON).instruments
    real = judged.posteriors

    def fit(histories: list[eb.CalibrationHistory], *given: object, **options: object) -> object:
        if any(one.name == "device 0007" for one in histories):
            msg = "overflow"
            raise FloatingPointError(msg)
        return real(histories, *given, **options)

    monkeypatch.setattr(judged, "posteriors", fit)

    lines = {one.instrument: one for one in eb.assess_fleet(fleet_table, on=ON).instruments}

    assert lines["device 0007"].reason == "not evaluated: internal fault FloatingPointError: overflow."
    assert [one for one in undisturbed if one.instrument != "device 0007"] == [
        lines[one.instrument] for one in undisturbed if one.instrument != "device 0007"
    ]
