"""How every result shows itself: one line, a table of at most 80 columns, or HTML."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from evenbeat.findings import Finding, worst_first

PAGE_WIDTH = 80


@dataclass(frozen=True, kw_only=True)
class Table:
    """Cells as text; the first column is left-aligned, the others right-aligned."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def as_text(self) -> str:
        """Return the table in fixed-width text."""
        lines = [self.columns, *self.rows]
        widths = [max(len(line[i]) for line in lines) for i in range(len(self.columns))]
        shown = [
            "  ".join(
                cell.ljust(width) if i == 0 else cell.rjust(width)
                for i, (cell, width) in enumerate(zip(line, widths, strict=True))
            ).rstrip()
            for line in lines
        ]
        return "\n".join([shown[0], "-" * min(PAGE_WIDTH, sum(widths) + 2 * (len(widths) - 1)), *shown[1:]])

    def as_html(self) -> str:
        """Return the table as an HTML ``<table>``, every cell escaped."""
        head = "".join(f"<th>{html.escape(cell)}</th>" for cell in self.columns)
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in self.rows
        )
        return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


class Printed:
    """Mixin: a result that says itself in one line, in a table and in HTML.

    A result gives ``_headline()`` (one line), ``_table()`` (or ``None``) and has ``findings``.
    """

    findings: Sequence[Finding]

    def _headline(self) -> str:
        raise NotImplementedError

    def _table(self) -> Table | None:
        return None

    def __repr__(self) -> str:
        return f"<{self._headline()}>"

    def __str__(self) -> str:
        parts = [textwrap.fill(self._headline(), PAGE_WIDTH)]
        table = self._table()
        if table is not None:
            parts.append(table.as_text())
        parts.extend(
            textwrap.fill(str(finding), PAGE_WIDTH, subsequent_indent="    ")
            for finding in worst_first(self.findings)
        )
        return "\n".join(parts)

    def _repr_html_(self) -> str:
        table = self._table()
        items = "".join(f"<li>{html.escape(str(finding))}</li>" for finding in worst_first(self.findings))
        return (
            f"<p><strong>{html.escape(self._headline())}</strong></p>"
            + ("" if table is None else table.as_html())
            + (f"<ul>{items}</ul>" if items else "")
        )
