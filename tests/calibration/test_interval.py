"""The interval search against worked values, and the interval of a simulated clock."""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from evenbeat.calibration.interval import suggest_interval
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.forecast import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate, StudentMixture

DAY = 86400.0


@dataclass(frozen=True)
class _Length:
    duration_s: float = 0.0
    length_s: float = DAY


@dataclass(frozen=True)
class _KnownClock:
    """A clock whose offset is a known normal distribution: the physical model of the worked example."""

    offset_uncertainty: float = 5e-9
    rate: float = 1.5e-10
    rate_uncertainty: float = 3e-11
    walk_per_day: float = 0.0
    floor: float = 2e-9
    record = _Length(duration_s=2000 * DAY)
    blocks = _Length()

    def frequency_change_at(self, times: np.ndarray) -> Forecast:
        days = (times - self.record.duration_s) / DAY
        variance = days**2 * self.rate_uncertainty**2 + self.walk_per_day**2 * days + self.floor**2
        return Forecast(
            quantity="frequency_change",
            times_s=times,
            horizon_s=days * DAY,
            distribution=StudentMixture.normal(self.rate * days, np.sqrt(variance)),
        )


# Worked values of the physical model y_L + D T with tolerance 1e-7, y_L = 1(0.5)e-8, D = 1.5(0.3)e-10 per
# day, floor 2e-9, with and without random walk of 2e-10 per √day; computed for the project by bisection on
# the normal distribution (no published source); the guard band is the next calibration's U of 1e-8.
@pytest.mark.parametrize(
    ("reliability", "walk", "as_left", "guard_band", "days"),
    [
        (0.90, 0.0, 1e-8, 0.0, 470.84),
        (0.95, 0.0, 1e-8, 0.0, 442.81),
        (0.99, 0.0, 1e-8, 0.0, 397.20),
        (0.90, 2e-10, 1e-8, 0.0, 466.64),
        (0.95, 2e-10, 1e-8, 0.0, 437.74),
        (0.99, 2e-10, 1e-8, 0.0, 390.75),
        (0.95, 2e-10, 0.0, 0.0, 488.67),
        (0.95, 2e-10, 1e-8, 1e-8, 386.62),
        (0.95, 2e-10, -9.11e-8, 0.0, 949.1),
    ],
)
def test_worked_values(
    reliability: float, walk: float, as_left: float, guard_band: float, days: float
) -> None:
    """Interval in days to the printed digits, allowing for the grid of the search (0.1 %)."""
    suggestion = suggest_interval(
        _KnownClock(walk_per_day=walk),  # type: ignore[arg-type]
        tolerance=1e-7,
        reliability=reliability,
        guard_band=guard_band,
        as_left=Estimate.normal(as_left, 5e-9),
    )
    assert suggestion.limited_by == "tolerance"
    assert suggestion.interval_s / DAY == pytest.approx(days, rel=1e-3)


@pytest.fixture(scope="module")
def model() -> ClockModel:
    """Return 100 days of a clock at 2e-9 that ages by 2e-11 per day."""
    record = simulate_clock(
        2400,
        interval_s=3600.0,
        levels=NoiseLevels(white_fm=1e-22, flicker_fm=1e-25),
        seed=4,
        aging=lambda t: 2e-11 * t / DAY,
    )
    return fit_clock(record, aging="linear")


def test_probability_is_the_reliability_at_the_interval(model: ClockModel) -> None:
    """The suggestion is the largest time at which the stated probability still holds."""
    suggestion = suggest_interval(model, tolerance=3e-9)
    at_end = model.frequency_at(model.record.duration_s + suggestion.interval_s)
    assert suggestion.limited_by == "tolerance"
    assert at_end.probability_within(3e-9)[0] == pytest.approx(0.95, abs=0.01)
    assert suggestion.interval_s / DAY == pytest.approx(50, abs=2)  # (3e-9 - 2e-9) / 2e-11 per day


def test_evidence_ends_with_the_record(model: ClockModel) -> None:
    """A wide tolerance gives the record's length and names the extrapolation as untested."""
    suggestion = suggest_interval(model, tolerance=1e-8)
    assert suggestion.limited_by == "record length"
    assert suggestion.interval_s == model.record.duration_s
    assert suggestion.extrapolated_interval_s / DAY == pytest.approx(400, rel=0.05)
    assert "untested" in suggestion.reason
    assert "at least" in repr(suggestion)


def test_no_recommendation_out_of_tolerance(model: ClockModel) -> None:
    """An offset already outside gives NaN and the reason, not a number."""
    suggestion = suggest_interval(model, tolerance=1e-9)
    assert math.isnan(suggestion.interval_s)
    assert suggestion.limited_by == "start"
    assert "no recommendation because" in repr(suggestion)
    assert suggestion.to_dict()["interval_s"] is None


def test_reference_uncertainty_shortens_the_interval(model: ClockModel) -> None:
    """What is not known of the reference is not known of the clock."""
    exact = suggest_interval(model, tolerance=3e-9)
    doubtful = suggest_interval(model, tolerance=3e-9, reference_uncertainty=2e-10)
    assert doubtful.interval_s < 0.8 * exact.interval_s
    assert "REFERENCE_EXACT" in {finding.code for finding in exact.findings}
    assert "REFERENCE_EXACT" not in {finding.code for finding in doubtful.findings}


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"tolerance": -1e-8}, "tolerance is -1e-08; it must be a positive"),
        ({"tolerance": float("nan")}, "tolerance is nan"),
        ({"tolerance": 1e-8, "guard_band": 2e-8}, "guard_band is 2e-08; it must be at least zero and below"),
        ({"tolerance": 1e-8, "reliability": 1.0}, "reliability is 1.0; it must lie between 0 and 1"),
        ({"tolerance": 1e-8, "reference_uncertainty": -1.0}, "reference_uncertainty is -1"),
    ],
)
def test_impossible_questions_are_refused(model: ClockModel, options: dict, sentence: str) -> None:
    """Each sentence names the argument and what would be accepted."""
    with pytest.raises(InputError, match=sentence):
        suggest_interval(model, **options)
