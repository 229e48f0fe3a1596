"""The filter along a history against dense algebra: shared readings, wandering drift, a yearly course."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb
from evenbeat.calibration import history_posterior
from evenbeat.calibration.history_model import HistoryModel
from evenbeat.calibration.history_posterior import DriftPrior
from evenbeat.units import SECONDS_PER_YEAR

STILL = DriftPrior(name="still", drift_per_year=1e-7, walk_per_root_year=1e-16)
U = 3e-9


def history(days: list[int], found: list[float], left: list[float] | None = None) -> eb.CalibrationHistory:
    """Return a history; without ``left`` nothing was adjusted."""
    frame = pd.DataFrame(
        {
            "date": [str(dt.date(2015, 1, 1) + dt.timedelta(days=day)) for day in days],
            "as_found": found,
            "as_left": found if left is None else left,
            "standard_uncertainty": U,
            "adjusted": "no" if left is None else "yes",
        }
    )
    return eb.CalibrationHistory.from_table(frame)


def dense(
    days: list[int], found: list[float], covariance: np.ndarray | float, ahead: float
) -> tuple[float, float]:
    """Return mean and variance of the offset ``ahead`` years later: one normal vector of readings and offset.

    Beforehand the first offset is free, the drift N(0, (1e-7)²); ``covariance`` is that of the offsets
    beside.
    """
    years = np.array([*days, days[-1] + 365.25 * ahead]) / 365.25
    years = years - years[0]
    prior = 1e-11 * np.ones((len(years),) * 2) + 1e-14 * np.outer(years, years) + covariance
    readings = prior[:-1, :-1] + U**2 * np.eye(len(days))
    gain = np.linalg.solve(readings, prior[:-1, -1])
    return float(gain @ np.array(found)), float(prior[-1, -1] - gain @ prior[:-1, -1])


DAYS = [0, 200, 410, 800, 1100, 1400]
FOUND = [0.0, 1.1e-8, 2.0e-8, 3.7e-8, 5.2e-8, 6.9e-8]


def test_neighbours_that_share_a_reading_are_correlated() -> None:
    """Nothing adjusted: the offset a year on is that of a straight line through all readings."""
    model = eb.fit_history(history(DAYS, FOUND), oscillator_class=STILL, drift_law="constant")
    offset = model.offset(SECONDS_PER_YEAR)
    mean, variance = dense(DAYS, FOUND, 0.0, 1.0)

    assert offset.mean[0] == pytest.approx(mean, rel=1e-4)
    assert offset.standard_deviation[0] == pytest.approx(math.sqrt(variance), rel=1e-3)
    line = np.polyfit(np.array(DAYS) / 365.25, FOUND, 1)
    assert model.drift_per_year.value == pytest.approx(line[0], rel=1e-2)


def test_adjusted_increments_are_independent() -> None:
    """Each begins with a reading of its own: the drift is the weighted mean of the rates (textbook)."""
    days, found = [0, 365, 731, 1096], [0.0, 4e-8, 4.4e-8, 4.1e-8]
    made = history(days, found, [0.0] * 4)
    model = eb.fit_history(made, oscillator_class=STILL, drift_law="constant")
    years = np.diff(days) / 365.25
    weights = years**2 / (2 * U**2)
    precision = weights.sum() + 1e14

    expected = float((weights * np.array(found[1:]) / years).sum() / precision)
    assert model.drift_per_year.value == pytest.approx(expected, rel=1e-4)
    assert model.drift_per_year.standard_uncertainty == pytest.approx(precision**-0.5, rel=1e-3)


def only(model: HistoryModel, chosen: np.ndarray) -> eb.Estimate:
    """Return the offset a year on from some points of the posterior."""
    found = model.posterior
    middle, variance = found.forecast(np.array([[1.0]]))
    weight = np.where(chosen, found.weight[0], 0.0)
    weight = weight / weight.sum()
    mean = float(weight @ middle[0])
    return eb.Estimate.normal(mean, math.sqrt(float(weight @ (variance[0] + (middle[0] - mean) ** 2))))


def test_a_drift_that_wanders(monkeypatch: pytest.MonkeyPatch) -> None:
    """One size of wander: the integrated random walk of dense algebra, to the forecast a year on."""
    monkeypatch.setattr(history_posterior, "WANDERS", (0.3,))
    model = eb.fit_history(history(DAYS, FOUND), oscillator_class=STILL, drift_law="wandering")
    size = float(model.posterior.wander[0, 0])
    years = np.array([*DAYS, DAYS[-1] + 365.25]) / 365.25
    low, high = np.minimum.outer(years, years), np.maximum.outer(years, years)
    mean, variance = dense(DAYS, FOUND, size**2 * low**2 * (3 * high - low) / 6, 1.0)
    offset = model.offset(SECONDS_PER_YEAR)

    assert size > 0
    assert offset.mean[0] == pytest.approx(mean, rel=1e-4)
    assert offset.standard_deviation[0] == pytest.approx(math.sqrt(variance), rel=1e-3)


def test_a_yearly_course(monkeypatch: pytest.MonkeyPatch) -> None:
    """One size of swing: sine and cosine of dense algebra, to the forecast half a year on and a year on."""
    monkeypatch.setattr(history_posterior, "SWINGS", (0.3,))
    turned = 2 * np.pi * np.array(DAYS) / 365.25
    found = (np.array(FOUND) + 2e-8 * np.sin(turned)).tolist()
    model = eb.fit_history(history(DAYS, found), oscillator_class=STILL)
    swings = model.posterior.covariance[2, 2, 0] > 0
    steps = np.diff(found)
    unit = math.sqrt(float(np.mean(steps**2 + 2 * U**2)))
    turned = 2 * np.pi * np.array([*DAYS, DAYS[-1] + 365.25]) / 365.25
    course = (0.3 * unit) ** 2 * np.cos(np.subtract.outer(turned, turned))
    mean, variance = dense(DAYS, found, course, 1.0)
    offset = only(model, swings)

    assert swings.any()
    assert offset.value == pytest.approx(mean, rel=1e-3)
    assert offset.standard_uncertainty == pytest.approx(math.sqrt(variance), rel=2e-2)


@pytest.mark.slow
def test_thousands_of_daily_readings_know_their_drift() -> None:
    """Readings of 3e-9 on a walk of 3e-10 a day: the drift comes out as well as its walk allows.

    With neighbours taken as independent 20 000 of them knew it forty times worse.
    """
    generator = np.random.default_rng(1)
    count = 4000
    course = np.cumsum(generator.normal(3e-11, 3e-10, count))
    values = (course + generator.normal(0, U, count)).tolist()
    made = history(list(range(count)), values)
    model = eb.fit_history(made, oscillator_class="oven", drift_law="constant")
    expected = 3e-10 * math.sqrt(365.25) / math.sqrt(count / 365.25)

    assert model.drift_per_year.standard_uncertainty == pytest.approx(expected, rel=0.25)
    assert abs(model.drift_per_year.value - 365.25 * 3e-11) < 3 * expected
    assert model.walk_per_root_year == pytest.approx(3e-10 * math.sqrt(365.25), rel=0.25)


def line(*, wrong: int, value: float | None = None, adjusted: bool = False) -> eb.CalibrationHistory:
    """Return eight calibrations on a line, one of them of the wrong sign or another value."""
    found = [1e-8 * (k + 1) for k in range(8)] if not adjusted else [4e-8] * 8
    found[wrong] = -found[wrong] if value is None else value
    return history([365 * k for k in range(8)], found, [0.0] * 8 if adjusted else None)


@pytest.mark.parametrize("adjusted", [False, True])
@pytest.mark.parametrize("wrong", [3, 4, 6])
def test_a_sign_typed_wrongly_is_named(wrong: int, *, adjusted: bool) -> None:
    """The row is named with its probability and what would fit; the interval is nearly that without it."""
    made = line(wrong=wrong, adjusted=adjusted)
    model = eb.fit_history(made, oscillator_class="oven")
    good = 4e-8 if adjusted else 1e-8 * (wrong + 1)
    right = eb.fit_history(line(wrong=wrong, value=good, adjusted=adjusted), oscillator_class="oven")
    (finding,) = [one for one in model.findings if one.code == "READING_DOUBTED"]

    assert f"Row {wrong + 1} ({made.date_of(made.points[wrong])})" in finding.sentence
    assert "with the opposite sign it would" in finding.sentence
    assert finding.severity == "caution"
    assert finding.to_dict()["values"]["probability"] > 0.9
    assert model.interval_s(2e-7) > 0.6 * right.interval_s(2e-7)
    assert "READING_DOUBTED" not in {one.code for one in right.findings}


def test_a_jump_at_the_end_may_be_a_mistake_or_not() -> None:
    """The last value off by ten times its uncertainty: where the clock is now is in doubt, and it is said."""
    model = eb.fit_history(line(wrong=7, value=1.4e-7), oscillator_class="oven")
    clean = eb.fit_history(line(wrong=7, value=8e-8), oscillator_class="oven")

    assert next(iter(model.mistaken_readings)) == "row 8"
    now, then = (one.offset(0.0) for one in (model, clean))
    assert now.standard_deviation[0] > 2 * then.standard_deviation[0]


def test_three_calibrations_name_nobody() -> None:
    """Too few to tell which of them is wrong."""
    model = eb.fit_history(history([0, 365, 730], [0.0, 1e-8, -2e-8]), oscillator_class="oven")

    assert not model.mistaken_readings


def test_calibrations_of_one_season_cannot_show_a_yearly_course() -> None:
    """Always in January: it is said, unless something is allowed for it; else it is weighed."""
    january = eb.fit_history(history([365 * k for k in range(7)], [1e-8 * k for k in range(7)]))
    all_year = eb.fit_history(history([240 * k for k in range(7)], [1e-8 * k for k in range(7)]))

    def said(model: HistoryModel, **options: float) -> bool:
        made = eb.suggest_interval(model, tolerance=1e-7, **options)
        return "SEASON_UNSEEN" in {finding.code for finding in made.findings}

    assert said(january)
    assert not said(january, environment_uncertainty=1e-8)
    assert not said(all_year)
    assert math.isnan(january.seasonal_share)
    assert 0 <= all_year.seasonal_share <= 1


def test_a_setpoint_never_lies_on_the_limit() -> None:
    """Of an adjustment without a stated uncertainty a hundredth of half the tolerance is held back."""
    model = eb.fit_history(history([365 * k for k in range(7)], [2e-8 * k for k in range(7)]))
    made = eb.suggest_setpoint(model, tolerance=1e-7)

    assert 0.5e-7 < abs(made.as_left) <= 0.99e-7
