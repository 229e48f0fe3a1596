"""What the components that run in the browser are given; what they do with it: tests/browser."""

import allantools
import numpy as np
import pytest

import evenbeat as eb
from evenbeat import interactive
from evenbeat.errors import TooShortError
from evenbeat.lessons import own_curve
from evenbeat.lessons.allan_ruler import five_clocks, under_the_ruler
from evenbeat.lessons.interval_wall import NOISES, SAMPLES, SHARES, WINDOW, holes, wall_of_intervals
from evenbeat.powerlaw import simulate_clock


def test_the_ruler_ends_up_on_the_library_s_curve() -> None:
    """The readings given to the page, slid over by hand, give the deviation that the library gives."""
    for clock in interactive.allan_ruler(seed=3).clocks:
        y = np.array(clock["y"]) * clock["scale"]
        for m, sigma in zip(clock["lengths"], clock["sigma"], strict=True):
            means = np.convolve(y, np.ones(m) / m, "valid")
            by_hand = np.sqrt(0.5 * np.mean((means[m:] - means[:-m]) ** 2))
            assert by_hand == pytest.approx(sigma, rel=2e-3)


def test_five_clocks_are_independent() -> None:
    """No two of them share their random numbers."""
    readings = [np.diff(clock.record.values) for clock in five_clocks(1)]
    together = np.corrcoef(readings) - np.eye(5)
    assert np.max(np.abs(together)) < 5 / np.sqrt(600)


def test_the_ruler_takes_a_log_of_ones_own() -> None:
    """A long log is averaged, and says so; gaps stay gaps; a few readings are refused."""
    level = eb.NoiseLevels.from_allan_deviations(10.0, white_fm=1e-11)
    y = simulate_clock(5000, interval_s=10.0, levels=level, seed=1).values.copy()
    y[1000:1400] = np.nan
    first = interactive.allan_ruler(eb.Record.from_frequency(y, interval_s=10.0), name="bench").clocks[0]
    assert first["name"] == "bench, averages of 90 s"
    assert len(first["y"]) == 555
    assert first["y"].count(None) == pytest.approx(400 / 9, abs=2)
    assert first["sigma"][0] == pytest.approx(1e-11 / 3, rel=0.1)
    with pytest.raises(TooShortError, match="needs at least 16"):
        under_the_ruler(eb.Record.from_frequency(y[:5], interval_s=10.0), "short")


def test_estimates_of_the_wall_are_the_library_s() -> None:
    """An estimate and its limits are what ``stability`` says of that very record."""
    wall = wall_of_intervals(-1, 512, 0.2, seed=1)
    level = eb.NoiseLevels.from_allan_deviations(1.0, flicker_fm=1e-11)
    y = simulate_clock(SAMPLES[-1], interval_s=1.0, levels=level, seed=np.random.default_rng([1, 7])).values
    record = eb.Record.from_frequency(np.where(holes(512, 0.2, 1), np.nan, y[:512]), interval_s=1.0)
    point = eb.stability(record, averaging=[WINDOW], noise="flicker FM")
    low, high = point.confidence_interval()
    assert wall.estimates[7] == pytest.approx(point.deviation[0])
    assert (wall.low, wall.high) == pytest.approx((low[0] / point.deviation[0], high[0] / point.deviation[0]))
    assert wall.terms == point.terms[0]
    assert wall.truth == pytest.approx(1e-11, rel=1e-6)


@pytest.mark.slow
def test_the_wall_shows_what_it_is_there_to_show() -> None:
    """Ours hold in 88 to 100 of a hundred (binomial, 0.2 % beyond); naive ones in fewer than 60 of them."""
    for exponent in NOISES:
        for samples in SAMPLES:
            for share in SHARES:
                wall = wall_of_intervals(exponent, samples, share)
                assert 88 <= wall.held <= 100
                if wall.terms > 10:
                    assert wall.held_naive < 60
    assert len(interactive.interval_wall().walls) == len(NOISES) * len(SAMPLES) * len(SHARES)


def test_own_curve_has_unit_noises_of_the_right_shape() -> None:
    """White FM falls with the root of τ, flicker FM stays (NIST SP 1065, 3.3); each clock has its noise."""
    given = interactive.own_curve(seed=5).ingredients
    shapes = {noise["field"]: np.array(noise["shape"]) for noise in given["noises"]}
    hours = np.array(given["tau_s"]) / 3600
    assert shapes["white_fm"] == pytest.approx(1 / hours, rel=1e-5)
    assert shapes["flicker_fm"] == pytest.approx(np.ones(9), rel=1e-5)
    assert shapes["white_pm"] == pytest.approx(1 / hours**2, rel=1e-5)
    for noise in given["noises"]:
        for clock in noise["clocks"]:
            theirs = allantools.oadev(np.array(clock), rate=1.0, data_type="freq", taus=[1, 4])[1]
            assert theirs == pytest.approx(np.sqrt(noise["shape"])[[0, 2]], rel=0.25)


def test_a_drawn_clock_s_frequency_moves_as_walks_do() -> None:
    """Daily means of a thousand walks made by numpy, against the closed form at one and at ten days."""
    walks = np.random.default_rng(1).standard_normal((1000, 11 * 24 * 4)).cumsum(axis=1)
    hourly = walks.reshape(1000, -1, 4).mean(axis=2)
    allan = 0.5 * np.mean(np.diff(hourly, axis=1) ** 2)
    daily = hourly.reshape(1000, 11, 24).mean(axis=2)
    for days in (1, 10):
        moved = np.mean((daily[:, days] - daily[:, 0]) ** 2) / allan
        assert own_curve.apart(-2, np.array([float(days)]))[0] == pytest.approx(moved, rel=0.15)
    assert own_curve.apart(0, np.array([5.0]))[0] == pytest.approx(2 / 24)  # independent daily means


def test_own_curve_gives_its_levels() -> None:
    """What is shown can be simulated: the levels have the deviations that the page says."""
    drawn = interactive.own_curve()
    drawn.deviations = {"white_fm": 3e-12, "white_pm": 1e-11}
    assert drawn.levels.deviation(3600.0, cutoff_hz=0.5 / 3600) == pytest.approx(np.hypot(3e-12, 1e-11))
