"""What the axes of several lessons share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.figures.style import dressed

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def log_axes(ax: Axes, x_label: str, y_label: str) -> Axes:
    """Make both axes logarithmic with decades only: minor ticks take most of the time of a drawing."""
    from matplotlib.ticker import LogLocator, NullLocator

    dressed(ax)
    ax.set_xscale("log")
    ax.set_yscale("log")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(LogLocator(numticks=8))
        axis.set_minor_locator(NullLocator())
    ax.set_xlabel(x_label)
    ax.set_ylabel(y_label)
    return ax


def steady_limits(ax: Axes, values: npt.ArrayLike, *, symmetric: bool = False) -> None:
    """Set limits of a linear y axis that hold the values and move in steps of 1, 2 and 5 only.

    An axis that followed the values exactly would make every level look the same.
    """
    finite = np.asarray(values, dtype=float)
    finite = finite[np.isfinite(finite)]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (-1.0, 1.0)
    if symmetric:
        high = max(abs(low), abs(high))
        low = -high
    step = rounded_up(max(high - low, 1e-30) / 8)
    ax.set_ylim((math.floor(low / step) - 0.2) * step, (math.ceil(high / step) + 0.2) * step)


def rounded_up(value: float) -> float:
    """Return the next 1, 2 or 5 times a power of ten."""
    decade = 10.0 ** math.floor(math.log10(value))
    return next(decade * digit for digit in (1, 2, 5, 10) if decade * digit >= value * (1 - 1e-12))


def decade_limits(*values: npt.ArrayLike) -> tuple[float, float]:
    """Return whole powers of ten around all positive values."""
    every = np.concatenate([np.ravel(np.asarray(value, dtype=float)) for value in values])
    every = every[np.isfinite(every) & (every > 0)]
    low, high = (float(every.min()), float(every.max())) if len(every) else (0.1, 10.0)
    return 10.0 ** math.floor(math.log10(low)), 10.0 ** math.ceil(math.log10(high) + 1e-9)
