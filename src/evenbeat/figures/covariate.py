"""A covariate of a record over time, such as a temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.envelope import envelope
from evenbeat.figures.scales import plain, time_unit
from evenbeat.figures.style import BEHIND_TEXT, dressed, stroke, styled
from evenbeat.record import Record

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@styled
def draw_covariate(ax: Axes, record: Record, name: str, number: int = 0) -> None:
    """Draw one covariate of a record, such as a temperature."""
    dressed(ax)
    column = np.asarray(record.covariates[name], dtype=float)
    shown = envelope(column)
    time_size, time_name = time_unit(record.duration_s)
    time = shown.position * record.interval_s / time_size
    look = stroke(number + 1)
    if shown.is_reduced:
        ax.fill_between(time, shown.smallest, shown.largest, color=look.colour, alpha=0.28, linewidth=0)
    ax.plot(time, shown.mean, color=look.colour, linewidth=0.9)
    ax.set_xlim(0, record.duration_s / time_size)
    text, unit = covariate_label(name)
    ax.set_ylabel(f"[{unit}]")
    ax.annotate(
        text,
        xy=(0.006, 0.93),
        xycoords="axes fraction",
        va="top",
        fontsize=8,
        color=look.colour,
        bbox=BEHIND_TEXT,
    )
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.3 * (high - low))
    ax.set_xlabel(record_time_label(record, time_name))


def covariate_label(name: str) -> tuple[str, str]:
    """Return ``room temperature`` and ``°C`` for ``room_temperature_c``."""
    words = name.split("_")
    units = {"c": "°C", "k": "K", "hpa": "hPa", "pa": "Pa", "v": "V", "percent": "%"}
    unit = units.get(words[-1].lower()) if len(words) > 1 else None
    return plain(" ".join(words[:-1] if unit else words)), unit or "as logged"


def record_time_label(record: Record, unit: str) -> str:
    """Return what a time axis of the record is called."""
    if record.start is None:
        return f"time since the first reading [{unit}]"
    return f"time since {str(record.start.astype('datetime64[m]')).replace('T', ' ')} UTC [{unit}]"
