"""A forecast of frequency or time error with its band."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenbeat.clock.forecast import Forecast
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import fractional_text, fractional_unit, seconds_unit, time_unit
from evenbeat.figures.style import BLUE, GREY, INK, dressed, styled
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NAMES = {
    "frequency": "fractional frequency",
    "frequency_change": "change of fractional frequency",
    "time_error": "time error gained",
}


def forecast_caption(forecast: Forecast) -> str:
    """Return the sentence above the figure: the last value with its interval."""
    low, high = (float(limit[-1]) for limit in forecast.interval())
    write = time_text if forecast.quantity == "time_error" else fractional_text
    horizon = float(forecast.horizon_s[-1])
    where = f"{duration_text(abs(horizon))} {'after' if horizon >= 0 else 'before'} the end of the record"
    return (
        f"{_NAMES[forecast.quantity].capitalize()} {where}: {write(float(forecast.mean[-1]))} "
        f"(95 % interval {write(low)} to {write(high)})."
    )


@styled
def draw_forecast(ax: Axes, forecast: Forecast) -> None:
    """Draw mean and 95 % band against time since the end of the record."""
    dressed(ax)
    low, high = forecast.interval()
    size, unit = (seconds_unit if forecast.quantity == "time_error" else fractional_unit)(low, high)
    time_size, time_name = time_unit(float(abs(forecast.horizon_s).max()))
    time = forecast.horizon_s / time_size
    ax.fill_between(time, low / size, high / size, color=BLUE, alpha=0.25, linewidth=0)
    ax.plot(time, forecast.mean / size, color=BLUE, marker="." if len(forecast) < 40 else "")
    labels = [
        Label(x=float(time[-1]), y=float(forecast.mean[-1] / size), text="mean and\n95 % band", colour=BLUE)
    ]
    if len(forecast.laws) > 1 and len(forecast) > 1:
        labels.append(draw_envelope(ax, forecast, time, size))
    ax.axhline(0, color=GREY, linewidth=0.6)
    ax.set_xlabel(f"time since the end of the record [{time_name}]")
    ax.set_ylabel(f"{_NAMES[forecast.quantity]} [{unit}]")
    ax.set_ylim(*ax.get_ylim())  # settled before names are placed by it
    name_lines(ax, labels)


def draw_envelope(ax: Axes, forecast: Forecast, time: FloatArray, size: float) -> Label:
    """Draw the outermost means of the aging laws that the data do not reject; return their name."""
    low, high = (limit / size for limit in forecast.envelope())
    for limit in (low, high):
        ax.plot(time, limit, color=INK, linewidth=0.9, linestyle=(0, (1, 1.5)))
    middle = float(forecast.mean[-1] / size)
    farthest = max((float(low[-1]), float(high[-1])), key=lambda edge: abs(edge - middle))
    return Label(x=float(time[-1]), y=farthest, text="aging laws\nnot rejected", colour=INK)
