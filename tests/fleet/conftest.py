"""Simulated instruments for the tests of the fleet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

HEADER = "instrument,date,as_found,as_left,standard_uncertainty,adjusted,oscillator_class,tolerance"


def fleet_rows(count: int, calibrations: int, seed: int) -> list[str]:
    """Return rows of simulated oven oscillators: drift, random walk, adjusted beyond half the tolerance."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(count):
        drift, offset, left = 5e-8 * rng.normal(), 0.0, 0.0
        date = np.datetime64("2020-01-01") + np.timedelta64(int(rng.integers(0, 400)), "D")
        for _ in range(calibrations):
            found = offset + 1e-9 * rng.normal()
            adjusted = abs(found) > 5e-8
            offset = 0.0 if adjusted else offset
            left = 1e-9 * rng.normal() if adjusted else found
            said = f"{date},{found:.4e},{left:.4e},1e-9,{'yes' if adjusted else 'no'}"
            rows.append(f"device {number:04d},{said},oven,1e-7")
            days = int(rng.integers(250, 450))
            date = date + np.timedelta64(days, "D")
            offset += drift * days / 365.25 + 1e-8 * np.sqrt(days / 365.25) * rng.normal()
    return rows


@pytest.fixture
def fleet_table(tmp_path: Path) -> Path:
    """Return a table of sixty instruments with four calibrations each."""
    path = tmp_path / "fleet.csv"
    path.write_text("\n".join([HEADER, *fleet_rows(60, 4, seed=11)]) + "\n", encoding="utf-8")
    return path
