"""The interval search against worked values, and the interval of a simulated clock."""

import datetime as dt
import json
import math

import numpy as np
import pytest
from scipy import integrate, stats

from evenbeat.calibration.history import CalibrationHistory, HistoryPoint
from evenbeat.calibration.history_model import fit_history
from evenbeat.calibration.interval import suggest_interval, whole_units
from evenbeat.calibration.stated_drift import StatedDrift
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate

DAY = 86400.0


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
    """Interval in days to the printed digits."""
    drift = StatedDrift(
        drift_rate=Estimate.normal(1.5e-10 / DAY, 3e-11 / DAY),
        walk_variance_per_second=walk**2 / DAY,
        floor=2e-9,
    )
    suggestion = suggest_interval(
        drift,
        tolerance=1e-7,
        reliability=reliability,
        guard_band=guard_band,
        as_left=Estimate.normal(as_left, 5e-9),
    )
    assert suggestion.limited_by == "tolerance"
    assert suggestion.interval_s / DAY == pytest.approx(days, abs=0.05 if days > 900 else 0.011)


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
    return fit_clock(record, aging="linear", most_blocks=60)


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


WALK = StatedDrift(drift_rate=Estimate.normal(0.0, 0.0), walk_variance_per_second=1e-20 / DAY)
RATE = Estimate.normal(1.5e-10 / DAY, 3e-11 / DAY)
WORKED = StatedDrift(drift_rate=RATE, walk_variance_per_second=(2e-10) ** 2 / DAY, floor=2e-9)
LEFT = Estimate.normal(1e-8, 5e-9)


@pytest.mark.slow
def test_never_left_of_a_pure_walk() -> None:
    """Reflection principle: the first-passage interval is 0.7646 of the pointwise one (closed form)."""
    pointwise = suggest_interval(WALK, tolerance=1e-9)
    passage = suggest_interval(WALK, tolerance=1e-9, meaning="never_left", paths=20_000, seed=3)
    assert pointwise.interval_s / DAY == pytest.approx((1e-9 / stats.norm.ppf(0.975) / 1e-10) ** 2, rel=1e-4)
    assert passage.interval_s / pointwise.interval_s == pytest.approx(0.7646, abs=0.012)
    assert passage.never_left is not None
    at = np.interp(pointwise.interval_s, passage.never_left.elapsed_s, passage.never_left.probability)
    assert at == pytest.approx(0.9000, abs=0.005)
    assert "never having left" in repr(passage)
    assert set(passage.uncapped_interval_s) == {"end_of_period", "average_over_period", "never_left"}
    few = {"tolerance": 1e-9, "meaning": "never_left", "paths": 500, "seed": 3}
    assert suggest_interval(WALK, **few).interval_s == suggest_interval(WALK, **few).interval_s


def test_average_over_the_period() -> None:
    """The mean of P(within) from zero to the interval is the reliability, by scipy's quadrature."""
    suggestion = suggest_interval(WORKED, tolerance=1e-7, as_left=LEFT, meaning="average_over_period")

    def within(days: float) -> float:
        deviation = math.sqrt(5e-9**2 + (3e-11 * days) ** 2 + (2e-10) ** 2 * days + 2e-9**2)
        law = stats.norm(1e-8 + 1.5e-10 * days, deviation)
        return float(law.cdf(1e-7) - law.cdf(-1e-7))

    days = suggestion.interval_s / DAY
    assert integrate.quad(within, 0, days, limit=200)[0] / days == pytest.approx(0.95, abs=2e-5)
    assert days > 437.74


def test_asymmetric_tolerance() -> None:
    """Only the upper limit matters to a drift upwards; mirrored drift and limits give the same interval."""
    both = suggest_interval(WORKED, tolerance=1e-7, as_left=LEFT)
    upper = suggest_interval(WORKED, tolerance=(-5e-8, 1e-7), as_left=LEFT)
    lower = suggest_interval(WORKED, tolerance=(-1e-7, 5e-8), as_left=LEFT)
    mirrored = StatedDrift(
        drift_rate=Estimate.normal(-1.5e-10 / DAY, 3e-11 / DAY),
        walk_variance_per_second=WORKED.walk_variance_per_second,
        floor=2e-9,
    )
    other = suggest_interval(mirrored, tolerance=(-5e-8, 1e-7), as_left=Estimate.normal(-1e-8, 5e-9))
    assert upper.interval_s == pytest.approx(both.interval_s, rel=1e-6)
    assert lower.interval_s < 0.6 * both.interval_s
    assert other.interval_s == pytest.approx(lower.interval_s, rel=1e-9)
    assert "-5e-08 to +1e-07" in repr(upper)
    assert upper.to_dict()["tolerance"] == {"lower": -5e-8, "upper": 1e-7}


def test_environment_and_transport_shorten() -> None:
    """What use elsewhere and the way there add counts in quadrature at every moment (normal, by hand)."""
    plain = suggest_interval(WORKED, tolerance=1e-7, as_left=LEFT)
    added = suggest_interval(
        WORKED, tolerance=1e-7, as_left=LEFT, environment_uncertainty=6e-9, transport_uncertainty=8e-9
    )
    floor = StatedDrift(
        drift_rate=RATE,
        walk_variance_per_second=WORKED.walk_variance_per_second,
        floor=math.hypot(2e-9, 1e-8),
    )
    assert added.interval_s == pytest.approx(
        suggest_interval(floor, tolerance=1e-7, as_left=LEFT).interval_s, rel=1e-9
    )
    assert added.interval_s < plain.interval_s
    assert added.standard_uncertainty_by_term["transport"] == 8e-9


def test_caps_and_calendar() -> None:
    """A cap limits; the interval is rounded down to whole units; a date gives the due date."""
    free = suggest_interval(WORKED, tolerance=1e-7, as_left=LEFT, start="2026-01-31")
    assert str(free.rounded) == "14 months, due 2027-03-31"
    capped = suggest_interval(WORKED, tolerance=1e-7, as_left=LEFT, policy_cap_s=365 * DAY)
    assert (capped.limited_by, capped.interval_s) == ("policy", 365 * DAY)
    observed = suggest_interval(WORKED, tolerance=1e-7, as_left=LEFT, longest_observed_s=100 * DAY)
    assert (observed.limited_by, observed.interval_s) == ("longest interval", 200 * DAY)
    assert "twice the longest interval" in observed.reason
    assert json.dumps(observed.to_dict(), allow_nan=False)


@pytest.mark.parametrize(
    ("days", "unit", "start", "said"),
    [
        (365, "month", None, "11 months"),
        (365, "month", "2026-03-01", "12 months, due 2027-03-01"),
        (365, "year", "2026-03-01", "1 year, due 2027-03-01"),
        (365, "year", "2027-03-01", "11 months, due 2028-02-01"),
        (365, "quarter", "2027-03-01", "3 quarters, due 2027-12-01"),
        (31, "month", "2026-01-31", "1 month, due 2026-02-28"),
        (20, "week", None, "2 weeks"),
        (6.99, "week", None, "6 days"),
        (400, None, None, "13 months"),
        (0.5, "day", None, "None"),
    ],
)
def test_rounding_is_always_down(days: float, unit: str | None, start: str | None, said: str) -> None:
    """Whole units never exceed the interval, whatever the months have of days (calendar)."""
    made, findings = whole_units(days * DAY, unit=unit, start=start)  # type: ignore[arg-type]
    expected = said
    if (days, unit, start) == (365, "year", "2027-03-01"):
        # 2028 is a leap year: a year would be 366 days, a quarter less is 275
        expected = "3 quarters, due 2027-12-01"
    assert str(made) == expected
    if made is not None:
        assert made.duration_s <= days * DAY
        assert bool(findings) == (unit is not None and made.unit != unit)
    if start is not None and made is not None:
        assert made.start == dt.date.fromisoformat(start)


def test_from_a_history_never_beyond_twice_the_longest() -> None:
    """A history of yearly calibrations without drift gives two years, whatever the tolerance."""
    points = [
        HistoryPoint(
            time_s=k * 365.25 * DAY, as_found=1e-10, as_left=0.0, standard_uncertainty=1e-10, adjusted=True
        )
        for k in range(5)
    ]
    model = fit_history(CalibrationHistory(points=tuple(points)), drift_law="constant")
    suggestion = suggest_interval(model, tolerance=1e-5)
    assert suggestion.limited_by == "longest interval"
    assert suggestion.interval_s == pytest.approx(2 * 365.25 * DAY)
    passage = suggest_interval(model, tolerance=3e-8, meaning="never_left", paths=2000)
    assert passage.interval_s <= suggest_interval(model, tolerance=3e-8).interval_s * 1.02


@pytest.mark.slow
def test_never_left_of_a_clock_model(model: ClockModel) -> None:
    """An aging clock leaves its tolerance once: never having left is nearly the same as being within."""
    suggestion = suggest_interval(model, tolerance=3e-9, meaning="never_left", paths=1000)
    pointwise = suggest_interval(model, tolerance=3e-9)
    assert suggestion.interval_s == pytest.approx(pointwise.interval_s, rel=0.05)
    adjusted = suggest_interval(
        model, tolerance=1e-9, meaning="never_left", as_left=Estimate.normal(0.0, 1e-11), paths=1000
    )
    assert adjusted.interval_s / DAY == pytest.approx(50, abs=3)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"tolerance": (1e-8, -1e-8)}, "two limits must be finite, the lower one first"),
        ({"tolerance": 1e-8, "meaning": "always"}, "meaning is 'always'; it must be one of end_of_period"),
        ({"tolerance": 1e-8, "policy_cap_s": 0.0}, "policy_cap_s is 0"),
        ({"tolerance": 1e-8, "longest_observed_s": -1.0}, "longest_observed_s is -1"),
        ({"tolerance": 1e-8, "transport_uncertainty": -1.0}, "transport_uncertainty is -1"),
        ({"tolerance": 1e-8, "calendar_unit": "fortnight"}, "calendar unit is 'fortnight'"),
        ({"tolerance": 1e-8, "start": "soon"}, "start is 'soon'; an ISO date"),
        ({"tolerance": 1e-8, "meaning": "never_left", "paths": 5}, "paths is 5"),
        ({"tolerance": 1e-8, "environment": {"room_c": None}}, "environment is given"),
    ],
)
def test_impossible_options_are_refused(options: dict, sentence: str) -> None:
    """Each sentence names the option and what would be accepted."""
    with pytest.raises(InputError, match=sentence):
        suggest_interval(WORKED, **options)
    with pytest.raises(InputError, match="the source is a float"):
        suggest_interval(1.0, tolerance=1e-8)  # type: ignore[arg-type]


def _missing(suggestion: object) -> str:
    return " ".join(f.sentence for f in suggestion.findings if f.code == "WHAT_IS_MISSING")  # type: ignore[attr-defined]


@pytest.mark.slow
def test_what_is_missing_is_said(model: ClockModel) -> None:
    """An adjustment, certainty, evidence, a better known drift: each with what would give it."""
    assert "Missing: an adjustment" in _missing(suggest_interval(model, tolerance=1e-9))
    vague = suggest_interval(
        model, tolerance=1e-9, as_left=Estimate.normal(0.0, 1e-11), reference_uncertainty=2e-9
    )
    assert "the largest part is reference (2e-09)" in _missing(vague)
    # a normal is within ±1e-9 with 95 % if its deviation is 1e-9/1.96
    assert "5.1e-10 or less is needed" in _missing(vague)
    far = suggest_interval(model, tolerance=1e-8, wanted_s=365 * DAY)
    assert "Missing for 365 d: evidence that reaches so far, which is a log of 365 d" in _missing(far)
    assert "the drift itself leaves it" in _missing(
        suggest_interval(model, tolerance=3e-9, wanted_s=90 * DAY)
    )
    assert _missing(suggest_interval(model, tolerance=3e-9, wanted_s=10 * DAY)) == ""


@pytest.mark.slow
def test_how_long_to_log_for_a_wanted_interval() -> None:
    """A short noisy log: the length that is said gives the drift uncertainty that is said (simulated)."""
    levels = NoiseLevels(white_fm=1e-18)
    record = simulate_clock(30, interval_s=DAY, levels=levels, seed=4)
    short = fit_clock(record, aging="linear")
    wanted = suggest_interval(
        short,
        tolerance=2e-11,
        as_left=Estimate.normal(0.0, 1e-12),
        wanted_s=180 * DAY,
        longest_observed_s=90 * DAY,
    )
    finding = next(f for f in wanted.findings if f.code == "WHAT_IS_MISSING")
    assert "missing is a better known drift" in finding.sentence
    values = finding.to_dict()["values"]
    needed = float(values["needed_per_day"])  # type: ignore[index]
    known = []
    for key in ("record_length_s", "safe_length_s"):
        count = round(float(values[key]) / DAY)  # type: ignore[index]
        logs = [simulate_clock(count, interval_s=DAY, levels=levels, seed=seed) for seed in range(5)]
        rates = [fit_clock(log, aging="linear").aging_rate().per_day for log in logs]
        known.append(float(np.median([rate.standard_uncertainty for rate in rates])))
    # the short length assumes the best noise, the long one the worst that the log allows
    assert known[1] < needed < 4 * known[0]
    assert known[0] < 3 * needed
