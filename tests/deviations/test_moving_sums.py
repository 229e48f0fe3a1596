"""Moving sums made of each other are those of the definition, whichever of them are asked for."""

from __future__ import annotations

import numpy as np
import pytest

from evenbeat.deviations.sums.moving_sums import MOST_ROWS, MovingSums, steps_to

TEN_PER_DECADE = [1, 2, 3, 4, 5, 6, 8, 10, 13, 16, 20, 25, 32, 40, 50, 63, 79, 100, 126, 158, 200, 251]
LISTS = {
    "ten per decade": TEN_PER_DECADE,
    "doublings": [1, 2, 4, 8, 16, 32, 64, 128, 256],
    "every": list(range(1, 200)),
    "few": [1, 7, 14, 100],
    "without one": [2, 4, 5, 9],
}


@pytest.mark.parametrize("name", LISTS)
@pytest.mark.parametrize("every", [1, 3])
def test_against_the_definition(name: str, every: int) -> None:
    """Whole numbers: every moving sum is exact, also where shorter ones were skipped, row after row."""
    steps = steps_to(LISTS[name])
    sums = MovingSums(steps, 400)

    for seed in (1, 2):
        values = np.random.default_rng(seed).integers(-9, 10, 400).astype(float)
        sums.begin(values)
        for length in list(steps)[::every]:
            expected = np.convolve(values, np.ones(length), mode="valid")
            assert sums.over(length).tolist() == expected.tolist(), length


def test_which_can_be_made() -> None:
    """All of the usual lists; not a sum far beyond the others, and no more than rows are kept for."""
    assert list(steps_to(TEN_PER_DECADE)) == TEN_PER_DECADE[1:]
    assert list(steps_to(LISTS["few"])) == []
    assert list(steps_to([1, 2, 7, 8])) == [2]
    assert list(steps_to(LISTS["without one"])) == [2, 4, 5, 9]
    assert all(len(step.needed) <= MOST_ROWS for step in steps_to(LISTS["every"]).values())
    assert 10 < len(steps_to(LISTS["every"])) < 40


@pytest.mark.parametrize("name", ["ten per decade", "doublings"])
def test_rounding_is_bounded(name: str) -> None:
    """Against exact sums the rounding stays below the bound of each step, and that is small."""
    # SOURCE: math.fsum, exact to the last digit
    from math import fsum

    steps = steps_to(LISTS[name])
    values = np.random.default_rng(5).standard_normal(400)
    sums = MovingSums(steps, 400)
    sums.begin(values)
    largest = float(np.max(np.abs(values)))

    for length, step in steps.items():
        exact = np.array([fsum(values[i : i + length]) for i in range(401 - length)])
        error = float(np.max(np.abs(sums.over(length) - exact)))
        assert error <= (step.rounding + 1) * 2.0**-53 * length * largest
        assert step.rounding < 3 * length.bit_length()
