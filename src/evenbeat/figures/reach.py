"""The best relative uncertainty of a frequency reading over frequency and gate time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.counter.reach import LIMITS, Reach
from evenbeat.figures.style import INK, dressed, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HATCHES = ("", "..", "//", "xx")
SHADES = ("#ffffff", "#e9eef3", "#f4efe4", "#dfe5e0")


def reach_caption(reach: Reach) -> str:
    """Return the sentence above the figure: the best that can be reached, and where."""
    # of all points within a tenth of the best, the one with the shortest gate says most
    near = np.argwhere(reach.best <= 1.1 * reach.best.min())
    i, j = near[np.argmin(near[:, 1])]
    return (
        f"A frequency reading can be as good as {reach.best.min():.1e} (standard uncertainty), from a gate "
        f"of {reach.gate_s[j]:.2g} s on at {reach.frequency_hz[i]:.2g} Hz; the "
        f"{LIMITS[reach.limit[i, j]]} limits it."
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
    for index, name in enumerate(LIMITS):
        inside = (reach.limit == index).astype(float)
        if not inside.any():
            continue
        shade = ax.contourf(
            f, gate, inside.T, levels=[0.5, 1.5], colors=[SHADES[index]], hatches=[HATCHES[index]]
        )
        shade.set_edgecolor("#b4bcc4")
        shade.set_linewidth(0.0)
        rows, columns = np.nonzero(inside)
        x = float(np.exp(np.mean(np.log(f[rows]))))
        y = float(np.exp(np.mean(np.log(gate[columns]))))
        ax.text(
            x,
            y,
            f"{name} limits",
            ha="center",
            va="center",
            fontsize="small",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.9},
        )
    exponent = np.log10(reach.best)
    levels = np.arange(np.floor(exponent.min()), np.ceil(exponent.max()) + 1)
    lines = ax.contour(f, gate, exponent.T, levels=levels, colors=INK, linewidths=1.0, linestyles="solid")
    ax.clabel(lines, fmt=lambda level: f"1e{level:+03.0f}", fontsize="small")
