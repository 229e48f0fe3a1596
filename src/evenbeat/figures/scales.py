"""Units of the axes: which unit suits the numbers, and decades and durations as people read them."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.figures.style import GREY
from evenbeat.units import (
    SECONDS_PER_DAY,
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    SECONDS_PER_WEEK,
    SECONDS_PER_YEAR,
    time_text,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_EXPONENT = re.compile(r"(\d(?:\.\d+)?(?:\(\d+\))?)e([+-]?\d+)")
_MINUS = re.compile(r"(?<![\w)\-.])-(?=\d)")
_LANDMARKS = (
    (1e-3, "1 ms"),
    (1.0, "1 s"),
    (SECONDS_PER_MINUTE, "1 min"),
    (SECONDS_PER_HOUR, "1 h"),
    (SECONDS_PER_DAY, "1 d"),
    (SECONDS_PER_WEEK, "1 week"),
    (30 * SECONDS_PER_DAY, "30 d"),
    (SECONDS_PER_YEAR, "1 year"),
    (10 * SECONDS_PER_YEAR, "10 years"),
)


def time_unit(span_s: float) -> tuple[float, str]:
    """Return the unit of a linear time axis: how many seconds it has, and its name."""
    for limit, unit, name in (
        (2 * SECONDS_PER_MINUTE, 1.0, "s"),
        (2 * SECONDS_PER_HOUR, SECONDS_PER_MINUTE, "min"),
        (2 * SECONDS_PER_DAY, SECONDS_PER_HOUR, "h"),
        (4 * SECONDS_PER_YEAR, SECONDS_PER_DAY, "d"),
    ):
        if span_s <= limit:
            return unit, name
    return SECONDS_PER_YEAR, "years"


def fractional_unit(*values: npt.ArrayLike) -> tuple[float, str]:
    """Return the power of a thousand that suits fractional values, and how it is written."""
    largest = _largest(values)
    exponent = 3 * math.floor(math.log10(largest) / 3) if largest > 0 else 0
    return 10.0**exponent, "1" if exponent == 0 else power_text(exponent)


def seconds_unit(*values: npt.ArrayLike) -> tuple[float, str]:
    """Return the SI unit that suits time errors: its size in seconds, and its name."""
    largest = _largest(values)
    for size, name in ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns")):
        if largest >= size:
            return size, name
    return 1e-12, "ps"


def _largest(values: Iterable[npt.ArrayLike]) -> float:
    sizes = [np.abs(np.asarray(value, dtype=float)).ravel() for value in values]
    finite = [size[np.isfinite(size)].max(initial=0.0) for size in sizes]
    return float(max(finite, default=0.0))


def power_text(exponent: int) -> str:
    """Return ``10⁻⁹`` for -9."""
    return f"10{str(exponent).translate(_SUPERSCRIPT)}"


def plain(text: str) -> str:
    """Return text that is drawn as it stands, even where it holds a dollar sign."""
    return text.replace("$", r"\$")


def fractional_text(value: float) -> str:
    """Return a fractional value in three digits: ``+8.0×10⁻¹¹``."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    exponent = math.floor(math.log10(abs(value)))
    return f"{value / 10**exponent:.3g}×{power_text(exponent)}".replace("-", "−")


def typeset(text: str) -> str:
    """Return text with ``-1.04(24)e-11`` written as ``−1.04(24)×10⁻¹¹``."""
    powers = _EXPONENT.sub(lambda found: f"{found[1]}×{power_text(int(found[2]))}", text)
    return _MINUS.sub("−", powers)


def percent_text(share: float) -> str:
    """Return ``95 %`` for 0.95."""
    return f"{100 * share:.4g}\N{NO-BREAK SPACE}%"


def log_time_axis(ax: Axes, low_s: float, high_s: float) -> None:
    """Make the x axis logarithmic in seconds, with minute, hour and day marked at the top."""
    from matplotlib.ticker import NullFormatter

    ax.set_xscale("log")
    ax.set_xlim(low_s, high_s)
    marks = [(at, name) for at, name in _LANDMARKS if low_s <= at <= high_s]
    top = ax.secondary_xaxis("top")
    top.set_xscale("log")
    top.set_xticks([at for at, _ in marks], labels=[name for _, name in marks], color=GREY)
    top.set_xticks([], minor=True)
    top.tick_params(length=2.5, pad=1.5, labelsize=7.5)
    top.spines["top"].set_visible(False)
    ax.xaxis.set_minor_formatter(NullFormatter())


def log_decades(ax: Axes) -> None:
    """Make the y axis logarithmic with a label at every decade and at least two of them in view."""
    from matplotlib.ticker import LogFormatterMathtext, LogLocator, NullFormatter

    ax.set_yscale("log")
    low, high = ax.get_ylim()
    if math.log10(high / low) < 2:
        middle = math.sqrt(low * high)
        ax.set_ylim(middle / 10, middle * 10)
    ax.yaxis.set_major_locator(LogLocator(numticks=12))
    ax.yaxis.set_major_formatter(LogFormatterMathtext())
    ax.yaxis.set_minor_formatter(NullFormatter())


def log_seconds_axis(ax: Axes) -> None:
    """Make the y axis logarithmic in time error, labelled 1 ns, 10 ns … 1 ms."""
    from matplotlib.ticker import FuncFormatter

    log_decades(ax)
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _position: time_text(value)))
