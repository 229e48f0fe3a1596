"""What an offset is the mean over: stated, said, and not a matter of the record's length."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb

DAY = 86400.0


def _model(days: int, interval_s: float = DAY) -> eb.results.ClockModel:
    count = round(days * DAY / interval_s)
    values = 1e-11 * np.random.default_rng(5).standard_normal(count)
    return eb.fit_clock(eb.Record.from_frequency(values, interval_s=interval_s), aging="linear")


@pytest.mark.slow
@pytest.mark.parametrize(("interval_s", "over"), [(10.0, 3600.0), (600.0, 3600.0), (DAY, DAY)])
def test_the_default_does_not_depend_on_the_length_of_the_record(interval_s: float, over: float) -> None:
    """An hour, or from one reading to the next; blocks differ by the length of the record."""
    short, long = (_model(days, interval_s) for days in ((3, 12) if interval_s < DAY else (60, 700)))
    assert short.averaging_time_s == long.averaging_time_s == over
    assert long.blocks.length_s > short.blocks.length_s
    end = long.record.duration_s
    assert long.frequency_at([end]).standard_uncertainty[0] == pytest.approx(
        long.frequency_at([end], averaging_time_s=over).standard_uncertainty[0]
    )


def test_readings_far_apart_on_a_fine_grid_are_taken_as_they_come() -> None:
    """A clock read every fifth day, on a grid of hours."""
    phase = np.full(24 * 300, np.nan)
    phase[::120] = 1e-6 * np.random.default_rng(1).standard_normal(60)
    model = eb.fit_clock(eb.Record.from_phase(phase, interval_s=3600.0), aging="linear")
    assert model.averaging_time_s == pytest.approx(5 * DAY)


@pytest.mark.slow
def test_interval_setpoint_and_card_say_what_the_offset_is_and_follow_what_is_asked() -> None:
    """A longer average is quieter, so that the interval is longer."""
    model = _model(60)
    day, month = (
        eb.suggest_interval(model, tolerance=3e-11, averaging_time_s=over) for over in (DAY, 30 * DAY)
    )
    assert day.averaging_time_s == DAY
    assert day.interval_s < month.interval_s
    assert "(mean over 24 h)" in day.reason
    assert "(mean over 30 d)" in month.reason
    assert eb.suggest_interval(model, tolerance=3e-11).interval_s == pytest.approx(day.interval_s)

    left = eb.suggest_setpoint(model, tolerance=3e-11, averaging_time_s=30 * DAY)
    assert left.averaging_time_s == 30 * DAY
    assert left.interval_at_zero_s > eb.suggest_setpoint(model, tolerance=3e-11).interval_at_zero_s
    assert "(mean over 30 d)" in str(left)

    asked = {"elapsed_s": [0.0], "frequency_hz": [1e7], "gate_s": [1.0]}
    cards = [eb.timebase_card(model, averaging_time_s=over, **asked) for over in (DAY, 30 * DAY)]
    assert cards[0].half_width[0, 0, 0] > cards[1].half_width[0, 0, 0]
    assert "offset: mean over 30 d" in " ".join(str(cards[1]).split())


def test_what_has_no_averages_refuses_an_averaging_time() -> None:
    """A stated drift is a line; and a time must be positive."""
    stated = eb.StatedDrift(drift_rate=eb.Estimate.normal(1e-16, 1e-17, "/s"))
    with pytest.raises(eb.InputError, match="averaging_time_s is given, but only a clock model"):
        eb.suggest_interval(stated, tolerance=1e-8, averaging_time_s=DAY)
    with pytest.raises(eb.InputError, match="averaging_time_s is -1; it must be a positive time"):
        _model(60).frequency_at([0.0], averaging_time_s=-1)


def test_a_law_that_settles_does_not_establish_a_sign() -> None:
    """What has died away a tenth into the record says nothing of the sign of the aging at its end."""
    t = np.arange(300) / 300
    values = 1e-9 * np.exp(-20 * t) + 1e-12 * np.random.default_rng(2).standard_normal(300)
    model = eb.fit_clock(eb.Record.from_frequency(values, interval_s=600.0), aging="exponential")
    rate = model.aging_rate().per_day
    low, high = rate.interval()
    assert not rate.sign_established()
    assert low <= rate.value <= high


def test_the_value_of_a_rate_lies_in_its_interval() -> None:
    """Also where one unlikely law would have it elsewhere by far."""
    for seed in range(2):
        generator = np.random.default_rng(seed)
        values = 3e-10 * np.exp(-np.arange(40) / 3) + 2e-12 * generator.standard_normal(40)
        rate = eb.fit_clock(eb.Record.from_frequency(values, interval_s=600.0)).aging_rate()
        low, high = rate.interval()
        assert low <= rate.value <= high
        assert low <= rate.per_day.value / 86400 <= high
