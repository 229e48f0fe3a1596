"""What a record cannot tell apart is left out and said: steps, covariates and a daily wave."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.clock.model import ClockModel
from evenbeat.command.main import main
from evenbeat.record import Flag, Record

DAY = 86400.0


def _clock(seed: int = 1, samples: int = 600) -> Record:
    return eb.simulate_clock(
        samples, interval_s=600.0, levels=eb.NoiseLevels(white_fm=2e-21, flicker_fm=1e-25), seed=seed
    )


def _stepped(record: Record, *steps: int, size: float = 1e-11) -> Record:
    """Return the record with frequency steps, flagged."""
    values = np.array(record.values)
    for at in steps:
        values[at:] += size
    flags = [
        Flag(cause="frequency_step", start=at, stop=at, excluded=False, sentence="A step.", size=size)
        for at in steps
    ]
    return replace(record, values=values).with_flags(*flags)


def _said(model: ClockModel, code: str) -> list[str]:
    return [finding.sentence for finding in model.findings if finding.code == code]


def _in_a_week(model: ClockModel) -> list[float]:
    forecast = model.frequency_at([7 * DAY])
    return [*forecast.mean, *forecast.standard_uncertainty]


def _jump(record: Record, at: int) -> np.ndarray:
    return np.where(np.arange(len(record)) < at, 23.0, 23.5)


def _refused(model: ClockModel, name: str) -> str:
    """Return why a covariate is not determined, having checked that nothing says otherwise."""
    assert np.isnan(model.sensitivity(name).value)
    assert np.isnan(model.lag(name).value)
    assert np.isnan(model.change_between(name, 20.0, 21.0).value)
    found = json.loads(json.dumps(model.to_dict(), allow_nan=False))
    assert found["sensitivity"][name] is None
    assert f"sensitivity to {name}" in str(model)
    assert "not determined" in str(model)
    with pytest.raises(eb.InputError, match=f"no forecast can follow {name}"):
        model.frequency_at([0.0], environment={name: eb.Course.steady(20.0)})
    (finding,) = [f for f in model.findings if f.values.get("covariate") == name]
    assert (finding.code, finding.severity) == ("INFLUENCE_NOT_DETERMINED", "caution")
    assert finding.sentence == found["not_determined"][name]
    return finding.sentence


@pytest.mark.slow
def test_two_steps_at_one_place_count_as_one() -> None:
    """Twice flagged, once fitted: the same forecast as from one flag of the whole size."""
    record = _stepped(_clock(), 300, 300)
    once = _stepped(_clock(), 300, size=2e-11)
    twice, single = eb.fit_clock(record, aging="linear"), eb.fit_clock(once, aging="linear")
    (sentence,) = _said(twice, "STEP_NOT_DETERMINED")
    assert "count as one step" in sentence
    for model in (twice, single):
        assert "1 step of frequency" in _said(model, "STEPS_MODELLED")[0]
    assert _in_a_week(twice) == pytest.approx(_in_a_week(single), rel=1e-6)


@pytest.mark.parametrize("late", [0, pytest.param(1, marks=pytest.mark.slow), 2])
def test_temperature_that_jumps_where_the_frequency_steps(late: int) -> None:
    """The step keeps the change, the temperature is not determined; a sensor some samples late is no help."""
    record = _stepped(_clock(), 300)
    warmed = replace(record, covariates={"bench_c": _jump(record, 300 + late)})
    model = eb.fit_clock(warmed, environment=["bench_c"], aging="linear")
    sentence = _refused(model, "bench_c")
    assert "it changes only where the step 2.08 d into the record comes" in sentence
    assert "cannot be told apart" in sentence
    assert _in_a_week(model) == pytest.approx(_in_a_week(eb.fit_clock(record, aging="linear")), rel=1e-6)


def test_temperature_that_also_moves_elsewhere_is_told_apart() -> None:
    """The same jump with a daily swing beside it leaves both step and sensitivity determined."""
    record = _stepped(_clock(), 300)
    room = _jump(record, 300) + np.sin(2 * np.pi * record.elapsed_s / DAY)
    values = record.values + 2e-11 * (room - 23)
    model = eb.fit_clock(
        replace(record, values=values, covariates={"room_c": room}),
        aging="linear",
        environment=[eb.Influence("room_c", lag_s=0.0)],
    )
    low, high = model.sensitivity("room_c").interval()
    assert low < 2e-11 < high
    assert not _said(model, "INFLUENCE_NOT_DETERMINED")


def test_temperature_that_hardly_moves_elsewhere_is_called_collinear_with_the_step() -> None:
    """A hundredth of the jump elsewhere: both are fitted, and the finding says how little that is worth."""
    record = _stepped(_clock(), 300)
    room = _jump(record, 300) + 0.02 * np.random.default_rng(1).standard_normal(len(record))
    model = eb.fit_clock(replace(record, covariates={"room_c": room}), environment=["room_c"], aging="linear")
    (sentence,) = _said(model, "COLLINEAR_WITH_STEP")
    assert "variance inflation" in sentence


def test_a_stated_lag_tells_a_jump_from_a_step() -> None:
    """What comes ten samples later than the step, and slowly, is not the step."""
    record = _stepped(_clock(), 300)
    warmed = replace(record, covariates={"bench_c": _jump(record, 300)})
    model = eb.fit_clock(warmed, environment=[eb.Influence("bench_c", lag_s=6 * 3600.0)])
    assert np.isfinite(model.sensitivity("bench_c").value)


def test_a_stated_lag_alone_beside_no_aging() -> None:
    """Nothing to be told apart from is no fault."""
    record = _clock()
    record = replace(record, covariates={"room_c": 20 + np.sin(record.elapsed_s / 5000)})
    model = eb.fit_clock(record, environment=[eb.Influence("room_c", lag_s=1200.0)], aging="none")
    assert np.isfinite(model.sensitivity("room_c").value)


def test_constant_temperature_is_not_determined() -> None:
    """A covariate that never changes shows no influence."""
    record = replace(_clock(), covariates={"oven_temperature_c": np.full(600, 78.4)})
    model = eb.fit_clock(record, environment=("oven_temperature_c",))
    assert "it is 78.4 throughout" in _refused(model, "oven_temperature_c")


def test_temperature_linear_in_time_is_the_aging() -> None:
    """The aging keeps what it shares with a temperature that only rises."""
    record = _clock()
    ramp = replace(record, covariates={"room_c": 20 + 1e-5 * record.elapsed_s})
    model = eb.fit_clock(ramp, environment=["room_c"], aging="linear")
    assert "it moves just as the aging does" in _refused(model, "room_c")
    plain = eb.fit_clock(record, aging="linear")
    assert model.aging_rate().interval() == pytest.approx(plain.aging_rate().interval(), rel=1e-6)


def test_least_squares_survives_a_temperature_that_is_its_line() -> None:
    """Without aging the temperature is determined, though plain least squares takes it for its slope."""
    record = _clock()
    ramp = replace(record, covariates={"room_c": 20 + 1e-5 * record.elapsed_s})
    model = eb.fit_clock(ramp, environment=[eb.Influence("room_c", lag_s=0.0)], aging="none")
    assert np.isfinite(model.sensitivity("room_c").value)
    assert np.isfinite(model.least_squares.rate.standard_uncertainty)


def test_equal_temperatures_share_what_the_first_one_keeps() -> None:
    """Of two columns that say the same, the second is not determined."""
    record = _clock()
    room = 20 + np.sin(2 * np.pi * record.elapsed_s / DAY)
    twins = replace(record, covariates={"room_c": room, "bench_c": 2 * room - 7})
    model = eb.fit_clock(twins, environment=["room_c", "bench_c"], aging="linear")
    assert "it moves just as room_c does" in _refused(model, "bench_c")
    assert np.isfinite(model.sensitivity("room_c").value)


def test_two_temperatures_show_no_curve() -> None:
    """Of a covariate with two values only the line is fitted, and a finding says so."""
    record = _clock()
    room = np.where((np.arange(600) // 97) % 2 == 0, 20.0, 21.0)
    model = eb.fit_clock(
        replace(record, covariates={"room_c": room}),
        environment=[eb.Influence("room_c", order=3, lag_s=0.0)],
    )
    (sentence,) = _said(model, "INFLUENCE_OF_LOWER_ORDER")
    assert "to order 1 only" in sentence
    assert np.isfinite(model.sensitivity("room_c").value)
    with pytest.raises(eb.InputError, match="fitted to order 1"):
        model.sensitivity("room_c", 2)


def test_daily_wave_beside_a_temperature_that_is_one() -> None:
    """The temperature keeps a wave that both explain."""
    record = _clock()
    room = 20 + np.sin(2 * np.pi * (record.elapsed_s + 300.0) / DAY)
    model = eb.fit_clock(
        replace(record, covariates={"room_c": room}),
        environment=[eb.Influence("room_c", lag_s=0.0)],
        daily_wave=True,
    )
    (sentence,) = _said(model, "WAVE_NOT_DETERMINED")
    assert "room_c" in sentence
    with pytest.raises(eb.InputError, match="daily wave"):
        model.daily_wave()


@pytest.mark.slow
def test_adjustments_at_one_moment_are_one_step() -> None:
    """Two calibrations of one day that both adjusted the clock after its log."""
    record = replace(_clock(), start=np.datetime64("2026-01-01"))
    points = [
        eb.CalibrationPoint(
            at="2026-02-01", as_found=1e-12, as_left=left, adjusted=True, standard_uncertainty=1e-12
        )
        for left in (0.0, 1e-13)
    ]
    forecast = eb.fit_clock(record, calibrations=points).frequency_at(["2026-03-01"])
    assert abs(forecast.mean[0]) < 3e-12
    assert 0 < forecast.standard_uncertainty[0] < 1e-11


@pytest.mark.slow
def test_backtest_leaves_out_origins_before_a_temperature_moved() -> None:
    """A model without the temperature is another model; one that never moves keeps none from being tested."""
    record = _clock()
    still = np.full(600, 20.0)
    late = np.where(np.arange(600) < 400, still, 20 + np.sin(np.arange(600) / 20))
    late = replace(record, covariates={"room_c": late, "oven_c": still})
    result = eb.backtest(late, origins=6, most_blocks=40, aging="linear", environment=["room_c", "oven_c"])
    assert result.origins_s.min() > 400 * 600.0
    (finding,) = [f for f in result.findings if f.code == "ORIGINS_LEFT_OUT"]
    assert "room_c is not determined" in finding.sentence


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
def test_no_record_ends_in_a_traceback(seed: int) -> None:
    """Steps anywhere, at once and at the ends, short records, odd covariates: an answer or a sentence."""
    generator = np.random.default_rng(seed)
    kind = ("phase", "frequency")[seed % 2]
    n = int(generator.choice([16, 24, 60, 200, 400]))
    record = eb.simulate_clock(
        n, interval_s=60.0, levels=eb.NoiseLevels(white_pm=1e-22, white_fm=1e-22), seed=seed, kind=kind
    )
    values, flags, at = np.array(record.values), [], [n // 2]
    for _ in range(int(generator.integers(1, 6))):
        at.append(int(generator.choice([generator.integers(n), 0, 1, n - 2, n - 1, at[-1]])))
        cause = "phase_step" if kind == "phase" and generator.random() < 0.5 else "frequency_step"
        size = 1e-9 * 10.0 ** generator.uniform(0, 4)
        values[at[-1] :] += size
        flags.append(
            Flag(cause=cause, start=at[-1], stop=at[-1], excluded=False, sentence="A step.", size=size)
        )
    if generator.random() < 0.5:
        values[generator.integers(0, n, size=n // 8)] = np.nan
    index = np.arange(n)
    columns = {
        "linear_c": 20 + 0.01 * index,
        "jump_c": 20.0 + (index >= at[1]),
        "twin_c": 5 - 2.0 * (index >= at[1]),
        "wave_c": 20 + np.sin(index / 7),
        "spike_c": 20.0 + (index == at[-1]),
    }
    names = [str(name) for name in generator.choice(list(columns), size=2, replace=False)]
    record = replace(record, values=values, covariates=columns).with_flags(*flags)
    environment = [eb.Influence(name, order=int(generator.integers(1, 4))) for name in names]
    try:
        model = eb.fit_clock(record, environment=environment)
    except eb.InputError as error:
        refusal = str(error)
    else:
        refusal = ""
    if refusal:
        assert "log longer" in refusal or "needs at least" in refusal
        return
    forecast = model.time_error_at(record.duration_s * np.array([1.1, 2.0]))
    assert np.isfinite(forecast.interval()).all()
    json.dumps(model.to_dict(), allow_nan=False)
    for name in names:
        said = any(finding.values.get("covariate") == name for finding in model.findings)
        assert np.isnan(model.sensitivity(name).value) == said


@pytest.mark.slow
def test_the_command_says_what_is_not_determined(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Text, JSON and page of a log whose temperature jumps where its frequency steps."""
    noise = 1e-10 * np.random.default_rng(1).standard_normal(3000)
    hertz = 1e7 * (1 + 1e-8 + noise + np.where(np.arange(3000) < 1200, 0.0, 5e-9))
    rows = (f"{k},{f:.5f},{23.0 if k < 1200 else 23.5}" for k, f in enumerate(hertz))
    log, folder = tmp_path / "jump.csv", tmp_path / "out"
    log.write_text("\n".join(["time_s,frequency_hz,temperature_c", *rows]))
    assert main(["assess", str(log), "--tolerance", "1e-7", "-o", str(folder), "--set", "pdf=no"]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "The influence of temperature_c is not determined" in printed
    found = json.loads((folder / "result.json").read_text())
    assert found["clock_model"]["sensitivity"] == {"temperature_c": None}
    assert found["settings"]["environment_not_determined"] == ["temperature_c"]
    page = (folder / "report.html").read_text()
    assert "not determined" in page
    assert "NaN" not in page.replace("isNaN", "")


@pytest.mark.slow
def test_demo_log_with_an_oven_that_stands_still(demo_data: Path) -> None:
    """The oven's sensor shows one value while the log is used: said, not refused."""
    record = eb.condition(eb.read_log(demo_data / "kittiwake.csv.gz"))
    model = eb.fit_clock(record, environment=("oven_temperature_c",))
    assert "it is 78.4 throughout" in _refused(model, "oven_temperature_c")
