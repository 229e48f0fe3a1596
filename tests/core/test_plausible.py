"""No number that no clock has passes in silence: offsets, smallness, years, spans and tolerances."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main

N = 600
NOISE = 2e-11 * np.random.default_rng(1).standard_normal(N)
Y = NOISE - 3.2e-8
PHASE_S = 10 * np.cumsum(Y)


def codes(result: Any) -> set[str]:
    """Return the codes of all findings."""
    return {finding.code for finding in result.findings}


def written(path: Path, name: str, cells: list[str], times: list[object] | None = None) -> Path:
    """Write a log of rows every 10 s."""
    times = times or [10 * row for row in range(len(cells))]
    rows = "\n".join(f"{time},{cell}" for time, cell in zip(times, cells, strict=True))
    path.write_text(f"{name}\n{rows}\n")
    return path


@pytest.mark.parametrize("offset", [-1.5, 0.5, 1e50])
def test_fractions_of_no_clock_are_refused(tmp_path: Path, offset: float) -> None:
    """Half its frequency away or more: a unit is missing."""
    log = written(tmp_path / "log.csv", "t_s,fractional_frequency", [f"{offset + y:.12e}" for y in Y])

    with pytest.raises(eb.LogError, match=r"too large for a plain number; say its unit with --unit"):
        eb.read_log(log)


def test_nanoseconds_called_seconds_are_refused(tmp_path: Path) -> None:
    """A column 'phase_s' of nanoseconds: the clock would gain 32 seconds each second."""
    log = written(tmp_path / "log.csv", "t_s,phase_s", [f"{x * 1e9:.4f}" for x in PHASE_S])

    with pytest.raises(eb.LogError, match=r"off by 32 of its frequency, as no oscillator is; .*--unit"):
        eb.read_log(log)
    assert eb.read_log(log, unit="s").findings[-1].code == "IMPLAUSIBLE_SIZE"


@pytest.mark.slow
def test_seconds_called_nanoseconds_stand_at_the_top(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A clock steadier than any: the first words of the verdict doubt the unit."""
    log = written(tmp_path / "log.csv", "t_s,phase_ns", [f"{x:.6e}" for x in PHASE_S])
    record = eb.read_log(log)

    assert "IMPLAUSIBLE_SMALLNESS" in codes(record)
    assert main(["assess", str(log), "--no-report", "--set", "aging=none"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("Check the unit first: from one reading to the next the time error changes by")


@pytest.mark.parametrize("size", [1e-21, 1e-9])
def test_small_fractions(size: float) -> None:
    """Changes of 1e-21 from one reading to the next are no clock's, those of 1e-9 are."""
    record = eb.Record.from_frequency(size * NOISE / 2e-11, interval_s=1.0)

    assert ("IMPLAUSIBLE_SMALLNESS" in codes(record)) is (size < 1e-20)


def test_a_constant_record_is_not_called_steady() -> None:
    """A display that never changes is no miracle of steadiness."""
    assert not codes(eb.Record.from_frequency(np.zeros(50), interval_s=1.0))


@pytest.mark.parametrize(("year", "said"), [(1970, True), (1980, True), (2026, False), (2081, True)])
def test_years_of_a_clock_that_was_not_set(tmp_path: Path, year: int, said: bool) -> None:
    """A computer or receiver that lost its date writes 1970 or 1980."""
    begun = np.datetime64(f"{year}-01-06T00:00:00")
    times = [f"{begun + np.timedelta64(10 * row, 's')}Z" for row in range(N)]
    log = written(tmp_path / "log.csv", "utc,frequency_Hz", [f"{1e7 * (1 + y):.4f}" for y in Y], list(times))
    record = eb.read_log(log, nominal_frequency_hz=1e7)

    assert ("IMPLAUSIBLE_YEAR" in codes(record)) is said


def test_a_record_of_centuries_is_doubted() -> None:
    """Readings every 30 years are rather in another unit of time."""
    record = eb.Record.from_frequency(Y, interval_s=30 * 3.2e7)

    assert "IMPLAUSIBLE_SPAN" in codes(record)


JUDGED = [(1e-3, True), pytest.param(1e-6, False, marks=pytest.mark.slow)]


@pytest.mark.parametrize(("tolerance", "said"), JUDGED)
def test_a_tolerance_beyond_everything_is_doubted(tolerance: float, said: bool) -> None:
    """A thousand times all that the record holds may have been meant in another unit."""
    assessment = eb.assess(eb.Record.from_frequency(Y, interval_s=10.0), tolerance=tolerance, aging="none")

    assert ("IMPLAUSIBLE_TOLERANCE" in codes(assessment)) is said
    assert assessment.verdict.headline.startswith("Check the tolerance first: ") is said


def test_no_interval_on_an_assumed_nominal(tmp_path: Path) -> None:
    """The function stops where the command stops; what to leave it at follows from the drift alone."""
    log = written(tmp_path / "log.csv", "t_s,frequency_Hz", [f"{1e7 * (1 + y):.4f}" for y in Y])
    model = eb.fit_clock(eb.condition(eb.read_log(log)), aging="linear")

    with pytest.raises(eb.InputError, match=r"assumed, so no interval is suggested .*nominal_frequency_hz"):
        eb.suggest_interval(model, tolerance=1e-7)
    assert eb.suggest_setpoint(model, tolerance=1e-7).interval_s > 0
