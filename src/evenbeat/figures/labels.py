"""Names written beside the lines they belong to, kept apart from each other."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.style import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LABEL_SIZE = 7.8
TITLE_WIDTH = 84


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
    """Write the sentence that states the finding above the axes, left-aligned."""
    ax.set_title(textwrap.fill(sentence, TITLE_WIDTH), loc="left", fontsize=9.5, linespacing=1.25)
