"""``evenbeat history``: from a table of calibrations to the next one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from evenbeat.command import main

TABLE = str(Path(__file__).resolve().parents[1] / "data" / "kittiwake-history.csv")


def test_says_when_to_calibrate_again(capsys: pytest.CaptureFixture[str]) -> None:
    """The demo history gives an interval, a setpoint and what it is not."""
    assert main(["history", TABLE, "--tolerance", "1e-8"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Calibrate again within" in shown
    assert "If adjusted" in shown
    assert "not part of a calibration certificate" in shown


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    """JSON holds interval and setpoint; a tighter tolerance gives a shorter interval."""
    intervals = []
    for tolerance in ("1e-8", "6e-9"):
        assert main(["history", TABLE, "--tolerance", tolerance, "--json"]) == 0
        result = json.loads(capsys.readouterr().out)
        intervals.append(result["interval_s"])
        assert result["setpoint"]["interval_s"] >= result["setpoint"]["interval_at_zero_s"]
    assert intervals[0] > intervals[1] > 0


def test_no_interval(capsys: pytest.CaptureFixture[str]) -> None:
    """An offset outside the tolerance has no interval; bad options and files exit with 2."""
    assert main(["history", TABLE, "--tolerance", "1e-10"]) == 0
    assert "No interval" in capsys.readouterr().out
    assert main(["history", TABLE, "--tolerance", "1e-8", "--guard-band", "1e-7"]) == 2
    assert main(["history", "nowhere.csv", "--tolerance", "1e-8"]) == 2
    assert "cannot be read" in capsys.readouterr().err
