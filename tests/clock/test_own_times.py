"""The clock model on readings at epochs of their own: spans, gaps, steps, and the whole job.

The clocks are made with exact steps of a two-state model (white FM, random-walk FM), which is not the
generator of the package.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.record import Flag

DAY = 86400.0


def clock(
    rng: np.random.Generator,
    epochs: np.ndarray,
    *,
    white_fm: float = 0.0,
    walk: float = 0.0,
    drift: float = 0.0,
    offset: float = 3e-8,
) -> np.ndarray:
    """Return time errors at epochs; white and random-walk FM by what they add in one second."""
    steps = np.diff(epochs)
    wander = np.concatenate([[0.0], np.cumsum(walk * np.sqrt(steps) * rng.normal(size=len(steps)))])
    gained = white_fm * np.sqrt(steps) * rng.normal(size=len(steps))
    gained += walk * np.sqrt(steps**3 / 12) * rng.normal(size=len(steps))
    gained += 0.5 * (wander[1:] + wander[:-1]) * steps
    since = epochs - epochs[0]
    return np.concatenate([[0.0], np.cumsum(gained)]) + offset * since + 0.5 * drift * since**2


def hand_readings(seed: int, rows: int = 40, *, noise: float = 3e-9, drift: float = 1e-15) -> eb.Record:
    """Return readings of ten seconds some weeks apart, with their noise, and a drift."""
    rng = np.random.default_rng(seed)
    epochs = np.concatenate([[0.0], np.cumsum(rng.uniform(10, 40, rows - 1) * DAY)])
    values = 3e-8 + drift * epochs + noise * rng.normal(size=rows)
    return eb.Record.from_frequency(values, epochs_s=epochs, gate_s=10.0, start="2024-01-06")


def test_the_aging_of_hand_readings_is_that_of_their_line() -> None:
    """White noise of the readings: the rate and its uncertainty are those of a straight line through them."""
    record = hand_readings(1)
    rate = eb.fit_clock(record, aging="linear").aging_rate()
    columns = np.column_stack([np.ones(40), record.elapsed_s])
    solution, residual, *_ = np.linalg.lstsq(columns, record.values, rcond=None)
    error = np.sqrt(residual[0] / 38 * np.linalg.inv(columns.T @ columns)[1, 1])
    assert abs(rate.value - solution[1]) < 0.5 * error
    assert 0.9 * error < rate.standard_uncertainty < 3 * error


def test_the_length_of_short_gates_changes_neither_aging_nor_offset() -> None:
    """One second or a hundred, a month apart: only the white FM that they mean is another."""
    models = []
    for gate in (1.0, 100.0):
        record = hand_readings(2)
        own = eb.Record.from_frequency(record.values, epochs_s=record.elapsed_s, gate_s=gate)
        models.append(eb.fit_clock(own, aging="linear"))
    one, other = models
    rates = [model.aging_rate() for model in models]
    assert rates[0].value == pytest.approx(rates[1].value, rel=1e-3)
    assert rates[0].standard_uncertainty == pytest.approx(rates[1].standard_uncertainty, rel=0.03)
    ends = [model.frequency_at([model.record.duration_s]) for model in models]
    assert ends[0].standard_uncertainty[0] == pytest.approx(ends[1].standard_uncertainty[0], rel=0.03)
    assert other.noise.white_fm == pytest.approx(100 * one.noise.white_fm, rel=1e-2)


def test_epochs_of_a_grid_with_holes_give_what_the_grid_gives() -> None:
    """Phase read now and then: held on a grid or at epochs of its own, the model is the same."""
    rng = np.random.default_rng(3)
    kept = np.sort(rng.choice(np.arange(1, 2000), 120, replace=False))
    kept = np.concatenate([[0], kept, [2000]])
    phase = clock(rng, kept * DAY / 10, white_fm=1e-9, drift=1e-17)
    gridded = np.full(2001, np.nan)
    gridded[kept] = phase
    on_grid = eb.fit_clock(eb.Record.from_phase(gridded, interval_s=DAY / 10))
    odd = 0.5 * (kept[60] + kept[61]) + 0.3  # one row without a reading, which makes it no grid
    epochs, values = np.insert(kept * DAY / 10, 61, odd * DAY / 10), np.insert(phase, 61, np.nan)
    own = eb.Record.from_phase(values, epochs_s=epochs)
    assert own.epochs_ns is not None
    model = eb.fit_clock(own)
    assert len(model.blocks) == len(on_grid.blocks) == 121
    rate, expected = model.aging_rate(), on_grid.aging_rate()
    assert abs(rate.value - expected.value) < 0.05 * expected.standard_uncertainty
    assert rate.standard_uncertainty == pytest.approx(expected.standard_uncertainty, rel=0.05)


@pytest.mark.slow
def test_means_of_their_own_spans_and_the_phase_between_them_agree() -> None:
    """Frequencies that fill the time say what the phase at their edges says."""
    rng = np.random.default_rng(4)
    epochs = np.concatenate([[0.0], np.cumsum(rng.exponential(DAY, 150))])
    phase = eb.Record.from_phase(clock(rng, epochs, white_fm=1e-9, drift=1e-16), epochs_s=epochs)
    by_phase, by_frequency = eb.fit_clock(phase), eb.fit_clock(phase.to_frequency())
    assert by_frequency.aging_rate().value == pytest.approx(by_phase.aging_rate().value, rel=0.1)
    horizon = phase.duration_s * 1.3
    one, other = by_phase.time_error_at([horizon]), by_frequency.time_error_at([horizon])
    assert one.mean[0] == pytest.approx(other.mean[0], rel=0.02)
    assert one.standard_uncertainty[0] == pytest.approx(other.standard_uncertainty[0], rel=0.25)


def test_many_readings_are_grouped_without_losing_what_they_know() -> None:
    """Three thousand readings in some two hundred averages: the same aging and forecast as from a third."""
    rng = np.random.default_rng(5)
    epochs = np.concatenate([[0.0], np.cumsum(rng.exponential(3600.0, 2999))])
    values = 1e-9 + 1e-16 * epochs + 1e-11 * rng.normal(size=3000)
    model = eb.fit_clock(eb.Record.from_frequency(values, epochs_s=epochs, gate_s=1e-3), aging="linear")
    assert 180 <= len(model.blocks) <= 450
    slope = np.polyfit(epochs, values, 1, cov=True)
    error = np.sqrt(slope[1][0, 0])
    assert abs(model.aging_rate().value - slope[0][0]) < error
    assert 0.9 * error < model.aging_rate().standard_uncertainty < 3 * error
    assert model.noise.white_fm == pytest.approx(2 * 1e-3 * 1e-22, rel=0.1)  # h₀ = 2 τ σ²


@pytest.mark.parametrize("cause", ["frequency_step", "phase_step"])
def test_a_flagged_step_has_a_free_size(cause: str) -> None:
    """It moves neither the aging rate nor the forecast beyond what a free size does."""
    rng = np.random.default_rng(6)
    epochs = np.concatenate([[0.0], np.cumsum(rng.exponential(DAY, 120))])
    phase = clock(rng, epochs, white_fm=1e-9)
    stepped = phase.copy()
    stepped[70:] += 1e-3 if cause == "phase_step" else 1e-8 * (epochs[70:] - epochs[70])
    flag = Flag(cause=cause, start=70, stop=70, excluded=False, sentence="", size=1e-8)
    records = [eb.Record.from_phase(each, epochs_s=epochs) for each in (phase, stepped)]
    clean, model = (eb.fit_clock(record.with_flags(flag)) for record in records)
    assert model.aging_rate().value == pytest.approx(clean.aging_rate().value, rel=1e-3)
    assert "STEPS_MODELLED" in {finding.code for finding in model.findings}
    end = records[0].duration_s
    gained = [each.time_error_at([1.2 * end]).mean[0] for each in (clean, model)]
    extra = 0.2 * end * 1e-8 * (cause == "frequency_step")
    assert gained[1] - gained[0] == pytest.approx(extra, abs=1e-3 * 0.2 * end * 1e-9)


def test_what_the_model_cannot_do_without_a_grid_is_one_sentence() -> None:
    """A temperature and a second opinion say what would make them possible."""
    record = hand_readings(7)
    warm = eb.Record.from_frequency(
        record.values,
        epochs_s=record.elapsed_s,
        gate_s=10,
        covariates={"room_temperature_c": np.arange(40.0)},
    )
    for asked in (
        lambda: eb.fit_clock(warm, environment="room_temperature_c"),
        lambda: eb.crosscheck(eb.fit_clock(record), record),
    ):
        with pytest.raises(eb.InputError, match=r"needs readings on a grid.*on_grid\(interval_s=…\)"):
            asked()


@pytest.mark.slow
def test_a_backtest_of_phase_and_of_hand_readings() -> None:
    """Forecasts within the record hold nearly all outcomes; sparse frequencies show no time error."""
    rng = np.random.default_rng(12)
    epochs = np.concatenate([[0.0], np.cumsum(rng.exponential(DAY, 150))])
    phase = eb.Record.from_phase(clock(rng, epochs, white_fm=1e-9, drift=1e-17), epochs_s=epochs)
    tested = eb.backtest(phase, origins=12, horizons_s=[3 * DAY, 20 * DAY], aging="linear")
    assert {outcome.quantity for outcome in tested.outcomes} == {"frequency", "time_error"}
    assert np.mean([each.low <= each.observed <= each.high for each in tested.outcomes]) > 0.85
    ends = [outcome.origin_s for outcome in tested.outcomes]
    assert set(ends) <= set(epochs)
    sparse = eb.backtest(hand_readings(13, rows=60), origins=8, aging="linear")
    assert {outcome.quantity for outcome in sparse.outcomes} == {"frequency"}
    assert np.mean([each.low <= each.observed <= each.high for each in sparse.outcomes]) > 0.85


@pytest.mark.slow
def test_the_whole_job_on_a_hand_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Holdover, interval, verdict, report and exit status, from Python and by the command."""
    record = hand_readings(8)
    assessed = eb.assess(record, tolerance=1e-6)
    assert assessed.model is not None
    assert assessed.curves == {}
    (said,) = (finding for finding in assessed.findings if finding.code == "NO_CURVES")
    assert "on_grid(interval_s=…)" in said.sentence
    assert assessed.interval is not None
    assert assessed.interval.interval_s > 1e6
    assert "40 readings at times of their own (median spacing" in str(assessed)
    assert {"AS_PREDICTED"} <= {finding.code for finding in assessed.findings}
    path = tmp_path / "hand.csv"
    frame = record.to_frame()
    frame["frequency_hz"] = 1e7 * (1 + frame["fractional_frequency"])
    frame[["utc", "frequency_hz"]].to_csv(path, index=False, float_format="%.4f")
    folder = tmp_path / "report"
    asked = ["--nominal-frequency", "10 MHz", "--set", "gate=10 s", "--tolerance", "1e-6", "--set", "pdf=no"]
    assert main(["assess", str(path), *asked, "--output", str(folder)]) == 0
    assert "at times of their own" in " ".join(capsys.readouterr().out.split())
    assert "at times of their own" in (folder / "report.html").read_text(encoding="utf-8")
    results = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    assert results["record"]["interval_s"] is None


@pytest.mark.slow
def test_telemetry_with_a_temperature(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a grid the temperature is left out and that is said; on_grid brings it and the deviations."""
    rng = np.random.default_rng(14)
    seconds = np.cumsum(rng.uniform(300, 1500, 900))
    room = 22 + np.sin(2 * np.pi * seconds / DAY) + 0.2 * rng.normal(size=900)
    hertz = 1e7 * (1 + 1e-9 + 1e-10 * (room - 22) + 1e-11 * rng.normal(size=900))
    rows = zip(seconds, hertz, room, strict=True)
    path = tmp_path / "telemetry.csv"
    path.write_text(
        "elapsed_s,frequency_hz,room_temperature_c\n"
        + "".join(f"{t:.3f},{f:.6f},{c:.2f}\n" for t, f, c in rows)
    )
    asked = ["assess", str(path), "--nominal-frequency", "10 MHz", "--set", "gate=100 s", "--no-report"]
    assert main(asked) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "room_temperature_c did to the clock was not modelled" in said
    assert main([*asked, "--set", "on_grid=1 h"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "readings every 1 h" in said
    assert "room temperature" in said
    assert "Allan deviation" in said
    assert main([*asked, "--set", "on_grid=1 s"]) == 2
    assert "choose a longer one" in " ".join(capsys.readouterr().err.split())


def test_a_clock_that_changed_is_not_foretold() -> None:
    """Hand readings whose last fifth jumps by thirty times their noise: said, and no interval is given."""
    record = hand_readings(9)
    values = np.array(record.values)
    values[record.elapsed_s > 0.82 * record.duration_s] += 1e-7
    changed = eb.Record.from_frequency(values, epochs_s=record.elapsed_s, gate_s=10)
    assessed = eb.assess(changed, tolerance=1e-6)
    assert "NOT_AS_PREDICTED" in {finding.code for finding in assessed.findings}
    assert assessed.interval is None


def test_part_of_a_log_at_its_own_times() -> None:
    """--from and --until cut between readings; the end of the log is named where a moment lies beyond it."""
    record = hand_readings(10)
    part = eb.assess(record, start=200 * DAY, tolerance=1e-6).record
    assert len(part) == int(np.count_nonzero(record.elapsed_s >= 200 * DAY))
    with pytest.raises(eb.InputError, match="lies outside the log"):
        eb.assess(record, start=1e10)


def test_figures_draw_readings_at_their_times() -> None:
    """The line of the readings has their times, in days."""
    record = eb.condition(hand_readings(11))
    axes = eb.plot(record)
    line = next(line for line in np.ravel(axes)[0].get_lines() if len(line.get_xdata()) == 40)
    np.testing.assert_allclose(line.get_xdata(), record.elapsed_s / DAY)
    eb.plot(eb.conditioning_report(record))


def test_the_nine_year_clock_is_one_record(open_data: Path) -> None:
    """Fifty-six dates of nine years: read as they are, and the offset of the last year is found."""
    path = open_data / "nine-year-quartz-clock.csv"
    record = eb.condition(eb.read_log(path, columns={"value": "clock_minus_ref_s"}))
    assert len(record) == 56
    assert record.excluded == 0
    last = (record.values[-1] - record.values[-6]) / (record.elapsed_s[-1] - record.elapsed_s[-6])
    middle = 0.5 * (record.elapsed_s[-1] + record.elapsed_s[-6])
    found = eb.fit_clock(record).frequency_at([middle])
    assert abs(found.mean[0] - last) < 4 * found.standard_uncertainty[0] + 0.02 * last


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "walk"), [("hand readings", 0.0), ("phase", 0.0), ("phase", 3e-13)])
def test_bands_from_irregular_epochs_cover(kind: str, walk: float) -> None:
    """Of 100 clocks the 95 % bands of the aging rate and of a forecast one record ahead hold at least 90.

    They are no wider than on a grid (``real_clocks.md``: white FM about twice a straight line's, which
    knows that there is no walk), and with a random walk they hold no more than 99.
    """
    runs, rates, ahead, width = 100, 0, 0, 0.0
    for seed in range(runs):
        rng = np.random.default_rng([7, seed])
        drift = 2e-16 * rng.normal()
        epochs = np.concatenate([[0.0], np.cumsum(rng.exponential(DAY, 79))])
        end = 2 * epochs[-1]
        if kind == "phase":
            phase = clock(rng, np.append(epochs, end), white_fm=1e-9, walk=walk, drift=drift)
            model = eb.fit_clock(eb.Record.from_phase(phase[:-1], epochs_s=epochs), aging="linear")
            gained, line = phase[-1] - phase[-2], 1e-9 * np.sqrt(12 / epochs[-1] ** 3)
        else:
            values = 3e-8 + drift * epochs + 1e-10 * rng.normal(size=80)
            model = eb.fit_clock(eb.Record.from_frequency(values, epochs_s=epochs, gate_s=10), aging="linear")
            start, line = model.record.duration_s, 1e-10 / np.sqrt(80 * np.var(epochs))
            gained = 3e-8 * (end - start) + 0.5 * drift * (end**2 - start**2)
        low, high = model.aging_rate().interval()
        rates += bool(low <= drift <= high)
        low, high = (float(limit[0]) for limit in model.time_error_at([end]).interval())
        ahead += bool(low <= gained <= high)
        width += model.aging_rate().standard_uncertainty / line / runs
    assert rates >= 90
    assert ahead >= 90
    if walk:
        assert max(rates, ahead) <= 99
    else:
        assert 1 < width < 3
