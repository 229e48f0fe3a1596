"""What a report is made of: sections of paragraphs, tables and figures, free of any layout."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from evenbeat.figures.style import WIDTH_IN
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

    Columns ``numeric`` (from zero) are set right-aligned; a ``narrow`` one stands beside another in print;
    the values of a ``raw`` one are set letter by letter, as names and hashes are.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    numeric: tuple[int, ...] = ()
    narrow: bool = False
    raw: bool = False


def pairs(
    caption: str,
    rows: Iterable[tuple[str, str]],
    *,
    heads: tuple[str, str] = ("Item", "Value"),
    first: int = 26,
    narrow: bool = False,
    raw: bool = False,
) -> Grid:
    """Return a table of names and values; the names are ``first`` per cent wide."""
    widths = (first, 100 - first)
    return Grid(caption=caption, columns=heads, rows=tuple(rows), widths=widths, narrow=narrow, raw=raw)


@dataclass(frozen=True, eq=False, kw_only=True)
class Illustration(Plain):
    """A figure with its number, what it states, how to read it, and words for who cannot see it."""

    number: int
    name: str
    caption: str
    reading: str
    alternative: str
    figure: Figure = field(metadata=UNLISTED)

    @property
    def narrow(self) -> bool:
        """Whether two of this width stand beside each other in print."""
        return float(self.figure.get_size_inches()[0]) < WIDTH_IN


Block = Paragraph | Bullets | Grid | Illustration


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading and what stands under it; ``folded`` on the page, and small in the appendix of the print."""

    heading: str
    blocks: tuple[Block, ...]
    folded: bool = False


@dataclass(frozen=True, kw_only=True)
class Document:
    """A whole report, answer first: what is not folded fits two pages.

    Each of the ``illustrations`` is a block of one of the sections; the ``footer`` stands on every page.
    """

    title: str
    subtitle: str
    headline: str
    lines: tuple[tuple[str, str], ...]
    standing: str
    sections: tuple[Section, ...]
    footer: str
    illustrations: tuple[Illustration, ...] = field(default=())
    dated: dt.date | None = None
