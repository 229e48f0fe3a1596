"""What a reading of a counter is worth: as time goes by, and over frequency and gate time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.counter.card import TimebaseCard
from evenbeat.counter.reach import LIMITS, Reach
from evenbeat.figures.axes import Label, name_lines, percent_text, power_text, typeset
from evenbeat.figures.style import INK, Keywords, drawing, stroke
from evenbeat.units import SECONDS_PER_DAY, duration_text, frequency_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from evenbeat.quantities import FloatArray

MARKERS = "os^Dv"
HATCHES = ("", "..", "//", "xx")
SHADES = ("#ffffff", "#e9eef3", "#f4efe4", "#dfe5e0")
_FINE = 240  # places along each axis at which the regions are drawn
_NAME_WIDTH = 2.5  # a name is so many times as wide as it is high


def card_caption(card: TimebaseCard) -> str:
    """Return the sentence above the figure: the finest reading on the first and on the last day."""
    finest = card.half_width / card.frequency_hz[np.newaxis, :, np.newaxis]
    percent = percent_text(card.confidence)
    now, then = (typeset(f"{moment.min():.1e}") for moment in (finest[0], finest[-1]))
    return (
        f"Readings are right within ±{now} of themselves at best now, and within ±{then} after "
        f"{duration_text(float(card.elapsed_s[-1]))} ({percent})."
    )


@drawing
def draw_card(ax: Axes, card: TimebaseCard) -> None:
    """Draw the relative half width against time: look and marker tell frequency and gate together."""
    days = card.elapsed_s / SECONDS_PER_DAY
    ax.set_yscale("log")
    relative = card.half_width / card.frequency_hz[np.newaxis, :, np.newaxis]
    ax.set_ylim(0.6 * float(relative.min()), 1.6 * float(relative.max()))
    ax.set_xlabel("time since the record or calibration [d]")
    ax.set_ylabel("half width over reading")
    labels = []
    for number, (j, k) in enumerate(np.ndindex(len(card.frequency_hz), len(card.gate_s))):
        line, look, marker = relative[:, j, k], stroke(number), MARKERS[number % len(MARKERS)]
        ax.plot(days, line, color=look.colour, linestyle=look.line, marker=marker, markersize=4)
        text = f"{frequency_text(float(card.frequency_hz[j]), 4)},\ngate {card.gate_s[k]:g} s"
        labels.append(Label.at_end(days, line, text, look.colour))
    name_lines(ax, labels)


def reach_caption(reach: Reach) -> str:
    """Return the sentence above the figure: the best that can be reached, and where."""
    # of all points within a tenth of the best, the one with the shortest gate says most
    near = np.argwhere(reach.best <= 1.1 * reach.best.min())
    i, j = near[np.argmin(near[:, 1])]
    return (
        f"A frequency reading can be as good as {typeset(f'{reach.best.min():.1e}')} (standard uncertainty), "
        f"from a gate of {duration_text(float(reach.gate_s[j]))} on at "
        f"{frequency_text(float(reach.frequency_hz[i]), 4)}; the {LIMITS[reach.limit[i, j]]} limits it."
    )


@drawing
def draw_reach(ax: Axes, reach: Reach) -> None:
    """Draw lines of equal uncertainty, one a decade, over regions of what limits them."""
    f, gate = reach.frequency_hz, reach.gate_s
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel("gate time [s]")
    if min(len(f), len(gate)) < 2:
        ax.plot(np.broadcast_to(f, (len(gate), len(f))), gate[:, np.newaxis], "o", color=INK)
        return
    # shaded and hatched is what each limit rules, every place by the nearest point that was computed
    fine_f, fine_gate = (np.geomspace(values[0], values[-1], _FINE) for values in (f, gate))
    row, column = (
        np.searchsorted(np.sqrt(values[1:] * values[:-1]), fine)
        for values, fine in ((f, fine_f), (gate, fine_gate))
    )
    limit = reach.limit[np.ix_(row, column)]
    for index, (shade, hatch) in enumerate(zip(SHADES, HATCHES, strict=True)):
        inside = (limit == index).astype(float)
        if inside.any():
            look: Keywords = {"levels": [0.5, 1.5], "colors": [shade], "hatches": [hatch]}
            region = ax.contourf(fine_f, fine_gate, inside.T, **look)
            region.set_edgecolor("#b4bcc4")
            region.set_linewidth(0.0)
    exponent = np.log10(reach.best)
    levels = np.arange(np.floor(exponent.min()), np.ceil(exponent.max()) + 1)
    lines = ax.contour(f, gate, exponent.T, levels=levels, colors=INK, linewidths=1.0, linestyles="solid")
    numbers = ax.clabel(lines, fmt=lambda level: power_text(round(level)), fontsize="small")
    _name_regions(ax, reach, [number.get_position() for number in numbers])


def _name_regions(ax: Axes, reach: Reach, taken: Sequence[tuple[float, float]]) -> None:
    """Write the name of each limit into its region, far from its border and from the numbers of the lines."""

    def share(at: FloatArray, values: FloatArray) -> FloatArray:
        return np.asarray(np.log(at / values[0]) / np.log(values[-1] / values[0]))

    f, gate = (share(values, values) for values in (reach.frequency_hz, reach.gate_s))
    place = np.stack(np.meshgrid(f / _NAME_WIDTH, gate, indexing="ij"), axis=-1)
    at = np.array(taken, dtype=float).reshape(-1, 2)
    numbers = np.stack([share(at[:, 0], reach.frequency_hz), share(at[:, 1], reach.gate_s)], axis=-1)
    for index, name in enumerate(LIMITS):
        inside = reach.limit == index
        if not inside.any():
            continue
        others = np.concatenate([place[~inside], numbers / (_NAME_WIDTH, 1.0)])
        room = np.minimum(place, np.array([1 / _NAME_WIDTH, 1.0]) - place).min(axis=-1)[inside]
        if len(others):
            apart = place[inside][:, np.newaxis] - others
            room = np.minimum(room, np.hypot(apart[..., 0], apart[..., 1]).min(axis=1))
        i, j = np.argwhere(inside)[int(np.argmax(room))]
        ax.text(
            reach.frequency_hz[i],
            reach.gate_s[j],
            f"{name} limits",
            ha="center",
            va="center",
            fontsize="small",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.9},
        )
