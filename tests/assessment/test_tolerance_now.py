"""In tolerance now, out of it, or not to be told: said of every log, whether or not there is an interval."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

NOISE = 1e-10


def loop_that_opened(end: float) -> np.ndarray:
    """Return fractional frequencies that are quiet for seven hours, then leave in a straight line for two."""
    y = 1e-12 * np.random.default_rng(1).standard_normal(500)
    y[400:] += np.linspace(0, end, 100)
    return y


def noisy(offset: float, count: int) -> np.ndarray:
    """Return readings that scatter about an offset."""
    return offset + NOISE * np.random.default_rng(2).standard_normal(count)


def stepped(end: float) -> np.ndarray:
    """Return a log whose frequency jumps near its end."""
    y = 1e-9 + NOISE * np.random.default_rng(7).standard_normal(500)
    y[425:] += end
    return y


def written(path: Path, values: np.ndarray, *, digits: int = 6) -> Path:
    """Write fractional frequencies as readings in hertz of a 10 MHz oscillator, one a minute."""
    rows = "\n".join(f"{60 * k},{1e7 * (1 + y):.{digits}f}" for k, y in enumerate(values))
    path.write_text(f"# nominal frequency: 10 MHz\nelapsed_s,frequency_hz\n{rows}\n")
    return path


LOGS = {
    "a loop that opened, five times out": (loop_that_opened(5e-8), 6, "1e-8", "out"),
    "a loop that opened, at its limit": (loop_that_opened(5e-8), 6, "5e-8", "cannot be told"),
    "a step to 180 times the tolerance": (stepped(1.8e-6), 6, "1e-8", "out"),
    "a display, 180 times out": (np.full(300, 1.8e-6), 1, "1e-8", "out"),
    "a display, within": (np.full(300, 1.8e-6), 1, "2e-6", "in"),
    "a display that hides the limit": (np.full(300, 1.8e-6), 1, "1.805e-6", "cannot be told"),
    "too short for a model, 180 times out": (noisy(1.8e-6, 6), 6, "1e-8", "out"),
    "too short for a model, within": (noisy(1.8e-6, 6), 6, "2e-6", "in"),
    "too short for a model, at its limit": (noisy(1.8e-6, 6), 6, "1.8e-6", "cannot be told"),
    "above the upper of two limits": (loop_that_opened(5e-8), 6, "-1e-6:1e-8", "out"),
    "between two limits about zero": (loop_that_opened(5e-8), 6, "-1e-8:1e-6", "in"),
    "between two limits that leave zero out": (loop_that_opened(5e-8), 6, "4e-8:6e-8", "in"),
    "a display below two limits": (np.full(300, 1.8e-6), 1, "1.9e-6:3e-6", "out"),
}
PAGES = ("a display, within", "too short for a model, at its limit", "a display, 180 times out")
"""Of these the page is looked at, too."""
WORDS = {"out": "Out of tolerance now", "in": "In tolerance now", "cannot be told": "now cannot be told"}


@pytest.mark.grid(4)
@pytest.mark.parametrize("name", LOGS)
def test_exit_status_headline_page_and_json_say_the_same(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 1 only where it is out; whatever is said of tolerance is true on every page."""
    values, digits, tolerance, state = LOGS[name]
    log = written(tmp_path / "log.csv", values, digits=digits)
    folder = tmp_path / "report"

    question = ["assess", str(log), f"--tolerance={tolerance}", "--fail-if-out", "--set", "aging=linear"]
    if name in PAGES:
        status = main([*question, "-o", str(folder), "--set", "pdf=no"])
        headline = " ".join(capsys.readouterr().out.split("\n\n", maxsplit=1)[0].split())
        result = json.loads((folder / "result.json").read_text())
        page = (folder / "report.html").read_text()
        assert f"{state}</td>" in page
        assert "no tolerance was stated" not in page
    else:
        status = main([*question, "--no-report", "--json"])
        result = json.loads(capsys.readouterr().out)
        headline = page = result["verdict"]["headline"]
    assert status == (1 if state == "out" else 0)
    assert result["tolerance_now"]["state"] == state
    if result["interval"] is None or state != "in":
        assert WORDS[state] in headline
        assert WORDS[state] in page
    assert not any(words in headline for other, words in WORDS.items() if other != state)


@pytest.mark.parametrize("shape", [loop_that_opened, stepped])
def test_how_far_out_is_said_with_the_reason_for_no_interval(shape: object) -> None:
    """Five times the tolerance is said to be out first; the rest follows."""
    found = eb.assess(eb.Record.from_frequency(shape(5e-8), interval_s=60.0), tolerance=1e-8)  # type: ignore[operator]

    assert found.verdict.headline.startswith("Out of tolerance now: the offset at the end of the log, ")
    assert "is outside ±1e-08, 5" in found.verdict.headline
    assert found.now.probability_within < 1e-3
    if found.interval is None:
        assert "No recommendation. " in found.verdict.headline


def test_a_phase_log_too_short_for_a_model() -> None:
    """Time errors that gain 1.8 µs a second: the slope counts, not the values; a gap does not matter."""
    x = 1.8e-6 * 60 * np.arange(8.0) + 1e-12 * np.random.default_rng(3).standard_normal(8)
    x[3] = np.nan
    record = eb.Record.from_phase(x, interval_s=60.0)

    out, within = (eb.assess(record, tolerance=limit) for limit in (1e-8, 3e-6))

    assert out.model is None
    assert out.now.state == "out"
    assert out.now.value == pytest.approx(1.8e-6, rel=1e-6)
    assert within.now.state == "in"


@pytest.mark.slow
def test_an_adjustment_counts_and_so_does_the_reference() -> None:
    """Left at 2e-9 it is in; against a reference that may be off by 1e-7 it cannot be told."""
    record = eb.Record.from_frequency(noisy(1.8e-6, 300), interval_s=60.0)

    left = eb.assess(record, tolerance=1e-8, as_left=eb.Estimate.normal(2e-9, 1e-10))
    vague = eb.assess(record, tolerance=1.8e-6, reference_uncertainty=1e-7)

    assert left.now.state == "in"
    assert left.now.judged_by == "as left"
    assert vague.now.state == "cannot be told"


def test_without_a_tolerance_nothing_is_said() -> None:
    """No state, and the reason that the page gives is then the true one."""
    found = eb.assess(eb.Record.from_frequency(noisy(1e-9, 300), interval_s=60.0))

    assert found.now is None
    assert found.to_dict()["tolerance_now"] is None
    assert not any(words in found.verdict.headline for words in WORDS.values())


def test_a_display_whose_step_is_not_known_decides_nothing() -> None:
    """Values that never change, from memory and without a resolution: the step could be of any size."""
    record = eb.Record.from_frequency(np.full(300, 5e-8), interval_s=60.0)

    found = eb.assess(record, tolerance=1e-8)

    assert found.now.state == "cannot be told"
    assert "the step of the display is not known" in found.verdict.headline
    assert json.dumps(found.to_dict(), allow_nan=False)


def test_a_folder_lists_a_log_that_is_out_as_overdue(tmp_path: Path) -> None:
    """Its interval is withheld, but it is out today: that is urgent, not 'not judged'."""
    times = np.datetime64("2024-08-01T00:00:00") + np.arange(500) * np.timedelta64(60, "s")
    rows = "\n".join(
        f"{time}Z,{1e7 * (1 + y):.6f}" for time, y in zip(times, loop_that_opened(5e-8), strict=True)
    )
    (tmp_path / "loop.csv").write_text(f"# nominal frequency: 10 MHz\nutc,frequency_hz\n{rows}\n")

    (line,) = eb.assess_fleet(tmp_path, on="2024-09-01", tolerance=1e-8, processes=1).instruments

    assert line.state == "overdue"
    assert line.limited_by == "start"
    assert line.reason.startswith("Out of tolerance now")
