"""Degrees of freedom at every factor of a long list: interpolated ones are those computed."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations import freedom_between


@pytest.mark.parametrize(
    ("statistic", "exponent", "within"),
    [
        pytest.param("overlapping_allan", 0, 1e-3, marks=pytest.mark.slow),
        ("overlapping_allan", -2, 1e-3),
        pytest.param("modified_allan", 2, 1e-3, marks=pytest.mark.slow),
        ("overlapping_hadamard", 2, 1.5e-3),
        ("hadamard", 0, 1e-12),
    ],
)
def test_interpolated_agree_with_computed(
    statistic: str, exponent: int, within: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At every factor of a record the degrees of freedom are as close as promised to those computed there."""
    steps = {0: 1, -2: 2, 2: 0}[exponent]
    phase = np.random.default_rng(8).standard_normal(4500)
    for _ in range(steps):
        phase = np.cumsum(phase)
    record = eb.Record.from_phase(phase, interval_s=1.0)

    every = range(1, 4500 // (3 if "hadamard" in statistic else 2))
    between = eb.stability(record, statistic, averaging=every)
    monkeypatch.setattr(freedom_between, "FEWEST_INTERPOLATED", 10**9)
    computed = eb.stability(record, statistic, averaging=every)

    assert len(computed) > 1000
    assert np.array_equal(between.deviation, computed.deviation)
    assert between.edf == pytest.approx(computed.edf, rel=within)
    assert (statistic == "hadamard") == np.array_equal(between.edf, computed.edf)


def test_nothing_crosses_a_change_of_noise() -> None:
    """Where the exponent changes, both neighbours are computed and the value jumps."""
    factors = np.arange(1, 3001)
    exponents = np.where(factors < 1500, 2.0, np.nan)
    law = np.where(factors < 1500, 1e6 / factors, 1e3 / np.sqrt(factors))
    chosen = freedom_between.looked_at(exponents)

    found = freedom_between.interpolated(factors, exponents, np.where(chosen, law, np.nan), chosen)

    assert np.count_nonzero(chosen) < 1500
    assert found == pytest.approx(law, rel=1e-12)


def test_short_lists_are_computed() -> None:
    """Below a thousand factors nothing is interpolated."""
    assert freedom_between.looked_at(np.zeros(999)).all()
