"""The model for many instruments at once against the one for a single one, and against the textbook."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.calibration.history_posterior import DriftPrior, posteriors
from evenbeat.fleet.judged import ManyHistories
from evenbeat.fleet.members import table_members
from evenbeat.fleet.usual import learned_priors
from evenbeat.register.facts import Calibration, history_of
from evenbeat.register.tables import calibration_of
from evenbeat.units import SECONDS_PER_YEAR

OVEN = DriftPrior.of("oven")


def many_of(some: list[eb.CalibrationHistory]) -> ManyHistories:
    """Return their posteriors side by side."""
    return ManyHistories(posteriors=posteriors(some, [OVEN] * len(some)))


def histories(path: Path, count: int) -> list[eb.CalibrationHistory]:
    """Return the first histories of a table."""
    return [
        history_of([calibration_of(row) for row in member.rows], member.name)
        for member in table_members(path)[0][:count]
    ]


def test_agrees_with_one_at_a_time(fleet_table: Path, demo_data: Path) -> None:
    """One posterior for both: interval, drift and probability alike."""
    some = histories(fleet_table, 5)
    some.append(eb.CalibrationHistory.from_table(demo_data / "kittiwake-history.csv"))
    limit = np.outer([1e-7] * 5 + [1e-8], [-1.0, 1.0])
    years = np.full(6, 1.5 * SECONDS_PER_YEAR)

    many = many_of(some)
    interval = many.interval_s(limit, 0.95, np.full(6, 5 * SECONDS_PER_YEAR))
    drift, spread = many.drift_per_year()
    probability = many.probability_within(years, limit)

    for at, history in enumerate(some):
        one = eb.fit_history(history, oscillator_class="oven")
        alone = min(one.interval_s(limit[at, 1], 0.95), 5 * SECONDS_PER_YEAR)
        within = one.probability_within(years[0], limit[at, 1])[0]
        assert interval[at] == pytest.approx(alone, rel=1e-6)
        assert abs(drift[at] - one.drift_per_year.value) < 1e-6 * spread[at]
        assert spread[at] == pytest.approx(one.drift_per_year.standard_uncertainty, rel=1e-6)
        assert abs(probability[at] - within) < 1e-6


def test_one_increment_is_the_normal_update() -> None:
    """With next to no walk and law, the drift is the precision-weighted mean (Gelman et al., BDA3, 2.5).

    Prior N(0, (1e-7/yr)²), one increment of 5e-8 in a year with u = √2 × 1e-8: mean and variance by hand.
    """
    prior = DriftPrior(name="still", drift_per_year=1e-7, walk_per_root_year=1e-16)
    history = history_of(
        [
            Calibration(instrument="x", date=date, as_found=found, standard_uncertainty=1e-8)
            for date, found in (("2020-01-01T00:00:00", 0.0), ("2020-12-31T06:00:00", 5e-8))
        ],
        "x",
    )

    found = posteriors([history], [prior], law="constant")

    precision = 1 / 1e-14 + 1 / 2e-16
    mean = float((found.weight * found.mean[1]).sum())
    assert mean == pytest.approx(5e-8 / 2e-16 / precision, rel=1e-6)
    assert float((found.weight * found.covariance[1, 1]).sum()) == pytest.approx(1 / precision, rel=1e-6)


def test_neighbours_do_not_matter(fleet_table: Path) -> None:
    """An instrument alone and among others has the same answer."""
    some = histories(fleet_table, 8)
    limit, longest = np.full((8, 2), [-1e-7, 1e-7]), np.full(8, 2 * SECONDS_PER_YEAR)

    together = many_of(some).interval_s(limit, 0.95, longest)
    alone = [many_of([one]).interval_s(limit[:1], 0.95, longest[:1])[0] for one in some]

    np.testing.assert_allclose(together, alone, rtol=1e-9)


def test_a_start_outside_has_no_interval(fleet_table: Path) -> None:
    """An offset outside its limit has interval zero; one that never leaves has the longest."""
    model: ManyHistories = many_of(histories(fleet_table, 1))

    assert model.interval_s(np.array([[-1e-12, 1e-12]]), 0.95, np.array([1e8]))[0] == 0
    assert model.interval_s(np.array([[-1.0, 1.0]]), 0.95, np.array([1e8]))[0] == 1e8


@pytest.mark.parametrize("times", [0.25, 1.0, 4.0])
def test_a_fleet_tells_how_wide_its_class_is(times: float) -> None:
    """Eighty simulated ovens drift so many times what is usual; the learned width is within a half."""
    rng, usual = np.random.default_rng(8), next(part for part in OVEN.mixture if part.factor == 1)
    some = []
    for name in map(str, range(80)):
        drift = times * usual.drift_per_year * rng.normal()
        walk = np.cumsum([0.0, *times * usual.walk_per_root_year * rng.normal(size=4)])
        found = drift * np.arange(5) + walk + 1e-11 * rng.normal(size=5)
        points = [
            Calibration(
                instrument=name, date=f"{2020 + at}-01-01", as_found=value, standard_uncertainty=1e-11
            )
            for at, value in enumerate(found.tolist())
        ]
        some.append(history_of(points, name))

    _, (finding,) = learned_priors({"oven": some})

    assert finding.values["instruments"] == 80
    assert times / 1.5 < float(finding.values["factor"]) < 1.5 * times


@pytest.mark.grid(2)
@pytest.mark.parametrize("near", [1.7, 2.2])
def test_first_exits_of_those_left_near_a_limit(near: float, fleet_table: Path) -> None:
    """Left close to a limit, they soon fall short: the first exit is that of 1500 moments in order."""
    many = many_of(histories(fleet_table, 30))
    found = many.posteriors
    start = (found.weight * found.mean[0]).sum(axis=1)
    spread = np.sqrt((found.weight * found.covariance[0, 0]).sum(axis=1))
    limit = np.stack([start - near * spread, start + 2e-7], axis=1)
    longest = np.full(30, 3 * SECONDS_PER_YEAR)

    interval = many.interval_s(limit, 0.95, longest)

    shares = np.geomspace(1e-6, 1, 1500)
    within = np.array([many.probability_within(share * longest, limit) for share in [0.0, *shares]])
    first = (within < 0.95).argmax(axis=0)
    exits = np.where(first > 0, shares[first - 1], np.where(within[0] < 0.95, 0.0, 1.0)) * longest
    assert interval == pytest.approx(exits, rel=0.01)
