"""First passage of a limit: closed forms of Brownian motion, and the model's own marginals."""

import json
import math

import numpy as np
import pytest
from scipy import stats

from evenbeat.clock.backtest import backtest
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.forecaster import staying
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.figures.dispatch import plot
from evenbeat.holdover.forecast import predict_holdover
from evenbeat.holdover.passage import limit_passage
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate

HOUR = 3600.0


@pytest.fixture(scope="module")
def model() -> ClockModel:
    """Return a clock of white and random-walk FM without aging."""
    record = simulate_clock(
        300, interval_s=HOUR, levels=NoiseLevels(white_fm=1e-21, random_walk_fm=1e-32), seed=3
    )
    return fit_clock(record, aging="none", most_blocks=60)


def survival(ratio: float) -> float:
    """Return P(never left ±L) for Brownian motion of variance (L/ratio)², by the reflection principle."""
    n = np.arange(-20, 21)
    total = stats.norm.cdf((2 * n + 1) * ratio) - stats.norm.cdf((2 * n - 1) * ratio)
    return float(np.sum((-1.0) ** n * total))


def test_brownian_motion_never_left() -> None:
    """Within with 95 % at the end is never left with 90.00 %; even eight moments suffice with the bridge."""
    times = np.linspace(0.125, 1, 8)
    generator = np.random.default_rng(1)
    paths = np.cumsum(generator.standard_normal((40000, 8)) * math.sqrt(0.125), axis=1)
    limit = float(stats.norm.ppf(0.975))
    # the first moment has a bridge from zero at time zero
    started = np.hstack([np.zeros((len(paths), 1)), paths])
    chance = staying(started, np.concatenate([[0.0], times]), (-limit, limit), np.ones(len(paths)))
    assert survival(limit) == pytest.approx(0.9000, abs=5e-5)
    assert chance[:, -1].mean() == pytest.approx(survival(limit), abs=0.005)
    # the time at which it is never left with 95 % is 0.7646 of the time at which it is within with 95 %
    assert survival(limit / math.sqrt(0.7646)) == pytest.approx(0.95, abs=5e-5)


def test_without_noise_between_moments_only_the_moments_count() -> None:
    """No diffusion: a path is lost exactly where it is outside."""
    paths = np.array([[0.0, 0.5, 1.5, 0.2], [0.0, -0.9, 0.9, -0.9]])
    chance = staying(paths, np.arange(1.0, 5.0), (-1.0, 1.0), np.zeros(2))
    assert chance.tolist() == [[1, 1, 0, 0], [1, 1, 1, 1]]


def test_simulated_paths_have_the_marginals_of_the_model(model: ClockModel) -> None:
    """Never left is below within; with a hopeless limit both fall, with a wide one both stay."""
    limit = 1.5 * float(model.time_error_at(2 * model.record.duration_s).standard_uncertainty[0])
    passage = limit_passage(model, limit, paths=1500, corrected=True)
    assert np.all(passage.never_left <= passage.within * (1 + 1e-12))
    assert np.all(np.diff(passage.never_left) <= 1e-12)
    assert passage.never_left[0] == pytest.approx(1.0, abs=1e-6)
    assert 0 < passage.time_never_left_s <= passage.time_within_s
    assert passage.never_left[-1] < passage.within[-1]
    wide = limit_passage(model, 100 * limit, paths=200)
    assert math.isinf(wide.time_never_left_s)
    assert wide.never_left[-1] > 0.98


def test_first_passage_of_a_pure_white_clock_is_that_of_brownian_motion() -> None:
    """White FM known well from 4000 readings, corrected forecast: ratio of the two times near 0.76."""
    record = simulate_clock(4000, interval_s=60.0, levels=NoiseLevels(white_fm=1e-21), seed=8)
    fitted = fit_clock(record, aging="none", most_blocks=50)  # blocks too long for white PM
    until = 0.01 * record.duration_s  # so short that the offset and the slower noises matter little
    limit = 1.6 * float(fitted.time_error_at(record.duration_s + until).standard_uncertainty[0])
    passage = limit_passage(fitted, limit, until_s=until, corrected=True, paths=2000)
    assert passage.time_never_left_s / passage.time_within_s == pytest.approx(0.7646, abs=0.05)


def test_same_seed_same_answer_and_everything_is_told(model: ClockModel) -> None:
    """Deterministic; JSON, table, frame and figure."""
    first, second = (limit_passage(model, 1e-6, paths=200, seed=4) for _ in range(2))
    assert first.never_left.tolist() == second.never_left.tolist()
    assert json.loads(json.dumps(first.to_dict()))["paths"] == 200
    assert len(first.to_frame()) == len(first.duration_s)
    assert max(len(line) for line in str(first).splitlines()) <= 80
    assert "never left" in "".join(text.get_text() for text in plot(first).texts)


def test_reference_and_start_shorten_the_time() -> None:
    """An uncertain reference and an uncertain start leave less of the limit."""
    record = simulate_clock(300, interval_s=HOUR, levels=NoiseLevels(white_fm=1e-21), seed=3)
    plain = fit_clock(record, aging="none", most_blocks=60)
    loose = fit_clock(record, aging="none", most_blocks=60, reference_offset=Estimate.normal(0.0, 2e-12))
    options = {"paths": 1000, "corrected": True, "confidence": 0.9}
    first = limit_passage(plain, 1e-6, **options)  # type: ignore[arg-type]
    second = limit_passage(loose, 1e-6, **options)  # type: ignore[arg-type]
    third = limit_passage(plain, 1e-6, starting_time_error=Estimate.normal(0.0, 5e-7), **options)  # type: ignore[arg-type]
    assert second.never_left[-1] < first.never_left[-1] - 0.02
    assert third.never_left[-1] < first.never_left[-1] - 0.02


def test_start_is_a_term_of_the_budget(model: ClockModel) -> None:
    """30(20) ns at the start: mean and variance move by it, terms add up."""
    plain = predict_holdover(model, [HOUR, 24 * HOUR])
    begun = predict_holdover(model, [HOUR, 24 * HOUR], starting_time_error=Estimate.normal(30e-9, 20e-9))
    assert begun.forecast.mean == pytest.approx(plain.forecast.mean + 30e-9, rel=1e-9)
    assert begun.terms.total == pytest.approx(begun.forecast.standard_uncertainty**2, rel=1e-9)
    assert np.sqrt(begun.terms.by_term["starting time error"]) == pytest.approx([20e-9, 20e-9], rel=0.05)


@pytest.mark.slow
def test_what_was_not_backtested_is_said(model: ClockModel) -> None:
    """Beyond the longest tested horizon there is a caution; within it there is none."""
    tested = backtest(model.record, aging="none", origins=8, most_blocks=30, horizons_s=[5 * HOUR, 20 * HOUR])
    far = predict_holdover(model, [HOUR, 200 * HOUR], backtest=tested)
    near = predict_holdover(model, [HOUR, 5 * HOUR], backtest=tested)
    assert "NOT_BACKTESTED" in [finding.code for finding in far.findings]
    assert "NOT_BACKTESTED" not in [finding.code for finding in near.findings]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"time_error_limit_s": 0.0}, "time_error_limit_s is 0; it must be positive"),
        ({"time_error_limit_s": 1e-6, "paths": 5}, "paths is 5; fewer than 100"),
    ],
)
def test_options_that_make_no_sense_are_refused(
    model: ClockModel, options: dict[str, float], sentence: str
) -> None:
    """The sentence names the argument."""
    with pytest.raises(InputError, match=sentence):
        limit_passage(model, **options)  # type: ignore[arg-type]
