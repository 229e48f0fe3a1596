"""What a report is made of: sections of paragraphs, tables and figures, free of any layout."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from evenbeat.plain import UNLISTED, Plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, kw_only=True)
class Paragraph:
    """Plain text."""

    text: str


@dataclass(frozen=True, kw_only=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A table with a caption; the first cell of every row is its heading.

    Attributes
    ----------
    widths
        Relative widths of the columns.
    numeric
        Columns (from zero) that are set right-aligned.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    numeric: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Illustration(Plain):
    """A figure with its number, what it states, how to read it, and words for who cannot see it."""

    number: int
    name: str
    caption: str
    reading: str
    alternative: str
    figure: Figure = field(metadata=UNLISTED)


Block = Paragraph | Bullets | Grid | Illustration


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading and what stands under it."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, kw_only=True)
class Document:
    """A whole report, answer first; ``footer`` stands on every page, ``dated`` is when it was made."""

    title: str
    subtitle: str
    headline: str
    lines: tuple[tuple[str, str], ...]
    standing: str
    sections: tuple[Section, ...]
    footer: str
    illustrations: tuple[Illustration, ...] = field(default=())
    dated: dt.date | None = None
