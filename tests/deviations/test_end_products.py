"""Products near one end of a row for every m at once are those formed one by one."""

from __future__ import annotations

import numpy as np
import pytest

from evenbeat.deviations.sums import end_products
from evenbeat.deviations.sums.end_products import products_near_start


@pytest.mark.parametrize(("reach", "apart"), [(1, 1), (2, 1), (1, 2), (3, 2)])
@pytest.mark.parametrize("largest", [0, 1, 31, 32, 333])
def test_against_the_definition(
    reach: int, apart: int, largest: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whole numbers, for which every product is exact, rounded transforms give again."""
    monkeypatch.setattr(end_products, "AT_ONCE", 1000)
    values = np.random.default_rng(3).integers(-1000, 1000, (reach + apart) * largest + 1)

    found = products_near_start(values.astype(float), largest, reach=reach, apart=apart)

    expected = [
        int(np.dot(values[: reach * m], values[apart * m :][: reach * m])) for m in range(largest + 1)
    ]
    assert np.round(found).tolist() == expected
    assert found == pytest.approx(np.round(found), abs=1e-6)


def test_a_short_row_is_continued_by_zeros() -> None:
    """Products that reach beyond the end count as zero."""
    assert products_near_start(np.array([2.0, 3.0, 5.0]), 4).tolist() == [0, 6, 10, 0, 0]
