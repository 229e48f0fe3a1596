"""The noise that dominates at each averaging time, as a strip along the foot of a stability figure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.style import BEHIND_TEXT, GREY, INK, styled
from evenbeat.stability.curve import StabilityCurve, noise_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_HEIGHT = 0.045
_CHARACTERS_PER_AXES = 92


@styled
def draw_noise_strip(ax: Axes, curve: StabilityCurve) -> None:
    """Write the name of the dominating noise under the averaging times at which it does."""
    low, high = np.log(ax.get_xlim())
    for first, last, name in runs(curve):
        ax.plot(
            [first, last],
            [_HEIGHT, _HEIGHT],
            transform=ax.get_xaxis_transform(),
            color=INK if name else GREY,
            linewidth=1.0 if name else 0.7,
            linestyle="-" if name else (0, (1, 2)),
            marker="|",
            markersize=5,
            solid_capstyle="butt",
        )
        share = math.log(last / first) / (high - low)
        ax.annotate(
            _fitting(name or "not told", share),
            xy=(math.sqrt(first * last), _HEIGHT),
            xycoords=ax.get_xaxis_transform(),
            xytext=(0, 2.5),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7.2,
            bbox=BEHIND_TEXT,
            color=INK if name else GREY,
        )


def _fitting(name: str, share: float) -> str:
    """Return the name in one line, in two, or not at all, by the share of the axis it has."""
    if len(name) <= share * _CHARACTERS_PER_AXES:
        return name
    stacked = name.replace(" ", "\n")
    longest = max(len(word) for word in stacked.split("\n"))
    return stacked if longest <= share * _CHARACTERS_PER_AXES else ""


def runs(curve: StabilityCurve) -> list[tuple[float, float, str]]:
    """Return first and last averaging time and name of every stretch of one noise type."""
    exponents = [None if math.isnan(a) else round(float(a)) for a in curve.noise_exponent]
    tau = curve.averaging_time_s
    edges = np.sqrt(tau[1:] * tau[:-1])  # half-way on the logarithmic axis
    found: list[tuple[float, float, str]] = []
    first = 0
    for i in range(1, len(exponents) + 1):
        if i < len(exponents) and exponents[i] == exponents[first]:
            continue
        left = float(tau[0]) / 1.08 if first == 0 else float(edges[first - 1])
        right = float(tau[-1]) * 1.08 if i == len(exponents) else float(edges[i - 1])
        exponent = exponents[first]
        found.append((left, right, "" if exponent is None else noise_name(exponent)))
        first = i
    return found
