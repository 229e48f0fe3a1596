"""Figures as bytes: SVG and PNG that depend on nothing but what is drawn."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

from evenbeat.figures.style import styled

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PRINT_DPI = 200
_LONG = re.compile(r"(\.\d\d)\d+")  # a hundredth of a point is finer than any printer
_WITHOUT_METADATA = {"Creator": None, "Date": None, "Format": None, "Type": None}


@styled
def svg_text(figure: Figure, *, prefix: str = "") -> str:
    """Return the figure as one ``<svg>`` element to be put into a page.

    Parameters
    ----------
    prefix
        Put before every id inside, so that several figures in a page do not share one.
    """
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata=_WITHOUT_METADATA)
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
def png_bytes(figure: Figure, *, dpi: int = PRINT_DPI) -> bytes:
    """Return the figure as a PNG image without time stamp or software name."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()
