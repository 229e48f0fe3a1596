"""The document as one self-contained HTML page."""

from __future__ import annotations

import re

from evenbeat.figures.axes import typeset
from evenbeat.figures.style import svg_text
from evenbeat.report.document import Document, Illustration


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
    head, rest = text.split(">", 1)
    head = re.sub(r'\s(?:width|height)="[^"]*"', "", head)
    return Markup(f'{head} aria-hidden="true" focusable="false">{rest}')  # noqa: S704 - our own drawing
