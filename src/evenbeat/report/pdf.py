"""The document as a PDF with the same words, numbers and figures as the page."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.figures.axes import typeset
from evenbeat.figures.style import pixels
from evenbeat.report.document import Block, Bullets, Document, Grid, Illustration, Paragraph

if TYPE_CHECKING:
    from fpdf import FPDF

INK, SOFT, LINE = (32, 38, 46), (77, 88, 99), (196, 203, 210)
MARGIN_MM = 15
FIGURE_SHARE = 0.93
LARGEST_WHOLE_TABLE_MM = 80
LARGEST_PAIR_MM = 120
LONGEST_CELL = 1200
UNDATED = datetime(2000, 1, 1, tzinfo=UTC)
"""Creation date of a PDF whose document has none: the same result must give the same file."""


@dataclass(frozen=True, kw_only=True)
class _Setting:
    """How large things are set: the first pages, and the appendix."""

    text: float
    heading: float
    table: float
    row_mm: float
    caption: float


_FRONT = _Setting(text=9, heading=12, table=8, row_mm=4.2, caption=9)
_APPENDIX = _Setting(text=6.6, heading=9, table=6.2, row_mm=2.9, caption=6.8)
GUTTER_MM = 6


def pdf_bytes(document: Document) -> bytes:
    """Return the PDF, A4, with page numbers and the fonts of the figures inside.

    What the page folds is the appendix, set small.
    """
    pdf = _new_pdf(document)
    pdf.add_page()
    _answer(pdf, document)
    for section in document.sections:
        setting = _APPENDIX if section.folded else _FRONT
        rows = list(_in_rows(section.blocks))
        _keep_together(pdf, setting.heading + 1 + _least_height(pdf, rows[0], setting))
        _text(pdf, section.heading, size=setting.heading, style="B", before=setting.text / 3, after=0.6)
        pdf.set_draw_color(*LINE)
        pdf.line(pdf.l_margin, pdf.get_y(), pdf.w - pdf.r_margin, pdf.get_y())
        pdf.ln(1.5)
        for row in rows:
            _keep_together(pdf, _least_height(pdf, row, setting))
            _side_by_side(pdf, row, setting)
    return bytes(pdf.output())


def _in_rows(blocks: Sequence[Block]) -> Iterator[tuple[Block, ...]]:
    """Yield the blocks one by one, but neighbouring narrow figures or tables in pairs."""
    for (narrow, _), group in itertools.groupby(blocks, lambda each: (_is_narrow(each), type(each))):
        together, alike = 2 if narrow else 1, tuple(group)
        for start in range(0, len(alike), together):
            yield alike[start : start + together]


def _is_narrow(block: Block) -> bool:
    return isinstance(block, Grid | Illustration) and block.narrow


def _new_pdf(document: Document) -> FPDF:
    import matplotlib as mpl
    from fpdf import FPDF

    class Paged(FPDF):  # type: ignore[misc, unused-ignore]
        """A PDF whose pages are numbered."""

        def footer(self) -> None:
            """Write what the document is, and the number of the page."""
            self.set_y(-13)
            self.set_font("DejaVu", size=7.5)
            self.set_text_color(*SOFT)
            self.cell(0, 3.4, f"{self.page_no()} / {{nb}}", align="R", new_x="LMARGIN", new_y="NEXT")
            self.cell(0, 3.4, f"Analysis for the equipment owner; not a certificate.  {document.footer}")

    pdf = Paged(format="A4")
    day = document.dated
    pdf.set_creation_date(UNDATED if day is None else datetime(day.year, day.month, day.day, tzinfo=UTC))
    pdf.set_title(_printable(document.title))
    pdf.set_lang("en")
    pdf.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
    pdf.set_auto_page_break(auto=True, margin=MARGIN_MM)
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for family, style, name in (
        ("DejaVu", "", "DejaVuSans"),
        ("DejaVu", "B", "DejaVuSans-Bold"),
        ("DejaVuMono", "", "DejaVuSansMono"),
    ):
        pdf.add_font(family, style, folder / f"{name}.ttf")
    return pdf


def _answer(pdf: FPDF, document: Document) -> None:
    _text(pdf, document.title, size=14, style="B")
    _text(pdf, document.subtitle, size=9, colour=SOFT, after=5)
    _text(pdf, typeset(document.headline), size=12, style="B", after=2)
    with pdf.table(
        borders_layout="NONE",
        first_row_as_headings=False,
        col_widths=(20, 80),
        line_height=4.6,
        text_align="LEFT",
        padding=(0.7, 1, 0.7, 0),
    ) as table:
        pdf.set_font("DejaVu", size=9)
        for label, sentence in document.lines:
            row = table.row()
            row.cell(_printable(label))
            row.cell(typeset(_printable(sentence)))
    _text(pdf, document.standing, size=7.8, colour=SOFT, before=2)


def _text(
    pdf: FPDF,
    text: str,
    *,
    size: float = 9,
    style: str = "",
    colour: tuple[int, int, int] = INK,
    before: float = 0,
    after: float = 1.5,
) -> None:
    pdf.ln(before)
    pdf.set_font("DejaVu", style=style, size=size)
    pdf.set_text_color(*colour)
    pdf.multi_cell(0, size * 0.5, _printable(text), align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.set_text_color(*INK)
    pdf.ln(after)


def _printable(text: str) -> str:
    """Return a text that fits on a page and has a code: names from outside may be of any length and bytes."""
    if len(text) > LONGEST_CELL:
        text = f"{text[:LONGEST_CELL]} … (all of it is in result.json)"
    return text.encode("utf-8", "backslashreplace").decode()


def _keep_together(pdf: FPDF, height_mm: float) -> None:
    """Begin a new page where less than this much of it is left."""
    if pdf.will_page_break(height_mm):
        pdf.add_page()


def _side_by_side(pdf: FPDF, row: Sequence[Block], setting: _Setting) -> None:
    """Set one block over the whole width, or narrow ones beside each other."""
    outer, width = pdf.l_margin, pdf.epw
    column = (width - GUTTER_MM) / 2 if _is_narrow(row[0]) else width
    page, top = pdf.page, pdf.get_y()
    end = page, top
    for number, block in enumerate(row):
        pdf.page = page
        left = outer + number * (column + GUTTER_MM)
        pdf.set_left_margin(left)
        pdf.set_right_margin(pdf.w - left - column)
        pdf.set_xy(left, top)
        _block(pdf, block, setting)
        end = max(end, (pdf.page, pdf.get_y()))
    pdf.set_left_margin(outer)
    pdf.set_right_margin(pdf.w - outer - width)
    pdf.page = end[0]
    pdf.set_xy(outer, end[1])


def _block(pdf: FPDF, block: Block, setting: _Setting) -> None:
    if isinstance(block, Paragraph):
        _text(pdf, typeset(block.text), size=setting.text)
    elif isinstance(block, Bullets):
        for item in block.items:
            _text(pdf, f"–  {typeset(item)}", size=setting.text, after=setting.text / 12)
    elif isinstance(block, Grid):
        _grid(pdf, block, setting)
    else:
        _illustration(pdf, block, setting)


def _grid(pdf: FPDF, grid: Grid, setting: _Setting) -> None:
    from fpdf.fonts import FontFace

    raw = grid.raw
    _text(pdf, grid.caption, size=setting.table + 0.5, style="B", after=0.6)
    pdf.set_draw_color(*LINE)
    alignments: list[Any] = ["RIGHT" if i in grid.numeric else "LEFT" for i in range(len(grid.columns))]
    pdf.set_font("DejaVuMono" if raw else "DejaVu", size=setting.table)
    with pdf.table(
        borders_layout="HORIZONTAL_LINES",
        align="LEFT",
        width=pdf.epw,
        col_widths=grid.widths,
        text_align=alignments,
        line_height=setting.row_mm,
        padding=(0.35, 1.2, 0.35, 0),
        headings_style=FontFace(family="DejaVu", emphasis="BOLD", color=SOFT),
        wrapmode="CHAR" if raw else "WORD",
    ) as table:
        for cells in (grid.columns, *grid.rows):
            row = table.row()
            for cell in cells:
                text = _printable(cell)
                row.cell(text.replace("  ", "    ", 1) if raw else typeset(text))
    pdf.ln(2)


def _illustration(pdf: FPDF, one: Illustration, setting: _Setting) -> None:
    caption = f"Figure {one.number}. {typeset(one.caption)}"
    _text(pdf, caption, size=setting.caption, after=0.3)
    _text(pdf, one.reading, size=setting.caption - 1, colour=SOFT, after=0.5)
    width = pdf.epw if one.narrow else FIGURE_SHARE * pdf.epw
    pdf.image(pixels(one.figure), w=width, alt_text=_printable(one.alternative), title=one.name)
    pdf.ln(2)


def _least_height(pdf: FPDF, row: Sequence[Block], setting: _Setting) -> float:
    """Return how many millimetres a row of blocks needs before the page may break."""
    return max(_height(pdf, block, setting) for block in row)


def _height(pdf: FPDF, block: Block, setting: _Setting) -> float:
    if isinstance(block, Illustration):
        width, height = block.figure.get_size_inches()
        share = 0.5 if block.narrow else FIGURE_SHARE
        return float(share * pdf.epw * height / width) + 2 * setting.caption
    if not isinstance(block, Grid):
        return 10
    whole = 8 + 1.3 * setting.row_mm * len(block.rows)
    return min(whole, LARGEST_PAIR_MM if block.narrow else LARGEST_WHOLE_TABLE_MM)
