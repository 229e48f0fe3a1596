"""The demonstration logs state all that is needed: nothing about them is assumed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb


def truth_of(demo_data: Path, name: str) -> dict[str, object]:
    """Return what the script that wrote the log put down about it."""
    return json.loads((demo_data / "truth.json").read_text())["files"][name]


@pytest.mark.parametrize("name", ["kittiwake.csv.gz", "fulmar.csv.gz", "fulmar-evening.csv", "gannet.csv.gz"])
def test_demo_logs_need_no_option(demo_data: Path, name: str) -> None:
    """Hash, rows, reference and times are those of the sheet, and no finding is an assumption."""
    record = eb.read_log(demo_data / name)
    truth = truth_of(demo_data, name)
    assert record.source is not None
    assert (record.source.sha256, record.source.rows) == (truth["sha256"], truth["rows"])
    assert (record.interval_s, record.nominal_frequency_hz) == (10.0, 1e7)
    assert record.start is not None
    assert record.reference
    assert not [finding for finding in record.findings if finding.severity == "caution"]


@pytest.mark.slow
def test_bench_counter_log_has_its_gaps_and_temperatures(demo_data: Path) -> None:
    """kittiwake: 120 days on a grid of ten seconds, the gaps of the truth missing, two temperatures."""
    record = eb.read_log(demo_data / "kittiwake.csv.gz")
    events = truth_of(demo_data, "kittiwake.csv.gz")["truth"]["events"]
    assert len(record) == 120 * 8640
    (gaps,) = [finding for finding in record.findings if finding.code == "GAPS"]
    assert gaps.values["gaps"] == len(events["gaps"]) + 1
    assert gaps.values["longest_s"] == 60 * max(gap["minutes"] for gap in events["gaps"])
    assert set(record.covariates) == {"oven_temperature_c", "room_temperature_c"}
    assert record.resolution == pytest.approx(1e-11)


def test_counter_on_its_own_timebase_has_the_sign_of_the_timebase(demo_data: Path) -> None:
    """fulmar: readings of the reference above nominal mean a slow timebase, as its truth says."""
    record = eb.read_log(demo_data / "fulmar.csv.gz")
    truth = truth_of(demo_data, "fulmar.csv.gz")["truth"]
    last_hour = truth["timebase_fractional_frequency_last_hour"]
    assert np.mean(record.values[-360:]) == pytest.approx(last_hour, abs=0.5e-8)  # half a display step
    assert record.resolution == pytest.approx(1e-8, rel=1e-6)
    assert str(record.start).startswith("2026-05-25T06:00:00")
