"""Figures: what they show is what the result says, and nothing outside them changes."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from evenbeat.calibration.back_cast import back_cast
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import fit_history
from evenbeat.calibration.interval import IntervalSuggestion, suggest_interval
from evenbeat.calibration.methods import compare_methods
from evenbeat.calibration.reliability import fit_reliability
from evenbeat.calibration.specification import Specification, check_specification
from evenbeat.calibration.stated_drift import StatedDrift
from evenbeat.clock.backtest import backtest
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.conditioning.report import conditioning_report
from evenbeat.counter.card import timebase_card
from evenbeat.counter.reach import best_uncertainty
from evenbeat.deviations.estimators import stability
from evenbeat.deviations.limits import LimitLine, compare_with_limit
from evenbeat.deviations.moving import moving_stability
from evenbeat.deviations.separation import separate_clocks, without_reference
from evenbeat.deviations.spectrum import spectrum
from evenbeat.deviations.time_error import time_interval_error
from evenbeat.errors import InputError
from evenbeat.figures.axes import fractional_unit, seconds_unit, spread, time_unit, typeset
from evenbeat.figures.clock import AHEAD
from evenbeat.figures.deviations import draw_stability, noise_runs, resolution_floor
from evenbeat.figures.dispatch import DRAWINGS, plot
from evenbeat.figures.record import envelope, missing_runs, record_figure
from evenbeat.figures.style import RUST, png_bytes, svg_text
from evenbeat.fleet.assess_fleet import assess_fleet
from evenbeat.holdover.forecast import predict_holdover
from evenbeat.holdover.passage import limit_passage
from evenbeat.holdover.stated import stated_holdover
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate
from evenbeat.record import Flag, Record

DATA = Path(__file__).resolve().parents[2] / "data"
DAY = 86400.0
LEVELS = NoiseLevels(white_fm=2e-20, random_walk_fm=1e-31)


@pytest.fixture(scope="module")
def record() -> Record:
    """Return thirty days of a simulated clock that ages, hourly, with a gap, an outlier and a step."""
    made = simulate_clock(
        720, interval_s=3600, levels=LEVELS, seed=5, aging=lambda t: 2e-11 * t / DAY, start="2026-03-01"
    )
    values = np.array(made.values)
    values[100:110] = np.nan
    values[300] = 1e-7
    flags = (
        Flag(cause="outlier", start=300, stop=301, excluded=True, sentence="far from its neighbours"),
        Flag(cause="frequency_step", start=500, stop=500, excluded=False, sentence="a step", size=8e-11),
    )
    room = 20 + np.sin(2 * np.pi * made.elapsed_s / DAY)
    return replace(
        made, values=values, flags=flags, resolution=1e-11, covariates={"room_temperature_c": room}
    )


@pytest.fixture(scope="module")
def model(record: Record) -> ClockModel:
    """Return the clock fitted to the record."""
    return fit_clock(record, aging="linear", most_blocks=60)


@pytest.fixture(scope="module")
def results(record: Record, model: ClockModel) -> dict[str, object]:
    """Return one result of every type that can be drawn."""
    daily = stability(record, averaging=[24], minimum_coverage=0.9)
    history = CalibrationHistory.from_table(DATA / "kittiwake-history.csv")
    return {
        "Record": record,
        "ConditioningReport": conditioning_report(record),
        "Spectrum": spectrum(record),
        "StabilityCurve": stability(record, minimum_coverage=0.9),
        "TimeErrorCurve": time_interval_error(record),
        "SeparatedClocks": separate_clocks(record, replace(record, values=-2 * record.values), record),
        "CorrectedCurve": without_reference(daily, {DAY: 1e-13}),
        "MovingStability": moving_stability(record, 10 * DAY, averaging=[1, 4]),
        "LimitVerdict": compare_with_limit(
            time_interval_error(record), LimitLine.from_table([(3600, 1e-6), (DAY, 1e-5)], statistic="mtie")
        ),
        "ClockModel": model,
        "Forecast": model.frequency_at(model.record.duration_s + np.arange(1, 11) * DAY),
        "Backtest": backtest(record, aging="linear", origins=3, most_blocks=30),
        "HoldoverForecast": predict_holdover(model, np.geomspace(60, 7 * DAY, 12), time_error_limit_s=1e-5),
        "TimebaseCard": timebase_card(
            model, elapsed_s=[0.0, 10 * DAY, 40 * DAY], frequency_hz=[1e6, 1e7], gate_s=[1.0, 10.0]
        ),
        "Reach": best_uncertainty(
            np.logspace(0, 9, 19),
            np.logspace(-2, 2, 9),
            clock_tick_s=1e-7,
            level_v=1.0,
            noise_v=1e-3,
            timebase=1e-7,
        ),
        "LimitPassage": limit_passage(model, 2e-4, paths=200),
        "IntervalSuggestion": suggest_interval(model, tolerance=1e-9),
        "DueList": assess_fleet(DATA / "fleet-history.csv", on="2026-08-20"),
        "HistoryModel": fit_history(history),
        "MethodComparison": compare_methods(history, tolerance=1e-8),
        "ReliabilityComparison": fit_reliability(
            30 * DAY * np.array([6.0, 12, 18, 24, 0, 0, 0]),
            30 * DAY * np.array([np.inf, np.inf, np.inf, np.inf, 12, 18, 24]),
            [20, 23, 12, 7, 2, 3, 3],
            models=["exponential", "weibull"],
        ),
        "BackCast": back_cast(
            StatedDrift(drift_rate=Estimate.normal(0.0, 1e-9 / DAY)),
            tolerance=1e-7,
            as_left=Estimate.normal(0.0, 1e-9),
            as_found=Estimate.normal(1.3e-7, 1e-9),
            elapsed_s=365 * DAY,
        ),
        "SpecificationVerdict": check_specification(
            Specification.of(
                {"quantity": "stability", "averaging_time": "1 h", "limit": 1e-11},
                {"quantity": "aging_per_day", "limit": 3e-11},
                {"quantity": "warm_up", "after": "2 h", "compared_with": "24 h", "limit": 2e-9},
            ),
            model=model,
        ),
    }


def texts(ax: Axes) -> str:
    """Return everything written into axes."""
    return "\n".join([*(text.get_text() for text in ax.texts), ax.get_title(loc="left")])


@pytest.mark.grid(4)
@pytest.mark.parametrize("name", [kind.__name__ for kind in DRAWINGS])
def test_every_result_is_drawn_with_title_and_labels_and_can_be_saved(
    name: str, results: dict[str, object]
) -> None:
    """Every type of the dispatch has a figure that states a finding and names both axes.

    The style lives in a context only: the settings of matplotlib are left alone.
    """
    before = dict(mpl.rcParams)
    ax = plot(results[name])  # type: ignore[arg-type]

    assert dict(mpl.rcParams) == before
    assert len(ax.get_title(loc="left")) > 20
    assert ax.get_xlabel()
    assert ax.get_ylabel()
    assert svg_text(ax.figure).startswith("<svg")  # type: ignore[arg-type]
    assert png_bytes(ax.figure, dpi=40).startswith(b"\x89PNG")  # type: ignore[arg-type]


def test_same_result_gives_the_same_bytes(record: Record) -> None:
    """SVG carries neither date nor random ids."""
    first, second = (svg_text(plot(record).figure, prefix="r-") for _ in range(2))  # type: ignore[arg-type]

    assert first == second
    assert "<metadata" not in first
    references = set(re.findall(r'(?:href="#|url\(#)([^")]+)', first))
    assert references <= set(re.findall(r'\bid="([^"]+)"', first))
    assert all(reference.startswith("r-") for reference in references)


def test_given_axes_are_drawn_into_and_returned(record: Record) -> None:
    """``plot(result, ax)`` uses the caller's axes."""
    ax = Figure().add_subplot()

    assert plot(record, ax) is ax
    assert ax.lines


def test_several_curves_stand_under_their_names(record: Record) -> None:
    """A dictionary of curves is drawn with the names given, and the sentence tells the lowest."""
    curves = {
        "as logged": stability(record, averaging=[1, 2, 4]),
        "ten times": stability(replace(record, values=10 * record.values, flags=()), averaging=[1, 2, 4]),
    }

    ax = plot(curves)

    assert {line.get_label() for line in ax.lines} >= set(curves)
    written = texts(ax)
    assert "as logged\u201d reaches lowest" in written.replace("\n", " ")
    assert "white FM" not in written
    with pytest.raises(InputError, match="different units"):
        plot({**curves, "time": stability(record, "time", averaging=[1, 2])})


def test_other_objects_are_refused() -> None:
    """The sentence says what has a figure."""
    with pytest.raises(InputError, match=r"no figure of a list; figures exist for Record, .*StabilityCurve"):
        plot([1, 2, 3])  # type: ignore[arg-type]


def test_record_shows_the_readings_in_use_and_marks_the_rest(record: Record) -> None:
    """Line: readings less the flagged one, in the unit of the axis; flags and steps are named."""
    ax = plot(record)

    size, unit = fractional_unit(np.delete(record.values, 300))
    line = next(line for line in ax.lines if len(line.get_xdata()) == len(record))
    expected = np.array(record.values)
    expected[300] = np.nan
    np.testing.assert_allclose(np.asarray(line.get_ydata()) * size, expected, rtol=1e-12)
    assert ax.get_ylabel() == f"fractional frequency [{unit}]"
    assert ax.get_xlabel() == "time since 2026-03-01 00:00 UTC [d]"
    labels = ax.get_legend_handles_labels()[1]
    assert "outlier (1, left out)" in labels
    assert "gap (1; long ones hatched)" in labels
    assert "step +8×10⁻¹¹" in texts(ax)
    assert "10 of 720 readings missing, 1 left out, 1 step" in ax.get_title(loc="left").replace("\n", " ")


def test_record_figure_has_a_panel_per_covariate(record: Record) -> None:
    """A temperature is drawn below with its unit."""
    figure = record_figure(record)

    assert len(figure.axes) == 2
    assert figure.axes[1].get_ylabel() == "[°C]"
    assert "room temperature" in texts(figure.axes[1])


def test_long_record_is_drawn_as_envelope() -> None:
    """A million readings make a small SVG, and its edges are the extremes."""
    long = simulate_clock(1_000_000, interval_s=1.0, levels=LEVELS, seed=1)

    ax = plot(long)

    assert len(svg_text(ax.figure)) < 400_000  # type: ignore[arg-type]
    shown = envelope(long.values)
    assert np.nanmin(shown.smallest) == long.values.min()
    assert np.nanmax(shown.largest) == long.values.max()
    assert any("smallest to largest" in label for label in ax.get_legend_handles_labels()[1])


def test_envelope_leaves_missing_groups_missing() -> None:
    """Smallest, mean and largest agree with numpy group by group; an empty group is NaN."""
    values = np.random.default_rng(2).normal(size=5000) + 1e9
    values[1000:1100] = np.nan

    shown = envelope(values, columns=500)

    groups = values.reshape(-1, shown.samples)
    empty = np.isnan(groups).all(axis=1)
    assert np.isnan(shown.mean[empty]).all()
    np.testing.assert_array_equal(shown.smallest[~empty], np.nanmin(groups[~empty], axis=1))
    np.testing.assert_allclose(shown.mean[~empty], np.nanmean(groups[~empty], axis=1), rtol=1e-15)
    assert list(zip(*missing_runs(values), strict=True)) == [(1000, 1100)]


def test_stability_shows_deviation_interval_and_noise_types(record: Record) -> None:
    """Points are those of the curve; the band is its 95 % interval; the strip covers all of it."""
    curve = stability(record, minimum_coverage=0.9)

    ax = plot(curve, record=record)

    drawn = np.concatenate([np.asarray(line.get_ydata()) for line in ax.lines[:2]])
    assert set(curve.deviation) <= set(drawn)
    band = ax.collections[0].get_paths()[0].vertices
    low, high = curve.confidence_interval()
    within = curve.averaging_time_s <= 0.2 * record.duration_s
    assert np.isclose(band[:, 1].max(), high[within].max())
    assert np.isclose(band[:, 1].min(), low[within].min())
    assert ax.get_xscale() == ax.get_yscale() == "log"
    assert "[s]" in ax.get_xlabel()
    written = texts(ax).replace("\n", " ")
    assert any(name in written for name in curve.noise_names if name)
    assert "a fifth of the record" in ax.get_xlabel()
    assert "floor of the display" in texts(ax)
    strip = noise_runs(curve)
    assert [run[1] for run in strip[:-1]] == [run[0] for run in strip[1:]]


@pytest.mark.parametrize(
    ("course", "said"),
    [
        (lambda t: 1e-12 * t / 86400, "random-walk FM or drift"),
        (lambda t: 1e-12 * np.sin(2 * np.pi * t / 86400), "random-walk FM or a wave"),
        (lambda t: 3e-12 * np.sin(2 * np.pi * t / 86400) + 1e-12 * t / 86400, "random-walk FM or a wave"),
        (None, "random-walk FM"),
    ],
    ids=["drift", "daily wave", "both", "walk"],
)
def test_strip_says_what_else_a_walk_may_be(
    course: Callable[[np.ndarray], np.ndarray] | None, said: str
) -> None:
    """Drift rises as τ, a walk as √τ, and a wave falls again (NIST SP 1065, 3.3 and 5.2.13)."""
    levels = NoiseLevels(white_fm=1e-22, random_walk_fm=0.0 if course else 1e-31)
    record = simulate_clock(2016, interval_s=600.0, levels=levels, seed=5, aging=course)
    names = [name for _, _, name in noise_runs(stability(record))]
    assert said in names
    assert course is not None or not any(" or " in name for name in names)


def test_several_statistics_differ_in_line_and_marker(record: Record) -> None:
    """Grey print and colour blindness lose nothing."""
    ax = Figure().add_subplot()
    curves = [
        stability(record, name, minimum_coverage=0.9)
        for name in ("overlapping_allan", "modified_allan", "overlapping_hadamard")
    ]

    draw_stability(ax, curves)

    full = [line for line in ax.lines if not str(line.get_label()).startswith("_")]
    assert len({str(line.get_marker()) for line in full}) == 3
    assert len({str(line._dash_pattern) for line in full}) == 3  # the public getter says '--' for every dash
    assert "modified\nAllan" in texts(ax)


def test_resolution_floor_is_that_of_rounded_readings() -> None:
    """White readings rounded to a coarse step: the Allan deviation of the rounding errors is the floor.

    Source: variance q²/12 of a rounding error (IEEE Std 1241, from memory); slopes of NIST SP 1065.
    """
    generator = np.random.default_rng(3)
    error = generator.uniform(-0.5e-10, 0.5e-10, 20000)
    log = replace(Record.from_frequency(error, interval_s=1.0), resolution=1e-10)
    curve = stability(log, averaging=[1, 10])
    floor = resolution_floor(log, curve.averaging_time_s)
    assert floor is not None
    np.testing.assert_allclose(curve.deviation, floor, rtol=0.05)  # 20000 readings: 0.7 % at 1, 2 % at 10

    phase = replace(Record.from_phase(error, interval_s=1.0), resolution=1e-10)
    curve = stability(phase, averaging=[1, 10])
    floor = resolution_floor(phase, curve.averaging_time_s)
    assert floor is not None
    np.testing.assert_allclose(curve.deviation, floor, rtol=0.05)
    assert resolution_floor(Record.from_phase(error, interval_s=1.0), [1.0]) is None


def test_aging_shows_the_forecast_and_the_tolerance(model: ClockModel) -> None:
    """The last point of the forecast is the model's; a tolerance is drawn near and named afar."""
    ax = plot(model, tolerance=1e-9)

    end = model.record.duration_s
    size, _ = fractional_unit(
        *model.frequency_at(end + np.linspace(0, end, AHEAD)).interval(), model.blocks.frequency
    )
    last = [
        float(np.asarray(line.get_ydata())[-1]) * size for line in ax.lines if len(line.get_xdata()) == AHEAD
    ]
    np.testing.assert_allclose(last, [model.frequency_at([2 * end]).mean[0]], rtol=1e-9)
    assert "tolerance" in texts(ax)
    assert "least squares" in texts(ax)
    assert "lies beyond this axis" in texts(plot(model, tolerance=1e-6))


def test_holdover_shows_limit_and_terms(results: dict[str, object]) -> None:
    """The limit, the largest terms and both heavy lines are named beside the axes."""
    written = texts(plot(results["HoldoverForecast"]))  # type: ignore[arg-type]

    assert "limit 10 µs" in written
    assert "white FM" in written
    assert "uncorrected\n(95\N{NO-BREAK SPACE}%)" in written


def test_interval_is_marked_where_it_is_suggested(results: dict[str, object]) -> None:
    """The vertical line stands at the suggested interval and the reliability is drawn."""
    suggestion = results["IntervalSuggestion"]
    assert isinstance(suggestion, IntervalSuggestion)

    ax = plot(suggestion)

    size, _ = time_unit(float(suggestion.elapsed_s[-1]))
    upright = [line for line in ax.lines if len(set(line.get_xdata())) == 1 and len(line.get_xdata()) == 2]
    assert any(np.isclose(float(line.get_xdata()[0]) * size, suggestion.interval_s) for line in upright)
    assert "reliability asked for: 95\N{NO-BREAK SPACE}%" in texts(ax)
    assert "no evidence" in texts(ax)


def test_no_interval_is_said(model: ClockModel) -> None:
    """Where the reliability is not reached even now, the figure says so."""
    suggestion = suggest_interval(model, tolerance=1e-14)

    assert np.isnan(suggestion.interval_s)
    assert "no interval can be suggested" in texts(plot(suggestion))


def test_dollar_signs_in_names_are_text(record: Record) -> None:
    """A name with dollar signs is not taken for a formula."""
    odd = replace(record, reference="a $1 and $\\frac{ reference")

    svg_text(plot(odd).figure)  # type: ignore[arg-type]

    assert r"\$1" in plot(odd).get_title(loc="left")


def test_units_suit_the_numbers() -> None:
    """Powers of a thousand and SI prefixes; exponents as superscripts."""
    assert fractional_unit([3e-9, -2e-8]) == (pytest.approx(1e-9), "10⁻⁹")
    assert fractional_unit([np.nan]) == (1.0, "1")
    assert seconds_unit([4e-7, np.nan]) == (1e-9, "ns")
    assert time_unit(120 * DAY) == (DAY, "d")
    assert typeset("ages by 1.04(24)e-11 within ±1e-08") == "ages by 1.04(24)×10⁻¹¹ within ±1×10⁻⁸"


def test_labels_are_spread_no_more_than_needed() -> None:
    """Labels that are apart stay; those that collide end exactly a row apart, in their order."""
    rows = np.full(3, 0.1)

    np.testing.assert_array_equal(spread(np.array([0.1, 0.9, 0.5]), rows), [0.1, 0.9, 0.5])
    placed = spread(np.array([0.5, 0.5, 0.52]), rows)
    assert np.all(np.diff(placed) > 0.0999)


def test_floor_of_the_display_belongs_to_allan_deviations_only(record: Record) -> None:
    """A floor in fractional frequency is not drawn among time deviations; its name says how near it is."""
    time = stability(record, "time", minimum_coverage=0.9)

    assert "floor" not in texts(plot(time, record=record))
    fine = replace(record, resolution=1e-13)
    written = texts(plot(stability(fine, minimum_coverage=0.9), record=fine))
    assert "floor of the display" in written
    assert "limits" not in written


def test_in_a_notebook_the_figure_belongs_to_pyplot(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    """There pyplot shows it at the end of the cell; elsewhere no list of open figures grows."""
    from matplotlib import pyplot as plt

    plt.switch_backend("agg")  # which pyplot would do at its first figure, asking a shell that is none
    plot(record)
    assert plt.get_fignums() == []

    shell = SimpleNamespace(version_info=(9, 0), get_ipython=lambda: "a shell of its own kind")
    monkeypatch.setitem(sys.modules, "IPython", shell)
    ax = plot(record)
    assert ax.figure is plt.gcf()


def test_what_came_is_drawn_onto_the_forecast(model: ClockModel) -> None:
    """The days that came stand as crosses, they and least squares are in the frame; others are refused."""
    end = model.record.duration_s
    later = end + np.arange(1, 40) * DAY
    came = float(model.blocks.frequency[-1]) + 5e-9 * (later - end) / end  # far from any forecast
    ax = plot(model, came=(later, came))
    (crosses,) = [line for line in ax.lines if line.get_label() == "what came"]
    assert len(crosses.get_xdata()) == int(np.sum(later <= 2 * end))
    low, high = ax.get_ylim()
    for line in ax.lines:
        if line.get_label() == "what came" or line.get_color() == RUST:
            assert low <= np.min(line.get_ydata()) <= np.max(line.get_ydata()) <= high
    assert "what came" in texts(ax)
    with pytest.raises(InputError, match="came has no moment between"):
        plot(model, came=(later - 2 * end, came))


def test_what_came_is_drawn_onto_a_holdover() -> None:
    """The time error as it came, and less the forecast, stand as crosses at their sizes, in frame."""
    holdover = stated_holdover(
        [3600.0, 7200.0, 86400.0],
        frequency_offset=Estimate.normal(1e-11, 1e-12),
        noise=NoiseLevels(white_fm=1e-24),
    )
    ax = plot(holdover, came=([3600.0, 86400.0], [5e-8, 1e-6]))
    crosses = {line.get_label(): line.get_ydata() for line in ax.lines if line.get_marker() == "x"}
    assert crosses["came"] == pytest.approx([5e-8, 1e-6])
    assert crosses["came, corrected"] == pytest.approx([5e-8 - 3.6e-8, 1e-6 - 8.64e-7])
    low, high = ax.get_ylim()
    assert low < 1.4e-8
    assert high > 1e-6
