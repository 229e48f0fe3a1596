"""The one look of every figure: colours, line styles, markers, fonts; and figures as bytes.

The look is used in a context, never globally; what is written depends on nothing but what is drawn.

The colours are dark relatives of the Okabe and Ito (2008) set, chosen so that neighbours also differ in
lightness; every series has its own line style and marker as well, so that grey print loses nothing.
"""

from __future__ import annotations

import io
import re
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.backend_bases import FigureCanvasBase
    from matplotlib.figure import Figure
    from PIL.Image import Image

Arguments = ParamSpec("Arguments")
Drawn = TypeVar("Drawn")
LineStyle = str | tuple[float, tuple[float, ...]]
Keywords = dict[str, Any]
"""How something is drawn, as matplotlib names it."""

WIDTH_IN = 7.0
HEIGHT_IN = 3.6
PRINT_DPI = 200
BEHIND_TEXT = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0}
INK = "#20262e"
GREY = "#5f6b77"
PALE = "#dfe3e7"
BLUE = "#0a5688"
RUST = "#b8480c"
GREEN = "#1c7f62"
PLUM = "#7d3f72"
OCHRE = "#8a6508"
SLATE = "#52709e"
_LONG = re.compile(r"(\.\d\d)\d+")  # a hundredth of a point is finer than any printer
_WITHOUT_METADATA = {"Creator": None, "Date": None, "Format": None, "Type": None}


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """How one series is drawn, so that it is known without its colour."""

    colour: str
    line: LineStyle
    marker: str


STROKES = (
    Stroke(colour=BLUE, line="-", marker="o"),
    Stroke(colour=RUST, line=(0, (5, 1.5)), marker="s"),
    Stroke(colour=GREEN, line=(0, (1.2, 1.2)), marker="^"),
    Stroke(colour=PLUM, line=(0, (6, 1.5, 1.2, 1.5)), marker="D"),
    Stroke(colour=OCHRE, line=(0, (3, 1, 1, 1, 1, 1)), marker="v"),
    Stroke(colour=SLATE, line=(0, (9, 2)), marker="P"),
    Stroke(colour=GREY, line=(0, (2, 3)), marker="X"),
)

SETTINGS: dict[str, object] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.5,
    "text.color": INK,
    "text.usetex": False,
    "axes.labelcolor": INK,
    "axes.labelsize": 8.5,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.7,
    "axes.facecolor": "white",
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "axes.titlepad": 8.0,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "grid.color": PALE,
    "grid.linewidth": 0.6,
    "lines.linewidth": 1.3,
    "lines.markersize": 3.6,
    "hatch.linewidth": 0.5,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "evenbeat",
}


def stroke(number: int) -> Stroke:
    """Return the look of series ``number``; after the last one they start again."""
    return STROKES[number % len(STROKES)]


@contextmanager
def in_style() -> Iterator[None]:
    """Let matplotlib draw in this style; outside nothing has changed.

    A notebook's backend is loaded by the first figure, here inside, and makes matplotlib interactive:
    that one setting outlives the style, or no later figure would be shown.
    """
    import matplotlib as mpl

    with mpl.rc_context(SETTINGS):  # type: ignore[arg-type]
        yield
        interactive = mpl.is_interactive()
    mpl.interactive(interactive)


def styled(draw: Callable[Arguments, Drawn]) -> Callable[Arguments, Drawn]:
    """Let a drawing function run in the style."""

    @wraps(draw)
    def drawing(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Drawn:
        with in_style():
            return draw(*args, **kwargs)

    return drawing


@styled
def new_figure(height_in: float = HEIGHT_IN, *, width_in: float = WIDTH_IN) -> Figure:
    """Return an empty figure, by default as wide as a page or a notebook.

    In a notebook it is made by pyplot, so that it is shown at the end of the cell; elsewhere it
    belongs to nobody and goes away with its last reference.
    """
    size = (width_in, height_in)
    shell = sys.modules.get("IPython")
    if shell is not None and shell.get_ipython() is not None:
        from matplotlib import pyplot as plt

        return plt.figure(figsize=size, layout="constrained")
    from matplotlib.figure import Figure

    return Figure(figsize=size, layout="constrained")


def dressed(ax: Axes) -> Axes:
    """Return the axes with our spines and grid, also where somebody else made them."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.set_axisbelow(True)
    ax.grid(visible=True, which="major", color=PALE, linewidth=0.6)
    ax.tick_params(which="minor", length=2, width=0.5, color=GREY)
    return ax


def drawing(
    draw: Callable[Concatenate[Axes, Arguments], None],
) -> Callable[Concatenate[Axes, Arguments], None]:
    """Let a function draw in the style, on axes that are dressed first."""

    @wraps(draw)
    def on_dressed(ax: Axes, /, *args: Arguments.args, **kwargs: Arguments.kwargs) -> None:
        with in_style():
            draw(dressed(ax), *args, **kwargs)

    return on_dressed


@styled
def svg_text(figure: Figure, *, prefix: str = "") -> str:
    """Return the figure as one ``<svg>`` element to be put into a page.

    Parameters
    ----------
    prefix
        Put before every id inside, so that several figures in a page do not share one.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.BytesIO()
    with _on(FigureCanvasSVG, figure) as canvas:
        canvas.print_svg(buffer, metadata=_WITHOUT_METADATA)
    text = buffer.getvalue().decode()
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'(?<= d=")[^"]+', lambda path: _LONG.sub(r"\1", path[0]), text)
    if not prefix:
        return text
    text = re.sub(r'\bid="', f'id="{prefix}', text)
    text = re.sub(r'href="#', f'href="#{prefix}', text)
    return re.sub(r"url\(#", f"url(#{prefix}", text)


@styled
def pixels(figure: Figure, *, dpi: int = PRINT_DPI) -> Image:
    """Return the figure as an image of red, green and blue."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    with _on(FigureCanvasAgg, figure, dpi=dpi) as canvas:
        canvas.draw()
        return Image.frombuffer("RGBA", canvas.get_width_height(), canvas.buffer_rgba()).convert("RGB")


def png_bytes(figure: Figure, *, dpi: int = PRINT_DPI) -> bytes:
    """Return the figure as a PNG image without time stamp or software name."""
    buffer = io.BytesIO()
    pixels(figure, dpi=dpi).save(buffer, format="png")
    return buffer.getvalue()


@contextmanager
def _on(kind: type[FigureCanvasBase], figure: Figure, *, dpi: float | None = None) -> Iterator[Any]:
    """Let a figure be drawn on a canvas of this kind, laid out once for all of them, and give it back."""
    from matplotlib.axis import Axis
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.spines import Spine

    canvas, resolution = figure.canvas, figure.dpi
    try:
        with warnings.catch_warnings(
            action="ignore", category=UserWarning
        ):  # no font has all that names hold
            if (engine := figure.get_layout_engine()) is not None:
                renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
                for spine in figure.findobj(Spine):
                    spine.set_in_layout(False)  # ticks and labels reach further
                engine.execute(figure)
                figure.set_layout_engine("none")
                for axis in figure.findobj(Axis):  # its label stays there, lest all ticks be measured again
                    if axis.label.get_text():
                        axis.get_tightbbox(renderer)
                    to_axes = axis.label.get_transform() - axis.axes.transAxes
                    axis.set_label_coords(*to_axes.transform(axis.label.get_position()))
            if dpi is not None:
                figure.dpi = dpi
            yield kind(figure)
    finally:
        figure.dpi = resolution
        figure.set_canvas(canvas)
