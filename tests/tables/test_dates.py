"""One order of dates a table, decided from all its rows, by every reader of a small table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb
from evenbeat.command.main import main

ISO = ("2021-03-01", "2022-03-13", "2023-03-02")
DAY_FIRST = ("01/03/2021", "13/03/2022", "02/03/2023")
MONTH_FIRST = ("03/01/2021", "03/13/2022", "03/02/2023")
OPEN = ("01/03/2021", "12/03/2022", "02/03/2023")
TORN_APART = ("01/03/2021", "13/03/2022", "02/23/2023")
Read = Callable[[Path, tuple[str, ...], str | None], list[dt.date]]


def _history_text(dates: tuple[str, ...], *, instrument: bool = False) -> str:
    names = [*(["instrument"] if instrument else []), "date,as_found,as_left,standard_uncertainty,adjusted"]
    rows = [
        ",".join([*(["auk"] if instrument else []), date, f"{k}e-9", "", "1e-9", "no"])
        for k, date in enumerate(dates, start=1)
    ]
    return "\n".join([",".join(names), *rows]) + "\n"


def _history(folder: Path, dates: tuple[str, ...], order: str | None) -> list[dt.date]:
    table = folder / "history.csv"
    table.write_text(_history_text(dates), encoding="utf-8")
    history = eb.CalibrationHistory.from_table(table, date_order=order)
    return [history.date_of(point) for point in history.points]


def _history_frame(folder: Path, dates: tuple[str, ...], order: str | None) -> list[dt.date]:
    table = folder / "history.csv"
    table.write_text(_history_text(dates), encoding="utf-8")
    history = eb.CalibrationHistory.from_table(pd.read_csv(table), date_order=order)
    return [history.date_of(point) for point in history.points]


def _register(folder: Path, dates: tuple[str, ...], order: str | None) -> list[dt.date]:
    table = folder / "fleet.csv"
    table.write_text(_history_text(dates, instrument=True), encoding="utf-8")
    register = eb.Register.create(folder / "register.sqlite")
    eb.register.import_table(register, table, date_order=order)
    return [one.moment.date() for one in register.calibrations()]


def _fleet(folder: Path, dates: tuple[str, ...], order: str | None) -> list[dt.date]:
    """Return the last date only, thrice: a due list says no more."""
    table = folder / "fleet.csv"
    table.write_text(_history_text(dates, instrument=True), encoding="utf-8")
    options = {} if order is None else {"date_order": order}
    due = eb.assess_fleet(table, on="2024-01-01", tolerance=1e-7, log_options=options)
    (line,) = due.instruments
    if line.state == "not evaluated":
        raise eb.LogError(line.reason)
    return [dt.date(2021, 3, 1), dt.date(2022, 3, 13), line.last_calibration]


READERS = {
    "history": _history,
    "history of a frame": _history_frame,
    "register": _register,
    "fleet": _fleet,
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("dates", [ISO, DAY_FIRST, MONTH_FIRST])
def test_one_date_that_proves_the_order_decides_for_all(
    reader: str, dates: tuple[str, ...], tmp_path: Path
) -> None:
    """13/03/2022 has the day first, so 01/03/2021 is the first of March; 03/13/2022 the other way round."""
    found = READERS[reader](tmp_path, dates, None)

    assert found == [dt.date(2021, 3, 1), dt.date(2022, 3, 13), dt.date(2023, 3, 2)]


@pytest.mark.parametrize("reader", READERS)
def test_where_nothing_decides_both_readings_are_named(reader: str, tmp_path: Path) -> None:
    """Neither date of the two is taken; a statement decides."""
    words = "nothing says whether the date '01/03/2021' is 1 Mar or 3 Jan 2021; decide with --set date_order"
    with pytest.raises(eb.LogError, match=words):
        READERS[reader](tmp_path, OPEN, None)
    (tmp_path / "register.sqlite").unlink(missing_ok=True)

    found = READERS[reader](tmp_path, OPEN, "day-first")

    assert found[2] == dt.date(2023, 3, 2)


@pytest.mark.parametrize("reader", READERS)
def test_dates_that_contradict_each_other_are_refused(reader: str, tmp_path: Path) -> None:
    """13/03/2022 and 02/23/2023 cannot both be right; nor can a statement that a date disproves."""
    with pytest.raises(eb.LogError, match="'13/03/2022' and '02/23/2023' cannot both have the day"):
        READERS[reader](tmp_path, TORN_APART, None)
    (tmp_path / "register.sqlite").unlink(missing_ok=True)

    with pytest.raises(eb.LogError, match="'13/03/2022' is day-first, but date_order"):
        READERS[reader](tmp_path, DAY_FIRST, "month-first")


def test_points_have_the_day_first_and_it_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As in a log: an assumption, and a finding wherever one is seen."""
    dates = tuple(date.replace("/", ".") for date in OPEN)
    table = tmp_path / "history.csv"
    table.write_text(_history_text(dates), encoding="utf-8")
    fleet = tmp_path / "fleet.csv"
    fleet.write_text(_history_text(dates, instrument=True), encoding="utf-8")

    history = eb.CalibrationHistory.from_table(table)
    due = eb.assess_fleet(fleet, on="2024-01-01", tolerance=1e-7)
    main(["register", "create", str(tmp_path / "register.sqlite")])
    assert main(["register", "import", str(tmp_path / "register.sqlite"), str(fleet)]) == 0

    assert history.last_date == dt.date(2023, 3, 2)
    assert [finding.code for finding in history.findings] == ["ASSUMED_DATE_ORDER"]
    assert [finding.code for finding in due.findings] == ["ASSUMED_DATE_ORDER"]
    assert "Dates with points were taken as day, month, year" in capsys.readouterr().out


def test_other_instruments_of_a_fleet_do_not_wait_for_an_order(tmp_path: Path) -> None:
    """Rows with ISO dates count, those that may be read in two ways are not evaluated, and say why."""
    table = tmp_path / "fleet.csv"
    rows = _history_text(ISO, instrument=True) + "murre,01/03/2021,1e-9,,1e-9,no\n"
    table.write_text(rows, encoding="utf-8")

    due = eb.assess_fleet(table, on="2024-01-01", tolerance=1e-7)
    lines = {line.instrument: line for line in due.instruments}

    assert lines["auk"].last_calibration == dt.date(2023, 3, 2)
    assert lines["murre"].state == "not evaluated"
    assert lines["murre"].reason.startswith(
        "fleet.csv, line 5: nothing says whether the date '01/03/2021' is"
    )


def test_a_row_of_another_instrument_may_prove_the_order(tmp_path: Path) -> None:
    """The order is that of the file, not of an instrument."""
    table = tmp_path / "fleet.csv"
    rows = _history_text(OPEN, instrument=True) + "murre,31/03/2021,1e-9,,1e-9,no\n"
    table.write_text(rows, encoding="utf-8")

    history = eb.CalibrationHistory.from_table(table, instrument="auk")

    assert history.first_date == dt.date(2021, 3, 1)


def test_calibrations_beside_a_log_and_dated_results_read_dates_alike(tmp_path: Path) -> None:
    """Two readers more: of points for a clock model, and of results obtained with the instrument."""
    record = eb.simulate_clock(100, interval_s=86400.0, levels=eb.NoiseLevels(white_fm=1e-22), seed=1)
    table, results = tmp_path / "history.csv", tmp_path / "results.csv"
    table.write_text(_history_text(OPEN), encoding="utf-8")
    with pytest.raises(eb.LogError, match="is 1 Mar or 3 Jan 2021"):
        eb.fit_clock(record, calibrations=table)
    history = pd.DataFrame(
        [("2020-01-01", 0, 0, 1e-9, "no"), ("2021-01-01", 9e-8, 0, 1e-9, "yes")],
        columns=["date", "as_found", "as_left", "standard_uncertainty", "adjusted"],
    )
    source = eb.CalibrationHistory.from_table(history)
    results.write_text("date,tolerance\n02/03/2020,1e-8\n", encoding="utf-8")

    with pytest.raises(eb.InputError, match=r"line 2: nothing says .* is 2 Mar or 3 Feb 2020"):
        eb.back_cast(source, tolerance=3e-8, results=results, paths=200)
    found = eb.back_cast(source, tolerance=3e-8, results=results, date_order="day-first", paths=200)

    assert found.results[0].result.elapsed_s == 61 * 86400


def test_a_sheet_of_readings_says_that_its_date_has_two_readings(tmp_path: Path) -> None:
    """It computes nothing from the date, so it does not refuse; what is filed should have one reading."""
    sheet = tmp_path / "sheet.csv"
    rows = "function,applied,unit,gate_s,reading\nfrequency,1e6,Hz,1,1000000.1\n"

    sheet.write_text(f"# permitted: 1e-6\n# date: 01/03/2021\n{rows}", encoding="utf-8")
    codes = [finding.code for finding in eb.bench_check(sheet).findings]
    sheet.write_text(f"# permitted: 1e-6\n# date: 2021-03-01\n{rows}", encoding="utf-8")

    assert "DATE_AMBIGUOUS" in codes
    assert "DATE_AMBIGUOUS" not in [finding.code for finding in eb.bench_check(sheet).findings]


def test_a_log_names_both_readings_too(tmp_path: Path) -> None:
    """The reader of logs asks the same judge: both dates stand in its question."""
    log = tmp_path / "log.csv"
    rows = "\n".join(f"03/04/2026 12:00:{k:02d},{1e7 + k / 100}" for k in range(0, 60, 10))
    log.write_text(f"# nominal frequency: 10 MHz\ntime,frequency_hz\n{rows}\n", encoding="utf-8")

    with pytest.raises(eb.LogError, match=r"line 3: nothing says whether .* is 3 Apr or 4 Mar 2026"):
        eb.read_log(log)


def test_a_moment_may_have_a_time_of_day_and_a_zone(tmp_path: Path) -> None:
    """Two calibrations of one day, one of them with the zone stated; the last one keeps its own day."""
    table = tmp_path / "history.csv"
    dates = ("13/03/2022 09:30", "13/03/2022T15:00:00+02:00", "1 Apr 2022")
    table.write_text(_history_text(dates), encoding="utf-8")

    history = eb.CalibrationHistory.from_table(table)

    assert np.diff([point.time_s for point in history.points])[0] == pytest.approx(3.5 * 3600)
    assert history.last_date == dt.date(2022, 4, 1)


@pytest.mark.parametrize("text", ["45/45/2021", "31/02/2021", "2021-03", "soon", "", "01/03/21"])
def test_what_is_no_date_is_refused(text: str, tmp_path: Path) -> None:
    """It proves no order either: 13/03/2022 beside it still does."""
    with pytest.raises(eb.LogError, match=f"line 3: date is '{text}'; ISO such as 2026-02-26 is needed"):
        _history(tmp_path, ("13/03/2022", text), None)
