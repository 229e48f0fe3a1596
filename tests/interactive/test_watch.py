"""A log that is followed while it is written, from nothing to a forecast, also in several parts."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evenbeat import interactive
from evenbeat.instruments.journal import Journal, Rhythm

START_NS = 1_767_225_600_000_000_000  # 2026-01-01
STEP_NS = 600 * 10**9


def journal(folder: Path, reference: str = "rubidium") -> Journal:
    """Return a log as ``collect`` writes it, taken up where it ended."""
    settings = ["quantity: frequency", "unit: Hz", "nominal frequency: 10 MHz", "expected every: 600 s"]
    settings.append(f"reference: {reference}")
    log = Journal(
        folder, settings=settings, columns=["utc", "frequency_Hz"], rhythm=Rhythm(), monotonic_ns=lambda: 0
    )
    log.open(START_NS)
    return log


def append(log: Journal, first: int, last: int) -> None:
    """Write the rows of a clock that is fast by 3e-9 and ages by 2e-11 a day."""
    noise = np.random.default_rng(1).standard_normal(last) * 2e-5
    for k in range(first, last):
        value = 10e6 * (1 + 3e-9 + 2e-11 * k / 144) + noise[k]
        log.row(START_NS + k * STEP_NS, [f"{value:.6f}"])


def picture(panel: Any) -> str:
    """Return what the panel shows."""
    return re.search(r'base64,([^"]+)"', panel.picture.value)[1]


@pytest.mark.slow
def test_follows_a_log_from_nothing(tmp_path: Path) -> None:
    """No log, a few rows, many rows: a sentence, then curve, forecast and date; no news, no change."""
    folder = tmp_path / "bench"
    panel = interactive.watch(folder, tolerance=4e-9)
    assert "holds no log yet" in panel.words.value
    log = journal(folder)
    append(log, 0, 5)
    assert panel.look()
    assert "5 readings over 50 min" in panel.words.value
    assert "No forecast yet" in panel.words.value
    assert panel.lesson.curve is None
    early = picture(panel)
    append(log, 5, 600)
    assert panel.look()
    assert len(panel.lesson.record) == 600
    assert panel.lesson.calibration.suggestion.interval_s > 0
    assert "Calibrate again within" in panel.words.value
    assert picture(panel) != early
    assert not panel.look()
    log.close()


@pytest.mark.slow
def test_parts_are_one_log(tmp_path: Path) -> None:
    """A new part goes on with the log; one with other settings begins it anew; a torn last line waits."""
    folder = tmp_path / "bench"
    log = journal(folder)
    append(log, 0, 30)
    log.new_part(START_NS + 30 * STEP_NS, "a new day")
    append(log, 30, 60)
    log.close()
    with (folder / "bench-0002.csv").open("a") as file:
        file.write("2026-01-01T10:00:00")
    panel = interactive.watch(folder)
    assert len(panel.lesson.record) == 60
    (folder / "bench-0002.csv").write_text(
        (folder / "bench-0002.csv").read_text().removesuffix("2026-01-01T10:00:00")
    )
    other = journal(folder, reference="maser")
    append(other, 60, 85)
    assert panel.look()
    assert len(panel.lesson.record) == 25
    assert panel.lesson.record.reference == "maser"
    other.close()
