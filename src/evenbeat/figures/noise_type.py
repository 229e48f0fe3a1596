"""The noise that dominates at each averaging time, as a strip along the foot of a stability figure."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.curve import StabilityCurve, noise_name
from evenbeat.figures.style import BEHIND_TEXT, GREY, INK, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RANDOM_WALK_FM = -2
_HEIGHT = 0.045
_CHARACTERS_PER_AXES = 92
SEE_DRIFT = ("allan", "overlapping_allan", "modified_allan", "total", "modified_total")
"""Statistics that rise as the root of the averaging time under random-walk FM, and as the time itself, D τ/√2
of the Allan deviation, under drift (NIST SP 1065; from memory)."""
BETWEEN, FALLEN = 0.75, 0.9
FEWEST_POINTS, MOST_LINES = 3, 2


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
    lines = textwrap.wrap(name, max(1, int(share * _CHARACTERS_PER_AXES)), break_long_words=False)
    fits = max(map(len, lines)) <= share * _CHARACTERS_PER_AXES and len(lines) <= MOST_LINES
    return "\n".join(lines) if fits else ""


def _what_else(curve: StabilityCurve, places: slice) -> str:
    """Return what else than random-walk FM a stretch may be, to be written after its name.

    Of power laws the one that dominates at longer averaging times is never the whiter: where the noise turns
    whiter by two powers again, or by one and the deviation falls, there was a wave, such as one of a day.
    """
    later, deviation = curve.noise_exponent[places.stop :], curve.deviation[places.stop :]
    falls = deviation < FALLEN * np.nanmax(curve.deviation[places], initial=0.0)
    if np.any((later > RANDOM_WALK_FM + 1) | ((later > RANDOM_WALK_FM) & falls)):
        return " or a wave"
    return " or drift" if _rises_as_drift(curve, places) else ""


def _rises_as_drift(curve: StabilityCurve, places: slice) -> bool:
    """Return whether a stretch of a curve is steeper than random-walk FM makes it."""
    tau, deviation, edf = (each[places] for each in (curve.averaging_time_s, curve.deviation, curve.edf))
    there = np.isfinite(deviation) & (deviation > 0)
    if curve.statistic not in SEE_DRIFT or np.count_nonzero(there) < FEWEST_POINTS:
        return False
    weight = np.sqrt(edf[there])  # a deviation is known to about 1/√(2 edf) of itself
    slope = np.polynomial.polynomial.polyfit(np.log(tau[there]), np.log(deviation[there]), 1, w=weight)[1]
    return bool(slope > BETWEEN)


def runs(curve: StabilityCurve) -> list[tuple[float, float, str]]:
    """Return first and last averaging time and name of every stretch of one noise type.

    Drift and waves have no noise type of their own: the nearest is random-walk FM, and it is said where it
    may be one of them.
    """
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
        name = "" if exponent is None else noise_name(exponent)
        if exponent == RANDOM_WALK_FM:
            name += _what_else(curve, slice(first, i))
        found.append((left, right, name))
        first = i
    return found
