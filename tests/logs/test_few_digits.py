"""Time intervals printed with two digits: the step grows with them, and rounding is no event of the clock."""

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

ROWS = 20_000


def printed(path: Path, seconds: np.ndarray) -> eb.Record:
    """Return a record of time errors that a counter printed as 1.3E-09 every second."""
    path.write_text("".join(f"1PPS TI {value:.1E}\n" for value in seconds))
    return eb.condition(eb.read_log(path, quantity="phase", unit="s", interval_s=1.0))


def time_errors(seed: int) -> np.ndarray:
    """Return 1 ns of white phase noise on an offset of 1.2e-10, which goes through four decades."""
    return 1.2e-10 * np.arange(ROWS) + 1e-9 * np.random.default_rng(seed).standard_normal(ROWS)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_rounding_is_neither_a_step_nor_another_clock(tmp_path: Path, seed: int) -> None:
    """Field log 05: no step, the clock is the same throughout, and the display is named."""
    record = printed(tmp_path / "ti.txt", time_errors(seed))
    model = eb.fit_clock(record)

    codes = {finding.code for finding in model.findings}
    assert not record.flags
    assert "RELATIVE_RESOLUTION" in codes
    assert "DISPLAY_CHANGED" in codes
    assert not codes & {"STEPS_UNCLEAR", "CLOCK_CHANGED", "PHASE_STEP", "FREQUENCY_STEP"}
    smallest = next(finding for finding in record.findings if finding.code == "NO_STEPS")
    assert smallest.values["smallest_phase_step"] >= record.resolution


@pytest.mark.slow
def test_a_step_beyond_the_display_is_found(tmp_path: Path) -> None:
    """One of a microsecond, ten steps of the coarsest digits."""
    seconds = time_errors(5)
    seconds[15_000:] += 1e-6
    record = printed(tmp_path / "ti.txt", seconds)

    assert [flag.cause for flag in record.flags] == ["phase_step"]
    assert record.flags[0].start == pytest.approx(15_000, abs=2)
    assert record.flags[0].size == pytest.approx(1e-6, abs=1.5e-7)


def test_a_clock_that_changes_is_still_named() -> None:
    """Ten times the noise from the middle on, under one display that is finer."""
    noise = 1e-9 * np.random.default_rng(6).standard_normal(4000)
    noise[2000:] *= 10
    record = eb.Record.from_frequency(np.round(noise, 11), interval_s=60.0)

    assert "CLOCK_CHANGED" in {finding.code for finding in eb.fit_clock(record).findings}
