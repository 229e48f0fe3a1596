"""Coverage of the clock model on the panel of ``real_clocks.py``, in a few runs.

The panel as a whole, with the verdict of every clock, is a script: see there.
"""

from __future__ import annotations

import numpy as np
import pytest
from real_clocks import PANEL, one_run, page, shares


def tried(name: str, runs: int) -> dict[str, float]:
    """Return the shares of one clock, on seeds that the page does not use."""
    (place,) = (k for k, clock in enumerate(PANEL) if clock.name == name)
    rows = shares(one_run(place, 50_000 + run) for run in range(runs))
    assert name in page(rows)
    return rows.iloc[0].to_dict()


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_drift_that_changed_once_is_covered() -> None:
    """Shares of .42 for the rate and .76 a record ahead are what a model without wandering drift gave."""
    found = tried("drift changes once, 200", 10)
    assert found["95 % rate"] >= 0.8
    assert found["95 % 1"] >= 0.8


@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("name", ["white FM, 60", "flicker FM, 100", "random-walk FM, 100"])
def test_intervals_hold_in_a_few_runs(name: str) -> None:
    """Forty clocks: at least 80 % covered (binomial 1e-3 limit of a true 94 %)."""
    found = tried(name, 40)
    assert np.min([found[f"95 % {each}"] for each in ("rate", "0.1", "0.5", "1")]) >= 0.8
