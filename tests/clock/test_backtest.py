"""The backtest: no look ahead, right outcomes, calibrated verdicts."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from evenbeat.clock.backtest import Seen, backtest, record_until, seen
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.tested import Backtest, Outcome, backtest_findings, horizon_score
from evenbeat.errors import InputError, TooShortError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Flag, Record

HOUR = 3600.0
MIXED = NoiseLevels(white_fm=1e-21, flicker_fm=1e-25, random_walk_fm=1e-33)


def clock(samples: int = 400, seed: int = 1, levels: NoiseLevels = MIXED) -> Record:
    """Return a simulated hourly record with an offset."""
    return simulate_clock(samples, interval_s=HOUR, levels=levels, seed=seed, frequency_offset=2e-9)


@pytest.fixture(scope="module")
def tested() -> Backtest:
    """Return a small backtest."""
    return backtest(clock(), aging="linear", origins=5, most_blocks=40)


def between(record: Record, start_s: float, stop_s: float) -> Seen:
    """Return what a record shows between two times, a tenth of which may be missing."""
    values = record.usable_values(without_steps=False)
    return seen(record, values, start_s, stop_s, most_missing=0.1)


def test_outcomes_of_phase_and_frequency_agree() -> None:
    """The time gained is the sum of frequencies times the interval, from either kind of record."""
    record = clock()
    by_hand = float(np.sum(record.values[100:140])) * HOUR
    for kind in (record, record.to_phase()):
        assert between(kind, 100 * HOUR, 140 * HOUR).frequency * 40 * HOUR == pytest.approx(by_hand, rel=1e-9)
        assert np.isnan(between(kind, 390 * HOUR, 410 * HOUR).frequency)


def test_what_is_missing_is_not_an_outcome() -> None:
    """A part with too many gaps has no outcome; a few missing samples count as like the rest."""
    record = clock()
    values = np.array(record.values)
    values[100:104] = np.nan
    holed = replace(record, values=values)
    assert np.isnan(between(holed, 98 * HOUR, 110 * HOUR).frequency)
    expected = np.nanmean(values[90:140])
    assert between(holed, 90 * HOUR, 140 * HOUR).frequency == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("kind", ["frequency", pytest.param("phase", marks=pytest.mark.slow)])
def test_no_forecast_knows_the_future(kind: str) -> None:
    """Whatever comes after the last origin but one changes no forecast made before."""
    record = clock(200)
    other = np.array(record.values)
    other[150:] += 1e-9
    pair = [record, replace(record, values=other)]
    if kind == "phase":
        pair = [each.to_phase() for each in pair]
    options = {"aging": "linear", "origins": 5, "most_blocks": 30, "horizons_s": [10 * HOUR]}
    first, second = (backtest(each, **options).outcomes for each in pair)  # type: ignore[arg-type]
    early = [i for i, outcome in enumerate(first) if outcome.origin_s <= 150 * HOUR]
    assert len(early) >= 4
    for i in early:
        assert second[i].mean == pytest.approx(first[i].mean, rel=1e-6)
        assert second[i].high - second[i].low == pytest.approx(first[i].high - first[i].low, rel=1e-4)


@pytest.mark.slow
def test_forecasts_are_those_of_the_model_at_the_origin(tested: Backtest) -> None:
    """Every outcome repeats what fit_clock on the record until then says."""
    record = clock()
    outcome = next(o for o in tested.outcomes if o.quantity == "time_error" and o.origin_s > 200 * HOUR)
    model = fit_clock(record_until(record, outcome.origin_s), aging="linear", most_blocks=40)
    forecast = model.time_error_at(outcome.origin_s + outcome.horizon_s)
    low, high = forecast.interval()
    assert (outcome.low, outcome.high) == pytest.approx((low[0], high[0]), rel=1e-9)
    assert outcome.transform == pytest.approx(forecast.distribution.cdf(outcome.observed)[0], rel=1e-9)


def test_result_is_complete(tested: Backtest) -> None:
    """Two quantities, four horizons, a verdict, plain values for JSON, tables for both."""
    assert {score.quantity for score in tested.scores} == {"frequency", "time_error"}
    assert len(tested.scores) == 8
    assert tested.verdict
    assert "NOT_TESTED_BEYOND" in [finding.code for finding in tested.findings]
    assert json.loads(json.dumps(tested.to_dict()))["verdict"] == tested.verdict
    assert len(tested.to_frame()) == len(tested.outcomes)
    assert len(tested.scores_frame()) == 8
    middle, share = tested.histogram()
    assert middle[0] == pytest.approx(0.05)
    assert share.sum() == pytest.approx(1.0)
    assert max(len(line) for line in str(tested).splitlines()) <= 80


def _made_up(ratio: float, tests: int, spacing: float = 10.0) -> list[Outcome]:
    """Return outcomes of forecasts N(0, 1) whose errors are ``ratio`` times as large."""
    from scipy import stats

    errors = ratio * np.random.default_rng(7).normal(size=tests)
    return [
        Outcome(
            quantity="time_error",
            origin_s=i * spacing,
            horizon_s=10.0,
            observed=float(error),
            mean=0.0,
            low=-1.96,
            high=1.96,
            transform=float(stats.norm.cdf(error)),
            interval_score=1.0,
            ranked_probability_score=1.0,
        )
        for i, error in enumerate(errors)
    ]


def test_every_horizon_tells_its_transforms(tested: Backtest) -> None:
    """Mean, ten counts and the probability of so uneven ones, at each horizon; scipy's test agrees."""
    told = tested.to_dict()["scores"]

    assert json.loads(json.dumps(told)) == told
    for score in told:  # type: ignore[attr-defined]
        seen = [
            one.transform
            for one in tested.outcomes
            if (one.quantity, one.horizon_s) == (score["quantity"], score["horizon_s"])
        ]
        assert score["mean_transform"] == pytest.approx(np.mean(seen))
        assert score["transform_counts"] == np.histogram(seen, np.linspace(0, 1, 11))[0].tolist()
        assert sum(score["transform_counts"]) == score["tests"] == len(seen)
        distance = stats.kstest(seen, "uniform").statistic
        expected = stats.kstwo.sf(distance, max(1, int(score["independent_tests"])))
        assert score["uniformity_p_value"] == pytest.approx(expected, rel=1e-6)
    assert "PIT p" in str(tested)
    assert max(map(len, str(tested).splitlines())) <= 80


def test_origins_are_counted_aloud() -> None:
    """Each fit is announced with its number and how many there are."""
    said: list[tuple[int, int]] = []
    backtest(clock(60), aging="linear", origins=3, most_blocks=20, progress=lambda *one: said.append(one))
    assert said == [(1, 3), (2, 3), (3, 3)]


@pytest.mark.parametrize(
    ("ratio", "verdict", "code"),
    [
        (1.0, "consistent", "BACKTEST_CONSISTENT"),
        (3.0, "too narrow", "BACKTEST_TOO_NARROW"),
        (0.2, "too wide", "BACKTEST_TOO_WIDE"),
    ],
)
def test_verdict_knows_narrow_from_wide(ratio: float, verdict: str, code: str) -> None:
    """Sixty independent outcomes tell right bands from those a third or five times as wide."""
    score = horizon_score(_made_up(ratio, 60), confidence=0.95, beside=1)
    assert score.verdict == verdict
    assert score.error_ratio == pytest.approx(ratio, rel=0.25)
    assert backtest_findings([score], 0.95, 1e4)[0].code == code


def test_a_stated_probability_keeps_its_decimals() -> None:
    """99.73 % are not 100 %."""
    score = horizon_score(_made_up(1.0, 60), confidence=0.9973, beside=1)
    assert "99.73 %" in backtest_findings([score], 0.9973, 1e4)[0].sentence


def test_errors_far_below_what_was_stated_are_no_agreement() -> None:
    """Errors of 0.03 of the bands are too small in seven tests already, although every interval held."""
    score = horizon_score(_made_up(0.03, 60, spacing=1.0), confidence=0.95, beside=8)
    assert score.coverage == 1.0
    assert score.verdict == "too wide"


def test_overlapping_outcomes_are_not_counted_twice() -> None:
    """Sixty origins at a tenth of the horizon are worth 6.9 outcomes; two horizons' worth is too few."""
    score = horizon_score(_made_up(1.0, 60, spacing=1.0), confidence=0.95, beside=1)
    assert score.independent_tests == pytest.approx(1 + 59 / 10)
    few = horizon_score(_made_up(1.0, 20, spacing=1.0), confidence=0.95, beside=1)
    assert few.verdict == "too few tests"
    assert [f.code for f in backtest_findings([few], 0.95, 1e4)] == ["BACKTEST_TOO_FEW", "NOT_TESTED_BEYOND"]


def test_many_misses_in_few_tests_are_no_praise() -> None:
    """A quarter of the intervals missed in seven tests: not accused, and not called right either."""
    score = horizon_score(_made_up(1.6, 60, spacing=1.0), confidence=0.95, beside=1)
    assert (score.verdict, score.coverage) == ("consistent", pytest.approx(0.75, abs=0.1))
    verdict, _ = backtest_findings([score], 0.95, 1e4)
    assert (verdict.code, verdict.severity) == ("BACKTEST_UNDECIDED", "note")
    assert "fewer than stated, which may be luck" in verdict.sentence


@pytest.mark.slow
def test_steps_after_an_origin_count_unless_taken_out() -> None:
    """A known step of a hundred sigma spoils the forecasts before it, and only if it is kept."""
    record = clock(240, levels=NoiseLevels(white_fm=1e-22))
    size = 100 * float(np.std(record.values))
    values = np.array(record.values)
    values[150:] += size
    step = Flag(cause="frequency_step", start=150, stop=150, excluded=False, sentence="", size=size)
    stepped = replace(record, values=values, flags=(step,))
    options = {"aging": "none", "origins": 6, "most_blocks": 30, "horizons_s": [20 * HOUR]}
    kept = backtest(stepped, **options)  # type: ignore[arg-type]
    without = backtest(stepped, without_steps=True, **options)  # type: ignore[arg-type]
    assert max(o.transform for o in kept.outcomes) > 1 - 1e-6
    # forecasts made after the step start from it, and those before it are spared it
    assert all(1e-3 < o.transform < 1 - 1e-3 for o in without.outcomes)
    assert "FLAGS_LOOK_AHEAD" in [finding.code for finding in kept.findings]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"origins": 1}, "origins is 1; a backtest needs at least 2"),
        ({"horizons_s": [-1.0]}, "every horizon must be a positive number of seconds"),
        ({"first_share": 1.5}, "first_share is 1.5; it must lie between 0 and 1"),
        ({"confidence": 95}, "confidence is 95; it must lie between 0 and 1"),
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict[str, object], sentence: str) -> None:
    """Each names the argument and what would do."""
    with pytest.raises(InputError, match=sentence):
        backtest(clock(60), **options)  # type: ignore[arg-type]


def test_horizon_beyond_the_record_is_refused() -> None:
    """A horizon that leaves nothing to fit is an error of its own kind."""
    with pytest.raises(TooShortError, match="ask for at most"):
        backtest(clock(60), horizons_s=[50 * HOUR])


def test_record_that_can_never_be_fitted_says_why() -> None:
    """Twelve readings: no origin has the eight averages that a model needs."""
    with pytest.raises(InputError, match="no forecast could be tested at any of 2 origins"):
        backtest(clock(12), origins=2, horizons_s=[HOUR * 5])


@pytest.mark.slow
@pytest.mark.parametrize("name", ["white FM", "flicker FM", "random-walk FM"])
def test_a_right_model_is_rarely_accused(name: str) -> None:
    """Of fifteen simulated clocks at most two are called too sure (5 % at most by construction)."""
    levels = {
        "white FM": NoiseLevels(white_fm=1e-22),
        "flicker FM": NoiseLevels(flicker_fm=1e-24),
        "random-walk FM": NoiseLevels(random_walk_fm=1e-32),
    }[name]
    codes = [
        backtest(clock(200, seed, levels), aging="linear", origins=8, most_blocks=30).findings[0].code
        for seed in range(15)
    ]
    assert codes.count("BACKTEST_TOO_NARROW") <= 2
    assert codes.count("BACKTEST_CONSISTENT") >= 9
