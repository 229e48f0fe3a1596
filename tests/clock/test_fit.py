"""The fitted clock: simulated truth, scaling, steps, temperature, gaps and refusals."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

import evenbeat as eb
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError, TooShortError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Flag, Record

DAY = 86400.0
MIXED = NoiseLevels(white_fm=2e-22, flicker_fm=1e-25, random_walk_fm=1e-32)


def _record(
    seed: int = 1, *, days: int = 60, levels: NoiseLevels = MIXED, rate_per_day: float = 2e-11
) -> Record:
    return simulate_clock(
        days * 24,
        interval_s=3600.0,
        levels=levels,
        seed=seed,
        aging=lambda t: rate_per_day * t / DAY,
        start="2026-01-01",
        nominal_frequency_hz=1e7,
    )


@pytest.fixture(scope="module")
def model() -> ClockModel:
    """Return one clock with linear aging, fitted."""
    return fit_clock(_record(), aging="linear")


def test_rate_is_found_within_its_interval(model: ClockModel) -> None:
    """The simulated 2e-11 per day lies inside, and the uncertainty is small beside it."""
    rate = model.aging_rate().per_day
    low, high = rate.interval()
    assert low < 2e-11 < high
    assert rate.standard_uncertainty < 0.1 * rate.value


@pytest.mark.parametrize("factor", [1e-9, 1e3])
def test_scaling_the_readings_scales_every_answer(model: ClockModel, factor: float) -> None:
    """No absolute tolerance hides in the fit."""
    scaled = replace(_record(), values=_record().values * factor)
    other = fit_clock(scaled, aging="linear")
    assert other.aging_rate().value == pytest.approx(factor * model.aging_rate().value, rel=1e-6)
    assert other.aging_rate().interval()[0] == pytest.approx(
        factor * model.aging_rate().interval()[0], rel=1e-6
    )
    assert other.noise.flicker_fm == pytest.approx(factor**2 * model.noise.flicker_fm, rel=1e-6)


@pytest.mark.parametrize(
    ("name", "level"),
    [
        ("white_fm", 1e-22),
        pytest.param("flicker_fm", 1e-25, marks=pytest.mark.slow),
        pytest.param("random_walk_fm", 1e-32, marks=pytest.mark.slow),
    ],
)
def test_the_only_noise_is_found_and_the_others_bounded(name: str, level: float) -> None:
    """The median level over ten clocks is within 25 % of the truth."""
    found = []
    for seed in range(10):
        record = simulate_clock(400, interval_s=3600.0, levels=NoiseLevels(**{name: level}), seed=seed)
        found.append(getattr(fit_clock(record, aging="none").noise, name))
    assert np.median(found) == pytest.approx(level, rel=0.25)


def test_phase_and_frequency_records_agree() -> None:
    """The same clock logged as phase gives the same model."""
    record = _record()
    from_phase = fit_clock(record.to_phase(), aging="linear").aging_rate()
    assert from_phase.value == pytest.approx(fit_clock(record, aging="linear").aging_rate().value, rel=1e-6)


def test_temperature_is_told_apart_from_aging() -> None:
    """A room swing of 2 K at 5e-12 per kelvin is recovered beside the aging."""
    record = _record()
    temperature = 20 + 2 * np.sin(2 * np.pi * record.elapsed_s / DAY) + np.sin(record.elapsed_s / (9 * DAY))
    record = replace(
        record,
        values=record.values + 5e-12 * (temperature - 20),
        covariates={"room_temperature_c": temperature},
    )
    model = fit_clock(record, aging="linear", environment=("room_temperature_c",))
    low, high = model.sensitivity("room_temperature_c").interval()
    assert low < 5e-12 < high
    assert high - low < 3e-12
    assert model.trend.influences[0].diurnal_amplitude == pytest.approx(2.0, abs=0.05)
    low, high = model.aging_rate().per_day.interval()
    assert low < 2e-11 < high


def test_temperature_that_only_drifts_is_called_collinear() -> None:
    """A ramp of temperature cannot be told from aging, and the model says so."""
    record = _record()
    ramp = record.elapsed_s / record.duration_s + 0.01 * np.sin(record.elapsed_s / DAY)
    record = replace(record, covariates={"room_temperature_c": ramp})
    model = fit_clock(record, aging="linear", environment=("room_temperature_c",))
    assert "COLLINEAR_WITH_AGING" in {finding.code for finding in model.findings}


def test_flagged_step_does_not_bend_the_aging() -> None:
    """A step of 1e-9 that is flagged becomes a parameter; unflagged it would wreck the rate."""
    record = _record()
    stepped = np.array(record.values)
    stepped[700:] += 1e-9
    plain = replace(record, values=stepped)
    flag = Flag(cause="frequency_step", start=700, stop=700, excluded=False, sentence="", size=1e-9)
    known = fit_clock(plain.with_flags(flag), aging="linear").aging_rate().per_day
    unknown = fit_clock(plain, aging="linear").aging_rate().per_day
    assert abs(known.value - 2e-11) < 4e-12
    assert known.standard_uncertainty < 0.2 * unknown.standard_uncertainty


def test_gaps_make_blocks_not_errors(model: ClockModel) -> None:
    """A day lost in the middle divides a block, widens the interval little, and moves nothing."""
    values = np.array(_record().values)
    values[300:324] = np.nan
    values[5] = np.nan
    gapped = fit_clock(replace(_record(), values=values), aging="linear")
    assert gapped.aging_rate().value == pytest.approx(model.aging_rate().value, abs=3e-18)
    assert not any(
        start < 310 * 3600 < stop
        for start, stop in zip(gapped.blocks.spans.start, gapped.blocks.spans.stop, strict=True)
    )


def test_logarithmic_aging_beats_a_line_where_it_is_one() -> None:
    """AICc prefers the law that made the record, and its rate now is that of the law."""
    record = simulate_clock(
        1440,
        interval_s=3600.0,
        levels=NoiseLevels(white_fm=2e-22, flicker_fm=1e-26),
        seed=3,
        aging=lambda t: 2e-10 * np.log1p(t / (3 * DAY)),
    )
    model = fit_clock(record)
    weights = {law.law: law.weight for law in model.laws}
    assert weights["logarithmic"] > 0.99
    truth = 2e-10 / 3 / (1 + 60 / 3)
    low, high = model.aging_rate().per_day.interval()
    assert low < truth < high


def test_least_squares_is_too_sure_of_itself(model: ClockModel) -> None:
    """Under mixed noise the least-squares interval is the narrower one by far."""
    assert model.least_squares.rate.standard_uncertainty < 0.5 * model.aging_rate().standard_uncertainty


def test_repeating_readings_add_the_display_step() -> None:
    """Rounded to a step far above the noise, absolute frequency is known to a step/√6 only."""
    record = _record(levels=NoiseLevels(white_fm=1e-24))
    step = 1e-10
    rounded = replace(record, values=np.round(record.values / step) * step, resolution=step)
    model = fit_clock(rounded, aging="linear")
    assert model.blocks.display.offset == pytest.approx(step / np.sqrt(6))
    assert "DISPLAY_HIDES" in {finding.code for finding in model.findings}
    assert model.frequency_at([record.duration_s]).standard_uncertainty[0] >= step / np.sqrt(6)


def test_all_readings_the_same_is_refused_with_the_reason() -> None:
    """No variance, no model: the display is to blame and the sentence says so."""
    record = Record.from_frequency(np.full(100, 3e-8), interval_s=10.0)
    with pytest.raises(InputError, match="the display, not the oscillator, limits this record"):
        fit_clock(record)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"aging": "cubic"}, "must be 'auto' or one of 'none', 'linear', 'logarithmic'"),
        ({"environment": ("pressure",)}, "no covariate 'pressure'; it has: none"),
        ({"noise_prior": "flat"}, "must be one of 'uniform'"),
    ],
)
def test_unknown_choices_are_refused(options: dict, sentence: str) -> None:
    """The sentence lists what exists."""
    with pytest.raises(InputError, match=sentence):
        fit_clock(_record(), **options)


def test_a_covariate_that_is_never_there_is_refused() -> None:
    """A column that is all missing but one value beside a missing reading."""
    values = np.array(_record().values)
    values[0] = np.nan
    room = np.full(1440, np.nan)
    room[0] = 20.0
    record = replace(_record(), values=values, covariates={"room_temperature_c": room})
    with pytest.raises(InputError, match="no reading comes with room_temperature_c"):
        fit_clock(record, environment=("room_temperature_c",))


def test_too_short_record_is_refused_with_numbers() -> None:
    """Seven samples are fewer than eight blocks."""
    record = Record.from_frequency(np.random.default_rng(0).standard_normal(7), interval_s=10.0)
    with pytest.raises(TooShortError, match="needs at least 8") as caught:
        fit_clock(record)
    assert (caught.value.needed, caught.value.available) == (8, 7)


def test_model_prints_within_a_page_and_tabulates(model: ClockModel) -> None:
    """Text stays within 80 columns; the dictionary is ready for JSON; the frame has the blocks."""
    import json

    assert max(map(len, str(model).splitlines())) <= 80
    assert "least squares would say" in str(model)
    assert json.loads(json.dumps(model.to_dict(), allow_nan=False))["blocks"] == len(model.blocks)
    assert len(model.to_frame()) == len(model.blocks)


def test_dead_time_is_not_taken_for_noise() -> None:
    """White FM measured for 1 s in every 10 s keeps its level; without the gate it would be ten times it."""
    level = 1e-22
    found = []
    for seed in range(8):
        fine = simulate_clock(60_000, interval_s=1.0, levels=NoiseLevels(white_fm=level), seed=seed)
        gated = Record.from_frequency(fine.values[::10], interval_s=10.0, gate_s=1.0)
        found.append(fit_clock(gated, aging="none", most_blocks=60).noise.white_fm)
    assert np.median(found) == pytest.approx(level, rel=0.15)
    ignored = fit_clock(replace(gated, gate_s=None), aging="none", most_blocks=60)
    assert ignored.noise.white_fm == pytest.approx(10 * level, rel=0.5)


@pytest.mark.slow
def test_upper_limits_of_hidden_noises_hold() -> None:
    """Flicker FM of a tenth of white FM, 100 averages: seldom seen, and not above its limit."""
    levels = NoiseLevels(white_fm=2 * DAY * 1e-22, flicker_fm=0.1 * 1e-22 / (2 * math.log(2)))
    above = 0
    for seed in range(20):
        noise = fit_clock(simulate_clock(100, interval_s=DAY, levels=levels, seed=seed), aging="linear").noise
        above += noise.flicker_fm == 0 and noise.upper_limits[-1] < levels.flicker_fm
    assert above <= 3  # binomial: of 20 with one in twenty, more than 3 happen in 1.6 % of cases


@pytest.mark.parametrize(
    ("law", "aging", "rate_per_day"),
    [
        ("square_root", lambda day: 3e-10 * np.sqrt(day), 1.5e-10 / math.sqrt(200)),
        ("power", lambda day: 3e-10 * day**0.3, 0.9e-10 * 200**-0.7),
    ],
)
def test_powers_of_time_are_found_though_they_begin_at_an_infinite_rate(
    law: str, aging: Callable[[np.ndarray], np.ndarray], rate_per_day: float
) -> None:
    """Thousands of times above the noise the curvature must be found to a fraction of the first grid."""
    record = simulate_clock(
        200 * 96,
        interval_s=900.0,
        levels=NoiseLevels(white_fm=2e-19),
        seed=4,
        aging=lambda seconds: aging(seconds / DAY),
    )
    rate = fit_clock(record, aging=law).aging_rate().per_day
    assert rate.value == pytest.approx(rate_per_day, rel=5e-3)
    assert abs(rate.value - rate_per_day) < 3.5 * rate.standard_uncertainty


@pytest.mark.slow
@pytest.mark.parametrize("asked", ["fit", "assess"])
def test_linear_algebra_of_a_fit_starts_no_threads(asked: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two threads over some hundred numbers took eight times the processor time on a busy machine."""
    seen: set[int] = set()

    def watched(name: str) -> None:
        usual = getattr(np.linalg, name)

        def told(*arguments: object, **named: object) -> object:
            seen.update(each["num_threads"] for each in threadpool_info() if each["user_api"] == "blas")
            return usual(*arguments, **named)

        monkeypatch.setattr(np.linalg, name, told)

    for name in ("qr", "inv", "solve", "slogdet"):
        watched(name)
    record = _record(days=10)
    with threadpool_limits(2, user_api="blas"):
        if asked == "fit":
            fit_clock(record, aging="linear").time_error_at([20 * DAY])
        else:
            eb.assess(record, tolerance=1e-7)

    assert seen == {1}
