"""The command: what it prints and writes, and one clear sentence with status 2 for every bad input."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evenbeat.command.main import main
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.report import write

HEADER = "# nominal frequency: 10 MHz\n# interval: 10 s\n"


def _rows(n: int = 60, *, step: float = 10.0) -> list[str]:
    clock = simulate_clock(n, interval_s=step, levels=NoiseLevels(white_fm=1e-20), seed=3)
    return [f"{k * step:.0f},{1e7 * (1 + y):.5f}" for k, y in enumerate(clock.values)]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Return a small good log."""
    path = tmp_path / "oscillator.csv"
    path.write_text(HEADER + "elapsed_s,frequency_hz\n" + "\n".join(_rows()) + "\n")
    return path


@pytest.fixture
def coarse(tmp_path: Path) -> Path:
    """Return a log whose display hides the clock: assessed at once."""
    path = tmp_path / "coarse.csv"
    path.write_text(HEADER + "elapsed_s,frequency_hz\n" + "".join(f"{k}0,10000001.0\n" for k in range(60)))
    return path


def _refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Return the complaint after checking that it is one sentence, with status 2 and nothing else said."""
    try:
        status = main([str(argument) for argument in arguments])
    except SystemExit as stopped:  # argparse ends this way
        status = stopped.code
    printed = capsys.readouterr()
    complaint = printed.err.strip().splitlines()[-1]
    assert status == 2
    assert printed.out == ""
    assert complaint.startswith("evenbeat")
    assert "Traceback" not in printed.err
    return complaint


@pytest.mark.parametrize("which", ["coarse", pytest.param("log", marks=pytest.mark.slow)])
def test_assess_prints_a_verdict_and_writes_a_report(
    which: str, request: pytest.FixtureRequest, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 0, a page of at most 80 columns, three files, and the page's headline in the JSON."""
    folder = tmp_path / "out"
    log = request.getfixturevalue(which)
    assert main(["assess", str(log), "--tolerance", "1e-8", "-o", str(folder)]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines()[:-1])) <= 80
    assert {path.name for path in folder.iterdir()} == {"report.html", "report.pdf", "result.json"}
    result = json.loads((folder / "result.json").read_text())
    assert " ".join(out.split("\n\n", maxsplit=1)[0].split()) == result["verdict"]["headline"]


def test_the_verdict_stands_before_the_report_is_drawn(
    coarse: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What takes long follows the answer: no figure is drawn before the last word of the verdict."""
    said: list[str] = []
    written = write.write_report

    def listening(*arguments: Any, **options: Any) -> write.Report:
        said.append(capsys.readouterr().out)
        return written(*arguments, **options)

    monkeypatch.setattr(write, "write_report", listening)
    assert main(["assess", str(coarse), "-o", str(tmp_path / "report"), "--set", "pdf=no"]) == 0

    assert len(said[0].splitlines()) > 3
    assert "Report:" not in said[0]
    assert capsys.readouterr().out.startswith("\nReport: ")


def test_json_is_the_whole_result(coarse: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Machine-readable output alone on standard output, with the hash of the input."""
    assert main(["assess", str(coarse), "--no-report", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert len(result["record"]["source"]["sha256"]) == 64
    assert result["settings"]["reliability"] == 0.95


@pytest.mark.slow
def test_a_class_of_oscillators_narrows_what_a_short_log_leaves_open(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """White FM of 7e-12 in ten minutes: a caesium standard has no walk there, and the log cannot tell."""
    log.write_text(HEADER + "elapsed_s,frequency_hz\n" + "\n".join(_rows(60)) + "\n")
    results = []
    for stated in ([], ["--set", "oscillator_class=caesium"]):
        assert main(["assess", str(log), "--no-report", "--json", *stated]) == 0
        results.append(json.loads(capsys.readouterr().out))
    asked, told = results
    widths = [r["clock_model"]["aging_rate_per_day"]["standard_uncertainty"] for r in results]
    assert widths[1] < 0.9 * widths[0]
    assert told["settings"]["oscillator_class"] == "caesium"
    assert "oscillator_class" not in asked["settings"]
    assert "CLASS_ASSUMED" in {finding["code"] for finding in told["findings"]}


@pytest.mark.slow
def test_the_order_of_a_curve_can_be_stated(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """NAME:ORDER; another order than 1, 2 or 3 is refused with what would be accepted."""
    rows = [f"{row},{20 + (k * 7 % 50) / 10}" for k, row in enumerate(_rows())]
    log.write_text(HEADER + "elapsed_s,frequency_hz,room_temperature_c\n" + "\n".join(rows) + "\n")
    assert (
        main(["assess", str(log), "--no-report", "--json", "--set", "environment=room_temperature_c:2"]) == 0
    )
    assert json.loads(capsys.readouterr().out)["settings"]["environment"] == ["room_temperature_c:2"]
    complaint = _refused(capsys, "assess", log, "--no-report", "--set", "environment=room_temperature_c:4")
    assert "order of room_temperature_c is 4; it must be 1, 2 or 3" in complaint


def test_quiet_prints_one_sentence_and_verbose_everything(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """-q is the headline only; -v adds notes and good news."""
    assert main(["assess", str(log), "--no-report", "-q"]) == 0
    quiet = capsys.readouterr().out
    assert main(["assess", str(log), "--no-report", "-v"]) == 0
    verbose = capsys.readouterr().out
    assert verbose.startswith(quiet.strip())
    assert len(quiet.splitlines()) <= 3
    assert "\ngood " in verbose
    assert "\nnote " in verbose


def test_what_withholds_the_answer_is_said_once(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A nominal frequency that was assumed: the headline says so, and no caution repeats it."""
    rows = [row.split(",")[1] for row in _rows()]
    log.write_text("frequency_hz\n" + "\n".join(rows) + "\n")
    assert main(["assess", str(log), "--interval", "10 s", "--tolerance", "1e-9", "--no-report", "-v"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith("No recommendation. The log states no nominal frequency")
    assert out.count("states no nominal frequency") == 1


def test_out_of_tolerance_is_status_1_only_when_asked(
    coarse: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An offset of 1e-7 against a tolerance of 1e-14."""
    question = ["assess", str(coarse), "--no-report", "-q", "--tolerance", "1e-14"]
    assert main(question) == 0
    assert main([*question, "--fail-if-out"]) == 1
    assert capsys.readouterr().out.count("\n") >= 2


def test_nothing_is_overwritten_without_force(
    coarse: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A run on files that are there is refused before any work and leaves them; --force replaces them."""
    folder = tmp_path / "out"
    arguments = ["assess", str(coarse), "-o", str(folder), "--set", "pdf=no"]
    folder.mkdir()
    (folder / "report.html").write_text("mine")
    assert "exists already" in _refused(capsys, *arguments)
    assert (folder / "report.html").read_text() == "mine"
    assert main([*arguments, "--force"]) == 0
    assert (folder / "report.html").read_text() != "mine"


BAD_LOGS = {
    "empty": (b"", "empty"),
    "binary": (bytes(range(256)) * 20, "binary|not text"),
    "no number": (b"alpha,beta\ngamma,delta\nepsilon,zeta\n", "no number|no numbers|numbers"),
    "all missing": ((HEADER + "frequency_hz\n" + "nan\n" * 50).encode(), "NaN|missing"),
    "three rows": (
        (HEADER + "elapsed_s,frequency_hz\n" + "\n".join(_rows(3)) + "\n").encode(),
        "3 readings; at least 5",
    ),
    "text in the middle": (
        (
            HEADER
            + "elapsed_s,frequency_hz\n"
            + "\n".join([*_rows(200)[:100], "door open", *_rows(200)[100:]])
        ).encode(),
        "line 104",
    ),
    "times going backwards": (
        (HEADER + "elapsed_s,frequency_hz\n" + "\n".join([*_rows(200)[:100], *_rows(200)[50:]])).encode(),
        "line 104.*back|back.*line 104",
    ),
    "mixed units": (
        (
            HEADER
            + "elapsed_s,frequency\n"
            + "\n".join(f"{k},{'10.0000001 MHz' if k % 2 else '10000000.1 Hz'}" for k in range(100))
        ).encode(),
        "unit",
    ),
    "quantity not stated": (("value\n" + "1.5e-9\n-2e-9\n" * 50).encode(), "--quantity|quantity"),
    "cut short gzip": (
        gzip.compress((HEADER + "frequency_hz\n" + "\n".join(_rows(200))).encode())[:-30],
        "gzip|cut|trunc",
    ),
}


@pytest.mark.parametrize("name", BAD_LOGS)
def test_a_bad_log_gives_one_sentence(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file is named, the reason is given, status 2, and no folder is left behind."""
    content, words = BAD_LOGS[name]
    path = tmp_path / ("log.csv.gz" if "gzip" in name else "log.csv")
    path.write_bytes(content)
    complaint = _refused(capsys, "assess", path, "-o", tmp_path / "out")
    assert path.name in complaint
    import re

    assert re.search(words, complaint), complaint
    assert not (tmp_path / "out").exists()


def test_a_missing_file_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As is a folder given for a file."""
    assert "nowhere.csv" in _refused(capsys, "assess", tmp_path / "nowhere.csv", "--no-report")
    assert "folder" in _refused(capsys, "assess", tmp_path, "--no-report")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--tolerance", "-1e-8"], "tolerance is -1e-08; it must be a positive"),
        (["--tolerance", "small"], "'small' is not a tolerance"),
        (["--set", "reliability=95"], "reliability is 95.0; it must lie between 0 and 1"),
        (["--tolerance", "1e-8", "--set", "guard_band=1e-7"], "guard_band is 1e-07"),
        (["--interval", "-10 s"], "'-10 s' is not a duration"),
        (["--nominal-frequency", "10 bananas"], "'10 bananas' is not a frequency"),
        (["--set", "time_error_limit=0 s"], "'0 s' is not a time"),
        (["--set", "as_left=0"], "--set as_left: '0' is not a value with its standard uncertainty"),
        (["--set", "environment=pressure"], "no covariate 'pressure'"),
        (["--column", "frequency_hz"], "WHAT=NAME"),
        (["--unit", "ns"], "unit"),
    ],
)
def test_a_bad_option_gives_one_sentence(
    arguments: list[str], words: str, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The option or argument is named with what was found."""
    assert words in _refused(capsys, "assess", log, "--no-report", *arguments)


def test_an_output_folder_that_cannot_be_is_refused(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder below a file can be written by nobody, not even by root."""
    (tmp_path / "file").write_text("")
    assert "file" in _refused(capsys, "assess", log, "-o", tmp_path / "file" / "out")


def test_interrupt_ends_without_traceback(
    log: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Control-C is status 130 and one word."""

    def interrupted(*_arguments: object, **_options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("evenbeat.assessment.asked.read_log", interrupted)
    assert main(["assess", str(log), "--no-report"]) == 130
    assert capsys.readouterr().err == "evenbeat: stopped\n"


def test_numbers_with_a_sign_reach_their_option(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A negative as-left offset is a value, not another option."""
    arguments = ["--tolerance", "1e-8", "--set", "as_left=-2e-9±1e-10", "--json"]
    assert main(["assess", str(log), "--no-report", *arguments]) == 0
    left = json.loads(capsys.readouterr().out)["interval"]["as_left"]
    assert np.isclose(left["value"], -2e-9, rtol=0.2)


def test_every_quantity_of_the_reader_can_be_stated() -> None:
    """The choices are written out so that --help stays quick; they must not fall behind the reader's."""
    from evenbeat.bench import KEYS
    from evenbeat.logs.terms import QUANTITIES

    assert sorted(KEYS["quantity"].kind.accepts.removeprefix("one of ").split(", ")) == sorted(QUANTITIES)
