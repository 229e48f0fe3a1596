"""The self-check of a curve: its record simulated with noises and gaps, shares beside the nominal ones."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb

CLOCK = eb.NoiseLevels(white_pm=4e-22, white_fm=1e-23, random_walk_fm=1e-27)


def clock(points: int, *, gaps: bool = False, kind: str = "phase") -> eb.Record:
    """Return a simulated clock, every tenth sample missing on request."""
    record = eb.simulate_clock(points, interval_s=2.0, levels=CLOCK, seed=1, kind=kind)
    values = np.array(record.values)
    if gaps:
        values[3::10] = np.nan
    make = eb.Record.from_phase if kind == "phase" else eb.Record.from_frequency
    return make(values, interval_s=2.0)


@pytest.mark.parametrize(
    "statistic",
    [
        *("oadev", "mdev", "theo1"),
        *(
            pytest.param(each, marks=pytest.mark.slow)
            for each in ("tdev", "ohdev", "totdev", "theoh", "pdev")
        ),
    ],
)
def test_intervals_hold_in_the_records_own_mixture(statistic: str) -> None:
    """Every statistic: shares near what the intervals say, and deviations near the truth beside them."""
    curve = eb.stability(clock(300), statistic, averaging=[12, 24, 48])
    check = curve.checked(paths=40, seed=5)

    assert check.confidences == (0.68, 0.95)
    assert check.held.shape == (2, len(curve))
    # of 40 records 95 % are held to 3.4 points (one standard deviation), 68 % to 7.4
    assert np.all(check.held[1] >= 0.8)
    assert np.all(np.abs(check.held[0] - 0.68) <= 0.3)
    assert check.ratio == pytest.approx(1, abs=0.15)
    assert {finding.code for finding in check.findings} == {"COVERAGE_HELD"}


@pytest.mark.parametrize("kind", ["phase", "frequency"])
def test_gaps_are_those_of_the_record(kind: str) -> None:
    """The simulated records miss the same samples: the same terms, none where there are none here."""
    curve = eb.stability(clock(200, gaps=True, kind=kind), averaging=[1, 7, 60])
    check = curve.checked(paths=20, seed=2)

    empty = curve.terms == 0
    assert empty.any() == (kind == "frequency")
    assert np.isnan(check.held[:, empty]).all()
    assert np.all(check.held[1, ~empty] >= 0.7)


def test_intervals_that_are_wrong_are_told() -> None:
    """The published bias of the modified total is 46 % of the variance off at factor 1 under white PM."""
    # SOURCE: tests/coverage/stability_coverage.md and the docstring of stability
    check = eb.stability(clock(150), "mtotdev", averaging=[1], bias="published").checked(paths=20, seed=3)

    assert check.held[1, 0] < 0.3
    assert [finding.code for finding in check.findings] == ["INTERVALS_TOO_SHORT"] * 2


def test_options_are_those_of_the_curve() -> None:
    """A drift taken out takes noise with it at long averaging times; stated noise is what is simulated."""
    curve = eb.stability(clock(200), averaging=[1, 60], noise="random-walk FM", remove_drift=True)
    check = curve.checked(paths=60, seed=3)

    assert check.ratio[0] == pytest.approx(1, abs=0.05)
    assert check.ratio[1] < 0.8
    assert check.levels.white_pm == 0


def test_it_prints_achieved_beside_nominal_and_repeats_itself() -> None:
    """The table has both, a line says which shortfall would have been seen; a seed gives the same digits."""
    curve = eb.stability(clock(150), averaging=[1, 4])
    check = curve.checked(paths=20, seed=4)
    text = str(check)

    assert "nominal" in text
    assert "held" in text
    assert "would have been seen" in text
    assert (curve.checked(paths=20, seed=4).held == check.held).all()
    assert list(check.to_frame()["held_95"]) == check.held[1].tolist()
    assert check.to_dict()["paths"] == 20


def test_what_cannot_be_checked_is_refused() -> None:
    """Too few records, readings that do not vary, a level that is none."""
    curve = eb.stability(clock(150), averaging=[1, 4])

    with pytest.raises(eb.InputError, match="paths is 3; at least 20"):
        curve.checked(paths=3)
    with pytest.raises(eb.InputError, match="confidences is 95"):
        curve.checked(confidences=[95])
    still = eb.stability(eb.Record.from_phase(np.zeros(100), interval_s=1.0), averaging=[1])
    with pytest.raises(eb.InputError, match="no noise to simulate"):
        still.checked()
