"""Stability in a moving window: the whole record as window, steps of the noise, false alarms."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

import evenbeat as eb
from evenbeat.deviations.moving import holm


def white(n: int, seed: int) -> np.ndarray:
    """Return white frequency noise of 1e-11."""
    return np.random.default_rng(seed).standard_normal(n) * 1e-11


# SOURCE: Galleani and Tavella (2009): with the whole record as window the dynamic Allan variance is the
# Allan variance
@pytest.mark.parametrize("kind", ["phase", "frequency"])
@pytest.mark.parametrize("statistic", ["overlapping_allan", "modified_allan", "overlapping_hadamard"])
def test_whole_record_as_window_is_the_stability(kind: str, statistic: str) -> None:
    """One window, the same digits, degrees of freedom and noise types."""
    make = eb.Record.from_phase if kind == "phase" else eb.Record.from_frequency
    record = make(white(500, 1), interval_s=2.0)

    moving = eb.moving_stability(record, record.duration_s, statistic=statistic)
    curve = eb.stability(record, statistic, averaging="doublings")

    assert len(moving) == 1
    assert (moving.deviation[0] == curve.deviation).all()
    assert (moving.edf[0] == curve.edf).all()
    assert moving.confidence_interval()[1][0] == pytest.approx(curve.confidence_interval()[1], rel=1e-12)
    assert "NOT_COMPARED" in {f.code for f in moving.findings}


def test_every_window_is_the_stability_of_its_part() -> None:
    """A window holds the samples from its start, as many as it is long."""
    record = eb.Record.from_phase(np.cumsum(white(900, 2)), interval_s=1.0)

    moving = eb.moving_stability(record, 200, step_s=100, averaging=[1, 4])

    part = eb.Record.from_phase(record.values[300:501], interval_s=1.0)
    assert moving.window_start_s[3] == 300
    assert moving.deviation[3] == pytest.approx(eb.stability(part, averaging=[1, 4]).deviation, rel=1e-9)


# SOURCE: by construction: the standard deviation of white FM is doubled (tripled) half-way
@pytest.mark.parametrize("factor", [2.0, 1 / 3])
def test_step_of_the_noise_is_found_with_its_factor(factor: float) -> None:
    """The step is found at several averaging times, and the interval of the factor holds it."""
    values = white(6000, 3)
    values[3000:] *= factor

    moving = eb.moving_stability(eb.Record.from_frequency(values, interval_s=1.0), 600)

    assert len(moving.changes) >= 3
    assert {change.averaging_time_s for change in moving.changes} >= {1.0, 2.0, 4.0}
    for change in moving.changes:
        assert change.low < factor < change.high
        assert change.first_start_s + 600 <= 3000 <= change.second_start_s
    assert moving.changes[0].factor == pytest.approx(factor, rel=0.2)
    sentences = [f.sentence for f in moving.findings if f.code == "NOISE_CHANGED"]
    assert sentences[0].startswith("The noise at τ = ")
    assert "changed by a factor of" in sentences[0]


# SOURCE: scipy.stats.f: ratio of two sample variances; two windows, one averaging time: nothing to adjust
def test_significance_is_that_of_the_f_test() -> None:
    """With a single comparison the probability is the two-sided one of the F distribution."""
    values = white(400, 4)
    values[200:] *= 1.4

    moving = eb.moving_stability(
        eb.Record.from_frequency(values, interval_s=1.0), 200, step_s=200, averaging=[1], statistic="allan"
    )

    ratio = (moving.deviation[1, 0] / moving.deviation[0, 0]) ** 2
    expected = 2 * stats.f.sf(ratio, moving.edf[1, 0], moving.edf[0, 0])
    assert moving.comparisons == 1
    assert moving.changes[0].probability == pytest.approx(expected, rel=1e-9)
    ends = np.sqrt(ratio / stats.f.ppf([0.975, 0.025], moving.edf[1, 0], moving.edf[0, 0]))
    assert [moving.changes[0].low, moving.changes[0].high] == pytest.approx(ends, rel=1e-9)


# SOURCE: statsmodels.stats.multitest.multipletests, method "holm"
def test_adjustment_is_holms() -> None:
    """The adjusted probabilities are those of a reference library."""
    raw = np.random.default_rng(5).uniform(size=50) ** 4

    assert holm(raw) == pytest.approx(multipletests(raw, method="holm")[1], rel=1e-12)


def test_steady_noise_is_a_good_finding() -> None:
    """Where nothing stands out the result says so."""
    moving = eb.moving_stability(eb.Record.from_frequency(white(3000, 6), interval_s=1.0), 300)

    assert moving.changes == ()
    assert {f.code for f in moving.findings if f.severity == "good"} == {"NOISE_STEADY"}


# SOURCE: by construction: white FM whose size changes by the stated factor; binomial error of 60: 4 %
@pytest.mark.slow
@pytest.mark.parametrize("averaging", [1, 16])
def test_steady_says_which_change_would_have_been_seen(averaging: int) -> None:
    """The change that 'steady' states is seen in about nine of ten records that have it."""
    windows = 5

    def moving(seed: int, factor: float) -> eb.results.MovingStability:
        values = white(windows * 400, seed)
        values[1600:] *= factor
        record = eb.Record.from_frequency(values, interval_s=1.0)
        return eb.moving_stability(record, 400, step_s=400, averaging=[averaging])

    steady = next(found for found in (moving(seed, 1.0) for seed in range(9)) if not found.changes)
    factor = float(steady.smallest_seen[0])
    sentence = next(f.sentence for f in steady.findings if f.code == "NOISE_STEADY")

    assert f"a factor of {factor:.3g} at τ = {averaging} s" in sentence
    seen = [bool(moving(100 + seed, factor).changes) for seed in range(60)]
    # four of the ten pairs have the change, so that one of them shows it a little more often than one pair
    assert 0.82 <= np.mean(seen) <= 1.0
    assert np.mean([bool(moving(300 + seed, factor**0.4).changes) for seed in range(20)]) < 0.6


def test_gaps_leave_windows_unknown() -> None:
    """A window without a sample has no deviation; the others keep theirs; nothing is invented."""
    values = white(2000, 7)
    values[450:1050] = np.nan

    moving = eb.moving_stability(eb.Record.from_frequency(values, interval_s=1.0), 250, averaging=[1, 2])

    empty = (moving.window_start_s >= 450) & (moving.window_start_s + 250 <= 1050)
    assert empty.any()
    assert np.isnan(moving.deviation[empty]).all()
    assert (moving.terms[empty] == 0).all()
    assert np.isfinite(moving.deviation[~empty]).all()
    assert "NO_COMPLETE_TERMS" in {f.code for f in moving.findings}


def test_readings_that_stand_still_are_named() -> None:
    """A window in which nothing varies is the display's doing, and said so."""
    values = white(1000, 1)
    values[400:700] = 0.0

    moving = eb.moving_stability(eb.Record.from_frequency(values, interval_s=1.0), 100, averaging=[1, 4])

    assert (moving.deviation == 0).any()
    assert "NO_VARIATION" in {f.code for f in moving.findings}


def test_scaling_changes_no_significance() -> None:
    """A thousand times the noise gives the same changes."""
    values = white(3000, 8)
    values[1500:] *= 2

    small, large = (
        eb.moving_stability(eb.Record.from_frequency(values * k, interval_s=1.0), 500) for k in (1, 1000)
    )

    assert [c.probability for c in large.changes] == pytest.approx([c.probability for c in small.changes])


def test_result_tabulates_itself() -> None:
    """A row per window and averaging time; the dictionary is ready for JSON."""
    moving = eb.moving_stability(
        eb.Record.from_frequency(white(400, 9), interval_s=1.0), 200, averaging=[1, 2, 4]
    )

    assert len(moving.to_frame()) == len(moving) * 3
    assert json.loads(json.dumps(moving.to_dict()))["window_s"] == 200
    assert "windows of" in str(moving)


@pytest.mark.parametrize(
    ("window", "step", "said"),
    [
        (0, None, "window_s is 0; it must be a positive number"),
        (float("nan"), None, "window_s is nan"),
        (50, -1.0, "step_s is -1.0; it must be a positive number"),
        (500, None, "window_s is 500 s but the record lasts 300 s"),
        (2, None, "needs at least"),
    ],
)
def test_bad_windows_are_refused(window: float, step: float | None, said: str) -> None:
    """The sentence names the argument, what was found and what would do."""
    with pytest.raises(eb.InputError, match=said):
        eb.moving_stability(
            eb.Record.from_frequency(white(300, 1), interval_s=1.0),
            window,
            step_s=step,
            statistic="overlapping_hadamard",
        )


def test_too_many_windows_are_refused() -> None:
    """A step far below the window on a long record is named before hours are spent."""
    record = eb.Record.from_frequency(white(5000, 1), interval_s=1.0)

    with pytest.raises(eb.InputError, match="4901 windows were asked for; choose a longer step_s"):
        eb.moving_stability(record, 100, step_s=1)


# SOURCE: Holm (1979): the chance of any false alarm is at most the level; binomial error of 200: 1.5 %
@pytest.mark.slow
@pytest.mark.parametrize(
    "levels",
    [
        eb.NoiseLevels(white_fm=1e-22),
        eb.NoiseLevels(flicker_fm=1e-24),
        eb.NoiseLevels(random_walk_fm=1e-26),
        eb.NoiseLevels(white_pm=1e-22),
    ],
    ids=["white FM", "flicker FM", "random-walk FM", "white PM"],
)
def test_false_alarms_are_rare(levels: eb.NoiseLevels) -> None:
    """In steady noise at most about one record in twenty raises any alarm."""
    alarms = 0
    for seed in range(200):
        record = eb.simulate_clock(1600, interval_s=1.0, levels=levels, seed=seed, kind="phase")
        alarms += bool(eb.moving_stability(record, 200, step_s=200).changes)

    assert alarms / 200 <= 0.05 + 2 * 0.0154
