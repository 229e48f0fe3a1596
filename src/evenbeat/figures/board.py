"""A figure that is drawn again and again: its axes stay, what is on them is replaced.

Making axes and laying them out takes several times as long as drawing on them, and a panel must answer a
slider at once: what is arranged on one axes is painted again only when that axes' limits or labels change,
and the last few paintings are kept. No figure is registered with pyplot, so none has to be closed.
"""

from __future__ import annotations

import io
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Generic, TypeVar

import numpy as np
import numpy.typing as npt

from evenbeat.figures.style import dressed, in_style

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Shown = TypeVar("Shown")
BOARD_DPI = 110
KEPT = 4
"""Paintings kept of each axes: enough for a slider that goes to and fro."""

WHITE = 2**32 - 1
"""A pixel with all four channels full."""
Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Painting:
    """The part of a picture that one axes takes up."""

    rows: slice
    columns: slice
    pixels: Pixels

    @classmethod
    def of(cls, pixels: Pixels) -> _Painting:
        inked = np.ascontiguousarray(pixels).view(np.uint32)[..., 0] != WHITE
        rows, columns = (_reach(np.asarray(inked.any(axis=axis))) for axis in (1, 0))
        return cls(rows=rows, columns=columns, pixels=pixels[rows, columns].copy())

    def lay_on(self, pixels: Pixels) -> None:
        """Lay it on white, or on others that only its white margin may touch: the darker one stays."""
        part = pixels[self.rows, self.columns]
        np.minimum(part, self.pixels, out=part)


def _reach(inked: npt.NDArray[np.bool_]) -> slice:
    places = np.flatnonzero(inked)
    return slice(int(places[0]), int(places[-1]) + 1)


class Board(ABC, Generic[Shown]):
    """The figure of a lesson.

    Attributes
    ----------
    description
        What it shows, in words.
    size_in
        Width and height in inches.
    """

    description: ClassVar[str]
    size_in: ClassVar[tuple[float, float]]

    @abstractmethod
    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make the axes once, with all on them that never changes."""

    @abstractmethod
    def draw(self, axes: Sequence[Axes], shown: Shown) -> None:
        """Draw a result on the axes; whatever was drawn before has been taken off."""

    def __init__(self) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        with in_style():
            figure = Figure(figsize=self.size_in, dpi=BOARD_DPI)
            self._canvas: Any = FigureCanvasAgg(figure)
            self._axes = tuple(self.arrange(figure))
        self._legends = [legend for ax in self._axes if (legend := ax.get_legend()) is not None]
        for legend in self._legends:
            legend.set_animated(True)  # its many texts stay as they are: painted once, apart from the axes
        self._named: list[_Painting] = []
        self._fixed = {artist for ax in self._axes for artist in _artists(ax)}
        self._painted: list[dict[object, _Painting]] = [{} for _ in self._axes]

    @property
    def axes(self) -> tuple[Axes, ...]:
        """The axes, in the order in which they were arranged."""
        return self._axes

    def png(self, shown: Shown) -> bytes:
        """Return the picture of a result.

        What was arranged is drawn again only where limits, labels or titles have changed.
        """
        with in_style():
            for artist in self._drawn():
                artist.remove()
            self.draw(self._axes, shown)
            drawn = sorted(self._drawn(), key=lambda artist: artist.zorder)
            for artist in drawn:
                artist.set_animated(True)
            self._lay_background()
            for artist in drawn:
                artist.axes.draw_artist(artist)  # type: ignore[union-attr]
        return self._encoded()

    def _drawn(self) -> list[Artist]:
        return [artist for ax in self._axes for artist in _artists(ax) if artist not in self._fixed]

    def _lay_background(self) -> None:
        self._named = self._named or [self._painting_of(legend.draw) for legend in self._legends]
        paintings = [self._painting(ax, kept) for ax, kept in zip(self._axes, self._painted, strict=True)]
        paintings += self._named
        pixels = self._blank()
        for painting in paintings:
            painting.lay_on(pixels)

    def _blank(self) -> Pixels:
        renderer = self._canvas.get_renderer()
        renderer.clear()
        self._canvas.figure.patch.draw(renderer)
        return np.asarray(self._canvas.buffer_rgba())

    def _painting(self, ax: Axes, kept: dict[object, _Painting]) -> _Painting:
        """Return what is arranged on one axes; what is animated is left out by matplotlib."""
        frame = ax.get_xlim(), ax.get_ylim(), ax.get_xlabel(), ax.get_ylabel(), ax.get_title(loc="left")
        if frame not in kept:
            if len(kept) >= KEPT:
                kept.pop(next(iter(kept)))
            kept[frame] = self._painting_of(ax.draw)
        return kept[frame]

    def _painting_of(self, draw: Callable[[Any], None]) -> _Painting:
        pixels = self._blank()
        draw(self._canvas.get_renderer())
        return _Painting.of(pixels)

    def _encoded(self) -> bytes:
        from PIL import Image

        buffer = io.BytesIO()
        picture = Image.frombuffer("RGBA", self._canvas.get_width_height(), self._canvas.buffer_rgba())
        picture.convert("RGB").save(buffer, format="png", compress_level=1)
        return buffer.getvalue()


def _artists(ax: Axes) -> list[Artist]:
    """Return what is drawn on the axes; grid, ticks and labels are not."""
    legend = ax.get_legend()
    return [*ax.lines, *ax.collections, *ax.patches, *ax.texts, *([] if legend is None else [legend])]


def plain_axes(ax: Axes, title: str = "", x_label: str = "", y_label: str = "") -> Axes:
    """Dress axes and write on them what never changes."""
    dressed(ax).set_title(title, loc="left")
    ax.set(xlabel=x_label, ylabel=y_label)
    return ax


def log_axes(ax: Axes, x_label: str, y_label: str, title: str = "") -> Axes:
    """Make both axes logarithmic with decades only: minor ticks take most of the time of a drawing."""
    from matplotlib.ticker import LogLocator, NullLocator

    ax.set_xscale("log")
    ax.set_yscale("log")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(LogLocator(numticks=8))
        axis.set_minor_locator(NullLocator())
    return plain_axes(ax, title, x_label, y_label)


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
