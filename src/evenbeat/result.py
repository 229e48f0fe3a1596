"""The base of every result: one line, a table of at most 80 columns, HTML, plain values and a data frame.

A result is a frozen dataclass of :class:`Result`. It declares its fields, says itself in one line
(``_headline``), and names its columns once (``_columns``); text, HTML, ``to_frame`` and ``to_dict`` follow.
Nothing heavy is loaded at import: the command's help prints tables too.
"""

from __future__ import annotations

import datetime as dt
import html
import math
import re
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from evenbeat.findings import Finding, worst_first
from evenbeat.plain import Plain, plain

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

PAGE_WIDTH = 80
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=[%a-zA-Zµ°±])")


def filled(text: str, *, first: str = "", rest: str = "") -> str:
    """Return a text in lines of ``PAGE_WIDTH`` that part no number from its unit, with these indents."""
    kept = _NUMBER_AND_UNIT.sub("\0", text)
    lines = textwrap.fill(kept, PAGE_WIDTH, initial_indent=first, subsequent_indent=rest)
    return lines.replace("\0", " ")


UNKNOWN = "–"


@dataclass(frozen=True)
class Column:
    """One column of a result.

    Parameters
    ----------
    name
        In ``to_frame`` and ``to_dict``, with the unit at its end; the attribute of the rows where these are
        objects. A column without one is only printed.
    cells
        One for each row; not given where the rows are objects.
    heading
        In the printed table, with the unit behind a stroke; a column without one is not printed.
    form
        How a cell is printed: a format specification such as ``".3e"``, or a function from value to text;
        what is not known is a dash whatever the form.
    """

    name: str
    cells: Sequence[Any] | np.ndarray[Any, Any] | None = None
    heading: str = ""
    form: str | Callable[[Any], str] = ""

    def text(self, value: Any) -> str:
        """Return how a cell is printed; what is not known is a dash."""
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return UNKNOWN
        return self.form(value) if callable(self.form) else format(value, self.form)


def fitting(width: int) -> Callable[[str], str]:
    """Return the form of a column of texts that are cut to so many letters."""
    return lambda text: text if len(text) <= width else f"{text[: width - 1]}…"


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


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Result(Plain):
    """What every result has; a subclass declares fields, headline and columns.

    Attributes
    ----------
    findings
        What there is to know about it, in order.
    """

    findings: tuple[Finding, ...] = ()

    _row_objects: ClassVar[str] = ""
    """Field that holds the rows where each is an object; the columns then name attributes of these."""
    _longest_table: ClassVar[int] = 40
    """Most rows that are printed; a longer table shows as many, evenly chosen."""
    _line_headings: ClassVar[tuple[str, str]] = ("", "value")
    """What stands above names and texts."""

    def _headline(self) -> str:
        raise NotImplementedError

    def _columns(self) -> tuple[Column, ...]:
        """Return the columns; by default there are none, and ``_lines`` are printed."""
        return ()

    def _lines(self) -> Iterable[tuple[str, str]]:
        """Return names and texts to print where there are no columns."""
        return ()

    def _shown_rows(self, count: int) -> Iterable[int]:
        """Return which rows are printed; all where they are objects."""
        if self._row_objects:
            return range(count)
        shown = min(count, self._longest_table)
        return sorted({round(i * (count - 1) / max(shown - 1, 1)) for i in range(shown)})

    def _facts(self) -> Mapping[str, object]:
        import numpy as np

        columns = type(self)._columns is not Result._columns  # then arrays are among them
        return {
            name: value
            for name, value in super()._facts().items()
            if name != "findings" and not (columns and isinstance(value, np.ndarray))
        }

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, ready for JSON: facts, columns and findings; what is not known is ``None``."""
        lists = {} if self._row_objects else self._lists()
        return {name: plain(value) for name, value in {**self._facts(), **lists}.items()} | {
            "findings": plain(self.findings)
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the columns as a table; where there are none, the facts as one row."""
        import pandas as pd

        if self._row_objects:
            return pd.DataFrame([_flat(row) for row in getattr(self, self._row_objects)])
        lists = self._lists()
        return pd.DataFrame(lists) if lists else pd.DataFrame([_flat(self)])

    def _lists(self) -> dict[str, Any]:
        return {column.name: column.cells for column in self._columns() if column.name}

    def _table(self) -> Table | None:
        return self._table_of(self._columns())

    def _table_of(self, columns: Iterable[Column]) -> Table | None:
        printed = [column for column in columns if column.heading]
        if not printed:
            lines = tuple(self._lines())
            return Table(columns=self._line_headings, rows=lines) if lines else None
        cells = [self._cells(column) for column in printed]
        if not len(cells[0]):
            return None
        rows = tuple(
            tuple(column.text(values[i]) for column, values in zip(printed, cells, strict=True))
            for i in self._shown_rows(len(cells[0]))
        )
        return Table(columns=tuple(column.heading for column in printed), rows=rows)

    def _cells(self, column: Column) -> Sequence[Any]:
        if column.cells is None:
            return [getattr(row, column.name) for row in getattr(self, self._row_objects)]
        return column.cells if isinstance(column.cells, Sequence) else column.cells.tolist()

    def __repr__(self) -> str:
        return f"<{self._headline()}>"

    def __str__(self) -> str:
        parts = [filled(self._headline())]
        table = self._table()
        if table is not None:
            parts.append(table.as_text())
        parts.extend(filled(str(finding), rest="    ") for finding in worst_first(self.findings))
        return "\n".join(parts)

    def _repr_html_(self) -> str:
        table = self._table()
        items = "".join(f"<li>{html.escape(str(finding))}</li>" for finding in worst_first(self.findings))
        return (
            f"<p><strong>{html.escape(self._headline())}</strong></p>"
            + ("" if table is None else table.as_html())
            + (f"<ul>{items}</ul>" if items else "")
        )


def _flat(row: Plain) -> dict[str, Any]:
    """Return the facts that fit in cells: an estimate fills two, findings say their codes, NaN stays."""
    import numpy as np

    from evenbeat.quantities import Estimate

    facts: Mapping[str, Any] = row._facts()
    cells: dict[str, Any] = {}
    for name, value in facts.items():
        if isinstance(value, Estimate):
            cells |= {name: value.value, f"{name}_standard_uncertainty": value.standard_uncertainty}
        elif isinstance(value, dt.date):
            cells[name] = np.datetime64(value)
        elif isinstance(value, tuple) and name == "findings":
            cells[name] = " ".join(found.code for found in value)
        elif value is None or isinstance(value, str | float | int | np.generic):
            cells[name] = value
    return cells
