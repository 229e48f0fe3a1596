"""What would break an interval: sizes that displace the offset to its limit, and checks that show them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

ROWS = """date,as_found,as_left,standard_uncertainty,adjusted
2021-01-01,1.0e-9,,1e-10,no
2022-01-03,2.1e-9,,1e-10,no
2023-01-02,2.9e-9,0.1e-9,1e-10,yes
2024-01-01,1.2e-9,,1e-10,no
"""


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a history of an instrument that drifts by about 1e-9 a year."""
    path = tmp_path_factory.mktemp("history") / "auk.csv"
    path.write_text(ROWS, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def made(table: Path) -> eb.results.HistoryAssessment:
    """Return its assessment."""
    return eb.assess_history(
        table,
        tolerance=(-2e-8, 1e-8),
        transport_uncertainty=1e-9,
        environment_uncertainty=1e-11,
        reference_uncertainty=1e-11,
        analysed_on="2024-02-01",
    )


def test_each_size_puts_the_offset_on_its_limit(made: eb.results.HistoryAssessment) -> None:
    """By independent arithmetic: forecast at the end of the interval, and the way from there to the limit."""
    assert made.case is not None
    assert made.model is not None
    assert made.interval is not None
    stories = made.case.stories
    seconds = made.interval.interval_s
    reserve = 1e-8 - float(made.model.offset([seconds]).mean[0])

    assert len(stories) == 3
    assert [one.uncertainties for one in stories] == sorted(one.uncertainties for one in stories)
    by_name = {one.story.split()[1]: one for one in stories}
    drift = by_name["drift"]
    assert drift.size * seconds / (365.25 * 86400) == pytest.approx(reserve, rel=1e-9)
    assert drift.uncertainties == pytest.approx(
        drift.size / made.model.drift_per_year.standard_uncertainty, rel=1e-9
    )
    jump = by_name["offset"]
    assert (jump.size, jump.uncertainties) == pytest.approx((reserve, reserve / 1e-9), rel=1e-9)
    assert jump.check_after_s == pytest.approx(seconds / 2)


def test_the_check_finds_the_story(made: eb.results.HistoryAssessment) -> None:
    """With the uncertainty allowed it alarms in 95 of 100 where the story is true, in 5 where it is not."""
    assert made.case is not None
    assert made.model is not None
    jump = next(one for one in made.case.stories if "jumped" in one.story)
    forecast = float(made.model.offset([jump.check_after_s]).standard_deviation[0])
    rng = np.random.default_rng(20260301)
    spread = math.hypot(forecast, jump.check_uncertainty)
    noise = spread * rng.standard_normal(20000)
    alarm = 1.6448536 * spread
    assert np.mean(jump.size + noise > alarm) == pytest.approx(0.95, abs=0.01)
    assert np.mean(noise > alarm) == pytest.approx(0.05, abs=0.01)


@pytest.mark.slow
def test_the_record_shows_them(made: eb.results.HistoryAssessment, table: Path, tmp_path: Path) -> None:
    """Page and numbers; a log's record and an interval that is not there have none."""
    page = eb.write_report(made, tmp_path / "record", pdf=False).html.read_text(encoding="utf-8")
    assert "What would break the interval" in page
    assert "cheapest intermediate check" in page
    assert made.to_dict()["case"]["stories"][0]["size"] > 0
    out = eb.assess_history(table, tolerance=1e-9)
    assert out.case is not None
    assert out.case.stories == ()
