"""What the lessons compute, against what was put in and against formulas from outside."""

from __future__ import annotations

import math

import allantools
import numpy as np
import pytest
from scipy import stats

from evenbeat.clock.fit import fit_clock
from evenbeat.holdover.forecast import predict_holdover
from evenbeat.lessons.aging_laws import watch_aging
from evenbeat.lessons.counter_limits import limits_of_counter
from evenbeat.lessons.holdover_round import (
    AHEAD,
    INTERVAL_S,
    OUTSIDE,
    holdover_round,
    interval_cost,
    judge_guess,
)
from evenbeat.lessons.next_calibration import example_model, next_calibration
from evenbeat.lessons.noise_mixture import mix_noises
from evenbeat.lessons.record_length import DEVIATION, look_through_gaps

DAY = 86400.0


def test_mixture_against_the_power_laws() -> None:
    """White FM alone falls with the root of τ (NIST SP 1065, 3.3); the curve is that of allantools."""
    mixture = mix_noises({"white_fm": 1e-11}, seed=3)
    tau = mixture.averaging_time_s
    assert mixture.expected[0] == pytest.approx(1e-11 / np.sqrt(tau), rel=1e-9)
    curve = mixture.curves["overlapping_allan"]
    theirs = allantools.oadev(mixture.record.values, rate=1.0, data_type="freq", taus=tau[:8])[1]
    assert curve.deviation[:8] == pytest.approx(theirs, rel=1e-9)
    assert curve.deviation[0] == pytest.approx(1e-11, rel=0.1)
    assert mixture.first_slope == "−1/2"


def test_two_noises_cross_where_their_formulas_do() -> None:
    """White FM a/√τ and random-walk FM b·√τ are equal at τ = a/b: the regimes change around it."""
    mixture = mix_noises({"white_fm": 4e-12, "random_walk_fm": 1e-13})
    (first, _, last), (second, beyond, _) = mixture.regimes
    assert (first, second) == (0, -2)
    assert last < 4e-12 / 1e-13 * 1.5  # the walk's own law bends by √((2τ² + 1)/(3τ²)) at the start
    assert beyond > 4e-12 / 1e-13 / 1.5


@pytest.mark.parametrize("share", [0.0, 0.2])
def test_gaps_leave_the_truth_within_the_interval(share: float) -> None:
    """The truth of white FM is the level over √τ, and the first point, of many terms, is close to it."""
    lesson = look_through_gaps(8192, share=share, seed=5)
    tau = lesson.curve.averaging_time_s
    assert lesson.truth == pytest.approx(DEVIATION / np.sqrt(tau / 60.0), rel=1e-9)
    assert lesson.curve.deviation[0] == pytest.approx(DEVIATION, rel=0.06)
    held, there = lesson.held
    assert held >= there - 2


def test_least_squares_beside_the_model_is_that_of_scipy() -> None:
    """The line is scipy's, its error bar too; under flicker the model's interval is much wider."""
    lesson = watch_aging(60, noise="flicker_fm", rate_per_day=5e-12, seed=2)
    line = stats.linregress(np.arange(60), lesson.record.values)
    plain = lesson.model.least_squares.rate.per_day
    assert plain.value == pytest.approx(line.slope, rel=1e-6)
    assert lesson.times_narrower > 2
    low, high = lesson.model.aging_rate().per_day.interval(0.99)
    assert low < 5e-12 < high


def test_days_to_come_are_counted_as_they_fall() -> None:
    """The share inside the band is that of the unseen days, counted one by one."""
    lesson = watch_aging(30, seed=4, revealed=True)
    days = (30.5 + np.arange(30)) * DAY
    for share, (low, high) in zip(lesson.held, (lesson.band, lesson.line_band), strict=True):
        inside = [
            np.interp(t, lesson.ahead.times_s, low) <= y <= np.interp(t, lesson.ahead.times_s, high)
            for t, y in zip(days, lesson.future, strict=True)
        ]
        assert share == pytest.approx(np.mean(inside))


def test_a_round_of_holdover_is_the_library_s_forecast() -> None:
    """The predictor is the library's; the truth is the sum of frequencies that the model never saw."""
    game = holdover_round(7, seed=3)
    elapsed = np.arange(1, AHEAD + 1) * INTERVAL_S
    own = predict_holdover(fit_clock(game.record, aging="linear"), elapsed).forecast.distribution
    low, high = own.one(AHEAD - 1).interval()
    assert game.band == (pytest.approx(float(low)), pytest.approx(float(high)))
    assert len(game.record) * INTERVAL_S == pytest.approx(20 * DAY)
    twin = judge_guess(
        game, guess_s=0.5 * sum(game.band), half_width_s=0.5 * (game.band[1] - game.band[0]), revealed=True
    )
    assert twin.points == 50


def test_cost_of_an_interval() -> None:
    """Gneiting and Raftery (2007), eq. 43: width, and 2/0.05 of what lies outside; honest is cheapest."""
    assert interval_cost(-1.0, 1.0, 0.5) == 2.0
    assert interval_cost(-1.0, 1.0, 1.5) == pytest.approx(2.0 + 40 * 0.5)
    z = stats.norm.ppf(0.975)

    def expected(half: float) -> float:
        beyond = 2 * (stats.norm.pdf(half) - half * stats.norm.sf(half))
        return 2 * half + OUTSIDE * beyond

    draws = np.random.default_rng(1).standard_normal(20_000)
    for half in (0.5 * z, z, 2 * z):
        mean = np.mean([interval_cost(-half, half, float(draw)) for draw in draws])
        assert mean == pytest.approx(expected(half), rel=0.05)
    assert expected(z) < min(expected(0.8 * z), expected(1.2 * z))


@pytest.mark.slow
def test_bands_of_the_game_hold_the_truth() -> None:
    """Of 300 clocks 95 % lie inside: at least 90 %, and not all (binomial deviation 1.3 %)."""
    rounds = [holdover_round(number, seed=11) for number in range(1, 301)]
    held = np.mean([game.band[0] <= game.truth_s[-1] <= game.band[1] for game in rounds])
    assert 0.90 <= held <= 0.99


@pytest.mark.slow
def test_next_calibration_is_where_the_probability_falls() -> None:
    """At the date the forecast holds the tolerance with the probability asked for, computed anew."""
    model = example_model(1)
    lesson = next_calibration(model, tolerance=3e-9, reliability=0.9)
    at = model.record.duration_s + lesson.suggestion.interval_s
    inside = float(model.frequency_at([at]).distribution.one(0).probability_within(3e-9))
    assert inside == pytest.approx(0.9, abs=2e-3)
    assert lesson.date == np.datetime64("2026-03-01T00:00:00") + np.timedelta64(round(at), "s")


def test_counting_is_limited_by_one_count() -> None:
    """One count in a gate, evenly spread on either side: ±1/(gate f) has deviation over √3 (GUM 4.3.7)."""
    lesson = limits_of_counter(1e4, 1.0, method="direct", timebase=1e-12)
    one_count = 1 / (1e4 * 1.0)
    part = lesson.reading.budget.relative_standard_uncertainty
    assert one_count / math.sqrt(12) * 0.99 < part < one_count / math.sqrt(3) * 1.01
    assert lesson.total[0] / lesson.total[-1] == pytest.approx(lesson.gate_s[-1] / lesson.gate_s[0], rel=0.01)
