"""Exit statuses of every command: 0 done, 1 out of tolerance where asked, 2 bad input, 3 our own fault."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from evenbeat.command.main import main

BAD_INPUT = {
    "assess": ("{missing}", "--no-report"),
    "compare": ("{missing}", "{missing}", "--no-report"),
    "bench": ("{missing}",),
    "inspect": ("{missing}",),
    "convert": ("{missing}", "{new}.npy"),
    "readings": ("{missing}",),
    "history": ("{missing}", "--tolerance", "1e-8"),
    "register": ("verify", "{missing}"),
    "verify": ("{missing}",),
    "fleet": ("{missing}",),
    "collect": ("{missing}.toml", "tcp://127.0.0.1:1", "-o", "{new}"),
    "notebooks": ("{file}", "--copy-only"),
    "demo": ("{file}",),
    "completion": ("nowhere",),
}
"""``completion`` is told by the parser, in three lines, as its one argument is a choice."""
LACKING = {
    "assess": (),
    "compare": (),
    "inspect": (),
    "convert": ("{missing}",),
    "readings": (),
    "history": (),
    "register": (),
    "verify": (),
    "fleet": (),
    "collect": ("frequency_query", "tcp://127.0.0.1:1"),
}
DATA = Path(__file__).resolve().parents[1] / "data"


def ran(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Return status, standard output and standard error of the command."""
    try:
        status = main(arguments)
    except SystemExit as stopped:  # argparse ends this way
        status = stopped.code
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def of(folder: Path, words: tuple[str, ...]) -> list[str]:
    """Return the words with paths in a folder: one that is missing, one that is new, and a file."""
    (folder / "file").write_text("this is no log\n")
    return [
        word.format(missing=folder / "nowhere", new=folder / "new", file=folder / "file") for word in words
    ]


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ([], "evenbeat: the following arguments are required: COMMAND"),
        (["assesss"], "evenbeat: argument COMMAND: invalid choice: 'assesss'"),
        (["--nonsense"], "evenbeat: the following arguments are required: COMMAND"),
        (["assess", "log.csv", "--nonsense"], "evenbeat assess: there is no option --nonsense"),
        (
            ["assess", "log.csv", "--tolerance", "small"],
            "evenbeat assess: argument --tolerance: 'small' is not a tolerance; give",
        ),
        (["register", "forget"], "evenbeat register: argument TASK: invalid choice: 'forget'"),
    ],
)
def test_a_mistake_is_three_lines(
    arguments: list[str], complaint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """How it is called, what there is to choose from or where help is, and what is wrong; status 2."""
    status, out, err = ran(capsys, *arguments)
    usage, choice, said = err.splitlines()
    assert (status, out) == (2, "")
    assert usage.startswith("usage: evenbeat")
    assert "--help" in choice
    assert said.startswith(complaint)


def test_as_a_module_it_is_the_same_command() -> None:
    """``python -m evenbeat`` alone lists every command and ends with status 2."""
    done = subprocess.run([sys.executable, "-m", "evenbeat"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    usage, choice, _ = done.stderr.splitlines()
    assert usage == "usage: evenbeat COMMAND [OPTION ...]"
    (listed,) = re.findall(r"COMMAND: (.*);", choice)
    assert set(listed.split(", ")) == set(BAD_INPUT)


@pytest.mark.parametrize("command", BAD_INPUT)
def test_bad_input_is_status_2_of_every_command(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line that names what is wrong; nothing printed, nothing written."""
    words = of(tmp_path, BAD_INPUT[command])
    status, out, err = ran(capsys, command, *words)
    assert (status, out) == (2, "")
    assert re.fullmatch(r"(usage: .*\n.*\n)?evenbeat.*: .+\n", err)
    assert re.search("nowhere|file", err)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("command", BAD_INPUT)
def test_an_unknown_option_is_status_2_of_every_command(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Named in the third of three lines, before anything is done."""
    words = ("bash",) if command == "completion" else BAD_INPUT[command]
    status, out, err = ran(capsys, command, *of(tmp_path, words), "--nonsense")
    assert (status, out) == (2, "")
    assert "--nonsense" in err.splitlines()[2]
    assert len(err.splitlines()) == 3


@pytest.mark.parametrize("command", LACKING)
def test_what_is_left_out_is_status_2(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The argument that is needed is named."""
    status, out, err = ran(capsys, command, *of(tmp_path, LACKING[command]))
    assert (status, out) == (2, "")
    assert re.search(rf"^evenbeat {command}: the following arguments are required: \S+", err.splitlines()[2])


@pytest.mark.parametrize("command", BAD_INPUT)
def test_help_is_status_0(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """And goes to standard output."""
    status, out, err = ran(capsys, command, "--help")
    assert (status, err) == (0, "")
    assert out.startswith(f"usage: evenbeat {command}")


@pytest.mark.parametrize(
    "arguments",
    [
        ["assess", "{one}", "--tolerance", "1e-9", "--no-report", "-q"],
        ["compare", "{one}", "{two}", "--offset", "0", "--tolerance", "1e-12", "--no-report", "-q"],
        ["readings", str(DATA / "counter-check-readings.csv"), "-q"],
        ["fleet", str(DATA / "fleet-history.csv"), "--on", "2026-03-01", "-q"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_out_of_tolerance_is_status_1_where_asked(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same answer with either status: --fail-if-out alone makes it 1; the other commands lack it."""
    logs = {"one": tmp_path / "one.csv", "two": tmp_path / "two.csv"}
    for shift, path in enumerate(logs.values()):
        rows = "".join(f"{k},{10000001 + shift}.00\n" for k in range(60))  # what a coarse display shows
        path.write_text(f"# nominal frequency: 10 MHz\nelapsed_s,frequency_Hz\n{rows}")
    arguments = [word.format(**logs) for word in arguments]
    plain = ran(capsys, *arguments)
    failing = ran(capsys, *arguments, "--fail-if-out")
    assert plain[1] == failing[1] != ""
    assert (plain[0], failing[0]) == (0, 1)


def test_a_fault_of_our_own_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Status 3, what it was in a word, and a file with the details; no traceback."""
    monkeypatch.setattr("evenbeat.logs.inspection.inspect_log", lambda *_, **__: 1 / 0)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    status, out, err = ran(capsys, "inspect", "log.csv")
    (details,) = tmp_path.iterdir()

    assert (status, out) == (3, "")
    assert re.fullmatch(r"evenbeat: internal fault \(ZeroDivisionError: division by zero\), .*\n", err)
    assert str(details) in err
    assert "Traceback" in details.read_text()
    assert "['inspect', 'log.csv']" in details.read_text()


def test_no_abbreviations(capsys: pytest.CaptureFixture[str]) -> None:
    """An option that is not written out is not known: the next release may have two of them."""
    status, _, err = ran(capsys, "assess", "log.csv", "--toler", "1e-8")

    assert status == 2
    assert "--toler" in err.splitlines()[2]


def test_control_characters_are_shown_and_not_obeyed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A log whose header clears the screen and turns the text around."""
    log = tmp_path / "log.csv"
    rows = "".join(f"{k},10000000.{k % 7},a\n" for k in range(400))
    log.write_text(f"t_s,frequency_Hz,\x1b[2Jno\x9bte\u202e\n{rows}")
    ran(capsys, "inspect", str(log))
    status, out, err = ran(capsys, "inspect", str(log), "--nominal-frequency", "10 MHz")

    assert status == 0, err
    assert not set("\x1b\x9b\u202e") & set(out + err)
    assert "\\x1b[2Jno" in out


@pytest.mark.slow
@pytest.mark.parametrize("closed", ["stdout", "ascii"])
def test_a_terminal_that_cannot_show_it(closed: str, tmp_path: Path) -> None:
    """Standard output closed, or of ASCII only: no traceback, status 0."""
    log = tmp_path / "log.csv"
    rows = "".join(f"{k},10000000.{k % 7},2{k % 3}\n" for k in range(30))
    log.write_text(f"t_s,frequency_Hz,raum °C\n{rows}")
    call = f"{sys.executable} -m evenbeat inspect {log} --nominal-frequency '10 MHz'"
    call = f"PYTHONIOENCODING=ascii {call}" if closed == "ascii" else f"{call} >&-"
    done = subprocess.run(["/bin/sh", "-c", call], capture_output=True, text=True, check=False)

    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.slow
def test_sigterm_leaves_no_part_files(tmp_path: Path) -> None:
    """A conversion that is asked to end takes its half-written file away; status as of Ctrl-C."""
    log = tmp_path / "log.csv"
    log.write_text("frequency_Hz\n" + "10000000.125\n" * 1_000_000)
    convert = [sys.executable, "-m", "evenbeat", "convert", str(log), str(tmp_path / "log.npy")]
    process = subprocess.Popen([*convert, "--interval", "1 s"], stderr=subprocess.PIPE, text=True)
    while process.poll() is None and not list(tmp_path.glob(".*")):
        time.sleep(0.005)
    time.sleep(0.1)
    process.terminate()
    _, error = process.communicate(timeout=60)

    assert (process.returncode, error) == (130, "evenbeat: stopped\n")
    assert [path.name for path in tmp_path.iterdir()] == ["log.csv"]


GOOD = {
    "assess": ("{log}", "--tolerance", "1e-6", "--no-report", "-q"),
    "compare": ("{log}", "{log}", "--offset", "0", "--no-report", "-q"),
    "inspect": ("{log}",),
    "convert": ("{log}", "{new}.npy"),
    "bench": ("assess",),
    "readings": (str(DATA / "counter-check-readings.csv"), "-q"),
    "history": (str(DATA / "kittiwake-history.csv"), "--tolerance", "1e-8"),
    "register": ("create", "{new}.sqlite"),
    "fleet": (str(DATA / "fleet-history.csv"), "--on", "2026-03-01", "-q"),
    "notebooks": ("{new}", "--copy-only"),
    "demo": ("{new}",),
    "completion": ("bash",),
}
"""Every command but ``collect``, whose tests answer it as an instrument does."""


@pytest.mark.parametrize("command", GOOD)
def test_done_is_status_0_of_every_command(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Something is printed, and nothing on the error stream."""
    log = tmp_path / "log.csv"
    rows = "".join(f"{k},10000000.10\n" for k in range(60))
    log.write_text(f"# nominal frequency: 10 MHz\nelapsed_s,frequency_Hz\n{rows}")
    status, out, err = ran(
        capsys, command, *(word.format(log=log, new=tmp_path / "new") for word in GOOD[command])
    )
    assert (status, err) == (0, "")
    assert out
    assert set(GOOD) | {"collect", "verify"} == set(BAD_INPUT)  # verify: tests/report/test_recomputed.py


@pytest.mark.parametrize("command", BAD_INPUT)
def test_a_fault_is_status_3_of_every_command(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever goes wrong within: one sentence, and a file with the details."""
    import argparse

    (tmp_path / "file").write_text("")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    parse = argparse.ArgumentParser.parse_args

    def faulty(self: argparse.ArgumentParser, words: list[str]) -> argparse.Namespace:
        return argparse.Namespace(**vars(parse(self, words)) | {"run": lambda _: 1 / 0})

    monkeypatch.setattr(argparse.ArgumentParser, "parse_args", faulty)
    words = ("bash",) if command == "completion" else BAD_INPUT[command]
    status, out, err = ran(capsys, command, *of(tmp_path, words))
    assert (status, out) == (3, "")
    assert "internal fault (" in err


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_a_shell_completes_commands_options_and_keys(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Bash itself answers, with the script that is printed; that of zsh holds the same."""
    _, script, _ = ran(capsys, "completion", "bash")
    assert shell == "bash" or script in ran(capsys, "completion", "zsh")[1]
    for typed, expected in (
        ("evenbeat as", {"assess"}),
        ("evenbeat assess --tol", {"--tolerance"}),
        ("evenbeat assess --set gat", {"gate="}),
        ("evenbeat register add-in", {"add-instrument"}),
        ("evenbeat register import --set nom", {"nominal_frequency="}),
    ):
        words = typed.split(" ")
        ask = f'COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}; _evenbeat; echo "${{COMPREPLY[@]}}"'
        done = subprocess.run(
            ["/bin/bash", "-c", f"{script}\n{ask}"], capture_output=True, text=True, check=False
        )
        assert (set(done.stdout.split()), done.returncode) == (expected, 0), done.stderr


def test_fish_gets_every_option(capsys: pytest.CaptureFixture[str]) -> None:
    """A line for each command, option and list of keys."""
    _, script, _ = ran(capsys, "completion", "fish")
    for line in (
        "-n __fish_use_subcommand -a assess",
        "from assess' -l tolerance -r",
        "-l set -x -a 'tolerance=",
    ):
        assert line in script


def test_version_and_help_are_quick() -> None:
    """None of them loads anything heavy; only the help of all commands loads another command's module."""
    code = (
        "import sys\nfrom evenbeat.command.main import main\n"
        "for words in (['--version'], ['assess', '--help'], ['--help']):\n"
        "    try:\n        main(words)\n    except SystemExit:\n        pass\n"
        "    print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    version, one, every = (set(line.split()) for line in done.stderr.splitlines())
    others = {"evenbeat.command.collect", "evenbeat.instruments", "evenbeat.logs"}
    assert not {"numpy", "scipy", "pandas", "matplotlib", "allantools"} & every
    assert not (others | {"tqdm"}) & (version | one)
    assert "evenbeat.command.assess" in one
