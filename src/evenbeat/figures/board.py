"""A figure that is drawn again and again: its axes stay, what is on them is replaced.

Making axes and laying them out takes several times as long as drawing on them, and a panel must answer a
slider at once. No figure is registered with pyplot, so none has to be closed.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from evenbeat.figures.style import in_style

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Shown = TypeVar("Shown")
BOARD_DPI = 110


class Board(Generic[Shown]):
    """One figure of a lesson.

    Parameters
    ----------
    arrange
        Makes the axes once, with all on them that never changes.
    draw
        Draws a result on the axes; whatever it drew before has been taken off.
    size_in
        Width and height in inches.
    """

    def __init__(
        self,
        arrange: Callable[[Figure], Sequence[Axes]],
        draw: Callable[[Sequence[Axes], Shown], None],
        *,
        size_in: tuple[float, float],
    ) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self._draw = draw
        with in_style():
            figure = Figure(figsize=size_in, dpi=BOARD_DPI)
            self._canvas: Any = FigureCanvasAgg(figure)
            self._axes = tuple(arrange(figure))
        self._fixed = {artist for ax in self._axes for artist in _artists(ax)}
        self._frame: object = None
        self._background: Any = None

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
            self._draw(self._axes, shown)
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
        frame = [
            (ax.get_xlim(), ax.get_ylim(), ax.get_xlabel(), ax.get_ylabel(), ax.get_title(loc="left"))
            for ax in self._axes
        ]
        if frame == self._frame:
            self._canvas.restore_region(self._background)
            return
        self._canvas.draw()  # without what is animated
        self._background = self._canvas.copy_from_bbox(self._canvas.figure.bbox)
        self._frame = frame

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
