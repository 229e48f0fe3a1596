"""Influences of temperature: lag, polynomial, futures, and what cannot be told apart."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.clock.covariance import (
    FLICKER_FM,
    RANDOM_WALK_FM,
    WHITE_FM,
    Spans,
    mean_frequency_covariance,
    unit_level,
)
from evenbeat.clock.environment import lagged, without_holes
from evenbeat.clock.lag import Pooling, fine_averages, fine_view
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Flag, Record

DAY = 86400.0
MIXED = NoiseLevels(white_fm=2e-22, flicker_fm=1e-24, random_walk_fm=1e-31)


def _room(samples: int, interval_s: float, seed: int) -> np.ndarray:
    """Return degrees Celsius: a daily wave, its second harmonic, and weather smooth over two hours."""
    time = np.arange(samples) * interval_s
    generator = np.random.default_rng(seed)
    keep = math.exp(-interval_s / (40 * 3600))
    weather = np.zeros(samples)
    for k, kick in enumerate(generator.standard_normal(samples - 1) * math.sqrt(1 - keep**2)):
        weather[k + 1] = keep * weather[k] + kick
    daily = 1.5 * np.sin(2 * np.pi * time / DAY) + 0.4 * np.sin(4 * np.pi * time / DAY + 1)
    return 21 + daily + lagged(weather, 7200 / interval_s)


def _clock(
    seed: int, lag_s: float, *, days: float = 16, interval_s: float = 1800.0, per_kelvin: float = 2e-11
) -> Record:
    samples = int(days * DAY / interval_s)
    record = simulate_clock(
        samples, interval_s=interval_s, levels=MIXED, seed=seed, aging=lambda t: 1e-11 * t / DAY
    )
    room = _room(samples, interval_s, seed + 1000)
    acting = per_kelvin * (lagged(room, lag_s / interval_s) - 21)
    return replace(record, values=record.values + acting, covariates={"room_c": room})


@pytest.fixture(scope="module")
def lagging() -> Record:
    """Return a clock that follows its room by 2e-11 per kelvin after an hour."""
    return _clock(1, 3600.0)


@pytest.fixture(scope="module")
def model(lagging: Record) -> ClockModel:
    """Return that clock, fitted without being told of the lag."""
    return eb.fit_clock(lagging, aging="linear", environment=["room_c"])


def test_felt_step_is_the_exponential() -> None:
    """A first-order lag follows a unit step by 1 - exp(-t/lag) (textbook solution of dz/dt = (T - z)/lag)."""
    step = np.concatenate([np.zeros(1), np.ones(400)])
    assert lagged(step, 50.0)[1:] == pytest.approx(1 - np.exp(-np.arange(1, 401) / 50), rel=1e-12)


@pytest.mark.parametrize(
    ("period_s", "gain", "delay_s"), [(86400.0, 0.99905, 599.6), (3600.0, 0.6906, 463.2)]
)
def test_felt_wave_is_smaller_and_later(period_s: float, gain: float, delay_s: float) -> None:
    """Lag of 600 s: gain 1/√(1+(ωT)²) and delay atan(ωT)/ω, the closed form of a first-order low pass."""
    time = np.arange(0, 5 * period_s, 1.0)
    inside = lagged(np.sin(2 * np.pi * time / period_s), 600.0)[-int(period_s) :]
    time = time[-int(period_s) :]
    turn = np.exp(-2j * np.pi * time / period_s)
    response = 2j * np.mean(inside * turn)
    assert abs(response) == pytest.approx(gain, rel=1e-3)
    assert -np.angle(response) * period_s / (2 * np.pi) == pytest.approx(delay_s, abs=1.0)


def test_lead_mirrors_the_lag_and_holes_are_bridged() -> None:
    """A negative lag leads by as much; missing samples lie on the straight line."""
    column = np.array([1.0, np.nan, 3.0, 4.0, np.nan])
    filled = without_holes(column)
    assert filled == pytest.approx([1, 2, 3, 4, 4])
    assert lagged(filled, -2.0) + lagged(filled, 2.0) == pytest.approx(2 * filled)


def test_lag_and_sensitivity_are_found(model: ClockModel) -> None:
    """Both truths lie in their intervals, which are narrow beside the truth."""
    low, high = model.lag("room_c").interval()
    assert low < 3600 < high
    assert high - low < 1500
    low, high = model.sensitivity("room_c").interval()
    assert low < 2e-11 < high
    assert high - low < 2e-12


def test_without_lag_the_sensitivity_comes_out_too_small(lagging: Record, model: ClockModel) -> None:
    """Ignoring the lag loses (ωT)²/(1+(ωT)²) of it: 6 % of the daily wave, more of what is faster."""
    static = eb.fit_clock(
        lagging, aging="linear", environment=[eb.Influence("room_c", lag_s=0.0)]
    ).sensitivity("room_c")
    assert static.value < model.sensitivity("room_c").value - 0.5e-12


@pytest.mark.parametrize("seed", range(2))
def test_absent_lag_is_not_invented(seed: int) -> None:
    """The interval of a lag that is not there reaches to zero and never below."""
    lag = fine_view(_clock(seed + 20, 0.0), (eb.Influence("room_c"),)).lags[0]
    low, high = lag.interval()
    assert low == pytest.approx(0.0, abs=1.0)
    assert high < 1800


def test_lag_survives_gaps_steps_and_missing_temperatures(lagging: Record) -> None:
    """A tenth of the temperatures, some readings and a flagged step do not hide it."""
    generator = np.random.default_rng(4)
    room = np.where(generator.random(len(lagging)) < 0.1, np.nan, lagging.covariates["room_c"])
    values = np.array(lagging.values)
    values[300:] += 1e-9
    values[100:130] = np.nan
    flag = Flag(cause="frequency_step", start=300, stop=300, excluded=False, sentence="", size=1e-9)
    broken = replace(lagging, values=values, covariates={"room_c": room}).with_flags(flag)
    low, high = fine_view(broken, (eb.Influence("room_c"),)).lags[0].interval()
    assert low < 3600 < high
    assert high - low < 2000


@pytest.mark.slow
def test_scale_and_kind_of_record_do_not_matter(lagging: Record) -> None:
    """Readings times 1e-6 give the same lag; the same clock logged as phase nearly so."""
    influences = (eb.Influence("room_c"),)
    usual = fine_view(lagging, influences).lags[0]
    scaled = fine_view(replace(lagging, values=lagging.values * 1e-6), influences).lags[0]
    assert scaled.value == pytest.approx(usual.value, rel=1e-6)
    assert scaled.standard_uncertainty == pytest.approx(usual.standard_uncertainty, rel=1e-6)
    phase = np.concatenate([[0.0], np.cumsum(lagging.values) * lagging.interval_s])
    room = lagging.covariates["room_c"]
    between = np.concatenate([room[:1], 0.5 * (room[1:] + room[:-1]), room[-1:]])
    as_phase = Record.from_phase(phase, interval_s=lagging.interval_s, covariates={"room_c": between})
    assert fine_view(as_phase, influences).lags[0].value == pytest.approx(usual.value, abs=1000)


@pytest.mark.parametrize("lag_s", [2.0, 900.0, 40_000.0, -900.0])
def test_averages_behind_a_lag_are_those_of_filtered_samples(lag_s: float) -> None:
    """Averages of what is present, some samples missing, against scipy.signal.lfilter sample by sample."""
    from scipy.signal import lfilter

    record = _clock(4, 900.0, days=30, interval_s=120.0)
    values = np.array(record.values)
    values[[7, 8, 300, 1000]] = np.nan
    fine = fine_averages(replace(record, values=values), (eb.Influence("room_c"),))
    assert fine is not None
    (found,) = fine.powers(0, lag_s)

    column = fine.covariates[0]
    keep = np.exp(-record.interval_s / abs(lag_s))
    behind = lfilter([1 - keep], [1, -keep], column - column[0]) + column[0]
    behind = 2 * column - behind if lag_s < 0 else behind
    present = np.where(np.isnan(values), np.nan, behind)[: fine.shown.size].reshape(fine.shown.shape)
    assert fine.shown.shape[1] > 1
    assert found[:, 0] == pytest.approx(np.nanmean(present, axis=1), rel=1e-9)


def test_pooled_least_squares_agrees_with_statsmodels() -> None:
    """One window with a gap under mixed noise: the same coefficient and residual as statsmodels' GLS.

    Generalized covariances hold for contrasts; a large constant added to them makes them definite and
    changes nothing beside a free constant (universal kriging, Matheron 1973).
    """
    from statsmodels.regression.linear_model import GLS

    record = _clock(3, 900.0, days=2)
    values = np.array(record.values)
    values[40:46] = np.nan
    record = replace(record, values=values)
    fine = fine_averages(record, (eb.Influence("room_c"),))
    assert fine is not None
    noise = (0.0, 0.7, 0.02)
    (column,) = fine.powers(0, 900.0)
    ours = Pooling(fine, column[:, np.newaxis, :], fine.groups).sums(noise)
    (group,) = fine.groups
    n, rows = fine.averages, group.rows
    spans = Spans(start=np.arange(n) / n, stop=np.arange(1, n + 1) / n)
    ratios = {WHITE_FM: 1.0, FLICKER_FM: noise[1], RANDOM_WALK_FM: noise[2]}
    covariance = sum(
        ratio * unit_level(e, 1 / n) * mean_frequency_covariance(e, spans, spans)
        for e, ratio in ratios.items()
    )[np.ix_(rows, rows)]
    design = np.column_stack([column[rows], np.ones(len(rows)), rows])
    theirs = GLS(fine.frequency[rows], design, sigma=covariance + 1e3).fit()
    assert ours.coefficients()[0, 0] == pytest.approx(theirs.params[0], rel=1e-7)
    assert ours.residual()[0] == pytest.approx(theirs.ssr, rel=1e-7)


def test_cubic_is_recovered_and_can_be_taken_anywhere() -> None:
    """All three coefficients lie in their intervals, about any temperature."""
    record = _clock(7, 1800.0, per_kelvin=0.0)
    inside = lagged(record.covariates["room_c"], 1.0) - 25.0
    truth = (-3e-11, 4e-12, 1e-12)
    acting = sum(k * inside ** (power + 1) for power, k in enumerate(truth))
    record = replace(record, values=record.values + acting)
    model = eb.fit_clock(record, aging="linear", environment=[eb.Influence("room_c", order=3)])
    for order, expected in enumerate(truth, start=1):
        low, high = model.sensitivity("room_c", order, at=25.0).interval()
        assert low < expected < high
        assert high - low < 10 * abs(expected)
    mean = model.trend.influences[0].mean
    shifted = model.sensitivity("room_c", at=mean + 2).value
    own = [model.sensitivity("room_c", order).value for order in (1, 2, 3)]
    assert shifted == pytest.approx(own[0] + 4 * own[1] + 12 * own[2], rel=1e-9)
    assert model.sensitivity("room_c", 3).unit == "/K³"


@pytest.mark.slow
@pytest.mark.parametrize("order", [pytest.param(2, marks=pytest.mark.slow), 3])
def test_a_curve_is_found_where_there_is_one_and_only_there(
    order: int, lagging: Record, model: ClockModel
) -> None:
    """A plain name: second order in a parabola, third in a cubic, and a line stays a line."""
    bend = 1e-11 * (lagged(lagging.covariates["room_c"], 2.0) - 21.0) ** order
    bent = eb.fit_clock(
        replace(lagging, values=lagging.values + bend),
        aging="linear",
        environment=["room_c"],
        most_blocks=120,
    )
    assert bent.trend.influences[0].order == order
    (finding,) = [f for f in bent.findings if f.code == "INFLUENCE_CURVED"]
    assert finding.values["order"] == order
    assert model.trend.influences[0].order == 1
    assert "INFLUENCE_CURVED" not in {f.code for f in model.findings}


def test_stated_lag_is_taken_as_it_is(lagging: Record) -> None:
    """It has no uncertainty, and one set of lags is enough."""
    model = eb.fit_clock(lagging, aging="linear", environment=[eb.Influence("room_c", lag_s=3600.0)])
    assert model.lag("room_c").standard_uncertainty == pytest.approx(0.0)
    assert model.lag("room_c").value == pytest.approx(3600.0)
    assert len(model.trend.lag_points) == 1
    low, high = model.sensitivity("room_c").interval(0.999)
    assert low < 2e-11 < high


def test_uncertain_lag_widens_the_sensitivity(lagging: Record, model: ClockModel) -> None:
    """What is not known of the lag is part of what is not known of the sensitivity."""
    stated = eb.fit_clock(
        lagging, aging="linear", environment=[eb.Influence("room_c", lag_s=model.lag("room_c").value)]
    )
    assert len(model.trend.lag_points) == 3
    assert (
        model.sensitivity("room_c").standard_uncertainty > stated.sensitivity("room_c").standard_uncertainty
    )


def test_steady_future_moves_the_forecast_by_sensitivity_times_kelvins(model: ClockModel) -> None:
    """Long after the end a room 5 K above its mean shifts frequency by five sensitivities."""
    later = model.record.duration_s + 5 * DAY
    mean = model.trend.influences[0].mean
    cool = model.frequency_at(later, environment={"room_c": eb.Course.steady(mean)})
    warm = model.frequency_at(later, environment={"room_c": eb.Course.steady(mean + 5)})
    assert warm.mean - cool.mean == pytest.approx(5 * model.sensitivity("room_c").value, rel=1e-3)


def test_step_to_come_passes_the_lag() -> None:
    """An hour's lag: one hour after the step 1 - 1/e of it has arrived, and time error is its integral."""
    record = _clock(1, 3600.0)
    model = eb.fit_clock(record, aging="linear", environment=[eb.Influence("room_c", lag_s=3600.0)])
    end, k = record.duration_s, model.sensitivity("room_c").value
    steady = {"room_c": eb.Course.steady(20.0)}
    step = {"room_c": eb.Course.step(20.0, 30.0, after_s=7200.0)}
    short = {"averaging_time_s": 60.0}
    rise = (
        model.frequency_at([end + 10800.0], environment=step, **short).mean
        - model.frequency_at([end + 10800.0], environment=steady, **short).mean
    )
    assert rise == pytest.approx(10 * k * (1 - math.exp(-1)), rel=0.01)
    gained = (
        model.time_error_at([end + 21600.0], environment=step).mean
        - model.time_error_at([end + 21600.0], environment=steady).mean
    )
    assert gained == pytest.approx(10 * k * (14400 - 3600 * (1 - math.exp(-4))), rel=0.01)


def test_daily_future_returns_after_a_day_and_given_values_are_followed(model: ClockModel) -> None:
    """A wave of the same mean shifts the mean of whole days by nothing; given values act as such."""
    end = model.record.duration_s
    mean = model.trend.influences[0].mean
    day = {"averaging_time_s": DAY}
    times = [end + 3.5 * DAY]
    flat = model.frequency_at(times, environment={"room_c": eb.Course.steady(mean)}, **day)
    wave = model.frequency_at(times, environment={"room_c": eb.Course.daily(mean, 3.0)}, **day)
    assert wave.mean == pytest.approx(flat.mean, rel=1e-3)
    ramp = eb.Course.given([0.0, 10 * DAY], [mean, mean + 10])
    warmer = model.frequency_at(times, environment={"room_c": ramp}, **day)
    delay = model.lag("room_c").value / DAY
    expected = model.sensitivity("room_c").value * (3.5 - delay)
    assert warmer.mean - flat.mean == pytest.approx(expected, rel=0.02)


def test_weather_stays_unless_the_future_was_measured(model: ClockModel) -> None:
    """An assumed course may be strayed from; measured values may not: their band is narrower."""
    later = [model.record.duration_s + 2 * DAY]
    assumed = model.frequency_at(later, environment={"room_c": eb.Course.steady(21.0)})
    measured = model.frequency_at(later, environment={"room_c": eb.Course.given([0.0], [21.0])})
    unknown = model.frequency_at(later)
    assert measured.standard_uncertainty < 0.8 * assumed.standard_uncertainty
    assert assumed.standard_uncertainty <= unknown.standard_uncertainty


@pytest.mark.slow
def test_a_short_forecast_starts_from_the_temperature_that_is_now() -> None:
    """A crystal at 2e-8 per kelvin, an hour ahead, from ten ends of its record.

    Logging its room must not make it worse: before, the forecast jumped to the mean temperature at once
    and was off by 65 µs rms, five times as much as without any temperature.
    """
    record = _clock(3, 3600.0, days=20, per_kelvin=2e-8)
    room = record.covariates["room_c"]
    missed: dict[bool, list[float]] = {False: [], True: []}
    stated: dict[bool, list[float]] = {False: [], True: []}
    for k in range(10):
        end = int(len(record) * (0.5 + 0.045 * k)) + 7 * k
        truth = float(record.values[end : end + 2].sum()) * record.interval_s
        early = replace(record, values=record.values[:end], covariates={"room_c": room[:end]})
        for named in (False, True):
            environment = ["room_c"] if named else []
            model = eb.fit_clock(early, aging="linear", environment=environment, most_blocks=60)
            forecast = model.time_error([3600.0])
            missed[named].append(float(forecast.mean[0]) - truth)
            stated[named].append(float(forecast.standard_uncertainty[0]))
    assert np.sqrt(np.mean(np.square(missed[True]))) < np.sqrt(np.mean(np.square(missed[False])))
    assert np.mean(stated[True]) < 0.5 * np.mean(stated[False])
    assert np.sum(np.abs(missed[True]) < 2 * np.array(stated[True])) >= 8


def test_long_after_the_record_the_climate_is_all_that_is_known(model: ClockModel) -> None:
    """A record length later the forecast is that of a room at its mean, with its whole spread."""
    later = [2 * model.record.duration_s + 0.25 * DAY]
    mean = model.trend.influences[0].mean
    usual = model.frequency_at(later, averaging_time_s=DAY)
    steady = model.frequency_at(later, averaging_time_s=DAY, environment={"room_c": eb.Course.steady(mean)})
    assert usual.mean == pytest.approx(steady.mean, abs=0.02 * float(usual.standard_uncertainty[0]))
    assert usual.standard_uncertainty >= 0.999 * steady.standard_uncertainty


def test_ramp_is_called_collinear_with_numbers_and_an_experiment() -> None:
    """Variance inflation, correlation, and how long to hold which step."""
    record = _clock(5, 0.0, per_kelvin=0.0)
    ramp = 20 + record.elapsed_s / record.duration_s + 0.003 * np.sin(record.elapsed_s / DAY)
    model = eb.fit_clock(replace(record, covariates={"room_c": ramp}), aging="linear", environment=["room_c"])
    (finding,) = [f for f in model.findings if f.code == "COLLINEAR_WITH_AGING"]
    assert finding.values["variance_inflation"] > 10
    assert abs(finding.values["correlation"]) > 0.9
    assert finding.values["dwell_s"] >= 7200
    assert "change it on purpose" in finding.sentence


def test_hysteresis_is_reported_and_a_lag_is_not() -> None:
    """Rising and falling branches 4e-11 apart are found; a clock that only lags raises no such alarm."""
    record = _clock(9, 3600.0)
    rising = np.sign(np.gradient(lagged(record.covariates["room_c"], 2.0)))
    split = replace(record, values=record.values + 4e-11 * rising)
    codes = {}
    for name, each in (("lag", record), ("hysteresis", split)):
        model = eb.fit_clock(each, aging="linear", environment=["room_c"])
        codes[name] = {finding.code for finding in model.findings}
    assert "HYSTERESIS" in codes["hysteresis"]
    assert "HYSTERESIS" not in codes["lag"]


def test_daily_wave_without_a_covariate() -> None:
    """Nobody logged the room: its daily wave is taken out of the noise, asked for or not."""
    record = simulate_clock(16 * 48, interval_s=1800.0, levels=MIXED, seed=2)
    wave = 3e-11 * np.sin(2 * np.pi * record.elapsed_s / DAY + 0.4)
    swinging = replace(record, values=record.values + wave)
    model = eb.fit_clock(swinging, aging="linear", daily_wave=True)
    low, high = model.daily_wave().interval()
    assert low < 3e-11 < high
    assert "daily wave" in str(model)
    assert eb.fit_clock(swinging, aging="linear").daily_wave().interval() == pytest.approx((low, high))
    steady = eb.fit_clock(record, aging="linear")
    with pytest.raises(InputError, match="no daily wave is in this model"):
        steady.daily_wave()
    assert model.aging_rate().standard_uncertainty == pytest.approx(
        steady.aging_rate().standard_uncertainty, rel=0.1
    )


def test_daily_wave_needs_blocks_shorter_than_a_day() -> None:
    """Daily readings cannot show it, and the sentence says so."""
    record = simulate_clock(60, interval_s=DAY, levels=MIXED, seed=2)
    with pytest.raises(InputError, match="average over the daily wave"):
        eb.fit_clock(record, aging="linear", daily_wave=True)


def test_two_influences_each_with_its_own_lag(lagging: Record) -> None:
    """A second covariate that acts at once is told from the one that lags."""
    supply = 5 + 0.1 * np.random.default_rng(8).standard_normal(len(lagging)).cumsum() / 10
    both = replace(
        lagging,
        values=lagging.values + 1e-9 * (supply - 5),
        covariates={**lagging.covariates, "supply_v": supply},
    )
    model = eb.fit_clock(both, aging="linear", environment=["room_c", "supply_v"])
    for name, lag, sensitivity in (("room_c", 3600.0, 2e-11), ("supply_v", 0.0, 1e-9)):
        low, high = model.lag(name).interval(0.99)
        assert low - 1.0 <= lag <= high
        low, high = model.sensitivity(name).interval(0.99)
        assert low < sensitivity < high
    assert model.sensitivity("supply_v").unit == "/V"


def test_printed_and_tabulated(model: ClockModel) -> None:
    """The lag stands below the sensitivity, in text and in JSON."""
    import json

    assert "  lag" in str(model)
    found = json.loads(json.dumps(model.to_dict(), allow_nan=False))
    assert found["lag_s"]["room_c"]["value"] == pytest.approx(model.lag("room_c").value)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"order": 4}, "order of room_c is 4; it must be 1, 2 or 3"),
        ({"lag_s": -1.0}, "it must be 'fit' or a time in seconds"),
        ({"lag_s": "long"}, "lag_s of room_c is 'long'"),
    ],
)
def test_impossible_influences_are_refused(options: dict, sentence: str) -> None:
    """The sentence says what would be accepted."""
    with pytest.raises(InputError, match=sentence):
        eb.Influence("room_c", **options)


def test_other_refusals(model: ClockModel, lagging: Record) -> None:
    """Unknown names, orders that were not fitted, courses that make no sense, one name twice."""
    with pytest.raises(InputError, match="'oven_c' was not fitted; the environment of this model is: room_c"):
        model.lag("oven_c")
    with pytest.raises(InputError, match="fitted to order 1"):
        model.sensitivity("room_c", 2)
    with pytest.raises(InputError, match="'oven_c' was not fitted"):
        model.frequency_at([0.0], environment={"oven_c": eb.Course.steady(80.0)})
    with pytest.raises(InputError, match="times that increase"):
        eb.Course.given([1.0, 0.0], [20.0, 21.0])
    with pytest.raises(InputError, match="named 2 times"):
        eb.fit_clock(lagging, environment=["room_c", "room_c"])


@pytest.mark.slow
@pytest.mark.parametrize("lag_s", [0.0, 1800.0, 7200.0])
def test_intervals_of_lag_and_sensitivity_cover(lag_s: float) -> None:
    """Of forty clocks nominal 95 % intervals hold lag and sensitivity in at least 35 (P < 1 % if they do).

    Binomial(40, 0.95): P(34 or fewer) = 0.3 %; scipy.stats.binom.
    """
    lags, sensitivities = 0, 0
    for seed in range(40):
        record = _clock(seed + 300, lag_s)
        model = eb.fit_clock(record, aging="linear", environment=["room_c"])
        low, high = model.lag("room_c").interval()
        lags += low - 1.0 <= lag_s <= high
        low, high = model.sensitivity("room_c").interval()
        sensitivities += low < 2e-11 < high
    assert lags >= 35
    assert sensitivities >= 35


@pytest.mark.slow
def test_demo_log_shows_its_lag(demo_data: Path) -> None:
    """The long log (2.0e-12 per kelvin after half an hour, data/truth.json) within both 95 % intervals."""
    record = eb.condition(eb.read_log(demo_data / "kittiwake.csv.gz"))
    model = eb.fit_clock(record, environment=["room_temperature_c"])
    low, high = model.sensitivity("room_temperature_c").interval()
    assert low < 2.0e-12 < high
    low, high = model.lag("room_temperature_c").interval()
    assert 0 < low < 1800 < high < 3600
