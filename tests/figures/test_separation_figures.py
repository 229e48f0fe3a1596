"""Figures of separated clocks, corrected curves, moving stability and limits: they show what results say."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes

import evenbeat as eb


def phases(levels: tuple[float, ...], n: int = 2000) -> list[np.ndarray]:
    """Return simulated white-FM clocks."""
    return [
        eb.simulate_clock(n, interval_s=1.0, levels=eb.NoiseLevels(white_fm=h), seed=k, kind="phase").values
        for k, h in enumerate(levels)
    ]


def phase_record(values: np.ndarray) -> eb.Record:
    """Return a record with a sample a second."""
    return eb.Record.from_phase(values, interval_s=1.0)


def line(ax: Axes, label: str) -> np.ndarray:
    """Return the heights of the line with this label."""
    (found,) = [each for each in ax.lines if each.get_label() == label]
    return np.asarray(found.get_ydata(), dtype=float)


def texts(ax: Axes) -> str:
    """Return everything written into axes."""
    return "\n".join([*(text.get_text() for text in ax.texts), ax.get_title(loc="left"), ax.get_xlabel()])


def test_separated_clocks_show_points_and_upper_limits() -> None:
    """Points are the deviations where zero is excluded; elsewhere arrows hang from the upper limit."""
    a, b, c = phases((1e-27, 4e-24, 2e-23))
    result = eb.separate_clocks(
        phase_record(a - b), phase_record(b - c), phase_record(c - a), names=("one", "two", "three")
    )

    ax = eb.plot(result)

    low, _ = result.variance_interval()
    seen = low > 0
    for k, name in enumerate(result.names):
        assert line(ax, name)[seen[k]] == pytest.approx(result.deviation[k][seen[k]])
        assert np.isnan(line(ax, name)[~seen[k]]).all()
    arrows = sum(len(np.ravel(bar.lines[1][0].get_xdata())) for bar in ax.containers)
    assert arrows == np.count_nonzero(~seen & np.isfinite(result.upper_limit()))
    assert "one" in texts(ax)
    assert "upper limits" in texts(ax)


@pytest.mark.slow
def test_noise_of_counters_is_drawn_where_it_matters() -> None:
    """The sum of the three differences appears with noisy counters and not without."""
    a, b, c = phases((1e-24, 4e-24, 2e-23))
    noise = np.random.default_rng(1).standard_normal((3, 2000)) * 1e-12
    noisy = eb.separate_clocks(
        *(phase_record(x + n) for x, n in zip((a - b, b - c, c - a), noise, strict=True))
    )

    assert line(eb.plot(noisy), "loop of three") == pytest.approx(np.sqrt(noisy.closure_variance))
    quiet = eb.separate_clocks(*(phase_record(x) for x in (a - b, b - c, c - a)))
    assert "loop of three" not in [each.get_label() for each in eb.plot(quiet).lines]


def test_corrected_curve_shows_measured_reference_floor_and_device() -> None:
    """Four lines, named; the device where it stands out."""
    a, b, _ = phases((4e-24, 1e-24, 1.0))
    curve = eb.stability(phase_record(a - b), averaging=[1, 10, 100])
    result = eb.without_reference(
        curve, {1.0: 7e-13, 10.0: 2e-13, 100.0: 7e-14}, floor={1.0: 1e-13, 10.0: 1e-14, 100.0: 1e-15}
    )

    ax = eb.plot(result)

    assert line(ax, "measured") == pytest.approx(curve.deviation)
    assert line(ax, "floor") == pytest.approx([1e-13, 1e-14, 1e-15])
    seen = result.variance_interval()[0] > 0
    assert line(ax, "device")[seen] == pytest.approx(result.deviation[seen])
    assert {"measured", "reference", "floor", "device"} <= set(texts(ax).split("\n"))


def test_floor_is_drawn_under_a_stability_curve() -> None:
    """``floor=`` adds the line, its name and the room for it."""
    a, b, _ = phases((4e-24, 1e-26, 1.0))
    curve, floor = (eb.stability(phase_record(x)) for x in (a, b))

    ax = eb.plot(curve, floor=floor)

    assert line(ax, "floor") == pytest.approx(floor.deviation)
    assert ax.get_ylim()[0] < floor.deviation[0] / 2
    assert "floor of the measuring system" in texts(ax)
    assert "floor" not in [each.get_label() for each in eb.plot(curve).lines]


def test_moving_stability_shows_few_averaging_times_in_time() -> None:
    """At most four lines, each a column of the result at the middle of its windows."""
    values = np.random.default_rng(2).standard_normal(3000) * 1e-11
    values[1500:] *= 2
    result = eb.moving_stability(eb.Record.from_frequency(values, interval_s=1.0), 400)

    ax = eb.plot(result)

    assert 2 <= len(ax.lines) <= 4
    assert line(ax, "1 s") == pytest.approx(result.deviation[:, 0])
    assert ax.lines[0].get_xdata() == pytest.approx(result.window_middle_s / 60)
    assert "changed by a factor of" in texts(ax)
    assert "middle of the window of 6.67 min [min]" in ax.get_xlabel()


def test_limit_marks_every_verdict() -> None:
    """Each point carries the marker of its verdict; the limit is drawn and named."""
    record = eb.simulate_clock(
        5000, interval_s=1.0, levels=eb.NoiseLevels(white_fm=2e-22), seed=1, kind="phase"
    )
    curve = eb.stability(record, averaging=[1, 10, 100, 1000])
    height = np.array([2, 1.0, 0.5, 1.0]) * curve.deviation
    limit = eb.LimitLine.from_table(
        list(zip(curve.averaging_time_s[:3], height[:3], strict=True)),
        statistic="overlapping_allan",
        name="ours",
    )
    verdict = eb.compare_with_limit(curve, limit)

    ax = eb.plot(verdict)

    assert verdict.verdicts == ("below", "undecided", "above", "no statement")
    for k, name in enumerate(verdict.verdicts):
        assert line(ax, name) == pytest.approx([curve.deviation[k]])
    assert "limit: ours" in texts(ax)
    assert "95\N{NO-BREAK SPACE}% interval" in texts(ax)


def test_limit_of_a_time_interval_error_says_that_there_is_no_interval() -> None:
    """The x label says so, and the limit is named."""
    record = eb.Record.from_phase(np.random.default_rng(1).standard_normal(500) * 1e-9, interval_s=1.0)
    name = "G.811 PRC MTIE"

    ax = eb.plot(eb.compare_with_limit(eb.time_interval_error(record), eb.limit_lines()[name]))

    assert "no interval" in ax.get_xlabel()
    assert f"limit: {name}" in texts(ax)


def test_records_that_stand_still_can_be_drawn() -> None:
    """Zero has no place on a logarithmic axis: the figures stay empty and say why, without a warning."""
    still = phase_record(np.zeros(60))

    moving = eb.plot(eb.moving_stability(still, 20))
    separated = eb.plot(eb.separate_clocks(still, still, still))

    assert np.isnan(line(moving, "1 s")).all()
    assert "can be told apart at any averaging time" in texts(separated)
