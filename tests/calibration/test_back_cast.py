"""When an offset left its tolerance, given both ends: worked value, closed forms, and affected results."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from evenbeat.calibration.back_cast import DatedResult, back_cast, linear_crossing
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import fit_history
from evenbeat.calibration.history_posterior import DriftPrior
from evenbeat.calibration.stated_drift import StatedDrift
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.fit import fit_clock
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate

DAY = 86400.0
LINE = StatedDrift(drift_rate=Estimate.normal(0.0, 1e-9 / DAY))
WALK = StatedDrift(drift_rate=Estimate.normal(0.0, 0.0), walk_variance_per_second=(1e-8) ** 2 / DAY)
ZERO = Estimate.normal(0.0, 0.0)
FOUND = Estimate.normal(1.3e-7, 1e-12)
YEAR = {"as_left": ZERO, "as_found": FOUND, "elapsed_s": 365 * DAY}


def test_worked_linear_crossing() -> None:
    """Found 1.3e-7 after 365 d from zero, limit 1e-7: day 365/1.3 = 280.8 (by hand)."""
    made = back_cast(LINE, tolerance=1e-7, **YEAR)
    assert made.linear_crossing_s / DAY == pytest.approx(280.8, abs=0.05)
    assert made.crossing_s / DAY == pytest.approx(280.77, abs=0.15)
    assert made.crossing_high_s - made.crossing_low_s < 0.5 * DAY
    assert "day 280.8" in repr(made)


@pytest.mark.slow
def test_a_pure_walk_crosses_anywhere() -> None:
    """First passage of a Brownian bridge: density by the inverse-Gaussian law with the end given (scipy)."""
    made = back_cast(WALK, tolerance=(-1.0, 1e-7), paths=6000, seed=2, **YEAR)
    level, end, total, rate = 1e-7, 1.3e-7, 365.0, 1e-8

    def density(t: float) -> float:
        passage = level / math.sqrt(2 * math.pi * rate**2 * t**3) * math.exp(-(level**2) / (2 * rate**2 * t))
        after = stats.norm.pdf(end - level, scale=rate * math.sqrt(total - t))
        return passage * after / stats.norm.pdf(end, scale=rate * math.sqrt(total))

    for days in (60.0, 120.0, 240.0):
        exact = integrate.quad(density, 1e-6, days, limit=400)[0]
        assert np.interp(days * DAY, made.elapsed_s, made.left) == pytest.approx(exact, abs=0.02)
    assert made.crossing_high_s - made.crossing_low_s > 200 * DAY
    assert made.left_by_found == pytest.approx(1.0, abs=1e-6)


def test_state_in_between_is_a_brownian_bridge() -> None:
    """At 100 of 365 d: mean 100/365 of the change, variance q t(T - t)/T (textbook), P(out) from both."""
    made = back_cast(WALK, tolerance=1e-7, results=(_result(100.0, 5e-8),), **YEAR)
    at = int(np.argmin(np.abs(made.elapsed_s - 100 * DAY)))
    law = stats.norm(1.3e-7 * 100 / 365, 1e-8 * math.sqrt(100 * 265 / 365))
    assert made.middle[at] == pytest.approx(law.mean(), abs=4e-9)
    assert made.out[at] == pytest.approx(law.sf(1e-7) + law.cdf(-1e-7), abs=1e-6)
    assert made.results[0].probability_outside == pytest.approx(law.sf(5e-8) + law.cdf(-5e-8), abs=1e-6)


def _result(days: float, tolerance: float, deviation: float = 0.0) -> DatedResult:
    return DatedResult(
        elapsed_s=days * DAY, tolerance=Tolerance.of(tolerance), deviation=deviation, name=f"day {days}"
    )


def test_results_are_affected_possibly_or_not() -> None:
    """A straight course: 5e-8 is passed on day 140, so results before and after it are told apart."""
    results = (_result(100, 5e-8), _result(200, 5e-8), _result(360, 1e-6), _result(200, 1e-7, 6e-8))
    made = back_cast(LINE, tolerance=1e-7, results=results, paths=500, **YEAR)
    assert [one.affected for one in made.results] == ["not affected", "affected", "not affected", "affected"]
    # reported 1.2e-7, out of ±1e-7, on a counter that was fast by 7.1e-8: it was out all the more
    out = back_cast(LINE, tolerance=1e-7, results=(_result(200, 1e-7, 1.2e-7),), paths=500, **YEAR)
    assert out.results[0].affected == "not affected"
    # reported -1.2e-7: corrected it is -5e-8, so the statement was wrong
    wrong = back_cast(LINE, tolerance=1e-7, results=(_result(200, 1e-7, -1.2e-7),), paths=500, **YEAR)
    assert wrong.results[0].affected == "affected"
    assert list(made.results_frame()["affected"]) == [one.affected for one in made.results]


def test_table_of_results() -> None:
    """Dates count from the last known-good value; bad rows are named."""
    table = pd.DataFrame(
        {"date": ["2025-02-01", "2025-12-01"], "tolerance": [1e-6, 2e-8], "name": ["gauge", "watch"]}
    )
    made = back_cast(WALK, tolerance=1e-7, start="2025-01-01", results=table, **YEAR)
    assert made.results[0].result.elapsed_s == 31 * DAY
    assert "watch" in str(made)
    assert max(map(len, str(made).splitlines())) <= 80
    assert json.dumps(made.to_dict(), allow_nan=False)
    assert any("decide on recall" in line for line in made.advice)
    for changed, words in (
        ({"date": ["2024-01-01", "2025-12-01"]}, "row 1: 2024-01-01 is not between"),
        ({"date": ["soon", "2025-12-01"]}, "row 1: date is 'soon'"),
        ({"tolerance": [1e-6, ""]}, "row 2: no tolerance"),
        ({"tolerance": [1e-6, "narrow"]}, "row 2: tolerance is 'narrow'"),
    ):
        with pytest.raises(InputError, match=words):
            back_cast(WALK, tolerance=1e-7, start="2025-01-01", results=table.assign(**changed), **YEAR)
    with pytest.raises(InputError, match="state start"):
        back_cast(WALK, tolerance=1e-7, results=table, **YEAR)


HISTORY = pd.DataFrame(
    [
        ("2022-01-01", "", 0.0, 3e-9, "yes"),
        ("2023-01-01", 5.2e-8, 0.0, 3e-9, "yes"),
        ("2024-01-01", 4.1e-8, 0.0, 3e-9, "yes"),
        ("2025-01-01", 1.3e-7, 0.0, 3e-9, "yes"),
    ],
    columns=["date", "as_found", "as_left", "standard_uncertainty", "adjusted"],
)


@pytest.mark.slow
def test_from_a_history() -> None:
    """The last two calibrations are the ends; the walk learnt from all of them spreads the day."""
    history = CalibrationHistory.from_table(HISTORY)
    made = back_cast(history, tolerance=1e-7, paths=1000)
    assert made.elapsed_to_found_s == 366 * DAY
    assert made.linear_crossing_s == pytest.approx(366 / 1.3 * DAY)
    assert made.crossing_low_s < made.linear_crossing_s < made.crossing_high_s
    assert made.date_after(0.0) == "2024-01-01"
    again = back_cast(fit_history(history), tolerance=1e-7, paths=1000)
    assert np.array_equal(again.left, made.left)
    with pytest.raises(InputError, match="as_found and elapsed_s must be stated"):
        back_cast(_only_one(), tolerance=1e-7)


def _only_one() -> object:
    from dataclasses import replace

    model = fit_history(CalibrationHistory.from_table(HISTORY))
    return replace(model, history=(CalibrationHistory.from_table(HISTORY.head(1)),))


@pytest.mark.slow
def test_covers_the_day_of_simulated_instruments() -> None:
    """150 walks with drift drawn from the prior: the 95 % band of the day holds the true first crossing.

    At least as often as it says, within three standard deviations of so many draws, and in a band that says
    something: a third of the year on average.
    """
    generator = np.random.default_rng(11)
    prior = DriftPrior(name="simulated", drift_per_year=1e-7, walk_per_root_year=3e-8)
    drift = StatedDrift(
        drift_rate=Estimate.normal(0.0, prior.drift_per_year / (365 * DAY)),
        walk_variance_per_second=(3e-8) ** 2 / (365 * DAY),
    )
    held, width_d = [], []
    while len(held) < 150:
        steps = 3650
        path = np.cumsum(
            generator.normal(0, 1e-7) / steps + 3e-8 / math.sqrt(steps) * generator.standard_normal(steps)
        )
        if abs(path[-1]) < 1e-7:
            continue
        first = (int(np.argmax(np.abs(path) > 1e-7)) + 1) / 10 * DAY
        made = back_cast(
            drift,
            tolerance=1e-7,
            as_left=ZERO,
            as_found=Estimate.normal(float(path[-1]), 1e-10),
            elapsed_s=365 * DAY,
            paths=400,
        )
        held.append(made.crossing_low_s - 2 * DAY <= first <= made.crossing_high_s + 2 * DAY)
        width_d.append((made.crossing_high_s - made.crossing_low_s) / DAY)
    assert np.mean(held) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 150)
    assert np.mean(width_d) < 150


def test_from_a_clock_model() -> None:
    """A log gives drift and noise: the day between both ends follows the straight line."""
    record = simulate_clock(
        120, interval_s=DAY, levels=NoiseLevels(white_fm=1e-20), seed=3, aging=lambda t: 1e-10 * t / DAY
    )
    model = fit_clock(record, aging="linear", most_blocks=40)
    made = back_cast(
        model,
        tolerance=1e-8,
        as_left=Estimate.normal(0.0, 1e-10),
        as_found=Estimate.normal(1.2e-8, 1e-10),
        elapsed_s=120 * DAY,
        paths=500,
    )
    assert made.crossing_s / DAY == pytest.approx(100, abs=4)


def test_ends_that_do_not_fit_are_said() -> None:
    """Within after all, perhaps within, out from the start, and missing ends."""
    within = back_cast(LINE, tolerance=1e-7, paths=500, **YEAR | {"as_found": Estimate.normal(5e-8, 1e-9)})
    assert math.isnan(within.crossing_s)
    assert "FOUND_WITHIN" in {f.code for f in within.findings}
    assert "probability of having left" in repr(within)
    doubtful = YEAR | {"as_found": Estimate.normal(1.01e-7, 1e-9)}
    perhaps = back_cast(LINE, tolerance=1e-7, paths=500, **doubtful)
    assert "FOUND_DOUBTFUL" in {f.code for f in perhaps.findings}
    before = back_cast(LINE, tolerance=1e-7, paths=500, **YEAR | {"as_left": Estimate.normal(1.1e-7, 1e-9)})
    assert "START_OUT" in {f.code for f in before.findings}
    with pytest.raises(InputError, match="as_left and as_found and elapsed_s must be stated"):
        back_cast(LINE, tolerance=1e-7)
    with pytest.raises(InputError, match="elapsed_s is -1"):
        back_cast(LINE, tolerance=1e-7, as_left=ZERO, as_found=FOUND, elapsed_s=-1.0)


def test_asymmetric_crossing() -> None:
    """Each side has its own limit (by hand)."""
    limits = Tolerance.of((-5e-8, 1e-7))
    assert linear_crossing(limits, 0.0, -1e-7, 100.0) == pytest.approx(50.0)
    assert linear_crossing(limits, 0.0, 2e-7, 100.0) == pytest.approx(50.0)
    assert math.isnan(linear_crossing(limits, 0.0, 5e-8, 100.0))
    assert linear_crossing(limits, -1e-7, 0.0, 100.0) == 0.0
