"""The terms in which a log is described: quantities, kinds of cells, forms of rows, what comments say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from evenbeat.plain import Plain

if TYPE_CHECKING:
    from evenbeat.quantities import FloatArray

Quantity = Literal[
    "frequency",
    "fractional_frequency",
    "frequency_ratio",
    "frequency_difference",
    "phase",
    "time_interval",
    "period",
    "interval_error",
    "count",
]
QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)
CellKind = Literal["number", "moment", "measured", "missing", "text"]
TimeForm = Literal["iso", "unix", "mjd", "split_mjd", "spreadsheet", "time_of_day", "elapsed"]
Writing = Literal["cells", "pairs", "words", "fixed"]
DateOrder = Literal["day-first", "month-first"]
TIME_UNITS = ("ns", "us", "ms", "s", "min", "h", "d")
DATE_ORDERS: tuple[DateOrder, ...] = get_args(DateOrder)


@dataclass(frozen=True, kw_only=True)
class Candidate(Plain):
    """One way in which the rows of a log could be written, and why.

    Parameters
    ----------
    understood
        Share of all cells of the first lines that are understood, 0 to 1.
    rows
        Number of the first lines that are rows.
    reason
        What speaks for it or against it.
    """

    writing: Writing
    separator: str
    decimal: str
    columns: int
    understood: float
    rows: int
    reason: str = ""

    def __str__(self) -> str:
        named = {"\t": "tab", " ": "blanks", ",": "comma", ";": "semicolon", "|": "bar"}
        if self.columns == 1:
            return f"one number in each line, decimal {'comma' if self.decimal == ',' else 'point'}"
        names = {
            "pairs": "name=value pairs",
            "words": "numbers after their names",
            "fixed": "columns of fixed width",
        }
        how = names.get(self.writing, f"cells separated by {named.get(self.separator, self.separator)}")
        mark = "comma" if self.decimal == "," else "point"
        return f"{how}, decimal {mark}, {self.columns} column{'s' * (self.columns != 1)}"

    def _facts(self) -> Mapping[str, object]:
        return {"way": str(self), **super()._facts()}


@dataclass(frozen=True, kw_only=True)
class Form:
    """How the rows of a table are written.

    Parameters
    ----------
    separator
        One character; a blank stands for runs of blanks and tabs.
    decimal
        ``.`` or ``,``.
    columns
        Number of cells in a row, an empty one behind a trailing separator included.
    fewest
        Number of cells that a row has at least; fewer than ``columns`` where rows often end early.
    kinds
        What the cells of each column are in the first rows.
    header
        Names of the columns, empty where there are none.
    first_line
        One-based line of the first row of numbers.
    header_line
        One-based line of the header, where there is one.
    lead_in
        Bytes of the first line that belong to a header which lost its line end.
    joined_moment
        Date and time of day stand in two cells and are read as one.
    comments
        Text of the comment lines, marks removed.
    skipped
        Lines before the first row that are neither comment nor header.
    writing
        ``cells`` with a separator, ``pairs`` (name=value), ``words`` (each number after its name) or
        ``fixed`` columns; all but the first are rewritten line by line as cells before they are read.
    fortran
        Exponents are written with the letter D.
    hexadecimal
        Positions of columns of hexadecimal numbers, which are not read.
    candidates
        What the rows could be, the likeliest first.
    """

    separator: str
    decimal: str
    columns: int
    kinds: tuple[CellKind, ...]
    fewest: int = 0
    header: tuple[str, ...] = ()
    first_line: int = 1
    header_line: int | None = None
    lead_in: int = 0
    joined_moment: bool = False
    comments: tuple[str, ...] = ()
    skipped: tuple[int, ...] = ()
    writing: Writing = "cells"
    fortran: bool = False
    hexadecimal: tuple[int, ...] = ()
    candidates: tuple[Candidate, ...] = ()

    def label(self, index: int) -> str:
        """Return how a column is called in a sentence: its name, or its position where it has none."""
        if index < len(self.header) and self.header[index]:
            return f"'{self.header[index]}'"
        return f"number {index}"


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Which columns are read and as what.

    Parameters
    ----------
    numbers
        Positions of columns of numbers.
    moment
        Position of a column of time stamps, ``None`` where there is none.
    exact, fractions
        Position of a column of times that float64 would not hold, and whether they have decimals.
    time
        Position of the time, however it is written.
    units
        Position of a column of numbers and what stands behind each of them, a blank included.
    """

    numbers: tuple[int, ...]
    moment: int | None = None
    exact: int | None = None
    fractions: bool = False
    time: int | None = None
    units: tuple[tuple[int, str], ...] = ()

    def holds(self, index: int) -> bool:
        """Return whether a column is read."""
        return index in self.numbers or index in (self.moment, self.exact)

    @property
    def begins_with_reading(self) -> bool:
        """Whether the first column holds numbers other than the time."""
        return 0 in self.numbers and self.time != 0


@dataclass(frozen=True, kw_only=True)
class Covariate:
    """A column measured beside the clock: its name with unit and how it becomes that unit."""

    index: int
    name: str
    scale: float = 1.0
    offset: float = 0.0

    def of(self, cells: FloatArray) -> FloatArray:
        """Return the numbers of its cells in that unit, shape (rows,)."""
        return cells if (self.scale, self.offset) == (1.0, 0.0) else cells * self.scale + self.offset


@dataclass(frozen=True, kw_only=True)
class Statements:
    """What the log says about itself in comment lines of the form ``key: value``.

    Parameters
    ----------
    start
        ISO 8601 text from which elapsed time counts.
    reading_of
        ``device`` or ``reference``, see :func:`evenbeat.read_log`.
    """

    quantity: str | None = None
    unit: str | None = None
    nominal_frequency_hz: float | None = None
    interval_s: float | None = None
    gate_s: float | None = None
    reference: str = ""
    time_zone: str | None = None
    start: str | None = None
    reading_of: str | None = None
    counter_weighting: str | None = None
