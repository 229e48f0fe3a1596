"""Ten results print as they did, word for word and digit for digit.

After a change on purpose run this file as a script, which writes the texts anew, and read the difference.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import cache
from pathlib import Path

import pytest

import evenbeat as eb
from evenbeat.result import PAGE_WIDTH, Result

SHOWN = Path(__file__).parent / "shown"


@cache
def record() -> eb.Record:
    """Return a simulated clock over a quarter of a day."""
    return eb.simulate_clock(
        2000,
        interval_s=10,
        levels=eb.NoiseLevels(white_fm=1e-22, random_walk_fm=1e-30),
        aging=lambda t: 1e-16 * t,
        start="2026-03-01T00:00:00",
        seed=3,
    )


@cache
def model() -> eb.results.ClockModel:
    """Return its clock model."""
    return eb.fit_clock(record())


@cache
def history_model() -> eb.results.HistoryModel:
    """Return the model of the history of an invented oscillator."""
    return eb.fit_history(eb.CalibrationHistory.from_table(eb.demo_data("kittiwake-history.csv")))


RESULTS: dict[str, Callable[[], Result]] = {
    "record": record,
    "stability_curve": lambda: eb.stability(record(), averaging="doublings"),
    "time_error_curve": lambda: eb.time_interval_error(record(), averaging="doublings"),
    "clock_model": model,
    "holdover_forecast": lambda: eb.predict_holdover(model(), time_error_limit_s=1e-6),
    "interval_suggestion": lambda: eb.suggest_interval(history_model(), tolerance=1e-8),
    "history_model": history_model,
    "decision": lambda: eb.decide(eb.Estimate.normal(3e-9, 4e-10), tolerance=4e-9, rule="guard_band"),
    "bench_check": lambda: eb.bench_check(eb.demo_data("counter-check-readings.csv")),
    "due_list": lambda: eb.assess_fleet(
        eb.demo_data("fleet-history.csv"), on=date(2026, 6, 1), tolerance=1e-7
    ),
}


@pytest.mark.parametrize("name", RESULTS)
def test_text_is_as_it_was(name: str) -> None:
    """Text of every kind of result stays word for word, digit for digit, and fits the page."""
    text = str(RESULTS[name]())

    assert max(map(len, text.splitlines())) <= PAGE_WIDTH
    assert text + "\n" == (SHOWN / f"{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", RESULTS)
def test_no_column_hides_a_fact(name: str) -> None:
    """Facts and columns stand in one dictionary, so that no name may be both."""
    result = RESULTS[name]()
    columns = [] if result._row_objects else [column.name for column in result._columns() if column.name]

    assert len(set(columns)) == len(columns)
    assert not set(columns) & set(result._facts())


if __name__ == "__main__":
    for name, made in RESULTS.items():
        (SHOWN / f"{name}.txt").write_text(f"{made()}\n", encoding="utf-8")
