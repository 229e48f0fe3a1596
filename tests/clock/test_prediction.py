"""Forecasts agree with each other and add up."""

from dataclasses import replace

import numpy as np
import pytest

from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.holdover.forecast import predict_holdover
from evenbeat.powerlaw import NoiseLevels, simulate_clock

DAY = 86400.0


@pytest.fixture(scope="module")
def model() -> ClockModel:
    """Return a clock with offset, aging and all three FM noises."""
    record = simulate_clock(
        2400,
        interval_s=3600.0,
        levels=NoiseLevels(white_fm=1e-21, flicker_fm=1e-25, random_walk_fm=1e-33),
        seed=11,
        frequency_offset=3e-9,
        aging=lambda t: 1e-11 * t / DAY,
        start="2026-01-01",
    )
    return fit_clock(record)


def test_time_error_is_mean_frequency_times_duration(model: ClockModel) -> None:
    """Predicting the mean frequency over the next day is predicting the time error of a day."""
    end = model.record.duration_s
    time_error = model.time_error_at(end + DAY)
    frequency = model.frequency_at(end + DAY / 2, averaging_time_s=DAY)
    assert time_error.mean == pytest.approx(DAY * frequency.mean, rel=1e-9)
    assert time_error.standard_uncertainty == pytest.approx(DAY * frequency.standard_uncertainty, rel=1e-6)


def test_change_and_present_frequency_make_the_future_one(model: ClockModel) -> None:
    """E[y(end + h)] = E[y(end)] + E[change]."""
    end = model.record.duration_s
    later = end + 20 * DAY
    present, future = model.frequency_at([end, later]).mean
    change = model.frequency_change_at(later).mean[0]
    assert future == pytest.approx(present + change, rel=1e-6)


def test_no_change_has_no_uncertainty(model: ClockModel) -> None:
    """At the end of the record itself the change is zero."""
    change = model.frequency_change_at(model.record.duration_s)
    assert change.mean[0] == pytest.approx(0.0, abs=1e-20)
    assert change.standard_uncertainty[0] < 1e-16


def test_terms_add_up_to_the_variance(model: ClockModel) -> None:
    """The budget is exhaustive and no term is negative."""
    horizon = np.array([3600.0, DAY, 30 * DAY])
    forecast = model.time_error_at(model.record.duration_s + horizon)
    terms = forecast.terms
    assert terms.total == pytest.approx(forecast.standard_uncertainty**2, rel=1e-9)
    assert all((variance >= 0).all() for variance in terms.by_term.values())


def test_utc_and_seconds_mean_the_same(model: ClockModel) -> None:
    """A date is placed by the record's start."""
    by_date = model.frequency_at(np.array(["2026-04-20T00:00:00"], dtype="datetime64[s]"))
    by_seconds = model.frequency_at((31 + 28 + 31 + 19) * DAY)
    assert by_date.mean == pytest.approx(by_seconds.mean, rel=1e-12)


def test_forecast_beyond_one_record_length_is_a_finding(model: ClockModel) -> None:
    """Extrapolation is said aloud; within one record length it is not."""
    end = model.record.duration_s
    assert not model.frequency_at(1.9 * end).findings
    (finding,) = model.frequency_at(2.5 * end).findings
    assert finding.code == "EXTRAPOLATION"


def test_time_error_in_the_past_is_refused(model: ClockModel) -> None:
    """Time error counts from the end of the record."""
    with pytest.raises(InputError, match="is not after it"):
        model.time_error_at(model.record.duration_s / 2)


@pytest.mark.slow
def test_holdover_reaches_its_limit_where_the_probability_falls(model: ClockModel) -> None:
    """At the stated time the probability of being within the limit is the confidence asked for."""
    holdover = predict_holdover(model, DAY, time_error_limit_s=5e-4, confidence=0.9)
    at_limit = model.time_error_at(model.record.duration_s + holdover.time_to_limit_s)
    assert at_limit.probability_within(5e-4)[0] == pytest.approx(0.9, abs=0.02)
    assert holdover.time_to_limit_corrected_s > 2 * holdover.time_to_limit_s
    assert str(holdover)


@pytest.mark.parametrize(
    ("duration", "limit", "sentence"),
    [(-1.0, None, "every duration must be positive"), (DAY, -1e-6, "time_error_limit_s is -1e-06")],
)
def test_holdover_refuses_what_makes_no_sense(
    model: ClockModel, duration: float, limit: float | None, sentence: str
) -> None:
    """Durations and limits are positive."""
    with pytest.raises(InputError, match=sentence):
        predict_holdover(model, duration, time_error_limit_s=limit)


@pytest.mark.slow
def test_temperature_counts_as_it_was_until_the_end_and_at_its_mean_after() -> None:
    """A clock at 1e-10 per kelvin whose room ends 5 K warmer than its mean: the present follows the room."""
    record = simulate_clock(1200, interval_s=3600.0, levels=NoiseLevels(white_fm=1e-22), seed=5)
    wave = np.sin(record.elapsed_s / (3 * DAY))
    room = 20 + wave + np.where(record.elapsed_s > 45 * DAY, 5.0, 0.0)
    record = replace(
        record, values=record.values + 1e-10 * (room - 20), covariates={"room_temperature_c": room}
    )
    model = fit_clock(record, aging="none", environment=("room_temperature_c",))
    now, later = model.frequency_at([record.duration_s, record.duration_s + 10 * DAY]).mean
    assert now == pytest.approx(1e-10 * (room[-1] - 20), abs=3e-12)
    assert later == pytest.approx(1e-10 * (np.mean(room) - 20), abs=1e-11)
    spread = model.frequency_at([record.duration_s, record.duration_s + 10 * DAY]).standard_uncertainty
    assert spread[1] == pytest.approx(1e-10 * np.std(room), rel=0.05)
    assert spread[0] < 0.02 * spread[1]
