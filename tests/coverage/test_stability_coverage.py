"""The table of coverage in a small form: some cells, few records, means alone."""

from __future__ import annotations

import numpy as np
import pytest
from stability_coverage import Held, Key, coverage, edf_of, verdict, written


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """From 256 points on 95 and 68 % over all cells; processes share the work and change no number."""
    found = coverage(25, 2, {"points": ["256"]})
    shares = np.array([held.shares for held in found.values() if edf_of(held) >= 2])
    assert len(shares) > 300
    # records are shared by the cells: the mean scatters by about a point at 68 and half of one at 95 %
    assert np.mean(shares, axis=0) == pytest.approx([68.0, 95.0], abs=2.5)
    some = coverage(25, 1, {"points": ["256"], "gaps": ["every fifth"], "statistic": ["time"]})
    assert some.items() <= found.items()


def test_a_cell_is_judged_by_the_bar() -> None:
    """92 to 98 and 63 to 73 % from 256 points on, at 64 points 88 %; two standard errors may be chance."""
    short = Held(low=13, high=20, records=26, edf=(20.0,))
    assert verdict(64, short).startswith("missed")
    held = Held(low=680, high=951, records=1000, edf=(1.5, 4.0, 9.0))
    assert verdict(256, held) == "met"
    assert verdict(256, held._replace(high=890)) == "missed"
    assert verdict(64, held._replace(high=890)) == "met"
    assert verdict(256, held._replace(low=750)) == "missed by chance?"
    assert verdict(256, held._replace(high=890, edf=(1.9,))) == "not asked"
    page = written({Key(256, "every fifth", "white FM", "time", 16): held})
    assert "| 256 | every fifth | white FM | time | 16 | 4.0 | 68.0 | 95.1 | met |" in page
