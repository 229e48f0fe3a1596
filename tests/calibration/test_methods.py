"""Intervals by several methods on one history: each against arithmetic, and what cannot be used is said."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import fit_history
from evenbeat.calibration.methods import MethodComparison, compare_methods
from evenbeat.errors import InputError
from evenbeat.figures.dispatch import plot

DAY = 86400.0
COLUMNS = ["date", "as_found", "as_left", "standard_uncertainty", "adjusted"]
ROWS = [
    ("2020-01-01", "", 0.0, 1e-9, "yes"),
    ("2020-12-31", 5.2e-8, 0.0, 1e-9, "yes"),
    ("2021-12-31", 3.9e-8, 0.0, 1e-9, "yes"),
    ("2022-12-31", 3.4e-8, 0.0, 1e-9, "yes"),
]


def history(**columns: list[object]) -> CalibrationHistory:
    """Return the history of the rows."""
    return CalibrationHistory.from_table(pd.DataFrame(ROWS, columns=COLUMNS).assign(**columns))


def read(rows: list[tuple[object, ...]]) -> CalibrationHistory:
    """Return the history of these rows."""
    return CalibrationHistory.from_table(pd.DataFrame(rows, columns=COLUMNS))


def by_name(comparison: MethodComparison) -> dict[str, float]:
    """Return the interval of each method in days."""
    return {one.method: one.interval_s / DAY for one in comparison.methods}


def test_each_method_by_its_arithmetic() -> None:
    """Staircase 365·1.1·1.1·(1-b), chart 1e-7 over its upper limit 6.561e-8, 2 of 3 found in."""
    made = compare_methods(history(), tolerance=5e-8)
    days = by_name(made)
    assert days["staircase"] == pytest.approx(365 * (1 - 0.8365) * 1.1 * 1.1, rel=4e-4)
    assert days["control chart"] == pytest.approx(365 * 5e-8 / 6.561e-8, rel=1e-3)
    assert days["share found in"] == pytest.approx(365)
    model = fit_history(history(), tolerance=5e-8)
    assert days["drift and walk"] == pytest.approx(model.interval_s(5e-8) / DAY)
    assert days["reliability model"] < 365
    assert math.isnan(days["in-use time"])
    assert "the table has no in_use_hours" in str(made)
    low, high = made.spread
    assert low < high
    assert max(map(len, str(made).splitlines())) <= 80
    assert json.dumps(made.to_dict(), allow_nan=False)
    assert len(plot(made).get_yticks()) == len(made.methods)


@pytest.mark.grid(4)
@pytest.mark.parametrize("inside", [0, 5, 6, 9])
def test_an_interval_lies_within_its_own_band(inside: int) -> None:
    """So many of nine found in: one that is kept, as scipy.stats.binomtest sees no difference, has none."""
    days = pd.date_range("2010-01-01", periods=10, freq="365D").strftime("%Y-%m-%d")
    states = ["in", *["in"] * inside, *["out"] * (9 - inside)]
    rows = [(day, state, 0.0, 1e-9, "yes") for day, state in zip(days, states, strict=True)]

    made = compare_methods(read(rows), tolerance=5e-8, reliability=0.9)

    one = next(each for each in made.methods if each.method == "share found in")
    differs = stats.binomtest(inside, 9, 0.9, "less").pvalue < 0.025
    assert math.isnan(one.low_s) != differs
    if differs:
        assert one.interval_s == pytest.approx(expected(inside / 9))
        assert one.low_s <= one.interval_s <= one.high_s
    else:
        assert one.interval_s == 365 * DAY


def expected(share: float) -> float:
    """Return the year after which this share was found in, made one for 0.9 by an exponential law."""
    return 365 * DAY * math.log(0.9) / math.log(share) if share else 0.0


def test_in_use_time_follows_the_meter() -> None:
    """A clock that ages by 4e-11 an hour of use, used ever less: by use the interval is longer now."""
    rows = [
        (date, found, 0.0, 1e-9, "yes")
        for (date, *_), found in zip(ROWS, ("", 8e-8, 4e-8, 2e-8), strict=True)
    ]
    frame = pd.DataFrame(rows, columns=COLUMNS).assign(in_use_hours=["0", "2000", "3000", "3500"])
    used = by_name(compare_methods(CalibrationHistory.from_table(frame), tolerance=2e-7))
    # 2e-7 / 4e-11 per hour = 5000 h less what is not sure, at 3500 h in three years
    assert used["in-use time"] == pytest.approx(5000 / 3500 * 1095, rel=0.25)


def test_nothing_found_out_gives_no_reliability_model() -> None:
    """What cannot be used says why; states by another tolerance are left out by row."""
    made = compare_methods(history(), tolerance=1e-6)
    assert math.isnan(by_name(made)["reliability model"])
    assert "nothing was found out of tolerance" in str(made)
    frame = pd.DataFrame([*ROWS, ("2023-12-31", "in", 0.0, 1e-9, "yes")], columns=COLUMNS)
    other = CalibrationHistory.from_table(frame.assign(tolerance=["", "", "", "", "1e-6"]))
    left = compare_methods(other, tolerance=5e-8)
    finding = next(f for f in left.findings if f.code == "STATE_LEFT_OUT")
    assert "Row 5 was found 'in' by ±1e-06, not by ±5e-08" in finding.sentence


def test_too_little_is_refused() -> None:
    """One calibration has no interval."""
    with pytest.raises(InputError, match="at least two are needed to compare methods"):
        compare_methods(
            CalibrationHistory.from_table(pd.DataFrame(ROWS[:1], columns=COLUMNS)), tolerance=1e-7
        )


def test_unknown_as_left_leaves_the_drift_method_out() -> None:
    """An adjustment to nobody knows what has no forecast; other methods go on."""
    rows = [*ROWS[:3], ("2022-12-31", 3.4e-8, "", 1e-9, "yes")]
    days = by_name(
        compare_methods(CalibrationHistory.from_table(pd.DataFrame(rows, columns=COLUMNS)), tolerance=1e-7)
    )
    assert math.isnan(days["drift and walk"])
    assert np.isfinite(days["control chart"])
