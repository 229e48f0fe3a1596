"""``plot``: the one way to draw any result."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from evenbeat.calibration.back_cast import BackCast
from evenbeat.calibration.history_model import HistoryModel
from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.calibration.methods import MethodComparison
from evenbeat.calibration.reliability import ReliabilityComparison
from evenbeat.calibration.specification import SpecificationVerdict
from evenbeat.clock.forecaster import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.clock.tested import Backtest
from evenbeat.conditioning.report import ConditioningReport
from evenbeat.counter.card import TimebaseCard
from evenbeat.counter.reach import Reach
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.limits import LimitVerdict
from evenbeat.deviations.moving import MovingStability
from evenbeat.deviations.separation import CorrectedCurve, SeparatedClocks
from evenbeat.deviations.spectrum import Spectrum
from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.errors import InputError
from evenbeat.figures import (
    clock,
    counter,
    deviations,
    history,
    holdover,
    interval,
    limits,
    record,
    separation,
    spectrum,
)
from evenbeat.figures.axes import caption_title
from evenbeat.figures.due import draw_due, due_caption
from evenbeat.figures.style import HEIGHT_IN, new_figure, styled
from evenbeat.fleet.due import DueList
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.holdover.passage import LimitPassage
from evenbeat.record import Record

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Drawing:
    """How one type of result is drawn, what the sentence above it is, and how high it is by itself.

    ``worded`` names the details that change the sentence.
    """

    draw: Callable[..., None]
    caption: Callable[..., str]
    height_in: float = HEIGHT_IN
    worded: tuple[str, ...] = ()


CURVES = Drawing(deviations.draw_named_curves, deviations.curves_caption, 4.2)
"""Several stability curves under their names."""
DRAWINGS: dict[type, Drawing] = {
    Record: Drawing(record.draw_record, record.record_caption, 3.4),
    ConditioningReport: Drawing(record.draw_conditioning, record.conditioning_caption, 5.0),
    Spectrum: Drawing(spectrum.draw_spectrum, spectrum.spectrum_caption, 4.2, worded=("carrier_hz",)),
    StabilityCurve: Drawing(deviations.draw_stability, deviations.stability_caption, 4.2),
    TimeErrorCurve: Drawing(deviations.draw_time_interval_error, deviations.time_interval_error_caption),
    SeparatedClocks: Drawing(separation.draw_separated_clocks, separation.separated_clocks_caption, 4.2),
    CorrectedCurve: Drawing(separation.draw_corrected, separation.corrected_caption, 4.0),
    MovingStability: Drawing(deviations.draw_moving_stability, deviations.moving_stability_caption),
    LimitVerdict: Drawing(limits.draw_limit_verdict, limits.limit_verdict_caption, 4.2),
    ClockModel: Drawing(clock.draw_aging, clock.aging_caption),
    Forecast: Drawing(clock.draw_forecast, clock.forecast_caption),
    Backtest: Drawing(clock.draw_backtest, clock.backtest_caption, 3.8),
    HoldoverForecast: Drawing(holdover.draw_holdover, holdover.holdover_caption, 4.2),
    TimebaseCard: Drawing(counter.draw_card, counter.card_caption, 4.0),
    Reach: Drawing(counter.draw_reach, counter.reach_caption, 4.2),
    LimitPassage: Drawing(holdover.draw_limit_passage, holdover.limit_passage_caption),
    DueList: Drawing(draw_due, due_caption, 6.0),
    HistoryModel: Drawing(history.draw_history, history.history_caption),
    MethodComparison: Drawing(interval.draw_methods, interval.methods_caption, 3.2),
    ReliabilityComparison: Drawing(interval.draw_reliability, interval.reliability_caption, 4.2),
    BackCast: Drawing(history.draw_back_cast, history.back_cast_caption, 3.8),
    SpecificationVerdict: Drawing(limits.draw_specification, limits.specification_caption, 4.6),
    IntervalSuggestion: Drawing(interval.draw_interval, interval.interval_caption, 3.2),
}


@styled
def plot(result: object, ax: Axes | None = None, **details: Any) -> Axes:
    """Draw a result, titled with the sentence that states the finding.

    Parameters
    ----------
    result
        A record, stability or time-error curve, clock model, forecast, holdover or interval, or several
        stability curves of one unit as a dictionary of names to curves.
    ax
        Where to draw; by default a figure of its own, as wide as a page. ``ax.figure.savefig(path)``
        writes it to a file.
    details
        Passed to the drawing: ``tolerance=`` for a clock model, and ``came=`` for the times and frequencies
        that came after its record, for a holdover the times and time errors; ``record=`` for a stability
        curve (draws the floor of the display), ``floor=`` for a curve of the measuring system's own noise
        under it, ``carrier_hz=`` for a spectrum (draws the phase noise L(f) of that carrier).

    Returns
    -------
    Axes
        Of matplotlib; the global settings of matplotlib are left as they are.

    Raises
    ------
    InputError
        If there is no figure for this type of result.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> ax = eb.plot(eb.stability(record))
    >>> ax.get_xscale()
    'log'

    References
    ----------
    Source: draws results; computes nothing
    Tests: tests/figures/test_plot.py
    """
    drawing = drawing_of(result)
    if ax is None:
        ax = new_figure(drawing.height_in).add_subplot()
    drawing.draw(ax, result, **details)
    worded = {name: details[name] for name in drawing.worded if name in details}
    caption_title(ax, drawing.caption(result, **worded))
    return ax


def drawing_of(result: object) -> Drawing:
    """Return how a result is drawn, or raise ``InputError``."""
    if isinstance(result, Mapping) and result and all(isinstance(c, StabilityCurve) for c in result.values()):
        return CURVES
    for kind, drawing in DRAWINGS.items():
        if isinstance(result, kind):
            return drawing
    names = ", ".join(kind.__name__ for kind in DRAWINGS)
    msg = f"there is no figure of a {type(result).__name__}; figures exist for {names}"
    raise InputError(msg)
