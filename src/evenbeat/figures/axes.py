"""Axes and the words on them: units and scales, notes, names beside lines, the sentence above."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from evenbeat.figures.style import GREY, INK, Keywords
from evenbeat.units import (
    SECONDS_PER_DAY,
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    SECONDS_PER_WEEK,
    SECONDS_PER_YEAR,
    duration_text,
    percent,
    time_scale,
    time_text,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

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
_BETWEEN_WORDS = re.compile(r"(?<!\d) |(?<=\d) (?!(?:[a-zµ]?s|min|h|d|%|[kMG]?Hz|years?)(?:\W|$))")
LABEL_SIZE = 7.8
TITLE_SIZE = 9.5
MOST_TITLE_IN = 6.4
"""Longer lines are hard to follow back to the next."""
WIDER = 1.06
"""How much wider letters are on screens whose pixels they are fitted to, at most."""
EDGES_IN = 0.15
"""Left free of a title at both edges of the figure together."""


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
    return time_scale(_largest(values))


def _largest(values: Sequence[npt.ArrayLike]) -> float:
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
    """Return a probability in per cent, held together by a no-break space."""
    return percent(share, None).replace(" ", "\N{NO-BREAK SPACE}")


def deviation_text(value: float, unit: str) -> str:
    """Return a deviation in seconds, or in fractional frequency where it has no unit."""
    return time_text(value) if unit == "s" else fractional_text(value)


def unbroken(seconds: float) -> str:
    """Return a duration that stays in one line."""
    return duration_text(seconds).replace(" ", "\N{NO-BREAK SPACE}")


def log_time_axis(ax: Axes, low_s: float, high_s: float) -> None:
    """Make the x axis logarithmic in seconds, with minute, hour and day marked at the top."""
    ax.set_xscale("log")
    ax.set_xlim(low_s, high_s)
    _label_decades(ax.xaxis)
    marks = [(at, name) for at, name in _LANDMARKS if low_s <= at <= high_s]
    top = ax.secondary_xaxis("top")
    top.set_xscale("log")
    top.set_xticks([at for at, _ in marks], labels=[name for _, name in marks], color=GREY)
    top.set_xticks([], minor=True)
    top.tick_params(length=2.5, pad=1.5, labelsize=7.5)
    top.spines["top"].set_visible(False)


def _label_decades(axis: Axis, numticks: int | None = None) -> None:
    """Label a logarithmic axis at its decades, with ticks at 2 and 5 times each.

    Superscripts are letters: an expression to be typeset is parsed anew for every resolution, and every tick
    is drawn as five artists, which together took half the time of a drawing.
    """
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_major_locator(LogLocator(numticks=numticks))
    axis.set_major_formatter(FuncFormatter(lambda value, _place: power_text(round(math.log10(value)))))
    axis.set_minor_locator(LogLocator(subs=(2, 5)))
    axis.set_minor_formatter(NullFormatter())


def log_decades(ax: Axes) -> None:
    """Make the y axis logarithmic with a label at every decade and at least two of them in view."""
    ax.set_yscale("log")
    low, high = ax.get_ylim()
    if math.log10(high / low) < 2:
        middle = math.sqrt(low * high)
        ax.set_ylim(middle / 10, middle * 10)
    _label_decades(ax.yaxis, 12)


def deviation_axis(ax: Axes, title: str, unit: str) -> None:
    """Make the y axis logarithmic: seconds as 1 ns, 10 ns … 1 ms, what has no unit as powers of ten."""
    from matplotlib.ticker import FuncFormatter

    log_decades(ax)
    if unit == "s":
        ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _position: time_text(value)))
    ax.set_ylabel(title if unit == "s" else f"{title} [1]")


def hold(ax: Axes, heights: npt.ArrayLike, *, below: float, above: float) -> None:
    """Let a logarithmic y axis hold all positive heights, with room below and above them as factors."""
    every = np.asarray(heights, dtype=float)
    every = every[np.isfinite(every) & (every > 0)]
    ax.set_yscale("log")
    ax.set_ylim(*((float(every.min()) / below, float(every.max()) * above) if len(every) else (0.1, 10.0)))


def name_rows(ax: Axes, places: Sequence[float] | npt.NDArray[Any], names: Sequence[str]) -> None:
    """Name the rows of a chart that has no numbers upwards."""
    ax.set_yticks(places, labels=names)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")


def note(
    ax: Axes,
    text: str,
    at: tuple[float, float],
    within: Literal["data", "axes", "x", "y"] = "data",
    *,
    offset: tuple[float, float] | None = None,
    **look: Any,
) -> None:
    """Write a small remark.

    Parameters
    ----------
    at
        Where: in data, in shares of the axes, or in data of the one axis named and shares of the other.
    offset
        Moved so far, in points.
    look
        Of the text, as matplotlib names it.
    """
    across: Keywords = {"x": ax.get_xaxis_transform(), "y": ax.get_yaxis_transform()}
    moved: Keywords = {} if offset is None else {"xytext": offset, "textcoords": "offset points"}
    coordinates = across.get(within, "axes fraction" if within == "axes" else "data")
    ax.annotate(text, xy=at, xycoords=coordinates, **moved, **{"fontsize": 7.5, **look})


@dataclass(frozen=True, kw_only=True)
class Label:
    """A name for the line that ends at ``(x, y)``."""

    x: float
    y: float
    text: str
    colour: str = INK

    @classmethod
    def at_end(cls, x: npt.ArrayLike, y: npt.ArrayLike, text: str, colour: str = INK) -> Label:
        """Return the name of a line at its last point."""
        return cls(x=float(np.asarray(x)[-1]), y=float(np.asarray(y)[-1]), text=text, colour=colour)


def name_lines(ax: Axes, labels: Sequence[Label]) -> None:
    """Write the names right of the axes, each at the height of its line or as near as they fit.

    Call it last: it reads the limits of the axes.
    """
    from matplotlib.collections import LineCollection

    if not labels:
        return
    inverse = ax.transAxes.inverted()
    heights = np.array([inverse.transform(ax.transData.transform((label.x, label.y)))[1] for label in labels])
    lines = np.array([label.text.count("\n") + 1 for label in labels])
    figure = ax.get_figure(root=True)
    inches = ax.get_position().height * (figure.get_figheight() if figure is not None else 3.0)
    rows = lines * LABEL_SIZE * 1.3 / 72 / inches
    heights = np.clip(heights, 0, 1)
    places = spread(heights, rows)
    for label, at in zip(labels, places, strict=True):
        look: Keywords = {"color": label.colour, "fontsize": LABEL_SIZE, "linespacing": 1.05}
        ax.text(1.035, at, label.text, transform=ax.transAxes, va="center", ha="left", **look)
    leaders = [[(1.0, height), (1.03, at)] for height, at in zip(heights, places, strict=True)]
    look = {"transform": ax.transAxes, "clip_on": False, "linewidths": 0.6}
    ax.add_collection(
        LineCollection(leaders, colors=[label.colour for label in labels], **look), autolim=False
    )


def spread(heights: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return heights moved as little as needed so that labels of height ``rows`` do not overlap."""
    order = np.argsort(heights, kind="stable")
    placed = heights[order].astype(float)
    size = rows[order]
    for _ in range(200):
        overlap = 0.5 * (size[1:] + size[:-1]) - np.diff(placed)
        if not np.any(overlap > 1e-6):
            break
        push = np.maximum(overlap, 0) / 2
        placed[:-1] -= push
        placed[1:] += push
    result = np.empty_like(placed)
    result[order] = placed
    return result


def caption_title(ax: Axes, sentence: str) -> None:
    """Write the sentence that states the finding above the axes, left-aligned, as wide as there is room.

    Call it last: the labels of the axes decide where they begin.
    """
    ax.set_title("\n".join(_lines(sentence, _room_in(ax))), loc="left", fontsize=TITLE_SIZE, linespacing=1.25)


def _room_in(ax: Axes) -> float:
    """Return the width in inches from the left of the axes to the edge of the figure, or of the axes.

    Axes that share the figure with others beside them end where they end.
    """
    figure, place = ax.get_figure(root=True), ax.get_subplotspec()
    if figure is None or place is None or place.get_gridspec().ncols > 1:
        return MOST_TITLE_IN
    left = ax.yaxis.get_tightbbox()
    before = 0.0 if left is None else max(ax.bbox.x0 - left.x0, 0.0) / figure.dpi
    return min(figure.get_figwidth() - before - EDGES_IN, MOST_TITLE_IN)


def _lines(sentence: str, room_in: float) -> list[str]:
    """Return the sentence in lines that fit; a number and its unit stay together."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", size=TITLE_SIZE)

    def fits(line: str) -> bool:
        points, _, _ = text_to_path.get_text_width_height_descent(line, font, ismath=False)
        return WIDER * points <= 72 * room_in

    lines: list[str] = []
    for word in _BETWEEN_WORDS.split(sentence):
        if lines and fits(f"{lines[-1]} {word}"):
            lines[-1] = f"{lines[-1]} {word}"
        else:
            lines.append(word)
    return lines
