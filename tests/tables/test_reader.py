"""One reader for every small table: the same numbers however it is written; nothing of it goes unsaid."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import evenbeat as eb
from evenbeat.command.main import main

HEADER = ("date", "as_found", "as_left", "standard_uncertainty", "adjusted")
ROWS = (
    ("2020-01-01", "", "0", "3e-9", "yes"),
    ("2021-01-13", "5.2e-8", "0", "3e-9", "yes"),
    ("2022-01-20", "-4.1e-8", "1.5e-9", "3e-9", "yes"),
    ("2023-01-01", "3.3e-8", "", "3.5e-9", "no"),
)
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252")
SEPARATORS = (",", ";", "\t", "|")


def written(
    path: Path,
    rows: Sequence[Sequence[str]] = ROWS,
    header: Sequence[str] = HEADER,
    *,
    separator: str = ",",
    decimal: str = ".",
    encoding: str = "utf-8",
    remarks: Sequence[str] = (),
    line_end: str = "\n",
) -> Path:
    """Write a table; UTF-16 with its mark."""
    lines = [*(f"# {remark}" for remark in remarks), separator.join(header)]
    lines += [separator.join(cell.replace(".", decimal) for cell in row) for row in rows]
    mark = "\ufeff" if encoding in ("utf-16-le", "utf-16-be") else ""
    path.write_bytes((mark + line_end.join(lines) + line_end).encode(encoding))
    return path


def numbers(table: Path | pd.DataFrame, **options: object) -> np.ndarray:
    """Return what a history holds, as rows of numbers."""
    points = eb.CalibrationHistory.from_table(table, **options).points
    return np.array([(p.time_s, p.as_found, p.as_left, p.standard_uncertainty, p.adjusted) for p in points])


def with_column(name: str, *cells: str) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return header and rows with a column more."""
    return (*HEADER, name), tuple((*row, cell) for row, cell in zip(ROWS, cells, strict=True))


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize(
    ("separator", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", ","), ("|", ",")]
)
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_one_history_however_it_is_written(
    encoding: str, separator: str, decimal: str, line_end: str, tmp_path: Path
) -> None:
    """Encodings, separators and decimal marks: the same numbers to the last bit."""
    plain = numbers(written(tmp_path / "plain.csv"))
    other = written(
        tmp_path / "other.csv",
        separator=separator,
        decimal=decimal,
        encoding=encoding,
        remarks=["mesuré à 23 °C"],
        line_end=line_end,
    )

    np.testing.assert_array_equal(numbers(other), plain)


def test_every_command_reads_the_same_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``history``, ``register import`` and ``fleet``: semicolons, decimal commas, UTF-16 change nothing."""
    header = ("instrument", *HEADER, "tolerance")
    rows = [("auk", *row, "1e-7") for row in ROWS]
    answers = []
    for name, options in (
        ("plain", {}),
        ("trade", {"separator": ";", "decimal": ",", "encoding": "utf-16", "line_end": "\r\n"}),
    ):
        table = str(written(tmp_path / f"{name}.csv", rows, header, **options))
        register = str(tmp_path / f"{name}.sqlite")
        assert main(["history", table, "--tolerance", "1e-7", "--json"]) == 0
        history = json.loads(capsys.readouterr().out)
        assert main(["register", "create", register]) == 0
        assert main(["register", "import", register, table]) == 0
        assert "1 instrument and 4 calibrations added" in capsys.readouterr().out
        lists = []
        for source in (table, register):
            assert main(["fleet", source, "--on", "2023-06-01", "--json"]) == 0
            lists.append(json.loads(capsys.readouterr().out)["instruments"])
        answers.append((history["interval_s"], history["drift_per_year"], *lists))

    assert answers[0] == answers[1]
    assert answers[0][2] == answers[0][3]
    assert answers[0][0] > 0


def test_text_that_is_not_utf8_is_said(tmp_path: Path) -> None:
    """Latin-1 is read, and a note says so; UTF-16 says itself what it is."""
    old = eb.CalibrationHistory.from_table(
        written(tmp_path / "old.csv", encoding="cp1252", remarks=["gemessen bei 23 °C"])
    )
    new = eb.CalibrationHistory.from_table(written(tmp_path / "new.csv", encoding="utf-16"))

    assert [(f.code, f.severity) for f in old.findings] == [("ENCODING_ASSUMED", "note")]
    assert new.findings == ()


def test_columns_that_are_not_used_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown one is a caution with those that are known; one of pure remarks a note."""
    header, rows = with_column("certficate", "a", "b", "c", "d")
    table = written(tmp_path / "h.csv", [(*row, "1e-7") for row in rows], (*header, "tolerence"))

    history = eb.CalibrationHistory.from_table(table)
    main(["history", str(table), "--tolerance", "1e-7"])

    (finding,) = history.findings
    assert finding.code == "COLUMNS_NOT_USED"
    assert finding.severity == "caution"
    assert "not used: certficate, tolerence; known are date, as_found" in finding.sentence
    assert "not used: certficate, tolerence" in " ".join(capsys.readouterr().out.split())
    header, rows = with_column("certificate", "a", "b", "c", "d")
    (finding,) = eb.CalibrationHistory.from_table(written(tmp_path / "h.csv", rows, header)).findings
    assert (finding.severity, finding.sentence) == (
        "note",
        "Columns of the history that are not used: certificate.",
    )


def test_a_history_takes_tolerance_and_class_from_its_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As in a fleet: what the table says need not be typed, and it is said whose tolerance counts."""
    said = [(*row, "1e-7", "oven") for row in ROWS]
    table = written(tmp_path / "h.csv", said, (*HEADER, "tolerance", "class"))
    bare = written(tmp_path / "bare.csv", ROWS, HEADER)

    assert main(["history", str(table)]) == 0
    out = capsys.readouterr().out
    assert main(["history", str(bare), "--tolerance", "1e-7", "--oscillator-class", "oven"]) == 0
    assert out == capsys.readouterr().out
    made = eb.assess_history(table, whole_case=False)
    assert "The tolerance is that of the table, ±1e-07 (line 5)." in [f.sentence for f in made.findings]
    assert made.settings["oscillator_class"] == "oven"
    assert float(eb.assess_history(table, tolerance=2e-7, whole_case=False).tolerance.upper) == 2e-7


@pytest.mark.parametrize(
    ("classes", "words"),
    [
        (
            ("oven", "rubidium"),
            "line 3: oscillator_class is rubidium, in line 2 it is oven; say the same in every",
        ),
        (("quartz", ""), "line 2: oscillator_class is 'quartz'; it must be one of 'uncompensated'"),
    ],
)
def test_a_class_is_one_of_the_known_and_the_same_in_all_rows(
    classes: tuple[str, str], words: str, tmp_path: Path
) -> None:
    """Two classes of one instrument, and one that is none."""
    rows = [(*row, name) for row, name in zip(ROWS, (*classes, *[""] * len(ROWS)), strict=False)]
    with pytest.raises(eb.LogError, match=re.escape(words)):
        eb.CalibrationHistory.from_table(written(tmp_path / "h.csv", rows, (*HEADER, "oscillator_class")))


def test_every_reader_names_them(tmp_path: Path) -> None:
    """A fleet, an import, calibrations beside a log, dated results, limits and a sheet."""
    header, rows = ("instrument", *HEADER, "colour"), [("auk", *row, "red") for row in ROWS]
    table = written(tmp_path / "t.csv", rows, header)
    record = eb.simulate_clock(100, interval_s=86400.0, levels=eb.NoiseLevels(white_fm=1e-22), seed=1)
    record = dataclasses.replace(record, start=np.datetime64("2022-12-01", "ns"))
    results = written(tmp_path / "r.csv", [("2020-02-03", "1e-8", "red")], ("date", "tolerance", "colour"))
    out = written(tmp_path / "o.csv", [ROWS[0], ("2021-01-13", "5.2e-8", "0", "3e-9", "yes")])
    limits = written(
        tmp_path / "l.csv", [("1", "1e-9", "x"), ("9", "1e-9", "x")], ("averaging_time_s", "limit", "colour")
    )
    sheet = written(
        tmp_path / "s.csv",
        [("frequency", "1e6", "Hz", "1", "1000000.1", "red")],
        ("function", "applied", "unit", "gate_s", "reading", "colour"),
        remarks=["permitted: 1e-6"],
    )
    register = eb.Register.create(tmp_path / "r.sqlite")
    found = {
        "fleet": eb.assess_fleet(table, on="2023-06-01", tolerance=1e-7),
        "import": eb.register.import_table(register, table),
        "clock": eb.fit_clock(record, calibrations=table),
        "results": eb.back_cast(
            eb.CalibrationHistory.from_table(out), tolerance=3e-8, results=results, paths=200
        ),
        "limits": eb.LimitLine.from_table(limits, statistic="allan"),
        "sheet": eb.bench_check(sheet),
    }

    for name, result in found.items():
        said = [finding.sentence for finding in result.findings if finding.code == "COLUMNS_NOT_USED"]
        assert len(said) == 1, name
        assert "not used: colour; known are" in said[0], name


UNITS = {
    "as_found_ppb": (1e9, "as_left_ppb", "standard_uncertainty_ppb"),
    "offset [1e-9]": (1e9, "as_left (ppb)", "u [parts in 10^9]"),
    "As found (Hz)": (1e7, "as_left_mHz", "u_Hz"),
}


@pytest.mark.parametrize("found", UNITS)
def test_a_unit_stands_in_the_header(found: str, tmp_path: Path) -> None:
    """Parts per billion, a power of ten, hertz with the nominal frequency: the same fractional offsets."""
    size, left, u = UNITS[found]
    sizes = (size, size * (1e3 if "mHz" in left else 1), size)
    rows = [
        (
            date,
            *(str(float(cell) * k) if cell else "" for cell, k in zip(cells, sizes, strict=True)),
            adjusted,
        )
        for date, *cells, adjusted in ROWS
    ]
    remarks = ["nominal frequency: 10 MHz"] if "Hz" in found else []
    table = written(tmp_path / "t.csv", rows, ("date", found, left, u, "adjusted"), remarks=remarks)

    np.testing.assert_allclose(numbers(table), numbers(written(tmp_path / "p.csv")), rtol=1e-12)


def test_hertz_ask_for_the_nominal_frequency(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Column, remark or option; two that differ are refused."""
    rows = [(date, "0.5", "", "0.01", "no") for date, *_ in ROWS]
    header = ("date", "offset (Hz)", "as_left", "u (Hz)", "adjusted")
    table = written(tmp_path / "t.csv", rows, header)

    assert main(["history", str(table), "--tolerance", "1e-6"]) == 2
    said = capsys.readouterr().err
    assert "line 2: as_found is in Hz, and the nominal frequency is not stated; state it in a column" in said
    assert main(["history", str(table), "--tolerance", "1e-6", "--nominal-frequency", "10 MHz"]) == 0
    stated = eb.CalibrationHistory.from_table(table, nominal_frequency_hz=1e7).points[0]
    assert (stated.as_found, stated.standard_uncertainty) == (pytest.approx(5e-8), pytest.approx(1e-9))
    column = written(tmp_path / "c.csv", [(*row, "10 MHz") for row in rows], (*header, "nominal_frequency"))
    assert eb.CalibrationHistory.from_table(column).points[0].as_found == pytest.approx(5e-8)
    table = written(tmp_path / "t.csv", rows, header, remarks=["nominal frequency: 5 MHz"])
    with pytest.raises(eb.LogError, match=r"line 3: .* is stated as 5000000 Hz and as 10000000 Hz"):
        eb.CalibrationHistory.from_table(table, nominal_frequency_hz=1e7)


def test_a_unit_in_the_cell_and_one_in_a_remark(tmp_path: Path) -> None:
    """A cell may state its own; ``# unit: ppb`` holds for what states none; two that differ are refused."""
    rows = [("2020-01-01", "12 ppb", "-3e-9", "1 ppb", "yes"), ("2021-01-01", "1e-9", "×10^-8", "1e-9", "no")]
    with pytest.raises(eb.LogError, match="line 3: as_left is '×10"):
        numbers(written(tmp_path / "t.csv", rows))
    rows[1] = ("2021-01-01", "1.5 ×10^-8", "", "1e-9", "no")
    found = numbers(written(tmp_path / "t.csv", rows))
    np.testing.assert_allclose(found[:, 1:4], [[1.2e-8, -3e-9, 1e-9], [1.5e-8, 1.5e-8, 1e-9]])

    ppb = [("2020-01-01", "12", "12", "1", "no")]
    assert numbers(written(tmp_path / "t.csv", ppb, remarks=["unit: ppb"]))[0, 1] == pytest.approx(1.2e-8)
    twice = written(tmp_path / "t.csv", rows, ("date", "as_found_ppm", *HEADER[2:]))
    with pytest.raises(eb.LogError, match="line 2: as_found is in ppb and in ppm; state one unit"):
        numbers(twice)
    with pytest.raises(eb.LogError, match=r"as_found is in 's'; a fractional frequency is needed"):
        numbers(written(tmp_path / "t.csv", ROWS[1:], ("date", "as_found_s", *HEADER[2:])))
    with pytest.raises(eb.LogError, match=r"column 'in use' states no unit; write it as in 'in use \[h\]'"):
        numbers(written(tmp_path / "t.csv", *reversed(with_column("in use", "1", "2", "3", "4"))))


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("standard_uncertainty", "3e-9"),
        ("u", "3e-9"),
        ("U (k=2)", "6e-9"),
        ("U [ppb; k=2]", "6"),
        ("U (k=2; 95 %) [ppb]", "6"),
        ("expanded uncertainty (95 %)", "6e-9 (k=2)"),
        ("expanded_uncertainty, k=2 [ppb]", "6"),
        ("uncertainty", "6e-9 (k=2)"),
        ("uncertainty", "7.5e-9 (k = 2.5)"),
    ],
)
def test_an_uncertainty_is_standard_or_says_its_factor(column: str, cell: str, tmp_path: Path) -> None:
    """What is expanded is divided by k, wherever that stands."""
    rows = [(date, "1e-8", "", cell, "no") for date, *_ in ROWS]
    header = [*HEADER[:3], column.replace(",", "") if "," in column else column, "adjusted"]

    assert numbers(written(tmp_path / "t.csv", rows, header))[:, 3] == pytest.approx(3e-9)


def test_an_uncertainty_that_does_not_say_is_asked_about(tmp_path: Path) -> None:
    """A column k, a remark; none at all; and a standard one with a factor of two."""
    rows = [(date, "1e-8", "", "6e-9", "no") for date, *_ in ROWS]
    header = (*HEADER[:3], "uncertainty", "adjusted")
    words = "line 2: column 'uncertainty' does not say whether it is a standard"
    with pytest.raises(eb.LogError, match=words):
        numbers(written(tmp_path / "t.csv", rows, header))
    column = written(tmp_path / "t.csv", [(*row, "2") for row in rows], (*header, "k"))
    remark = written(tmp_path / "r.csv", rows, header, remarks=["uncertainty: expanded (k = 2)"])

    for table in (column, remark):
        assert numbers(table)[:, 3] == pytest.approx(3e-9)
        (finding,) = eb.CalibrationHistory.from_table(table).findings
        assert finding.code == "EXPANDED_UNCERTAINTY"
    with pytest.raises(eb.LogError, match=r"standard uncertainty \(k = 1\), but k = 2 is stated"):
        numbers(written(tmp_path / "t.csv", rows, HEADER, remarks=["uncertainty: k = 2"]))
    with pytest.raises(eb.LogError, match="k of standard_uncertainty is stated as 2 and as 3"):
        numbers(
            written(
                tmp_path / "t.csv", rows, (*HEADER[:3], "U (k=3)", "adjusted"), remarks=["uncertainty: k = 2"]
            )
        )


def test_a_value_may_state_its_own_uncertainty(tmp_path: Path) -> None:
    """In its last digits (JCGM 100:2008, 7.2.2), or behind ± with its factor; then no column is needed."""
    header = ("date", "as_found", "as_left", "adjusted")
    cells = (
        "1.20(30)e-8",
        "1.2e-8(3)",
        "(1.2 ± 0.6)e-8 (k=2)",
        "12 ± 6 ppb (k=2)",
        "12(3) ppb",
        "12.0(30)ppb",
    )
    for cell in cells:
        found = numbers(written(tmp_path / "t.csv", [("2020-01-01", cell, "", "no")], header))
        assert tuple(found[0, 1:4]) == pytest.approx((1.2e-8, 1.2e-8, 3e-9)), cell
    with pytest.raises(eb.LogError, match="does not say whether that is a standard or an expanded"):
        numbers(written(tmp_path / "t.csv", [("2020-01-01", "1.2e-8 ± 3e-9", "", "no")], header))
    with pytest.raises(eb.LogError, match="two standard uncertainties are stated, 1e-09 and 3e-09"):
        numbers(written(tmp_path / "t.csv", [("2020-01-01", "1.2e-8(3)", "", "1e-9", "no")]))
    with pytest.raises(eb.LogError, match="no column 'standard_uncertainty'"):
        numbers(written(tmp_path / "t.csv", [("2020-01-01", "1.2e-8", "", "no")], header))


TOLERANCES = ("-5e-9:1e-8", "-5e-9 1e-8", "-5 ppb : 10 ppb", "-5 to +10 ppb", "-5e-9/1e-8", "-5e-9 … 1e-8")


@pytest.mark.parametrize("text", TOLERANCES)
def test_a_tolerance_means_the_same_to_everybody(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """History, register, fleet, dated results, options and calls: -5e-9 to 1e-8."""
    meant = (pytest.approx(-5e-9), pytest.approx(1e-8))
    header, rows = with_column("tolerance", *[text] * 4)
    header, rows = ("instrument", *header), [("auk", *row) for row in rows]
    table = written(tmp_path / "t.csv", rows, header)

    limits = eb.CalibrationHistory.from_table(table).points[0].tolerance
    assert (limits.lower, limits.upper) == meant
    register = eb.Register.create(tmp_path / "r.sqlite")
    eb.register.import_table(register, table)
    (about,) = register.instruments()
    again = eb.Register.create(tmp_path / "again.sqlite")
    again.add_instrument("auk", tolerance=text)
    assert again.instruments()[0] == about
    lists = [eb.assess_fleet(source, on="2023-06-01").instruments for source in (table, register)]
    assert lists[0] == lists[1]
    assert lists[0][0].state != "not evaluated"
    model = eb.fit_history(eb.CalibrationHistory.from_table(table))
    assert model.interval_s(text) == pytest.approx(model.interval_s((-5e-9, 1e-8)))
    without = written(tmp_path / "w.csv", [row[:-1] for row in rows], header[:-1])
    assert main(["fleet", str(without), "--on", "2023-06-01", f"--tolerance={text}", "--json"]) == 0
    (line,) = json.loads(capsys.readouterr().out)["instruments"]
    assert line["tolerance"] == about.tolerance


def test_limits_that_are_not_even_decide(tmp_path: Path) -> None:
    """Left at +6e-9 without drift: within -1e-8 to 5e-8 for long, within -5e-8 to 5e-9 not even now."""
    rows = [("auk", f"{year}-01-01", "6e-9", "", "5e-10", "no") for year in range(2018, 2024)]
    lines = []
    for limits in ("-1e-8:5e-8", "-5e-8:5e-9"):
        table = written(
            tmp_path / "t.csv", [(*row, limits) for row in rows], ("instrument", *HEADER, "tolerance")
        )
        lines += eb.assess_fleet(table, on="2023-06-01").instruments

    assert [line.limited_by for line in lines] == ["observed intervals", "start"]
    assert "outside -5e-08 to +5e-09" in lines[1].findings[0].sentence
    assert (
        "-1e-08:5e-08"
        in eb.assess_fleet(
            written(
                tmp_path / "t.csv",
                [(*row, "-1e-8:5e-8") for row in rows],
                ("instrument", *HEADER, "tolerance"),
            ),
            on="2023-06-01",
        ).to_csv()
    )


def test_two_decimal_marks_are_refused(tmp_path: Path) -> None:
    """One that is a comma here and a point there may be a thousands separator."""
    rows = [("2020-01-01", "1,5e-9", "", "1e-9", "no"), ("2021-01-01", "1.5e-9", "", "1e-9", "no")]
    words = r"'1,5e-9' \(line 2\) has a decimal comma, '1.5e-9' \(line 3\) a point"
    with pytest.raises(eb.LogError, match=words):
        numbers(written(tmp_path / "t.csv", rows, separator=";"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "date,as_found,as_left,u,adjusted\n2020-01-01,1e-9,,1e-9\n",
            "line 2: 4 cells where the header has 5",
        ),
        ("# x\n\ndate,as_found,as_left,u,adjusted\n2020-01-01,1e-9,,1e-9,no,\n", "line 4: 6 cells where"),
        ("date,date,as_found,as_left,u,adjusted\n2020-01-01,,,,,no\n", "the column 'date' twice"),
        ("date,x,as_found,as_left,u,adjusted,x\n2020-01-01,,,,,no,\n", "the column 'x' twice"),
        (
            "date,as_found_ppb,as_found_hz,as_left,u,adjusted\n2020-01-01,1,1,,,no\n",
            "'as_found_ppb' and 'as_found_hz', which all are as_found",
        ),
        ("date,as_found,as_left,u,adjusted\nNaN,1e-9,,1e-9,no\n", "line 2: date is 'NaN'"),
        ("date,as_found,as_left,u,adjusted\n2020-01-01,1e-9,,1e-9,nan\n", "line 2: adjusted is 'nan'"),
        ("date,as_found,as_left,u,adjusted\n2020-01-01,inf,,1e-9,no\n", "line 2: as_found is 'inf'"),
        ("date,as_found,as_left,u,adjusted\n2020-01-01,1e999,,1e-9,no\n", "line 2: as_found is '1e999'"),
        ("date,as_found,as_left,u,adjusted\n2020-01-01,(1e-9),,1e-9,no\n", "line 2: as_found is '"),
        ('date,as_found,as_left,u,adjusted\n2020-01-01,"1,000",,1e-9,no\n', "line 2: as_found is '1,000'"),
        ('date;as_found;as_left;u;adjusted\n"2020;1e-9;;1e-9;no\n', "semicolons or quotes stand in double"),
        ("date,as_found,as_left,u,adjusted\n", "holds no row"),
        ("# nothing\n", "holds no row"),
    ],
)
def test_what_cannot_be_read_says_its_line(text: str, words: str, tmp_path: Path) -> None:
    """Lines are those of the file, remarks and empty ones counted."""
    table = tmp_path / "t.csv"
    table.write_text(text, encoding="utf-8")

    with pytest.raises(eb.LogError, match=words):
        eb.CalibrationHistory.from_table(table)


def test_lines_are_counted_one_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Behind two remarks and an empty line the second calibration stands in line 6, to all of them."""
    rows = ["auk,2020-01-01,1e-9,,1e-9,no", "auk,2021-01-01,bad,,1e-9,no"]
    text = "\n".join(["# one", "# two", "", f"instrument,{','.join(HEADER)}", rows[0], rows[1]])
    table = tmp_path / "t.csv"
    table.write_text(text + "\n", encoding="utf-8")
    register = str(tmp_path / "r.sqlite")
    main(["register", "create", register])
    capsys.readouterr()

    assert main(["history", str(table), "--tolerance", "1e-7"]) == 2
    assert main(["register", "import", register, str(table)]) == 2
    assert capsys.readouterr().err.count(f"{table}, line 6: as_found is 'bad'") == 2
    (line,) = eb.assess_fleet(table, on="2023-06-01", tolerance=1e-7).instruments
    assert line.reason.startswith("t.csv, line 6: as_found is 'bad'")
    frame = pd.DataFrame([row.split(",") for row in rows], columns=["instrument", *HEADER])
    with pytest.raises(eb.LogError, match="the table, row 2: as_found is 'bad'"):
        eb.CalibrationHistory.from_table(frame)


def test_a_sheet_of_readings_with_units_and_commas(tmp_path: Path) -> None:
    """Semicolons and decimal commas; a unit in the cell or the header of a gate counts."""
    header = ("function", "applied", "unit", "gate_s", "reading")
    plain = written(
        tmp_path / "p.csv",
        [
            ("frequency", "1e6", "Hz", "0.1", "1000000.1 1000000.2"),
            ("frequency", "1e7", "Hz", "1", "10000001.5"),
        ],
        header,
        remarks=["permitted: 1e-6"],
    )
    other = written(
        tmp_path / "o.csv",
        [
            ("frequency", "1000", "kHz", "100", "1000.0001 1000.0002"),
            ("frequency", "10 MHz", "", "1000", "10.0000015 MHz"),
        ],
        (*header[:3], "gate [ms]", "reading"),
        separator=";",
        decimal=",",
        remarks=["permitted: 1e-6"],
    )

    found = [eb.bench_check(sheet) for sheet in (plain, other)]

    for one, two in zip(*(check.points for check in found), strict=True):
        assert one.deviation.value == pytest.approx(two.deviation.value, rel=1e-6)
    assert found[0].verdict == found[1].verdict


def test_limits_in_nanoseconds_and_minutes(tmp_path: Path) -> None:
    """A limit of a time error in its own units; one in seconds is none of a deviation of frequency."""
    table = written(tmp_path / "l.csv", [("1", "100"), ("10", "200")], ("averaging time (min)", "limit_ns"))

    limit = eb.LimitLine.from_table(table, statistic="mtie")

    assert limit.at([60.0 * 1.0000001, 600.0]) == pytest.approx([1e-7, 2e-7])
    with pytest.raises(eb.LogError, match="limit is in 'ns'; a fractional frequency is needed"):
        eb.LimitLine.from_table(table, statistic="allan")


WRITINGS = {"": 1.0, "_ppb": 1e9, " [1e-9]": 1e9, " (ppm)": 1e6, "_hz": 1e7, " / mHz": 1e10}
offsets = st.one_of(st.none(), st.floats(-9e-7, 9e-7).filter(lambda y: y == 0 or abs(y) > 1e-14))


@settings(max_examples=30, deadline=None)
@given(
    days=st.lists(st.integers(0, 12000), min_size=1, max_size=6, unique=True),
    values=st.lists(
        st.tuples(offsets, offsets, st.floats(1e-12, 1e-8), st.booleans()), min_size=6, max_size=6
    ),
    encoding=st.sampled_from(ENCODINGS),
    separator=st.sampled_from(SEPARATORS),
    comma=st.booleans(),
    dates=st.sampled_from(["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y", "%d/%m/%Y", "%d %b %Y"]),
    units=st.tuples(*[st.sampled_from(sorted(WRITINGS))] * 3),
    factor=st.sampled_from([1, 2, 2.5]),
)
@example(
    days=[0],
    values=[(7.121751064581395e-07, 7.121751064581395e-07, 9.4e-9, True)] * 6,
    encoding="utf-8",
    separator=",",
    comma=False,
    dates="%Y-%m-%d",
    units=("", " [1e-9]", ""),
    factor=1,
)  # adjusted to what it was, in another unit
def test_random_tables_in_every_writing(
    tmp_path_factory: pytest.TempPathFactory,
    days: list[int],
    values: list[tuple[float | None, float | None, float, bool]],
    encoding: str,
    separator: str,
    comma: bool,
    dates: str,
    units: tuple[str, str, str],
    factor: float,
) -> None:
    """Encoding, separator, decimal mark, order of dates, units and coverage factor: the same numbers."""
    decimal = "," if comma and separator != "," else "."
    start = np.datetime64("1995-01-01")
    when = sorted(start + np.timedelta64(day, "D") for day in days)
    plain, other = [], []
    for date, (found, left, u, adjusted) in zip(when, values, strict=False):
        after = left if adjusted or found is None else None
        plain.append(
            (
                str(date),
                *("" if y is None else repr(y) for y in (found, after, u)),
                "yes" if adjusted else "no",
            )
        )
        texts = [
            "" if y is None else repr(y * WRITINGS[unit] * k).replace(".", decimal)
            for y, unit, k in zip((found, after, u), units, (1, 1, factor), strict=True)
        ]
        other.append((pd.Timestamp(date).strftime(dates), *texts, "yes" if adjusted else "no"))
    names = [
        f"{name}{unit}"
        for name, unit in zip(("as_found", "as_left", "expanded_uncertainty"), units, strict=True)
    ]
    names[2] += f" (k={factor})".replace(".", decimal)
    folder = tmp_path_factory.mktemp("tables")
    one = written(folder / "plain.csv", plain)
    two = written(
        folder / "other.csv",
        other,
        ("date", *names, "adjusted"),
        separator=separator,
        encoding=encoding,
        remarks=["nominal frequency: 10 MHz", "à 23 °C"],
    )
    order = "day-first" if dates.startswith("%d") else "month-first"
    stated = {"date_order": order} if dates[1] != "Y" and dates != "%d %b %Y" else {}
    if dates == "%Y-%m-%d" or "%b" in dates:
        stated = {}

    np.testing.assert_allclose(numbers(two, **stated), numbers(one), rtol=1e-12, atol=math.ulp(0))


@pytest.mark.parametrize(
    ("row", "header", "words"),
    [
        (("2020-01-01", "12.5", "", "1e-9", "no"), HEADER, "as_found is '12.5', 12.5 of the frequency"),
        (("2020-01-01", "1e-9", "", "0.3", "no"), HEADER, "standard_uncertainty is '0.3', 0.3 of the freq"),
        (
            ("2020-01-01", "10000000.3", "", "0.1", "no"),
            ("date", "as_found_hz", "as_left", "u_hz", "adjusted"),
            "1 of",
        ),
        (
            ("2020-01-01", "1e-9", "", "1e-9", "no", "10"),
            (*HEADER, "tolerance"),
            "tolerance is '10', 10 of the",
        ),
        (
            ("1900-01-01", "1e-9", "", "1e-9", "no"),
            HEADER,
            "date is '1900-01-01'; it must lie in 1950 to 2060",
        ),
    ],
)
def test_what_no_oscillator_shows_is_of_another_unit(
    row: tuple[str, ...], header: tuple[str, ...], words: str, tmp_path: Path
) -> None:
    """12.5 without a unit is no fractional offset, nor is a frequency; year zero of a spreadsheet no date."""
    table = written(tmp_path / "t.csv", [row], header, remarks=["nominal frequency: 10 MHz"])

    with pytest.raises(eb.LogError, match=f"line 3: .*{words}"):
        eb.CalibrationHistory.from_table(table)


def test_a_comma_that_may_part_thousands_is_asked_about(tmp_path: Path) -> None:
    """1,000 beside no other comma is one or a thousand; beside 0,5 it is one."""
    header, head = ("function", "applied", "unit", "gate_s", "reading"), ["permitted: 1e-3"]
    rows = [("frequency", "1,000", "Hz", "1", "1,000")]
    sheet = written(tmp_path / "s.csv", rows, header, separator=";", remarks=head)
    with pytest.raises(eb.LogError, match=r"line 3: .*nothing says whether the comma in '1,000' \(line 3\)"):
        eb.bench_check(sheet)
    rows = [("frequency", "1,000", "Hz", "0,5", "1,000")]
    sheet = written(tmp_path / "s.csv", rows, header, separator=";", remarks=head)
    assert eb.bench_check(sheet).points[0].point.applied == 1.0


def test_what_is_no_table_is_said() -> None:
    """A list is neither file nor frame."""
    with pytest.raises(
        eb.InputError, match="the history is a list; give the path of a file, or a data frame"
    ):
        eb.CalibrationHistory.from_table([1, 2])


@pytest.mark.slow
def test_beside_a_log_hertz_are_parts_of_its_nominal_frequency(tmp_path: Path) -> None:
    """What the log states holds for the calibrations of the same clock."""
    y = 2e-8 + 1e-11 * np.random.default_rng(4).standard_normal(300)
    record = eb.Record.from_frequency(y, interval_s=7200.0, start="2021-12-01", nominal_frequency_hz=1e7)
    rows = [("2021-12-05", "0.2", "", "0.01", "no"), ("2021-12-20", "0.21", "", "0.01", "no")]
    hertz = written(tmp_path / "h.csv", rows, ("date", "offset (Hz)", "as_left", "u (Hz)", "adjusted"))
    rows = [("2021-12-05", "2e-8", "", "1e-9", "no"), ("2021-12-20", "2.1e-8", "", "1e-9", "no")]
    plain = written(tmp_path / "p.csv", rows)

    models = [eb.fit_clock(record, calibrations=table) for table in (hertz, plain)]

    assert models[0].aging_rate().per_day.value == pytest.approx(models[1].aging_rate().per_day.value)


@pytest.mark.slow
def test_a_history_beside_a_log_may_be_in_hertz(tmp_path: Path) -> None:
    """And of several instruments the one that is named."""
    y = 2e-8 + 1e-11 * np.random.default_rng(4).standard_normal(300)
    record = eb.Record.from_frequency(y, interval_s=7200.0, start="2021-12-01", nominal_frequency_hz=1e7)
    header = ("instrument", "date", "offset (Hz)", "as_left", "u (Hz)", "adjusted")
    rows = [(name, f"2021-12-{day}", f"0.{day}", "", "0.01", "no") for day in ("05", "20") for name in "ab"]
    hertz = written(tmp_path / "h.csv", rows, header)
    rows = [(f"2021-12-{day}", f"0.{day}e-7", "", "1e-9", "no") for day in ("05", "20")]
    judged = [
        eb.assess(record, tolerance=1e-7, history=hertz, instrument="b"),
        eb.assess(record, tolerance=1e-7, history=written(tmp_path / "p.csv", rows)),
    ]

    assert judged[0].interval.interval_s == pytest.approx(judged[1].interval.interval_s)
