"""Maximum (or rms) time interval error against the length of the window."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.figures.scales import log_seconds_axis, log_time_axis
from evenbeat.figures.style import BLUE, GREY, dressed, styled
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NAMES = {"mtie": "maximum time interval error", "rms": "rms time interval error"}


def time_interval_error_caption(curve: TimeErrorCurve) -> str:
    """Return the sentence above the figure: how far the time error moved in the longest window."""
    known = np.flatnonzero(np.isfinite(curve.time_error_s))
    if not len(known):
        return "Gaps leave no window without a missing reading."
    last = int(known[-1])
    moved = time_text(float(curve.time_error_s[last]))
    window = duration_text(float(curve.averaging_time_s[last]))
    if curve.statistic == "rms":
        return f"The rms change of time error over {window} was {moved}, the frequency offset included."
    return f"The time error moved by at most {moved} within {window}, the frequency offset included."


@styled
def draw_time_interval_error(ax: Axes, curve: TimeErrorCurve) -> None:
    """Draw the curve; it has no interval, because it describes this record only, and says so."""
    dressed(ax)
    known = np.isfinite(curve.time_error_s) & (curve.time_error_s > 0)
    time, error = curve.averaging_time_s[known], curve.time_error_s[known]
    low, high = (time.min(), time.max()) if len(time) else (1.0, 10.0)
    log_time_axis(ax, float(low) / 1.3, float(high) * 1.3)
    ax.set_yscale("log")
    if len(error):
        ax.set_ylim(float(error.min()) / 2, float(error.max()) * 2)
    log_seconds_axis(ax)
    ax.plot(
        time, error, color=BLUE, marker="o", markevery=max(1, len(time) // 18), label=_NAMES[curve.statistic]
    )
    ax.set_xlabel("length of the window [s]")
    ax.set_ylabel(_NAMES[curve.statistic])
    ax.annotate(
        "describes this record only: no interval belongs to it",
        xy=(0.985, 0.03),
        xycoords="axes fraction",
        ha="right",
        fontsize=7.5,
        color=GREY,
    )
