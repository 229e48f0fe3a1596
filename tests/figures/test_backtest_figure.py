"""The figure of a backtest shows its scores."""

import numpy as np
import pytest

from evenbeat.clock.backtest import backtest
from evenbeat.clock.tested import Backtest
from evenbeat.errors import InputError
from evenbeat.figures.dispatch import plot
from evenbeat.powerlaw import NoiseLevels, simulate_clock


@pytest.fixture(scope="module")
def tested() -> Backtest:
    """Return a small backtest."""
    record = simulate_clock(300, interval_s=3600.0, levels=NoiseLevels(flicker_fm=1e-24), seed=2)
    return backtest(record, aging="linear", origins=4, most_blocks=30)


@pytest.mark.slow
def test_every_coverage_is_drawn_where_it_is(tested: Backtest) -> None:
    """One marker for each quantity and horizon, at its share in percent; the stated share is a line."""
    ax = plot(tested)
    drawn = sorted(float(line.get_ydata()[0]) for line in ax.lines if len(line.get_xdata()) == 1)  # type: ignore[arg-type,index]
    assert drawn == pytest.approx(sorted(100 * score.coverage for score in tested.scores))
    assert any(np.allclose(line.get_ydata(), 95.0) for line in ax.lines)
    assert "independent tests" in "".join(text.get_text() for text in ax.texts)


@pytest.mark.slow
def test_histogram_of_transforms_adds_up(tested: Backtest) -> None:
    """Ten bars for each quantity, each set 100 % in sum."""
    ax = plot(tested, view="transforms")
    heights = [patch.get_height() for patch in ax.patches]  # type: ignore[attr-defined]
    assert len(heights) == 20
    assert sum(heights[:10]) == pytest.approx(100.0)


def test_unknown_view_is_refused(tested: Backtest) -> None:
    """The sentence says which views there are."""
    with pytest.raises(InputError, match="must be 'coverage' or 'transforms'"):
        plot(tested, view="widths")
