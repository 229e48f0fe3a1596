"""The best relative uncertainty of a frequency reading over frequency and gate time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.counter.reach import LIMITS, Reach
from evenbeat.figures.scales import power_text, typeset
from evenbeat.figures.style import INK, dressed, styled
from evenbeat.units import duration_text, frequency_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt
    from matplotlib.axes import Axes

    from evenbeat.quantities import FloatArray

HATCHES = ("", "..", "//", "xx")
_FINE = 240  # places along each axis at which the regions are drawn
_NAME_WIDTH = 2.5  # a name is so many times as wide as it is high
SHADES = ("#ffffff", "#e9eef3", "#f4efe4", "#dfe5e0")


def reach_caption(reach: Reach) -> str:
    """Return the sentence above the figure: the best that can be reached, and where."""
    # of all points within a tenth of the best, the one with the shortest gate says most
    near = np.argwhere(reach.best <= 1.1 * reach.best.min())
    i, j = near[np.argmin(near[:, 1])]
    return (
        f"A frequency reading can be as good as {typeset(f'{reach.best.min():.1e}')} (standard uncertainty), "
        f"from a gate of {duration_text(float(reach.gate_s[j]))} on at "
        f"{frequency_text(float(reach.frequency_hz[i]))}; the {LIMITS[reach.limit[i, j]]} limits it."
    )


@styled
def draw_reach(ax: Axes, reach: Reach) -> None:
    """Draw lines of equal uncertainty, one a decade, over regions of what limits them."""
    dressed(ax)
    f, gate = reach.frequency_hz, reach.gate_s
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel("gate time [s]")
    if min(len(f), len(gate)) < 2:
        ax.plot(np.broadcast_to(f, (len(gate), len(f))), gate[:, np.newaxis], "o", color=INK)
        return
    _shade_regions(ax, reach)
    exponent = np.log10(reach.best)
    levels = np.arange(np.floor(exponent.min()), np.ceil(exponent.max()) + 1)
    lines = ax.contour(f, gate, exponent.T, levels=levels, colors=INK, linewidths=1.0, linestyles="solid")
    numbers = ax.clabel(lines, fmt=lambda level: power_text(round(level)), fontsize="small")
    _name_regions(ax, reach, [number.get_position() for number in numbers])


def _shade_regions(ax: Axes, reach: Reach) -> None:
    """Shade and hatch what each limit rules, every place by the nearest point that was computed."""
    row, f = _finer(reach.frequency_hz)
    column, gate = _finer(reach.gate_s)
    limit = reach.limit[np.ix_(row, column)]
    for index in range(len(LIMITS)):
        inside = (limit == index).astype(float)
        if not inside.any():
            continue
        shade = ax.contourf(
            f, gate, inside.T, levels=[0.5, 1.5], colors=[SHADES[index]], hatches=[HATCHES[index]]
        )
        shade.set_edgecolor("#b4bcc4")
        shade.set_linewidth(0.0)


def _finer(values: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Return many places between the values, and which value is nearest to each on a logarithmic axis."""
    fine = np.geomspace(values[0], values[-1], _FINE)
    edges = np.sqrt(values[1:] * values[:-1])
    return np.searchsorted(edges, fine), fine


def _name_regions(ax: Axes, reach: Reach, taken: Sequence[tuple[float, float]]) -> None:
    """Write the name of each limit into its region, far from its border and from the numbers of the lines."""
    f, gate = (np.log(v / v[0]) / np.log(v[-1] / v[0]) for v in (reach.frequency_hz, reach.gate_s))
    place = np.stack(np.meshgrid(f / _NAME_WIDTH, gate, indexing="ij"), axis=-1)
    numbers = np.array([_place_on_axes(reach, *where) for where in taken]).reshape(-1, 2)
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


def _place_on_axes(reach: Reach, frequency: float, gate: float) -> tuple[float, float]:
    """Return where a point lies, as shares of the two axes."""
    x, y = (
        float(np.log(at / values[0]) / np.log(values[-1] / values[0]))
        for at, values in ((frequency, reach.frequency_hz), (gate, reach.gate_s))
    )
    return x, y
