"""The document as one self-contained HTML page."""

from __future__ import annotations

import re

from evenbeat.figures import style
from evenbeat.figures.axes import typeset
from evenbeat.figures.style import svg_text
from evenbeat.report.document import Document, Illustration

_THEMED = {
    colour: f"var(--{name})"
    for colour, name in (
        ("#ffffff", "paper"),
        (style.INK, "ink"),
        (style.GREY, "grey"),
        (style.PALE, "pale"),
        (style.BLUE, "blue"),
        (style.RUST, "rust"),
        (style.GREEN, "green"),
        (style.PLUM, "plum"),
        (style.OCHRE, "ochre"),
        (style.SLATE, "slate"),
    )
}
"""Colours of the figures to those of the page, which has one set for light and one for dark themes."""


def html_page(document: Document) -> str:
    """Return the page: style, text and figures in one file that loads nothing from anywhere.

    Notes
    -----
    Everything from outside (file names, sentences) is escaped; the drawings come from our own figures.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("evenbeat.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["typeset"] = typeset
    environment.filters["drawing"] = _drawing
    environment.filters["kind"] = lambda block: type(block).__name__
    return environment.get_template("report.html").render(document=document)


def _drawing(illustration: Illustration) -> object:
    from markupsafe import Markup

    text = svg_text(illustration.figure, prefix=f"figure-{illustration.number}-")
    text = re.sub(r"#[0-9a-f]{6}\b", lambda colour: _THEMED.get(colour[0], colour[0]), text)
    head, rest = text.split(">", 1)
    head = re.sub(r'\s(?:width|height)="[^"]*"', "", head)
    return Markup(f'{head} aria-hidden="true" focusable="false">{rest}')  # noqa: S704 - our own drawing
