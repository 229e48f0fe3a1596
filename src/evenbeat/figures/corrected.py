"""A stability curve less its reference and floor; and the floor drawn under any stability curve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.separation.reference import CorrectedCurve
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import fractional_text, log_decades, log_seconds_axis, log_time_axis, plain
from evenbeat.figures.stability import FLOOR_IN_SIGHT, draw_stability
from evenbeat.figures.style import BEHIND_TEXT, GREY, INK, dressed, stroke, styled
from evenbeat.figures.upper_limits import draw_signed, set_decades
from evenbeat.record import Record
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST = 1e3
_FLOOR_LINE = (0, (1, 1.5))


def corrected_caption(result: CorrectedCurve) -> str:
    """Return the sentence above the figure: the best point of the device that stands out."""
    low, high = result.variance_interval()
    seen = np.flatnonzero(low > 0)
    names = " and ".join(part.name for part in result.contributions)
    if len(seen) == 0:
        return plain(f"The device does not stand out from its {names}: only upper limits are known.")
    at = int(seen[np.argmin(result.variance[seen])])
    write = time_text if result.unit == "s" else fractional_text
    value, bottom, top = (write(math.sqrt(v[at])) for v in (result.variance, low, high))
    when = duration_text(float(result.averaging_time_s[at]))
    return plain(f"Without {names} the device has {value} at {when} (95 % interval {bottom} to {top}).")


@styled
def draw_corrected(ax: Axes, result: CorrectedCurve) -> None:
    """Draw what was measured, what was taken out, and what is left with its interval or upper limit."""
    dressed(ax)
    tau, measured = result.averaging_time_s, result.measured.deviation
    log_time_axis(ax, float(tau.min()) / 1.3, float(tau.max()) * 1.3)
    ax.plot(tau, measured, color=INK, linewidth=0.9, linestyle="-", label="measured")
    labels = [Label(x=float(tau[-1]), y=_last(measured), text="measured")]
    heights = [measured]
    for number, part in enumerate(result.contributions):
        line = ((0, (5, 2)), _FLOOR_LINE)[number % 2]
        ax.plot(tau, np.sqrt(part.variance), color=GREY, linewidth=1.0, linestyle=line, label=part.name)
        heights.append(np.sqrt(part.variance))
        labels.append(Label(x=float(tau[-1]), y=_last(heights[-1]), text=part.name, colour=GREY))
    look = stroke(0)
    device = draw_signed(
        ax,
        tau,
        variance=result.variance,
        interval=result.variance_interval(),
        limit=result.upper_limit(),
        look=look,
        label="device",
    )
    labels.append(Label(x=float(tau[-1]), y=_last(device), text="device", colour=look.colour))
    set_decades(ax, np.concatenate([*heights, device]), MOST)
    (log_seconds_axis if result.unit == "s" else log_decades)(ax)
    ax.set_xlabel(r"averaging time $\tau$ [s]; band: 95 % interval; arrows: 95 % upper limits")
    ax.set_ylabel(result.measured.title + ("" if result.unit == "s" else " [1]"))
    name_lines(ax, [label for label in labels if math.isfinite(label.y) and label.y > 0])


@styled
def draw_stability_over_floor(
    ax: Axes,
    curves: StabilityCurve | Sequence[StabilityCurve],
    *,
    record: Record | None = None,
    floor: StabilityCurve | None = None,
) -> None:
    """Draw deviations as :func:`draw_stability` does, and the measured floor of the system below them.

    Parameters
    ----------
    curves, record
        As for the stability figure.
    floor
        The same statistic of a record of the measuring system alone (one signal at both inputs).
    """
    draw_stability(ax, curves, record=record)
    if floor is None:
        return
    known = np.isfinite(floor.deviation) & (floor.deviation > 0)
    tau, height = floor.averaging_time_s[known], floor.deviation[known]
    bottom, top = ax.get_ylim()
    inside = (tau >= ax.get_xlim()[0]) & (tau <= ax.get_xlim()[1])
    if inside.any():
        ax.set_ylim(min(bottom, max(float(height[inside].min()) / 2, bottom / FLOOR_IN_SIGHT)), top)
    ax.plot(tau, height, color=INK, linewidth=1.0, linestyle=_FLOOR_LINE, label="floor", scalex=False)
    visible = np.flatnonzero(inside & (height < top) & (height > ax.get_ylim()[0]))
    if len(visible):
        at = int(visible[len(visible) // 3])
        ax.annotate(
            "floor of the measuring system",
            xy=(float(tau[at]), float(height[at])),
            xytext=(-4, -4),
            textcoords="offset points",
            ha="right",
            va="top",
            fontsize=7.5,
            bbox=BEHIND_TEXT,
        )


def _last(heights: np.ndarray) -> float:
    known = np.flatnonzero(np.isfinite(heights))
    return float(heights[known[-1]]) if len(known) else math.nan
