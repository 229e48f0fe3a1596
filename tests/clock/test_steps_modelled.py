"""Steps of phase and of frequency in the clock model: their size is free and moves no answer."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.clock.environment import lagged
from evenbeat.clock.model import ClockModel
from evenbeat.record import Flag, Record

HOUR, DAY = 3600.0, 86400.0
AT = 2000


def _flag(cause: str, at: int, size: float) -> Flag:
    return Flag(cause=cause, start=at, stop=at, excluded=False, sentence="A step.", size=size)


def _pulses(seed: int, *, phase_step_s: float = 0.0, frequency_step: float = 0.0) -> Record:
    """Return 5000 s of pulses with 1 ns of white PM, 1e-8 fast, stepped at one moment, nothing flagged."""
    index = np.arange(5000)
    phase = 1e-9 * np.random.default_rng(seed).standard_normal(5000) + 1e-8 * index
    phase[AT:] += phase_step_s
    phase += frequency_step * np.clip(index - AT, 0, None)
    return Record.from_phase(phase, interval_s=1.0, start="2026-01-01")


def _codes(model: ClockModel) -> set[str]:
    return {finding.code for finding in model.findings}


def _after_an_hour(record: Record) -> float:
    forecast = eb.predict_holdover(eb.fit_clock(record), [HOUR])
    return float(forecast.corrected_half_width()[0])


@pytest.mark.slow
def test_forecast_is_as_narrow_as_without_a_phase_step() -> None:
    """A step of a thousand sigmas widens the forecast by what is lost where it fell, not two-thousandfold."""
    ratios = []
    for seed in range(100, 106):
        plain, stepped = (eb.condition(_pulses(seed, phase_step_s=size)) for size in (0.0, 1e-6))
        (flag,) = stepped.steps
        assert flag.cause == "phase_step"
        assert flag.size == pytest.approx(1e-6, abs=4 * flag.uncertainty)
        ratios.append(_after_an_hour(stepped) / _after_an_hour(plain))
    assert 0.9 < np.exp(np.mean(np.log(ratios))) < 1.12
    assert max(ratios) < 1.5


@pytest.mark.slow
def test_assessment_names_the_phase_step_and_trusts_the_clock() -> None:
    """Size and uncertainty stand in a finding, the log line says it is modelled, and there is an answer."""
    assessment = eb.assess(_pulses(3, phase_step_s=1e-6), aging="linear")
    codes = {finding.code for finding in assessment.findings}
    assert not codes & {"CLOCK_CHANGED", "NOT_AS_PREDICTED"}
    assert ", 1 step." in str(assessment).replace("\n            ", " ")
    (finding,) = [f for f in assessment.findings if f.code == "PHASE_STEP"]
    assert "modelled" not in finding.sentence  # conditioning does not know of a model
    assert finding.sentence.startswith("A phase step of 1.00")
    assert ")e-06 s" in finding.sentence
    (modelled,) = [f for f in assessment.findings if f.code == "STEPS_MODELLED"]
    assert "1 step of phase" in modelled.sentence


def test_the_only_change_of_a_display_is_a_count_and_no_step_that_is_modelled() -> None:
    """Two readings and nothing between: the change may be one count, and all below it stays unknown."""
    shown = np.where(np.arange(720) < 401, 0.0, 1e-6)
    model = eb.fit_clock(
        eb.condition(Record.from_frequency(shown, interval_s=10.0, nominal_frequency_hz=1e7))
    )
    assert {"DISPLAY_HIDES", "STEP_NOT_MODELLED"} <= _codes(model)
    assert "STEPS_MODELLED" not in _codes(model)
    assert model.aging_rate().standard_uncertainty > 0.5e-6 / 7200


def test_both_kinds_of_step_at_once() -> None:
    """A clock that was set and whose frequency changed at that moment goes on at the new frequency."""
    record = _pulses(5, phase_step_s=-2e-6, frequency_step=3e-9).with_flags(
        _flag("phase_step", AT, -2e-6), _flag("frequency_step", AT, 3e-9)
    )
    model = eb.fit_clock(record)
    forecast = model.time_error_at([5000 + HOUR])
    assert abs(forecast.mean[0] - 1.3e-8 * HOUR) < 3 * forecast.standard_uncertainty[0]
    assert forecast.standard_uncertainty[0] < 2e-8
    assert "CLOCK_CHANGED" not in _codes(model)
    (finding,) = [f for f in model.findings if f.code == "STEPS_MODELLED"]
    assert "1 step of frequency and 1 step of phase" in finding.sentence


def _hourly(size_s: float) -> Record:
    """Return 60 days of phase with white FM and a room that acts after an hour, stepped by ``size_s``."""
    record = eb.simulate_clock(
        1441, interval_s=HOUR, levels=eb.NoiseLevels(white_fm=2e-22, flicker_fm=1e-25), seed=4, kind="phase"
    )
    generator = np.random.default_rng(4)
    room = 21 + np.sin(2 * np.pi * record.elapsed_s / DAY) + np.cumsum(generator.standard_normal(1441)) / 20
    behind = lagged(0.5 * (room[1:] + room[:-1]), 1.0)
    values = record.values + np.concatenate([[0], np.cumsum(5e-11 * (behind - 21) * HOUR)])
    values[700:] += size_s
    return replace(
        record, values=values, covariates={"room_c": room}, start=np.datetime64("2026-01-01")
    ).with_flags(_flag("phase_step", 700, size_s))


CALIBRATIONS = [
    eb.CalibrationPoint(at=20 * DAY, as_found=1e-13, standard_uncertainty=1e-12),
    eb.CalibrationPoint(at=30 * DAY, as_found=-2e-13, standard_uncertainty=1e-12),
    eb.CalibrationPoint(at=70 * DAY, as_found=3e-13, standard_uncertainty=1e-12),
]


def _backtested(record: Record) -> list[float]:
    result = eb.backtest(record, origins=3, most_blocks=40, aging="linear", without_steps=True)
    return [outcome.mean for outcome in result.outcomes] + [outcome.high for outcome in result.outcomes]


def _passage(record: Record) -> list[float]:
    model = eb.fit_clock(record, aging="linear")
    return list(eb.limit_passage(model, 1e-6, paths=200, corrected=True).never_left)


def _time_error(record: Record) -> list[float]:
    forecast = eb.fit_clock(record).time_error_at(record.duration_s + np.array([HOUR, DAY, 30 * DAY]))
    return [*forecast.mean, *forecast.standard_uncertainty]


def _calibrated(record: Record) -> list[float]:
    model = eb.fit_clock(record, calibrations=CALIBRATIONS)
    forecast = model.frequency_at([25 * DAY, 29.17 * DAY, 90 * DAY])
    return [*forecast.mean, *forecast.standard_uncertainty, model.aging_rate().value]


def _lag(record: Record) -> list[float]:
    model = eb.fit_clock(record, aging="linear", environment=["room_c"])
    lag, sensitivity = model.lag("room_c"), model.sensitivity("room_c")
    assert lag.value == pytest.approx(HOUR, rel=0.05)
    assert sensitivity.value == pytest.approx(5e-11, rel=0.05)
    return [lag.value, lag.standard_uncertainty, sensitivity.value, sensitivity.standard_uncertainty]


@pytest.mark.slow
@pytest.mark.parametrize("answer", [_time_error, _calibrated, _lag, _backtested, _passage])
def test_no_answer_depends_on_the_size_of_a_phase_step(answer: Callable[[Record], list[float]]) -> None:
    """Forecast, calibrations, lag search, backtest and passage are the same after 10 ns and after 1 ms."""
    small, large = (answer(_hourly(size)) for size in (1e-8, 1e-3))
    assert large == pytest.approx(small, rel=1e-4)


@pytest.mark.slow
def test_phase_step_in_the_last_fifth_does_not_make_another_clock() -> None:
    """The part before it predicts the part after it."""
    record = _pulses(6)
    values = np.array(record.values)
    values[4500:] += 1e-6
    assessment = eb.assess(replace(record, values=values), aging="linear")
    assert {"PHASE_STEP", "AS_PREDICTED"} <= {finding.code for finding in assessment.findings}


def test_clock_read_now_and_then_forgets_the_interval_that_was_stepped() -> None:
    """The mean frequency between the readings around a step of phase is not used."""
    record = eb.simulate_clock(
        6001, interval_s=HOUR, levels=eb.NoiseLevels(white_fm=1e-22), seed=2, kind="phase"
    )
    values = np.where(np.arange(6001) % 100 == 0, record.values, np.nan)
    plain = eb.fit_clock(replace(record, values=values))
    values[3050:] += 1e-3
    stepped = eb.fit_clock(replace(record, values=values).with_flags(_flag("phase_step", 3100, 1e-3)))
    assert len(stepped.blocks) == len(plain.blocks) - 1
    assert stepped.aging_rate().standard_uncertainty < 1.2 * plain.aging_rate().standard_uncertainty


@pytest.mark.slow
def test_readings_missing_beside_a_frequency_step_do_not_spread_it() -> None:
    """Shares of a block that was only partly read are shares of its readings, not of its time."""
    values = 1e-11 * np.random.default_rng(1).standard_normal(5000)
    values[[2513, 2517, 2520]] = np.nan
    record = Record.from_frequency(values, interval_s=1.0)
    values = np.array(values)
    values[2512:] += 1e-6
    stepped = replace(record, values=values).with_flags(_flag("frequency_step", 2512, 1e-6))
    assert "CLOCK_CHANGED" not in _codes(eb.fit_clock(stepped))
    assert _after_an_hour(stepped) < 1.5 * _after_an_hour(record)


def test_step_after_the_last_average_is_said_not_to_be_modelled() -> None:
    """What follows a step near the end is too little for an average: a caution, no silence."""
    values = 1e-11 * np.random.default_rng(1).standard_normal(20_000)
    values[-2:] += 1e-9
    model = eb.fit_clock(
        Record.from_frequency(values, interval_s=1.0).with_flags(_flag("frequency_step", 19_998, 1e-9))
    )
    (finding,) = [f for f in model.findings if f.code == "STEP_NOT_MODELLED"]
    assert finding.severity == "caution"
    assert "STEPS_MODELLED" not in _codes(model)


def test_step_to_come_is_not_held_against_the_aging_laws() -> None:
    """Forecasts within the record miss what they miss without the step, not the step."""
    noise = 1e-11 * np.random.default_rng(3).standard_normal(5000)
    plain = Record.from_frequency(noise, interval_s=10.0)
    values = np.array(noise)
    values[4200:] += 1e-9
    stepped = replace(plain, values=values).with_flags(_flag("frequency_step", 4200, 1e-9))
    for with_step, without in zip(eb.fit_clock(stepped).laws, eb.fit_clock(plain).laws, strict=True):
        assert with_step.forecast_error == pytest.approx(without.forecast_error, rel=0.5)
        assert with_step.forecast_score > -1


@pytest.mark.slow
def test_large_step_does_not_drown_the_noise_in_rounding() -> None:
    """A step a thousand million times the noise of an average leaves levels and forecast as they were."""
    noise = 1e-14 * np.random.default_rng(7).standard_normal(2000)
    plain = eb.fit_clock(Record.from_frequency(noise, interval_s=10.0), aging="linear")
    values = noise + np.where(np.arange(2000) < 1000, 0.0, 1e-5)
    stepped = eb.fit_clock(
        Record.from_frequency(values, interval_s=10.0).with_flags(_flag("frequency_step", 1000, 1e-5)),
        aging="linear",
    )
    assert stepped.noise.white_fm == pytest.approx(plain.noise.white_fm, rel=0.1)
