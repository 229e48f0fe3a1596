"""Coverage of the clock model's 95 % intervals by simulation, plain least squares beside them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import pytest

from evenbeat.clock.fit import fit_clock
from evenbeat.powerlaw import NoiseLevels, simulate_clock

DAY = 86400.0
POINTS = 100
NOISES: Mapping[str, NoiseLevels] = MappingProxyType(
    {
        "white FM": NoiseLevels(white_fm=1e-22),
        "flicker FM": NoiseLevels(flicker_fm=1e-24),
        "random-walk FM": NoiseLevels(random_walk_fm=1e-32),
        # random walk of a hundredth of the white Allan variance at one sample
        "hidden random walk": NoiseLevels(white_fm=1e-22, random_walk_fm=1e-24 / (4 * np.pi**2 / 3 * DAY**2)),
    }
)


def covered(name: str, runs: int, first_seed: int, points: int = POINTS) -> dict[str, float]:
    """Return the share of runs whose interval holds the truth: drift, least squares, time error."""
    hits = np.zeros(3)
    for run in range(runs):
        ahead = points // 2
        clock = simulate_clock(points + ahead, interval_s=DAY, levels=NOISES[name], seed=first_seed + run)
        gained = float(np.sum(clock.values[points:]) * DAY)
        model = fit_clock(clock.between(0, points * DAY), aging="linear")
        drift = model.aging_rate().interval()
        plain = model.least_squares.rate.interval()
        low, high = model.time_error_at((points + ahead) * DAY).interval()
        hits += [drift[0] <= 0 <= drift[1], plain[0] <= 0 <= plain[1], low[0] <= gained <= high[0]]
    return dict(zip(("drift", "least squares", "time error"), hits / runs, strict=True))


@pytest.mark.parametrize("name", ["white FM", "flicker FM", "random-walk FM"])
def test_intervals_hold_in_a_few_runs(name: str) -> None:
    """Sixty clocks: at least 85 % covered (binomial 1e-3 limit of a true 95 %)."""
    shares = covered(name, 60, 100)
    assert shares["drift"] >= 0.85
    assert shares["time error"] >= 0.85


@pytest.mark.slow
@pytest.mark.parametrize("name", NOISES)
def test_coverage_of_a_thousand_clocks(name: str, record_property: pytest.RecordProperty) -> None:
    """Nominal 95 %: never below 0.90 for pure noises and 0.85 for a walk hidden under white FM.

    Least squares covers 95 % under white FM only: near 37 % under flicker and 13 % under random-walk FM
    (simulation values stated with the project's design; its flicker noise was made differently).
    """
    shares = covered(name, 1000, 10_000)
    record_property("coverage", shares)
    print(f"{name:20s} " + "  ".join(f"{key} {value:.3f}" for key, value in shares.items()))  # noqa: T201
    lowest = 0.85 if name == "hidden random walk" else 0.90
    assert shares["drift"] >= lowest
    assert shares["time error"] >= lowest
    assert shares["least squares"] < (0.97 if name == "white FM" else 0.5)


@pytest.mark.slow
@pytest.mark.parametrize(("points", "lowest"), [(8, 0.78), (20, 0.87)])
def test_coverage_of_short_random_walks_is_what_the_finding_says(points: int, lowest: float) -> None:
    """FEW_AVERAGES states 83 % at 8 averages and 92 % at 20; 400 clocks, less three standard errors."""
    assert covered("random-walk FM", 400, 50_000, points)["drift"] >= lowest
