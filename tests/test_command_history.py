"""``evenbeat history``: from a table of calibrations to the next one."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from evenbeat.command.main import main
from evenbeat.figures.axes import typeset

TABLE = str(Path(__file__).resolve().parents[1] / "data" / "kittiwake-history.csv")


@functools.cache
def printed(*options: str) -> str:
    """Return what the command prints for the demo history; the same question is asked once."""
    page = io.StringIO()
    with contextlib.redirect_stdout(page):
        assert main(["history", TABLE, *options]) == 0
    return page.getvalue()


@pytest.fixture(scope="module")
def filed(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., tuple[str, Path]]:
    """Return what makes an audit record of the demo history: what is printed, and its folder."""

    @functools.cache
    def made(*options: str) -> tuple[str, Path]:
        folder = tmp_path_factory.mktemp("case")
        return printed(*options, "-o", str(folder), "--set", "pdf=no"), folder

    return made


@pytest.fixture(scope="module")
def page() -> str:
    """Return the answer for the demo history, other methods beside it, as it is printed."""
    return printed("--tolerance", "1e-8", "--methods")


def test_says_when_to_calibrate_again(page: str) -> None:
    """The demo history gives an interval, a setpoint and what it is not."""
    shown = " ".join(page.split())
    assert "Calibrate again within" in shown
    assert "If adjusted" in shown
    assert "not part of a calibration certificate" in shown
    assert max(map(len, page.splitlines())) <= 80
    assert page.count("The class of oscillator is not stated") == 1


def test_a_due_day_in_the_past_is_called_overdue(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of calibrations made years ago the first thing said is that the next one is overdue."""
    status, text = shown(tmp_path, capsys, *GOOD)
    assert status == 0
    assert re.match(r"Overdue: it was due on 2024-\d\d-\d\d, \d+ days before 20\d\d-\d\d-\d\d\. Cal", text)


def test_nothing_beyond_the_evidence_is_promised(page: str) -> None:
    """Beyond twice the longest interval, 504 d, the setpoint and the forecast say that they are untested."""
    shown = " ".join(page.split())
    assert "for as long as the evidence reaches, 504 d (95 %); the aging law alone would give" in shown
    assert "is 504 d; for longer times the aging law is carried on, untested" in shown
    assert "1 year " in page
    assert "1.5 years, untested" in page


def test_json() -> None:
    """JSON holds interval and setpoint, and where the evidence ends."""
    result = json.loads(printed("--tolerance", "6e-9", "--json"))
    assert 0 < result["interval_s"] < 504 * 86400
    assert result["setpoint"]["interval_s"] >= result["setpoint"]["interval_at_zero_s"]
    assert result["setpoint"]["evidence_s"] == pytest.approx(504 * 86400)


def test_no_interval(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An offset that may be outside the tolerance has no interval; bad options and files exit with 2."""
    status, text = shown(tmp_path, capsys, *GOOD[:2], "2022-01-01,9.9e-8,9.9e-8,3e-9,no")
    assert status == 0
    assert "No interval" in text
    assert main(["history", TABLE, "--tolerance", "1e-8", "--set", "guard_band=1e-7"]) == 2
    assert "guard_band is 1e-07" in capsys.readouterr().err
    assert main(["history", "nowhere.csv", "--tolerance", "1e-8"]) == 2
    assert "there is no such file" in capsys.readouterr().err


HEADER = "date,as_found,as_left,standard_uncertainty,adjusted"
GOOD = (
    "2020-01-01,,0,3e-9,yes",
    "2021-01-01,5.2e-8,0,3e-9,yes",
    "2022-01-01,4.1e-8,0,3e-9,yes",
    "2023-01-01,3.3e-8,0,3e-9,yes",
)


def shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], *rows: str, options: tuple[str, ...] = ()
) -> tuple[int, str]:
    """Return status and everything that is printed for a table of these rows."""
    table = tmp_path / "table.csv"
    table.write_text("\n".join([HEADER, *rows]), encoding="utf-8")
    status = main(["history", str(table), "--tolerance", "1e-7", "--set", "drift_law=constant", *options])
    captured = capsys.readouterr()
    return status, " ".join((captured.out + captured.err).split())


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ((*GOOD[:2], "2020-06-01,4.1e-8,0,3e-9,yes", GOOD[3]), "line 4: 2020-06-01 is not after line 3"),
        ((*GOOD[:2], "2022-01-01,4.1e-8,0,,yes", GOOD[3]), "line 4: standard_uncertainty is empty"),
        ((*GOOD[:2], "2022-01-01,4.1e-8,,3e-9,yes", GOOD[3]), "line 4: adjusted, but as_left is empty"),
        ((*GOOD[:2], "2022-01-01,4.1e-8,0,3e-10,no", GOOD[3]), "line 4: not adjusted, but as_found"),
    ],
)
def test_doubtful_rows_are_named_and_the_rest_is_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rows: tuple[str, ...], words: str
) -> None:
    """The row is named, and an interval is given from the others."""
    status, text = shown(tmp_path, capsys, *rows)
    assert status == 0
    assert words in text
    assert "Calibrate again within" in text


def test_one_row_says_where_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One calibration: its offset is judged, no interval is invented; JSON says the same."""
    status, text = shown(tmp_path, capsys, GOOD[0])
    assert status == 0
    assert "No interval: no two calibrations follow each other" in text
    assert "Line 2 left it at 0.0(30)e-09" in text
    assert "Pass by simple_acceptance" in text
    status, text = shown(tmp_path, capsys, GOOD[0], options=("--json",))
    assert json.loads(text)["interval_s"] is None
    status, text = shown(tmp_path, capsys, "2020-01-01,1e-8,1e-8,,no")
    assert status == 2
    assert "line 2: standard_uncertainty is empty" in text


def test_unknown_as_left_at_the_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The drift is told; the interval asks for what it was left at."""
    status, text = shown(tmp_path, capsys, *GOOD[:3], "2023-01-01,3.3e-8,,3e-9,yes")
    assert status == 0
    assert "No interval: line 5 does not say what the clock was left at" in text
    assert "per year" in text


def test_found_out_says_when_and_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Found out: the day, the dated results that are affected, and the duties; results need a finding."""
    out = (*GOOD[:3], "2023-01-01,1.5e-7,0,3e-9,yes")
    results = tmp_path / "results.csv"
    results.write_text(
        "date,tolerance,name\n2022-02-01,1e-6,gauge\n2022-12-20,2e-8,watch\n", encoding="utf-8"
    )
    status, text = shown(tmp_path, capsys, *out, options=("--results", str(results)))
    assert status == 0
    for words in (
        "it left ±1e-07 about 2022-",
        "gauge",
        "not affected",
        "affected",
        "What to do:",
        "decide on recall",
    ):
        assert words in text
    status, text = shown(tmp_path, capsys, *GOOD, options=("--results", str(results)))
    assert status == 2
    assert "did not find a value out of tolerance" in text


def test_asymmetric_tolerance_methods_and_caps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both limits, other methods, a cap and a calendar unit."""
    status, text = shown(
        tmp_path,
        capsys,
        *GOOD,
        options=(
            "--tolerance=-5e-8:1e-7",
            "--methods",
            "--set",
            "longest_interval=100 d",
            "--set",
            "calendar_unit=month",
        ),
    )
    assert status == 0
    for words in (
        "(3 months, due 2023-04-01)",
        "the cap that was stated",
        "control chart",
        "-5e-08 to +1e-07",
    ):
        assert words in text
    status, text = shown(tmp_path, capsys, *GOOD, options=("--set", "meaning=never_left"))
    assert "Calibrate again within" in text
    with pytest.raises(SystemExit):
        main(["history", TABLE, "--tolerance", "wide"])
    assert "'wide' is not a tolerance; give 1e-8" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.parametrize(
    "options",
    [
        (),
        *(
            pytest.param(options, marks=pytest.mark.slow)
            for options in (
                ("--set", "guard_band=2e-9"),
                ("--set", "calendar_unit=day"),
                ("--set", "longest_interval=200 d"),
                ("--set", "drift_law=constant"),
                ("--set", "meaning=never_left"),
                ("--methods",),
            )
        ),
    ],
)
def test_printed_and_filed_say_the_same(
    options: tuple[str, ...], filed: Callable[..., tuple[str, Path]]
) -> None:
    """One wording and one due day: those of the console, with -o or without, are those of page and JSON."""
    asked = ("--tolerance", "6e-9", *options)
    short, (long, folder) = printed(*asked), filed(*asked)
    result = json.loads((folder / "result.json").read_text())
    page = (folder / "report.html").read_text()

    due = re.search(r"due\s+(\d{4}-\d\d-\d\d)", short)[1]
    assert result["due"] == due
    assert f"due {due}" in page
    headline = result["verdict"]["headline"]
    assert headline == json.loads(printed(*asked, "--json"))["verdict"]["headline"]
    for text in (short, long):
        assert f"due {due}" in " ".join(text.split())
        assert headline in " ".join(text.split())
    assert typeset(headline) in " ".join(re.sub("<[^>]+>", " ", page).split())
    assert result["interval"]["meaning"] == result["settings"]["meaning"]
    assert (result["methods"] is None) == ("--methods" not in options)
    if "meaning=never_left" in options:
        assert result["interval"]["meaning"] == "never_left"
        assert "never having left" in headline


@pytest.mark.slow
def test_what_was_found_out_is_filed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Found out: first sentence, day, affected results and duties are in the file."""
    results = tmp_path / "results.csv"
    results.write_text(
        "date,tolerance,name\n2022-02-01,1e-6,gauge\n2022-12-20,2e-8,watch\n", encoding="utf-8"
    )
    folder = tmp_path / "case"
    rows = (*GOOD[:3], "2023-01-01,1.5e-7,0,3e-9,yes")
    status, text = shown(tmp_path, capsys, *rows, options=("--results", str(results), "-o", str(folder)))
    filed = json.loads((folder / "result.json").read_text())
    page = " ".join(re.sub("<[^>]+>", " ", (folder / "report.html").read_text()).split())

    assert status == 0
    for words in (text, filed["verdict"]["headline"]):
        assert "Found out of tolerance in the last calibration: at +1.5e-07, tolerance ±1e-07." in words
    for words in (text, page):
        assert "Found out of tolerance in the last calibration" in words
        assert "1 of 2 dated results are affected or may be." in words
    assert filed["found_out"]
    assert [one["affected"] for one in filed["out_of_tolerance"]["results"]] == ["not affected", "affected"]
    for words in ("watch", "gauge", "decide on recall", "OUTSIDE"):
        assert words in page


@pytest.mark.slow
def test_a_family_is_filed_as_it_was_asked(tmp_path: Path) -> None:
    """--family goes into the file, and other methods are compared with that model."""
    family = ("--tolerance", "6e-9", "--set", "family=identical", "--methods")
    page = io.StringIO()
    with contextlib.redirect_stdout(page):
        assert main(["history", TABLE, TABLE, *family, "-o", str(tmp_path / "x"), "--set", "pdf=no"]) == 0
    filed = json.loads((tmp_path / "x" / "result.json").read_text())

    assert filed["settings"]["family"] == "identical"
    assert filed["history_model"]["common_share"] == 1


@pytest.mark.slow
def test_the_file_says_when_and_against_what(tmp_path: Path) -> None:
    """Day of the analysis, instrument, reference and its due date; an overdue one is said."""
    stated = (
        "--set",
        "analysed_on=2026-03-02",
        "--set",
        "reference=rubidium R-2",
        "--set",
        "reference_due=2026-01-31",
    )
    printed("--tolerance", "6e-9", *stated, "-o", str(tmp_path))
    filed = json.loads((tmp_path / "result.json").read_text())
    page = (tmp_path / "report.html").read_text()

    assert filed["analysed_on"] == "2026-03-02"
    assert filed["reference_due"] == "2026-01-31"
    assert "REFERENCE_OVERDUE" in {finding["code"] for finding in filed["findings"]}
    for words in ("rubidium R-2", "2026-01-31", "kittiwake-history, analysed on 2026-03-02"):
        assert words in page
    assert b"D:20260302000000" in (tmp_path / "report.pdf").read_bytes()


def test_nothing_in_the_file_states_conformity(filed: Callable[..., tuple[str, Path]]) -> None:
    """An analysis that is 'not a conformity statement' does not say 'pass' two lines later."""
    _, folder = filed("--tolerance", "6e-9")
    page = re.sub("<[^>]+>", " ", (folder / "report.html").read_text())

    assert "not a conformity statement" in page
    assert not re.search(r"\bpass\b", page, re.IGNORECASE)
    assert "for longer times the aging law is carried on, untested" in " ".join(page.split())


@pytest.mark.slow
def test_sensitivities_are_not_cut_off(tmp_path: Path) -> None:
    """Where the evidence caps the interval, each change still shows what it does."""
    printed("--tolerance", "1e-8", "-o", str(tmp_path), "--set", "pdf=no")
    rows = json.loads((tmp_path / "result.json").read_text())["case"]["sensitivity"]

    lengths = {one["changed"]: one["interval_s"] for one in rows}
    assert lengths["tolerance −20 %"] < lengths["as asked"] < lengths["tolerance +20 %"]
    assert lengths["reliability 0.99"] < lengths["reliability 0.90"]
    assert not any(one["reaches_end_of_evidence"] for one in rows)
    assert lengths["as asked"] > 504 * 86400


@pytest.mark.parametrize("name", ["environment", "transport", "reference"])
def test_what_use_adds_shortens_the_interval(name: str) -> None:
    """Environment, transport and reference count as in suggest_interval, alone and in a fleet."""
    asked = ("--tolerance", "6e-9", "--json")
    plain, more = (
        json.loads(printed(*asked, *option)) for option in ((), ("--set", f"{name}_uncertainty=1e-9"))
    )

    assert more["interval_s"] < plain["interval_s"]
    assert more["interval"]["standard_uncertainty_by_term"][name] == 1e-9
