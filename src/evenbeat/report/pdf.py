"""The document as a PDF with the same words, numbers and figures as the page."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.figures.axes import typeset
from evenbeat.figures.style import png_bytes
from evenbeat.report.document import Block, Bullets, Document, Grid, Illustration, Paragraph

if TYPE_CHECKING:
    from fpdf import FPDF

INK, SOFT, LINE = (32, 38, 46), (77, 88, 99), (196, 203, 210)
MARGIN_MM = 18
FIGURE_SHARE = 0.93
LARGEST_WHOLE_TABLE_MM = 80
HEADING_MM = 15
LONGEST_CELL = 1200
UNDATED = datetime(2000, 1, 1, tzinfo=UTC)
"""Creation date of a PDF whose document has none: the same result must give the same file."""


def pdf_bytes(document: Document) -> bytes:
    """Return the PDF, A4, with page numbers and the fonts of the figures inside."""
    pdf = _new_pdf(document)
    pdf.add_page()
    _answer(pdf, document)
    for section in document.sections:
        _keep_together(pdf, HEADING_MM + _least_height(pdf, section.blocks[0]))
        _text(pdf, section.heading, size=12, style="B", before=6, after=1)
        pdf.set_draw_color(*LINE)
        pdf.line(pdf.l_margin, pdf.get_y(), pdf.w - pdf.r_margin, pdf.get_y())
        pdf.ln(2)
        for block in section.blocks:
            _block(pdf, block, raw=section.heading == "Provenance")
    return bytes(pdf.output())


def _new_pdf(document: Document) -> FPDF:
    from fpdf import FPDF

    class Paged(FPDF):  # type: ignore[misc, unused-ignore]
        """A PDF whose pages are numbered."""

        def footer(self) -> None:
            """Write what the document is, and the number of the page."""
            self.set_y(-14)
            self.set_font("DejaVu", size=7.5)
            self.set_text_color(*SOFT)
            self.cell(0, 4, f"Analysis for the equipment owner; not a certificate.  {document.footer}")
            self.set_x(self.l_margin)
            self.cell(0, 4, f"{self.page_no()} / {{nb}}", align="R")

    pdf = Paged(format="A4")
    day = document.dated
    pdf.set_creation_date(UNDATED if day is None else datetime(day.year, day.month, day.day, tzinfo=UTC))
    pdf.set_title(_printable(document.title))
    pdf.set_lang("en")
    pdf.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
    pdf.set_auto_page_break(auto=True, margin=20)
    _add_fonts(pdf)
    return pdf


def _add_fonts(pdf: FPDF) -> None:
    import matplotlib as mpl

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    pdf.add_font("DejaVu", "", folder / "DejaVuSans.ttf")
    pdf.add_font("DejaVu", "B", folder / "DejaVuSans-Bold.ttf")
    pdf.add_font("DejaVuMono", "", folder / "DejaVuSansMono.ttf")


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


def _block(pdf: FPDF, block: Block, *, raw: bool) -> None:
    if isinstance(block, Paragraph):
        _text(pdf, typeset(block.text))
    elif isinstance(block, Bullets):
        for item in block.items:
            _text(pdf, f"–  {item}", after=0.8)
    elif isinstance(block, Grid):
        _grid(pdf, block, raw=raw)
    else:
        _illustration(pdf, block)


def _grid(pdf: FPDF, grid: Grid, *, raw: bool) -> None:
    from fpdf.fonts import FontFace

    _keep_together(pdf, _least_height(pdf, grid))
    _text(pdf, grid.caption, size=8.5, style="B", after=0.8)
    pdf.set_draw_color(*LINE)
    alignments: list[Any] = ["RIGHT" if i in grid.numeric else "LEFT" for i in range(len(grid.columns))]
    pdf.set_font("DejaVuMono" if raw else "DejaVu", size=7.4 if raw else 8)
    with pdf.table(
        borders_layout="HORIZONTAL_LINES",
        col_widths=grid.widths,
        text_align=alignments,
        line_height=4.2,
        padding=(0.6, 1.2, 0.6, 0),
        headings_style=FontFace(family="DejaVu", emphasis="BOLD", color=SOFT),
        wrapmode="CHAR" if raw else "WORD",
    ) as table:
        for cells in (grid.columns, *grid.rows):
            row = table.row()
            for cell in cells:
                text = _printable(cell)
                row.cell(text.replace("  ", "    ", 1) if raw else typeset(text))
    pdf.ln(3)


def _illustration(pdf: FPDF, illustration: Illustration) -> None:
    _keep_together(pdf, _least_height(pdf, illustration))
    caption = f"Figure {illustration.number}. {typeset(illustration.caption)}"
    _text(pdf, caption, size=9, before=1, after=0.3)
    _text(pdf, illustration.reading, size=7.8, colour=SOFT, after=1.5)
    image = io.BytesIO(png_bytes(illustration.figure))
    pdf.image(
        image,
        w=FIGURE_SHARE * pdf.epw,
        alt_text=_printable(illustration.alternative),
        title=illustration.name,
    )
    pdf.ln(3)


def _least_height(pdf: FPDF, block: Block) -> float:
    """Return how many millimetres a block needs before the page may break."""
    if isinstance(block, Illustration):
        width, height = block.figure.get_size_inches()
        return float(FIGURE_SHARE * pdf.epw * height / width) + 22
    return min(14 + 6 * len(block.rows), LARGEST_WHOLE_TABLE_MM) if isinstance(block, Grid) else 10
