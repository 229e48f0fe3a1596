"""Bench files, ``--set`` and ``compare``: what is stated once holds everywhere, and the nearest word wins."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.bench import KEYS, bench_of, bench_text
from evenbeat.command.main import main
from evenbeat.units import parse_fraction, parse_uncertain

ROWS = 80
BENCH = """
# the counter in the corner
nominal_frequency = "5 MHz"
tolerance = "2 ppb"
reliability = 0.9
reference = "rubidium R-2"
reference_uncertainty = "0.02 ppb"
oscillator_class = "oven"
clock_tick = "100 ns"       # for 'readings', nothing to 'assess'

[columns]
value = "counter [Hz]"
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Return a bench file."""
    path = tmp_path / "kittiwake.toml"
    path.write_text(BENCH)
    return path


def log(path: Path, seed: int = 1, *, column: str = "counter", offset_hz: float = 0.0) -> Path:
    """Write 80 readings of a 5 MHz source once a second; return the path."""
    hertz = 5e6 + offset_hz + np.random.default_rng(seed).normal(0, 1e-3, ROWS)
    stamps = np.datetime64("2026-03-01T00:00:00", "s") + np.arange(ROWS).astype("m8[s]")
    rows = [f"{stamp}Z,{value:.6f},{20 + seed}\n" for stamp, value in zip(stamps, hertz, strict=True)]
    path.write_text(f"time,{column} [Hz],supply [V]\n" + "".join(rows))
    return path


def told(capsys: pytest.CaptureFixture[str], *words: object) -> dict:
    """Return what a command prints as JSON."""
    assert main([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def refused(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """Return the one sentence of a refusal with status 2."""
    assert main([*map(str, words)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    return printed.err


def test_a_result_names_the_bench_file_and_what_was_typed(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its SHA-256 and every typed key, with which the assessment is made again, byte for byte."""
    path = log(tmp_path / "log.csv")
    call = ["assess", str(path), "--bench", str(bench), "--no-report", "--json"]
    assert main([*call, "--set", "guard_band=1e-10"]) == 0
    once = capsys.readouterr().out
    settings = json.loads(once)["settings"]

    assert settings["bench"]["file"] == "kittiwake.toml"
    assert settings["bench"]["sha256"] == hashlib.sha256(bench.read_bytes()).hexdigest()
    assert settings["bench"]["said"]["tolerance"] == "2 ppb"
    assert settings["typed"] == {"guard_band": "1e-10"}
    assert settings["tolerance"] == 2e-9
    assert settings["reliability"] == 0.9
    assert settings["reference_uncertainty"] == pytest.approx(2e-11)
    again = [word for key, text in settings["typed"].items() for word in ("--set", f"{key}={text}")]
    assert main([*call, *again]) == 0
    assert capsys.readouterr().out == once


@pytest.mark.slow
def test_typed_wins_over_set_and_set_over_the_file(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One tolerance of each; what nobody typed is the file's (the history of the demo is judged quickly)."""
    data = Path(__file__).resolve().parents[1] / "data"
    call = ["history", data / "kittiwake-history.csv", "--bench", bench]
    assert told(capsys, *call)["settings"]["tolerance"]["upper"] == 2e-9
    assert told(capsys, *call, "--set", "tolerance=3e-9")["settings"]["tolerance"]["upper"] == 3e-9
    both = told(capsys, *call, "--set", "tolerance=3e-9", "--tolerance", "4 ppb")["settings"]
    assert both["tolerance"]["upper"] == pytest.approx(4e-9)
    assert both["reliability"] == 0.9


def test_a_default_that_is_stated_wins_over_the_file(tmp_path: Path) -> None:
    """The library refuses a bad line where that is stated, although the bench file would pass over it."""
    bench, path = tmp_path / "auk.toml", log(tmp_path / "log.csv")
    bench.write_text('nominal_frequency = "5 MHz"\nbad_lines = "reject"\nevery = 2\nrow_offset = 1\n')
    path.write_text(path.read_text() + "2026-03-01T00:01:30Z,torn,21\n")
    assert len(eb.read_log(path, layout=bench)) == ROWS // 2
    with pytest.raises(eb.LogError, match="torn"):
        eb.read_log(path, layout=bench, bad_lines="refuse")
    first = eb.read_log(path, layout=bench, offset=0)
    assert first.start == eb.read_log(path, layout=bench).start - np.timedelta64(1, "s")


@pytest.mark.slow
def test_one_file_for_every_command(bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The reader, inspect, history and readings take from it what they use, and pass over the rest."""
    data = Path(__file__).resolve().parents[1] / "data"
    path = log(tmp_path / "log.csv")
    assert eb.read_log(path, layout=bench).nominal_frequency_hz == 5e6
    seen = told(capsys, "inspect", path, "--bench", bench)
    assert [column["taken_for"] for column in seen["columns"]] == ["time", "the clock", "supply_v"]
    history = told(capsys, "history", data / "kittiwake-history.csv", "--bench", bench, "--tolerance", "6e-9")
    assert history["settings"]["oscillator_class"] == "oven"
    assert history["settings"]["bench"]["file"] == "kittiwake.toml"
    counter = told(capsys, "readings", data / "counter-check-readings.csv", "--bench", bench)
    assert counter["facts"]["clock_tick_s"] == pytest.approx(1e-7)
    due = told(capsys, "fleet", data / "fleet-history.csv", "--bench", bench, "--on", "2026-08-20")
    for said in (counter, due):
        assert said["settings"]["bench"]["sha256"] == hashlib.sha256(bench.read_bytes()).hexdigest()


@pytest.mark.slow
def test_pages_name_the_bench_file_and_speak_in_words(bench: Path, tmp_path: Path) -> None:
    """Of a counter's check, a history and a due list: file, hash, and settings as people say them."""
    data = Path(__file__).resolve().parents[1] / "data"
    calls = (
        ["readings", data / "counter-check-readings.csv", "-o", tmp_path / "check.html"],
        ["fleet", data / "fleet-history.csv", "--on", "2026-08-20", "--page", tmp_path / "due.html"],
        ["history", data / "kittiwake-history.csv", "-o", tmp_path, "--set", "pdf=no", "--tolerance", "6e-9"],
    )
    digest = hashlib.sha256(bench.read_bytes()).hexdigest()
    for call, page in zip(calls, ("check.html", "due.html", "report.html"), strict=True):
        assert main([*map(str, call), "--bench", str(bench)]) == 0
        text = (tmp_path / page).read_text()
        assert digest in text
        assert "kittiwake.toml" in text
    assert "Longest interval that policy allows" in text
    assert "Stated in the command" in text
    for raw in (">typed<", ">results sha256<", ">methods<", "policy cap", ">False<"):
        assert raw not in text


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("tolerence = 1e-8", "kittiwake.toml, line 1: there is no key 'tolerence'; did you mean tolerance"),
        ("gate = true", "line 1: gate: true has the wrong type; give a duration such as '10 s'"),
        ("partial = 'perhaps'", "line 1: partial: 'perhaps' is neither yes nor no"),
        ("columns = 3", "line 1: columns: 3 has the wrong type; give a table"),
        ("bad_lines = 'ignore'", "line 1: bad_lines: 'ignore' is not one of refuse, reject"),
        ("as_left = '1e-9'", "line 1: as_left: '1e-9' is not a value with its standard uncertainty"),
        ("version = 2", "states version 2; this evenbeat reads version 1"),
        ("unit = ", "the bench file is not valid TOML"),
    ],
)
def test_a_bench_file_that_cannot_be_used_says_where(
    line: str, sentence: str, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """File, line and key in one sentence, whatever command reads it."""
    bench.write_text(line + "\n")
    assert sentence in refused(capsys, "assess", "log.csv", "--bench", bench, "--no-report")
    assert sentence in refused(capsys, "bench", bench)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--set", "gates=1"], "--set gates: there is no key 'gates'; did you mean gate"),
        (["--set", "gate"], "--set 'gate' does not have the form KEY=VALUE"),
        (["--set", "gate=1 s", "--set", "gate=2 s"], "--set gate is given twice"),
        (["--set", "clock_tick=1e-7"], "--set clock_tick: 'evenbeat assess' does not use it; readings would"),
        (["--set", "gate=soon"], "--set gate: 'soon' is not a duration"),
        (["--bench", "nowhere.toml"], "nowhere.toml: the bench file cannot be read (No such file"),
        (
            ["--set", "decided_by=A. Keeper"],
            "belongs to the audit record; give --set file_record=yes",
        ),
    ],
)
def test_a_key_that_cannot_be_used_is_one_sentence(
    words: list[str], sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was typed, and what would be accepted."""
    assert sentence in refused(capsys, "assess", log(tmp_path / "log.csv"), "--no-report", *words)


def test_a_key_typed_as_an_option_is_told_where_it_belongs(capsys: pytest.CaptureFixture[str]) -> None:
    """Three lines: usage of the command, its help, and how the key is stated."""
    with pytest.raises(SystemExit) as stopped:
        main(["assess", "log.csv", "--gate", "10 s"])
    usage, _, complaint = capsys.readouterr().err.splitlines()
    assert stopped.value.code == 2
    assert usage.startswith("usage: evenbeat assess LOG")
    assert "there is no option --gate; state it with --set gate=… or in a bench file" in complaint


def test_inspect_writes_a_bench_file_that_says_all_of_it(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """How the log is written, what the old file and the options said; the record is the same."""
    path, new = log(tmp_path / "log.csv"), tmp_path / "new.toml"
    told(capsys, "inspect", path, "--bench", bench, "--set", "gate=0.5 s", "--write-bench", new)
    text = new.read_text()
    for line in ('tolerance = "2 ppb"', 'gate = "0.5 s"', '[columns]\nvalue = "counter [Hz]"', "[rows]"):
        assert line in text
    record = eb.read_log(path, layout=new)
    assert record.gate_s == 0.5
    np.testing.assert_array_equal(record.values, eb.read_log(path, layout=bench).values)


def test_bench_lists_the_keys_and_checks_a_file(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every key with what it accepts; those of one command; what a file states."""
    assert main(["bench"]) == 0
    listed = capsys.readouterr().out
    assert set(re.findall(r"^  (\w+)  ", listed, re.MULTILINE)) == set(KEYS)
    assert max(map(len, listed.splitlines())) <= 80
    assert main(["bench", "readings"]) == 0
    assert "wrap_period" not in capsys.readouterr().out
    assert main(["bench", str(bench)]) == 0
    assert "nominal_frequency        5 MHz" in capsys.readouterr().out


def test_every_key_is_the_librarys_keyword() -> None:
    """The declarations do not fall behind the functions that they call."""
    import inspect

    known = set(inspect.signature(eb.read_log).parameters)
    assert {key.keyword for key in KEYS.values() if key.group == "log"} <= known
    known = set(inspect.signature(eb.condition).parameters)
    assert {key.keyword for key in KEYS.values() if key.group == "conditioning"} <= known
    known = set(inspect.signature(eb.bench_check).parameters)
    assert {key.keyword for key in KEYS.values() if key.group == "counter"} <= known
    for key in KEYS.values():
        assert set(key.typed_by) <= set(key.used_by)


@pytest.mark.parametrize("name", [name for name in KEYS if KEYS[name].default not in (None, ())])
def test_what_is_written_is_read_the_same(name: str) -> None:
    """A value of the library, written into a bench file, comes back to the last bit."""
    key = KEYS[name]
    for value in (key.default, 12345.678901234567 if isinstance(key.default, float) else key.default):
        assert bench_of(bench_text({name: key.kind.write(value)})).values[name] == value


@pytest.mark.parametrize(
    "text",
    ["1e-9±2e-10", "1e-9+-2e-10", "1e-9 +/- 2e-10", "1.0(2)e-9", "1.0(2) ppb", "1±0.2 ppb",
     "1 ppb ± 0.2 ppb", "(1.0±0.2) ppb"],
)  # fmt: skip
def test_uncertain_numbers_are_typed_as_people_write_them(text: str) -> None:
    """All of these are one part in 1e9 with a standard uncertainty of a fifth of it."""
    assert parse_uncertain(text) == pytest.approx((1e-9, 2e-10))


def test_fractions_have_units() -> None:
    """'2 ppb' is 2e-9, '95 %' 0.95; hertz are none."""
    assert [parse_fraction(text) for text in ("2 ppb", "95 %", "-1e-9", "3")] == [2e-9, 0.95, -1e-9, 3.0]
    with pytest.raises(eb.InputError, match="a fractional frequency such as 1e-8 or 10 ppb is needed"):
        parse_fraction("2 Hz")


def test_three_logs_are_told_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Against one reference, or around the loop: each clock by itself, noise of 1 mHz at 5 MHz each."""
    logs = [log(tmp_path / f"{name}.csv", seed) for seed, name in enumerate("abc", start=1)]
    words = ["compare", *logs, "--column", "value=counter [Hz]", "--nominal-frequency", "5 MHz"]
    apart = told(capsys, *words)
    assert apart["names"] == ["a", "b", "c"]
    first = apart["averaging_time_s"].index(1.0)
    assert apart[next(name for name in apart if name.startswith("deviation"))][first] == pytest.approx(
        2e-10, rel=0.3
    )
    loop = told(capsys, *words, "--loop")
    assert loop["names"] == ["clock 1", "clock 2", "clock 3"]
    assert "leave 'tolerance' out" in refused(capsys, *words, "--tolerance", "1e-8")
    assert "takes two logs" in refused(capsys, *words, "--through")
    assert "--loop needs three logs" in refused(capsys, "compare", *logs[:2], "--loop")
