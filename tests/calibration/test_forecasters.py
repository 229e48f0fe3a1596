"""Whatever predicts a clock: its paths have the distributions that it states, of offset and of time error."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb
from evenbeat.clock.forecaster import Forecaster, first_exit
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock

DAY, YEAR = 86400.0, 365.25 * 86400.0
NAMES = ("log", "log with a reference", "history", "wandering history", "statement")


@pytest.fixture(scope="module")
def forecasters() -> dict[str, Forecaster]:
    """Return one of each kind, and two that take other ways through the same code."""
    levels = NoiseLevels(white_fm=1e-21, random_walk_fm=1e-31)
    record = simulate_clock(120, interval_s=3600.0, levels=levels, seed=5)
    table = pd.DataFrame(
        {
            "date": ["2021-01-01", "2021-10-01", "2022-05-01", "2023-01-01", "2023-09-01"],
            "as_found": [0.0, 1.5e-8, 3.2e-8, 4.1e-8, 6.0e-8],
            "as_left": [0.0, 1.5e-8, 3.2e-8, 4.1e-8, 6.0e-8],
            "standard_uncertainty": 1e-9,
            "adjusted": False,
        }
    )
    history = eb.CalibrationHistory.from_table(table)
    return {
        "log": eb.fit_clock(record, most_blocks=60),
        "log with a reference": eb.fit_clock(
            record, most_blocks=60, reference_offset=eb.Estimate.normal(1e-12, 5e-12)
        ),
        "history": eb.fit_history(history),
        "wandering history": eb.fit_history(history, drift_law="wandering"),
        "statement": eb.StatedDrift(
            drift_rate=eb.Estimate.normal(1e-8 / YEAR, 4e-9 / YEAR),
            walk_variance_per_second=(3e-9) ** 2 / YEAR,
            floor=1e-9,
        ),
    }


def _times(source: Forecaster) -> np.ndarray:
    reach = 3 * DAY if source.grounds.kind == "log" else YEAR
    return reach * np.array([0.1, 0.4, 1.0])


@pytest.mark.grid(3)
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("left", [None, eb.Estimate.normal(-2e-9, 1e-9)])
def test_paths_of_the_offset_have_its_distribution(
    forecasters: dict[str, Forecaster], name: str, left: eb.Estimate | None
) -> None:
    """Of 4000 paths 68 % lie in the 68 % band at each time, give or take four standard errors."""
    source, rng = forecasters[name], np.random.default_rng(1)
    times = _times(source)
    paths = np.vstack([group.drawn(rng) for group in source.paths(times, 4000, rng, as_left=left)])
    low, high = source.offset(times, as_left=left).interval(0.68)
    assert np.mean((paths > low) & (paths < high), axis=0) == pytest.approx(0.68, abs=0.03)


@pytest.mark.parametrize("name", NAMES)
def test_paths_of_the_time_error_have_its_distribution(forecasters: dict[str, Forecaster], name: str) -> None:
    """As for the offset; and a time error is what the offset has added up."""
    source, rng = forecasters[name], np.random.default_rng(2)
    times = _times(source)
    paths = np.vstack([group.drawn(rng) for group in source.paths(times, 4000, rng, of="time_error")])
    said = source.time_error(times)
    low, high = said.interval(0.68)
    assert np.mean((paths > low) & (paths < high), axis=0) == pytest.approx(0.68, abs=0.03)
    fine = np.linspace(0, times[-1], 401)
    added = np.trapezoid(source.offset(fine).mean, fine)
    assert said.mean[-1] == pytest.approx(added, abs=0.02 * said.standard_uncertainty[-1])


def test_the_time_error_of_a_history_is_the_integral_of_its_paths(forecasters: dict[str, Forecaster]) -> None:
    """Adding up paths of the offset, drawn at 200 times, gives the same spread within its sampling error."""
    source, rng = forecasters["wandering history"], np.random.default_rng(3)
    times = np.linspace(0, YEAR, 200)
    paths = np.vstack([group.drawn(rng) for group in source.paths(times, 3000, rng)])
    low, high = source.time_error([YEAR]).interval(0.68)
    added = np.trapezoid(paths, times, axis=1)
    assert np.mean((added > low) & (added < high)) == pytest.approx(0.68, abs=0.035)


def test_limit_passage_follows_a_stated_drift() -> None:
    """A drift D that is known leaves ± L after √(2L/D), closed form, to within a moment."""
    drift = eb.StatedDrift(drift_rate=eb.Estimate.normal(1e-8 / YEAR, 0.0))
    passage = eb.limit_passage(drift, 1e-3, until_s=YEAR, paths=100)
    assert passage.time_never_left_s == pytest.approx(math.sqrt(2e-3 * YEAR / 1e-8), abs=YEAR / 96)
    with pytest.raises(InputError, match="until_s is not given"):
        eb.limit_passage(drift, 1e-3)


@pytest.mark.parametrize("name", [pytest.param("log", marks=pytest.mark.slow), *NAMES[1:]])
def test_holdover_of_whatever_predicts(forecasters: dict[str, Forecaster], name: str) -> None:
    """Its forecast is the source's time error, its terms add up to the variance, its limit holds just so."""
    source = forecasters[name]
    times = _times(source)
    limit = 3 * float(source.time_error(times[1:2]).standard_uncertainty[0])
    limit += abs(float(source.time_error(times[1:2]).mean[0]))
    made = eb.predict_holdover(source, times, time_error_limit_s=limit, even_if_untested=True)
    assert made.forecast.mean == pytest.approx(source.time_error(times).mean)
    assert made.terms.total == pytest.approx(made.forecast.standard_uncertainty**2, rel=1e-6)
    assert all(np.all(variance >= 0) for variance in made.terms.by_term.values())
    if math.isfinite(made.time_to_limit_s):
        at_the_end = source.time_error([made.time_to_limit_s]).probability_within(limit)
        assert at_the_end == pytest.approx([0.95], abs=1e-5)
        assert made.time_to_limit_s > times[1]


def test_holdover_of_a_history_ends_where_its_evidence_does(forecasters: dict[str, Forecaster]) -> None:
    """Beyond twice the longest interval between calibrations there is a caution; a wrong source is named."""
    source = forecasters["history"]
    near, far = source.grounds.reach_s * np.array([0.9, 1.1])
    assert "BEYOND_EVIDENCE" not in {f.code for f in eb.predict_holdover(source, near).findings}
    assert "BEYOND_EVIDENCE" in {f.code for f in eb.predict_holdover(source, far).findings}
    with pytest.raises(InputError, match="the source is a float"):
        eb.predict_holdover(1.0, near)  # type: ignore[arg-type]


@pytest.mark.parametrize("law", ["constant", "logarithmic", "wandering", "auto"])
def test_a_history_rewound_to_its_last_but_one_calibration_leads_to_its_last(law: str) -> None:
    """From what was left then, the mean offset and slope now are those of the forecast from now on."""
    table = pd.DataFrame(
        {
            "date": ["2018-01-01", "2019-05-01", "2020-01-01", "2020-12-01", "2022-04-01", "2023-09-01"],
            "as_found": [0.0, 9e-9, 2.1e-8, 2.4e-8, 4.1e-8, 6.0e-8],
            "as_left": [0.0, 9e-9, 2.1e-8, 2.4e-8, 4.1e-8, 6.0e-8],
            "standard_uncertainty": 1e-9,
            "adjusted": False,
        }
    )
    model = eb.fit_history(eb.CalibrationHistory.from_table(table), drift_law=law)  # type: ignore[arg-type]
    last = model.grounds.last_interval
    assert last is not None
    ahead = np.array([0.0, 0.3, 1.0]) * YEAR
    zero = eb.Estimate.normal(0.0, 0.0)
    then = last.source.offset(last.elapsed_s + ahead, as_left=zero)
    since = then.mean - last.source.offset([last.elapsed_s], as_left=zero).mean
    assert since == pytest.approx(model.offset(ahead, as_left=zero).mean, abs=1e-14)


@pytest.mark.parametrize("name", ["history", "statement"])
def test_only_a_log_knows_averages_and_follows_an_environment(
    forecasters: dict[str, Forecaster], name: str
) -> None:
    """What would be without effect is refused."""
    with pytest.raises(InputError, match="averaging_time_s is given, but only a clock model"):
        forecasters[name].offset([DAY], 3600.0)
    with pytest.raises(InputError, match="environment is given, but only a clock model"):
        forecasters[name].time_error([DAY], environment={"room_c": eb.Course.steady(20.0)})


def test_first_exit_of_a_closed_form() -> None:
    """P = exp(-t) falls below 0.95 at -ln 0.95, however coarse the search; NaN and inf at its ends."""
    times = np.array([0.0, 0.5, 2.0])
    chance = np.exp(-times)
    found = first_exit(times, chance, 0.95, between=lambda t: np.exp(-t))
    assert found == pytest.approx(-math.log(0.95), rel=1e-8)
    assert first_exit(times, chance, 0.95) == pytest.approx(0.05 / (1 - math.exp(-0.5)) * 0.5, rel=1e-12)
    assert math.isnan(first_exit(times, 0.5 * chance, 0.95))
    assert math.isinf(first_exit(times, chance, 0.1))
