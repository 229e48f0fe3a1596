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
from evenbeat.figures.axes import caption_title
from evenbeat.figures.clock import (
    aging_caption,
    backtest_caption,
    draw_aging,
    draw_backtest,
    draw_forecast,
    forecast_caption,
)
from evenbeat.figures.counter import card_caption, draw_card, draw_reach, reach_caption
from evenbeat.figures.deviations import (
    curves_caption,
    draw_moving_stability,
    draw_named_curves,
    draw_stability,
    draw_time_interval_error,
    moving_stability_caption,
    stability_caption,
    time_interval_error_caption,
)
from evenbeat.figures.due import draw_due, due_caption
from evenbeat.figures.history import back_cast_caption, draw_back_cast, draw_history, history_caption
from evenbeat.figures.holdover import (
    draw_holdover,
    draw_limit_passage,
    holdover_caption,
    limit_passage_caption,
)
from evenbeat.figures.interval import (
    draw_interval,
    draw_methods,
    draw_reliability,
    interval_caption,
    methods_caption,
    reliability_caption,
)
from evenbeat.figures.limits import (
    draw_limit_verdict,
    draw_specification,
    limit_verdict_caption,
    specification_caption,
)
from evenbeat.figures.record import conditioning_caption, draw_conditioning, draw_record, record_caption
from evenbeat.figures.separation import (
    corrected_caption,
    draw_corrected,
    draw_separated_clocks,
    separated_clocks_caption,
)
from evenbeat.figures.spectrum import draw_spectrum, spectrum_caption
from evenbeat.figures.style import HEIGHT_IN, new_figure, styled
from evenbeat.fleet.due import DueList
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.holdover.passage import LimitPassage
from evenbeat.record import Record

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Result = (
    Record
    | ConditioningReport
    | StabilityCurve
    | Spectrum
    | TimeErrorCurve
    | ClockModel
    | Forecast
    | Backtest
    | HoldoverForecast
    | LimitPassage
    | IntervalSuggestion
    | HistoryModel
    | MethodComparison
    | ReliabilityComparison
    | SpecificationVerdict
    | BackCast
    | SeparatedClocks
    | CorrectedCurve
    | MovingStability
    | LimitVerdict
    | Reach
    | TimebaseCard
    | DueList
    | Mapping[str, StabilityCurve]
)


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """How one type of result is drawn, what the sentence above it is, and how high it is by itself.

    ``worded`` names the details that change the sentence.
    """

    draw: Callable[..., None]
    caption: Callable[..., str]
    height_in: float = HEIGHT_IN
    worded: tuple[str, ...] = ()


CURVES = Drawing(draw=draw_named_curves, caption=curves_caption, height_in=4.2)
"""Several stability curves under their names."""
DRAWINGS: dict[type, Drawing] = {
    Record: Drawing(draw=draw_record, caption=record_caption, height_in=3.4),
    ConditioningReport: Drawing(draw=draw_conditioning, caption=conditioning_caption, height_in=5.0),
    Spectrum: Drawing(draw=draw_spectrum, caption=spectrum_caption, height_in=4.2, worded=("carrier_hz",)),
    StabilityCurve: Drawing(draw=draw_stability, caption=stability_caption, height_in=4.2),
    TimeErrorCurve: Drawing(draw=draw_time_interval_error, caption=time_interval_error_caption),
    SeparatedClocks: Drawing(draw=draw_separated_clocks, caption=separated_clocks_caption, height_in=4.2),
    CorrectedCurve: Drawing(draw=draw_corrected, caption=corrected_caption, height_in=4.0),
    MovingStability: Drawing(draw=draw_moving_stability, caption=moving_stability_caption),
    LimitVerdict: Drawing(draw=draw_limit_verdict, caption=limit_verdict_caption, height_in=4.2),
    ClockModel: Drawing(draw=draw_aging, caption=aging_caption),
    Forecast: Drawing(draw=draw_forecast, caption=forecast_caption),
    Backtest: Drawing(draw=draw_backtest, caption=backtest_caption, height_in=3.8),
    HoldoverForecast: Drawing(draw=draw_holdover, caption=holdover_caption, height_in=4.2),
    TimebaseCard: Drawing(draw=draw_card, caption=card_caption, height_in=4.0),
    Reach: Drawing(draw=draw_reach, caption=reach_caption, height_in=4.2),
    LimitPassage: Drawing(draw=draw_limit_passage, caption=limit_passage_caption),
    DueList: Drawing(draw=draw_due, caption=due_caption, height_in=6.0),
    HistoryModel: Drawing(draw=draw_history, caption=history_caption),
    MethodComparison: Drawing(draw=draw_methods, caption=methods_caption, height_in=3.2),
    ReliabilityComparison: Drawing(draw=draw_reliability, caption=reliability_caption, height_in=4.2),
    BackCast: Drawing(draw=draw_back_cast, caption=back_cast_caption, height_in=3.8),
    SpecificationVerdict: Drawing(draw=draw_specification, caption=specification_caption, height_in=4.6),
    IntervalSuggestion: Drawing(draw=draw_interval, caption=interval_caption, height_in=3.2),
}


@styled
def plot(result: Result, ax: Axes | None = None, **details: Any) -> Axes:
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
