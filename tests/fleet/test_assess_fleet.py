"""The due list: from every source, the same whoever computes it, with bad instruments in their place."""

from __future__ import annotations

import json
import math
import os
import signal
import warnings
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb
from evenbeat.fleet.due import percent
from evenbeat.fleet.judged import Question, judge_histories, made_ready
from evenbeat.fleet.members import table_members
from evenbeat.fleet.workers import handed_out

ON = "2024-09-01"


def test_the_most_urgent_stands_first(fleet_table: Path) -> None:
    """Days are in order, states follow from them, and the interval is the one of a single history."""
    due = eb.assess_fleet(fleet_table, on=ON)

    days = [one.due for one in due.instruments]
    assert len(due) == 60
    assert days == sorted(days)
    for one in due.instruments:
        expected = "overdue" if one.due < due.on else "soon" if (one.due - due.on).days <= 30 else "later"
        assert one.state == expected
        assert 0 <= (one.due - one.last_calibration).days <= one.interval_s / 86400
    assert sum(due.counts.values()) == 60


def test_register_table_and_frame_agree(fleet_table: Path, tmp_path: Path) -> None:
    """The same instruments give the same lines wherever they come from."""
    register = eb.Register.create(tmp_path / "fleet.sqlite")
    eb.register.import_table(register, fleet_table)

    from_table = eb.assess_fleet(fleet_table, on=ON)

    assert eb.assess_fleet(register, on=ON).instruments == from_table.instruments
    assert eb.assess_fleet(register.path, on=ON).instruments == from_table.instruments
    assert eb.assess_fleet(pd.read_csv(fleet_table), on=ON).instruments == from_table.instruments


@pytest.mark.slow
def test_processes_do_not_change_the_result(fleet_table: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two processes give what one gives, to the last digit."""
    monkeypatch.setattr("evenbeat.fleet.assess_fleet.CHUNK", 16)
    seen = []

    alone = eb.assess_fleet(fleet_table, on=ON, processes=1)
    both = eb.assess_fleet(fleet_table, on=ON, processes=2, progress=lambda *done: seen.append(done))

    assert both.to_dict() == alone.to_dict()
    assert seen[-1] == (60, 60)


def dies_once(question: object, ready: object) -> list[object]:
    """Judge nothing in a helper: kill it, as the kernel does when memory ends."""
    if os.environ.get("PYTEST_RUNS_HERE") != str(os.getpid()):
        os.kill(os.getpid(), signal.SIGKILL)
    return judge_histories(question, ready)


@pytest.mark.slow
def test_a_killed_helper_costs_nothing_but_time(fleet_table: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where helpers die, this process does their work and says so."""
    monkeypatch.setenv("PYTEST_RUNS_HERE", str(os.getpid()))
    question = Question(
        on=date(2024, 9, 1),
        tolerance=None,
        reliability=0.95,
        soon=timedelta(days=30),
        longest_s=1e9,
        first_s=3e7,
    )
    ready = made_ready(question, table_members(fleet_table)[0])
    chunks = [ready[:20], ready[20:40], ready[40:]]

    lines, findings = handed_out(dies_once, question, chunks, processes=2)

    assert [finding.code for finding in findings] == ["WORKER_DIED"]
    assert lines == handed_out(judge_histories, question, chunks)[0]


BAD_ROWS = """instrument,date,as_found,as_left,standard_uncertainty,adjusted,tolerance
good,2023-01-01,1e-9,,1e-9,no,1e-7
good,2024-01-01,2e-9,,1e-9,no,1e-7
no date,2023-01-41,1e-9,,1e-9,no,1e-7
no uncertainty,2023-01-01,1e-9,,,no,1e-7
torn,2023-01-01,1e-9
two tolerances,2023-01-01,1e-9,,1e-9,no,1e-7
two tolerances,2024-01-01,1e-9,,1e-9,no,1e-8
twice,2023-01-01,1e-9,,1e-9,no,1e-7
twice,2023-01-01,2e-9,,1e-9,no,1e-7
only in,2023-01-01,1e-9,,1e-9,no,1e-7
only in,2024-01-01,in,,,no,1e-7
only out,2024-01-01,out,,,no,1e-7
states,2022-01-01,1e-9,,1e-9,no,1e-7
states,2023-01-01,in,2e-9,1e-9,yes,1e-7
off,2024-01-01,5e-7,5e-7,1e-9,no,1e-7
tomorrow,2025-01-01,1e-9,,1e-9,no,1e-7
without,2024-01-01,1e-9,,1e-9,no,
once,2024-01-01,1e-9,,1e-9,no,1e-5
"""


MIXED = """instrument,date,as_found,as_left,standard_uncertainty,adjusted,tolerance,class,serial_number
wren,2022-01-01,0,0,1e-9,no,1e-7,oven,
wren,2024-01-01,2e-9,2e-9,1e-9,no,1e-8,,A1
wren,2023-01-01,in,0,1e-9,yes,1e-6,oven,A1
"""


def test_the_last_tolerance_of_a_table_counts(tmp_path: Path) -> None:
    """By date, on every way, said with its line; a state counts by the tolerance of its own row."""
    table = tmp_path / "mixed.csv"
    table.write_text(MIXED, encoding="utf-8")

    (line,) = eb.assess_fleet(table, on=ON).instruments
    alone = eb.assess_history(table, whole_case=False)

    assert line.tolerance == alone.tolerance.upper == 1e-8
    said = "mixed.csv, line 3: the tolerance is ±1e-08, which counts as the last; in line 4 it is ±1e-06."
    for findings in (line.findings, alone.findings):
        (mixed,) = [f.sentence for f in findings if f.code == "TOLERANCE_MIXED"]
        assert mixed.endswith(said)
    assert line.drift_per_year == pytest.approx(alone.model.drift_per_year.value)
    (earlier,) = eb.assess_fleet(table, on="2023-06-01").instruments
    assert earlier.tolerance == 1e-6


@pytest.mark.parametrize(
    ("former", "other", "words"),
    [
        ("A1\nwren,2023", "A2\nwren,2023", "line 3: serial_number is A2, in line 4 it is A1; say"),
        (
            "1e-8,,",
            "1e-8,rubidium,",
            "line 3: oscillator_class is rubidium, in line 2 it is oven; say the same",
        ),
    ],
)
def test_two_classes_of_one_instrument_are_refused(
    former: str, other: str, words: str, tmp_path: Path
) -> None:
    """On every way, with both lines; so are two serial numbers in a fleet."""
    table = tmp_path / "mixed.csv"
    table.write_text(MIXED.replace(former, other), encoding="utf-8")

    assert words in eb.assess_fleet(table, on=ON).instruments[0].reason
    if "class" in words:
        with pytest.raises(eb.LogError, match=words):
            eb.CalibrationHistory.from_table(table)


@pytest.fixture
def bad_table(tmp_path: Path) -> Path:
    """Return a table in which most instruments cannot be evaluated."""
    path = tmp_path / "bad.csv"
    path.write_text(BAD_ROWS, encoding="utf-8")
    return path


def test_one_bad_instrument_never_stops_the_others(bad_table: Path) -> None:
    """Each appears with its reason, which names the line of the table."""
    lines = {one.instrument: one for one in eb.assess_fleet(bad_table, on=ON).instruments}

    assert lines["good"].state == "later"
    reasons = {name: line.reason for name, line in lines.items() if line.state == "not evaluated"}
    assert reasons["no date"] == "bad.csv, line 4: date is '2023-01-41'; ISO such as 2026-02-26 is needed."
    assert reasons["no uncertainty"].startswith("bad.csv, line 5: standard_uncertainty is empty")
    assert reasons["torn"] == "bad.csv, line 6: 3 cells where the header has 7 columns."
    assert reasons["twice"].startswith("twice has two calibrations of 2023-01-01")
    assert "says only 'in'" in reasons["only in"]
    assert reasons["without"].startswith("no tolerance is stated")
    assert set(reasons) == {
        "no date", "no uncertainty", "torn", "twice", "only in", "without"
    }  # fmt: skip
    assert lines["only out"].state == "overdue"
    assert lines["tomorrow"].reason == "It has never been calibrated."
    assert lines["off"].limited_by == "start"
    assert lines["off"].probability_within < 0.05  # of a class nobody states
    assert [f.code for f in lines["off"].findings] == [
        "FOUND_OUT",
        "CLASS_INFERRED",
        "FEW_CALIBRATIONS",
        "SEASON_UNSEEN",
    ]
    assert lines["once"].limited_by == "first interval"
    assert lines["states"].limited_by in ("tolerance", "observed intervals")


def test_options(bad_table: Path) -> None:
    """A tolerance for all, a policy, and impossible options."""
    lines = {
        one.instrument: one
        for one in eb.assess_fleet(
            bad_table, on=ON, tolerance=1e-6, longest_interval_s=5 * 86400.0
        ).instruments
    }
    assert lines["without"].limited_by == "policy"
    assert (lines["without"].due - lines["without"].last_calibration).days == 5
    for wrong, sentence in (
        ({"on": "1st of May"}, "ISO such as"),
        ({"reliability": 95}, "between 0 and 1"),
        ({"tolerance": -1e-8}, "must be a positive"),
        ({"processes": 0}, "must be 1 or more"),
    ):
        with pytest.raises(eb.InputError, match=sentence):
            eb.assess_fleet(bad_table, **{"on": ON, **wrong})


def test_sources_that_are_none(tmp_path: Path) -> None:
    """What cannot be read as a whole is one sentence."""
    with pytest.raises(eb.LogError, match="cannot be read"):
        eb.assess_fleet(tmp_path / "none.csv", on=ON)
    with pytest.raises(eb.LogError, match="holds no log"):
        eb.assess_fleet(tmp_path, on=ON)
    table = tmp_path / "t.csv"
    table.write_text("instrument,day\nx,1\n", encoding="utf-8")
    with pytest.raises(eb.LogError, match="no column 'date'"):
        eb.assess_fleet(table, on=ON)
    with pytest.raises(eb.InputError, match="holds no instrument"):
        eb.assess_fleet(eb.Register.create(tmp_path / "empty.sqlite"), on=ON)


def test_what_a_list_becomes(bad_table: Path) -> None:
    """Text, frame, CSV and JSON say the same and never print what is not known."""
    due = eb.assess_fleet(bad_table, on=ON)

    assert max(map(len, str(due).splitlines())) <= 80
    assert len(due.to_frame()) == len(due.to_csv().splitlines()) - 1 == len(due)
    assert "nan" not in due.to_csv()
    json.dumps(due.to_dict(), allow_nan=False)
    assert due.source["name"] == "bad.csv"
    assert percent(math.nan) == "–"
    assert percent(0.99999) == "> 99.99 %"
    assert percent(0.9998) == "99.98 %"


def test_a_folder_of_logs(tmp_path: Path) -> None:
    """Each log is an instrument; one that is no log says why."""
    rng = np.random.default_rng(3)
    times = np.datetime64("2024-08-01T00:00:00") + np.arange(150) * np.timedelta64(6000, "s")
    steady = 1e7 * (1 + 2e-9 + 1e-10 * rng.normal(size=150))
    rows = "\n".join(f"{time}Z,{value:.4f}" for time, value in zip(times, steady, strict=True))
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "kittiwake.csv").write_text(f"# nominal frequency: 10 MHz\nutc,frequency_hz\n{rows}\n")
    (logs / "notes.txt").write_text("nothing of the kind\n")

    lines = {
        one.instrument: one for one in eb.assess_fleet(logs, on=ON, tolerance=1e-8, processes=1).instruments
    }

    good = lines["kittiwake"]
    assert good.last_calibration == date(2024, 8, 11)
    assert good.limited_by == "log"
    assert good.state == "overdue"
    assert lines["notes"].state == "not evaluated"
    assert "notes.txt" in lines["notes"].reason


@pytest.mark.slow
def test_a_cluster_that_loses_a_worker(fleet_table: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two Dask workers, one killed in the middle, give what one process gives, to the last digit."""
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr("evenbeat.fleet.assess_fleet.CHUNK", 4)
    alone = eb.assess_fleet(fleet_table, on=ON, processes=1)
    killed: list[int] = []
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", module=r"(distributed|tornado|dask)\.")
        with distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            silence_logs=50,
        ) as cluster:

            def kill_one(done: int, _total: int) -> None:
                if not killed and done >= 8:
                    killed.append(cluster.workers[0].pid)
                    os.kill(killed[0], signal.SIGKILL)

            both = eb.assess_fleet(fleet_table, on=ON, cluster=cluster.scheduler_address, progress=kill_one)

    assert killed
    assert both.to_dict() == alone.to_dict()


@pytest.mark.slow
def test_no_cluster_there(fleet_table: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An address where nobody answers is one sentence."""
    pytest.importorskip("distributed")
    monkeypatch.setattr("evenbeat.fleet.workers.PATIENCE_S", 0.5)

    with pytest.raises(eb.InputError, match="no Dask scheduler answers"):
        eb.assess_fleet(fleet_table, on=ON, cluster="tcp://127.0.0.1:9")
