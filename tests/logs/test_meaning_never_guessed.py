"""What a log means is stated or asked for: unit of time and phase, nominal frequency, which clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def written(tmp_path: Path, content: str) -> Path:
    """Return the path of a log."""
    path = tmp_path / "log.csv"
    path.write_text(content)
    return path


def table(header: str, times: np.ndarray, readings: np.ndarray, form: str = ".4f") -> str:
    """Return a table of whole times and readings."""
    rows = "".join(f"{int(t)},{reading:{form}}\n" for t, reading in zip(times, readings, strict=True))
    return f"{header}\n{rows}"


def white(seed: int, rows: int, offset: float, noise: float, nominal_hz: float = 1e7) -> np.ndarray:
    """Return frequencies in hertz of an oscillator with white noise."""
    rng = np.random.default_rng(seed)
    return nominal_hz * (1 + offset + noise * rng.standard_normal(rows))


SECONDS = np.arange(206)


@pytest.mark.parametrize(
    ("name", "per_second"),
    [
        ("TimeNanos", 1e9),
        ("elapsedRealtimeNanos", 1e9),
        ("t_ns", 1e9),
        ("timeMs", 1e3),
        ("time_millis", 1e3),
        ("uptime_us", 1e6),
        ("time (µs)", 1e6),
        ("time_micros", 1e6),
    ],
)
def test_the_name_of_a_time_column_states_its_unit(tmp_path: Path, name: str, per_second: float) -> None:
    """A receiver's nanoseconds are no seconds: 206 s, not 6528 years."""
    content = table(f"{name},phase_ns", 7e4 * per_second + SECONDS * per_second, SECONDS)
    columns = {"time": name, "value": "phase_ns"}
    assert eb.read_log(written(tmp_path, content), columns=columns).interval_s == pytest.approx(1.0)


@pytest.mark.parametrize("header", ["t,phase_ns", "time,phase_ns", "elapsed_s,phase_ns"])
def test_times_over_centuries_are_asked_for(tmp_path: Path, header: str) -> None:
    """Bare nanoseconds span thousands of years as seconds: the unit is asked for, and the option decides."""
    path = written(tmp_path, table(header, SECONDS * 1e9, SECONDS))
    with pytest.raises(eb.LogError, match=r"every 1 s over .* in ns \(--time-unit ns\)"):
        eb.read_log(path)
    assert eb.read_log(path, time_unit="ns").interval_s == pytest.approx(1.0)


def test_a_year_before_1990_from_bare_numbers_is_asked_for(tmp_path: Path) -> None:
    """568 800 000 is 1988 as Unix seconds, and a week's milliseconds with a step of one second."""
    path = written(tmp_path, table("time,phase_ns", 568_800_000 + SECONDS * 1000, SECONDS))
    with pytest.raises(eb.LogError, match=r"Unix time in seconds \(year 1988\).*every 1 s .*--time-unit ms"):
        eb.read_log(path)
    record = eb.read_log(path, time_unit="ms")
    assert (record.interval_s, record.start) == (1.0, None)


def test_milliseconds_of_the_week(tmp_path: Path) -> None:
    """A column TOW with more than a week's seconds counts milliseconds, which a finding says."""
    record = eb.read_log(written(tmp_path, table("TOW,phase_ns", 568_800_000 + SECONDS * 1000, SECONDS)))
    assert (record.interval_s, record.start) == (1.0, None)
    assert "ASSUMED_TIME_FORM" in codes(record)
    plain = eb.read_log(written(tmp_path, table("TOW,phase_ns", 568_800 + SECONDS, SECONDS)))
    assert plain.interval_s == 1.0


def test_the_command_takes_the_unit_of_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The option that the refusal names is one of the command."""
    path = written(tmp_path, table("time,phase_ns", SECONDS * 1e9, SECONDS))
    main(["inspect", str(path)])
    assert "--time-unit ns" in capsys.readouterr().out
    main(["inspect", str(path), "--time-unit", "ns"])
    assert "every 1 s" in capsys.readouterr().out
