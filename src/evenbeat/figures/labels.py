"""Names written beside the lines they belong to, kept apart from each other."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.style import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_BETWEEN_WORDS = re.compile(r"(?<!\d) |(?<=\d) (?!(?:[a-zµ]?s|min|h|d|%|[kMG]?Hz|years?)(?:\W|$))")
LABEL_SIZE = 7.8
TITLE_SIZE = 9.5
MOST_TITLE_IN = 6.4
"""Longer lines are hard to follow back to the next."""
WIDER = 1.06
"""How much wider letters are on screens whose pixels they are fitted to, at most."""
EDGES_IN = 0.15
"""Left free of a title at both edges of the figure together."""


@dataclass(frozen=True, kw_only=True)
class Label:
    """A name for the line that ends at ``(x, y)``."""

    x: float
    y: float
    text: str
    colour: str = INK


def name_lines(ax: Axes, labels: Sequence[Label]) -> None:
    """Write the names right of the axes, each at the height of its line or as near as they fit.

    Call it last: it reads the limits of the axes.
    """
    if not labels:
        return
    inverse = ax.transAxes.inverted()
    heights = np.array([inverse.transform(ax.transData.transform((label.x, label.y)))[1] for label in labels])
    lines = np.array([label.text.count("\n") + 1 for label in labels])
    figure = ax.get_figure(root=True)
    inches = ax.get_position().height * (figure.get_figheight() if figure is not None else 3.0)
    rows = lines * LABEL_SIZE * 1.3 / 72 / inches
    for label, height, at in zip(
        labels, np.clip(heights, 0, 1), spread(np.clip(heights, 0, 1), rows), strict=True
    ):
        ax.annotate(
            label.text,
            xy=(1.0, height),
            xycoords="axes fraction",
            xytext=(1.035, at),
            textcoords="axes fraction",
            color=label.colour,
            fontsize=LABEL_SIZE,
            va="center",
            ha="left",
            linespacing=1.05,
            arrowprops={
                "arrowstyle": "-",
                "color": label.colour,
                "linewidth": 0.6,
                "shrinkA": 1,
                "shrinkB": 0,
            },
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
