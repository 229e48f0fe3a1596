"""A log and calibrations in one model: against dense least squares and quadrature done by hand."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from evenbeat.clock.calibration_points import CalibrationPoint, calibration_points
from evenbeat.clock.covariance import Spans, mean_frequency_covariance, unit_level
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.fusion import FusedModel, gamma_rule
from evenbeat.errors import InputError, LogError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.record import Record

DAY = 86400.0
MIXED = NoiseLevels(white_fm=1e-20, flicker_fm=1e-24, random_walk_fm=1e-32)
REFERENCE = Estimate.normal(1e-11, 3e-11, "")
DRIFT = Estimate.normal(0.0, 1e-18, "/s")


def clock(seed: int = 1, days: int = 60, levels: NoiseLevels = MIXED) -> Record:
    """Return a daily record that ages by 1e-11 a day."""
    return simulate_clock(
        days,
        interval_s=DAY,
        levels=levels,
        seed=seed,
        frequency_offset=2e-9,
        aging=lambda t: 1e-11 * t / DAY,
        start="2026-01-01",
    )


def line(day: float) -> float:
    """Return the offset that a clock without noise would have."""
    return 2e-9 + 1e-11 * day


def points() -> list[CalibrationPoint]:
    """Return calibrations before and after the log, the middle one with an adjustment of -3e-9."""
    made = [
        CalibrationPoint(at=-80 * DAY, as_found=line(-80) + 3e-9, standard_uncertainty=2e-10),
        CalibrationPoint(
            at=-30 * DAY,
            as_found=line(-30) + 3.1e-9,
            as_left=line(-30) - 1e-10,
            adjusted=True,
            standard_uncertainty=1e-10,
        ),
        CalibrationPoint(at=70 * DAY, as_found=line(70) + 5e-11, standard_uncertainty=1e-10),
    ]
    return [replace(point, averaging_time_s=DAY) for point in made]


@pytest.fixture(scope="module")
def fused() -> FusedModel:
    """Return a fitted log with calibrations and an imperfect reference."""
    model = fit_clock(
        clock(), aging="linear", calibrations=points(), reference_offset=REFERENCE, reference_drift=DRIFT
    )
    assert isinstance(model, FusedModel)
    return model


def dense_answer(model: FusedModel, which: int, factor: float, target: Spans) -> tuple[float, float, float]:
    """Return mean and variance of a target, and log density of the offsets, by least squares on all at once.

    One vector of blocks, offsets and target with its complete covariance; constant, slope and the step as
    regression columns without prior; reference and measurements as covariance. Nothing of the package but
    the covariance of mean frequencies is used.
    """
    fusion = model.fusion
    assert fusion is not None
    component = fusion.log.components[which]
    node, fit = model.grid.nodes[component.node], model.variants[component.variant].fit
    level = float(fit.level[component.node, component.walk]) * factor
    offsets, blocks = fusion.offsets, model.grid.spans
    spans = Spans(
        start=np.concatenate([blocks.start, offsets.spans.start, target.start]),
        stop=np.concatenate([blocks.stop, offsets.spans.stop, target.stop]),
    )
    ratios = {0: 1.0, -1: node.flicker_fm, node.moving: float(node.ratios[component.walk])}
    if node.white_pm > 0:
        ratios[2] = node.white_pm
    total = sum(
        level
        * ratio
        * unit_level(exponent, model.grid.block)
        * mean_frequency_covariance(exponent, spans, spans)
        for exponent, ratio in ratios.items()
    )
    n, k = len(blocks), len(offsets)
    absolute = np.concatenate([np.zeros(n), np.ones(k + 1)])
    lean = np.column_stack([absolute, absolute * (spans.middle - 1)])
    total = total + lean @ model.reference.covariance @ lean.T
    total[n : n + k, n : n + k] += np.diag(offsets.variance)
    step = np.concatenate([np.zeros(n), -np.ones(2), np.zeros(len(spans) - n - 2)])  # before the adjustment
    design = np.column_stack([np.ones(len(spans)), spans.middle, step])
    y = (model.blocks.frequency - model.blocks.frequency.mean()) / model.scale
    y = np.concatenate([y, offsets.value - lean[n : n + k] @ model.reference.mean])
    total = total + 10 * np.abs(total).max()  # a constant is annihilated: this only makes it positive
    known = n + k
    mean, variance = _krige(total, design, y, known)
    density = _restricted(total[:known, :known], design[:known], y) - _restricted(
        total[:n, :n], design[:n, :2], y[:n]
    )
    return mean + float(lean[-1] @ model.reference.mean), variance, density


def _krige(total: FloatArray, design: FloatArray, y: FloatArray, known: int) -> tuple[float, float]:
    inverse = np.linalg.inv(total[:known, :known])
    x, wanted, towards = design[:known], design[known], total[known, :known]
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    excess = wanted - towards @ inverse @ x
    mean = wanted @ beta + towards @ inverse @ (y - x @ beta)
    variance = (
        total[known, known] - towards @ inverse @ towards + excess @ np.linalg.solve(information, excess)
    )
    return float(mean), float(variance)


def _restricted(total: FloatArray, x: FloatArray, y: FloatArray) -> float:
    inverse = np.linalg.inv(total)
    information = x.T @ inverse @ x
    residual = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    logs = np.linalg.slogdet(total)[1] + np.linalg.slogdet(information)[1]
    return float(-0.5 * (logs + residual @ inverse @ residual))


@pytest.mark.grid(2)
@pytest.mark.parametrize("share", [0.0, 0.5])
def test_conditioning_is_least_squares_on_everything_at_once(fused: FusedModel, share: float) -> None:
    """Mean, variance and density at single points of the posterior, to six digits."""
    assert fused.fusion is not None
    target = Spans(start=np.array([1.0]), stop=np.array([1.5]))
    parts = list(fused.fusion.conditioned(target, fused._designs(target)))
    place = int(share * len(parts))
    which, factor, _ = fused.fusion.points[place]
    mean, variance, _ = dense_answer(fused, which, factor, target)
    assert parts[place].mean[0] == pytest.approx(mean, rel=1e-5)
    assert parts[place].covariance[0, 0] == pytest.approx(variance, rel=1e-5)


def test_reweighting_is_by_the_density_of_the_offsets(fused: FusedModel) -> None:
    """Differences of log density between points of the posterior are those of the restricted likelihood."""
    assert fused.fusion is not None
    target = Spans(start=np.array([1.0]), stop=np.array([1.5]))
    some = fused.fusion._surprises[:: max(1, len(fused.fusion._surprises) // 5)]
    ours = np.array([density for *_, density, _ in some])
    dense = np.array([dense_answer(fused, which, factor, target)[2] for which, factor, *_ in some])
    assert ours - ours[0] == pytest.approx(dense - dense[0], abs=1e-4)


def test_level_is_integrated_as_by_quadrature() -> None:
    """E over σ² ~ ν/χ²_ν of a normal density: Gauss's rule against scipy's adaptive quadrature."""

    def density(factor: float) -> float:
        return float(stats.norm.pdf(1.3, scale=math.sqrt(0.4 + factor)))

    for freedom, count in ((12.0, 9), (30.0, 5), (100.0, 3), (300.0, 3)):
        values, weights = gamma_rule(freedom, count)
        assert weights.sum() == pytest.approx(1.0, rel=1e-12)
        exact, _ = integrate.quad(
            lambda g, v=freedom: density(v / g) * stats.chi2.pdf(g, v), 0, freedom + 40 * math.sqrt(freedom)
        )
        assert weights @ [density(value) for value in values] == pytest.approx(exact, rel=2e-4)


def test_reference_alone_shifts_and_widens() -> None:
    """Without calibrations: offset and drift of the reference in quadrature, by hand."""
    record = clock()
    alone = fit_clock(record, aging="linear")
    model = fit_clock(record, aging="linear", reference_offset=REFERENCE, reference_drift=DRIFT)
    times = np.array([60.0, 90.0]) * DAY
    before, after = alone.frequency_at(times), model.frequency_at(times)
    owed = np.hypot(3e-11, 1e-18 * (times - 60 * DAY))
    owed[1] *= model.self_test.widened_by  # whatever is said of times after the log is wider by as much
    assert after.mean == pytest.approx(before.mean + 1e-11, rel=1e-9)
    variance = before.standard_uncertainty**2 + owed**2
    freedom = float(alone.variants[0].fit.degrees_of_freedom)
    heavier = variance + owed**2 * 2 / (freedom - 2)  # an uncertainty added to the scale of a Student
    assert np.all(after.standard_uncertainty**2 <= heavier * (1 + 1e-9))
    assert np.all(after.standard_uncertainty**2 >= variance * (1 - 1e-9))
    rate, drifting = alone.aging_rate(), model.aging_rate()
    assert drifting.distribution.mean == pytest.approx(rate.distribution.mean, rel=1e-9)
    assert drifting.standard_uncertainty > rate.standard_uncertainty
    terms = model.time_error_at(70 * DAY).terms
    assert terms.by_term["reference"][0] == pytest.approx(
        (10 * DAY * np.hypot(3e-11, 5e-18 * DAY)) ** 2, rel=1e-6
    )


@pytest.mark.slow
def test_calibrations_reveal_the_reference(fused: FusedModel) -> None:
    """A point after the log narrows the absolute frequency there; terms still add up to the variance."""
    record = clock()
    loose = fit_clock(record, aging="linear", reference_offset=REFERENCE, reference_drift=DRIFT)
    then = 70 * DAY
    assert (
        fused.frequency_at(then).standard_uncertainty[0]
        < 0.95 * loose.frequency_at(then).standard_uncertainty[0]
    )
    forecast = fused.time_error_at(np.array([61.0, 90.0]) * DAY)
    terms = forecast.terms
    assert terms.total == pytest.approx(forecast.standard_uncertainty**2, rel=1e-6)
    assert (np.array(list(terms.by_term.values())) >= 0).all()
    assert fused.aging_rate().value == pytest.approx(1e-11 / DAY, rel=0.5)
    assert "CALIBRATIONS_AGREE" in [finding.code for finding in fused.findings]
    assert str(fused)
    assert fused.to_dict()["blocks"] == 60


def test_contradiction_is_found_and_not_averaged() -> None:
    """An unnoted adjustment of 1e-8: the log's answer stays as it was, and the finding names the point."""
    record = clock()
    wrong = [points()[0], CalibrationPoint(at=70 * DAY, as_found=line(70) + 1e-8, standard_uncertainty=1e-10)]
    model = fit_clock(record, aging="linear", calibrations=wrong)
    finding = next(f for f in model.findings if f.code == "CALIBRATIONS_DISAGREE")
    assert finding.values["probability"] < 1e-3
    assert "not combined" in finding.sentence.replace("\n", " ")
    alone = fit_clock(record, aging="linear").frequency_at(70 * DAY)
    assert model.frequency_at(70 * DAY).mean[0] == pytest.approx(alone.mean[0], rel=1e-9)


@pytest.mark.slow
def test_adjustment_inside_the_log_is_the_step_of_the_log() -> None:
    """A step of 4e-9 on day 30, noted as an adjustment, is neither aging nor disagreement."""
    record = clock()
    values = np.array(record.values)
    values[30:] -= 4e-9
    point = CalibrationPoint(
        at="2026-01-31",
        as_found=line(30),
        as_left=line(30) - 4e-9,
        adjusted=True,
        standard_uncertainty=5e-11,
    )
    model = fit_clock(replace(record, values=values), aging="linear", calibrations=[point])
    assert "CALIBRATIONS_AGREE" in [finding.code for finding in model.findings]
    low, high = model.aging_rate().interval()
    assert low <= 1e-11 / DAY <= high
    assert high - low < 1e-11 / DAY
    assert model.frequency_at(70 * DAY).mean[0] == pytest.approx(line(70) - 4e-9, abs=3e-10)


@pytest.mark.slow
def test_adjustment_after_the_log_moves_the_forecast() -> None:
    """Left at zero on day 65: the forecast of day 70 follows what it was left at."""
    point = CalibrationPoint(
        at=65 * DAY, as_found=line(65), as_left=0.0, adjusted=True, standard_uncertainty=5e-11
    )
    model = fit_clock(clock(), aging="linear", calibrations=[point])
    assert model.frequency_at(70 * DAY).mean[0] == pytest.approx(line(70) - line(65), abs=2e-10)
    assert model.frequency_at(63 * DAY).mean[0] == pytest.approx(line(63), abs=2e-10)


def test_demo_history_is_read_and_judged(demo_data: Path) -> None:
    """Ten calibrations of the invented kittiwake, seven with an adjustment."""
    read, assumed = calibration_points(demo_data / "kittiwake-history.csv")
    assert assumed == ()
    assert len(read) == 10
    assert sum(point.adjusted for point in read) == 7
    assert read[0].as_found == pytest.approx(8.86e-9)
    assert read[4].as_left is None


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"standard_uncertainty": 0.0}, "standard_uncertainty is 0; it must be positive"),
        ({"adjusted": True}, "adjusted, but as_left is missing"),
        ({"as_found": math.nan}, "as_found is nan; give the offset that was found"),
        ({"averaging_time_s": -1.0}, "averaging_time_s is -1.0; it must be positive"),
    ],
)
def test_calibrations_that_make_no_sense_are_refused(change: dict[str, float], sentence: str) -> None:
    """The sentence names the calibration and what is wrong with it."""
    stated = {"at": 0.0, "as_found": 1e-9, "standard_uncertainty": 1e-10, **change}
    with pytest.raises(InputError, match=sentence):
        CalibrationPoint(**stated)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("date,as_found\n2026-01-01,1e-9\n", "no column 'as_left'"),
        (
            "date,as_found,as_left,standard_uncertainty,adjusted\n2026-01-01,x,0,1e-10,no\n",
            "line 2: as_found is 'x'; a number",
        ),
        (
            "date,as_found,as_left,standard_uncertainty,adjusted\n2026-01-01,0,0,1e-10,maybe\n",
            "must be yes or no",
        ),
    ],
)
def test_tables_that_cannot_be_read_say_where(tmp_path: Path, text: str, sentence: str) -> None:
    """File, row and column are named."""
    table = tmp_path / "history.csv"
    table.write_text(text, encoding="utf-8")
    with pytest.raises(LogError, match=sentence):
        calibration_points(table)
    with pytest.raises(LogError, match=r"nowhere\.csv: there is no such file"):
        calibration_points(tmp_path / "nowhere.csv")


@pytest.mark.slow
def test_fused_intervals_hold() -> None:
    """Of 60 clocks with a reference off by its stated uncertainty at least 87 % hold (binomial 1 % limit)."""
    held = 0
    generator = np.random.default_rng(5)
    for seed in range(60):
        off = 3e-11 * generator.normal()
        record = clock(seed, days=90)
        log = replace(record.between(0, 60 * DAY), values=record.values[:60] - off)
        found = float(record.values[69]) + 1e-10 * generator.normal()
        point = CalibrationPoint(at=69.5 * DAY, as_found=found, standard_uncertainty=1e-10)
        model = fit_clock(
            log, aging="linear", calibrations=[point], reference_offset=Estimate.normal(0.0, 3e-11)
        )
        low, high = model.frequency_at(85.5 * DAY).interval()
        held += bool(low[0] <= record.values[85] <= high[0])
    assert held / 60 >= 0.87
